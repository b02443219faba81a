"""The two plots of the history: how much was read in time, and how much stood in the way.

Positions across are percent of a plot's width, so that one drawing is legible on a phone and on a desk; heights are CSS
pixels.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.classes import Side
from verifier.ledger.nights import Night, day_text, share, share_text
from verifier.ledger.standing import JUDGED, Standing

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from verifier.ledger.axis import Axis

MOST_DOTS: Final = 45
"""Points of a line that are dotted; more would cover it."""
COVERAGE_HEIGHT: Final = 150
PROBLEMS_HEIGHT: Final = 120
UNITS: Final = 1000
"""Across the paths, which are stretched to the plot."""
_LABEL_GAP: Final = 15
"""Between two labels at a line's end, pixels."""
_LINEAR_UP_TO: Final = 20
_TEN_TIMES: Final = "From 10 on, each line across stands for ten times as many as the one below it."


class Level(NamedTuple):
    """A line across, with what it stands for."""

    y: float
    label: str


@dataclass(frozen=True, slots=True)
class Line:
    """One side's coverage."""

    side: Side
    path: str
    dots: tuple[tuple[float, float], ...]
    """Percent across, and pixels from the top."""
    end_y: float
    """Where its label at the right stands."""
    end: str
    """Its last share; empty where the side was given up before."""
    key: str
    """What it is of."""


class Bar(NamedTuple):
    """Problems of one place: all, and of them new or worse ones, each from the bottom."""

    x: float
    width: float
    all_height: float
    new_height: float


@dataclass(frozen=True, slots=True)
class Chart:
    """One plot."""

    height: int
    levels: tuple[Level, ...]
    words: str
    """What it shows, for whoever does not see it."""
    lines: tuple[Line, ...] = ()
    bars: tuple[Bar, ...] = ()
    outline: str = ""
    """Around bars that stand side by side, so that few of them are seen where each is thin."""
    scale: str = ""
    """What has to be said about its scale."""


@dataclass(slots=True)
class Place:
    """What is drawn at one place across: the worst of its runs."""

    shares: dict[Side, Fraction]
    all: int = -1
    """-1 where no run of it finished."""
    new: int = 0


def shares_of(night: Night) -> dict[Side, Fraction]:
    """Return each side's coverage after a run that listed all of it; of others it is not known."""
    if night.standing not in (*JUDGED, Standing.WINDOW_ENDED):
        return {}
    known = ((side, share(night.record.sides[side])) for side in Side if side in night.record.sides)
    return {side: part for side, part in known if part is not None}


def places_of(nights: Iterable[Night], axis: Axis) -> dict[int, Place]:
    """Return what is drawn at each place across that had a run."""
    places: dict[int, Place] = defaultdict(lambda: Place({}))
    for night in nights:
        place = places[axis.place(night.day)]
        for side, part in shares_of(night).items():
            place.shares[side] = min(part, place.shares.get(side, part))
        if night.standing in JUDGED:
            place.all = max(place.all, night.problems)
            place.new = max(place.new, night.worse)
    return places


# ---- Coverage


def draw_coverage(nights: Sequence[Night], places: Mapping[int, Place], axis: Axis) -> Chart | None:
    """Draw how much of each side was read in time; None where no side ever had any bytes."""
    known = {side: _known(nights, side) for side in Side}
    drawn = [side for side in Side if known[side]]
    if not drawn:
        return None
    last = max(known[side][-1][1].began for side in drawn)
    going = [side for side in drawn if known[side][-1][1].began == last]
    ends = _apart({side: _height(known[side][-1][0]) for side in going})
    lines = []
    for side in reversed(drawn):  # the dashes of the old side are seen on the new side's line
        points = [
            ((number + 0.5) / axis.places, _height(places[number].shares[side]))
            for number in sorted(places)
            if side in places[number].shares
        ]
        path = "M" + "L".join(f"{UNITS * x:.1f} {y:g}" for x, y in points)
        dots = tuple((100 * x, y) for x, y in points) if len(points) <= MOST_DOTS else ()
        share_now, run = known[side][-1]
        end = share_text(share_now) if side in going else ""
        key = f"{side} side" if side in going else f"{side} side, until {day_text(run.day)}"
        lines.append(Line(side, path, dots, ends.get(side, 0), end, key))
    levels = tuple(Level(_height(Fraction(part, 100)), f"{part} %") for part in (0, 50, 100))
    words = " ".join(_coverage_words(side, known[side]) for side in drawn)
    return Chart(COVERAGE_HEIGHT, levels, f"Share of bytes read within the promised time. {words}", tuple(lines))


