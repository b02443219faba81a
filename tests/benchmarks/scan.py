"""What a scan costs, each row against a floor measured in the same run, turn by turn.

Run by hand, on a machine that does nothing else; Linux only::

    python -m tests.benchmarks.scan [ROW ...] [--runs 5] [--folder DIR] [--scale 1.0]

Every row is measured as a whole process, its start included; medians of several pairs, and whether what is asked holds.

* small: 200,000 files of 5 KB on average, warm, into a manifest, against find, xargs and two sha256sum.
* large: 8 files of 256 MiB, warm, against two threads that only read and hash with BLAKE3.
* single: one file of 2 GiB, warm, against BLAKE3 with its own threads, the faster of reading and mapping.
* listing: names and facts of the 200,000, against one process with os.scandir and lstat.
* reuse: the 200,000 unchanged since an earlier manifest, against a listing.
* latency: 4,000 files on a mount where every call takes 2 ms: readers found by trying, against one reader. Needs root,
  FUSE and mfusepy.
* memory: peak of all processes together, 1,000,000 files against 100,000.
* restart: killed at a random instant and started again, 50 times, against the undisturbed scan's fingerprint.

Without rows all are run. Exit code 1 where something does not hold.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Final

import psutil

from tests.benchmarks import latency, memory, restart, speed
from tests.benchmarks.trees import Trees

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tests.benchmarks.pairs import Result

ROWS: Final[dict[str, Callable[[Trees, int], Result]]] = {
    "small": speed.small,
    "large": speed.large,
    "single": speed.single,
    "listing": speed.listing,
    "reuse": speed.reuse,
    "latency": latency.latency,
    "memory": memory.memory,
    "restart": restart.restart,
}
BUSY_PERCENT: Final = 10.0


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the trees that are wanted, run the rows, print them; return 1 where something does not hold."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rows", nargs="*", metavar="ROW", help=f"{', '.join(ROWS)}; all of them by default")
    parser.add_argument("--runs", type=int, default=5, help="pairs of each row (default: 5)")
    parser.add_argument("--folder", type=Path, help="where the trees are made, or lie from an earlier run; kept")
    parser.add_argument("--scale", type=float, default=1.0, help="share of the full sizes, to see whether all works")
    given = parser.parse_args(arguments)
    if unknown := [row for row in given.rows if row not in ROWS]:
        parser.error(f"no such row: {', '.join(unknown)}")
    with ExitStack() as stack:
        folder: Path = given.folder or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="verifier-bench-")))
        if given.scale != 1:
            folder /= f"scale-{given.scale:g}"
        folder.mkdir(parents=True, exist_ok=True)
        print(surroundings(), flush=True)
        results = [_shown(row, ROWS[row](Trees(folder, given.scale), given.runs)) for row in given.rows or ROWS]
    return 0 if all(result.holds for result in results) else 1


def _shown(row: str, result: Result) -> Result:
    first, *more = result.lines
    print(f"{row}: {first}", *(f"    {line}" for line in more), sep="\n", flush=True)
    return result


def surroundings() -> str:
    """Say on what the measurements are made, and whether others use it."""
    busy = psutil.cpu_percent(2.0)
    warning = "; others use this machine, the numbers mean little" if busy > BUSY_PERCENT else ""
    return (
        f"{os.cpu_count()} processors, Python {platform.python_version()}, {platform.system()} {platform.release()}; "
        f"{busy:.0f} % busy before the beginning{warning}"
    )


if __name__ == "__main__":
    sys.exit(main())
