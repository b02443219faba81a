"""What writing the report of a finished check costs, measured in processes of their own, turn by turn.

Run by hand, on a machine that does nothing else::

    python -m tests.benchmarks.report [ROW ...] [--runs 5] [--folder DIR] [--scale 1.0]

Every measurement is timed from the opening of the findings until the last file is on the disk, with its modules loaded;
nothing is scanned or reconciled. The findings are made once, without chance, and out of order.

* million: the whole report of 1,000,000 findings, against the bare query of their rows in order and the standard
  library's CSV writer; and its seconds, and the size of its page.
* memory: peak memory of the report of 1,000,000 findings, against that of 100,000.

Without rows all are run. Exit code 1 where something does not hold.
"""

from __future__ import annotations

import csv
import importlib
import os
import statistics
import sys
import time
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tests.benchmarks.pairs import Result, Target, judged, take_turns, time_result
from tests.benchmarks.program import Measured, measured_apart, peak_mb, run_rows_or_one
from tests.report.evidence import finding, written
from verifier.classes import Cause, Class
from verifier.evidence import FINDINGS_FILE, PAGE_FILE, TABLE_FILE
from verifier.reconcile.findings import Findings
from verifier.report.write import write_report

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from verifier.reconcile.findings import Finding

MILLION: Final = 1_000_000
AGAINST_QUERY: Final = Target(2.7, 1.5, at_most=True)
GROWTH: Final = Target(1.15, 1.05, at_most=True)
MOST_S: Final = 10.0
MOST_PAGE_MB: Final = 3.0
MOST_MB: Final = 100.0
MB: Final = 10**6
ROWS_IN_ORDER: Final = """
SELECT "class", cause, severity, old_path, new_path, old_size, new_size, old_mtime_ns, new_mtime_ns, fields, rule,
       group_path, marks
FROM findings ORDER BY coalesce(old_path, ''), coalesce(new_path, ''), id
"""
PLACES: Final = ("herbarium/sheets", "field notes", "Herbarium Süd/Bögen")
FAMILIES: Final = ("Asteraceae", "Orchidaceae", "Fabaceae", "Rubiaceae", "Poaceae", "Lamiaceae", "Araceae", "Rosaceae")
CABINETS: Final = 1009
FIRST_NS: Final = 1_100_000_000_123_456_789
STEP_NS: Final = 600_000_000_007
"""Between the times of two files: a million of them take nineteen years."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the findings that are wanted, run the rows, print them; return 1 where something does not hold."""
    return run_rows_or_one(__doc__, {"million": _million, "memory": _memory}, _measure, arguments)


def _million(folder: Path, scale: float, runs: int) -> Result:
    number = int(MILLION * scale)
    evidence = _made(folder, number)
    pairs = take_turns(
        runs,
        lambda: _run("report", evidence, number).seconds,
        lambda: _run("query", evidence, number).seconds,
        lambda: _warm(evidence),
    )
    page_mb = (evidence / PAGE_FILE).stat().st_size / MB
    return _together(
        time_result(f"report of {number:,} findings", pairs, AGAINST_QUERY),
        _under("seconds, median", statistics.median(pair.ours for pair in pairs), MOST_S, "s"),
        _under("page", page_mb, MOST_PAGE_MB, "MB"),
    )


