"""The ledger as it is used: what is added is found again, each entry after the one before it."""

from __future__ import annotations

import os
import sqlite3
import tracemalloc
from contextlib import closing
from threading import Timer
from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.conftest import without_rights
from tests.ledger.records import FULL, bad, failed, night, read, step, write
from tests.reconcile.trees import scratch
from verifier.classes import Phase, VerdictKind
from verifier.errors import EvidenceUnwritable, UsageProblem
from verifier.ledger import opening
from verifier.ledger.canonical import FIRST, to_json
from verifier.ledger.ledger import LARGEST_RECORD, Ledger
from verifier.ledger.places import LEDGER_FILE
from verifier.ledger.record import News, Outcome
from verifier.ledger.schema import Row

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tests.conftest import Mount
    from verifier.ledger.record import PhaseRecord, RunRecord


@pytest.fixture
def folder() -> Iterator[Path]:
    """Give a job's evidence folder."""
    with scratch() as base:
        yield base


def test_what_is_added_is_read_again(folder: Path) -> None:
    """Runs and steps, in their order, whole; also by who opens it again."""
    records: list[RunRecord | PhaseRecord] = [
        step(0, Phase.COPYING),
        night(0),
        bad(1),
        step(2, Phase.FROZEN, Phase.COPYING),
        FULL,
    ]
    path = folder / LEDGER_FILE
    with Ledger.write(path) as ledger:
        entries = [ledger.append(record) for record in records]
        assert list(ledger.entries()) == entries
    with Ledger.open(path) as ledger:
        assert list(ledger.entries()) == entries
        assert list(ledger.entries(newest_first=True)) == entries[::-1]
        assert list(ledger.entries(first=4)) == entries[3:]
        assert list(ledger.records()) == records
        assert list(ledger.runs()) == [night(0), bad(1), FULL]
        assert list(ledger.runs(newest_first=True)) == [FULL, bad(1), night(0)]
        assert list(ledger.phases()) == [records[0], records[3]]
        assert ledger.length == 5
    assert [one.name for one in folder.iterdir()] == [LEDGER_FILE]


def test_a_digest_is_the_one_that_the_format_says(folder: Path) -> None:
    """BLAKE3 over four lines, computed here; each names the one before it, the first one 64 zeros."""
    previous = "0" * 64
    with Ledger.write(folder / LEDGER_FILE) as ledger:
        assert ledger.head == previous == FIRST
        records: list[RunRecord | PhaseRecord] = [step(0, Phase.COPYING), FULL, night(9)]
        for number, record in enumerate(records, 1):
            entry = ledger.append(record)
            expected = blake3(f"verifier ledger 1\n{number}\n{previous}\n{to_json(record)}".encode()).hexdigest()
            assert (entry.number, entry.record, entry.previous, entry.digest) == (number, record, previous, expected)
            assert ledger.head == expected
            previous = expected


def test_anybody_can_read_it_with_an_sqlite_browser(folder: Path) -> None:
    """Each column says what its name says."""
    news = News(new=1, headline="1 new: maps/relief-fen.tif\x1b[2J")
    path = write(folder, [step(0, Phase.COPYING), bad(1, news=news), failed(2)])
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute(
            'SELECT number, kind, "at", run, phase, outcome, verdict, exit_code, headline FROM entries'
        ).fetchall()
    at = ("2026-12-01T02:30:00+00:00", "2026-12-02T04:44:00+00:00", "2026-12-03T04:44:00+00:00")
    assert rows == [
        (1, "phase", at[0], None, "copying", None, None, None, "begins as copying, by A curator"),
        (
            *(2, "run", at[1], "20261202T023000Z", "frozen", "finished", "not-trustworthy", 1),
            "1 new: maps/relief-fen.tif\\x1b[2J",
        ),
        (3, "run", at[2], "20261203T023000Z", "frozen", "could-not-run", None, 4, "the share is not mounted"),
    ]


@pytest.mark.parametrize(
    ("record", "headline"),
    [
        (step(0, Phase.COPYING), "begins as copying, by A curator"),
        (step(0, Phase.FROZEN, Phase.COPYING), "from copying to frozen, by A curator"),
        (
            step(0, Phase.LIVE, Phase.FROZEN, despite="term begins"),
            "from frozen to live, by A curator, all the same: term begins",
        ),
        (
            step(0, Phase.LIVE, Phase.LIVE, baseline="runs/20261201T023000Z"),
            "live, held against runs/20261201T023000Z, by A curator",
        ),
        (bad(0), "3 files missing"),
        (bad(0, news=News(known=3, headline="nothing new, 3 known")), "nothing new, 3 known"),
        (night(0), ""),
    ],
)
def test_a_headline_is_said_in_these_words_for_ever(record: RunRecord | PhaseRecord, headline: str) -> None:
    """They stand in a column that is held against the record: other words would make every ledger look changed."""
    assert Row.of(1, FIRST, record).headline == headline


