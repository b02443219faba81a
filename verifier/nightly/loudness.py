"""What a run prints: nothing on a quiet night, so that cron sends mail only when there is something to say."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from verifier.job.job import Occasion
from verifier.ledger.record import Outcome, RunRecord
from verifier.messages.occasion import gravest, occasions
from verifier.messages.wording import compose

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verifier.job.job import Job
    from verifier.messages.night import Night
    from verifier.nightly.run import Ended


class Said(NamedTuple):
    """Lines to print."""

    out: tuple[str, ...] = ()
    """What is new."""
    errors: tuple[str, ...] = ()
    """Why it did not finish, and what went wrong besides."""


_LOUD = (Occasion.FAILURE, Occasion.WORSE, Occasion.BETTER)


def what_to_say(job: Job, ended: Ended, night: Night, warnings: Sequence[str]) -> Said:
    """Return what a run prints.

    Args:
        job: The job.
        ended: How the night ended.
        night: The same with the runs before it.
        warnings: What went wrong after it was written down.
    """
    record = ended.record
    errors = [
        f"run {entry.record.run}, before this one, was {_how(entry.record)}"
        for entry in ended.before
        if isinstance(entry.record, RunRecord)
    ]
    if ended.unwritten:
        errors.append(f"this run could not be written into the ledger: {ended.unwritten}")
    loud = gravest(occasions(record, night.before, night.windows_ended) & set(_LOUD))
    out: list[str] = []
    if record.outcome in (Outcome.COULD_NOT_RUN, Outcome.INTERRUPTED):
        errors.append(record.reasons[0])
    elif loud is not None:
        message = compose(job.name, night, loud, job.evidence)
        out = [message.subject, "", *message.body.rstrip("\n").split("\n")]
    if not out:
        known = set() if night.before is None else {kind_of(warning) for warning in night.before.warnings}
        out = [warning for warning in record.warnings if kind_of(warning) not in known]
    return Said(tuple(out), (*errors, *warnings))


def kind_of(warning: str) -> str:
    """Return what a warning is about: what stands before its first colon. Its numbers are others every night."""
    return warning.partition(":")[0]


def _how(record: RunRecord) -> str:
    if record.outcome is Outcome.KILLED:
        return "ended from outside without a word"
    return f"killed after its check was finished, and is written down now: {record.news.headline}"
