"""The trend of the history: drawn for any number of runs, true to scale, never better than it was, and in words."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import pytest

from tests.ledger.garden import (
    FIRST,
    MORNING,
    NIGHTS,
    TB,
    at_home,
    chained,
    history,
    night,
    one_a_night,
    run,
    side,
    step,
    year,
)
from tests.report.markup import words
from verifier.classes import Phase, Side, VerdictKind
from verifier.ledger.axis import MOST_PLACES
from verifier.ledger.nights import told
from verifier.ledger.plot import COVERAGE_HEIGHT, MOST_DOTS, PROBLEMS_HEIGHT, UNITS, Chart
from verifier.ledger.record import News, Outcome
from verifier.ledger.trend import MOST_ROWS, Trend, trend

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verifier.ledger.record import PhaseRecord, RunRecord

POINT: Final = re.compile(r"[ML]([\d.]+) ([\d.]+)")


@pytest.fixture(autouse=True)
def home() -> Iterator[None]:
    """Have the machine stand in the garden."""
    with at_home():
        yield


def drawn(records: Iterable[RunRecord | PhaseRecord], today: date = date(2100, 1, 1)) -> Trend:
    """Return the trend of some records, of which one at least is a run."""
    found = trend(told(chained(records), (), today))
    assert found is not None
    return found


def coverage(found: Trend) -> Chart:
    """Return the plot of what was read in time."""
    assert found.coverage is not None
    return found.coverage


def problems(found: Trend) -> Chart:
    """Return the plot of what stood in the way."""
    assert found.problems is not None
    return found.problems


def points(chart: Chart, of: Side) -> list[tuple[float, float]]:
    """Return the points of a side's line: share of the plot's width, and pixels from the top."""
    (line,) = [line for line in chart.lines if line.side is of]
    found = [(float(x) / UNITS, float(y)) for x, y in POINT.findall(line.path)]
    assert "".join(f"{'M' if not n else 'L'}" for n in range(len(found))) == re.sub(r"[\d. ]", "", line.path)
    return found


def found_on(day: int, number: int, known: int = 0) -> RunRecord:
    """Return a run on a day of the year that found something new."""
    news = News(new=number, known=known)
    return run(night(FIRST + timedelta(days=day)), verdict=VerdictKind.NOT_TRUSTWORTHY, news=news)


# ---- Any number of runs


@pytest.mark.parametrize("number", [1, 2, 14, 45, 365, 400, 401, 4000])
def test_any_number_of_runs_fits_between_the_edges(number: int) -> None:
    """Points, bars, labels and steps lie inside the plot, in the order of time, in no more places than it has."""
    records: list[RunRecord | PhaseRecord] = [step(night(FIRST - timedelta(days=9)), None, Phase.COPYING)]
    records += [found_on(n, 1 + n % 3) for n in range(number)]
    records.append(step(night(FIRST + timedelta(days=number), 23), Phase.COPYING, Phase.FROZEN))
    found = drawn(records)
    for of in Side:
        line = points(coverage(found), of)
        assert line == sorted(line)
        assert all(0 < x < 1 and 0 <= y <= COVERAGE_HEIGHT for x, y in line)
        assert len(line) == -(-number // found.days_a_place) <= MOST_PLACES
    bars = problems(found).bars
    assert len(bars) == len(points(coverage(found), Side.OLD))
    assert all(bar.x >= 0 and bar.x + bar.width <= 100.0001 for bar in bars)
    assert all(0 < bar.new_height <= bar.all_height <= PROBLEMS_HEIGHT for bar in bars)
    assert 2 <= len(found.ticks) <= 13
    assert all(0 <= tick.x <= 100 for tick in found.ticks)
    assert sorted(tick.x for tick in found.ticks) == [tick.x for tick in found.ticks]
    assert 2 <= len([tick for tick in found.ticks if not tick.room]) <= 4
    assert [0 <= phase.x <= 100 for phase in found.phases] == [True, True]
    assert found.days_a_place == -(-max(14, number) // MOST_PLACES)


@pytest.mark.parametrize(
    ("number", "labels"),
    [
        (1, ["1 Dec", "3 Dec", "13 Dec"]),
        (60, ["1 Dec", "8 Dec", "26 Jan"]),
        (365, ["Dec 2025", "Jan 2026", "Nov 2026"]),
        (900, ["Jan 2026", "Apr 2026", "Apr 2028"]),
        (4000, ["2026", "2027", "2036"]),
    ],
)
def test_time_is_labelled_in_units_that_fit(number: int, labels: list[str]) -> None:
    """Days, weeks, months, quarters or years, whichever there is room for, each where it begins."""
    found = drawn(run(night(FIRST + timedelta(days=n))) for n in range(number)).ticks
    assert [found[0].label, found[1].label, found[-1].label] == labels


def test_the_worst_of_a_place_is_drawn() -> None:
    """Where several days share a place, one decayed file and one night of little reading are still seen."""
    records = [run(night(FIRST + timedelta(days=n))) for n in range(4000)]
    low = {"old": side("old", TB, 0.25), "new": side("new", TB)}
    records[1234] = run(night(FIRST + timedelta(days=1234)), sides=low)
    records[2345] = found_on(2345, 1)
    found = drawn(records)
    assert found.days_a_place == 10
    (bar,) = problems(found).bars
    assert bar.new_height == PROBLEMS_HEIGHT
    assert bar.x == pytest.approx(100 * 234 / 400)
    lowest = [point for point in points(coverage(found), Side.OLD) if point[1]]
    ((x, y),) = lowest
    assert x == pytest.approx(123.5 / 400, abs=1e-3)
    assert y == COVERAGE_HEIGHT * 0.75
    assert not [point for point in points(coverage(found), Side.NEW) if point[1]]
    assert "each place stands for 10 days and shows the worst of them" in words(
        history(chained(records), at=night(FIRST + timedelta(days=3999), 5)).all("main")[0].text
    )


def test_few_runs_are_dotted() -> None:
    """A single run is a dot, because a line of one point is not seen; of many only the line is drawn."""
    for number, dots in ((1, 1), (MOST_DOTS, MOST_DOTS), (MOST_DOTS + 1, 0)):
        page = history(one_a_night(number), at=night(FIRST + timedelta(days=number - 1), 5))
        circles = [e for e in page.all("circle") if "cx" in e.attributes and "%" in e.attributes["cx"]]
        assert len(circles) == 2 * dots


# ---- Coverage


def test_nothing_is_drawn_of_sides_without_bytes() -> None:
    """A tree without any bytes has no share of them: the plot is not there, the words are, the rest goes on."""
    empty = {"old": side("old", 0, files=3), "new": side("new", 0)}
    entries = chained([run(night(FIRST), sides=empty)])
    assert drawn([run(night(FIRST), sides=empty)]).coverage is None
    page = history(entries, at=night(FIRST, 5))
    assert "No run has found any bytes yet." in page.all("main")[0].text
    assert "old no bytesnew no bytes" in page.cells(page.within(page.all("table", "runs")[0], "tr")[1])
    half = {"old": side("old", 0), "new": side("new", TB, 0.5)}
    (line,) = coverage(drawn([run(night(FIRST), sides=half)])).lines
    assert (line.side, line.end) == (Side.NEW, "50.0 %")


def test_what_did_not_list_a_side_says_nothing_of_it() -> None:
    """A run that could not begin, was killed or interrupted gives no point; one whose window ended does."""
    low = {"old": side("old", TB, 0.1), "new": side("new", TB, 0.1)}
    records = [run(night(FIRST))]
    for n, outcome in enumerate(Outcome):
        if outcome is not Outcome.FINISHED:
            records.append(run(night(FIRST + timedelta(days=n)), outcome=outcome, sides=low))
    found = drawn(records)
    assert [y for _, y in points(coverage(found), Side.OLD)] == [0, 0.9 * COVERAGE_HEIGHT]
    assert [row.old for row in found.rows if row.old != "–"] == ["10.0 %", "100 %"]  # noqa: RUF001


def test_a_side_that_is_gone_ends() -> None:
    """The line of the old side ends where it was retired, has no present share, and its key says until when."""
    both = {"old": side("old", TB, 0.5), "new": side("new", TB)}
    records = [run(night(FIRST + timedelta(days=n)), sides=both) for n in range(5)]
    records += [run(night(FIRST + timedelta(days=n)), sides={"new": side("new", TB)}) for n in range(5, 9)]
    old, new = sorted(coverage(drawn(records)).lines, key=lambda line: list(Side).index(line.side))
    assert (old.end, old.key) == ("", "old side, until Fri 5 Dec 2025")
    assert (new.end, new.key) == ("100 %", "new side")
    assert len(points(coverage(drawn(records)), Side.OLD)) == 5
    assert "old side, until Fri 5 Dec 2025" in [words(e.text) for e in history(chained(records)).all("span")]


@pytest.mark.parametrize(("old", "new"), [(1.0, 1.0), (0.0, 0.0), (0.5, 0.51), (1.0, 0.99), (0.2, 0.9)])
def test_labels_at_the_end_stand_apart(old: float, new: float) -> None:
    """However near two lines end, both their shares can be read, the upper one above, and inside the plot."""
    sides = {"old": side("old", TB, old), "new": side("new", TB, new)}
    ends = {line.side: line.end_y for line in coverage(drawn([run(night(FIRST), sides=sides)])).lines}
    assert abs(ends[Side.OLD] - ends[Side.NEW]) >= 15
    assert old == new or (ends[Side.OLD] < ends[Side.NEW]) == (old > new)
    assert all(0 <= y <= COVERAGE_HEIGHT for y in ends.values())


# ---- Problems


def test_a_run_without_a_verdict_is_not_one_without_problems() -> None:
    """Only runs that finished say how much stands in the way; of a month without any it is not known."""
    killed = run(night(FIRST + timedelta(days=40)), outcome=Outcome.KILLED, sides={}, news=News(new=9))
    records = [found_on(0, 0, known=7), killed]
    found = drawn(records)
    assert len(problems(found).bars) == 1
    assert "7 at the last run that finished" in problems(found).words
    assert [row.problems for row in found.rows] == ["–", "7"]  # noqa: RUF001
    assert drawn(records[1:]).problems is None
    assert "No run has finished yet." in history(chained(records[1:])).all("main")[0].text


@pytest.mark.parametrize(
    ("most", "labels"),
    [
        (0, ["0", "1"]),
        (3, ["0", "1", "2", "3"]),
        (7, ["0", "2", "4", "6", "8"]),
        (20, ["0", "5", "10", "15", "20"]),
        (21, ["0", "10", "100"]),
        (398_120, ["0", "10", "100", "1 k", "10 k", "100 k", "1 M"]),
        (10**10, ["0", "10", "100", "1 k", "10 k", "100 k", "1 M", "10 M", "100 M", "1 G", "10 G"]),
    ],
)
def test_the_scale_shows_few_and_many(most: int, labels: list[str]) -> None:
    """Few are to scale; of many each line is ten times the one below, which is said, and one of them is still seen."""
    chart = problems(drawn([found_on(0, most), found_on(1, 1)]))
    assert [level.label for level in chart.levels] == labels
    heights = [level.y for level in chart.levels]
    assert (heights[0], heights[-1]) == (PROBLEMS_HEIGHT, 0)
    assert heights == sorted(heights, reverse=True)
    assert ("ten times as many" in chart.scale) == (most > 20)
    assert chart.bars[-1].new_height >= 3
    if most:
        assert chart.bars[0].all_height == max(bar.all_height for bar in chart.bars)


def test_what_is_new_is_told_from_what_was_known() -> None:
    """Of each bar what is new or worse is filled, what is accepted is in none, and neighbours are outlined."""
    news = News(new=1, worse=2, known=3, repaired=100, accepted=50)
    records = [run(night(FIRST), verdict=VerdictKind.NOT_TRUSTWORTHY, news=news), found_on(1, 0, known=3)]
    records += [run(night(FIRST + timedelta(days=2))), found_on(3, 2)]
    chart = problems(drawn(records))
    assert [(bar.all_height, bar.new_height) for bar in chart.bars] == [(120, 60), (60, 0), (40, 40)]
    assert len([level.label for level in chart.levels]) == 4
    assert chart.outline == "M0 120V0H71.4V60H142.9V120M214.3 120V80H285.7V120"
    page = history(chained(records), at=night(FIRST + timedelta(days=3), 5))
    kinds = [cls for e in page.all("rect") if "%" in e.attributes.get("x", "") for cls in e.classes]
    assert kinds == ["known"] * 3 + ["new"] * 2


# ---- Steps, words, the table


def test_steps_are_drawn_with_labels_that_do_not_meet() -> None:
    """Steps within days of one another are labelled in rows of their own; where no row is left the line is there."""
    records: list[RunRecord | PhaseRecord] = [run(night(FIRST)), run(MORNING)]
    for n, phase in enumerate([Phase.FROZEN, Phase.LIVE, Phase.FROZEN, Phase.LIVE]):
        records.insert(1 + n, step(night(FIRST + timedelta(days=60 + n)), None, phase))
    records.append(step(MORNING, None, Phase.RETIRED))
    marks = drawn(records).phases
    assert [mark.label for mark in marks] == ["frozen", "live", "frozen", "", "retired"]
    assert [mark.row for mark in marks[:3]] == [0, 1, 2]
    assert [mark.ends for mark in marks] == [False, False, False, False, True]
    page = history(chained(records))
    assert len([e for e in page.all("line") if "phase" in e.classes]) == 2 * len(marks)


def test_the_plots_are_told_in_words() -> None:
    """Each drawing has a text with what is now and what was the worst, and when."""
    page = history(year())
    drawings = [svg for svg in page.all("svg") if svg.attributes.get("role") == "img"]
    read, found = (svg.attributes["aria-label"] for svg in drawings)
    assert "Old side: 100 % on Sat 31 Oct 2026, at the lowest 11.1 % on Mon 1 Dec 2025." in read
    assert "New side: 100 % on Tue 1 Dec 2026" in read
    assert found.startswith("Entries that stand in the way or need a look: 0 at the last run that finished, at most ")


@pytest.mark.parametrize("number", [MOST_ROWS, MOST_ROWS + 1, NIGHTS])
def test_the_table_has_what_is_drawn(number: int) -> None:
    """Run by run while they are few, else by months with the worst of each, newest first, and no run is left out."""
    low = {"old": side("old", TB, 0.5), "new": side("new", TB, 0.75)}
    records = [run(night(FIRST + timedelta(days=n))) for n in range(number)]
    records[3] = run(
        night(FIRST + timedelta(days=3)), sides=low, verdict=VerdictKind.INCONCLUSIVE, news=News(worse=1, known=4)
    )
    found = drawn(records)
    assert found.by_month == (number > MOST_ROWS)
    if found.by_month:
        assert sum(int(re.findall(r"(\d+) runs?$", row.when)[0]) for row in found.rows) == number
        assert found.rows[-1] == ("December 2025, 31 runs", "50.0 %", "75.0 %", "5", "1")
    else:
        assert len(found.rows) == number
        assert found.rows[-4] == ("Thu 4 Dec 2025, 02:30 +01:00", "50.0 %", "75.0 %", "5", "1")
    page = history(chained(records))
    (fold,) = [e for e in page.all("details") if "Both as a table" in e.text]
    assert [tuple(page.cells(row)) for row in page.within(fold, "tr")[1:]] == list(found.rows)
