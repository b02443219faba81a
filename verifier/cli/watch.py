"""``verifier watch``: say so when there was no good run lately."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from verifier import clock
from verifier.cli.ledger import JobOrFolder, folder_of
from verifier.cli.options import read_duration
from verifier.errors import UsageProblem
from verifier.tree.names import shown


def watch(
    job: JobOrFolder,
    max_age: Annotated[
        str,
        typer.Option(
            "--max-age",
            metavar="DURATION",
            help="How long ago the last good run may have ended. Example: --max-age 26h",
        ),
    ] = "26h",
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Say it, too, where all is well.")] = False,
) -> int:
    """Say so, in one line, when the last good run ended too long ago; else say nothing.

    Meant for a timer of its own, on another machine if need be: a night that never began tells nobody.

    Good is a run that found the copy trustworthy; while the copy is still being made (phase copying), one that finished
    and found nothing new or worse.

    Exit code 0: there was a good run. 1: there was none, or too long ago, or its time is still to come. 2: wrong usage.
    4: the ledger cannot be read.

    Example: verifier watch migration.toml --max-age 26h
    """
    from verifier.ledger.ledger import Ledger
    from verifier.ledger.places import LEDGER_FILE
    from verifier.ledger.watch import Watched
    from verifier.ledger.watch import watch as look
    from verifier.manifest.database import named

    seconds = read_duration("--max-age", max_age)
    if seconds is None:
        raise UsageProblem(f"--max-age {shown(max_age)[:40]!r} is not a duration", "write it like 26h or 3d")
    folder = folder_of(job)
    path = folder / LEDGER_FILE
    if path.is_file() and path.stat().st_size:
        with Ledger.open(path) as ledger:
            watched = look(ledger.runs(newest_first=True), seconds, clock.now())
    else:
        watched = Watched(False, "no run was ever recorded")
    if verbose or not watched.is_well:
        print(f"verifier: {named(folder)}: {watched.text}", file=sys.stderr)
    return 0 if watched.is_well else 1
