"""Exceptions: findings that somebody accepts by name, and what each of them covers.

An exception is recorded with a pattern, and what it covers is kept row by row as it is at that moment: class, cause,
paths, sizes, times, fields, and what both sides' manifests say of it. A later finding under the same pattern, or the
same file with other content, is none of these rows and is not covered. The rows lie in ``exceptions.sqlite``, so the
record can be taken along to the next check of the same sides. A record is never changed in its place: a new one takes
the old one's, so nobody meets half of it, and it has no journal.
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self

from blake3 import blake3

from verifier.classes import Class
from verifier.decisions.meaning import Meaning
from verifier.decisions.schema import APPLICATION_ID, OBJECTS, SAME, VERSION, first_tables
from verifier.errors import ManifestDamaged, ManifestTooNew, NotAManifest, UsageProblem
from verifier.evidence import EXCEPTIONS_FILE, made_aside
from verifier.manifest.database import (
    DatabaseFile,
    address,
    attach,
    database_errors,
    make_tables,
    named,
    open_read_only,
)
from verifier.reconcile.findings import OF_EITHER_SIDE, Tally
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

LONGEST_TEXT: Final = 2000
"""Characters of a reason, a statement or a pattern."""
LONGEST_NAME: Final = 200
"""Characters of who says so."""
LARGEST_VALUE: Final = 16_000_000
"""Bytes: more than any value of a record takes."""


class Withdrawal(NamedTuple):
    """That an exception is no longer accepted."""

    at: str
    """ISO 8601 with zone."""
    by: str
    because: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """An exception that somebody asks for."""

    pattern: str
    """gitignore pattern, as in rules, for the path on either side."""
    cls: Class
    because: str
    by: str
    at: datetime
    """When it is accepted; aware."""
    until: datetime | None = None
    """The last moment at which it holds; aware. None: as long as its rows are what they are."""


@dataclass(frozen=True, slots=True)
class Acceptance:
    """An exception on record."""

    number: int
    """From 1 on, never used twice."""
    pattern: str
    cls: Class
    because: str
    by: str
    at: str
    """ISO 8601 with zone."""
    until: str | None
    covers: Tally
    """What it covered when it was accepted."""
    digest: str
    """BLAKE3 over the rows that it covers, hex."""
    withdrawn: Withdrawal | None = None

    def in_force(self, as_of: datetime) -> bool:
        """Tell whether it holds at a moment."""
        return self.withdrawn is None and (self.until is None or as_of <= datetime.fromisoformat(self.until))

    @property
    def decided_at(self) -> datetime:
        """When the last thing was decided about it."""
        return datetime.fromisoformat(self.at if self.withdrawn is None else self.withdrawn.at)


def text_trouble(text: str, longest: int = LONGEST_TEXT) -> str:
    """Say why a text cannot be put on record; empty where it can.

    Args:
        text: The text.
        longest: How many characters it may have.
    """
    if not text.strip():
        return "is empty"
    if len(text) > longest:
        return f"has {len(text):,} characters, and at most {longest:,} are kept"
    if (harmless := shown(text)) != text:
        at = next(n for n, (one, other) in enumerate(zip(text, harmless, strict=False)) if one != other)
        return f"holds a line break or something else that cannot be shown ({shown(text[at])})"
    return ""


def instant_text(instant: datetime) -> str:
    """Return an instant as a record has it: ISO 8601 with zone, to the second."""
    return instant.isoformat(timespec="seconds")


def is_instant(value: object) -> bool:
    """Tell whether a value is an instant as a record has it."""
    try:
        instant = datetime.fromisoformat(value if isinstance(value, str) else "")
    except ValueError:
        return False
    return instant.tzinfo is not None and instant_text(instant) == value


class Exceptions(DatabaseFile):
    """An open record of exceptions. Close it, or use it as a context manager; one thread at a time."""

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open a record for reading.

        Raises:
            NotAManifest: If it is not there or is something else.
            ManifestTooNew: If a later version wrote it.
            ManifestDamaged: If what it says an exception covers is not what it covered when it was accepted.
        """
        _check_header(path)
        journal = path.with_name(f"{path.name}-journal")  # never one of ours
        if journal.exists() and journal.stat().st_size:
            raise ManifestDamaged(f"{named(path)} was half changed by another program ({named(journal)})", _TO_DO)
        with database_errors(path, _TO_DO):
            store = cls(path, open_read_only(path))
            try:
                store.connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_VALUE)
                store._check()
            except BaseException:
                store.close()
                raise
        return store

    @classmethod
    @contextmanager
    def change(cls, path: Path) -> Iterator[Self]:
        """Give a record to add to, or a new one; when the block ends well it takes the old one's place, whole.

        Args:
            path: The record; whoever calls holds its folder.

        Raises:
            EvidenceUnwritable: If it cannot be written; what was there before stays.
            NotAManifest: If it is something else.
            ManifestDamaged: As for `open`.
        """
        with made_aside(path) as unfinished:
            with database_errors(path, _TO_DO):
                store = cls(path, _copy(path, unfinished))
            try:
                yield store
                with database_errors(path, _TO_DO):
                    store.connection.execute("COMMIT")
            finally:
                store.close()

    def all(self) -> list[Acceptance]:
        """Return all exceptions, withdrawn ones included, in the order of their numbers."""
        with database_errors(self.path, _TO_DO):
            rows = self.connection.execute("SELECT * FROM exceptions ORDER BY number").fetchall()
        try:
            return [_acceptance(row) for row in rows]
        except ValueError as error:
            raise ManifestDamaged(f"{named(self.path)} is damaged ({error})", _TO_DO) from error

    def record(self, wanted: Wanted, rows: Iterable[tuple[object, ...]]) -> Acceptance:
        """Add an exception that covers rows, each with the columns that make a finding the same."""
        with database_errors(self.path, _TO_DO):
            (number,) = self.connection.execute("SELECT coalesce(max(number), 0) + 1 FROM exceptions").fetchone()
            self.connection.executemany(
                f"INSERT INTO covered VALUES (?, ?, {', '.join('?' * len(SAME))})",  # noqa: S608
                ((number, place, *row) for place, row in enumerate(rows, 1)),
            )
            until = None if wanted.until is None else instant_text(wanted.until)
            told = (wanted.pattern, wanted.cls.value, wanted.because, wanted.by, instant_text(wanted.at), until)
            self.connection.execute(
                "INSERT INTO exceptions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL, NULL, NULL)",
                (number, *told, *self._tally(number), self._digest(number)),
            )
        return self.all()[-1]

    def withdraw(self, number: int, withdrawal: Withdrawal) -> Acceptance:
        """Withdraw an exception; it stays on record.

        Raises:
            UsageProblem: If there is none of this number, or it is withdrawn.
        """
        found = [one for one in self.all() if one.number == number]
        if not found or found[0].withdrawn is not None:
            state = "was withdrawn before" if found else "is not on record"
            raise UsageProblem(f"exception {number} {state}", "see `verifier accept EVIDENCE` for those that are")
        with database_errors(self.path, _TO_DO):
            self.connection.execute(
                "UPDATE exceptions SET withdrawn_at = ?, withdrawn_by = ?, withdrawn_because = ? WHERE number = ?",
                (*withdrawal, number),
            )
        return self.all()[number - 1]

    def _tally(self, number: int) -> Tally:
        query = f"SELECT {OF_EITHER_SIDE} FROM covered WHERE exception = ?"  # noqa: S608
        return Tally(*self.connection.execute(query, (number,)).fetchone())

    def _digest(self, number: int) -> str:
        """Digest what an exception covers: for each row a line of SQL literals, as in a manifest's fingerprint."""
        line = " || '|' || ".join(f'quote("{name}")' for name in SAME)
        whole = blake3(b"verifier exception 1\n")
        query = f"SELECT {line} || char(10) FROM covered WHERE exception = ? ORDER BY number"  # noqa: S608
        rows = self.connection.execute(query, (number,))
        while batch := rows.fetchmany(2000):
            whole.update("".join([row for (row,) in batch]).encode())
        return whole.hexdigest()

    def _check(self) -> None:
        version = self.connection.execute("PRAGMA user_version").fetchone()[0]
        if version > VERSION:
            raise ManifestTooNew(
                f"{named(self.path)} has format version {version}, this program reads up to {VERSION}",
                "use a later version of verifier",
            )
        # Word for word, because a view in a table's place could show anything, and a table of another make could take
        # two names for one. sqlite-utils keeps its own account of migrations.
        objects = dict(self.connection.execute("SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL"))
        if {name: text for name, text in objects.items() if "_sqlite_migrations" not in name} != OBJECTS:
            raise ManifestDamaged(f"{named(self.path)} lacks tables of a record of accepted findings", _TO_DO)
        said = self.connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if said != "ok":
            raise ManifestDamaged(f"{named(self.path)} is damaged ({said})", _TO_DO)
        known = self.all()
        least, most = self.connection.execute("SELECT min(exception), max(exception) FROM covered").fetchone()
        if [one.number for one in known] != [*range(1, len(known) + 1)] or not (
            least is None or 1 <= least <= most <= len(known)
        ):
            raise ManifestDamaged(f"{named(self.path)}: its exceptions are not numbered one by one", _TO_DO)
        for one in known:
            self._hold(one)

    def _hold(self, one: Acceptance) -> None:
        """Hold an exception against what it covers, and its texts against what is ever put on record."""
        if one.digest != self._digest(one.number) or one.covers != self._tally(one.number):
            raise ManifestDamaged(
                f"{named(self.path)}: exception {one.number} does not cover what it covered when it was accepted",
                _TO_DO,
            )
        if why := _strange(one):
            raise ManifestDamaged(f"{named(self.path)}: of exception {one.number} {why}", _TO_DO)


