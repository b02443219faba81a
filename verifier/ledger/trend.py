"""How much was read in time, and how much stood in the way, from the first run to the last: drawn, and as a table."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.classes import Side
from verifier.ledger.axis import Axis, PhaseMark, Tick, phases, ticks
from verifier.ledger.nights import Night, Step, day_text, share_text, time_text
from verifier.ledger.plot import Chart, draw_coverage, draw_problems, places_of, shares_of
from verifier.ledger.standing import JUDGED
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

MOST_ROWS: Final = 31
"""Runs that the table lists one by one; of more it sums up months."""
MOST_STEPS: Final = 40
"""Steps between phases that are drawn, the last ones."""
_NOT_KNOWN: Final = "–"  # noqa: RUF001  the dash of empty cells


class Row(NamedTuple):
    """A line of the table."""

    when: str
    old: str
    new: str
    problems: str
    worse: str
    """New or worse ones among them."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Both plots with one axis of time."""

    ticks: tuple[Tick, ...]
    phases: tuple[PhaseMark, ...]
    label_rows: int
    days_a_place: int
    coverage: Chart | None
    """None where no side ever had any bytes."""
    problems: Chart | None
    """None where no run finished yet."""
    by_month: bool
    """Whether the table's lines are months."""
    rows: tuple[Row, ...]
    """Newest first."""


def trend(all_told: Sequence[Night | Step]) -> Trend | None:
    """Draw what a ledger remembers, but for runs with a wrong clock; None where there was no run yet."""
    nights = [one for one in all_told if isinstance(one, Night) and not one.misdated]
    if not nights:
        return None
    axis = Axis(nights)
    steps = [one for one in all_told if isinstance(one, Step)]
    marks = tuple(phases(steps[-MOST_STEPS:], axis))
    places = places_of(nights, axis)
    by_month = len(nights) > MOST_ROWS
    rows = _by_month(nights) if by_month else [_row(_when(night), [night]) for night in nights]
    return Trend(
        tuple(ticks(axis)),
        marks,
        max((mark.row + 1 for mark in marks if mark.label), default=0),
        axis.days_a_place,
        draw_coverage(nights, places, axis),
        draw_problems(nights, places, axis),
        by_month,
        tuple(reversed(rows)),
    )


def _by_month(nights: Iterable[Night]) -> list[Row]:
    months: dict[date, list[Night]] = defaultdict(list)
    for night in nights:
        months[night.day.replace(day=1)].append(night)
    return [
        _row(f"{first:%B} {first.year}, {count_of(len(of), 'run', 'runs')}", of) for first, of in sorted(months.items())
    ]


def _when(night: Night) -> str:
    return f"{day_text(night.day)}, {time_text(night.began)}"


def _row(when: str, nights: Sequence[Night]) -> Row:
    """Say the worst of some runs."""
    known = [shares_of(night) for night in nights]
    lowest = {side: min((of[side] for of in known if side in of), default=None) for side in Side}
    judged = [night for night in nights if night.standing in JUDGED]
    old, new = (_NOT_KNOWN if (part := lowest[side]) is None else share_text(part) for side in Side)
    problems, worse = (
        f"{max(map(of, judged)):,}" if judged else _NOT_KNOWN for of in (lambda n: n.problems, lambda n: n.worse)
    )
    return Row(when, old, new, problems, worse)
