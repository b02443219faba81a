"""``verifier inspect``: one file's whole story."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from verifier.cli.options import read_path


def inspect(
    evidence: Annotated[
        Path, typer.Argument(parser=read_path, metavar="EVIDENCE", help="A folder that `verifier check` wrote.")
    ],
    path: Annotated[str, typer.Argument(metavar="PATH", help="A path of either side, below its root or whole.")],
) -> int:
    """Show one entry's whole story: what both sides hold, its class and why, and where its bytes differ, in hex.

    Example: verifier inspect proof-2026-11 herbarium/sheets/rosaceae/sheet-0403.png
    """
    from verifier.cli.show import print_lines
    from verifier.report.story import story

    print_lines(story(evidence, path))
    return 0
