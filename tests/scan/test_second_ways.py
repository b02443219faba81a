"""Where the second look is done: in threads here or in a process aside that may be given up; and that it only reads."""

from __future__ import annotations

import errno
import os
import re
import sys
import threading
import time
from pathlib import Path
from typing import Final

import pytest

from tests.scan.command import ENVIRONMENT, wait_for
from tests.scan.pairs import CONTENT, LONG_AGO_NS, Trees
from tests.scan.traced import MOVING, OPENING, traced
from tests.tree.faults import failing
from verifier.scan import engine, second
from verifier.scan.second import LookOptions, SecondLook, SightOutcome
from verifier.tree import comparison
from verifier.tree.mount_table import Mounted


def test_what_lies_here_is_looked_at_here(trees: Trees, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files on a local file system need no other process; everything else does: by type, by mounts, by links."""
    mounted = {"": Mounted("ext4", "", "", frozenset())}
    monkeypatch.setattr(second, "mounted_at", lambda _: mounted[""])
    root = trees.roots["old"].resolve()
    assert second.is_here(root)
    (trees.base / "link").symlink_to(root)
    assert not second.is_here(trees.base.resolve() / "link")
    mounted[""] = Mounted("ext4", "", "", frozenset({"inside"}))
    assert not second.is_here(root)
    for kind in ("nfs4", "cifs", "fuse.sshfs", "unknown"):
        mounted[""] = Mounted(kind, "", "", frozenset())
        assert not second.is_here(root)


def test_one_root_elsewhere_takes_all_there(trees: Trees, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pair of which one file may hang is looked at in a process of its own."""
    monkeypatch.setattr(second, "is_here", lambda root: root.name == "old")
    monkeypatch.setattr(comparison, "read_at", failing(errno.EIO))  # which another process does not know of
    (seen,) = trees.look(trees.put("f", CONTENT, CONTENT[:-1]))
    assert seen.outcome is SightOutcome.CONFIRMED


@pytest.mark.usefixtures("aside")
def test_a_process_that_was_ended_from_outside_is_replaced(trees: Trees, monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody ends the process: its pairs are looked at by the next one, and the answers are what they would be."""
    monkeypatch.setattr(second, "AHEAD", 1)
    requests = [trees.put(f"f{n:02}", CONTENT, CONTENT[:-1]) for n in range(40)]
    ended: list[int] = []
    told: list[int] = []

    def end_once(done: int, size_bytes: int) -> None:
        told.append(size_bytes)
        crew = looking._way._crew  # type: ignore[union-attr]
        if not ended and done >= 4 and crew is not None:
            ended.append(crew._process.pid)
            crew._process.kill()

    with SecondLook(trees.roots, LookOptions(threads=2)) as looking:
        seen = looking.look(requests, end_once)
    assert len(ended) == 1
    assert told == sorted(told), "what an ended process had read is forgotten"
    outcomes = [one.outcome for one in seen]
    assert set(outcomes) <= {SightOutcome.CONFIRMED, SightOutcome.NO_ANSWER}
    # Those that were just being read may have been what it died of.
    assert outcomes.count(SightOutcome.NO_ANSWER) <= 2


@pytest.mark.usefixtures("aside")
def test_processes_that_always_end_are_not_started_for_ever(trees: Trees) -> None:
    """After the third process that had to be given up nothing more is tried, and every pair has its answer."""
    requests = [trees.put(f"f{n:02}", CONTENT, CONTENT[:-1]) for n in range(200)]
    ended: set[int] = set()

    def end_each(_done: int, _bytes: int) -> None:
        crew = looking._way._crew  # type: ignore[union-attr]
        if crew is not None:
            ended.add(crew._process.pid)
            crew._process.kill()
            crew._process.join()

    with SecondLook(trees.roots, LookOptions(threads=2)) as looking:
        seen = looking.look(requests, end_each)
        assert len(seen) == 200
        assert len(ended) == second.GIVE_UP_AFTER
        assert seen[-1].outcome is SightOutcome.NO_ANSWER
        assert looking.look(requests[:1])[0].outcome is SightOutcome.NO_ANSWER


@pytest.mark.usefixtures("either_way")
def test_progress_tells_pairs_and_bytes(trees: Trees) -> None:
    """Whoever waits sees how far it is; the last word is all of it."""
    requests = [trees.put(f"f{n}", CONTENT, CONTENT[:-1] + b"\xff") for n in range(5)]
    told: list[tuple[int, int]] = []
    with SecondLook(trees.roots) as looking:
        for _ in range(2):
            looking.look(requests, lambda *progress: told.append(progress))
            assert told[-1] == (5, 5 * 2 * len(CONTENT))
    assert told == sorted(told[: told.index(told[-1]) + 1]) + told[told.index(told[-1]) + 1 :]


@pytest.mark.usefixtures("either_way")
def test_whoever_is_told_can_end_it(trees: Trees) -> None:
    """What `on_progress` raises, as Ctrl-C does, ends the look in the middle of a file, with nothing left behind."""

    class Enough(Exception):
        pass

    def stop(_done: int, _bytes: int) -> None:
        raise Enough

    requests = [trees.put(f"f{n}", CONTENT * 50, CONTENT * 50) for n in range(10)]
    stuck, threads = list(engine.STUCK), threading.active_count()
    started = time.monotonic()
    # At this rate one pair takes most of a minute.
    with SecondLook(trees.roots, LookOptions(limit_rate=10_000)) as looking, pytest.raises(Enough):
        looking.look(requests, stop)
    assert time.monotonic() - started < 20
    assert stuck == engine.STUCK
    wait_for(lambda: threading.active_count() <= threads)


@pytest.mark.usefixtures("either_way")
def test_a_rate_is_kept_by_all_together(trees: Trees) -> None:
    """A limit holds for all pairs and both sides together, and waiting for it is no hanging."""
    requests = [trees.put(f"f{n}", CONTENT, CONTENT[:-1]) for n in range(8)]
    started = time.monotonic()
    trees.look(*requests, options=LookOptions(limit_rate=160_000, stall_after_s=0.4))
    # 8 x 14,000 bytes at 160,000 a second are 0.7 s, of which 0.1 s may be ahead.
    assert time.monotonic() - started >= 0.55


@pytest.mark.usefixtures("either_way")
def test_descriptors_are_given_back(trees: Trees) -> None:
    """However many pairs are looked at, whatever came of them, no descriptor stays open."""
    held = Path("/proc/self/fd")
    if not held.is_dir():
        pytest.skip("open descriptors can be counted on Linux only")
    requests = [trees.put(f"{n % 5}/{n}", CONTENT, CONTENT[:-1]) for n in range(30)]
    (trees.roots["new"] / "0/0").unlink()
    os.utime(trees.roots["old"] / "1/1", ns=(0, 0))
    trees.look(*requests[:2])  # the server that processes come from is there now
    before = len(list(held.iterdir()))
    trees.look(*requests)
    assert len(list(held.iterdir())) == before


# ---- Read-only

SCRIPT: Final = """
import sys
from pathlib import Path
from verifier.scan import second
from verifier.scan.second import LookOptions, Recorded, Request, SecondLook

def main():
    place = Path.cwd()
    second.is_here = lambda _: sys.argv[1] == "here"
    roots = {side: place / side for side in ("old", "new")}
    requests = []
    for name in sys.argv[2:]:
        facts = {side: (root / name).lstat() for side, root in roots.items()}
        requests.append(Request(*(Recorded(side, name, f.st_size, f.st_mtime_ns) for side, f in facts.items())))
    with SecondLook(roots) as looking:
        print(*(sight.outcome.name for sight in looking.look(requests)))

if __name__ == "__main__":
    main()
"""
FLAGS: Final = re.compile(r"O_[A-Z]+")
NAMES: Final = ("f", "folder/g", "link", "fifo")


@pytest.mark.usefixtures("either_way")
def test_no_fact_of_any_file_changes(trees: Trees) -> None:
    """Times of access and change, sizes, modes: all is after the look what it was before it."""
    requests = [trees.put(name, CONTENT, CONTENT[:-1] + b"\xff") for name in NAMES[:2]]
    places = [place for root in trees.roots.values() for place in (root, *root.rglob("*"))]
    for place in places:
        # Any plain reading would move an access time before the last change (mount(8), relatime).
        os.utime(place, ns=(LONG_AGO_NS - 1, LONG_AGO_NS))
    before = [place.lstat() for place in places]
    assert {one.outcome for one in trees.look(*requests)} == {SightOutcome.CONFIRMED}
    assert [place.lstat() for place in places] == before


@pytest.mark.real(programs=("strace",))
@pytest.mark.parametrize("where", ["here", "aside"])
def test_no_call_changes_or_follows_anything(trees: Trees, tmp_path: Path, where: str) -> None:
    """Of everything that all processes asked of the kernel nothing could change, lock or follow a place in a tree."""
    base = trees.base.resolve()
    for name in NAMES[:2]:
        trees.put(name, CONTENT, CONTENT[:-1] + b"\xff")
    for root in trees.roots.values():
        (root / "link").symlink_to("f")
        os.mkfifo(root / "fifo")
    script = base / "script.py"
    script.write_text(SCRIPT)
    code, calls = traced([sys.executable, script, where, *NAMES], base / "log", ENVIRONMENT, base)
    assert code == 0
    roots = [base / "old", base / "new"]
    assert [call for call in calls if call.names(roots) and (call.changes or call.name in MOVING)] == []
    opened = [call for call in calls if call.name in OPENING and call.names(roots)]
    inside = tuple(f"{root}/" for root in roots)
    below = [call for call in opened if any(path.startswith(inside) for path in call.paths)]
    assert {f"{root}/{name}" for root in roots for name in NAMES[:2]} <= {p for call in below for p in call.paths}
    assert not [
        call
        for call in below
        if "O_NOFOLLOW" not in call.text or not ({"O_NONBLOCK", "O_DIRECTORY"} & set(FLAGS.findall(call.text)))
    ]
