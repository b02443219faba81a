"""A reader's batch: each file read in its own folder, each outcome in one list, each end stated."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.strategies import Folder, lay_out
from tests.tree.faults import FaultyHandle, failing
from verifier.manifest.store import CONTENT_COLUMNS, FACT_COLUMNS
from verifier.scan import reader
from verifier.scan.reader import Meter, ReadOutcome, ReadTask, read_batch
from verifier.tree import content
from verifier.tree.content import ATTEMPTS
from verifier.tree.digests import Algorithm
from verifier.tree.entry import State
from verifier.tree.names import to_bytes

if TYPE_CHECKING:
    from collections.abc import Callable

TREE: Folder = {
    b"a": {b"b": {b"gone": b"in a/b"}, b"note": b"in a"},
    b"note": b"in the root",
    b"z": {b"note": b"in z"},
}


@pytest.fixture(autouse=True)
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait a moment only between two attempts."""
    monkeypatch.setattr(content, "PAUSE_S", 0.0001)


def task(root: Path, *paths: str) -> ReadTask:
    """Return the task to read files, with the facts that a listing would give now."""
    found = []
    for path in paths:
        facts = (root / os.fsdecode(to_bytes(path))).lstat()
        found.append((path, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns))
    return ReadTask(str(root), Algorithm.BLAKE3, tuple(found))


def results(outcome: ReadOutcome) -> dict[str, dict[str, object]]:
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
    outcome = read_batch(given, Meter([0, 0], 1))
    assert [row[-1] for row in outcome.as_listed] == ["a/note", "z/note"]
    found = results(outcome)
    assert found["note"]["size"] == len(b"changed since it was listed")
    assert found["note"]["digest"] == blake3(b"changed since it was listed").digest()
    assert found["z/note"]["digest"] == blake3(b"in z").digest()
    assert (outcome.files, outcome.problems, outcome.gone) == (3, [], "")


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
    found = results(read_batch(given, Meter([0, 0], 1)))
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
            os.utime(root / "busy", ns=(self.total(), self.total()))

    meter = Changing([0, 0], 1)
    outcome = read_batch(task(root, "busy"), meter)
    assert results(outcome)["busy"]["state"] == State.UNSETTLED
    assert meter.total() == (1 + ATTEMPTS) * 10  # the quick look, then the attempts
    assert [problem.attempts for problem in outcome.problems] == [ATTEMPTS]


def test_a_request_to_stop_leaves_the_rest_unread(tmp_path: Path) -> None:
    """Files that were read before the request are kept; the others are in neither list."""
    root = lay_out(tmp_path / "root", TREE)

    class Stopping(Meter):
        """A meter that asks to stop after the first file."""

        def add(self, size_bytes: int) -> None:
            """Count bytes and ask to stop."""
            super().add(size_bytes)
            self.request_stop()

    outcome = read_batch(task(root, "a/note", "note", "z/note"), Stopping([0, 0], 1))
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
    outcome = read_batch(task(root, "a/note", "note", "z/note"), Meter([0, 0], 1))
    assert list(results(outcome)) == ["a/note"]
    assert outcome.gone == "ENOTCONN while reading note"


def test_a_root_that_cannot_be_entered_is_a_dead_share(tmp_path: Path) -> None:
    """A root that is gone when a reader comes is the share's end, not the end of each of its files."""
    root = lay_out(tmp_path / "root", TREE)
    given = task(root, "note")
    root.rename(tmp_path / "away")
    outcome = read_batch(given, Meter([0, 0], 1))
    assert (outcome.files, outcome.problems) == (0, [])
    assert "ENOENT" in outcome.gone


def test_a_folder_that_was_made_anew_is_found(tmp_path: Path) -> None:
    """A folder that was moved away and made again is still held under its old name: the reader looks once more."""
    root = lay_out(tmp_path / "root", {b"f": {b"one": b"1"}})
    trees = reader._Trees()
    try:
        read_batch(task(root, "f/one"), Meter([0, 0], 1), trees)
        (root / "f").rename(tmp_path / "away")
        (root / "f").mkdir()
        (root / "f" / "two").write_bytes(b"2")
        found = results(read_batch(task(root, "f/two"), Meter([0, 0], 1), trees))
    finally:
        trees.close()
    assert found["f/two"]["digest"] == blake3(b"2").digest()


def test_no_descriptor_is_left(tmp_path: Path) -> None:
    """A batch that is read without a hold of its own gives back what it took."""
    root = lay_out(tmp_path / "root", TREE)
    before = len(list(Path("/proc/self/fd").iterdir()))
    read_batch(task(root, "a/b/gone", "a/note", "note", "z/note"), Meter([0, 0], 1))
    assert len(list(Path("/proc/self/fd").iterdir())) == before
