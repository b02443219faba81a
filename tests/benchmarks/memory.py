"""Memory of all processes of a scan together, of a large tree against a small one: nothing may grow with the tree."""

from __future__ import annotations

import statistics
import subprocess
import time
from typing import TYPE_CHECKING, Final

from tests.benchmarks.pairs import Pair, Result, Target, judged, take_turns
from tests.benchmarks.programs import Memory, ScanCommand, Session, known
from tests.benchmarks.trees import FEW_ENTRIES, MANY_ENTRIES

if TYPE_CHECKING:
    from tests.benchmarks.trees import Trees

GROWTH: Final = Target(1.15, 1.0, at_most=True)
MOST_MB: Final = 300
SAMPLE_EVERY_S: Final = 0.05
MB: Final = 10**6


def memory(trees: Trees, runs: int) -> Result:
    """Compare the peaks of the sum over all processes, server of the readers included."""
    peaks: dict[int, list[Memory]] = {FEW_ENTRIES: [], MANY_ENTRIES: []}

    def measure(entries: int) -> float:
        scan = ScanCommand(trees.named(entries), trees.manifest("memory"))
        scan.clear()
        peak = peak_of(scan.command)
        if (found := known(scan.manifest, "proved").files) != trees.scaled(entries):
            raise RuntimeError(f"{found:,} files proved, not {trees.scaled(entries):,}")
        scan.clear()
        peaks[entries].append(peak)
        return peak.pss / MB

    pairs: list[Pair] = take_turns(runs, lambda: measure(MANY_ENTRIES), lambda: measure(FEW_ENTRIES))
    many, few = trees.scaled(MANY_ENTRIES), trees.scaled(FEW_ENTRIES)
    ours, floor = (statistics.median(side) for side in zip(*pairs, strict=True))
    grown = judged(
        f"peak memory of {many:,} files",
        f"of that of {few:,}",
        [pair.ours / pair.floor for pair in pairs],
        f"{ours:.0f} MB against {floor:.0f} MB (PSS, shared pages counted once)",
        GROWTH,
    )
    most = max(pair.ours for pair in pairs)
    fits = most < MOST_MB
    rss = statistics.median(peak.rss for peak in peaks[MANY_ENTRIES]) / MB
    size = f"greatest peak {most:.0f} MB, under {MOST_MB} MB: {'holds' if fits else 'does not hold'}"
    return Result((*grown.lines, f"{size} (sum of RSS: {rss:.0f} MB)"), grown.holds and fits)


def peak_of(command: list[str]) -> Memory:
    """Run a command and return the greatest sums over all its processes, looked at every 50 ms.

    Raises:
        subprocess.CalledProcessError: If it fails.
    """
    pss = rss = 0
    with Session(command) as session:
        while session.leader.poll() is None:
            now = session.memory()
            pss, rss = max(pss, now.pss), max(rss, now.rss)
            time.sleep(SAMPLE_EVERY_S)
        if session.leader.returncode:
            raise subprocess.CalledProcessError(session.leader.returncode, command)
    return Memory(pss, rss)
