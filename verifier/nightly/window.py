"""A night's time window: when it ends, by the clock on the wall or after so long."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verifier.job.job import Window


def window_end(window: Window, began: datetime) -> datetime | None:
    """Return when a run that began at a moment has to stop; None where it may take as long as it takes.

    A time of day is of this machine's zone, and the next such moment after the beginning counts. One that a change of
    the clocks leaves out counts as if they had been changed already; one that comes twice counts the first time.

    Args:
        window: What the job says.
        began: Aware.
    """
    ends = []
    if window.at_most_s is not None:
        ends.append(began + timedelta(seconds=window.at_most_s))
    if window.until is not None:
        local = began.astimezone().replace(tzinfo=None)
        end = datetime.combine(local.date(), window.until)
        if end.astimezone() <= began:
            end += timedelta(days=1)  # of the calendar, which is 23 or 25 hours twice a year
        ends.append(end.astimezone())
    return min(ends, default=None)
