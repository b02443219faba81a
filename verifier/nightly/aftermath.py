"""What comes after a run is written down: telling people, removing what need not be kept, and the history.

Nothing here is an error of the run: what goes wrong is a warning, and the next night does it again.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from verifier.errors import VerifierError
from verifier.ledger.history import write_history
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import LEDGER_FILE
from verifier.ledger.retention import remove, runs_there
from verifier.log import Event, event
from verifier.messages.night import Night
from verifier.messages.telling import tell

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verifier.job.job import Job
    from verifier.ledger.record import RunRecord
    from verifier.nightly.run import Ended

_RUNS_TOLD_OF: int = 60
"""So many runs before this one are looked at by what is told: more than a week of them."""


def after(job: Job, night: Night) -> list[str]:
    """Tell whom the job names, remove evidence that need not be kept, and write the history.

    Args:
        job: The job; the caller still holds its folder.
        night: How it ended, with the runs before it.

    Returns:
        What went wrong, one line each.
    """
    warnings: list[str] = []
    for part in (tell, _prune, _history):
        try:
            warnings += part(job, night) or ()
        except (VerifierError, OSError) as error:
            warnings.append(" ".join(str(error).split()))
            event(Event.WARNING, logging.WARNING, what=warnings[-1])
    return warnings


def night_of(folder: Path, ended: Ended) -> Night:
    """Return a night as messages need it; without the runs before it where the ledger cannot be read."""
    digest = "" if ended.entry is None else ended.entry.digest
    try:
        return Night(ended.record, digest, tuple(_recent(folder)))
    except VerifierError:
        return Night(ended.record, digest)


def _recent(folder: Path) -> Iterator[RunRecord]:
    """Yield the first run and the last ones, oldest first."""
    with Ledger.open(folder / LEDGER_FILE) as ledger:
        first = next(ledger.runs(), None)
        last = [run for run, _ in zip(ledger.runs(newest_first=True), range(_RUNS_TOLD_OF), strict=False)][::-1]
    if first is not None and first not in last:
        yield first
    yield from last


def _prune(job: Job, night: Night) -> None:
    if night.record.pruned:
        remove(job.evidence, night.record.pruned)
        event(Event.PRUNED, runs=len(night.record.pruned))


def _history(job: Job, _: Night) -> None:
    write_job_history(job)


def write_job_history(job: Job) -> None:
    """Write a job's history page.

    Raises:
        VerifierError: If the ledger cannot be read, or the page cannot be written.
    """
    with Ledger.open(job.evidence / LEDGER_FILE) as ledger:
        write_history(job.evidence, job.name, ledger.entries(), runs_there(job.evidence))
