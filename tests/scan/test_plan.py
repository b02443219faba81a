"""What is done next: every folder is entered once, every file is read once, however little is remembered."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import pytest

from tests.scan.scans import entries_of, scan_tree
from tests.strategies import Folder, lay_out
from tests.tree.faults import FaultyHandle
from verifier.manifest.store import Manifest
from verifier.scan import plan, reader, side
from verifier.scan.plan import (
    BATCH_BYTES,
    BATCH_FILES,
    FAST_S,
    LEAST_FILES,
    SLOW_S,
    BatchSize,
    Frontier,
    Reread,
    batches,
    cut,
    rereads,
)
from verifier.scan.scanner import Progress, ScanOptions
from verifier.tree.entry import Entry, State
from verifier.tree.walk import Place

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verifier.manifest.store import ToRead


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Manifest]:
    """Return a manifest that is being written."""
    with Manifest.create(tmp_path / "kept") as manifest:
        yield manifest


def entry(path: str, kind: str, state: State, **facts: object) -> Entry:
    """Return an entry, unremarkable but for the given facts."""
    plain = (0, None, 1, 2, 0o644, 3, 4, 1, 5, 6, None, None, None, None, None)
    return Entry(path, None, kind, *plain, state.value, None, None)._replace(**facts)  # type: ignore[arg-type]


# ---- Folders


def folders(above: str = "", depth: int = 3, width: int = 4) -> Folder:
    """Return a tree of many folders, each with two files."""
    tree: Folder = {b"file": above.encode(), b"other": b""}
    if depth:
        for n in range(width):
            tree[f"{n}".encode()] = folders(f"{above}/{n}", depth - 1, width)
    return tree


@pytest.mark.usefixtures("inline", "every_step")
@pytest.mark.parametrize("remembered", [1, 5, 4096])
@pytest.mark.parametrize("entries", [3, 40], ids=["short visits", "longer visits"])
def test_every_folder_is_listed_once(
    tmp_path: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch, remembered: int, entries: int
) -> None:
    """However few folders fit in memory, and however often a visit hands over: each is listed once, and none waits."""
    root = lay_out(tmp_path / "root", folders())
    monkeypatch.setattr(plan, "REMEMBERED_FOLDERS", remembered)
    for module in (side, plan):
        monkeypatch.setattr(module, "VISIT_ENTRIES", entries, raising=False)
    monkeypatch.setattr(side, "INLINE_ENTRIES", entries)
    held: list[FaultyHandle] = []

    def open_noting(place: Path) -> FaultyHandle:
        held.append(FaultyHandle(place))
        return held[-1]

    monkeypatch.setattr(reader, "open_tree", open_noting)
    told: list[Progress] = []
    totals = scan_tree(root, manifest, ScanOptions(readers=3), told.append).totals
    listed = [
        path for handle in held for (what, path), times in handle.asked.items() for _ in range(times) if what == "names"
    ]
    expected = ["", *(str(p.relative_to(root)) for p in root.rglob("*") if p.is_dir())]
    assert sorted(listed) == sorted(expected)
    assert {e.state for e in entries_of(manifest).values()} == {State.PROVED, State.CONTENTLESS}
    assert (totals.proved_files, totals.directories) == (2 * len(expected), len(expected) - 1)
    assert (told[-1].entries, told[-1].files_done) == (totals.entries, totals.files)


@dataclass(slots=True)
class Visitors:
    """Several readers that visit an imagined tree at the same time, and give their rows in any order."""

    manifest: Manifest
    tree: dict[str, list[str]]
    """For each folder the folders in it."""
    chooser: random.Random
    visited: list[str] = field(default_factory=list)

    def run(self, readers: int) -> None:
        """Visit everything."""
        frontier = Frontier(self.manifest)
        out: list[tuple[Place, ...]] = []
        while True:
            while len(out) < readers and (places := frontier.next(readers)):
                out.append(places)
            if not out:
                return
            places = out.pop(self.chooser.randrange(len(out)))
            if self.chooser.random() < 0.1:
                out.append(places)  # its reader was given up, and another one has it now
                continue
            frontier.add(self.visit(list(places)), 16)
            frontier.done(places)

    def visit(self, places: list[Place]) -> list[Place]:
        """Enter some folders and what is below them, write rows, and return what is left."""
        left = places
        for _ in range(self.chooser.randint(1, 4)):
            if not left:
                break
            path = left.pop(0).path
            self.visited.append(path)
            if path:
                self.manifest.add([entry(path, "directory", State.CONTENTLESS)])
            below = self.tree[path]
            self.manifest.add([entry(name, "directory", State.LISTED) for name in below])
            left = [Place(name) for name in below] + left
        return left


@pytest.mark.parametrize("seed", range(12))
def test_readers_in_any_order_visit_every_folder_once(
    kept: Manifest, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Whatever is remembered, given back or still out when the manifest is asked: no folder twice, none forgotten."""
    chooser = random.Random(seed)
    monkeypatch.setattr(plan, "REMEMBERED_FOLDERS", chooser.randint(1, 8))
    tree: dict[str, list[str]] = {"": []}
    for n in range(200):
        above = chooser.choice(list(tree))
        path = f"{above}/{n}" if above else f"{n}"
        tree[above].append(path)
        tree[path] = []
    visitors = Visitors(kept, tree, chooser)
    visitors.run(chooser.randint(1, 5))
    assert sorted(visitors.visited) == sorted(tree)
    assert kept.waiting(1) == []


