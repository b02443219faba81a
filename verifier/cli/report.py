"""``verifier report``: write an evidence folder's report again, and open it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from verifier.cli.options import read_path


def report(
    evidence: Annotated[
        Path,
        typer.Argument(
            parser=read_path,
            metavar="DIR",
            help="A folder that `verifier check` wrote.",
        ),
    ],
    open_it: Annotated[bool, typer.Option("--open", help="Open report.html in this desktop's browser.")] = False,
) -> int:
    """Write report.html, summary.md (for a ticket), summary.json and differences.csv again, and print the summary.

    From the evidence alone: the same evidence gives the same bytes. Exit code as of the check itself.

    Example: verifier report proof-2026-11 --open
    """
    from verifier import clock
    from verifier.cli.show import print_summary
    from verifier.decisions.covering import ended_since
    from verifier.evidence import PAGE_FILE
    from verifier.manifest.database import named
    from verifier.report.again import write_again

    context = write_again(evidence)
    if context.signoff is None:  # what is signed counted what held when it was
        for line in ended_since(context.accepted, clock.now()):
            print(f"verifier: {line}", file=sys.stderr)
    print_summary(context)
    page = (evidence / PAGE_FILE).absolute()
    if open_it and not _open(page):
        print(f"verifier: no browser could be started here; the report is {named(page)}", file=sys.stderr)
    return context.exit_code


def _open(page: Path) -> bool:
    """Open a page in the browser that the desktop, or BROWSER, names; tell whether there is one."""
    import webbrowser

    sys.stdout.flush()  # a browser in this terminal writes after the summary
    try:
        return webbrowser.open(page.as_uri())
    except (OSError, ValueError, webbrowser.Error):  # also what BROWSER says may make no sense
        return False
