"""The command line as a whole, and the one place where errors become one line and an exit code."""

from __future__ import annotations

import io
import signal
import sys
import threading
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from verifier.cli.accept import accept
from verifier.cli.check import check
from verifier.cli.demo import demo
from verifier.cli.inspection import inspect
from verifier.cli.job import app as job_app
from verifier.cli.ledger import app as ledger_app
from verifier.cli.nightly import nightly
from verifier.cli.reconcile import reconcile
from verifier.cli.recopy import recopy
from verifier.cli.report import report
from verifier.cli.rules import app as rules_app
from verifier.cli.scan import scan
from verifier.cli.schedule import schedule
from verifier.cli.signoff import signoff
from verifier.cli.watch import watch
from verifier.errors import CannotRun, Interrupted, VerifierError
from verifier.tree.trouble import errno_name
from verifier.version import TOOL

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import FrameType

app = typer.Typer(
    name="verifier",
    help="After a file server was moved: say, with evidence, whether the copy can be trusted.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
for command, short in (
    (check, "Check a copy: can it be trusted? The main job."),
    (scan, "Scan one side into a manifest."),
    (reconcile, "Reconcile two manifests; no trees needed."),
    (report, "Write an evidence folder's report again."),
    (accept, "Accept findings by name, or list what was accepted."),
    (inspect, "Show one file's whole story."),
    (recopy, "List what has to be copied again."),
    (signoff, "Sign for a check; see whether what was signed still holds."),
    (nightly, "Go through one night of a job: the command for cron."),
    (schedule, "Print what to install so that each night is run."),
    (watch, "Say so when there was no good nightly run lately."),
    (demo, "Run the main job on the sample trees."),
):
    app.command(short_help=short)(command)
app.add_typer(job_app, name="job", short_help="Write and try a job file, for nightly runs.")
app.add_typer(ledger_app, name="ledger", short_help="Show what is remembered of a job's nightly runs.")
app.add_typer(rules_app, name="rules", short_help="Show the rules, and which would claim a path.")


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(TOOL)
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; errors are one line on standard error.

    Args:
        arguments: Without the program's name; None takes the process's own.
    """
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, _interrupt)
    for stream in (sys.stdout, sys.stderr):
        # A terminal whose encoding lacks a character is no reason to lose the verdict.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        code = app(None if arguments is None else list(arguments), prog_name="verifier", standalone_mode=False)
    except VerifierError as error:
        return _fail(str(error), error.exit_code)
    except typer.TyperException as error:
        return _help_or_fail(error)
    except (KeyboardInterrupt, typer.Abort):
        return _fail("stopped before the end; run it again", Interrupted.exit_code)
    except BrokenPipeError:
        return _fail("nobody reads the output any more", CannotRun.exit_code)
    except OSError as error:
        return _fail(f"{errno_name(error)}: {error}", CannotRun.exit_code)
    except MemoryError:
        return _fail("out of memory; run again with fewer --readers", CannotRun.exit_code)
    if code == 130:  # how Typer reports Ctrl-C
        return _fail("stopped before the end; run it again", Interrupted.exit_code)
    return int(code or 0)


def _interrupt(_number: int, _frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


def _help_or_fail(error: typer.TyperException) -> int:
    message = error.format_message()
    if message.startswith("Usage:"):  # nothing was asked for: the answer is the help
        print(message, file=sys.stderr)
        return 2
    return _fail(_usage(error), 2)


def _usage(error: typer.TyperException) -> str:
    command = getattr(getattr(error, "ctx", None), "command_path", "verifier")
    message = error.format_message().rstrip(".")
    return f"{message}; see `{command} --help`" if message else f"see `{command} --help`"


def _fail(message: str, code: int) -> int:
    print(f"verifier: {' '.join(message.split())}", file=sys.stderr)
    return code