_TO_DO: Final = "take it from a copy, or move it away and accept anew"


def _check_header(path: Path) -> None:
    hint = f"name the {EXCEPTIONS_FILE} of an evidence folder"
    if not path.is_file():  # opening a FIFO waits for a writer
        raise NotAManifest(f"{named(path)} is not there, or is no file", hint)
    try:
        with path.open("rb") as file:
            header = file.read(100)
    except OSError as error:
        raise NotAManifest(f"{named(path)} cannot be read ({error.strerror})", hint) from error
    # SQLite file format, section 1.3
    if not header.startswith(b"SQLite format 3\0") or int.from_bytes(header[68:72]) != APPLICATION_ID:
        raise NotAManifest(f"{named(path)} does not hold accepted findings", hint)


def _copy(path: Path, into: Path) -> sqlite3.Connection:
    """Begin a record in a new file with everything that is in another, if there is one; ends in a transaction."""
    there = path.exists()
    if there:
        Exceptions.open(path).close()
    connection = sqlite3.connect(address(into), uri=True, isolation_level=None)
    try:
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_VALUE)  # what is written can be read
        # Nobody sees it before it is whole, and half of one is thrown away.
        connection.execute("PRAGMA journal_mode = OFF")
        connection.execute("PRAGMA synchronous = OFF")
        make_tables(connection, "verifier.exceptions", APPLICATION_ID, VERSION, first_tables)
        if there:
            attach(connection, "before", path)
            for table in ("exceptions", "covered"):
                connection.execute(f"INSERT INTO main.{table} SELECT * FROM before.{table}")  # noqa: S608
            connection.execute("DETACH DATABASE before")
        connection.execute("BEGIN")
    except BaseException:
        connection.close()
        raise
    return connection


def _acceptance(row: tuple[Any, ...]) -> Acceptance:
    number, pattern, cls, because, by, at, until, *tally, digest, withdrawn_at, withdrawn_by, withdrawn_because = row
    withdrawn = None if withdrawn_at is None else Withdrawal(withdrawn_at, withdrawn_by or "", withdrawn_because or "")
    return Acceptance(number, pattern, Class(cls), because, by, at, until, Tally(*tally), digest, withdrawn)


def _strange(one: Acceptance) -> str:
    """Say what about an exception this tool never writes; empty where there is nothing."""
    texts = [
        ("pattern", one.pattern, LONGEST_TEXT),
        ("reason", one.because, LONGEST_TEXT),
        ("name", one.by, LONGEST_NAME),
    ]
    times = [one.at] + ([] if one.until is None else [one.until])
    if one.withdrawn is not None:
        at, by, because = one.withdrawn
        texts += [("reason", because, LONGEST_TEXT), ("name", by, LONGEST_NAME)]
        times.append(at)
    for what, text, longest in texts:
        if why := text_trouble(text, longest):
            return f"a {what} {why}"
    try:
        Meaning(one.pattern)
    except UsageProblem as error:
        return error.what
    return "a time is none" if not all(map(is_instant, times)) else ""
