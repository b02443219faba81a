"""``verifier demo``: the main job on the sample trees, in a scratch folder."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

import typer

from verifier.cli.options import Quiet, read_path
from verifier.errors import UsageProblem


def demo(
    folder: Annotated[
        Path | None,
        typer.Option(
            "--folder",
            parser=read_path,
            metavar="DIR",
            help="Where to lay everything out; new or empty. Default: a new one.",
        ),
    ] = None,
    quiet: Quiet = False,
) -> int:
    """Check the sample trees: a herbarium that was moved from an old server to a new one, with every fault planted.

    Lays both trees out in a scratch folder, runs the real check and holds its findings against what was planted.
    Exit code 0: every planted difference was found and classed as planted. 1: not so.

    Example: verifier demo
    """
    from verifier.check import CheckRequest, check
    from verifier.cli.progress import display
    from verifier.cli.show import print_summary
    from verifier.demo import lay_out, somebody_at_work
    from verifier.demo.holding import unlike
    from verifier.evidence import FINDINGS_FILE
    from verifier.rules.load import load_rules

    scratch = _scratch(folder)
    trees = lay_out(scratch)
    request = CheckRequest(
        trees.old,
        trees.new,
        scratch / "evidence",
        rules=load_rules(),
        frozen_at=trees.frozen_at,
        live_since=trees.live_since,
    )
    with display(quiet=quiet) as shown, somebody_at_work(trees):
        context = check(request, shown.show, shown.stage, shown.preliminary)
    print_summary(context)
    print()
    wrong = unlike(trees.expected, context.evidence / FINDINGS_FILE)
    if not wrong:
        print(f"All {len(trees.expected)} planted differences were found and classed as planted, and nothing else.")
    for line in wrong:
        print(line)
    return 1 if wrong else 0


def _scratch(folder: Path | None) -> Path:
    if folder is None:
        return Path(tempfile.mkdtemp(prefix="verifier-demo-"))
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageProblem(f"{folder} is there and not an empty folder", "name a new one")
    return folder
