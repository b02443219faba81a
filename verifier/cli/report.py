"""``verifier report``: write an evidence folder's report again."""

from __future__ import annotations

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
) -> int:
    """Write report.html, summary.json and differences.csv again from the evidence alone, and print the summary.

    The same evidence gives the same bytes. Exit code as of the check itself.

    Example: verifier report proof-2026-11
    """
    from verifier.cli.show import print_summary
    from verifier.report.write import write_report

    context = write_report(evidence)
    print_summary(context)
    return context.exit_code
