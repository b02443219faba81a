"""A job's nights for the scheduler of a system: what to install, as text. Nothing is installed here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verifier.schedules import cron, systemd, windows_task
from verifier.schedules.scheduler import Part, Scheduler
from verifier.schedules.starts import starts_of

if TYPE_CHECKING:
    from datetime import time

    from verifier.job.job import Job


def schedule_text(job: Job, at: time, scheduler: Scheduler, only: Part | None = None) -> str:
    """Return what to install so that each night is run by the Python that runs this program.

    Args:
        job: The job.
        at: When a night begins, local time of day.
        scheduler: Who is to start it.
        only: Only this part; for Windows, where a file holds one task, None means the night's run.

    Raises:
        UsageProblem: If a path cannot be said to this scheduler.
    """
    starts = starts_of(job, at)
    match scheduler:
        case Scheduler.CRON:
            return cron.table(starts, only)
        case Scheduler.SYSTEMD:
            return systemd.script(starts, only)
        case Scheduler.WINDOWS_TASK:
            return windows_task.definition(starts, only or Part.NIGHTLY)
