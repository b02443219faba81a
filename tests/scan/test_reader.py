"""A reader's batch: each file read in its own folder, each outcome in one list, each end stated."""

from __future__ import annotations

import errno
import os
import time
from array import array
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.strategies import Folder, lay_out
from tests.tree.faults import FaultyHandle, failing
from verifier.manifest.schema import COMMON_COLUMNS
from verifier.manifest.store import CONTENT_COLUMNS, FACT_COLUMNS
from verifier.scan import reader
from verifier.scan import visit as visit_module
from verifier.scan.pace import Counts, Meter, cells_for
from verifier.scan.reader import Reader, ReaderSetup
from verifier.scan.task import Outcome, ReadTask, VisitTask
from verifier.tree.content import BLOCK_BYTES
from verifier.tree.digests import Algorithm
from verifier.tree.entry import FILE_COLUMNS, OWN_COLUMNS, State
from verifier.tree.names import to_bytes
from verifier.tree.share import Share
from verifier.tree.trouble import ATTEMPTS
from verifier.tree.walk import Place

if TYPE_CHECKING:
    from collections.abc import Callable

TREE: Folder = {
    b"a": {b"b": {b"gone": b"in a/b"}, b"note": b"in a"},
    b"note": b"in the root",
    b"z": {b"note": b"in z"},
}


class Cells:
    """The memory that one reader counts in."""

    def __init__(self) -> None:
        self.view = memoryview(array("Q", [0] * cells_for(1)))
        self.counts = Counts(self.view)


def read(root: Path, task: ReadTask | VisitTask, meter: Meter | None = None) -> Outcome:
    """Have a reader of its own do one task."""
    one = Reader(ReaderSetup(Share.at(root), Algorithm.BLAKE3), meter or Meter(Cells().view, 0))
    try:
        return one.do(task)
    finally:
        one.close()


def task(root: Path, *paths: str) -> ReadTask:
    """Return the task to read files, with the facts that a listing would give now."""
    found = []
    for path in paths:
        facts = (root / os.fsdecode(to_bytes(path))).lstat()
        found.append((path, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns))
    return ReadTask(tuple(found))


def results(outcome: Outcome) -> dict[str, dict[str, object]]:
    """Return what came of each file, by path and column."""
    found: dict[str, dict[str, object]] = {}
    for rows, columns in (
        (outcome.as_listed, (*CONTENT_COLUMNS, "path")),
        (outcome.changed, (*CONTENT_COLUMNS, *FACT_COLUMNS, "path")),
    ):
        for row in rows:
            named = dict(zip(columns, row, strict=True))
            found[str(named["path"])] = named
    return found


def test_every_file_of_a_batch_has_an_outcome(tmp_path: Path) -> None:
    """Files that are as listed are in one list, files that changed since in the other, with their facts of now."""
    root = lay_out(tmp_path / "root", TREE)
    given = task(root, "a/note", "note", "z/note")
    (root / "note").write_bytes(b"changed since it was listed")
    outcome = read(root, given)
    assert [row[-1] for row in outcome.as_listed] == ["a/note", "z/note"]
    found = results(outcome)
    assert found["note"]["size"] == len(b"changed since it was listed")
    assert found["note"]["digest"] == blake3(b"changed since it was listed").digest()
    assert found["z/note"]["digest"] == blake3(b"in z").digest()
    assert (outcome.files_read, outcome.problems, outcome.gone) == (3, [], "")


def lose(folder: Path) -> None:
    """Take a folder away."""
    folder.rename(folder.parents[2] / "away")


def swap(folder: Path) -> None:
    """Put a link in a folder's place."""
    lose(folder)
    folder.symlink_to(folder.parents[2] / "away")


@pytest.mark.parametrize("happen", [lose, swap], ids=["gone", "a link now"])
def test_after_a_lost_folder_the_right_files_are_read(tmp_path: Path, happen: Callable[[Path], None]) -> None:
    """A folder that went away since the listing costs its own files, and no other file's name another's content."""
    root = lay_out(tmp_path / "root", TREE)
    given = task(root, "a/b/gone", "note", "z/note")
    happen(root / "a" / "b")
    found = results(read(root, given))
    assert (found["a/b/gone"]["state"], found["a/b/gone"]["digest"]) == (State.UNSETTLED, None)
    assert found["note"]["digest"] == blake3(b"in the root").digest()
    assert found["z/note"]["digest"] == blake3(b"in z").digest()


