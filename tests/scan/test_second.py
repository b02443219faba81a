"""The second look at pairs of files: what it says of each."""

from __future__ import annotations

import errno
import os
import pickle
import socket
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
import xxhash

from tests.conftest import without_rights
from tests.scan.command import wait_for
from tests.scan.pairs import CONTENT, LONG_AGO_NS, Trees
from tests.strategies import HOSTILE_NAMES
from tests.tree.faults import FaultyHandle, failing
from verifier.classes import Side
from verifier.scan import looker, second
from verifier.scan.looker import DEAD_AFTER, Looker, Roots
from verifier.scan.pace import Counts, Meter, cells_for
from verifier.scan.second import LookOptions, Recorded, Request, SecondLook, Sight, SightOutcome
from verifier.tree import comparison
from verifier.tree.comparison import Relation
from verifier.tree.content import SEGMENT_BYTES
from verifier.tree.names import to_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence


@pytest.fixture(autouse=True)
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look in this process, whatever file system the trees lie on, unless a test wants both ways."""
    monkeypatch.setattr(second, "is_here", lambda _: True)


# ---- What is said of a pair


@pytest.mark.usefixtures("either_way")
def test_each_pair_gets_its_answer_in_the_order_given(trees: Trees) -> None:
    """Confirmed, not repeated, changed since, unreadable: each where it belongs, however many are looked at at once."""
    requests = []
    for n in range(60):
        match n % 4:
            case 0:
                changed = CONTENT[: n * 7] + b"\xff" + CONTENT[n * 7 + 1 :]
                requests.append(trees.put(f"{n}/differs", CONTENT, changed))
            case 1:
                requests.append(trees.put(f"{n}/equal", CONTENT, CONTENT, {"new": b"what a bad read gave"}))
            case 2:
                requests.append(trees.put(f"{n}/touched", CONTENT, b"other"))
                os.utime(trees.roots["new"] / f"{n}/touched", ns=(0, 0))
            case _:
                requests.append(replace(trees.put(f"{n}/x", b"", b"x"), old=Recorded("old", "no/../name", 0, 0)))
    sights = trees.look(*requests)
    assert [one.outcome for one in sights] == 15 * [
        SightOutcome.CONFIRMED,
        SightOutcome.NOT_REPEATED,
        SightOutcome.CHANGED_SINCE,
        SightOutcome.UNREADABLE,
    ]
    for n, one in enumerate(sights[::4]):
        assert one.damage is not None
        assert (one.damage.first_offset, one.relation, one.unsteady) == (4 * n * 7, Relation.DIFFERS, ())
    assert {(one.damage, one.relation, one.unsteady) for one in sights[1::4]} == {(None, Relation.EQUAL, (Side.NEW,))}
    assert {(one.side, one.relation) for one in sights[2::4]} == {(Side.NEW, None)}
    assert {one.side for one in sights[3::4]} == {Side.OLD}


@pytest.mark.usefixtures("either_way")
def test_several_looks_with_one_hold(trees: Trees) -> None:
    """What was looked at before does not show in what is looked at later; a look at nothing is nothing."""
    first = [trees.put(f"a{n}", CONTENT, CONTENT + b"+") for n in range(9)]
    then = [trees.put(f"b{n}", CONTENT + b"+", CONTENT) for n in range(9)]
    with SecondLook(trees.roots) as looking:
        assert looking.look([]) == []
        assert {one.relation for one in looking.look(first)} == {Relation.OLD_IS_PREFIX}
        assert {one.relation for one in looking.look(then)} == {Relation.NEW_IS_PREFIX}


@pytest.mark.usefixtures("either_way")
def test_each_request_names_its_root(trees: Trees, tmp_path: Path) -> None:
    """One old tree may have been spread over several new ones: each pair is looked at where it lies."""
    requests = []
    for n in range(3):
        requests.append(trees.put("f", CONTENT, CONTENT[:-1] + bytes([n])))
        (trees.roots["new"] / "f").rename(trees.roots["new"].with_name(f"new-{n}"))
        trees.roots[f"new-{n}"] = tmp_path / f"other-{n}"
        trees.roots[f"new-{n}"].mkdir()
        trees.roots["new"].with_name(f"new-{n}").rename(trees.roots[f"new-{n}"] / "moved")
        requests[-1] = replace(requests[-1], new=replace(requests[-1].new, root=f"new-{n}", path="moved"))
    for n, one in enumerate(trees.look(*requests)):
        assert one.damage is not None
        assert one.damage.new_near[-1] == n


def test_a_root_that_is_not_known_is_refused(trees: Trees) -> None:
    """A label that names no root is a defect of the caller, found before anything is read."""
    request = trees.put("f", b"1", b"2")
    with pytest.raises(ValueError, match="no such root: elsewhere"):
        trees.look(request, replace(request, new=replace(request.new, root="elsewhere")))


def test_any_name_is_found(trees: Trees) -> None:
    """A pair is found by its manifest texts, whatever bytes its name is made of."""
    requests = []
    for name in HOSTILE_NAMES:
        request = trees.put("plain", b"1", b"2")
        for root in trees.roots.values():
            os.rename(root / "plain", os.path.join(os.fsencode(root), name))  # noqa: PTH104, PTH118  bytes
        path = to_text(name)
        requests.append(replace(request, old=replace(request.old, path=path), new=replace(request.new, path=path)))
    assert {one.outcome for one in trees.look(*requests)} == {SightOutcome.CONFIRMED}


def test_an_early_stop_and_a_run_of_zeros_are_passed_on(trees: Trees) -> None:
    """What a request asks for is how its files are compared."""
    size = 2 * comparison.BLOCK_BYTES
    old = b"\1" * size
    request = trees.put("f", old, old[:100] + bytes(20) + old[120:-1] + b"\2")
    whole, early = trees.look(request, replace(request, early_stop=True, zero_run=20))
    assert whole.damage is not None
    assert early.damage is not None
    assert (whole.damage.differing_bytes, whole.damage.zeros) == (21, False)
    assert (early.damage.differing_bytes, early.damage.zero_run, early.damage.compared_bytes) == (20, True, size // 2)


def test_requests_and_sights_can_travel(trees: Trees) -> None:
    """Both are plain data that another process can be given."""
    request = trees.put("f", CONTENT, CONTENT[:-1])
    (seen,) = trees.look(request)
    assert pickle.loads(pickle.dumps(request)) == request
    assert pickle.loads(pickle.dumps(seen)) == seen


# ---- Readings that do not repeat


@pytest.mark.parametrize("sides", [("old",), ("new",), ("old", "new")], ids="+".join)
@pytest.mark.parametrize("now", ["equal", "different"])
def test_a_side_whose_bytes_are_not_those_recorded_is_unsteady(trees: Trees, sides: Sequence[str], now: str) -> None:
    """Size and time stayed, the bytes did not: that side's reading did not repeat, whatever the other side says."""
    new = CONTENT if now == "equal" else CONTENT[:-1] + b"\xff"
    (seen,) = trees.look(trees.put("f", CONTENT, new, dict.fromkeys(sides, b"other bytes")))
    assert seen.outcome is (SightOutcome.NOT_REPEATED if now == "equal" else SightOutcome.CONFIRMED)
    assert seen.unsteady == tuple(Side(side) for side in sides)


