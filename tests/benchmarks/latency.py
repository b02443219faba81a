"""A share at the end of a slow network: every call takes 2 ms, so only several readers at once are fast."""

from __future__ import annotations

import statistics
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.benchmarks.pairs import Result, Target, judged, stopwatch, take_turns
from tests.benchmarks.programs import ScanCommand, facts, known
from tests.benchmarks.trees import FAR_FILES
from tests.faulty.mount import EVERYWHERE, Fault, faulty_mount

if TYPE_CHECKING:
    from tests.benchmarks.trees import Trees

LATENCY: Final = Target(5.0, 8.0)
DELAY_MS: Final = 2.0
REMEMBER_S: Final = 1.0
"""How long the system may keep names and facts without asking again: FUSE's own default (mount.fuse(8)), and less than
network shares are given. With 0 every step of every path is asked for again, and one reader is three times slower."""


def latency(trees: Trees, runs: int) -> Result:
    """Scan a share with the number of readers that is found by trying, against one reader."""
    source, files = trees.far(), trees.scaled(FAR_FILES)
    settled: list[str] = []

    def scan(readers: str) -> float:
        with tempfile.TemporaryDirectory(prefix="verifier-far-") as place:
            # Mounted anew each time, so that the system remembers nothing of the scan before.
            with faulty_mount(source, Path(place), {EVERYWHERE: Fault(delay_ms=DELAY_MS)}, REMEMBER_S) as mount:
                command = ScanCommand(mount.point, trees.manifest("far"), ("--readers", readers))
                command.clear()
                seconds = stopwatch(command.run)
            if (found := known(command.manifest, "proved").files) != files:
                raise RuntimeError(f"{found:,} files proved, not {files:,}")
            if readers == "auto":
                settled.append(facts(command.manifest)["readers"])
            command.clear()
        return seconds

    pairs = take_turns(runs, lambda: scan("auto"), lambda: scan("1"))
    ours, floor = zip(*pairs, strict=True)
    seconds = f"{statistics.median(ours):.2f} s against {statistics.median(floor):.2f} s"
    medians = f"{seconds}; settled on {', '.join(settled)} readers"
    ratios = [pair.floor / pair.ours for pair in pairs]
    return judged(f"{files:,} files at {DELAY_MS:g} ms a call", "times as fast as one reader", ratios, medians, LATENCY)