def test_a_file_that_never_settles_is_read_three_times(tmp_path: Path) -> None:
    """A database that is written all day is not read six times over: three attempts, then unsettled."""
    root = lay_out(tmp_path / "root", {b"busy": b"0123456789"})

    class Changing(Meter):
        """A meter whose every look changes the file."""

        def add(self, size_bytes: int) -> None:
            """Count bytes and touch the file."""
            super().add(size_bytes)
            os.utime(root / "busy", ns=(cells.counts.bytes(), cells.counts.bytes()))

    cells = Cells()
    outcome = read(root, task(root, "busy"), Changing(cells.view, 0))
    assert results(outcome)["busy"]["state"] == State.UNSETTLED
    assert cells.counts.bytes() == (1 + ATTEMPTS) * 10  # the quick look, then the attempts
    assert [problem.attempts for problem in outcome.problems] == [ATTEMPTS]


def test_a_request_to_stop_leaves_the_rest_unread(tmp_path: Path) -> None:
    """Files that were read before the request are kept; the others are in neither list."""
    root = lay_out(tmp_path / "root", TREE)

    class Stopping(Meter):
        """A meter that asks to stop after the first file."""

        def add(self, size_bytes: int) -> None:
            """Count bytes and ask to stop."""
            super().add(size_bytes)
            cells.counts.request_stop()

    cells = Cells()
    outcome = read(root, task(root, "a/note", "note", "z/note"), Stopping(cells.view, 0))
    assert list(results(outcome)) == ["a/note"]
    assert (outcome.problems, outcome.gone) == ([], "")


def test_a_dead_share_leaves_the_rest_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was read before the share went away is kept, and the reason is told."""
    root = lay_out(tmp_path / "root", TREE)

    def failing_tree(place: Path) -> FaultyHandle:
        handle = FaultyHandle(place)
        handle.before["open", "note"] = failing(errno.ENOTCONN)
        return handle

    monkeypatch.setattr(reader, "open_tree", failing_tree)
    outcome = read(root, task(root, "a/note", "note", "z/note"))
    assert list(results(outcome)) == ["a/note"]
    assert outcome.gone == "ENOTCONN while reading note"


def test_a_root_that_cannot_be_entered_is_a_dead_share(tmp_path: Path) -> None:
    """A root that is gone when a reader comes is the share's end, not the end of each of its files."""
    root = lay_out(tmp_path / "root", TREE)
    given, share = task(root, "note"), Share.at(root)
    root.rename(tmp_path / "away")
    outcome = Reader(ReaderSetup(share, Algorithm.BLAKE3), Meter(Cells().view, 0)).do(given)
    assert (outcome.files_read, outcome.problems) == (0, [])
    assert "ENOENT" in outcome.gone


def test_a_folder_that_was_made_anew_is_found(tmp_path: Path) -> None:
    """A folder that was moved away and made again is still held under its old name: the reader looks once more."""
    root = lay_out(tmp_path / "root", {b"f": {b"one": b"1"}})
    one = Reader(ReaderSetup(Share.at(root), Algorithm.BLAKE3), Meter(Cells().view, 0))
    try:
        one.do(task(root, "f/one"))
        (root / "f").rename(tmp_path / "away")
        (root / "f").mkdir()
        (root / "f" / "two").write_bytes(b"2")
        found = results(one.do(task(root, "f/two")))
    finally:
        one.close()
    assert found["f/two"]["digest"] == blake3(b"2").digest()