def test_names_of_a_large_folder_are_shared_out(kept: Manifest) -> None:
    """What is left of a folder of very many names goes to several readers, each name to one of them."""
    frontier = Frontier(kept)
    assert frontier.next(4) == (Place(""),)
    names = [(f"{n}", True) for n in range(1000)]
    frontier.add([Place("", names)], 100)
    frontier.done([Place("")])
    given = []
    while places := frontier.next(4):
        (place,) = places
        assert place.names is not None
        assert len(place.names) <= 100
        given += place.names
    assert sorted(given) == sorted(names)


# ---- Batches


def files(*sizes: int) -> list[ToRead]:
    """Return files of these sizes."""
    return [(str(n), size, 0, 0) for n, size in enumerate(sizes)]


@pytest.mark.parametrize(
    ("sizes", "expected"),
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
def test_batches_are_bounded_and_lose_nothing(sizes: list[int], expected: list[int]) -> None:
    """A batch ends at its number of files or bytes; order is kept and every file is in one."""
    made = list(cut(files(*sizes)))
    assert [len(batch) for batch in made] == expected
    assert [file for batch in made for file in batch] == files(*sizes)


def test_a_batch_is_as_large_as_it_may_be_now() -> None:
    """The bound is asked for while batches are cut: what was learned from one serves the next."""
    allowed = [3, 3, 3, 5, 5, 5, 5, 5, 1]
    made = list(cut(files(*[0] * 9), lambda: allowed.pop(0)))
    assert [file for batch in made for file in batch] == files(*[0] * 9)
    assert len(made[0]) == 3
    assert len(made[1]) == 5


def test_batches_take_a_fraction_of_a_second() -> None:
    """Fast files come in large batches, slow ones in small ones, within bounds, and one odd batch changes little."""
    size = BatchSize()
    for _ in range(20):
        size.learn(size.files, FAST_S / 2)
    assert size.files == BATCH_FILES
    size.learn(3, FAST_S / 2)  # a short batch says nothing
    assert size.files == BATCH_FILES
    size.learn(BATCH_FILES, SLOW_S * 2)
    assert size.files == BATCH_FILES // 2
    for _ in range(20):
        size.learn(size.files, SLOW_S * 2)
    assert size.files == LEAST_FILES
    size.learn(size.files, (FAST_S + SLOW_S) / 2)
    assert size.files == LEAST_FILES


def test_every_file_is_given_out_once_while_rows_are_written(kept: Manifest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Page by page, in path order, whatever has become of earlier files in the meantime."""
    monkeypatch.setattr(plan, "PAGE_FILES", 10)
    size = BatchSize()
    size.files = 4
    paths = [f"{n:03}" for n in range(95)]
    kept.add([entry(path, "file", State.LISTED) for path in paths])
    kept.add([entry("d", "directory", State.CONTENTLESS), entry("done", "file", State.PROVED)])
    given: list[str] = []
    for batch in batches(kept, size, links_once=False):
        given += [file[0] for file in batch]
        kept.record([("proved", None, b"x" * 32, None, b"", None, "2026-11-25", file[0]) for file in batch[::2]], [])
    assert given == paths
    unread = [path for batch in batches(kept, size, links_once=False) for path, *_ in batch]
    assert set(unread) < set(paths)


# ---- Reading again

OLD: Final = "2026-10-01T00:00:00+00:00"
NOW: Final = datetime(2026, 11, 25, tzinfo=UTC)


def carried(path: str, read_at: str, size: int = 100) -> Entry:
    """Return a file that was carried over."""
    return entry(path, "file", State.CARRIED, digest=b"d" * 32, read_at=read_at, size=size)


@pytest.mark.parametrize(
    ("policy", "before"),
    [
        (Reread(), None),
        (Reread(timedelta(days=30)), "2026-10-26T00:00:00+00:00"),
        (Reread(timedelta(days=999_999)), ""),
        (Reread(timedelta(0)), "9999"),
        (Reread(timedelta(0), budget_bytes=1), "9999"),
        (Reread(timedelta(0), budget_s=1.0), "9999"),
    ],
    ids=["never", "older than 30 days", "older than all dates", "all", "all within bytes", "all within a time"],
)
def test_a_policy_says_before_when(policy: Reread, before: str | None) -> None:
    """The bound is written as manifests write times, so that both compare as text; without one nothing is read."""
    assert policy.before(NOW) == before


def again(manifest: Manifest, policy: Reread) -> list[str]:
    """Return which files a policy has read again, in order."""
    before = policy.before(NOW)
    assert before is not None
    manifest.order_carried()
    found = [file[0] for batch in rereads(manifest, before, policy, BatchSize()) for file in batch]
    manifest.forget_order()
    return found


@pytest.mark.parametrize("page", [1, 2, 4096])
def test_the_longest_unread_come_first(kept: Manifest, monkeypatch: pytest.MonkeyPatch, page: int) -> None:
    """By when they were read, then by path; what is proved, unread or no file is not among them."""
    monkeypatch.setattr(plan, "PAGE_FILES", page)
    kept.add(
        [
            carried("c", "2026-11-01T00:00:00+00:00"),
            carried("b", OLD),
            carried("a", OLD),
            carried("new", "2026-11-24T00:00:00+00:00"),
            entry("listed", "file", State.LISTED),
            entry("proved", "file", State.PROVED, digest=b"d", read_at=OLD),
            entry("d", "directory", State.CONTENTLESS),
        ]
    )
    assert again(kept, Reread(timedelta(0), budget_bytes=10**6)) == ["a", "b", "c", "new"]
    assert again(kept, Reread(timedelta(days=10))) == ["a", "b", "c"]
    assert again(kept, Reread(timedelta(days=30))) == ["a", "b"]
    assert again(kept, Reread(timedelta(days=365))) == []


@pytest.mark.parametrize(("budget", "read"), [(99, 0), (100, 1), (250, 2), (1000, 10), (10**9, 10)])
def test_a_budget_in_bytes_is_never_exceeded(kept: Manifest, budget: int, read: int) -> None:
    """As many files as fit into it, from the longest unread on."""
    kept.add([carried(f"{n}", f"2026-10-{n + 1:02}T00:00:00+00:00") for n in range(10)])
    assert again(kept, Reread(timedelta(0), budget_bytes=budget)) == [f"{n}" for n in range(read)]
