"""What a night costs on which nothing has changed, against listing both sides, measured turn by turn.

Run by hand, on a machine that does nothing else; Linux only::

    python -m tests.benchmarks.nightly [--runs 5] [--folder DIR] [--scale 1.0]

Whole processes, their start included; medians of several pairs, and whether what is asked holds.

* unchanged: a nightly run over 200,000 files on each side, all known from the run before, with its comparison, report,
  ledger and history, against two scans that only list, one of each side, at the same time.

Exit code 1 where it does not hold.
"""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING, Final

from tests.benchmarks.pairs import Result, Target, stopwatch, take_turns, time_result
from tests.benchmarks.program import run_rows
from tests.benchmarks.programs import ENVIRONMENT, ScanCommand, run
from tests.benchmarks.trees import SMALL_FILES, Trees
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import LEDGER_FILE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

UNCHANGED: Final = Target(1.6, 1.3, at_most=True)


def unchanged(folder: Path, scale: float, runs: int) -> Result:
    """Go through nights on which nothing has changed."""
    trees = Trees(folder, scale)
    roots, files = (trees.small(), trees.copy_of_small()), trees.scaled(SMALL_FILES)
    job, evidence = folder / "migration.toml", folder / "evidence"
    job.write_text(
        f'name = "nights"\nphase = "frozen"\n[old]\nroot = "{roots[0]}"\n[new]\nroots = ["{roots[1]}"]\n'
        f'[evidence]\nfolder = "{evidence}"\n'
    )
    night = [sys.executable, "-m", "verifier", "nightly", str(job)]
    run(night)
    listings = [ScanCommand(root, trees.manifest(root.name), ("--listing-only",)) for root in roots]

    def list_both() -> float:
        for one in listings:
            one.clear()
        return stopwatch(lambda: _both(listings))

    def warm() -> None:
        for root in roots:
            run(["find", str(root), "-type", "f", "-exec", "cat", "{}", "+"])

    pairs = take_turns(runs, lambda: stopwatch(lambda: run(night)), list_both, warm)
    _expect_carried(evidence, files)
    for one in listings:
        one.clear()
    return time_result(f"a night over {files:,} unchanged files on each side", pairs, UNCHANGED)


def _both(scans: Sequence[ScanCommand]) -> None:
    """Run scans at the same time."""
    started = [subprocess.Popen(one.command, stdout=subprocess.DEVNULL, env=ENVIRONMENT) for one in scans]
    for one in started:
        if one.wait():
            raise RuntimeError(f"a listing ended with exit code {one.returncode}")


def _expect_carried(evidence: Path, files: int) -> None:
    """See that the last night finished, knew every file, and read none."""
    with Ledger.open(evidence / LEDGER_FILE) as ledger:
        last = ledger.last_finished()
    found = None if last is None else [(side.files, side.read_files) for side in last.sides.values()]
    if found != [(files, 0), (files, 0)]:
        raise RuntimeError(f"that was no night on which nothing changed: {found}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the row, print it; return 1 where it does not hold."""
    return run_rows(__doc__, {"unchanged": unchanged}, arguments)


if __name__ == "__main__":
    sys.exit(main())