def test_no_descriptor_is_left(tmp_path: Path) -> None:
    """A reader that is closed gives back what it took."""
    root = lay_out(tmp_path / "root", TREE)
    share = Share.at(root)
    before = len(list(Path("/proc/self/fd").iterdir()))
    one = Reader(ReaderSetup(share, Algorithm.BLAKE3), Meter(Cells().view, 0))
    one.do(task(root, "a/b/gone", "a/note", "note", "z/note"))
    one.do(visit())
    assert len(list(Path("/proc/self/fd").iterdir())) > before
    one.close()
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_what_a_reader_is_at_can_be_seen(tmp_path: Path) -> None:
    """While a file is read its path is there for others to see; afterwards there is nothing."""
    root = lay_out(tmp_path / "root", TREE)
    seen: list[str] = []

    class Looking(Meter):
        """A meter that looks at its reader."""

        def add(self, size_bytes: int) -> None:
            """Count bytes, and look."""
            super().add(size_bytes)
            seen.append(one.current)

    one = Reader(ReaderSetup(Share.at(root), Algorithm.BLAKE3), Looking(Cells().view, 0))
    one.do(task(root, "a/note", "note"))
    assert seen == ["a/note", "note"]
    one.do(visit())
    assert sorted(seen[2:]) == ["a/b/gone", "a/note", "note", "z/note"]
    assert one.current == ""
    one.close()


# ---- Visits


def visit(
    *, read_for_s: float = 60.0, most_entries: int = 10**6, places: tuple[Place, ...] = (Place(""),)
) -> VisitTask:
    """Return the task to list a tree and to read it on the way for a while; 0 to list only."""
    return VisitTask(places, time.monotonic() + read_for_s if read_for_s else 0.0, most_entries, 60.0)


def states(outcome: Outcome) -> dict[str, str]:
    """Return the state of each path that a visit gave a row for, in whatever form it gave it."""
    found = {str(row[0]): str(row[18]) for row in outcome.entries}
    found |= {row[0]: State.LISTED.value for row in outcome.listed}
    found |= {str(row[0]): State.PROVED.value for row in outcome.proved}
    for state, _, width, values in outcome.shared:
        found |= {str(path): state for path in values[::width]}
    return found


MANY: Folder = {
    **{f"{n:03}".encode(): b"x" * n for n in range(100)},
    b"folder": {f"{n:03}".encode(): b"y" for n in range(50)},
}


def test_a_visit_reads_small_files_and_lists_the_others(tmp_path: Path) -> None:
    """Up to one block a file is read where it is met; a larger one, and one of several names, is left for later."""
    root = lay_out(tmp_path / "root", {b"empty": b"", b"small": b"s" * BLOCK_BYTES, b"two": b"2"})
    (root / "large").write_bytes(b"l" * (BLOCK_BYTES + 1))
    os.link(root / "two", root / "names")
    outcome = read(root, visit())
    assert states(outcome) == {
        "empty": "proved",
        "small": "proved",
        "large": "listed",
        "two": "listed",
        "names": "listed",
    }
    assert (outcome.work.files, outcome.work.files_done) == (5, 2)
    assert outcome.work.size_bytes == 2 * BLOCK_BYTES + 1 + 2


def test_a_visit_that_is_to_list_reads_nothing(tmp_path: Path) -> None:
    """Where listing comes first no byte is read."""
    root = lay_out(tmp_path / "root", MANY)
    cells = Cells()
    outcome = read(root, visit(read_for_s=0), Meter(cells.view, 0))
    assert set(states(outcome).values()) == {"listed", "contentless"}
    assert (cells.counts.bytes(), cells.counts.entries()) == (0, 151)
    assert (outcome.work.files, outcome.work.files_done) == (150, 0)


@pytest.mark.parametrize("read_for_s", [60.0, 0.0], ids=["reading", "listing"])
def test_visits_hand_over_and_lose_nothing(tmp_path: Path, read_for_s: float) -> None:
    """A visit ends after about so many entries; what it left, others take up, and every name has one last row."""
    root = lay_out(tmp_path / "root", MANY)
    found: dict[str, str] = {}
    waiting = [Place("")]
    visits = 0
    while waiting:
        outcome = read(root, visit(read_for_s=read_for_s, most_entries=20, places=(waiting.pop(),)))
        assert outcome.entries_seen <= 40
        found |= states(outcome)
        waiting += outcome.rest
        visits += 1
    assert visits > 3
    files = {f"{n:03}" for n in range(100)} | {f"folder/{n:03}" for n in range(50)}
    assert found == dict.fromkeys(files, "proved" if read_for_s else "listed") | {"folder": "contentless"}


