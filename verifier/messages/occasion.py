"""Which occasions a run is, and which of them somebody is told about."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from verifier.job.job import Occasion
from verifier.ledger.record import Outcome
from verifier.messages.night import WEEK

if TYPE_CHECKING:
    from collections.abc import Collection

    from verifier.ledger.record import RunRecord

BY_GRAVITY: Final = (Occasion.FAILURE, Occasion.WORSE, Occasion.BETTER, Occasion.WEEKLY, Occasion.EVERY)
"""The gravest first: it names the message."""
FAILURES: Final = (Outcome.COULD_NOT_RUN, Outcome.KILLED, Outcome.INTERRUPTED)
"""Ends that are failures by themselves."""
PATIENCE: Final = 3
"""When a time window ends for the third time without a finished run between, that is a failure, and so is every third
after it: reading for the first time may take many nights, and a word each night would not be read."""
_SLACK: Final = timedelta(hours=12)
"""No two nights begin or take equally long: a week is over when half a day is missing."""


def occasions(record: RunRecord, before: RunRecord | None, windows_ended: int = 0) -> frozenset[Occasion]:
    """Return what a run is an occasion for; a week's end hangs on the messages before (`week_is_over`).

    Args:
        record: The run.
        before: The last run before it that finished; None where there is none.
        windows_ended: How many runs, this one included, have not finished in their time window since then.
    """
    found = {Occasion.EVERY}
    if record.outcome is Outcome.FINISHED:
        news = record.news
        # A verdict that fell without anything new, because an exception ended, is as grave as something new.
        if news.new or news.worse or (not record.is_good and (before is None or before.is_good)):
            found.add(Occasion.WORSE)
        elif news.repaired and not news.known:
            found.add(Occasion.BETTER)
        if record.is_good and before is not None and not before.is_good:
            found.add(Occasion.BETTER)
    elif record.outcome in FAILURES or _too_often(record, windows_ended):
        found.add(Occasion.FAILURE)
    return frozenset(found)


def _too_often(record: RunRecord, windows_ended: int) -> bool:
    return record.outcome is Outcome.WINDOW_ENDED and windows_ended > 0 and windows_ended % PATIENCE == 0


def week_is_over(now: datetime, last_weekly: datetime | None, first_started: datetime) -> bool:
    """Tell whether the week's summary is due.

    Args:
        now: Aware, as the others.
        last_weekly: When the last one was made; None where there was none yet.
        first_started: When the job's first run began, from which its first week counts.
    """
    since = first_started if last_weekly is None else last_weekly
    # A moment to come was written while the clock was wrong, and would keep the summary back until it is reached.
    return now - since >= WEEK - _SLACK or since - now > _SLACK


def gravest(found: Collection[Occasion]) -> Occasion | None:
    """Return the gravest of some occasions; None of none."""
    return next((occasion for occasion in BY_GRAVITY if occasion in found), None)
