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

import sys
from typing import TYPE_CHECKING, Final

from tests.benchmarks import latency, memory, restart, speed
from tests.benchmarks.program import run_rows
from tests.benchmarks.trees import Trees

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tests.benchmarks.pairs import Result
    from tests.benchmarks.program import Row

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


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the trees that are wanted, run the rows, print them; return 1 where something does not hold."""

    def on_trees(measure: Callable[[Trees, int], Result]) -> Row:
        return lambda folder, scale, runs: measure(Trees(folder, scale), runs)

    return run_rows(__doc__, {name: on_trees(measure) for name, measure in ROWS.items()}, arguments)


if __name__ == "__main__":
    sys.exit(main())
