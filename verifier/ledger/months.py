"""The calendar of a job's runs: months as on paper, a week a row, each day with the worst that its runs came to."""

from __future__ import annotations

from calendar import MONDAY, Calendar
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

from verifier.ledger.nights import LONGEST_WORDS, Night, Step, cut, day_text
from verifier.ledger.standing import GOOD

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

MOST_MONTHS: Final = 13
"""Months that are drawn, so that the same month a year ago is among them; older ones are summed up."""
NO_RUN: Final = "no-run"
"""The class of a day on which nothing ran, beside those of `Standing`."""
_WEEKS: Final = Calendar(MONDAY)  # ISO 8601: a week begins on Monday


@dataclass(frozen=True, slots=True)
class Day:
    """One day."""

    date: date
    expected: bool
    """Whether it lies after the first run and before today, so that a run is missed where there is none."""
    today: bool = False
    nights: tuple[Night, ...] = ()
    """Its runs, in the ledger's order."""
    steps: tuple[Step, ...] = ()

    @property
    def worst(self) -> Night | None:
        """The run that says what the day came to: the worst one, of equals the last; None without a run."""
        return min(reversed(self.nights), key=lambda night: night.standing.rank, default=None)

    @property
    def kind(self) -> str:
        """What it came to: a `Standing`, or that nothing ran; empty where nothing was to be expected."""
        worst = self.worst
        if worst is not None:
            return worst.standing.value
        return NO_RUN if self.expected else ""

    @property
    def words(self) -> str:
        """All of it in a sentence."""
        said = [self._runs] if self.nights or self.expected else []
        said += [f"phase {step.record.phase}" for step in self.steps]
        return f"{day_text(self.date)}: {'; '.join(said)}" if said else day_text(self.date)

    @property
    def _runs(self) -> str:
        worst = self.worst
        if worst is None:
            return "no run"
        told = worst.standing.words[:1].lower() + worst.standing.words[1:]
        if worst.headline:
            told += f", {cut(worst.headline, LONGEST_WORDS).rstrip('.')}"
        others = len(self.nights) - 1
        return f"{told}; the worst of {others + 1} runs that day" if others else told

    def leads_to(self, listed: frozenset[int]) -> str:
        """Return where more about it is: its report, else its row among the runs of this page; empty for neither.

        Args:
            listed: Numbers of the runs that have a row; a day on which all was well leads to none.
        """
        worst = self.worst
        if worst is None:
            return ""
        if worst.page:
            return worst.page
        return f"#r{worst.number}" if worst.standing not in GOOD and worst.number in listed else ""


@dataclass(frozen=True, slots=True)
class Month:
    """One month as it is drawn."""

    first: date
    weeks: tuple[tuple[Day | None, ...], ...]
    """Seven days each, from Monday on; None for days of other months."""

    @property
    def days(self) -> tuple[Day, ...]:
        """Its days, from the first to the last."""
        return tuple(day for week in self.weeks for day in week if day is not None)

    @property
    def steps(self) -> tuple[Step, ...]:
        """The steps that were taken in it."""
        return tuple(step for day in self.days for step in day.steps)


@dataclass(slots=True)
class Sum:
    """A month, or several in a row without any run, that is not drawn."""

    first: date
    last: date
    """The first day of its last month."""
    days: Counter[str] = field(default_factory=Counter)
    """Days by what they came to, those without a run included."""
    runs: int = 0


@dataclass(frozen=True, slots=True)
class Calendars:
    """All months."""

    drawn: tuple[Month, ...]
    """Newest first."""
    older: tuple[Sum, ...]
    """Newest first."""
    missed: tuple[int, date | None]
    """Days without a run since the first one, and the last of them."""
    misdated: int
    """Runs that are on no day of it, because the clock was wrong."""

    @property
    def counts(self) -> Counter[str]:
        """Days of the drawn months by what they came to."""
        return Counter(day.kind for month in self.drawn for day in month.days if day.kind)


def calendars(all_told: Sequence[Night | Step], today: date) -> Calendars:
    """Lay runs and steps out by local day.

    Args:
        all_told: What the ledger remembers, in its order.
        today: The day on which the page is written; no run is missed on it yet.
    """
    nights: dict[date, list[Night]] = defaultdict(list)
    steps: dict[date, list[Step]] = defaultdict(list)
    for one in all_told:
        if isinstance(one, Step):
            steps[one.day].append(one)
        elif not one.misdated:
            nights[one.day].append(one)
    misdated = sum(isinstance(one, Night) and one.misdated for one in all_told)
    if not nights:
        return Calendars((), (), (0, None), misdated)
    first_run = min(nights)
    begin = max(_months_back(today, MOST_MONTHS - 1), first_run.replace(day=1))

    def day_of(day: date) -> Day:
        expected = first_run <= day < today
        return Day(day, expected, day == today, tuple(nights.get(day, ())), tuple(steps.get(day, ())))

    drawn = []
    month = today.replace(day=1)
    while month >= begin:
        weeks = _WEEKS.monthdatescalendar(month.year, month.month)
        drawn.append(
            Month(month, tuple(tuple(day_of(day) if day.month == month.month else None for day in w) for w in weeks))
        )
        month = _months_back(month, 1)
    missed = (today - first_run).days - sum(day < today for day in nights)
    older = _sums((day_of(day) for day in sorted(nights) if day < begin), begin, first_run)
    return Calendars(tuple(drawn), tuple(reversed(older)), (missed, _last_missed(nights, first_run, today)), misdated)


def _last_missed(nights: dict[date, list[Night]], first_run: date, today: date) -> date | None:
    day = today - timedelta(days=1)
    while day in nights:
        day -= timedelta(days=1)
    return day if day > first_run else None


def _sums(days: Iterable[Day], begin: date, first_run: date) -> list[Sum]:
    """Sum days with runs up by month; months without any, however many, are one line."""
    sums: list[Sum] = []
    expected = first_run.replace(day=1)
    for day in days:
        month = day.date.replace(day=1)
        if not sums or sums[-1].last != month:
            if month != expected:
                sums.append(Sum(expected, _months_back(month, 1)))
            sums.append(Sum(month, month))
            expected = _months_back(month, -1)
        sums[-1].days[day.kind] += 1
        sums[-1].runs += len(day.nights)
    if sums and expected != begin:
        sums.append(Sum(expected, _months_back(begin, 1)))
    for one in sums:
        span = (_months_back(one.last, -1) - max(one.first, first_run)).days
        one.days[NO_RUN] = span - one.days.total()
    return sums


def _months_back(day: date, number: int) -> date:
    """Return the first day of the month so many months before that of a day."""
    months = day.year * 12 + day.month - 1 - number
    return date(months // 12, months % 12 + 1, 1)
