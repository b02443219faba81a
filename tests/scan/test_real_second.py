"""The second look at a share that fails: whatever breaks, every pair has its answer, in bounded time."""

from __future__ import annotations

import os
import time
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import pytest

from tests.faulty.mount import EVERYWHERE, Fault, FaultyMount, Operation, faulty_mount, need_mfusepy
from tests.scan.pairs import CONTENT, Trees
from verifier.classes import Side
from verifier.scan import engine, second
from verifier.scan.second import LookOptions, Request, SecondLook, Sight, SightOutcome
from verifier.tree.cache import PageCache
from verifier.tree.comparison import AHEAD_FROM
from verifier.tree.content import Expected, Manner, Where, read_file
from verifier.tree.digests import Algorithm
from verifier.tree.handle import open_tree

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

pytestmark = pytest.mark.real(root=True, mounts=True, paths=("/dev/fuse",), programs=("fusermount3",))

PAIRS: Final = 40
STALL_S: Final = 1.0
BOUND_S: Final = 40.0
"""A look that waits for what hangs never ends; one that does not has ended long before."""
OTHER: Final = CONTENT[:-1] + b"\xff"


class Share:
    """An old tree on a local disk, and a new one on a share that can be made to fail."""

    def __init__(self, trees: Trees, mounts: ExitStack) -> None:
        self.trees = trees
        self.requests = [trees.put(f"{n:02}", CONTENT, OTHER) for n in range(PAIRS)]
        self._mounts = mounts
        self.mount: FaultyMount

    def open(self, faults: Mapping[str, Fault] | None = None) -> None:
        """Mount it; what a scan would have recorded stays what the files behind it are."""
        os.sync()  # what is not written yet is not dropped
        source = self.trees.roots["new"]
        self.mount = self._mounts.enter_context(faulty_mount(source, self.trees.base / "share", faults))
        self.trees.roots["new"] = self.mount.point

    def look(self, *requests: Request) -> tuple[list[Sight], float]:
        """Look at some pairs, or at all, and say how long it took, seconds."""
        started = time.monotonic()
        with SecondLook(self.trees.roots, LookOptions(stall_after_s=STALL_S)) as looking:
            seen = looking.look(requests or self.requests)
        return seen, time.monotonic() - started


@pytest.fixture
def share(trees: Trees, pytestconfig: pytest.Config, monkeypatch: pytest.MonkeyPatch) -> Iterator[Share]:
    """Return a share, which is taken away at the end."""
    need_mfusepy(pytestconfig)
    monkeypatch.setattr(engine, "STUCK", [])
    with ExitStack() as mounts:
        yield Share(trees, mounts)


def digest_through(root: Path, name: str) -> bytes:
    """Return the digest that a scan of a tree records of a file."""
    facts = (root / name).stat()
    expected = Expected(facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns)
    with open_tree(root) as handle:
        reading = read_file(Where(handle, (), name), expected, Manner(Algorithm.BLAKE3, PageCache()))
    assert reading.digest is not None
    return reading.digest


def outcomes(seen: list[Sight], but: int) -> set[SightOutcome]:
    """Return the outcomes of all pairs but one."""
    return {one.outcome for n, one in enumerate(seen) if n != but}


def test_a_share_is_looked_at_aside(share: Share) -> None:
    """A look that nothing disturbs confirms what differs, byte by byte, and cold."""
    share.open()
    assert not second.is_here(share.mount.point)
    seen, _ = share.look()
    assert [(one.outcome, one.unsteady, one.cold) for one in seen] == PAIRS * [(SightOutcome.CONFIRMED, (), True)]
    assert {one.damage.ranges for one in seen if one.damage is not None} == {((len(CONTENT) - 1, 1),)}


def test_bytes_that_were_wrong_once_do_not_repeat(share: Share) -> None:
    """The scan read other bytes than those that are there: the look goes round this host's memory, and says so."""
    request = share.trees.put("f", CONTENT, CONTENT)
    share.open({"f": Fault(on=(Operation.READ,), wrong_bytes=True, times=1)})
    wrong = digest_through(share.mount.point, "f")
    assert wrong != request.old.digest
    (seen,), _ = share.look(replace(request, new=replace(request.new, digest=wrong)))
    assert (seen.outcome, seen.unsteady) == (SightOutcome.NOT_REPEATED, (Side.NEW,))
    assert seen.cold
    assert share.mount.met("f", Operation.READ) == 1


def test_bytes_that_are_wrong_every_time_are_confirmed(share: Share) -> None:
    """Wrong bytes that repeat are what is there, as far as anybody can tell."""
    request = share.trees.put("f", CONTENT, CONTENT)
    share.open({"f": Fault(on=(Operation.READ,), wrong_bytes=True)})
    wrong = digest_through(share.mount.point, "f")
    (seen,), _ = share.look(replace(request, new=replace(request.new, digest=wrong)))
    assert (seen.outcome, seen.unsteady) == (SightOutcome.CONFIRMED, ())
    assert seen.damage is not None
    assert seen.damage.differing_bytes == len(CONTENT)


