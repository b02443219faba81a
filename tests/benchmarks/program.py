"""What every benchmark program does: read what is asked, make room, run the rows and print what they came to."""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import psutil

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tests.benchmarks.pairs import Result

    Row = Callable[[Path, float, int], Result]
    """A measurement: where its things lie or are made, the share of the full sizes, and how many pairs."""

BUSY_PERCENT: Final = 10.0


def run_rows(description: str | None, rows: Mapping[str, Row], arguments: Sequence[str] | None) -> int:
    """Run the rows that are asked for, print them; return 1 where something does not hold.

    Args:
        description: What the program measures, as its help says it.
        rows: By name.
        arguments: Of the command line; None for the process's own.
    """
    parser = argparse.ArgumentParser(description=description, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rows", nargs="*", metavar="ROW", help=f"{', '.join(rows)}; all of them by default")
    parser.add_argument("--runs", type=int, default=5, help="pairs of each row (default: 5)")
    parser.add_argument("--folder", type=Path, help="where things are made, or lie from an earlier run; kept")
    parser.add_argument("--scale", type=float, default=1.0, help="share of the full sizes, to see whether all works")
    given = parser.parse_args(arguments)
    if unknown := [row for row in given.rows if row not in rows]:
        parser.error(f"no such row: {', '.join(unknown)}")
    with ExitStack() as stack:
        folder: Path = given.folder or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="verifier-bench-")))
        if given.scale != 1:
            folder /= f"scale-{given.scale:g}"
        folder.mkdir(parents=True, exist_ok=True)
        print(surroundings(), flush=True)
        results = [_shown(row, rows[row](folder, given.scale, given.runs)) for row in given.rows or rows]
    return 0 if all(result.holds for result in results) else 1


class Measured(NamedTuple):
    """What one measurement in a process of its own came to."""

    seconds: float
    peak_mb: float


def run_rows_or_one(
    description: str | None,
    rows: Mapping[str, Row],
    measure: Callable[..., Measured],
    arguments: Sequence[str] | None,
) -> int:
    """Do what `run_rows` does; with ``--one``, be the process of one measurement and print what it came to.

    Args:
        description: As for `run_rows`.
        rows: As for `run_rows`.
        measure: Called with what `measured_apart` was given, as text.
        arguments: As for `run_rows`.
    """
    given = sys.argv[1:] if arguments is None else list(arguments)
    if given[:1] == ["--one"]:
        print(json.dumps(measure(*given[1:])))
        return 0
    return run_rows(description, rows, given)


def measured_apart(module: str, *what: object) -> Measured:
    """Have a benchmark program measure something in a process of its own."""
    command = [sys.executable, "-m", module, "--one", *map(str, what)]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    return Measured(*json.loads(done.stdout))


def peak_mb() -> float:
    """Return the most memory that this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000


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
