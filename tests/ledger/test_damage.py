"""A ledger that is not what was written: refused when it is opened, or found when it is read or checked."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Final

import pytest

from tests.ledger.records import bad, night, read, step, write
from tests.reconcile.trees import file, scratch, write_manifest
from verifier.classes import Phase
from verifier.errors import LedgerDamaged, ManifestTooNew, NotAManifest, VerifierError
from verifier.ledger.canonical import digest_of, to_json
from verifier.ledger.chain import check
from verifier.ledger.ledger import Ledger
from verifier.ledger.opening import LARGEST_VALUE
from verifier.ledger.places import LEDGER_FILE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from verifier.ledger.record import PhaseRecord, RunRecord

RECORDS: Final[list[RunRecord | PhaseRecord]] = [
    step(0, Phase.COPYING),
    night(0, evidence=""),
    bad(1, evidence=""),
    step(1.5, Phase.FROZEN, Phase.COPYING),
    night(2, evidence=""),
]


@pytest.fixture
def folder() -> Iterator[Path]:
    """Give a job's evidence folder."""
    with scratch() as base:
        yield base


def sql(*statements: str) -> Callable[[Path], None]:
    """Return what changes a ledger by statements of SQL."""

    def change(path: Path) -> None:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            for statement in statements:
                connection.execute(statement)

    return change


def _cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def instead(make: Callable[[Path], object]) -> Callable[[Path], None]:
    """Return what puts something else in a ledger's place."""

    def change(path: Path) -> None:
        path.unlink()
        make(path)

    return change


def _another_database(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE entries (number INTEGER PRIMARY KEY)")


def _by_a_later_version(path: Path) -> None:
    """Write an entry whose record says something that this version does not know; its digest is right."""
    text = to_json(night(2, evidence="")).replace('"run":', '"resumed":true,"run":')
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        (previous,) = connection.execute("SELECT previous FROM entries WHERE number = 5").fetchone()
        values = (text, digest_of(5, previous, text))
        connection.execute("UPDATE entries SET record = ?, digest = ? WHERE number = 5", values)


def _lying_index(path: Path) -> None:
    """Let the index of runs say that one is another."""
    data = path.read_bytes()
    with closing(sqlite3.connect(path)) as connection:
        (page,) = connection.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'sqlite_autoindex_entries_1'"
        ).fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    begin = (page - 1) * size
    index = data[begin : begin + size]
    assert index.count(b"20261202T023000Z") == 1
    path.write_bytes(data[:begin] + index.replace(b"20261202T023000Z", b"20261202T023009Z") + data[begin + size :])


def again(number: int, /, **values: object) -> Callable[[Path], None]:
    """Return what changes columns of an entry, and its digest so that it fits them."""

    def change(path: Path) -> None:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.row_factory = sqlite3.Row
            row = dict(connection.execute("SELECT * FROM entries WHERE number = ?", (number,)).fetchone()) | values
            row["digest"] = digest_of(row["number"], row["previous"], row["record"])
            connection.execute("DELETE FROM entries WHERE number = ?", (number,))
            marks = ", ".join("?" * len(row))
            connection.execute(f"INSERT INTO entries VALUES ({marks})", tuple(row.values()))

    return change


