"""The ledger: a file in a job's evidence folder to which entries are added, and in which none is ever changed.

Each entry's digest is over the entry and the digest of the one before it (`verifier.ledger.chain` says what that
proves). An entry is added in one transaction under a rollback journal: whatever ends the program in the middle, it is
there whole or not at all, and the next who opens the file undoes what was half written. Whoever reads takes a hundred
entries at a time and lets go of the file in between, so that a reader that waits for its user keeps no night from being
written down, and memory does not grow with the years.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, Self

from verifier.errors import EvidenceUnwritable, LedgerDamaged, ManifestTooNew, UsageProblem
from verifier.ledger.canonical import FIRST, LaterWord
from verifier.ledger.opening import ledger_errors, open_to_read, open_to_write, transaction
from verifier.ledger.record import Outcome, PhaseRecord, RunRecord
from verifier.ledger.schema import Row
from verifier.manifest.database import DatabaseFile, named
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from verifier.ledger.record import LedgerEntry

LARGEST_RECORD: Final = 1_000_000
"""Characters: more than any record takes."""
_AT_ONCE: Final = 100
_LOWEST: Final = -(2**63)
_HIGHEST: Final = 2**63 - 1
_BEGINNING: Final = re.compile(r"[0-9TZ-]{1,30}", re.ASCII)
_COLUMNS: Final = ", ".join(f'"{name}"' for name in Row._fields)
_SELECT: Final = f"SELECT {_COLUMNS} FROM entries"  # noqa: S608
_INSERT: Final = f"INSERT INTO entries ({_COLUMNS}) VALUES ({', '.join('?' * len(Row._fields))})"  # noqa: S608
_TO_DO: Final = "see `verifier ledger check`, and take the file from a copy"


class Ledger(DatabaseFile):
    """An open ledger. Close it, or use it as a context manager; one thread at a time."""

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open a ledger for reading. What a run that was killed had half written is undone first.

        Raises:
            NotAManifest: If it is not there or is something else.
            ManifestTooNew: If a later version wrote it.
            LedgerDamaged: If the file is not what was written.
            EvidenceUnwritable: If another program holds it, or it has to be put right and may not be written.
        """
        return cls(path, open_to_read(path))

    @classmethod
    def write(cls, path: Path) -> Self:
        """Open a ledger for adding to it, or begin one where there is none; its folder has to be there.

        Raises:
            EvidenceUnwritable: If it cannot be written, or another program holds it.
            NotAManifest: If it is something else.
            ManifestTooNew: If a later version wrote it.
            LedgerDamaged: If the file is not what was written.
        """
        return cls(path, open_to_write(path))

    def append(self, record: RunRecord | PhaseRecord) -> LedgerEntry:
        """Add an entry; when this returns, it is on the disk.

        Raises:
            ValueError: If the record could not be read again: a name or a time that is none.
            LedgerDamaged: If the last entry is not what was written, so nothing can be tied to it.
            EvidenceUnwritable: If it cannot be written, or another program holds the ledger, or it has this run.
        """
        with ledger_errors(self.path), transaction(self.connection):
            last = self._last()
            number, previous = (1, FIRST) if last is None else (last.number + 1, last.digest)
            row = Row.of(number, previous, record)
            if len(row.record) > LARGEST_RECORD:
                what = f"{named(self.path)} takes no record of {len(row.record):,} characters"
                raise EvidenceUnwritable(what, "tell of this with its reason: it is a defect")
            if row.run is not None and self._rows_where("run = ?", row.run):
                raise EvidenceUnwritable(f"{named(self.path)} has a run {row.run} already", "run again in a second")
            self.connection.execute(_INSERT, row)
        return row.entry()

    # ---- Reading

    def rows(self, *, newest_first: bool = False, first: int = _LOWEST) -> Iterator[Row]:
        """Yield rows as they are stored, held against nothing (`verifier.ledger.chain` does).

        Args:
            newest_first: From the last to the first; else as they were written.
            first: The lowest number.
        """
        query = (
            f"{_SELECT} WHERE number BETWEEN ? AND ? ORDER BY number {'DESC' if newest_first else ''} LIMIT {_AT_ONCE}"
        )
        lowest, highest = first, _HIGHEST
        while lowest <= highest:
            with ledger_errors(self.path):
                batch = [Row(*row) for row in self.connection.execute(query, (lowest, highest))]
            yield from batch
            if len(batch) < _AT_ONCE:
                return
            if newest_first:
                highest = batch[-1].number - 1
            else:
                lowest = batch[-1].number + 1

    def entries(self, *, newest_first: bool = False, first: int = 1) -> Iterator[LedgerEntry]:
        """Yield entries, each held against its digest and against the one before it.

        Args:
            newest_first: From the last to the first; else as they were written.
            first: The number with which to begin, or to end.

        Raises:
            LedgerDamaged: Where one is not what was written, or one is not there.
            ManifestTooNew: Where a later version wrote one.
        """
        before = (0, FIRST) if first <= 1 else None
        after: LedgerEntry | None = None
        for row in self.rows(newest_first=newest_first, first=_LOWEST if first <= 1 else first):
            entry = self._entry(row)
            if not newest_first and before is not None:
                self._tie(*before, entry)
            if after is not None:
                self._tie(entry.number, entry.digest, after)
            before = entry.number, entry.digest
            after = entry if newest_first else None
            yield entry
        if after is not None and first <= 1:
            self._tie(0, FIRST, after)

    def records(self) -> Iterator[RunRecord | PhaseRecord]:
        """Yield all records as they were written; raises as `entries` does."""
        return (entry.record for entry in self.entries())

    def runs(self, *, newest_first: bool = False) -> Iterator[RunRecord]:
        """Yield the runs; raises as `entries` does."""
        for entry in self.entries(newest_first=newest_first):
            if isinstance(entry.record, RunRecord):
                yield entry.record

    def phases(self) -> Iterator[PhaseRecord]:
        """Yield the steps from phase to phase; raises as `entries` does."""
        return (entry.record for entry in self.entries() if isinstance(entry.record, PhaseRecord))

    def last_run(self) -> RunRecord | None:
        """Return the last run, however it ended."""
        return self._last_that(lambda _: True)

    def last_finished(self) -> RunRecord | None:
        """Return the last run that was judged."""
        return self._last_that(lambda run: run.outcome is Outcome.FINISHED)

    def phase(self) -> PhaseRecord | None:
        """Return the last step from phase to phase."""
        records = (entry.record for entry in self.entries(newest_first=True))
        return next((record for record in records if isinstance(record, PhaseRecord)), None)

    def has(self, run: str) -> bool:
        """Tell whether a run of this very name is written down."""
        with ledger_errors(self.path):
            return bool(self._rows_where("run = ?", run))

    def run(self, name: str) -> RunRecord:
        """Return a run; see `find`."""
        record = self.find(name).record
        assert isinstance(record, RunRecord)
        return record

    def find(self, name: str) -> LedgerEntry:
        """Return the entry of a run.

        Args:
            name: Its name, or a beginning of it that no other run's name has, or its entry's number.

        Raises:
            UsageProblem: If there is none, or there are several.
        """
        what, see = f"{shown(name)[:40]!r}", f"`verifier ledger list` says which there are in {named(self.path)}"
        if not _BEGINNING.fullmatch(name):
            raise UsageProblem(f"{what} is no run", see)
        with ledger_errors(self.path):
            rows = self._rows_where("run = ?", name)
            if not rows and name.isdecimal() and len(name) < 10:
                rows = self._rows_where("number = ?", int(name))
            if not rows:
                rows = self._rows_where("substr(run, 1, ?) = ?", len(name), name)
        if not rows:
            raise UsageProblem(f"there is no run {what}", see)
        if len(rows) > 1:
            raise UsageProblem(f"several runs begin with {what}: {rows[0].run}, {rows[1].run}", "give more of its name")
        entry = self._entry(rows[0])
        if not isinstance(entry.record, RunRecord):
            raise UsageProblem(f"entry {entry.number} is a step from phase to phase, and no run", see)
        return entry

    @property
    def head(self) -> str:
        """The digest of the last entry, hex; 64 zeros where there is none. Noted elsewhere, it guards all before it."""
        with ledger_errors(self.path):
            last = self._last()
        return FIRST if last is None else last.digest

    @property
    def length(self) -> int:
        """How many entries there are: the number of the last."""
        with ledger_errors(self.path):
            found: int = self.connection.execute("SELECT coalesce(max(number), 0) FROM entries").fetchone()[0]
        return found

    # ---- What holds it together

    def _last_that(self, wanted: Callable[[RunRecord], bool]) -> RunRecord | None:
        return next((run for run in self.runs(newest_first=True) if wanted(run)), None)

    def _last(self) -> LedgerEntry | None:
        rows = self._rows_where("number = (SELECT max(number) FROM entries)")
        return self._entry(rows[0]) if rows else None

    def _rows_where(self, condition: str, *values: object) -> list[Row]:
        """Return the last two rows at most."""
        found = self.connection.execute(f"{_SELECT} WHERE {condition} ORDER BY number DESC LIMIT 2", values)
        return [Row(*row) for row in found]

    def _entry(self, row: Row) -> LedgerEntry:
        try:
            return row.entry()
        except LaterWord as error:
            raise ManifestTooNew(
                f"entry {row.number} of {named(self.path)} was written by a later version ({error})",
                "use a later version of verifier",
            ) from error
        except ValueError as error:
            raise LedgerDamaged(f"entry {row.number} of {named(self.path)} is damaged: {error}", _TO_DO) from error

    def _tie(self, number: int, digest: str, later: LedgerEntry) -> None:
        """Hold an entry against the one before it."""
        if later.number != number + 1 or later.previous != digest:
            raise LedgerDamaged(
                f"entry {later.number} of {named(self.path)} does not follow what is before it: "
                "an entry was changed, removed or put in",
                _TO_DO,
            )
