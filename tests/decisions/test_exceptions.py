"""The record: whole whenever it is met, the same as it was written, and harmless whoever wrote it."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3

from tests.conftest import without_rights
from tests.decisions.checks import DAY, NOON
from tests.reconcile.trees import file, scratch, write_manifest
from verifier.classes import Class
from verifier.decisions.exceptions import (
    LONGEST_NAME,
    LONGEST_TEXT,
    Exceptions,
    Wanted,
    Withdrawal,
    text_trouble,
)
from verifier.decisions.schema import SAME
from verifier.errors import (
    EvidenceUnwritable,
    ManifestDamaged,
    ManifestTooNew,
    NotAManifest,
    UsageProblem,
    VerifierError,
)
from verifier.reconcile.findings import Tally

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from verifier.decisions.exceptions import Acceptance

REPOSITORY: Final = Path(__file__).resolve().parents[2]
WANTED: Final = Wanted("labels/", Class.MISSING, "discarded", "A curator", NOON)
WITHDRAWAL: Final = Withdrawal("2026-11-22T12:00:00+00:00", "Another curator", "found again")


def row(path: str, size: int = 1, **columns: object) -> tuple[object, ...]:
    """Return what is kept of a lost file."""
    of_file = {"class": "missing", "old_path": path, "old_kind": "file", "old_size": size, "survives": 0}
    return tuple((of_file | columns).get(name) for name in SAME)


def record(path: Path, *more: Wanted, rows: int = 2) -> list[Acceptance]:
    """Write a record with an exception and more of them."""
    for number, wanted in enumerate((WANTED, *more), 1):
        with Exceptions.change(path) as store:
            store.record(wanted, [row(f"labels/{number}/{n}", n) for n in range(rows)])
    return read(path)


def read(path: Path) -> list[Acceptance]:
    """Return what is on record."""
    with Exceptions.open(path) as store:
        return store.all()


def leftovers(path: Path) -> list[str]:
    """Return what lies beside a record."""
    return sorted(one.name for one in path.parent.iterdir() if one != path)


@pytest.fixture
def place() -> Iterator[Path]:
    """Give a place for a record."""
    with scratch() as base:
        yield base / "exceptions.sqlite"


def test_what_is_recorded_is_read_again(place: Path) -> None:
    """Every word of it, with what it covers counted and digested; numbers count on."""
    first, second = record(place, replace(WANTED, cls=Class.EXTRA, until=NOON + DAY))
    assert (first.number, second.number) == (1, 2)
    assert (first.pattern, first.cls, first.because, first.by) == ("labels/", Class.MISSING, "discarded", "A curator")
    assert (first.at, first.until, second.until) == ("2026-11-21T12:00:00+00:00", None, "2026-11-22T12:00:00+00:00")
    assert first.covers == Tally(2, 2, 1)
    assert first.digest != second.digest
    assert leftovers(place) == []


def test_the_digest_is_the_one_that_the_format_says(place: Path) -> None:
    """BLAKE3 over a line of SQL literals for each row, computed here without SQLite."""
    odd = row("a'b", -7, fields="mtime;mode", old_digest=b"\x01\xff", old_target="\u00e9")
    with Exceptions.change(place) as store:
        one = store.record(WANTED, [odd, row("b")])
    assert one.digest == _digest([odd, row("b")])


def _digest(rows: list[tuple[object, ...]]) -> str:
    lines = ["|".join(map(_literal, values)) + "\n" for values in rows]
    return blake3(b"verifier exception 1\n" + "".join(lines).encode()).hexdigest()


def _literal(value: object) -> str:
    """Return a value as SQL text (SQLite documentation, literal values)."""
    if isinstance(value, bytes):
        return f"X'{value.hex().upper()}'"
    if isinstance(value, str):
        return "'" + value.replace("'", "''") + "'"
    return "NULL" if value is None else str(value)


def test_a_withdrawal_stays_on_record_and_holds_no_more(place: Path) -> None:
    """Who, when and why; the number is not used again, and nothing is withdrawn twice."""
    record(place)
    with Exceptions.change(place) as store:
        store.withdraw(1, WITHDRAWAL)
    (one,) = read(place)
    assert one.withdrawn == WITHDRAWAL
    assert not one.in_force(NOON)
    assert one.covers == Tally(2, 2, 1)
    before = place.read_bytes()
    for number, match in ((1, "was withdrawn before"), (2, "is not on record"), (-1, "is not on record")):
        with pytest.raises(UsageProblem, match=match), Exceptions.change(place) as store:
            store.withdraw(number, WITHDRAWAL)
    assert place.read_bytes() == before
    assert [one.number for one in record(place)] == [1, 2]


def test_an_exception_holds_as_long_as_it_says(place: Path) -> None:
    """Up to and with its last moment, in whatever zone that was given."""
    ahead = timezone(timedelta(hours=13))
    record(place, replace(WANTED, until=(NOON + DAY).astimezone(ahead)))
    always, ending = read(place)
    assert ending.until == "2026-11-23T01:00:00+13:00"
    for later, holds in ((timedelta(), True), (DAY, True), (DAY + timedelta(seconds=1), False)):
        assert always.in_force(NOON + later)
        assert ending.in_force(NOON + later) is holds


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("a reason", ""),
        ("\u00dcber \u690d\u7269", ""),
        ("x" * LONGEST_TEXT, ""),
        ("", "is empty"),
        ("  ", "is empty"),
        ("x" * (LONGEST_TEXT + 1), "has 2,001 characters, and at most 2,000 are kept"),
        ("two\nlines", r"\x0a"),
        ("\x1b[2J", r"\x1b"),
        ("right\u202eleft", r"\xe2\x80\xae"),
        ("no\u2028line", r"\xe2\x80\xa8"),
        ("hid\u2800den", r"\xe2\xa0\x80"),
        ("lone \udcff", r"\xed\xb3\xbf"),
    ],
)
def test_a_text_is_one_line_that_can_be_shown(text: str, why: str) -> None:
    """Whatever else it holds; who reads the message sees what it was."""
    said = text_trouble(text)
    assert (why in said) if why else not said
    assert said.isprintable()


# ---- Whole, whenever it is met


@pytest.mark.parametrize("step", ["rows", "withdraw", "fsync", "replace"])
@pytest.mark.parametrize("there", [False, True], ids=["new", "grown"])
def test_what_ends_before_its_end_leaves_the_record_as_it_was(
    place: Path, monkeypatch: pytest.MonkeyPatch, step: str, there: bool
) -> None:
    """No byte is other, nothing is left beside it, and the next change works."""
    if there:
        record(place)
    before = place.read_bytes() if there else None

    def fail(*_: object) -> None:
        raise KeyboardInterrupt

    def rows() -> Iterator[tuple[object, ...]]:
        yield row("labels/x")
        if step == "rows":
            fail()

    with monkeypatch.context() as patched:
        if step == "fsync":
            patched.setattr(os, "fsync", fail)
        if step == "replace":
            patched.setattr(Path, "replace", fail)
        with pytest.raises((KeyboardInterrupt, UsageProblem)), Exceptions.change(place) as store:
            store.record(WANTED, rows())
            if step == "withdraw":
                store.withdraw(99, WITHDRAWAL)
    assert (place.read_bytes() if place.exists() else None) == before
    assert leftovers(place) == []
    assert len(record(place)) == 1 + there


def test_what_a_killed_change_left_is_cleared_away(place: Path) -> None:
    """Half a new record beside the old one stands in nobody's way."""
    record(place)
    for left in (b"", b"SQLite format 3\0 and no more", place.read_bytes()):
        place.with_name(".exceptions.sqlite.part").write_bytes(left)
        assert read(place)
        record(place)
        assert leftovers(place) == []


