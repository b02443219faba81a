"""What reconciling costs, against the bare SQL join of the same tables, measured in the same run, turn by turn.

Run by hand, on a machine that does nothing else::

    python -m tests.benchmarks.reconcile [ROW ...] [--runs 5] [--folder DIR] [--scale 1.0]

Every measurement is a process of its own, timed from the opening of the manifests to the account, with its modules
loaded; nothing is scanned.

* million: 1,000,000 files a side, 10,000 of them different, against the join.
* relocated: the same with 100,000 files more at another place, against the join.
* ten: 10,000,000 files a side, 100,000 of them different and 100,000 more at another place, against 1,000,000 with a
  tenth of both; and its peak memory.

Without rows all are run; ten needs 10 GB of disk. Exit code 1 where something does not hold.
"""

from __future__ import annotations

import importlib
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.benchmarks.pairs import Result, Target, take_turns, time_result
from tests.benchmarks.program import Measured, measured_apart, peak_mb, run_rows_or_one
from tests.benchmarks.sides import Sides, join, make
from verifier.classes import Class, Side
from verifier.reconcile.options import ReconcileOptions
from verifier.reconcile.reconciler import reconcile
from verifier.rules.load import load_rules

if TYPE_CHECKING:
    from collections.abc import Sequence

MILLION: Final = 1_000_000
RELOCATED: Final = 100_000
AGAINST_JOIN: Final = Target(3.0, 2.0, at_most=True)
WITH_RELOCATED: Final = Target(12.0, 8.0, at_most=True)
TEN_TIMES: Final = Target(12.0, 10.0, at_most=True)
MOST_MB: Final = 400


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the manifests that are wanted, run the rows, print them; return 1 where something does not hold."""
    return run_rows_or_one(__doc__, {"million": _million, "relocated": _relocated, "ten": _ten}, _measure, arguments)


def _million(folder: Path, scale: float, runs: int) -> Result:
    return _against_join(folder, int(MILLION * scale), 0, runs)


def _relocated(folder: Path, scale: float, runs: int) -> Result:
    return _against_join(folder, int(MILLION * scale), int(RELOCATED * scale), runs)


def _against_join(folder: Path, files: int, relocated: int, runs: int) -> Result:
    sides = make(folder, files, relocated)
    pairs = take_turns(
        runs, lambda: _run("ours", sides).seconds, lambda: _run("join", sides).seconds, lambda: _run("join", sides)
    )
    what = f"reconciling {files:,} and {files:,} files" + (f", {relocated:,} relocated" if relocated else "")
    return time_result(what, pairs, WITH_RELOCATED if relocated else AGAINST_JOIN)


def _ten(folder: Path, scale: float, runs: int) -> Result:
    million = int(MILLION * scale)
    many, few = make(folder, million * 10, million // 10), make(folder, million, million // 100)
    peaks: list[float] = []

    def ours() -> float:
        measured = _run("ours", many)
        peaks.append(measured.peak_mb)
        return measured.seconds

    pairs = take_turns(runs, ours, lambda: _run("ours", few).seconds)
    times = time_result(f"reconciling {million * 10:,} and {million * 10:,} files", pairs, TEN_TIMES)
    most = max(peaks)
    fits = most < MOST_MB
    memory = f"peak memory {statistics.median(peaks):.0f} MB, at most {most:.0f}, under {MOST_MB} MB: "
    return Result((*times.lines, memory + ("holds" if fits else "does not hold")), times.holds and fits)


def _run(what: str, sides: Sides) -> Measured:
    return measured_apart("tests.benchmarks.reconcile", what, sides.old, sides.new)


def _measure(what: str, old: str, new: str) -> Measured:
    sides = Sides(Path(old), Path(new))
    if what == "join":
        started = time.perf_counter()
        join(sides.attached())
        seconds = time.perf_counter() - started
    else:
        importlib.import_module("sqlite_utils.migrations")  # what a process loads once is not what is measured here
        rules = load_rules()
        with tempfile.TemporaryDirectory(dir=sides.old.parent) as scratch:
            started = time.perf_counter()
            done = reconcile(sides.old, sides.new, Path(scratch) / "findings.sqlite", ReconcileOptions(rules))
            seconds = time.perf_counter() - started
        account = done.accounts[Side.OLD]
        assert account[Class.MISSING].files * 3 == account[Class.CONTENT_CHANGED].files * 2
    return Measured(seconds, peak_mb())


if __name__ == "__main__":
    sys.exit(main())