def _memory(folder: Path, scale: float, runs: int) -> Result:
    number = int(MILLION * scale)
    many, few = _made(folder, number), _made(folder, number // 10)
    pairs = take_turns(
        runs, lambda: _run("report", many, number).peak_mb, lambda: _run("report", few, number // 10).peak_mb
    )
    ours, floor = (statistics.median(side) for side in zip(*pairs, strict=True))
    return _together(
        judged(
            f"peak memory of {number:,} findings",
            f"of that of {number // 10:,}",
            [pair.ours / pair.floor for pair in pairs],
            f"{ours:.0f} MB against {floor:.0f} MB",
            GROWTH,
        ),
        _under("greatest peak", max(pair.ours for pair in pairs), MOST_MB, "MB"),
    )


def _under(what: str, value: float, limit: float, unit: str) -> Result:
    """Judge a value that must stay under a limit."""
    holds = value < limit
    line = f"{what}: {value:.2f} {unit}, under {limit:g} {unit}: {'holds' if holds else 'does not hold'}"
    return Result((line,), holds)


def _together(*results: Result) -> Result:
    """Return one result of several that are about the same row."""
    return Result(tuple(chain.from_iterable(one.lines for one in results)), all(one.holds for one in results))


def _made(folder: Path, number: int) -> Path:
    """Return an evidence folder with so many findings; made once, by a process that is gone when others are measured.

    The most memory that a process has had counts as that of the programs that it starts, too (getrusage(2)).
    """
    evidence = folder / f"findings-{number}"
    if not evidence.exists():
        part = evidence.with_suffix(".part")
        part.mkdir(exist_ok=True)
        (part / FINDINGS_FILE).unlink(missing_ok=True)
        print(f"writing {number:,} findings ...", flush=True)
        _run("make", part, number)
        part.rename(evidence)
    return evidence


def _warm(evidence: Path) -> None:
    """Bring the findings into memory, and let nothing that was written before fall into what is measured."""
    os.sync()
    with (evidence / FINDINGS_FILE).open("rb") as file:
        while file.read(MB):
            pass


def _run(what: str, evidence: Path, number: int) -> Measured:
    return measured_apart("tests.benchmarks.report", what, evidence, number)


def _measure(what: str, folder: str, count: str) -> Measured:
    evidence, number = Path(folder), int(count)
    importlib.import_module("verifier.report.page")  # what a process loads once is not what is measured here
    started = time.perf_counter()
    if what == "make":
        with written(evidence, made_up(number)):
            pass
    elif what == "query":
        _query(evidence)
    else:
        write_report(evidence)
    seconds = time.perf_counter() - started
    peak = peak_mb()
    if what == "report":
        _look_at(evidence, number)
    return Measured(seconds, peak)


def _query(evidence: Path) -> None:
    """Write the rows as they are, in order, by nothing but SQLite and the standard library, and remove them again."""
    place = evidence / "rows.csv"
    with Findings.open(evidence / FINDINGS_FILE) as findings, place.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(findings.connection.execute(ROWS_IN_ORDER))
        file.flush()
        os.fsync(file.fileno())
    place.unlink()


def _look_at(evidence: Path, number: int) -> None:
    """Look whether the table holds what it should: a fast report that says less would be no report.

    Raises:
        RuntimeError: If it does not.
    """
    with (evidence / TABLE_FILE).open(encoding="utf-8", newline="") as file:
        found = sum(1 for _ in csv.reader(file)) - 1
    if found != number:
        raise RuntimeError(f"{found:,} rows in the table, not {number:,}")


def made_up(number: int) -> Iterator[Finding]:
    """Yield findings about the scans and notes of a botanical garden, the same ones each time.

    Of ten 4 are missing (one of them in a folder that is lost as a whole), 2 have other content, 2 other metadata,
    1 is extra and 1 is set aside. Every file has a time of its own; a third of the names are not plain ASCII.
    """
    for count in range(number):
        folder = f"{PLACES[count % 3]}/{FAMILIES[count % 8]}/cabinet-{count % CABINETS:04}"
        yield _finding(count, folder, f"{folder}/sheet-{count:07}.tif")


def _finding(count: int, folder: str, path: str) -> Finding:
    size, when = 5000 + count % 90_000, FIRST_NS + count * STEP_NS
    old: dict[str, Any] = {"old_size": size, "old_mtime_ns": when}
    new: dict[str, Any] = {"new_size": size, "new_mtime_ns": when}
    kind = count % 10
    if kind < 4:
        lost = "on the old side only; its content is nowhere unclaimed on the new side"
        return finding(Class.MISSING, path, **old, reason=lost, group_path=None if kind else folder)
    if kind < 6:
        damaged = "same size, other bytes; read again, they differ from byte 4,099 on, 1 byte in 1 range"
        return finding(Class.CONTENT_CHANGED, path, path, **old, **new, cause=Cause.SILENT.value, reason=damaged)
    if kind < 8:
        marks = {"fields": "mtime;mode", "marks": "mode 420 384", "reason": "same content, mtime and mode differ"}
        return finding(Class.METADATA_ONLY, path, path, **old, **(new | {"new_mtime_ns": when + STEP_NS}), **marks)
    if kind < 9:
        return finding(Class.EXTRA, None, path, **new)
    return finding(Class.CLUTTER, path, **old, rule="previews")


if __name__ == "__main__":
    sys.exit(main())