NOT_OPENED: Final[dict[str, tuple[Callable[[Path], object], type[VerifierError], int]]] = {
    "empty": (instead(lambda path: path.touch()), NotAManifest, 2),
    "a text": (instead(lambda path: path.write_text("all is well")), NotAManifest, 2),
    "a page of text": (instead(lambda path: path.write_text("all is well " * 1000)), NotAManifest, 2),
    "a manifest": (instead(lambda path: write_manifest(path, [file("a")])), NotAManifest, 2),
    "another database": (instead(_another_database), NotAManifest, 2),
    "a folder": (instead(lambda path: path.mkdir()), NotAManifest, 2),
    "not there": (lambda path: path.unlink(), NotAManifest, 2),
    "a pipe": (instead(os.mkfifo), NotAManifest, 2),
    "a later version": (sql("PRAGMA user_version = 2"), ManifestTooNew, 2),
    "cut": (_cut, LedgerDamaged, 4),
    "an index that lies": (_lying_index, LedgerDamaged, 4),
    "no table": (sql("DROP TABLE entries"), LedgerDamaged, 4),
    "a column more": (sql("ALTER TABLE entries ADD COLUMN more TEXT"), LedgerDamaged, 4),
    "a table more": (sql("CREATE TABLE more (a)"), LedgerDamaged, 4),
    "a view": (
        sql("ALTER TABLE entries RENAME TO hidden", "CREATE VIEW entries AS SELECT * FROM hidden"),
        LedgerDamaged,
        4,
    ),
    "a trigger": (
        sql("CREATE TRIGGER t AFTER INSERT ON entries BEGIN DELETE FROM entries WHERE number = 1; END"),
        LedgerDamaged,
        4,
    ),
}
"""By what it is: what makes it of a ledger, how it is refused, and with which exit code."""


@pytest.mark.parametrize("what", NOT_OPENED)
def test_what_is_no_ledger_is_not_opened(folder: Path, what: str) -> None:
    """Neither for reading nor for adding; it stays as it is. But in an empty file a ledger is begun."""
    path = write(folder, RECORDS)
    change, error, code = NOT_OPENED[what]
    change(path)
    before = path.read_bytes() if path.is_file() else None
    with pytest.raises(error) as caught:
        Ledger.open(path)
    assert caught.value.exit_code == code
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 400
    if what in ("empty", "not there"):
        assert read(write(folder, RECORDS)) == RECORDS
        return
    with pytest.raises(error):
        Ledger.write(path)
    assert (path.read_bytes() if path.is_file() else None) == before


NOT_READ: Final[dict[str, tuple[Callable[[Path], object], type[VerifierError]]]] = {
    "another verdict": (sql("UPDATE entries SET verdict = 'trustworthy' WHERE number = 3"), LedgerDamaged),
    "another headline": (sql("UPDATE entries SET headline = 'all is well' WHERE number = 3"), LedgerDamaged),
    "another time": (sql("UPDATE entries SET \"at\" = '2026-12-02T04:44:01+00:00' WHERE number = 3"), LedgerDamaged),
    "another run": (sql("UPDATE entries SET run = '20261202T023001Z' WHERE number = 3"), LedgerDamaged),
    "another exit code": (sql("UPDATE entries SET exit_code = 0 WHERE number = 3"), LedgerDamaged),
    "another record": (sql("UPDATE entries SET record = replace(record, '3 files', '2 files')"), LedgerDamaged),
    "another digest": (sql("UPDATE entries SET digest = previous WHERE number = 3"), LedgerDamaged),
    "no record": (sql("UPDATE entries SET record = '' WHERE number = 3"), LedgerDamaged),
    "a huge headline": (
        sql(f"UPDATE entries SET headline = printf('%.*c', {LARGEST_VALUE + 1000}, 'x') WHERE number = 3"),
        LedgerDamaged,
    ),
    "a text that is none": (sql("UPDATE entries SET headline = CAST(x'ff' AS TEXT) WHERE number = 3"), LedgerDamaged),
    "one removed": (sql("DELETE FROM entries WHERE number = 3"), LedgerDamaged),
    "the first removed": (sql("DELETE FROM entries WHERE number = 1"), LedgerDamaged),
    "another number": (sql("UPDATE entries SET number = 9 WHERE number = 5"), LedgerDamaged),
    "a number that is none": (sql(f"UPDATE entries SET number = {2**63 - 1} WHERE number = 5"), LedgerDamaged),
    "one before the first": (
        sql(
            "INSERT INTO entries SELECT 0, kind, \"at\", 'x', phase, outcome, verdict, exit_code, headline, record,"
            " previous, digest FROM entries WHERE number = 2"
        ),
        LedgerDamaged,
    ),
    "another number with a digest of its own": (again(5, number=9), LedgerDamaged),
    "tied to none with a digest of its own": (again(5, previous="ab" * 32), LedgerDamaged),
    "the first tied to one before it": (again(1, previous="ab" * 32), LedgerDamaged),
    "by a later version": (_by_a_later_version, ManifestTooNew),
}
"""By what was done to a ledger whose file is sound."""


