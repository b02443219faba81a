"""``verifier schedule``: what to install so that each night is run by itself."""

from __future__ import annotations

from typing import Annotated

import typer

from verifier.cli.job import JobFile
from verifier.errors import UsageProblem
from verifier.schedules.scheduler import Part, Scheduler


def schedule(
    job: JobFile,
    at: Annotated[
        str, typer.Option("--at", metavar="HH:MM", help="When each night begins, local time. Example: --at 01:30")
    ],
    scheduler: Annotated[Scheduler, typer.Option("--as", help="Who is to start it.")],
    only: Annotated[
        Part | None,
        typer.Option(
            "--only",
            help="Print only the run of the night, or only the look, hours later, whether there was one. A file for "
            "windows-task holds one of them; default there: nightly.",
        ),
    ] = None,
) -> int:
    """Print what to install so that each night is run, and missed if it was not. Nothing is installed.

    It holds absolute paths to this program and the job file, and no address. What is in it says how to install it.

    Example: verifier schedule migration.toml --at 01:30 --as systemd
    """
    from verifier.job.load import load_job
    from verifier.job.times import time_of_day
    from verifier.schedules.schedule import schedule_text

    begin = time_of_day(at)
    if begin is None:
        raise UsageProblem(f"--at {at!r} is not a time of day", "write it like 01:30")
    print(schedule_text(load_job(job), begin, scheduler, only), end="")
    return 0
