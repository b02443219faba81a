"""``verifier nightly``: one night of a job, for cron."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verifier.cli import options as o
from verifier.cli.job import JobFile

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from verifier.job.job import Job


def nightly(
    job: JobFile,
    afresh: Annotated[
        bool,
        typer.Option(
            "--afresh",
            help="Carry nothing over from the runs before: read everything. Needed once where a share is meant to be "
            "another mount than it was.",
        ),
    ] = False,
    log_file: Annotated[
        Path | None,
        typer.Option(
            "--log-file",
            parser=o.read_path,
            metavar="FILE",
            help="Log one line an event here; put aside at 5 MB, five of them kept.",
        ),
    ] = None,
    log_json: Annotated[bool, typer.Option("--log-json", help="Log JSON objects instead of lines.")] = False,
    progress: Annotated[bool, typer.Option("--progress", help="Show on standard error how far it is.")] = False,
) -> int:
    """Go through one night of a job: scan, compare, write it down, and tell what is new.

    Both sides are held against each other and each against its own last manifest. It goes on where the night before
    had to stop, reads again what was longest unread, and prints nothing on a night on which nothing is new.

    Exit code 0: trustworthy. 1: something is missing, damaged or of another kind. 2: the job or a rule file does not
    validate. 3: inconclusive, not finished in its time window, or the copy is still being made. 4: could not run, or
    another run is under way.

    Example: verifier nightly migration.toml --log-file /var/log/verifier/herbarium.log
    """
    import sys

    from verifier.cli.progress import display
    from verifier.cli.settle import settle
    from verifier.errors import UsageProblem
    from verifier.job.load import load_job
    from verifier.log import log_to
    from verifier.nightly.aftermath import after, night_of
    from verifier.nightly.loudness import what_to_say
    from verifier.nightly.run import Watching, night
    from verifier.scan.process import be_idle

    if log_json and log_file is None:
        raise UsageProblem("--log-json says how to log, and nothing is logged", "give --log-file, too")
    wanted = load_job(job)
    if wanted.scan.idle:
        be_idle()
    settle()
    log = outside_the_roots(wanted, "--log-file", log_file)

    def logged(run: str) -> AbstractContextManager[object]:
        return log_to(log, as_json=log_json, run=run)

    with (
        display(quiet=not progress) as shown,
        night(wanted, user(), Watching(shown.show, shown.stage, logged), afresh=afresh) as ended,
    ):
        told = night_of(wanted.evidence, ended)
        said = what_to_say(wanted, ended, told, after(wanted, told))
    for text in said.out:
        print(text)
    for text in said.errors:
        print(f"verifier: {text}", file=sys.stderr)
    return ended.record.exit_code


def user() -> str:
    """Return on whose behalf this process runs, as the ledger names them."""
    import getpass
    import socket

    try:
        name = getpass.getuser()
    except (OSError, KeyError):  # an account without a name
        name = "somebody"
    return f"{name} on {socket.gethostname()}"


def outside_the_roots(job: Job, option: str, file: Path | None) -> Path | None:
    """Return a file that is to be written, unless it lies inside one of a job's roots that are there.

    Raises:
        UsageProblem: If it does.
    """
    from verifier.errors import RootUnavailable

    for root in (root for side in job.sides for root in side.roots if not root.is_file()):
        try:
            o.refuse_in_trees(option, file, [root])
        except RootUnavailable:  # the run itself says so, and writes it down
            continue
    return file
