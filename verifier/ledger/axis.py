"""Time across a plot: a place for each day or for several, labels, and the steps between phases."""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from verifier.ledger.nights import Night, Step

MOST_PLACES: Final = 400
"""Places across the plot; where there are more days, several share one, and the worst of them is drawn."""
FEWEST_DAYS: Final = 14
"""Days that a plot is wide at least, so that the first runs do not fill it."""
_MOST_TICKS: Final = 13
"""Labels of days, months or years that there is room for on a desk,"""
_TICKS_ON_PAPER: Final = 7
_TICKS_ON_A_PHONE: Final = 4
_NARROW_LETTER: Final = 3.2
"""What a letter of a label takes at most, percent of the plot on a phone."""
_LABEL_ROWS: Final = 3


class Tick(NamedTuple):
    """A place on the axis of time."""

    x: float
    label: str
    room: str
    """How wide a plot has to be for its label, a class name of the style sheet; empty where any is wide enough."""


class PhaseMark(NamedTuple):
    """A step between phases."""

    x: float
    label: str
    """Empty where there is no room for it."""
    row: int
    """Of labels, from 0."""
    ends: bool
    """Whether the label ends at the mark instead of beginning there."""


class Axis:
    """Time across, from the first run to the last.

    Args:
        nights: All runs; there is one at least.
    """

    def __init__(self, nights: Iterable[Night]) -> None:
        days = [night.day for night in nights]
        self.first = min(days)
        self.days = max(FEWEST_DAYS, (max(days) - self.first).days + 1)
        self.days_a_place = math.ceil(self.days / MOST_PLACES)
        self.places = math.ceil(self.days / self.days_a_place)

    def place(self, day: date) -> int:
        """Return the place of a day, from 0."""
        return (day - self.first).days // self.days_a_place

    def x(self, day: date) -> float:
        """Return where a day begins, percent."""
        return min(100.0, max(0.0, 100 * (day - self.first).days / (self.places * self.days_a_place)))


def ticks(axis: Axis) -> Iterator[Tick]:
    """Place labels on the axis of time, as many as there is room for."""
    last = axis.first + timedelta(days=axis.days - 1)
    for step in _STEPS:
        days = list(step(axis.first, last))
        if len(days) <= _MOST_TICKS:
            break
    on_paper = math.ceil(len(days) / _TICKS_ON_PAPER)
    on_a_phone = on_paper * math.ceil(len(days) / on_paper / _TICKS_ON_A_PHONE)
    form = "%Y" if step in _YEARS else "%b %Y" if step in _MONTHS else ""
    for number, day in enumerate(days):
        room = "" if number % on_a_phone == 0 else "middle" if number % on_paper == 0 else "wide"
        yield Tick(axis.x(day), f"{day:{form}}" if form else f"{day.day} {day:%b}", room)


def _each_days(number: int) -> Callable[[date, date], Iterator[date]]:
    def days(first: date, last: date) -> Iterator[date]:
        day = first
        while day <= last:
            yield day
            day += timedelta(days=number)

    return days


def _each_months(number: int) -> Callable[[date, date], Iterator[date]]:
    def months(first: date, last: date) -> Iterator[date]:
        for month in range(first.year * 12, last.year * 12 + 12, number):
            day = date(month // 12, month % 12 + 1, 1)
            if first <= day <= last:
                yield day

    return months


_DAYS: Final = (_each_days(2), _each_days(7))
_MONTHS: Final = (_each_months(1), _each_months(3), _each_months(6))
_YEARS: Final = (_each_months(12), _each_months(60), _each_months(240), _each_months(1200))
_STEPS: Final = (*_DAYS, *_MONTHS, *_YEARS)


def phases(steps: Iterable[Step], axis: Axis) -> Iterator[PhaseMark]:
    """Place the steps, each label in the first row that has room for it."""
    ends = [-1.0] * _LABEL_ROWS
    for step in steps:
        x, label = axis.x(step.day), step.record.phase.value
        width = _NARROW_LETTER * (len(label) + 1)
        at_the_end = x + width > 100
        begin = x - width if at_the_end else x
        row = next((row for row, end in enumerate(ends) if end <= begin), None)
        if row is not None:
            ends[row] = begin + width
        yield PhaseMark(x, "" if row is None else label, row or 0, at_the_end)
