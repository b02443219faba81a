"""Is the ledger what was written, and is the evidence still there of which it tells?

What the chain proves, and what it does not. Each entry holds a digest over itself and over the digest of the one before
it. So whoever changes, removes or puts in an entry has to make every later one anew, or it shows. But that is all that
he has to do: the digests need no secret, and who can write the file can make the whole chain anew, or leave out its
end, and then it holds again. Two things still tell. The evidence folders of later runs are known to no entry. And a
digest that somebody noted elsewhere, from a mail or a printed page, is that of no entry any more. As long as it is one,
that entry and all before it are what they were when it was noted; what came after it is guarded by nothing but
the chain. Nor does a chain prove that what an entry says was true when it was written, or that the clock was right.
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from verifier.errors import UsageProblem
from verifier.evidence import FINDINGS_FILE, file_digest
from verifier.ledger.canonical import FIRST, LaterWord
from verifier.ledger.places import GOING, RUN_NAME, RUNS, UNFINISHED
from verifier.ledger.record import PhaseRecord, RunRecord
from verifier.ledger.schema import at_of
from verifier.manifest.database import named
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verifier.ledger.ledger import Ledger
    from verifier.ledger.schema import Row

_BEGINNING: Final = re.compile(r"[0-9a-f]{16,64}")


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that is not as it was written, or a warning."""

    number: int | None
    """The entry; None where it is none's."""
    text: str
    """What is wrong, as it may be shown."""
    is_warning: bool = False
    """Whether it has a harmless explanation and proves nothing."""

    def __str__(self) -> str:
        where = "" if self.number is None else f"entry {self.number}: "
        return f"{'warning: ' if self.is_warning else ''}{where}{self.text}"


def check(ledger: Ledger, folder: Path, head: str | None = None) -> list[Fault]:
    """Hold every entry against the one before it, and against the evidence that is still there.

    Args:
        ledger: The ledger.
        folder: The job's evidence folder. Its findings are read whole.
        head: A digest of an entry, or a beginning of one, that was noted elsewhere.

    Returns:
        Faults and warnings, in the order of entries; none where all holds.

    Raises:
        UsageProblem: If `head` is no digest, or too little of one.
        LedgerDamaged: If an entry cannot be read at all.
    """
    return list(_Check(ledger, folder, None if head is None else _noted(head)).faults())


def _noted(head: str) -> str:
    beginning = head.strip().lower()
    if not _BEGINNING.fullmatch(beginning):
        raise UsageProblem(f"{shown(head)[:70]!r} is no digest of an entry", "give at least 16 of its hex digits")
    return beginning


class _Check:
    """One pass over a ledger. Holds what lies in its folder, and no entries."""

    def __init__(self, ledger: Ledger, folder: Path, noted: str | None) -> None:
        self.ledger = ledger
        self.folder = folder
        self.noted = noted
        self.unknown = _folders_in(folder / RUNS)  # listed first: what a run adds meanwhile is in the ledger
        self.gone: dict[str, int] = {}
        """Runs whose evidence is gone, with their entry, as long as none was met that lists them as removed."""
        self.baseline = ""
        self.at: datetime | None = None

    def faults(self) -> Iterator[Fault]:
        number, previous = 0, FIRST
        found = self.noted is None or FIRST.startswith(self.noted)
        for row in self.ledger.rows():
            if row.number != number + 1:
                yield Fault(row.number, f"it follows entry {number}: what was between them was removed")
            elif row.previous != previous:
                yield Fault(row.number, _NOT_TIED if number else "it is the first, and names one before it")
            number, previous = row.number, row.digest
            found = found or row.digest.startswith(self.noted or "")
            yield from self._of_entry(row)
        for run, entry in sorted(self.gone.items(), key=lambda one: one[1]):
            yield Fault(entry, f"the evidence of run {run} is gone, and no later entry says that it was removed")
        if self.baseline and not _is_folder(self.folder / self.baseline):
            yield Fault(None, f"the baseline, {self.baseline}, is gone")
        for name in sorted(self.unknown):
            yield Fault(None, f"no entry knows of {named(self.folder / RUNS / name)}: were later entries removed?")
        if not found:
            yield Fault(None, f"no entry has the digest {self.noted}: entries were removed, or all made anew")

    def _of_entry(self, row: Row) -> Iterator[Fault]:
        self.unknown.discard(row.run or "")  # whatever else is wrong with its entry
        try:
            record = row.entry().record
        except LaterWord as error:
            yield Fault(row.number, f"it was written by a later version of verifier ({error})")
            return
        except ValueError as error:
            yield Fault(row.number, str(error))
            return
        yield from self._of_time(row, record)
        if isinstance(record, PhaseRecord):
            yield from self._of_baseline(row.number, record.baseline)
            return
        for run in record.pruned:
            self.gone.pop(run, None)
        yield from self._of_evidence(row.number, record)

    def _of_baseline(self, number: int, baseline: str) -> Iterator[Fault]:
        before, _, run = baseline.partition("/")
        if before == RUNS and RUN_NAME.fullmatch(run):
            self.baseline = baseline
        elif baseline:
            yield Fault(number, f"its baseline {shown(baseline)!r} is no place for a run's evidence")

    def _of_time(self, row: Row, record: RunRecord | PhaseRecord) -> Iterator[Fault]:
        at = datetime.fromisoformat(at_of(record))
        began = datetime.fromisoformat(record.started) if isinstance(record, RunRecord) else at
        if self.at is not None and at < self.at:
            yield Fault(row.number, f"its time, {row.at}, is before that of the entry before it: a clock was set", True)
        elif at < began:
            yield Fault(row.number, "it ended before it began: a clock was set", True)
        self.at = at

    def _of_evidence(self, number: int, record: RunRecord) -> Iterator[Fault]:
        if record.evidence in ("", UNFINISHED):
            return
        if record.evidence != f"{RUNS}/{record.run}":  # nothing outside this folder is ever looked at
            yield Fault(number, f"its evidence {shown(record.evidence)!r} is no place for a run's")
            return
        place = self.folder / RUNS / record.run
        if not _is_folder(place):
            self.gone[record.run] = number
            return
        if not record.findings_digest:
            return
        findings = place / FINDINGS_FILE
        try:
            right = stat.S_ISREG(findings.lstat().st_mode) and file_digest(findings).hexdigest()
        except FileNotFoundError:
            yield Fault(number, f"{named(findings)} is not there")
        except OSError as error:
            yield Fault(number, f"{named(findings)} cannot be read ({error.strerror})")
        else:
            if right != record.findings_digest:
                yield Fault(number, f"{named(findings)} is not what it was when the run ended")


_NOT_TIED: Final = "the entry before it is not the one that it was written after: that was changed, removed or put in"


def _is_folder(place: Path) -> bool:
    try:
        return stat.S_ISDIR(place.lstat().st_mode)
    except (FileNotFoundError, NotADirectoryError):
        return False


def _folders_in(place: Path) -> set[str]:
    """Return the names of all folders but those that are being removed."""
    try:
        with os.scandir(place) as found:
            return {one.name for one in found if one.is_dir() and not one.name.startswith(GOING)}
    except (FileNotFoundError, NotADirectoryError):
        return set()