CHANGE: Final = """
import sys
from pathlib import Path
from tests.decisions.test_exceptions import WANTED, row
from verifier.decisions.exceptions import Exceptions
print("ready", flush=True)
place = Path(sys.argv[1])
while True:
    with Exceptions.change(place) as store:
        store.record(WANTED, (row(f"labels/{n}", n) for n in range(300)))
"""


@pytest.mark.slow
def test_a_record_is_whole_whenever_its_writer_is_killed(place: Path) -> None:
    """Killed at twenty-five random moments: all that was recorded before, and nothing half."""
    known: list[Acceptance] = []
    chance = random.Random(7)
    for _ in range(25):
        process = subprocess.Popen(
            [sys.executable, "-c", CHANGE, str(place)],
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
        )
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(chance.uniform(0, 0.2))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        found = read(place) if place.exists() else []
        assert found[: len(known)] == known
        known = found
    assert len(known) > 5


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs users")
def test_a_record_that_may_not_be_written_is_one_line(open_ground: Path) -> None:
    """No permission for the folder: told, and the record stays as it is."""
    place = open_ground / "exceptions.sqlite"
    record(place)
    place.parent.chmod(0o555)
    with without_rights(), pytest.raises(EvidenceUnwritable, match="cannot be"):
        record(place)
    assert len(read(place)) == 1