@pytest.mark.parametrize("newest_first", [False, True], ids=["forwards", "backwards"])
@pytest.mark.parametrize("what", NOT_READ)
def test_an_entry_that_is_not_what_was_written_is_never_shown(folder: Path, what: str, newest_first: bool) -> None:
    """Whichever way the ledger is read; what comes before it that way is."""
    path = write(folder, RECORDS)
    change, error = NOT_READ[what]
    change(path)
    with Ledger.open(path) as ledger, pytest.raises(error) as caught:
        list(ledger.entries(newest_first=newest_first))
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 400


def test_nothing_follows_a_number_that_is_none(folder: Path) -> None:
    """Though it has a digest that is right for it: there is no number after the largest."""
    path = write(folder, RECORDS)
    most = 2**63 - 1
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        previous, text = connection.execute("SELECT previous, record FROM entries WHERE number = 5").fetchone()
        values = (most, digest_of(most, previous, text))
        connection.execute("UPDATE entries SET number = ?, digest = ? WHERE number = 5", values)
    with Ledger.write(path) as ledger, pytest.raises(LedgerDamaged, match="its number is none"):
        ledger.append(night(3))


def test_nothing_is_tied_to_a_damaged_end(folder: Path) -> None:
    """Else a new entry would lend its weight to one that was changed."""
    path = write(folder, RECORDS)
    sql("UPDATE entries SET verdict = 'inconclusive' WHERE number = 5")(path)
    before = path.read_bytes()
    with (
        Ledger.write(path) as ledger,
        pytest.raises(LedgerDamaged, match=r"entry 5 of .* is damaged: its column verdict"),
    ):
        ledger.append(night(3))
    assert path.read_bytes() == before


def said(path: Path) -> object:
    """Return everything that a ledger says, or how it is refused or what is found."""
    try:
        with Ledger.open(path) as ledger:
            if found := check(ledger, path.parent):
                return [str(fault) for fault in found]
            return [*ledger.rows()], ledger.head, ledger.length, ledger.find("20261202T023000Z")
    except VerifierError as error:
        return str(error)


@pytest.mark.parametrize("stride", [37, pytest.param(1, marks=pytest.mark.slow)])
def test_a_flipped_bit_is_found_or_changes_nothing(folder: Path, stride: int) -> None:
    """Wherever it is in the file: in what is said, in what SQLite needs to find it, or where nothing is."""
    whole = write(folder, RECORDS)
    right = said(whole)
    assert not isinstance(right, (str, list))
    data = whole.read_bytes()
    place = folder / "flipped"
    place.mkdir()
    found = 0
    for position in [*range(100), *range(100, len(data), stride)]:
        flipped = bytearray(data)
        flipped[position] ^= 1 << position % 8
        (place / LEDGER_FILE).write_bytes(flipped)
        told = said(place / LEDGER_FILE)
        found += told != right
        assert told == right or isinstance(told, (str, list)), position
        for left in place.iterdir():
            left.unlink()
    assert found > 100


def test_every_text_is_guarded(folder: Path) -> None:
    """A bit in any text of any entry, of its columns too, is never told as if it had been written."""
    whole = write(folder, RECORDS)
    data = whole.read_bytes()
    right = said(whole)
    place = folder / "flipped"
    place.mkdir()
    with Ledger.open(whole) as ledger:
        texts = [value.encode() for row in ledger.rows() for value in row if value and isinstance(value, str)]
    assert len(texts) > 40
    for number, text in enumerate(texts):
        flipped = bytearray(data)
        position = data.index(text) + number % len(text)
        flipped[position] ^= 1 << number % 7
        (place / LEDGER_FILE).write_bytes(flipped)
        assert isinstance(said(place / LEDGER_FILE), (str, list)), text
        assert said(place / LEDGER_FILE) != right
