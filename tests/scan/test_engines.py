"""Engines: whoever reads, the manifest is the same."""

from __future__ import annotations

import os
import random
import signal
import threading
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3

from tests.scan.command import wait_for
from tests.scan.scans import Engines, entries_of, facts_of, scan_tree
from tests.scan.ways import force
from tests.strategies import HOSTILE_NAMES, Folder, Link, lay_out
from tests.tree.deep import MANY, NAME, DeepTree
from verifier.errors import Interrupted
from verifier.scan import engine as module
from verifier.scan import side
from verifier.scan.engine import InlineEngine, PoolEngine, UnderWay, automatic_processes
from verifier.scan.plan import BATCH_FILES
from verifier.scan.reader import ReaderSetup
from verifier.scan.scanner import ScanOptions
from verifier.scan.side import INLINE_BYTES, INLINE_ENTRIES
from verifier.scan.task import Outcome, ReadTask, Task, VisitTask
from verifier.tree import share as share_module
from verifier.tree.digests import Algorithm
from verifier.tree.entry import State
from verifier.tree.share import Share
from verifier.tree.walk import Place

if TYPE_CHECKING:
    from collections.abc import Iterator
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


WAYS: Final = {
    "in this process": ("inline", 1, 1),
    "one process of one thread": ("processes", 1, 1),
    "one process of four threads": ("processes", 1, 4),
    "three processes": ("processes", 3, 3),
    "three processes of several threads": ("processes", 3, 8),
    "threads of this process": ("threads", 1, 4),
}
"""For each way to read: where the readers are, how many processes they have at most, how many there are."""


def test_every_engine_makes_the_same_manifest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In this process or in others, few or many: the same rows but for the time of reading, the same fingerprint."""
    root = lay_out(tmp_path / "root", TREE)
    os.link(root / "many" / "7", root / "many" / "seven")
    os.mkfifo(root / "fifo")
    fingerprints, rows, sizes = set(), [], set()
    for name, (kind, processes, readers) in WAYS.items():
        with monkeypatch.context() as patch:
            force(patch, kind, processes)
            outcome = scan_tree(root, tmp_path / name, ScanOptions(readers=readers))
        fingerprints.add(outcome.fingerprint)
        assert outcome.readers == readers
        rows.append([entry._replace(read_at=None) for entry in entries_of(tmp_path / name).values()])
        assert {entry.state for entry in rows[-1]} == {State.PROVED, State.CONTENTLESS}
        sizes.add(int(facts_of(tmp_path / name)["bytes_read"]))
    assert len(fingerprints) == 1
    assert all(found == rows[0] for found in rows)
    assert len(sizes) == 1


def test_readers_find_a_root_whose_name_is_no_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A root named in bytes that are not UTF-8 reaches other processes as it is."""
    force(monkeypatch, "processes", 1)
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


def test_an_algorithm_reaches_every_reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Readers in other processes use the algorithm that was asked for."""
    root = lay_out(tmp_path / "root", {b"file": b"abc"})
    force(monkeypatch, "processes", 1)
    scan_tree(root, tmp_path / "m", ScanOptions(Algorithm.SHA256))
    digest = entries_of(tmp_path / "m")["file"].digest
    assert digest is not None
    # FIPS 180-4, example (value from memory).
    assert digest.hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


# ---- Which engine


@pytest.mark.parametrize(
    ("small", "large", "asked"),
    [
        (INLINE_ENTRIES - 1, [], []),
        (INLINE_ENTRIES + 100, [], ["processes"]),
        (0, [INLINE_BYTES], []),
        (0, [INLINE_BYTES + 1], ["threads"]),
        (1, [INLINE_BYTES + 1, 2**21], ["threads"]),
        (0, [2**21] * (INLINE_BYTES // 2**21 + 1), ["processes"]),
    ],
    ids=["few files", "many files", "few bytes", "one large file", "large files", "many bytes in smaller files"],
)
def test_processes_start_only_where_they_pay(
    tmp_path: Path, inline: Engines, monkeypatch: pytest.MonkeyPatch, *, small: int, large: list[int], asked: list[str]
) -> None:
    """Small trees are read by the scan itself, large files by its threads, everything else by processes."""
    root = lay_out(tmp_path / "root", {f"small{n:04}".encode(): b"" for n in range(small)})
    for n, size in enumerate(large):
        (root / f"large{n}").touch()
        os.truncate(root / f"large{n}", size)
    monkeypatch.setattr(share_module, "LOCAL", frozenset({Share.at(root).type_name}))
    totals = scan_tree(root, tmp_path / "m").totals
    assert inline.asked == asked
    assert (totals.proved_files, totals.unread) == (small + len(large), 0)


def test_a_share_that_may_hang_is_read_by_processes_only(
    tmp_path: Path, inline: Engines, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On what is not a local file system the scan itself touches nothing: a read may hang, and nobody can end it."""
    root = lay_out(tmp_path / "root", {b"file": b""})
    monkeypatch.setattr(share_module, "LOCAL", frozenset())
    monkeypatch.setattr(side, "InlineEngine", None)
    monkeypatch.setattr(side.SideScan, "_is_inline", lambda _: False)
    scan_tree(root, tmp_path / "m")
    assert inline.asked == ["processes"]