def test_the_last_of_each_kind(folder: Path) -> None:
    """None where there is none; a run that did not finish is neither finished nor good."""
    path = folder / LEDGER_FILE
    with Ledger.write(path) as ledger:
        for nothing in (ledger.last_run, ledger.last_finished, ledger.phase):
            assert nothing() is None
        with_exceptions = night(2, verdict=VerdictKind.WITH_EXCEPTIONS)
        window = night(4, outcome=Outcome.WINDOW_ENDED, verdict=None, exit_code=3)
        later = step(3.5, Phase.LIVE, Phase.FROZEN)
        for record in (step(0, Phase.FROZEN), night(1), with_exceptions, bad(3), later, window, failed(5)):
            ledger.append(record)
        assert ledger.last_run() == failed(5)
        assert ledger.last_finished() == bad(3)
        assert ledger.phase() == later


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("20261202T023000Z", 2),
        ("20261202", 2),
        ("20261203T023000Z", 3),
        ("20261203T023000Z-2", 4),
        ("2", 2),
        ("4", 4),
        ("2027", 5),
    ],
)
def test_a_run_is_found_by_as_much_of_its_name_as_no_other_has(folder: Path, name: str, found: int) -> None:
    """Or by the number of its entry; a whole name is itself, though another begins with it."""
    path = write(folder, [step(0, Phase.FROZEN), night(1), night(2), night(2.1, run="20261203T023000Z-2"), night(60)])
    with Ledger.open(path) as ledger:
        entry = ledger.find(name)
        assert entry.number == found
        assert ledger.run(name) == entry.record


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("1", "entry 1 is a step from phase to phase, and no run"),
        ("2026", "several runs begin with '2026': 20261203T023000Z, 20261202T023000Z"),
        ("20270101", "there is no run '20270101'"),
        ("77", "there is no run '77'"),
        ("", "'' is no run"),
        ("%", "'%' is no run"),
        ("\x1b[2J", r"'\\x1b[2J' is no run"),
        ("9" * 31, "is no run"),
    ],
)
def test_a_run_that_is_not_one_is_told_clearly(folder: Path, name: str, what: str) -> None:
    """One line that says which there are, or what to do."""
    path = write(folder, [step(0, Phase.FROZEN), night(1), night(2)])
    with Ledger.open(path) as ledger, pytest.raises(UsageProblem) as caught:
        ledger.find(name)
    assert what in str(caught.value)
    assert str(caught.value).isprintable()


# ---- Adding


def test_a_run_is_written_down_once(folder: Path) -> None:
    """A second one of the same name is refused, and the ledger stays as it is."""
    path = write(folder, [night(0)])
    before = path.read_bytes()
    with pytest.raises(EvidenceUnwritable, match="has a run 20261201T023000Z already"):
        write(folder, [bad(0)])
    assert path.read_bytes() == before


def test_what_is_no_record_changes_nothing(folder: Path) -> None:
    """Refused before a byte is written, and the next one is."""
    path = write(folder, [night(0)])
    before = path.read_bytes()
    with Ledger.write(path) as ledger:
        with pytest.raises(ValueError, match="a run's name is none"):
            ledger.append(night(1, run="tonight"))
        with pytest.raises(EvidenceUnwritable, match="takes no record of"):
            ledger.append(night(1, tool="x" * LARGEST_RECORD))
        assert path.read_bytes() == before
        ledger.append(night(1))
    assert len(read(path)) == 2


def test_an_entry_is_on_the_disk_before_it_is_one(folder: Path) -> None:
    """EXTRA (sqlite.org/pragma.html#pragma_synchronous: 3), and a rollback journal that is deleted."""
    with Ledger.write(folder / LEDGER_FILE) as ledger:
        assert ledger.connection.execute("PRAGMA synchronous").fetchone() == (3,)
        assert ledger.connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_two_programs_add_one_after_the_other(folder: Path) -> None:
    """Neither overwrites the other's, and neither has to open it again."""
    path = folder / LEDGER_FILE
    with Ledger.write(path) as one, Ledger.write(path) as other, Ledger.open(path) as reader:
        for number in range(6):
            (one if number % 2 else other).append(night(number))
            assert reader.length == number + 1
        assert list(reader.records()) == [night(number) for number in range(6)]