def test_a_digest_that_is_not_known_makes_nothing_unsteady(trees: Trees) -> None:
    """Where nothing was recorded, nothing can fail to repeat."""
    request = trees.put("f", CONTENT, CONTENT)
    request = replace(request, old=replace(request.old, digest=None), new=replace(request.new, digest=None))
    (seen,) = trees.look(request)
    assert (seen.outcome, seen.unsteady) == (SightOutcome.NOT_REPEATED, ())


# ---- Files with segments

SEGMENT: Final = 4096
"""What a segment is made to be, so that files need not be large."""


@pytest.fixture
def small_segments(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have segments of 4 KiB."""
    for module in ("verifier.tree.damage", "verifier.scan.looker"):
        monkeypatch.setattr(f"{module}.SEGMENT_BYTES", SEGMENT)


def segments_of(content: bytes) -> bytes:
    """Return a content's segment digests."""
    return b"".join(xxhash.xxh3_128(content[at : at + SEGMENT]).digest() for at in range(0, len(content), SEGMENT))


def with_segments(request: Request, old: bytes, new: bytes) -> Request:
    """Return a request with the segment digests of these contents."""
    return replace(
        request,
        old=replace(request.old, segments=segments_of(old)),
        new=replace(request.new, segments=segments_of(new)),
    )


OLD: Final = bytes(n % 251 for n in range(5 * SEGMENT + 100))
NEW: Final = OLD[:6000] + b"\xff" + OLD[6001:-1] + b"\xff"


class Counted:
    """Counts what is read."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.ranges: set[tuple[int, int]] = set()
        monkeypatch.setattr(comparison, "read_at", self._read)

    def _read(self, descriptor: int, wanted: int, position: int) -> bytes:
        self.ranges.add((position, wanted))
        return os.pread(descriptor, wanted, position)


@pytest.mark.usefixtures("small_segments")
def test_only_segments_that_differ_are_read(trees: Trees, monkeypatch: pytest.MonkeyPatch) -> None:
    """A large file of which one segment differs costs one segment, not the file."""
    read = Counted(monkeypatch)
    (seen,) = trees.look(with_segments(trees.put("f", OLD, NEW), OLD, NEW))
    assert {one for one in read.ranges if one[1] > 48 and one[1] != 512} == {(SEGMENT, SEGMENT), (5 * SEGMENT, 100)}
    assert seen.damage is not None
    assert seen.damage.ranges == ((6000, 1), (len(OLD) - 1, 1))
    assert (seen.outcome, seen.unsteady) == (SightOutcome.CONFIRMED, ())


@pytest.mark.usefixtures("small_segments")
def test_a_segment_that_did_not_repeat_names_its_side(trees: Trees) -> None:
    """Where only segments are read, their digests say whose reading was another."""
    (seen,) = trees.look(with_segments(trees.put("f", OLD, OLD), OLD, NEW))
    assert (seen.outcome, seen.unsteady) == (SightOutcome.NOT_REPEATED, (Side.NEW,))
    (seen,) = trees.look(with_segments(trees.put("g", OLD, NEW), NEW, OLD))
    assert (seen.outcome, seen.unsteady) == (SightOutcome.CONFIRMED, (Side.OLD, Side.NEW))


@pytest.mark.usefixtures("small_segments")
@pytest.mark.parametrize("case", ["segments that agree", "too few segments", "another size"])
def test_all_is_read_where_segments_do_not_help(trees: Trees, monkeypatch: pytest.MonkeyPatch, case: str) -> None:
    """Segments that all agree, that do not fit the size, or of files of other sizes, prove nothing about any part."""
    new = NEW + b"+" if case == "another size" else NEW
    request = trees.put("f", OLD, new)
    if case == "segments that agree":
        request = with_segments(request, OLD, OLD)
    elif case == "too few segments":
        request = with_segments(request, OLD[:SEGMENT], NEW)
    else:
        request = with_segments(request, OLD, new)
    read = Counted(monkeypatch)
    (seen,) = trees.look(request)
    assert (0, len(OLD)) in read.ranges
    assert seen.damage is not None
    assert seen.damage.differing_bytes == 2


def test_a_real_segment_is_what_a_scan_takes_it_for(trees: Trees) -> None:
    """The last of two segments of a file just larger than one of them is found and compared alone."""
    size = SEGMENT_BYTES + 4096
    request = trees.put("f", b"", b"")
    for root in trees.roots.values():
        os.truncate(root / "f", size)
    with (trees.roots["new"] / "f").open("r+b") as file:
        file.seek(SEGMENT_BYTES + 77)
        file.write(b"\1")
    hole = xxhash.xxh3_128(bytes(SEGMENT_BYTES)).digest()
    tails = (bytes(4096), bytes(77) + b"\1" + bytes(4018))
    recorded = [
        Recorded(
            side.root,
            "f",
            size,
            (trees.roots[side.root] / "f").stat().st_mtime_ns,
            None,
            hole + xxhash.xxh3_128(tail).digest(),
        )
        for side, tail in zip((request.old, request.new), tails, strict=True)
    ]
    with SecondLook(trees.roots) as looking:
        read: list[int] = []
        (seen,) = looking.look([Request(recorded[0], recorded[1])], lambda _, size_bytes: read.append(size_bytes))
    assert seen.damage is not None
    assert (seen.damage.ranges, seen.unsteady) == (((SEGMENT_BYTES + 77, 1),), ())
    assert read[-1] == 2 * 4096


# ---- Files that are not what was scanned


def aside(file: Path) -> Path:
    """Move what stands at a place a little aside, and say where it is."""
    return file.rename(f"{file}~")


def folder_instead(file: Path) -> None:
    """Put a folder in a file's place."""
    aside(file)
    file.mkdir()


def fifo_instead(file: Path) -> None:
    """Put a FIFO in a file's place."""
    aside(file)
    os.mkfifo(file)


CHANGES: Final[dict[str, tuple[Callable[[Path], object], str]]] = {
    "longer": (lambda file: file.write_bytes(CONTENT + b"+"), "7001 bytes now, 7000 when it was scanned"),
    "another time": (lambda file: os.utime(file, ns=(0, LONG_AGO_NS + 1)), "another modification time"),
    "gone": (aside, "ENOENT: open, gone since it was scanned"),
    "a folder gone": (lambda file: aside(file.parent), "ENOENT: open, gone since it was scanned"),
    "a link": (lambda file: file.symlink_to(aside(file)), "no longer a file"),
    "a folder": (folder_instead, "no longer a file"),
    "a FIFO": (fifo_instead, "no longer a file"),
    "below a link": (lambda file: file.parent.symlink_to(aside(file.parent)), "ENOTDIR: open, gone since"),
}


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("change", CHANGES)
def test_a_file_that_is_not_what_was_scanned_is_not_compared(trees: Trees, change: str, side: Side) -> None:
    """Another size, time or kind: nothing is said about the content that was scanned; no link is followed."""
    request = trees.put("folder/f", CONTENT, CONTENT[:-1] + b"\xff")
    act, text = CHANGES[change]
    act(trees.roots[side] / "folder/f")
    (seen,) = trees.look(request)
    assert (seen.outcome, seen.side) == (SightOutcome.CHANGED_SINCE, side)
    assert text in seen.error
    assert (seen.relation, seen.damage) == (None, None)


def test_a_socket_in_a_files_place_is_no_file(trees: Trees, monkeypatch: pytest.MonkeyPatch) -> None:
    """Opening a socket is ENXIO (open(2)), which does not mean that the share is gone."""
    requests = [trees.put(name, CONTENT, CONTENT[:-1]) for name in ("f", "g")]
    monkeypatch.chdir(trees.roots["old"])
    Path("f").unlink()
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("f")
    changed, other = trees.look(*requests, options=LookOptions(threads=1))
    assert (changed.outcome, changed.side) == (SightOutcome.CHANGED_SINCE, Side.OLD)
    assert other.outcome is SightOutcome.CONFIRMED


class Looking:
    """One looker of this process, whose holds on the roots can misbehave."""

    def __init__(self, trees: Trees, monkeypatch: pytest.MonkeyPatch) -> None:
        self.handles = {root: FaultyHandle(root) for root in trees.roots.values()}
        self.old, self.new = self.handles.values()
        self.opened: list[Path] = []
        self.turn = threading.Lock()
        self._cells = memoryview(bytearray(8 * cells_for(1))).cast("Q")
        self.looker = Looker(Roots(trees.roots), Meter(self._cells, 0), self.turn)
        monkeypatch.setattr(looker, "open_tree", self._open)

    def _open(self, root: Path) -> FaultyHandle:
        self.opened.append(root)
        if self.opened.count(root) > 1:
            replaced = FaultyHandle(root)
            replaced.before = self.handles[root].before
            self.handles[root] = replaced
        return self.handles[root]

    def beats(self) -> int:
        """Return how often the looker has shown that it is alive."""
        return Counts(self._cells).beats(0, 1)[0]

    def at(self, *requests: Request) -> list[Sight]:
        """Look at pairs one after the other."""
        return [self.looker.look(request) for request in requests]


@pytest.fixture
def looking(trees: Trees, monkeypatch: pytest.MonkeyPatch) -> Iterator[Looking]:
    """Return a looker."""
    found = Looking(trees, monkeypatch)
    yield found
    found.looker.close()
    for handle in found.handles.values():
        handle.close()


@pytest.mark.parametrize("side", Side)
def test_a_file_that_changes_while_it_is_read_is_not_judged(
    trees: Trees, looking: Looking, side: Side, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Facts are taken before and after: what was read in between may be no file that ever was."""
    request = trees.put("f", CONTENT, CONTENT[:-1] + b"\xff")
    real = comparison.compare

    def compare_and_touch(*arguments: object) -> object:
        found = real(*arguments)  # type: ignore[arg-type]
        os.utime(trees.roots[side] / "f", ns=(0, LONG_AGO_NS))  # the same mtime; only ctime tells
        return found

    monkeypatch.setattr(looker, "compare", compare_and_touch)
    (seen,) = looking.at(request)
    assert (seen.outcome, seen.side, seen.error) == (SightOutcome.CHANGED_SINCE, side, looker.IN_MOTION)


def test_a_file_that_ends_while_it_is_read(trees: Trees, looking: Looking, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fewer bytes than its facts promised are a file in motion."""
    request = trees.put("f", CONTENT, CONTENT[:-1] + b"\xff")
    monkeypatch.setattr(comparison, "read_at", lambda d, w, p: os.pread(d, min(w, max(0, 5000 - p)), p))
    (seen,) = looking.at(request)
    assert (seen.outcome, seen.error) == (SightOutcome.CHANGED_SINCE, looker.IN_MOTION)


def test_a_folder_that_was_made_anew_is_found(trees: Trees, looking: Looking) -> None:
    """The hold on a folder may be on one that was moved away: what stands at its place now is looked at."""
    first = trees.put("folder/first", CONTENT, CONTENT[:-1])
    looking.at(first)
    for root in trees.roots.values():
        (root / "folder").rename(root / "away")
    then = trees.put("folder/then", CONTENT, CONTENT[:-1])
    (seen,) = looking.at(then)
    assert seen.outcome is SightOutcome.CONFIRMED


# ---- Files that cannot be read


def test_a_file_that_may_not_be_read_is_unreadable(open_ground: Path) -> None:
    """A lack of rights is said by its name and side, and concerns that pair alone."""
    trees = Trees(open_ground)
    requests = [trees.put(name, CONTENT, CONTENT[:-1]) for name in ("f", "g")]
    (trees.roots["new"] / "f").chmod(0)
    with without_rights():
        refused, other = trees.look(*requests)
    assert (refused.outcome, refused.side, refused.error) == (SightOutcome.UNREADABLE, Side.NEW, "EACCES: open")
    assert other.outcome is SightOutcome.CONFIRMED


def test_an_open_that_fails_once_is_tried_again(trees: Trees, looking: Looking) -> None:
    """An error that passes costs a pause."""
    request = trees.put("f", CONTENT, CONTENT[:-1])
    looking.new.before["open", "f"] = failing(errno.EIO, 1)
    (seen,) = looking.at(request)
    assert (seen.outcome, looking.new.asked["open", "f"]) == (SightOutcome.CONFIRMED, 2)


@pytest.mark.parametrize("number", [errno.ENOTCONN, errno.ENODEV])
def test_a_share_that_is_gone_is_asked_once(trees: Trees, looking: Looking, number: int) -> None:
    """When a share does not answer any more, every later pair on it is unreadable at once, without a pause for each."""
    requests = [trees.put(f"f{n}", CONTENT, CONTENT[:-1]) for n in range(50)]
    for n in range(50):
        looking.new.before["open", f"f{n}"] = failing(number)
    seen = looking.at(*requests)
    assert {(one.outcome, one.side) for one in seen} == {(SightOutcome.UNREADABLE, Side.NEW)}
    assert {one.error for one in seen} == {f"{errno.errorcode[number]}: open"}
    assert looking.new.asked["open", "f1"] == 0


def test_a_medium_that_gives_nothing_is_left_alone(trees: Trees, looking: Looking) -> None:
    """EIO on many files in a row is one dead medium: it is not asked ten thousand times; one that reads begins anew."""
    requests = [trees.put(f"f{n:03}", CONTENT, CONTENT[:-1]) for n in range(2 * DEAD_AFTER + 20)]
    bad = {f"f{n:03}" for n in range(len(requests))} - {"f010"}
    for name in bad:
        looking.old.before["open", name] = failing(errno.EIO)
    seen = looking.at(*requests)
    assert seen[10].outcome is SightOutcome.CONFIRMED
    assert {one.error for n, one in enumerate(seen) if n != 10} == {"EIO: open"}
    asked = sum(looking.old.asked["open", name] > 0 for name in bad)
    assert asked == 10 + DEAD_AFTER


def test_a_root_that_is_not_there_is_unreadable(trees: Trees) -> None:
    """A tree that cannot be reached any more says nothing about its files."""
    requests = [trees.put(f"f{n}", CONTENT, CONTENT[:-1]) for n in range(3)]
    trees.roots["old"].rename(trees.base / "away")
    assert trees.look(*requests) == 3 * [Sight(SightOutcome.UNREADABLE, Side.OLD, "ENOENT at the root")]


# ---- Large files


def test_large_pairs_take_turns(trees: Trees, looking: Looking, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two large pairs are not read at the same time; who waits shows others that this is no hanging."""
    monkeypatch.setattr(looker, "AHEAD_FROM", len(CONTENT))
    large, small = trees.put("large", CONTENT, CONTENT), trees.put("small", CONTENT, CONTENT[:-1])
    seen: list[Sight] = []
    with looking.turn:
        waiting = threading.Thread(target=lambda: seen.extend(looking.at(small, large)))
        waiting.start()
        wait_for(lambda: looking.beats() > 10)
        beats = looking.beats()
        wait_for(lambda: looking.beats() > beats)
        assert [one.relation for one in seen] == []
    waiting.join()
    assert [one.relation for one in seen] == [Relation.NEW_IS_PREFIX, Relation.EQUAL]


# ---- The page cache


@pytest.mark.parametrize(("stays", "drops"), [((False, False), 4), ((True, False), 3), ((False, True), 3)])
def test_what_was_dropped_and_gone_is_cold(
    trees: Trees, monkeypatch: pytest.MonkeyPatch, stays: tuple[bool, bool], drops: int
) -> None:
    """A look is cold where no page of either file was in memory any more; what it read is then dropped again."""
    request = trees.put("f", CONTENT, CONTENT[:-1])
    dropped: list[int] = []
    answers = iter(stays)
    monkeypatch.setattr(looker, "drop", lambda descriptor, _offset, _length: dropped.append(descriptor))
    monkeypatch.setattr(looker, "resident", lambda _descriptor, _size: iter([next(answers)]))
    (seen,) = trees.look(request)
    assert seen.cold is not any(stays)
    assert len(dropped) == drops
