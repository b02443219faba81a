"""``verifier accept``: accept findings by name, withdraw that, or list what was accepted."""

from __future__ import annotations

from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated

import typer

from verifier import clock
from verifier.classes import Class
from verifier.cli.options import read_path, read_time
from verifier.errors import UsageProblem
from verifier.tree.names import shown

_ACCEPTABLE = [cls for cls in Class if cls is not Class.IDENTICAL]


def _read_class(text: str) -> Class:
    found = next((cls for cls in _ACCEPTABLE if cls == text), None)
    if found is None:
        raise UsageProblem(
            f"--class {shown(text)[:40]!r} is no class of findings", f"give one of {', '.join(_ACCEPTABLE)}"
        )
    return found


def accept(
    evidence: Annotated[
        Path, typer.Argument(parser=read_path, metavar="EVIDENCE", help="A folder that `verifier check` wrote.")
    ],
    path: Annotated[
        str | None,
        typer.Option(
            "--path",
            metavar="PATTERN",
            help="gitignore pattern, as in rules, for the path on either side as the report shows it; what matches a "
            "folder means all in it. A name is a pattern once a backslash stands before each * ? [ and \\ in it. "
            "Example: --path 'herbarium/labels/fen/', or --path 'scans/sheet \\[1].tif'",
        ),
    ] = None,
    cls: Annotated[
        Class | None,
        typer.Option(
            "--class",
            parser=_read_class,
            metavar="CLASS",
            help="Only findings of this class. Example: --class missing",
        ),
    ] = None,
    because: Annotated[
        str | None, typer.Option("--because", metavar="TEXT", help="Why, for whoever reads it later; one line.")
    ] = None,
    by: Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who says so.")] = None,
    until: Annotated[
        str | None,
        typer.Option(
            "--until",
            metavar="TIME",
            help="Until when it holds: a day, the whole of it, or a time (ISO 8601). Default: as long as what it "
            "covers stays what it is. Example: --until 2026-12-31",
        ),
    ] = None,
    withdraw: Annotated[
        int | None,
        typer.Option(
            "--withdraw",
            metavar="N",
            help="Withdraw exception N, with --by and --because; it stays on record.",
        ),
    ] = None,
) -> int:
    """Accept findings by name: what a pattern and a class select now, and nothing that is found later.

    What is accepted stays in the report, apart, and does not count in the verdict. The next check takes it along with
    --accepted, and there a new loss under the same pattern, or a file that changed again, is not covered. Without
    options it lists what was accepted. Exit code 0: recorded. 2: wrong usage, nothing matches, or the check is signed.
    4: it cannot be written.

    Example: verifier accept proof-2026-11 --path herbarium/labels/fen/ --class missing
    --because "labels of discarded sheets" --by "Head of the herbarium"
    """
    from verifier.decisions.exceptions import Wanted
    from verifier.signoff import accepting

    now = clock.now().replace(microsecond=0)
    if withdraw is not None:
        for option, given in (("--path", path), ("--class", cls), ("--until", until)):
            if given is not None:
                raise UsageProblem(f"--withdraw takes --by and --because, and no {option}", "leave it out")
        _refuse_missing(("--by", by), ("--because", because))
        assert by is not None and because is not None
        lines = accepting.withdraw(evidence, withdraw, by, because, now)
    elif (path, cls, because, by, until) == (None,) * 5:
        lines = accepting.on_record(evidence, now)
    else:
        _refuse_missing(("--path", path), ("--class", cls), ("--because", because), ("--by", by))
        assert path is not None and cls is not None and because is not None and by is not None
        wanted = Wanted(path, cls, because, by, now, _read_until(until))
        lines = accepting.record(evidence, wanted).lines()
    for line in lines:
        print(line)
    return 0


def _refuse_missing(*options: tuple[str, object]) -> None:
    missing = [option for option, given in options if given is None]
    if missing:
        raise UsageProblem(
            f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing", "give all of them"
        )


def _read_until(text: str | None) -> datetime | None:
    """Return the last moment of a day, or a time."""
    if text is None:
        return None
    try:
        day = date.fromisoformat(text)
        return datetime.combine(day, time(23, 59, 59)).astimezone()
    except (ValueError, OverflowError):
        return read_time("--until", text)