def test_bytes_that_are_wrong_now_make_the_side_unsteady(share: Share) -> None:
    """They still differ, but not as they did: that reading does not repeat."""
    share.open({"05": Fault(on=(Operation.READ,), wrong_bytes=True)})
    seen, _ = share.look()
    assert (seen[5].outcome, seen[5].unsteady) == (SightOutcome.CONFIRMED, (Side.NEW,))
    assert {one.unsteady for n, one in enumerate(seen) if n != 5} == {()}


def test_one_file_that_the_medium_cannot_give(share: Share) -> None:
    """EIO that does not pass makes one pair unreadable, with its name and its side, and no other."""
    share.open({"05": Fault(on=(Operation.READ,), error="EIO")})
    seen, _ = share.look()
    assert seen[5] == Sight(SightOutcome.UNREADABLE, Side.NEW, "EIO: read")
    assert outcomes(seen, but=5) == {SightOutcome.CONFIRMED}


def test_a_medium_that_fails_once(share: Share) -> None:
    """EIO that does not come again costs a pause."""
    share.open({"05": Fault(on=(Operation.READ,), error="EIO", times=1)})
    seen, _ = share.look()
    assert outcomes(seen, but=-1) == {SightOutcome.CONFIRMED}


def test_a_file_that_grows_while_it_is_read(share: Share) -> None:
    """A file in motion is nothing that could be confirmed."""
    share.open({"05": Fault(on=(Operation.READ,), grows_by=10)})
    seen, _ = share.look()
    assert (seen[5].outcome, seen[5].side) == (SightOutcome.CHANGED_SINCE, Side.NEW)
    assert outcomes(seen, but=5) == {SightOutcome.CONFIRMED}


@pytest.mark.parametrize("operation", [Operation.OPEN, Operation.READ])
def test_a_file_that_hangs(share: Share, operation: Operation) -> None:
    """A file that never answers gets no answer, every other pair its own, and the look ends by itself."""
    share.open({"05": Fault(on=(operation,), stall=True)})
    seen, seconds = share.look()
    assert seen[5] == Sight(SightOutcome.NO_ANSWER, error="no answer for 1 s: read")
    assert outcomes(seen, but=5) == {SightOutcome.CONFIRMED}
    assert seconds < BOUND_S


def test_a_large_file_that_hangs_half_way(share: Share) -> None:
    """Threads that read ahead hang as others do, and pairs that wait for their turn meanwhile are not given up."""
    size = AHEAD_FROM + 1
    large = [share.trees.put(name, b"\1", b"\1") for name in ("large-0", "large-1", "large-2")]
    for request in large:
        for side in (request.old, request.new):
            place = share.trees.roots[side.root] / side.path
            os.truncate(place, size)
            os.utime(place, ns=(side.mtime_ns, side.mtime_ns))
    large = [
        replace(
            request,
            old=replace(request.old, size=size, digest=None),
            new=replace(request.new, size=size, digest=None),
        )
        for request in large
    ]
    share.open({"large-1": Fault(on=(Operation.READ,), stall=True, skip=20)})
    seen, seconds = share.look(*large)
    assert [one.outcome for one in seen] == [
        SightOutcome.NOT_REPEATED,
        SightOutcome.NO_ANSWER,
        SightOutcome.NOT_REPEATED,
    ]
    assert seconds < BOUND_S


def test_a_share_on_which_everything_hangs(share: Share) -> None:
    """Where nothing answers the look gives up after a few processes, not after a wait for each pair."""
    share.open({EVERYWHERE: Fault(on=(Operation.OPEN, Operation.READ), stall=True)})
    seen, seconds = share.look()
    assert outcomes(seen, but=-1) == {SightOutcome.NO_ANSWER}
    assert "not tried any more" in seen[-1].error
    assert seconds < 3 * (STALL_S + 5)


def test_a_share_that_vanishes_meanwhile(share: Share) -> None:
    """The server dies in the middle of a read: what was seen until then stays seen, the rest cannot be read."""
    share.open({"20": Fault(on=(Operation.READ,), vanish=True)})
    seen, seconds = share.look()
    assert outcomes(seen, but=-1) <= {SightOutcome.CONFIRMED, SightOutcome.UNREADABLE}
    assert {one.side for one in seen[20:] if one.outcome is SightOutcome.UNREADABLE} == {Side.NEW}
    assert seen[20].outcome is SightOutcome.UNREADABLE
    # The request that was under way is aborted, every later one meets nobody.
    errors = {one.error.partition(":")[0] for one in seen if one.outcome is SightOutcome.UNREADABLE}
    assert errors <= {"ENOTCONN", "ECONNABORTED"}
    assert seconds < BOUND_S


def test_a_share_whose_server_is_dead_from_the_start(share: Share) -> None:
    """A root that cannot be opened makes its pairs unreadable; those on another one have their answer."""
    share.trees.roots["other"] = share.trees.base / "other"
    share.trees.roots["other"].mkdir()
    (share.trees.roots["other"] / "00").hardlink_to(share.trees.roots["new"] / "00")
    elsewhere = replace(share.requests[0], new=replace(share.requests[0].new, root="other"))
    share.open()
    share.mount.vanish()
    seen, _ = share.look(*share.requests[:10], elsewhere)
    assert {(one.outcome, one.side) for one in seen[:10]} == {(SightOutcome.UNREADABLE, Side.NEW)}
    assert seen[10].outcome is SightOutcome.CONFIRMED