def test_the_number_of_processes_is_bounded() -> None:
    """However many cores there are, a side has 2 to 8 reader processes of its own."""
    assert 2 <= automatic_processes() <= 8


# ---- Reader processes


@pytest.fixture
def setup(tmp_path: Path) -> ReaderSetup:
    """Lay out a small tree and a large file, and return what their readers are told."""
    tree: Folder = {f"{n:02}".encode(): b"x" for n in range(20)}
    root = lay_out(tmp_path / "root", tree | {b"large": b""})
    os.truncate(root / "large", 64 * 2**30)
    return ReaderSetup(Share.at(root), Algorithm.BLAKE3)


@pytest.fixture
def pool(setup: ReaderSetup) -> Iterator[PoolEngine]:
    """Return an engine of one process of two threads."""
    engine = PoolEngine(setup, None)
    engine._most = 1
    engine.set_readers(2)
    yield engine
    engine.close()


def read_of(setup: ReaderSetup, *names: str) -> ReadTask:
    """Return the task to read files of the root."""
    found: list[ToRead] = []
    for name in names:
        facts = (setup.share.root / name).stat()
        found.append((name, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns))
    return ReadTask(tuple(found))


def outcome_of(engine: Engine) -> tuple[Task, Outcome]:
    """Wait for one task's outcome."""
    (found,) = wait_for(lambda: engine.wait(0.05))
    return found


def test_every_task_has_its_own_outcome(pool: PoolEngine, setup: ReaderSetup) -> None:
    """Whatever order they end in, each outcome comes with the task that it belongs to."""
    tasks = [read_of(setup, f"{n:02}") for n in range(20)]
    done: list[tuple[Task, Outcome]] = []
    waiting = list(tasks)
    while len(done) < len(tasks):
        while waiting and pool.has_room():
            pool.submit(waiting.pop())
        assert pool.under_way <= 3
        done += pool.wait(1)
    assert pool.under_way == 0
    assert sorted(task.files[0][0] for task, _ in done if isinstance(task, ReadTask)) == [f"{n:02}" for n in range(20)]
    for task, outcome in done:
        assert isinstance(task, ReadTask)
        assert [row[-1] for row in outcome.as_listed] == [task.files[0][0]]
    assert pool.counts.bytes() == 20


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_reader_ignores_signals(pool: PoolEngine, setup: ReaderSetup, number: signal.Signals) -> None:
    """Ctrl-C and a service's stop reach every process: the scan decides what comes of it, not its readers."""
    pool.submit(read_of(setup, "00"))
    outcome_of(pool)
    (process,) = pool.processes
    os.kill(process, number)
    pool.submit(read_of(setup, "01"))
    _, outcome = outcome_of(pool)
    assert [row[-1] for row in outcome.as_listed] == ["01"]
    assert list(pool.processes) == [process]


def test_a_reader_that_was_killed_is_an_interruption(pool: PoolEngine, setup: ReaderSetup) -> None:
    """A process that the system ended is said to be gone; its task is not waited for."""
    pool.submit(read_of(setup, "large"))
    (process,) = pool.processes
    os.kill(process, signal.SIGKILL)
    with pytest.raises(Interrupted, match="a reader process was ended from outside"):
        outcome_of(pool)


def test_closing_stops_within_a_large_file(pool: PoolEngine, setup: ReaderSetup) -> None:
    """Readers are asked to stop and do so at their next block; what they had not read to its end is in no list."""
    pool.submit(read_of(setup, "00", "large"))
    wait_for(lambda: pool.counts.bytes() > 2**20)
    (process,) = pool.processes
    began = time.monotonic()
    ((_, outcome),) = pool.close()
    assert time.monotonic() - began < module.END_S
    assert [row[-1] for row in outcome.as_listed] == ["00"]
    assert outcome.changed == []
    assert not is_there(process)


