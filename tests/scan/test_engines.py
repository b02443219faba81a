"""Engines: whoever reads, the manifest is the same."""

from __future__ import annotations

import os
import random
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3

from tests.scan.scans import entries_of, facts_of, scan_tree
from tests.strategies import HOSTILE_NAMES, Folder, Link, lay_out
from tests.tree.deep import MANY, NAME, DeepTree
from verifier.scan import scanner
from verifier.scan.engine import INLINE_BYTES, INLINE_FILES, InlineEngine, PoolEngine, automatic_readers, open_engine
from verifier.scan.plan import BATCH_BYTES, BATCH_FILES, cut
from verifier.scan.reader import Meter
from verifier.scan.scanner import ScanOptions
from verifier.tree.digests import Algorithm
from verifier.tree.entry import State

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from verifier.manifest.store import ToRead
    from verifier.scan.engine import Engine

CHOOSER: Final = random.Random(20261121)
TREE: Final[Folder] = {
    **{name: CHOOSER.randbytes(n) for n, name in enumerate(HOSTILE_NAMES)},
    b"many": {f"{n}".encode(): CHOOSER.randbytes(n) for n in range(BATCH_FILES + 50)},
    b"blocks": {f"{n}".encode(): CHOOSER.randbytes(3_000_000 + n) for n in range(5)},
    b"d\xff": {b"x\xfe": b"deep in bytes"},
    b"link": Link(b"many"),
}


def engines() -> dict[str, Callable[[int, int, int], Engine]]:
    """Return a way to force each engine."""
    return {
        "inline": lambda *_: InlineEngine(),
        "one process": lambda *_: PoolEngine(1),
        "three processes": lambda *_: PoolEngine(3),
    }


def test_every_engine_makes_the_same_manifest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In this process or in others, few or many: the same rows but for the time of reading, the same fingerprint."""
    root = lay_out(tmp_path / "root", TREE)
    os.link(root / "many" / "7", root / "many" / "seven")
    os.mkfifo(root / "fifo")
    fingerprints, rows = set(), []
    for name, engine in engines().items():
        monkeypatch.setattr(scanner, "open_engine", engine)
        fingerprints.add(scan_tree(root, tmp_path / name).fingerprint)
        rows.append([entry._replace(read_at=None) for entry in entries_of(tmp_path / name).values()])
        assert {entry.state for entry in rows[-1]} == {State.PROVED, State.CONTENTLESS}
    assert len(fingerprints) == 1
    assert rows[0] == rows[1] == rows[2]
    assert int(facts_of(tmp_path / "inline")["bytes_read"]) == int(facts_of(tmp_path / "three processes")["bytes_read"])


def test_readers_find_a_root_whose_name_is_no_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A root named in bytes that are not UTF-8 reaches other processes as it is."""
    monkeypatch.setattr(scanner, "open_engine", lambda *_: PoolEngine(1))
    root = lay_out(tmp_path / os.fsdecode(b"r\xff\n\x1b"), {b"file": b"content"})
    assert scan_tree(root, tmp_path / "m").totals.proved_files == 1
    assert facts_of(tmp_path / "m")["root"].endswith(r"/r\xff\x0a\x1b")


def test_files_deeper_than_a_path_can_say_are_read(tmp_path: Path) -> None:
    """Every file of a tree 300 levels deep is proved (PATH_MAX: linux/limits.h)."""
    with DeepTree(tmp_path / "deep") as deep:
        totals = scan_tree(deep.root, tmp_path / "m").totals
    assert (totals.files, totals.proved_files, totals.unreadable) == (MANY, MANY, 0)
    bottom = "/".join([*[NAME] * (MANY - 1), "file"])
    assert entries_of(tmp_path / "m")[bottom].digest == blake3(b"").digest()


@pytest.mark.parametrize(
    ("files", "size_bytes", "readers", "pool"),
    [
        (INLINE_FILES, INLINE_BYTES, 2, False),
        (INLINE_FILES + 1, 0, 2, True),
        (1, INLINE_BYTES + 1, 2, True),
        (10**6, 10**12, 1, True),
    ],
    ids=["small", "many files", "many bytes", "one reader"],
)
def test_processes_start_only_where_they_pay(files: int, size_bytes: int, readers: int, pool: bool) -> None:
    """Small trees are read in the process that scans; where one reader is asked for, its pool has one."""
    engine = open_engine(files, size_bytes, readers)
    try:
        assert isinstance(engine, PoolEngine) is pool
        assert engine.readers == (readers if pool else 1)
    finally:
        engine.close()


def test_the_number_of_readers_is_bounded() -> None:
    """However many cores there are, a side has 2 to 8 readers of its own."""
    assert 2 <= automatic_readers() <= 8


def test_an_algorithm_reaches_every_reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Readers in other processes use the algorithm that was asked for."""
    root = lay_out(tmp_path / "root", {b"file": b"abc"})
    monkeypatch.setattr(scanner, "open_engine", lambda *_: PoolEngine(1))
    scan_tree(root, tmp_path / "m", ScanOptions(Algorithm.SHA256))
    digest = entries_of(tmp_path / "m")["file"].digest
    assert digest is not None
    # FIPS 180-4, example (value from memory).
    assert digest.hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


# ---- Batches


def files(*sizes: int) -> list[ToRead]:
    """Return files of these sizes."""
    return [(str(n), size, 0, 0) for n, size in enumerate(sizes)]


@pytest.mark.parametrize(
    ("sizes", "batches"),
    [
        ([], []),
        ([0] * BATCH_FILES, [BATCH_FILES]),
        ([0] * (BATCH_FILES + 1), [BATCH_FILES, 1]),
        ([BATCH_BYTES, 0, 1], [2, 1]),
        ([BATCH_BYTES + 1, 1], [1, 1]),
        ([1, 2**40, 1], [1, 1, 1]),
        ([BATCH_BYTES // 2] * 5, [2, 2, 1]),
    ],
    ids=["none", "a full one", "one more", "exactly full", "larger than one", "huge between", "halves"],
)
def test_batches_are_bounded_and_lose_nothing(sizes: list[int], batches: list[int]) -> None:
    """A batch ends at its number of files or bytes; order is kept and every file is in one."""
    made = list(cut(files(*sizes)))
    assert [len(batch) for batch in made] == batches
    assert [file for batch in made for file in batch] == files(*sizes)


def test_bytes_are_counted_for_each_reader() -> None:
    """The cells of all readers add up; the one that asks them to stop is not among them."""
    cells = [0, 0, 0]
    Meter(cells, 1).add(5)
    Meter(cells, 2).add(7)
    meter = Meter(cells, 0)
    meter.request_stop()
    assert meter.total() == 12
