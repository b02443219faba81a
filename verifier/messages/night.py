"""One night as messages need it: its run, where it lies in the ledger, and the runs before it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from verifier.ledger.record import Outcome

if TYPE_CHECKING:
    from verifier.ledger.record import RunRecord

WEEK: Final = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Night:
    """What came of one run, and what was before it."""

    record: RunRecord
    entry_digest: str
    """Digest of its entry in the ledger, hex."""
    runs: tuple[RunRecord, ...] = ()
    """The ledger's runs in their order; whether this one is among them makes no difference, later ones are left out."""

    @property
    def earlier(self) -> tuple[RunRecord, ...]:
        """The runs before this one, oldest first."""
        return tuple(run for run in self.runs if run.run < self.record.run)

    @property
    def before(self) -> RunRecord | None:
        """The last run before this one that finished; None where there is none."""
        finished = (run for run in reversed(self.earlier) if run.outcome is Outcome.FINISHED)
        return next(finished, None)

    @property
    def windows_ended(self) -> int:
        """How many runs, this one included, have not finished in their time window since the last that finished."""
        count = 0
        for run in (self.record, *reversed(self.earlier)):
            if run.outcome is Outcome.FINISHED:
                break
            count += run.outcome is Outcome.WINDOW_ENDED
        return count

    @property
    def first_started(self) -> datetime:
        """When the job's first run began."""
        return datetime.fromisoformat((*self.earlier, self.record)[0].started)

    @property
    def week(self) -> tuple[RunRecord, ...]:
        """The runs that began within the seven days up to this one, oldest first, this one last."""
        since = datetime.fromisoformat(self.record.started) - WEEK
        return (*(run for run in self.earlier if datetime.fromisoformat(run.started) > since), self.record)
