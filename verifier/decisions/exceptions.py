"""Exceptions: findings that somebody accepts by name, and what each of them covers.

An exception is recorded with a pattern, and what it covers is kept row by row as it is at that moment: class, cause,
paths, sizes, times, fields, and the digests of both sides' content. A later finding under the same pattern, or the
same file with other content, is none of these rows and is not covered. The rows lie in ``exceptions.sqlite``, so the
record can be taken along to the next check of the same sides.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self

from blake3 import blake3

from verifier.classes import Class
from verifier.errors import ManifestDamaged, NotAManifest, UsageProblem
from verifier.evidence import EXCEPTIONS_FILE
from verifier.manifest.database import DatabaseFile, address, database_errors, make_tables, named, open_read_only
from verifier.reconcile.findings import Tally, tally_sql

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlite_utils import Database

APPLICATION_ID: Final = 0x76657863
"""``vexc``, what tells such a file (PRAGMA application_id)."""
VERSION: Final = 1
LONGEST_TEXT: Final = 2000
"""Characters of a reason or a statement."""

OF_FINDING: Final = (
    "class",
    "cause",
    "old_path",
    "new_path",
    "old_kind",
    "new_kind",
    "old_size",
    "new_size",
    "old_mtime_ns",
    "new_mtime_ns",
    "fields",
    "rule",
    "marks",
)
OF_CONTENT: Final = ("old_digest", "new_digest", "old_target", "new_target")
SAME: Final = (*OF_FINDING, *OF_CONTENT)
"""What makes a finding the same finding. Its weight and its wording may change."""
_RECORD: Final = (
    "number",
    "pattern",
    "class",
    "because",
    "by",
    "at",
    "until",
    "entries",
    "files",
    "bytes",
    "digest",
    "withdrawn_at",
    "withdrawn_by",
    "withdrawn_because",
)
_COVERED: Final = ("id", "exception", *SAME)
_COLUMNS: Final = {"exceptions": _RECORD, "covered": _COVERED}


class Withdrawal(NamedTuple):
    """That an exception is no longer accepted."""

    at: str
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


def first_tables(db: Database) -> None:
    """Make the tables; the name is that of the migration."""
    db.table("exceptions").create(
        {name: int if name in ("number", "entries", "files", "bytes") else str for name in _RECORD},
        pk="number",
        not_null=set(_RECORD[:6]) | set(_RECORD[7:11]),
    )
    whole = ("old_size", "new_size", "old_mtime_ns", "new_mtime_ns")
    columns: dict[str, type] = {name: int if name in whole else str for name in OF_FINDING}
    columns |= {name: bytes if name.endswith("digest") else str for name in OF_CONTENT}
    db.table("covered").create({"id": int, "exception": int} | columns, pk="id")
    db.table("covered").create_index(["old_path", "new_path"], index_name="covered_by_place")


class Exceptions(DatabaseFile):
    """An open record of exceptions. Close it, or use it as a context manager; one thread at a time."""

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open a record for reading.

        Raises:
            NotAManifest: If it is something else.
            ManifestDamaged: If what it says an exception covers is not what it covered when it was accepted.
        """
        if not path.is_file():
            raise NotAManifest(f"{named(path)} is not there", f"name the {EXCEPTIONS_FILE} of an evidence folder")
        with database_errors(path):
            store = cls(path, open_read_only(path))
            try:
                store._check()
            except BaseException:
                store.close()
                raise
        return store

    @classmethod
    def change(cls, path: Path) -> Self:
        """Open a record to add to it, or begin one; nothing lasts before `commit`.

        Raises:
            EvidenceUnwritable: If it cannot be written.
            NotAManifest: If it is something else.
            ManifestDamaged: As for `open`.
        """
        there = path.exists()
        if there:
            cls.open(path).close()
        with database_errors(path):
            connection = sqlite3.connect(address(path), uri=True, isolation_level=None)
            connection.execute("PRAGMA trusted_schema = OFF")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("BEGIN IMMEDIATE")
            if not there:
                make_tables(connection, "verifier.exceptions", APPLICATION_ID, VERSION, first_tables)
                if not connection.in_transaction:
                    connection.execute("BEGIN IMMEDIATE")
        return cls(path, connection)

    def commit(self) -> None:
        """Make what was added last."""
        with database_errors(self.path):
            self.connection.execute("COMMIT")
            self.connection.execute("BEGIN IMMEDIATE")

    def all(self) -> list[Acceptance]:
        """Return all exceptions, withdrawn ones included, in the order of their numbers."""
        names = ", ".join(f'"{name}"' for name in _RECORD)
        with database_errors(self.path):
            rows = self.connection.execute(f"SELECT {names} FROM exceptions ORDER BY number").fetchall()  # noqa: S608
        return [_acceptance(row) for row in rows]

    def record(self, wanted: Wanted, rows: Iterator[tuple[object, ...]]) -> Acceptance:
        """Add an exception that covers rows, each with the columns that make a finding the same."""
        with database_errors(self.path):
            (number,) = self.connection.execute("SELECT coalesce(max(number), 0) + 1 FROM exceptions").fetchone()
            marks = ", ".join("?" * (len(SAME) + 1))
            names = ", ".join(f'"{name}"' for name in _COVERED[1:])
            self.connection.executemany(
                f"INSERT INTO covered ({names}) VALUES ({marks})",  # noqa: S608
                ((number, *row) for row in rows),
            )
            tally = self._tally(number)
            until = None if wanted.until is None else wanted.until.isoformat(timespec="seconds")
            record = (number, wanted.pattern, wanted.cls.value, wanted.because, wanted.by)
            digest = self._digest(number)
            self.connection.execute(
                f"INSERT INTO exceptions VALUES ({', '.join('?' * len(_RECORD))})",  # noqa: S608
                (*record, wanted.at.isoformat(timespec="seconds"), until, *tally, digest, None, None, None),
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
        with database_errors(self.path):
            self.connection.execute(
                "UPDATE exceptions SET withdrawn_at = ?, withdrawn_by = ?, withdrawn_because = ? WHERE number = ?",
                (*withdrawal, number),
            )
        return self.all()[number - 1]

    def _tally(self, number: int) -> Tally:
        columns = tally_sql("coalesce(old_kind, new_kind)", "coalesce(old_size, new_size)")
        query = f"SELECT {columns} FROM covered WHERE exception = ?"  # noqa: S608
        return Tally(*self.connection.execute(query, (number,)).fetchone())

    def _digest(self, number: int) -> str:
        """Digest what an exception covers: for each row a line of SQL literals, as in a manifest's fingerprint."""
        line = " || '|' || ".join(f'quote("{name}")' for name in SAME)
        whole = blake3(b"verifier exception 1\n")
        query = f"SELECT {line} || char(10) FROM covered WHERE exception = ? ORDER BY id"  # noqa: S608
        rows = self.connection.execute(query, (number,))
        while batch := rows.fetchmany(2000):
            whole.update("".join([row for (row,) in batch]).encode())
        return whole.hexdigest()

    def _check(self) -> None:
        what = "name the exceptions.sqlite of an evidence folder"
        if self.connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
            raise NotAManifest(f"{named(self.path)} does not hold exceptions", what)
        for table, columns in _COLUMNS.items():
            told = self.connection.execute("SELECT type FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
            there = [row[1] for row in self.connection.execute(f"PRAGMA table_info({table})")]
            if told != ("table",) or there != list(columns):
                raise NotAManifest(f"{named(self.path)} does not hold exceptions", what)
        try:
            for number, one in enumerate(self.all(), 1):
                datetime.fromisoformat(one.at)
                one.in_force(datetime.fromisoformat(one.at))
                if one.number != number or one.digest != self._digest(number) or one.covers != self._tally(number):
                    raise ManifestDamaged(
                        f"{named(self.path)}: exception {number} does not cover what it covered when it was accepted",
                        "accept it again, under a new number",
                    )
        except (TypeError, ValueError) as error:
            if isinstance(error, UsageProblem):
                raise
            raise ManifestDamaged(f"{named(self.path)} is damaged ({error})", "take it from a copy") from error


def _acceptance(row: tuple[Any, ...]) -> Acceptance:
    number, pattern, cls, because, by, at, until, *tally, digest, withdrawn_at, withdrawn_by, withdrawn_because = row
    withdrawn = None if withdrawn_at is None else Withdrawal(withdrawn_at, withdrawn_by, withdrawn_because)
    return Acceptance(number, pattern, Class(cls), because, by, at, until, Tally(*tally), digest, withdrawn)