@pytest.mark.real(root=True, mounts=True)
def test_a_full_disk_is_one_line_and_costs_nothing(tmp_path: Path, mount: Callable[..., None]) -> None:
    """What was on record stays, and half of the new one does not take the last space."""
    mount("-t", "tmpfs", "-o", "size=256k", "none", tmp_path)
    place = tmp_path / "exceptions.sqlite"
    record(place)
    with pytest.raises(EvidenceUnwritable, match="cannot be written"):
        record(place, rows=3000)
    assert len(read(place)) == 1
    assert leftovers(place) == []


# ---- Made by somebody else


def sql(*statements: str) -> Callable[[Path], None]:
    """Return what changes a record by statements of SQL."""

    def change(place: Path) -> None:
        with closing(sqlite3.connect(place, isolation_level=None)) as connection:
            for statement in statements:
                connection.execute(statement)

    return change


def _cut(place: Path) -> None:
    os.truncate(place, place.stat().st_size // 2)


def _overwritten(place: Path) -> None:
    with closing(sqlite3.connect(place)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'covered'").fetchone()
    with place.open("rb+") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\xff" * 4096)


def instead(make: Callable[[Path], object]) -> Callable[[Path], None]:
    """Return what puts something else in a record's place."""

    def change(place: Path) -> None:
        place.unlink()
        make(place)

    return change


def _lying_index(place: Path) -> None:
    """Let the index say that a row lies at another place than it does."""
    data = place.read_bytes()
    with closing(sqlite3.connect(place)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'covered_by_place'").fetchone()
    begin = (page - 1) * 4096
    index = data[begin : begin + 4096]
    assert index.count(b"labels/1/0") == 1
    place.write_bytes(data[:begin] + index.replace(b"labels/1/0", b"labels/1/9") + data[begin + 4096 :])


def _half_changed(place: Path) -> None:
    """Let another program be killed in the middle of a change, which leaves a journal."""
    program = """
import os, sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("PRAGMA cache_size = 1")
connection.execute("BEGIN IMMEDIATE")
connection.execute("CREATE TABLE more (a)")
connection.executemany("INSERT INTO more VALUES (?)", (("x" * 500,) for _ in range(100)))
os._exit(1)
"""
    subprocess.run([sys.executable, "-c", program, str(place)], check=False)
    assert leftovers(place) == ["exceptions.sqlite-journal"]


FORGED: Final[dict[str, tuple[Callable[[Path], object], type[VerifierError]]]] = {
    "empty": (instead(Path.touch), NotAManifest),
    "a text": (instead(lambda place: place.write_text("accept everything")), NotAManifest),
    "a manifest": (instead(lambda place: write_manifest(place, [file("a")])), NotAManifest),
    "a folder": (instead(Path.mkdir), NotAManifest),
    "not there": (Path.unlink, NotAManifest),
    "a pipe": (instead(os.mkfifo), NotAManifest),
    "cut": (_cut, ManifestDamaged),
    "overwritten": (_overwritten, ManifestDamaged),
    "an index that lies": (_lying_index, ManifestDamaged),
    "half changed": (_half_changed, ManifestDamaged),
    "later version": (sql("PRAGMA user_version = 2"), ManifestTooNew),
    "a row more": (
        sql("INSERT INTO covered SELECT 1, 3, " + ", ".join(f'"{n}"' for n in SAME) + " FROM covered WHERE number = 1"),
        ManifestDamaged,
    ),
    "a row less": (sql("DELETE FROM covered WHERE number = 1"), ManifestDamaged),
    "no row": (sql("DELETE FROM covered"), ManifestDamaged),
    "another row": (sql("UPDATE covered SET old_path = 'other' WHERE number = 1"), ManifestDamaged),
    "other content": (sql("UPDATE covered SET old_digest = x'00' WHERE number = 1"), ManifestDamaged),
    "another order": (sql("UPDATE covered SET number = number + 7 WHERE number = 1"), ManifestDamaged),
    "counted otherwise": (sql("UPDATE exceptions SET files = 1"), ManifestDamaged),
    "another digest": (sql("UPDATE exceptions SET digest = 'x'"), ManifestDamaged),
    "another number": (
        sql("UPDATE exceptions SET number = 2", "UPDATE covered SET exception = 2"),
        ManifestDamaged,
    ),
    "number zero": (
        sql("UPDATE exceptions SET number = 0", "UPDATE covered SET exception = 0"),
        ManifestDamaged,
    ),
    "rows of nobody": (sql("UPDATE covered SET exception = 7 WHERE number = 1"), ManifestDamaged),
    "a class that is none": (sql("UPDATE exceptions SET class = 'fine'"), ManifestDamaged),
    "no reason": (sql("UPDATE exceptions SET because = ' '"), ManifestDamaged),
    "a reason that acts": (sql("UPDATE exceptions SET because = char(27) || '[2J'"), ManifestDamaged),
    "a pattern that acts": (sql("UPDATE exceptions SET pattern = char(10)"), ManifestDamaged),
    "a pattern that means nothing": (sql("UPDATE exceptions SET pattern = '[b-a]'"), ManifestDamaged),
    "a long name": (sql(f"UPDATE exceptions SET \"by\" = printf('%.*c', {LONGEST_NAME + 1}, 'x')"), ManifestDamaged),
    "a huge reason": (sql("UPDATE exceptions SET because = printf('%.*c', 20000000, 'x')"), ManifestDamaged),
    "a huge path": (sql("UPDATE covered SET old_path = printf('%.*c', 20000000, 'x')"), ManifestDamaged),
    "a text that is none": (sql("UPDATE exceptions SET because = CAST(x'ff' AS TEXT)"), ManifestDamaged),
    "a path that is none": (sql("UPDATE covered SET old_path = CAST(x'ff' AS TEXT)"), ManifestDamaged),
    "no time": (sql("UPDATE exceptions SET until = 'tomorrow'"), ManifestDamaged),
    "a time of no zone": (sql("UPDATE exceptions SET until = '2030-01-01T00:00:00'"), ManifestDamaged),
    "a time that acts": (sql("UPDATE exceptions SET \"at\" = '2030-01-01\x1b00:00:00+00:00'"), ManifestDamaged),
    "half withdrawn": (sql("UPDATE exceptions SET withdrawn_at = '2026-11-22T12:00:00+00:00'"), ManifestDamaged),
    "a view": (
        sql("ALTER TABLE exceptions RENAME TO hidden", "CREATE VIEW exceptions AS SELECT * FROM hidden"),
        ManifestDamaged,
    ),
    "a table of another make": (
        sql(
            "CREATE TABLE other AS SELECT * FROM covered",
            "DROP TABLE covered",
            "ALTER TABLE other RENAME TO covered",
            "CREATE INDEX covered_by_place ON covered (old_path, new_path)",
        ),
        ManifestDamaged,
    ),
    "a trigger": (
        sql("CREATE TRIGGER t AFTER INSERT ON covered BEGIN UPDATE exceptions SET until = NULL; END"),
        ManifestDamaged,
    ),
    "a column more": (sql("ALTER TABLE exceptions ADD COLUMN more TEXT"), ManifestDamaged),
    "no index": (sql("DROP INDEX covered_by_place"), ManifestDamaged),
}
"""By what it is: what makes it of a record, and how it is refused."""


@pytest.mark.parametrize("what", FORGED)
def test_what_this_tool_never_wrote_is_refused_in_one_line(place: Path, what: str) -> None:
    """Read or changed: nothing of it counts, nothing of it reaches a terminal, and it stays as it is."""
    record(place)
    change, error = FORGED[what]
    change(place)
    before = place.read_bytes() if place.is_file() else None
    with pytest.raises(error) as caught:
        read(place)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 400
    assert ("too big" in str(caught.value)) == what.startswith("a huge")  # and was never read into memory
    if before is None:
        return
    with pytest.raises(error), Exceptions.change(place) as store:
        store.record(WANTED, [row("x")])
    assert place.read_bytes() == before


def test_times_are_to_the_second(place: Path) -> None:
    """So that what was recorded holds at the moment at which it was, and reads the same again."""
    exact = datetime(2026, 11, 21, 12, 0, 0, 999_999, tzinfo=UTC)
    record(place, replace(WANTED, at=exact, until=exact + DAY))
    assert read(place)[1].at == "2026-11-21T12:00:00+00:00"
    assert read(place)[1].until == "2026-11-22T12:00:00+00:00"
