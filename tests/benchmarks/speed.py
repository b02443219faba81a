"""Rows that compare times and rates on a local disk, everything in memory already.

Each is measured as a whole process, its start included, and looked at afterwards: a fast scan that read less would be
no scan. Where the floor takes less than a second, what starting takes says more than what reading takes. Such rows are
given twice, as whole processes and beyond the start, which is what both take for one empty file in the same run.
"""

from __future__ import annotations

import shlex
import statistics
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final

from tests.benchmarks.pairs import Pair, Result, Target, rate_result, stopwatch, take_turns, time_result
from tests.benchmarks.programs import ScanCommand, floor_command, known, run
from tests.benchmarks.trees import LARGE_BYTES, LARGE_FILES, MIB, SINGLE_BYTES, SMALL_FILES

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from tests.benchmarks.trees import Trees

SMALL: Final = Target(1.0, 1.4)
LARGE: Final = Target(0.92, 0.97)
SINGLE: Final = Target(0.7, 0.9)
LISTING: Final = Target(0.6, 1.0)
REUSE: Final = Target(1.6, 1.2, at_most=True)
GB: Final = 10**9
START_RUNS: Final = 5


def small(trees: Trees, runs: int) -> Result:
    """Scan many small files, against a pipeline of programs that every system has."""
    root, files = trees.small(), trees.scaled(SMALL_FILES)
    pipeline = f"cd {shlex.quote(str(root))} && find -type f -print0 | xargs -0 -P2 -n500 sha256sum"
    scan = ScanCommand(root, trees.manifest("small"))
    pairs = take_turns(runs, _timed(scan), lambda: stopwatch(lambda: run(pipeline)), _warm(root))
    _expect(scan, "proved", files)
    return rate_result(f"{files:,} small files", pairs, (files, "files"), SMALL)


def large(trees: Trees, runs: int) -> Result:
    """Scan a few large files, against two threads that only read and hash."""
    root = trees.large()
    paths = sorted(root.iterdir())
    scan = ScanCommand(root, trees.manifest("large"))
    floor = floor_command("two-threads", *paths)
    pairs = take_turns(runs, _timed(scan), lambda: stopwatch(lambda: run(floor)), _warm(root))
    _expect(scan, "proved", len(paths))
    size = sum(path.stat().st_size for path in paths)
    name = f"{LARGE_FILES} files of {trees.scaled(LARGE_BYTES) // MIB} MiB"
    start = _start(trees, lambda empty: floor_command("two-threads", empty))
    return _twice(name, pairs, start, (size / GB, "GB"), LARGE)


def single(trees: Trees, runs: int) -> Result:
    """Scan one very large file, against the faster of two ways of hashing it with BLAKE3's own threads."""
    root = trees.single()
    (path,) = root.iterdir()
    scan = ScanCommand(root, trees.manifest("single"))
    ways = [floor_command("split-read", path), floor_command("split-map", path)]

    def floor() -> float:
        return min(stopwatch(partial(run, way)) for way in ways)

    pairs = take_turns(runs, _timed(scan), floor, _warm(root))
    _expect(scan, "proved", 1)
    name = f"one file of {trees.scaled(SINGLE_BYTES) // MIB} MiB"
    start = _start(trees, lambda empty: floor_command("split-read", empty))
    return _twice(name, pairs, start, (trees.scaled(SINGLE_BYTES) / GB, "GB"), SINGLE)


def listing(trees: Trees, runs: int) -> Result:
    """List many files, against one process that asks for nothing but names and facts."""
    root, files = trees.small(), trees.scaled(SMALL_FILES)
    scan = ScanCommand(root, trees.manifest("listing"), ("--listing-only",))
    floor = floor_command("listing", root)
    pairs = take_turns(runs, _timed(scan), lambda: stopwatch(lambda: run(floor)), _warm(root))
    _expect(scan, "listed", files)
    start = _start(trees, lambda empty: floor_command("listing", empty.parent), "--listing-only")
    return _twice(f"listing of {files:,} files", pairs, start, (files, "files"), LISTING)


def reuse(trees: Trees, runs: int) -> Result:
    """Scan what has not changed since the last scan, against a listing."""
    root, files = trees.small(), trees.scaled(SMALL_FILES)
    earlier = ScanCommand(root, trees.manifest("earlier"))
    earlier.clear()
    earlier.run()
    again = ScanCommand(root, trees.manifest("reuse"), ("--reuse", str(earlier.manifest)))
    listed = ScanCommand(root, trees.manifest("listing"), ("--listing-only",))
    pairs = take_turns(runs, _timed(again), _timed(listed), _warm(root))
    _expect(again, "carried", files)
    _expect(listed, "listed", files)
    earlier.clear()
    return time_result(f"{files:,} unchanged files with --reuse", pairs, REUSE)


def _start(trees: Trees, floor: Callable[[Path], list[str]], *options: str) -> Pair:
    """Return what both take for one empty file."""
    root = trees.almost_empty()
    scan, command = ScanCommand(root, trees.manifest("start"), options), floor(root / "empty")
    pairs = take_turns(START_RUNS, _timed(scan), lambda: stopwatch(lambda: run(command)), _warm(root))
    scan.clear()
    return Pair(*(statistics.median(side) for side in zip(*pairs, strict=True)))


def _twice(name: str, pairs: Sequence[Pair], start: Pair, work: tuple[float, str], target: Target) -> Result:
    """Judge a row beyond the start, and say what it is as whole processes."""
    whole = rate_result(f"{name}, whole processes", pairs, work, target)
    beyond = [Pair(pair.ours - start.ours, pair.floor - start.floor) for pair in pairs]
    result = rate_result(f"{name}, beyond the start", beyond, work, target)
    started = f"the start, one empty file: {start.ours:.2f} s against {start.floor:.2f} s"
    return replace(result, lines=(*result.lines, *whole.lines[:2], started))


def _timed(scan: ScanCommand) -> Callable[[], float]:
    """Return what times a scan into a manifest that is not there yet."""

    def measure() -> float:
        scan.clear()
        return stopwatch(scan.run)

    return measure


def _warm(root: Path) -> Callable[[], None]:
    """Return what brings all content and facts of a tree into memory."""
    return lambda: run(["find", str(root), "-type", "f", "-exec", "cat", "{}", "+"])


def _expect(scan: ScanCommand, state: str, files: int) -> None:
    """Look whether a scan left what it should, and clear up.

    Raises:
        RuntimeError: If it did not.
    """
    found = known(scan.manifest, state).files
    if found != files:
        raise RuntimeError(f"{scan.manifest}: {found:,} files {state}, not {files:,}")
    scan.clear()
