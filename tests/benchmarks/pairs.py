"""Measurements in pairs, and what is asked of them.

Ours and the floor are measured turn by turn, and a ratio is taken of each pair: a machine that is busy for a while
slows both halves of a pair. Only medians of ratios mean anything; the seconds are there to be recognised.
"""

from __future__ import annotations

import statistics
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


class Pair(NamedTuple):
    """One measurement of both, in the same unit."""

    ours: float
    floor: float


@dataclass(frozen=True, slots=True)
class Target:
    """What is asked of a median ratio."""

    limit: float
    """It must not be on the wrong side of this."""
    reach: float
    """Where it should get."""
    at_most: bool = False
    """Whether a smaller ratio is the better one."""

    def holds(self, ratio: float) -> bool:
        """Tell whether a ratio is good enough."""
        return ratio <= self.limit if self.at_most else ratio >= self.limit

    def line(self, ratio: float) -> str:
        """Say what is asked, and whether it holds."""
        bound = "at most" if self.at_most else "at least"
        return f"{bound} {self.limit:g}, reach for {self.reach:g}: {'holds' if self.holds(ratio) else 'does not hold'}"


@dataclass(frozen=True, slots=True)
class Result:
    """What a row came to."""

    lines: tuple[str, ...]
    """What to print; the first names the row."""
    holds: bool
    """Whether everything that is asked holds."""


def stopwatch(run: Callable[[], object]) -> float:
    """Return the wall seconds that a call takes."""
    started = time.perf_counter()
    run()
    return time.perf_counter() - started


def take_turns(
    runs: int, ours: Callable[[], float], floor: Callable[[], float], warm: Callable[[], object] | None = None
) -> list[Pair]:
    """Measure both so many times; who goes first changes from pair to pair.

    Args:
        runs: How many pairs.
        ours: Returns our measurement.
        floor: Returns the floor's.
        warm: Called before each pair to bring into memory what is read; then a first pair does not count, either.
    """
    prepare = warm or (lambda: None)
    if warm is not None:
        warm()
        ours()
        floor()
    pairs = []
    for number in range(runs):
        prepare()
        if number % 2:
            against = floor()
            pairs.append(Pair(ours(), against))
        else:
            pairs.append(Pair(ours(), floor()))
    return pairs


def spread(values: Sequence[float]) -> str:
    """Return median, least and greatest as text."""
    middle, least, greatest = statistics.median(values), min(values), max(values)
    return f"{middle:.2f} (from {least:.2f} to {greatest:.2f} in {len(values)})"


def judged(name: str, of_what: str, ratios: Sequence[float], medians: str, target: Target) -> Result:
    """Return a row's result.

    Args:
        name: What was measured.
        of_what: What the ratio is one of, for example "of the floor's rate".
        ratios: One for each pair.
        medians: Medians of both sides, as text.
        target: What is asked of the ratios' median.
    """
    middle = statistics.median(ratios)
    return Result(
        (f"{name}: {spread(ratios)} {of_what}", f"medians {medians}", target.line(middle)), target.holds(middle)
    )


def rate_result(name: str, pairs: Sequence[Pair], work: tuple[float, str], target: Target) -> Result:
    """Compare rates: pairs are seconds, and a ratio of 2 is twice the floor's rate.

    Args:
        name: What was measured.
        pairs: Seconds.
        work: How much both did, and its unit: 200,000 files.
        target: What is asked.
    """
    amount, unit = work
    ours, floor = (statistics.median(side) for side in zip(*pairs, strict=True))
    digits = 0 if amount / ours > 1000 else 2
    rates = [f"{amount / seconds:,.{digits}f} {unit}/s" for seconds in (ours, floor)]
    medians = f"{ours:.2f} s ({rates[0]}) against {floor:.2f} s ({rates[1]})"
    return judged(name, "of the floor's rate", [pair.floor / pair.ours for pair in pairs], medians, target)


def time_result(name: str, pairs: Sequence[Pair], target: Target) -> Result:
    """Compare times: pairs are seconds, and a ratio of 2 is twice the floor's time."""
    ours, floor = (statistics.median(side) for side in zip(*pairs, strict=True))
    medians = f"{ours:.2f} s against {floor:.2f} s"
    return judged(name, "of the floor's time", [pair.ours / pair.floor for pair in pairs], medians, target)