def _known(nights: Iterable[Night], side: Side) -> list[tuple[Fraction, Night]]:
    """Return a side's shares with the runs after which they were so."""
    return [(known[side], night) for night in nights if side in (known := shares_of(night))]


def _height(part: Fraction) -> float:
    return round(COVERAGE_HEIGHT * float(1 - part), 1)


def _coverage_words(side: Side, known: Sequence[tuple[Fraction, Night]]) -> str:
    now, last = known[-1]
    lowest, night = min(known, key=lambda one: one[0])
    told = f"{side.value.capitalize()} side: {share_text(now)} on {day_text(last.day)}"
    return f"{told}, at the lowest {share_text(lowest)} on {day_text(night.day)}."


def _apart(ends: Mapping[Side, float]) -> dict[Side, float]:
    """Move labels that would stand on one another apart."""
    if len(ends) < len(Side) or abs(ends[Side.OLD] - ends[Side.NEW]) >= _LABEL_GAP:
        return dict(ends)
    upper, lower = sorted(Side, key=lambda side: (ends[side], side is Side.NEW))
    middle = min(max((ends[upper] + ends[lower]) / 2, _LABEL_GAP / 2), COVERAGE_HEIGHT - _LABEL_GAP / 2)
    return {upper: middle - _LABEL_GAP / 2, lower: middle + _LABEL_GAP / 2}


# ---- Problems


def draw_problems(nights: Sequence[Night], places: Mapping[int, Place], axis: Axis) -> Chart | None:
    """Draw how much stood in the way; None where no run finished yet."""
    judged = [night for night in nights if night.standing in JUDGED]
    if not judged:
        return None
    most = max(judged, key=lambda night: night.problems)
    numbers, height = _scale(most.problems)
    bars = tuple(
        Bar(100 * number / axis.places, 100 / axis.places, height(place.all), height(place.new) if place.new else 0)
        for number, place in sorted(places.items())
        if place.all > 0
    )
    levels = tuple(Level(PROBLEMS_HEIGHT - height(number), _short(number)) for number in numbers)
    words = f"Entries that stand in the way or need a look: {judged[-1].problems:,} at the last run that finished"
    words += f", at most {most.problems:,} on {day_text(most.day)}." if most.problems else ", and never any."
    scale = "" if most.problems <= _LINEAR_UP_TO else _TEN_TIMES
    return Chart(PROBLEMS_HEIGHT, levels, words, bars=bars, outline=_outline(bars), scale=scale)


def _outline(bars: Iterable[Bar]) -> str:
    """Return the path around bars, each group of neighbours from the bottom to the bottom."""
    path, end = [], math.nan
    for bar in bars:
        begin, after = round(bar.x * UNITS / 100, 1), round((bar.x + bar.width) * UNITS / 100, 1)
        top = f"V{PROBLEMS_HEIGHT - bar.all_height:g}H{after:g}"
        if begin == end:
            path.append(top)
        else:
            path += [f"V{PROBLEMS_HEIGHT}" if path else "", f"M{begin:g} {PROBLEMS_HEIGHT}{top}"]
        end = after
    return "".join([*path, f"V{PROBLEMS_HEIGHT}"]) if path else ""


def _scale(most: int) -> tuple[list[int], Callable[[int], float]]:
    """Return the numbers at the lines across, and how high a number stands, pixels."""
    if most <= _LINEAR_UP_TO:
        step = 1 if most <= 4 else 2 if most <= 8 else 5
        top = max(step, step * math.ceil(most / step))
        return list(range(0, top + 1, step)), lambda number: round(PROBLEMS_HEIGHT * number / top, 1)
    powers = math.ceil(math.log10(most))
    # One file among a hundred thousand has to be seen, and zero has to be at the bottom.
    whole = math.log10(1 + 10**powers)
    heights = [0, *(10**n for n in range(1, powers + 1))]
    return heights, lambda number: round(PROBLEMS_HEIGHT * math.log10(1 + number) / whole, 1)


def _short(number: int) -> str:
    """Return a power of ten as a scale has room for it."""
    for unit, size in (("G", 10**9), ("M", 10**6), ("k", 10**3)):
        if number >= size:
            return f"{number // size:,} {unit}"
    return f"{number}"
