"""``verifier job``: the file that says what a nightly run does."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verifier.classes import Phase
from verifier.cli.options import read_path
from verifier.errors import CannotRun, EvidenceUnwritable, JobFileError, UsageProblem

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verifier.job.job import Job

app = typer.Typer(
    help="Write and try the job file, which says what a nightly run does.", no_args_is_help=True, rich_markup_mode=None
)
JobFile = Annotated[
    Path, typer.Argument(parser=read_path, metavar="JOB", help="A job file, such as `verifier job new` writes.")
]


@app.command(short_help="Write a job file to start from.")
def new(
    old: Annotated[Path, typer.Argument(parser=read_path, metavar="OLD", help="Old root, or its manifest.")],
    roots: Annotated[
        list[Path],
        typer.Argument(parser=read_path, metavar="NEW...", help="New root; several where the old share was split."),
    ],
    evidence: Annotated[
        Path,
        typer.Option(
            "--evidence",
            parser=read_path,
            metavar="DIR",
            help="Folder for the ledger, the history and the evidence of each night, outside all trees.",
        ),
    ],
    output: Annotated[
        Path,
        typer.Option("--output", parser=read_path, metavar="FILE", help="The job file to write; never overwritten."),
    ],
    name: Annotated[
        str | None,
        typer.Option(
            "--name", metavar="TEXT", help="What messages call the job. Default: the name of the evidence folder."
        ),
    ] = None,
    phase: Annotated[Phase, typer.Option("--phase", help="The phase in which the job begins.")] = Phase.COPYING,
    label_old: Annotated[
        str, typer.Option("--label-old", metavar="TEXT", help="What messages call the old side.")
    ] = "",
    label_new: Annotated[
        str, typer.Option("--label-new", metavar="TEXT", help="What messages call the new side.")
    ] = "",
) -> int:
    """Write a job file with every key in it: what was given is set, all else is a comment with its default.

    Example: verifier job new /mnt/old /mnt/new --evidence /var/lib/verifier/herbarium --output migration.toml
    """
    from verifier.job.load import read_job
    from verifier.job.template import NewJob, job_text
    from verifier.manifest.database import named

    trees = [root.absolute() for root in (old, *roots)]
    place, folder = output.absolute(), evidence.absolute()
    wanted = NewJob(name or folder.name, trees[0], tuple(trees[1:]), folder, phase, label_old, label_new)
    text = job_text(wanted)
    try:
        read_job(place, text.encode())
    except JobFileError as error:
        raise UsageProblem(f"no job file was written, for it would not validate: {error}") from error
    _refuse_in_trees({"--output": place, "--evidence": folder}, trees)
    _write(place, text)
    print(f"{named(place)} is written. Read it, and change what does not fit; then")
    print(f"  verifier job check {_typed(place)}")
    print(f"  verifier nightly {_typed(place)}")
    print(f"  verifier schedule {_typed(place)} --at 01:30 --as cron")
    return 0


@app.command(short_help="Validate a job file and try what it names.")
def check(
    job: JobFile,
    send: Annotated[
        bool, typer.Option("--send", help="Send a message that says that it is a test to every address.")
    ] = False,
) -> int:
    """Validate a job file, and try what it names: roots, rules, evidence folder, addresses.

    Nothing is sent unless it is asked for.

    Exit code 0: all can be used, perhaps with warnings. 2: the file does not validate. 4: something that it names
    cannot be used.

    Example: verifier job check migration.toml
    """
    from verifier.job.load import load_job
    from verifier.job.trial import State, try_job
    from verifier.tree.names import shown

    wanted = load_job(job)
    tried = try_job(wanted, _phase_of(wanted))
    for one in tried:
        print(shown(str(one)))
    failures = []
    if send:
        from verifier.messages.telling import try_out

        failures = try_out(wanted)
        for failure in failures:
            print(f"wrong: {failure}")
        print("a test message was sent" + (" to the others" if failures else ""))
    return CannotRun.exit_code if failures or any(one.state is State.WRONG for one in tried) else 0


@app.command(short_help="Move a job on to its next phase.")
def advance(
    job: JobFile,
    to: Annotated[Phase | None, typer.Option("--to", help="Another phase than the next; also one before it.")] = None,
    by: Annotated[
        str | None, typer.Option("--by", metavar="NAME", help="On whose word. Default: who runs this, and where.")
    ] = None,
    despite: Annotated[
        str,
        typer.Option(
            "--despite",
            metavar="REASON",
            help="Why all the same, where the last run was not trustworthy. The ledger keeps it.",
        ),
    ] = "",
) -> int:
    """Move a job on to its next phase, and write that into its ledger with time and name.

    copying: the old side is worked on. frozen: it must not change any more. live: people work on the new side. retired:
    the old side is gone. To live and to retired it goes only if the last run was trustworthy, or with a reason.

    Exit code 0: moved on. 2: it cannot be, and why. 4: a run is under way, or the ledger cannot be written.

    Example: verifier job advance migration.toml --by "K. Keeper"
    """
    from verifier.cli.nightly import user
    from verifier.decisions.exceptions import text_trouble
    from verifier.job.load import load_job
    from verifier.ledger.ledger import Ledger
    from verifier.ledger.places import LEDGER_FILE
    from verifier.manifest.database import named
    from verifier.nightly.aftermath import write_job_history
    from verifier.nightly.lock import hold
    from verifier.nightly.step import advance as move_on
    from verifier.reconcile.phase import MEANINGS
    from verifier.tree.names import shown

    wanted = load_job(job)
    for option, text in (("--by", by), ("--despite", despite)):
        if text and (why := text_trouble(text, 200)):
            raise UsageProblem(f"{option} {why}", "give one line of text")
    if not (wanted.evidence / LEDGER_FILE).exists():
        raise UsageProblem(
            f"{wanted.name} has no ledger in {named(wanted.evidence)} yet", "run `verifier nightly` first"
        )
    with hold(wanted.evidence), Ledger.write(wanted.evidence / LEDGER_FILE) as ledger:
        step = move_on(wanted, ledger, by or user(), to, despite)
        write_job_history(wanted)
    print(f"{shown(wanted.name)} is in phase {step.phase} now, since {step.at}, by {shown(step.by)}")
    print(f"From here on {MEANINGS[step.phase]}.")
    return 0


@app.command(short_help="Print what each key of a job file means, as Markdown.")
def keys() -> int:
    """Print what each key of a job file means, which values it may have, and what holds without it, as Markdown.

    Example: verifier job keys
    """
    from verifier.job.reference import reference

    print(reference(), end="")
    return 0


def _phase_of(job: Job) -> Phase | None:
    """Return the phase in which the ledger says that a job is; None where it says nothing yet, or cannot be read."""
    from verifier.errors import VerifierError
    from verifier.ledger.ledger import Ledger
    from verifier.ledger.places import LEDGER_FILE

    try:
        with Ledger.open(job.evidence / LEDGER_FILE) as ledger:
            step = ledger.phase()
    except VerifierError:
        return None
    return None if step is None else step.phase


def _refuse_in_trees(places: dict[str, Path], trees: Sequence[Path]) -> None:
    """Refuse to name or write anything inside a tree, under whatever name; a tree that is not there holds nothing."""
    from verifier.manifest.database import named
    from verifier.scan.guard import look_at

    for tree in trees:
        if not tree.is_dir():
            continue
        share = look_at(tree)
        for option, place in places.items():
            if share.contains(place):
                raise UsageProblem(
                    f"{option} {named(place)} lies inside {share.named}, and nothing is ever written into a tree",
                    "put it somewhere else",
                )


def _typed(path: Path) -> str:
    """Return a path as it can be typed into a shell, as far as it can be shown."""
    import shlex

    from verifier.manifest.database import named
    from verifier.tree.names import shown

    return shlex.quote(str(path) if shown(str(path)) == str(path) else named(path))


def _write(path: Path, text: str) -> None:
    from verifier.manifest.database import named

    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError as error:
        raise UsageProblem(f"{named(path)} is there already", "name another file, or move it away") from error
    except OSError as error:
        raise EvidenceUnwritable(f"{named(path)} cannot be written ({error.strerror})", "name another file") from error