def test_files_that_share_their_facts_are_handed_over_together(tmp_path: Path) -> None:
    """Mode, owner, device of a folder's files are said once, and each row has the rest in the order of its columns."""
    root = lay_out(tmp_path / "root", MANY)
    outcome = read(root, visit())
    found: dict[str, dict[str, object]] = {}
    for state, common, width, values in outcome.shared:
        assert (state, width) == (State.PROVED, len(OWN_COLUMNS))
        for begin in range(0, len(values), width):
            row = dict(zip((*OWN_COLUMNS, *COMMON_COLUMNS), (*values[begin : begin + width], *common), strict=True))
            found[str(row["path"])] = row
    assert len(found) == 150
    for path, row in found.items():
        data, facts = (root / path).read_bytes(), (root / path).stat()
        assert (row["digest"], row["head"]) == (blake3(data).digest(), data[:16])
        assert (row["size"], row["allocated"]) == (len(data), facts.st_blocks * 512)
        assert (row["mtime_ns"], row["ctime_ns"]) == (facts.st_mtime_ns, facts.st_ctime_ns)
        assert (row["inode"], row["device"], row["nlink"]) == (facts.st_ino, facts.st_dev, 1)
        assert (row["mode"], row["uid"], row["gid"]) == (facts.st_mode & 0o7777, facts.st_uid, facts.st_gid)


def test_a_visit_that_is_stopped_says_what_it_left(tmp_path: Path) -> None:
    """Asked to stop, a visit keeps what it has and gives back the rest: together they are the tree."""
    root = lay_out(tmp_path / "root", MANY)

    class Stopping(Meter):
        """A meter that asks to stop after some files."""

        def add(self, size_bytes: int) -> None:
            """Count bytes and ask to stop."""
            super().add(size_bytes)
            if cells.counts.bytes() >= 800:
                cells.counts.request_stop()

    cells = Cells()
    outcome = read(root, visit(), Stopping(cells.view, 0))
    found = states(outcome)
    proved = sorted(path for path, state in found.items() if state == "proved")
    assert 40 <= len(proved) < 60
    assert proved == [f"{n:03}" for n in range(len(proved))]
    again = read(root, visit(places=tuple(outcome.rest)))
    assert set(found) | set(states(again)) == {str(p.relative_to(root)) for p in root.rglob("*")}


def test_a_file_that_changes_while_a_visit_reads_it_is_read_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What did not hold still is only listed, with the facts from before: a later reading judges it."""
    root = lay_out(tmp_path / "root", {b"busy": b"0123456789"})

    def touching(_: int | str) -> str:
        os.utime(root / "busy", ns=(1, 1))
        return "{}"

    monkeypatch.setattr(visit_module, "xattrs_of", touching)
    was = (root / "busy").stat()
    outcome = read(root, visit())
    (row,) = outcome.listed
    assert dict(zip(FILE_COLUMNS, row, strict=True))["mtime_ns"] == was.st_mtime_ns
    assert (outcome.work.files, outcome.work.files_done) == (1, 0)


def test_a_path_at_which_a_reader_hung_is_not_touched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is to be avoided is neither opened nor looked at; it has a row that says why, and all else is there."""
    root = lay_out(tmp_path / "root", TREE)
    held: list[FaultyHandle] = []

    def open_noting(place: Path) -> FaultyHandle:
        held.append(FaultyHandle(place))
        return held[-1]

    monkeypatch.setattr(reader, "open_tree", open_noting)
    outcome = read(root, visit()._replace(avoid=("a/note", "z")))
    assert states(outcome) == {
        "a": "contentless", "a/b": "contentless", "a/b/gone": "listed", "a/note": "unreadable", "note": "listed",
        "z": "unreadable",
    }  # fmt: skip
    (handle,) = held
    assert not [asked for asked in handle.asked if asked[1] in ("a/note", "z", "z/note")]
