"""Printing a finished report's summary on standard output."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Final

import typer

from verifier.report.context import FINDINGS_FILE
from verifier.report.terminal import summarise

if TYPE_CHECKING:
    from verifier.report.context import ReportContext

_STYLES: Final[dict[str, dict[str, object]]] = {
    "plain": {},
    "strong": {"bold": True},
    "good": {"bold": True, "fg": typer.colors.GREEN},
    "bad": {"bold": True, "fg": typer.colors.RED},
    "unsure": {"bold": True, "fg": typer.colors.YELLOW},
    "quiet": {"dim": True},
}


def print_summary(context: ReportContext) -> None:
    """Print the summary; coloured on a terminal unless NO_COLOR is set (no-color.org)."""
    import os

    from verifier.reconcile.findings import Findings

    coloured = sys.stdout.isatty() and not os.environ.get("NO_COLOR")
    with Findings.open(context.evidence / FINDINGS_FILE) as findings:
        for line in summarise(context, findings):
            style = _STYLES[line.tone] if coloured else {}
            typer.echo(typer.style(line.text, **style) if style else line.text)  # type: ignore[arg-type]
