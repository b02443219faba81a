"""``verifier ledger``: what is remembered of a job's runs, and whether that is what was written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer
from typer.core import TyperGroup

from verifier.cli.options import read_path
from verifier.errors import UsageProblem

if TYPE_CHECKING:
    from verifier.ledger.ledger import Ledger
    from verifier.ledger.record import LedgerEntry, RunRecord


class _ListedFirst(TyperGroup):
    """Commands of which `list` is meant where none is named, so that ``verifier ledger JOB`` lists."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Put `list` before whatever is no command and does not ask for help."""
        if args and args[0] not in (*self.commands, *ctx.help_option_names):
            args = ["list", *args]
        return super().parse_args(ctx, args)


app = typer.Typer(
    cls=_ListedFirst,
    help="Show what is remembered of a job's runs: each one, tied to the one before it by a digest. "
    "`verifier ledger JOB` lists them.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
_JOB_HELP: Final = "A job file, or the job's evidence folder itself, which holds ledger.sqlite."
JobOrFolder = Annotated[Path, typer.Argument(parser=read_path, metavar="JOB", help=_JOB_HELP)]
AsJson = Annotated[bool, typer.Option("--json", help="For other programs: times as ISO 8601 in UTC, sizes in bytes.")]


@app.command("list", short_help="List the runs, the newest last.")
def list_runs(
    job: JobOrFolder,
    limit: Annotated[
        int, typer.Option("--limit", metavar="N", min=0, help="Only the last N entries; 0 for all of them.")
    ] = 30,
    as_json: AsJson = False,
) -> int:
    """List a job's runs, one a line, the newest last.

    A line says its name (when it began, UTC), when it began here, how long it took, the phase, the verdict or how it
    ended, and what was new. Steps from phase to phase stand between them.

    With --json, an object a line. Exit code 0: listed. 2: there is no ledger. 4: it is damaged.

    Example: verifier ledger list migration.toml --limit 90
    """
    from verifier.cli.show import print_lines
    from verifier.ledger.lines import list_line
    from verifier.report.terminal import Line

    with _opened(folder_of(job)) as ledger:
        number = ledger.length
        first = max(1, number - limit + 1) if limit else 1
        if as_json:
            for entry in ledger.entries(first=first):
                print(_as_json(entry))
            return 0
        if first > 1:
            print_lines([Line(f"... and {first - 1:,} before these (--limit 0)", "quiet")])
        print_lines(list_line(entry) for entry in ledger.entries(first=first))
        if not number:
            print_lines([Line("no entry yet", "quiet")])
    return 0


@app.command("show", short_help="Show everything about one run.")
def show_run(
    job: JobOrFolder,
    run: Annotated[
        str | None,
        typer.Argument(
            metavar="RUN",
            show_default=False,
            help="Its name, a beginning of it that no other has, or its entry's number. Default: the last run.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Show everything that is remembered of one run.

    With --json, one object. Exit code 0: shown. 2: there is no such run, or no ledger. 4: the ledger is damaged.

    Example: verifier ledger show migration.toml 20261201T023000Z
    """
    from verifier.cli.show import print_lines
    from verifier.ledger.lines import shown_lines
    from verifier.ledger.places import RUNS
    from verifier.manifest.database import named

    folder = folder_of(job)
    with _opened(folder) as ledger:
        entry = _last_run(ledger) if run is None else ledger.find(run)
    record = _run_of(entry)
    # What else it may name is none of a run's.
    is_there = record.evidence == f"{RUNS}/{record.run}" and (folder / RUNS / record.run).is_dir()
    if as_json:
        print(_as_json(entry, evidence_is_there=is_there))
        return 0
    where = named(folder / RUNS / record.run) if is_there else f"{record.evidence}, which is not there any more"
    print_lines(shown_lines(entry, record, where if record.evidence else "none"))
    return 0


@app.command("check", short_help="See whether the ledger is what was written.")
def check_ledger(
    job: JobOrFolder,
    head: Annotated[
        str | None,
        typer.Option(
            "--head",
            metavar="DIGEST",
            help="A digest of an entry that was noted elsewhere, as from a mail; 16 of its digits are enough. It has "
            "to be an entry's still.",
        ),
    ] = None,
) -> int:
    """Print what in the ledger is not what was written. Only reads.

    Every entry is held against the one before it, and against the evidence that is still there.

    Who can write the file can make the whole chain anew, or leave out its end. Only a digest that was noted elsewhere
    shows that: give it with --head.

    Exit code 0: all holds. 1: something was changed or removed. 2: wrong usage, or there is no ledger. 4: the file is
    damaged beyond reading.

    Example: verifier ledger check migration.toml --head 3f9a0c5512de8b47
    """
    from verifier.cli.show import print_lines
    from verifier.ledger.chain import check
    from verifier.report.terminal import Line
    from verifier.verdict import count_of

    folder = folder_of(job)
    with _opened(folder) as ledger:
        found = check(ledger, folder, head)
        faults = [fault for fault in found if not fault.is_warning]
        print_lines(Line(str(fault), "unsure" if fault.is_warning else "bad") for fault in found)
        if faults:
            print_lines([Line(f"The ledger does not hold: {count_of(len(faults), 'fault', 'faults')}", "bad")])
            return 1
        print_lines([Line(f"The ledger holds: {count_of(ledger.length, 'entry', 'entries')}", "good")])
        print_lines([Line(f"last digest {ledger.head}, to be noted elsewhere")])
    return 0


def folder_of(job: Path) -> Path:
    """Return a job's evidence folder.

    Args:
        job: The job file, or the folder itself.

    Raises:
        UsageProblem: If it is neither.
    """
    from verifier.manifest.database import named

    if job.is_dir():
        return job
    if not job.exists():
        raise UsageProblem(f"{named(job)} is not there", "name a job file, or the evidence folder of one")
    from verifier.job.load import load_job

    return load_job(job).evidence


def _opened(folder: Path) -> Ledger:
    from verifier.ledger.ledger import Ledger
    from verifier.ledger.places import LEDGER_FILE

    return Ledger.open(folder / LEDGER_FILE)


def _last_run(ledger: Ledger) -> LedgerEntry:
    run = ledger.last_run()
    if run is None:
        raise UsageProblem("there was no run yet", "see `verifier ledger list`")
    return ledger.find(run.run)


def _run_of(entry: LedgerEntry) -> RunRecord:
    from verifier.ledger.record import RunRecord

    assert isinstance(entry.record, RunRecord)
    return entry.record


def _as_json(entry: LedgerEntry, **more: Any) -> str:
    """Return an entry in one line that a terminal cannot act on."""
    from verifier.ledger.canonical import plain

    tied = {"number": entry.number, "previous": entry.previous, "digest": entry.digest}
    return json.dumps(tied | plain(entry.record) | more)