def test_who_adds_waits_for_who_is_adding(folder: Path) -> None:
    """And reads the last entry only then, so that it is tied to what the other has added."""
    path = write(folder, [night(0)])
    with Ledger.write(path) as ledger, closing(_held(path)) as other:
        row = Row.of(2, ledger.head, night(1))
        other.execute(f"INSERT INTO entries VALUES ({', '.join('?' * len(row))})", row)
        timer = Timer(0.1, other.execute, ("COMMIT",))
        timer.start()
        entry = ledger.append(night(2))
        timer.join()
    assert (entry.number, entry.previous) == (3, row.digest)
    assert read(path) == [night(0), night(1), night(2)]


def _held(path: Path) -> sqlite3.Connection:
    """Return a connection of another program that is about to write."""
    other = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    return other


def test_a_reader_that_waits_stops_nobody(folder: Path) -> None:
    """Who reads in a pager may leave it open over night; what was added meanwhile he reads, too."""
    path = write(folder, [night(number) for number in range(150)])
    with Ledger.open(path) as reader, Ledger.write(path) as writer:
        writer.connection.execute("PRAGMA busy_timeout = 0")
        reading = reader.records()
        assert next(reading) == night(0)
        writer.append(night(150))
        assert sum(1 for _ in reading) == 150


@pytest.mark.parametrize("how", ["open", "write", "append", "read"])
def test_a_ledger_that_another_program_holds_is_one_line(
    folder: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    """Exit code 4, after a while, and nothing is changed."""
    path = write(folder, [night(0)])
    monkeypatch.setattr(opening, "BUSY_S", 0.02)
    acts: dict[str, Callable[[], object]] = {"open": lambda: Ledger.open(path), "write": lambda: Ledger.write(path)}
    with Ledger.write(path) as ledger, closing(sqlite3.connect(path, isolation_level=None)) as other:
        acts |= {"append": lambda: ledger.append(night(1)), "read": lambda: list(ledger.records())}
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(EvidenceUnwritable, match="is held by another program") as caught:
            acts[how]()
        assert caught.value.exit_code == 4
        other.execute("ROLLBACK")
        ledger.append(night(1))
    assert read(path) == [night(0), night(1)]


def test_a_ledger_that_may_not_be_written_can_be_read(open_ground: Path) -> None:
    """From a folder in which nothing can be made; adding is refused in one line."""
    path = write(open_ground, [night(0)])
    path.chmod(0o444)
    open_ground.chmod(0o555)
    with without_rights():
        assert read(path) == [night(0)]
        with pytest.raises(EvidenceUnwritable, match="cannot be opened") as caught:
            write(open_ground, [night(1)])
    assert caught.value.exit_code == 4


def test_a_folder_that_is_not_there_is_not_made(folder: Path) -> None:
    """One line, exit code 4."""
    with pytest.raises(EvidenceUnwritable, match="cannot be opened"):
        Ledger.write(folder / "nowhere" / LEDGER_FILE)
    assert not (folder / "nowhere").exists()


@pytest.mark.real(root=True, mounts=True)
def test_a_full_disk_is_one_line_and_costs_nothing(tmp_path: Path, mount: Mount) -> None:
    """What was written down stays, whole, and half of the new entry is nowhere."""
    mount("-t", "tmpfs", "-o", "size=128k", "none", tmp_path)
    path = write(tmp_path, [night(0, evidence="")])
    number = 1
    with Ledger.write(path) as ledger:
        with pytest.raises(EvidenceUnwritable, match=r"cannot be written .database or disk is full"):
            while True:
                ledger.append(night(number, evidence="", tool="x" * 2000))
                number += 1
        assert ledger.length == number > 2
    assert len(read(path)) == number
    assert [one.name for one in tmp_path.iterdir()] == [LEDGER_FILE]


def test_a_name_that_looks_like_an_address_is_a_name(folder: Path) -> None:
    """What SQLite would take for options of its own is part of a folder's name."""
    odd = folder / "a?mode=memory&x#y %41"
    odd.mkdir()
    path = write(odd, [night(0)])
    assert path.stat().st_size
    assert read(path) == [night(0)]
    assert os.listdir(odd) == [LEDGER_FILE]  # noqa: PTH208  as the system has them


def test_memory_does_not_grow_with_the_years(folder: Path) -> None:
    """Many times the nights, read both ways, take no more."""

    def peak(nights: int) -> int:
        place = folder / str(nights)
        place.mkdir()
        path = write(place, [night(number, tool="x" * 300) for number in range(nights)])
        with Ledger.open(path) as ledger:
            tracemalloc.start()
            assert sum(1 for _ in ledger.entries()) == nights
            assert sum(1 for _ in ledger.entries(newest_first=True)) == nights
            assert ledger.phase() is None
            used = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
        return used

    assert peak(900) < 1.2 * peak(300)
