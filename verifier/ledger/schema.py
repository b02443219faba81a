"""The table of a ledger, and what of a record stands in columns of its own, for whoever opens it in an SQLite browser.

The table is held word for word against what is here (`verifier.ledger.ledger`), the columns against the record.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple, Self

from verifier.ledger.canonical import digest_of, from_json, kind_of, to_json
from verifier.ledger.record import LedgerEntry, RunRecord
from verifier.tree.names import shown

if TYPE_CHECKING:
    from sqlite_utils import Database

    from verifier.ledger.record import PhaseRecord

APPLICATION_ID: Final = 0x766C6467
"""``vldg``, what tells such a file (PRAGMA application_id)."""
VERSION: Final = 1
MOST_ENTRIES: Final = 10**9
"""More than any job comes to."""
_ENTRIES: Final = """
CREATE TABLE entries (
    number    INTEGER PRIMARY KEY,
    kind      TEXT NOT NULL,
    "at"      TEXT NOT NULL,
    run       TEXT UNIQUE,
    phase     TEXT NOT NULL,
    outcome   TEXT,
    verdict   TEXT,
    exit_code INTEGER,
    headline  TEXT NOT NULL,
    record    TEXT NOT NULL,
    previous  TEXT NOT NULL,
    digest    TEXT NOT NULL
) STRICT
"""
OBJECTS: Final = {"entries": _ENTRIES.strip()}


def first_tables(db: Database) -> None:
    """Make the table; the name is that of the migration."""
    for sql in OBJECTS.values():
        db.execute(sql)


class Row(NamedTuple):
    """One row, as it is stored."""

    number: int
    kind: str
    at: str
    run: str | None
    phase: str
    outcome: str | None
    verdict: str | None
    exit_code: int | None
    headline: str
    record: str
    previous: str
    digest: str

    @classmethod
    def of(cls, number: int, previous: str, record: RunRecord | PhaseRecord) -> Self:
        """Return the row of an entry.

        Raises:
            ValueError: If the record could not be read again.
        """
        text = to_json(record)
        return cls._with(number, previous, from_json(text), text)

    @classmethod
    def _with(cls, number: int, previous: str, record: RunRecord | PhaseRecord, text: str) -> Self:
        tied = text, previous, digest_of(number, previous, text)
        at, headline = at_of(record), shown(headline_of(record))
        if isinstance(record, RunRecord):
            verdict = None if record.verdict is None else record.verdict.value
            columns = record.run, record.phase.value, record.outcome.value, verdict, record.exit_code
            return cls(number, kind_of(record), at, *columns, headline, *tied)
        return cls(number, kind_of(record), at, None, record.phase.value, None, None, None, headline, *tied)

    def entry(self) -> LedgerEntry:
        """Return the entry, held against its own digest.

        Raises:
            LaterWord: If a later version wrote it.
            ValueError: If it is not what was written; says what is wrong.
        """
        if not 0 < self.number <= MOST_ENTRIES:
            raise ValueError("its number is none")
        if digest_of(self.number, self.previous, self.record) != self.digest:
            raise ValueError("it was changed after it was written: its digest is another one")
        record = from_json(self.record)
        rightly = self._with(self.number, self.previous, record, self.record)
        if wrong := [name for name, a, b in zip(self._fields, self, rightly, strict=True) if a != b]:
            raise ValueError(f"its column {wrong[0]} was changed: its record says something else")
        return LedgerEntry(self.number, record, self.previous, self.digest)


def at_of(record: RunRecord | PhaseRecord) -> str:
    """Return when a run ended, as far as that is known, or when a phase began."""
    return (record.finished or record.started) if isinstance(record, RunRecord) else record.at


def headline_of(record: RunRecord | PhaseRecord) -> str:
    """Return what a record comes to, in a line.

    It stands in a column that is held against it: other words here would make every ledger there is look changed.
    """
    if isinstance(record, RunRecord):
        return record.news.headline or (record.reasons[0] if record.reasons else "")
    what = f"begins as {record.phase}" if record.before is None else f"from {record.before} to {record.phase}"
    if record.before is record.phase:
        what = f"{record.phase}, held against {record.baseline}"
    return f"{what}, by {record.by}" + (f", all the same: {record.despite}" if record.despite else "")
