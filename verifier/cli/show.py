"""Running a check with its progress shown, and printing a finished report's summary."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Final

import typer

from verifier.report.context import problem_lines
from verifier.report.terminal import summarise

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from verifier.check import CheckRequest
    from verifier.report.context import ReportContext
    from verifier.report.terminal import Line

_STYLES: Final[dict[str, dict[str, object]]] = {
    "plain": {},
    "strong": {"bold": True},
    "good": {"bold": True, "fg": typer.colors.GREEN},
    "bad": {"bold": True, "fg": typer.colors.RED},
    "unsure": {"bold": True, "fg": typer.colors.YELLOW},
    "quiet": {"dim": True},
}


def run_and_print(request: CheckRequest, *, quiet: bool, progress_json: Path | None = None) -> int:
    """Run a check, show its progress on standard error, print its summary, and return the exit code."""
    from verifier.check import check
    from verifier.cli.progress import display

    with display(quiet=quiet, progress_json=progress_json) as shown:
        context = check(request, shown.show, shown.stage, None if quiet else shown.preliminary)
    if not quiet:
        for text in problem_lines(context):
            print(text, file=sys.stderr)
    print_summary(context)
    return context.exit_code


def print_summary(context: ReportContext) -> None:
    """Print the summary."""
    print_lines(summarise(context))


def print_lines(lines: Iterable[Line]) -> None:
    """Print lines; coloured on a terminal unless NO_COLOR is set (no-color.org)."""
    import os

    coloured = sys.stdout.isatty() and not os.environ.get("NO_COLOR")
    for line in lines:
        style = _STYLES[line.tone] if coloured else {}
        typer.echo(typer.style(line.text, **style) if style else line.text)  # type: ignore[arg-type]