def is_there(process: int) -> bool:
    """Tell whether a process is there."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def seen_in(engine: Engine) -> UnderWay:
    """Look, again and again, until something is seen; answers come with the outcomes."""

    def look() -> list[UnderWay]:
        assert engine.wait(0.01) == []
        return engine.look()

    (found,) = wait_for(look)
    return found


def test_what_is_being_read_can_be_seen(pool: PoolEngine, setup: ReaderSetup) -> None:
    """A look says which file is being read; while bytes come it is not called unmoved."""
    pool.submit(read_of(setup, "large"))
    assert seen_in(pool).path == "large"
    time.sleep(0.3)
    assert seen_in(pool).seconds < 0.3


def test_a_reader_that_is_given_up_is_replaced(pool: PoolEngine, setup: ReaderSetup) -> None:
    """Its process is ended, its tasks come back, another one takes its place, and what had been counted stays."""
    task = read_of(setup, "large")
    pool.submit(task)
    seen = seen_in(pool)
    wait_for(pool.counts.bytes)
    (process,) = pool.processes
    assert pool.abandon(seen.reader) == [task]
    counted = pool.counts.bytes()
    assert pool.under_way == 0
    assert not is_there(process)
    assert pool.has_room()
    pool.submit(read_of(setup, "00"))
    _, outcome = outcome_of(pool)
    assert [row[-1] for row in outcome.as_listed] == ["00"]
    assert pool.counts.bytes() == counted + 1


def test_an_engine_may_rest(pool: PoolEngine, setup: ReaderSetup) -> None:
    """With no readers for a while nothing can be submitted; with some again everything goes on."""
    pool.set_readers(0)
    assert not pool.has_room()
    pool.set_readers(1)
    assert pool.has_room()
    pool.submit(read_of(setup, "00"))
    _, outcome = outcome_of(pool)
    assert outcome.files_read == 1


@pytest.fixture
def crowded(tmp_path: Path) -> ReaderSetup:
    """Lay out so many long names that neither their listing nor the task to read them fits into a pipe."""
    tree: Folder = {f"{n:04}{'n' * 200}".encode(): b"" for n in range(3000)}
    return ReaderSetup(Share.at(lay_out(tmp_path / "crowded", tree)), Algorithm.BLAKE3)


def test_asking_a_reader_never_keeps_it_from_listening(crowded: ReaderSetup) -> None:
    """A reader that has much to say, is asked what it is at, and is given much to do: nobody waits for ever."""
    engine = PoolEngine(crowded, None)
    engine._most = 1
    engine.set_readers(4)
    for _ in range(3):
        engine.submit(VisitTask((Place(""),), time.monotonic() + 60, 10**6, 60.0))
    wait_for(lambda: engine.counts.entries() >= 3000)
    time.sleep(0.5)  # until the first answer is under way
    engine.look()
    engine.set_readers(32)
    task = read_of(crowded, *(f"{n:04}{'n' * 200}" for n in range(BATCH_FILES)))
    ended = threading.Event()

    def go_on() -> None:
        with suppress(Interrupted):
            while engine.has_room():
                engine.submit(task)
            while engine.under_way:
                engine.wait(0.1)
            ended.set()

    (process,) = engine.processes
    threading.Thread(target=go_on, daemon=True).start()
    try:
        assert ended.wait(10)
    finally:
        os.kill(process, signal.SIGKILL)
        ended.wait(1)
        engine.close()


def test_what_was_given_out_is_done_by_fewer_readers(crowded: ReaderSetup) -> None:
    """A process that is to rest while others go on still does what it was given: nobody else would."""
    engine = PoolEngine(crowded, None)
    engine._most = 2
    engine.set_readers(2)
    task = read_of(crowded, *(f"{n:04}{'n' * 200}" for n in range(100)))  # fits into a pipe
    _, resting = engine.processes
    os.kill(resting, signal.SIGSTOP)  # so that it hears of its tasks and of its rest at one moment
    try:
        while engine.has_room():
            engine.submit(task)
        given = engine.under_way
        engine.set_readers(1)
        os.kill(resting, signal.SIGCONT)
        done: list[tuple[Task, Outcome]] = []
        until = time.monotonic() + 20
        while len(done) < given and time.monotonic() < until:
            done += engine.wait(0.1)
        assert [outcome.files_read for _, outcome in done] == [100] * given
    finally:
        engine.close()


def test_threads_of_this_process_end_with_the_engine(setup: ReaderSetup) -> None:
    """An engine that reads in threads leaves none behind."""
    before = threading.active_count()
    engine = PoolEngine(setup, None, at_home=True)
    engine.set_readers(4)
    engine.submit(VisitTask((Place(""),), time.monotonic() + 60, 1000, 60.0))
    _, outcome = outcome_of(engine)
    assert outcome.entries_seen == 21
    assert threading.active_count() > before
    engine.close()
    wait_for(lambda: threading.active_count() == before)


def test_the_engine_of_this_process_stops_when_somebody_wants_it_to(setup: ReaderSetup) -> None:
    """Nobody else could ask it: it asks itself, before each block."""
    engine = InlineEngine(setup, None, lambda: engine.counts.bytes() >= 3 * 2**20)
    engine.submit(read_of(setup, "00", "large"))
    ((_, outcome),) = engine.close()
    assert [row[-1] for row in outcome.as_listed] == ["00"]
    assert engine.counts.bytes() < 10 * 2**20
