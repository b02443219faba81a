"""The calendar of the history: every local day once, with the worst of its runs, and nights without any are seen."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.ledger.garden import (
    FIRST,
    MORNING,
    at_home,
    chained,
    history,
    night,
    one_a_night,
    run,
    step,
    still_there,
    year,
)
from tests.report.markup import Element, Page, words
from verifier.classes import Phase, VerdictKind
from verifier.ledger.months import MOST_MONTHS, NO_RUN, Calendars, calendars
from verifier.ledger.nights import Night, told
from verifier.ledger.record import LedgerEntry, News, Outcome, PhaseRecord, RunRecord
from verifier.ledger.standing import Standing

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


@pytest.fixture(autouse=True)
def home() -> Iterator[None]:
    """Have the machine stand in the garden."""
    with at_home():
        yield


def laid_out(records: Iterable[RunRecord | PhaseRecord], today: date) -> Calendars:
    """Return the calendar of some records."""
    return calendars(told(chained(records), (), today), today)


def months(page: Page) -> dict[str, Element]:
    """Return the tables of the months by their captions, in their order."""
    return {words(page.within(table, "caption")[0].text): table for table in page.all("table", "month")}


def days(page: Page, month: str) -> dict[int, Element]:
    """Return what stands for each day of a month: a link, or something that leads nowhere."""
    table = months(page)[month]
    cells = [e for e in page.elements if "day" in e.classes and table in e.inside]
    return {int(page.within(cell, "span")[0].text if page.within(cell, "span") else cell.text): cell for cell in cells}


def heard(cell: Element, page: Page) -> str:
    """Return what a day says to whoever does not see it, which is what it says under the pointer."""
    (text,) = [e.text for e in page.within(cell, "span") if "heard" in e.classes]
    assert cell.attributes["title"] == text
    return text


# ---- Days


def test_a_day_says_what_it_came_to_in_words() -> None:
    """The day, the verdict and the news are one sentence, for the ear and under the pointer."""
    began = night(date(2026, 12, 1))
    damaged = run(began, verdict=VerdictKind.NOT_TRUSTWORTHY, news=News(new=2, headline="2 new damaged files"))
    page = history(chained([run(began - timedelta(days=1)), damaged]), {damaged.run})
    first, last = days(page, "November 2026")[30], days(page, "December 2026")[1]
    assert heard(last, page) == "Tue 1 Dec 2026: not trustworthy, 2 new damaged files"
    assert (last.tag, last.attributes["href"]) == ("a", f"runs/{damaged.run}/report.html")
    assert last.classes == ["day", "not-trustworthy-day"]
    assert heard(first, page) == "Mon 30 Nov 2026: trustworthy, Nothing new"
    assert first.tag == "span"


@pytest.mark.parametrize("standing", Standing)
def test_no_outcome_is_told_by_colour_alone(standing: Standing) -> None:
    """Each outcome has a mark of its own shape, or one that stands on another ground, and its name in the legend."""
    page = whole_legend()
    marks = {
        e.attributes["href"]: e.inside[-2].classes[1] for e in page.all("use") if e.inside[-2].classes[:1] == ["day"]
    }
    assert marks[f"#m-{standing}"] == f"{standing}-day"
    (symbol,) = [e for e in page.all("symbol") if e.attributes["id"] == f"m-{standing}"]
    alike = [e for e in page.all("symbol") if shape(page, e) == shape(page, symbol)]
    crosses = {"m-not-trustworthy", "m-still-copying"}  # the same cross, on a filled ground and on an empty one
    assert len(alike) == 1 or {e.attributes["id"] for e in alike} == crosses
    (legend,) = page.all("ul", "legend")
    assert f"{standing.words} 1 day" in [words(item.text) for item in page.within(legend, "li")]


def shape(page: Page, symbol: Element) -> list[tuple[str, str]]:
    """Return what a symbol is drawn with."""
    return [(e.tag, e.attributes.get("d", "")) for e in page.elements if symbol in e.inside]


def whole_legend() -> Page:
    """Return a page with a day of each outcome."""
    began = night(date(2026, 11, 1))
    records = [run(began + timedelta(days=n), outcome=outcome) for n, outcome in enumerate(Outcome)]
    records += [run(began + timedelta(days=10 + n), verdict=kind) for n, kind in enumerate(VerdictKind)]
    records.append(run(began + timedelta(days=20), phase=Phase.COPYING, verdict=VerdictKind.NOT_TRUSTWORTHY))
    return history(chained(records[1:]), at=night(date(2026, 11, 30)))


@pytest.mark.parametrize(
    ("outcomes", "kind", "told_of"),
    [
        (("could-not-run", "trustworthy"), "could-not-run", "could not run; the worst of 2 runs that day"),
        (("trustworthy", "killed", "inconclusive"), "inconclusive", "inconclusive; the worst of 3 runs that day"),
        (("not-trustworthy", "killed"), "not-trustworthy", "not trustworthy; the worst of 2 runs that day"),
        (("trustworthy", "trustworthy-with-exceptions"), "trustworthy-with-exceptions", "trustworthy with accepted"),
    ],
)
def test_a_day_shows_the_worst_of_its_runs(outcomes: tuple[str, ...], kind: str, told_of: str) -> None:
    """What a second run mended in the morning does not hide that the night went wrong."""
    records = []
    for hour, outcome in enumerate(outcomes):
        changes = {"verdict": VerdictKind(outcome)} if outcome in list(VerdictKind) else {"outcome": Outcome(outcome)}
        records.append(run(night(FIRST, hour), news=News(), reasons=(), **changes))
    (month,) = laid_out(records, FIRST).drawn
    day = month.days[FIRST.day - 1]
    assert day.kind == kind
    assert told_of in day.words


def test_while_copying_only_what_is_new_or_worse_is_filled() -> None:
    """No copy is trusted while it is being made: a day stands out only where something came to it."""
    began = night(FIRST)
    bad = {"phase": Phase.COPYING, "verdict": VerdictKind.NOT_TRUSTWORTHY}
    records = [run(began, news=News(known=9), **bad), run(began + timedelta(days=1), news=News(new=1, known=9), **bad)]
    records += [run(began + timedelta(days=2), news=News(known=9), **bad | {"phase": Phase.FROZEN})]
    (month,) = laid_out(records, FIRST + timedelta(days=2)).drawn
    assert [day.kind for day in month.days[:3]] == ["still-copying", "not-trustworthy", "not-trustworthy"]
    assert ["still copying" in day.words for day in month.days[:3]] == [True, False, False]


def test_days_without_a_run_are_seen() -> None:
    """From the first run to yesterday a day without one is marked and named; before it, and today, none is missed."""
    records = [run(night(date(2026, 11, 3))), run(night(date(2026, 11, 6)))]
    page = history(chained(records), at=night(date(2026, 11, 9), 5))
    cells = days(page, "November 2026")
    missed = [day for day, cell in cells.items() if f"{NO_RUN}-day" in cell.classes]
    assert missed == [4, 5, 7, 8]
    assert heard(cells[4], page) == "Wed 4 Nov 2026: no run"
    assert [cells[day].classes for day in (2, 9, 10)] == [["day"]] * 3
    assert "4, the last one Sun 8 Nov 2026" in words(page.all("dl", "now")[0].text)
    assert [cell.text for cell in page.all("td", "today")] == ["9"]


def test_a_day_with_trouble_leads_to_its_row() -> None:
    """Where there is no report, a night that went wrong leads to its row in the list of runs, a good one nowhere."""
    entries = year()
    page = history(entries, still_there(entries))
    cells = days(page, "May 2026")
    killed = cells[21]
    assert killed.tag == "a"
    (row,) = [e for e in page.all("tr") if f"#{e.attributes.get('id')}" == killed.attributes["href"]]
    assert page.cells(row)[1] == "Killedlive"
    assert cells[20].tag == "span"


def test_runs_belong_to_the_local_day_on_which_they_began() -> None:
    """Late in the evening or early in the morning, before and after the clocks change: the day is that of the wall."""
    before_midnight = datetime(2026, 3, 28, 22, 30, tzinfo=UTC)  # 23:30 on Saturday, one hour ahead of UTC
    after_the_change = datetime(2026, 3, 29, 22, 30, tzinfo=UTC)  # 00:30 on Monday, two hours ahead
    page = history(chained([run(before_midnight), run(after_the_change)]), at=after_the_change)
    cells = days(page, "March 2026")
    assert [heard(cells[day], page).partition(":")[0] for day in (28, 29, 30)] == [
        "Sat 28 Mar 2026",
        "Sun 29 Mar 2026",
        "Mon 30 Mar 2026",
    ]
    assert [f"{NO_RUN}-day" in cells[day].classes for day in (28, 29, 30)] == [False, True, False]
    assert "Sat 28 Mar 2026, 23:30 +01:00" in page.all("main")[0].text
    assert "Mon 30 Mar 2026, 00:30 +02:00" in page.all("main")[0].text


def test_the_repeated_hour_is_told_apart() -> None:
    """Two runs at the same time by the clock, before and after it was put back, differ in their distance from UTC."""
    twice = [datetime(2026, 10, 25, hour, 30, tzinfo=UTC) for hour in (0, 1)]
    page = history(chained(map(run, twice)), at=twice[1])
    text = page.all("main")[0].text
    assert "Sun 25 Oct 2026, 02:30 +02:00" in text
    assert "Sun 25 Oct 2026, 02:30 +01:00" in text
    assert "the worst of 2 runs that day" in heard(days(page, "October 2026")[25], page)


def test_another_zone_has_other_days() -> None:
    """The same ledger, read where it is still yesterday, shows yesterday."""
    entries = chained([run(datetime(2026, 12, 1, 1, 30, tzinfo=UTC))])
    with at_home("America/Santiago"):
        page = history(entries)
        assert "Mon 30 Nov 2026, 22:30 -03:00" in page.all("main")[0].text
        assert days(page, "November 2026")[30].classes == ["day", "trustworthy-day"]


# ---- Months


def test_a_week_is_a_row_from_monday_on() -> None:
    """As ISO 8601 has it, weeks begin on Monday; every day of a month is there once, under its name."""
    entries = year()
    page = history(entries)
    for caption, table in months(page).items():
        names = [th.attributes["abbr"] for th in page.within(table, "th")]
        assert names[0] == "Monday"
        body = [row for row in page.within(table, "tr") if row.inside[-1].tag == "tbody"]
        there = []
        for row in body:
            cells = page.within(row, "td")
            assert len(cells) == 7
            for name, cell in zip(names, cells, strict=True):
                if cell.text:
                    day = datetime.strptime(f"{int(cell.text[:2].rstrip('TMWFS'))} {caption}", "%d %B %Y").replace(
                        tzinfo=UTC
                    )
                    assert f"{day:%A}" == name
                    there.append(day.day)
        assert there == list(range(1, len(there) + 1))
        assert len(there) >= 28


def test_the_last_thirteen_months_are_drawn_newest_first() -> None:
    """The same month a year ago is among them; what is older is summed up, and in neither is a run lost."""
    entries = one_a_night(1000, FIRST - timedelta(days=634))
    page = history(entries)
    captions = list(months(page))
    assert len(captions) == MOST_MONTHS
    assert (captions[0], captions[-1]) == ("December 2026", "December 2025")
    (older,) = [t for t in page.all("table", "sums") if "worst that their runs" in t.text]
    rows = [page.cells(row) for row in page.within(older, "tr")][1:]
    assert rows[0] == ["Nov 2025", "30", "0", "30 trustworthy"]
    assert rows[-1] == ["Mar 2024", "25", "0", "25 trustworthy"]
    drawn = [e for e in page.elements if "trustworthy-day" in e.classes and e.inside[-1].tag == "td"]
    assert sum(int(row[1]) for row in rows) + len(drawn) == 1000


def test_months_without_any_run_are_one_line() -> None:
    """A clock that began in 1970 does not fill the page with empty months, nor years of rest."""
    records = [run(night(date(1970, 1, 1)), verdict=VerdictKind.INCONCLUSIVE), run(night(date(2024, 5, 31)))]
    calendar = laid_out([*records, run(MORNING)], MORNING.date())
    told_of = [(one.first, one.last, one.runs, one.days[NO_RUN]) for one in calendar.older]
    assert told_of == [
        (date(2024, 6, 1), date(2025, 11, 1), 0, 548),
        (date(2024, 5, 1), date(2024, 5, 1), 1, 30),
        (date(1970, 2, 1), date(2024, 4, 1), 0, 19_813),
        (date(1970, 1, 1), date(1970, 1, 1), 1, 30),
    ]


def test_phase_changes_are_marked() -> None:
    """A step is marked on its day, said in its words, and named below its month."""
    records: list[RunRecord | PhaseRecord] = [run(night(FIRST)), step(night(FIRST, 9), Phase.FROZEN, Phase.LIVE)]
    records.append(step(night(FIRST + timedelta(days=1), 9), Phase.LIVE, Phase.RETIRED))
    page = history(chained(records), at=night(FIRST + timedelta(days=1), 10))
    cells = days(page, "December 2025")
    assert heard(cells[1], page) == "Mon 1 Dec 2025: trustworthy, Nothing new; phase live"
    assert heard(cells[2], page) == "Tue 2 Dec 2025: phase retired"
    assert [len([e for e in page.within(cells[day], "i") if "turned" in e.classes]) for day in (1, 2, 3)] == [1, 1, 0]
    assert [words(p.text) for p in page.all("p", "turn")] == ["1 live", "2 retired"]


# ---- A clock that was wrong


@pytest.mark.parametrize("wrong", [date(1970, 1, 1), date(2036, 2, 7), FIRST + timedelta(days=30)], ids=str)
def test_one_night_with_a_wrong_clock_spoils_nothing(wrong: date) -> None:
    """A run that is out of order, or dated after the page, is on no day; that is said, and it is listed."""
    nights = [run(night(FIRST + timedelta(days=n))) for n in range(40)]
    nights[20] = run(night(wrong), verdict=VerdictKind.INCONCLUSIVE)
    today = FIRST + timedelta(days=39)
    calendar = laid_out(nights, today)
    assert calendar.misdated == 1
    assert calendar.missed == (1, FIRST + timedelta(days=20))
    assert [month.first for month in calendar.drawn] == [date(2026, 1, 1), date(2025, 12, 1)]
    page = history(chained(nights), at=night(today, 5))
    text = words(page.all("main")[0].text)
    assert "1 run is on no day here, because the clock was wrong" in text
    assert f"{wrong:%a} {wrong.day} {wrong:%b %Y}, 02:30" in text
    assert "clock was wrong" not in words(history(one_a_night(40)).all("main")[0].text)


# ---- A law


@given(
    st.lists(st.tuples(st.integers(0, 900), st.sampled_from(VerdictKind)), min_size=1, max_size=30), st.integers(0, 60)
)
@example([(0, VerdictKind.TRUSTWORTHY), (900, VerdictKind.INCONCLUSIVE)], 0)
@example([(395, VerdictKind.TRUSTWORTHY)], 0)
def test_every_run_and_every_missed_day_is_counted_once(nights: list[tuple[int, VerdictKind]], after: int) -> None:
    """Drawn days and sums together hold each run once, and each day without one since the first run."""
    with at_home():
        ordered = sorted(nights, key=lambda one: one[0])
        records = [run(night(FIRST + timedelta(days=day)), verdict=kind) for day, kind in ordered]
        today = FIRST + timedelta(days=ordered[-1][0] + after)
        calendar = laid_out(records, today)
        drawn = [day for month in calendar.drawn for day in month.days]
        assert sum(len(day.nights) for day in drawn) + sum(one.runs for one in calendar.older) == len(nights)
        days_with = {day for day, _ in nights}
        missed = (
            (today - FIRST).days
            - min(days_with)
            - len({day for day in days_with if FIRST + timedelta(days=day) < today})
        )
        counted = sum((one.days for one in calendar.older), Counter(day.kind for day in drawn))
        assert counted[NO_RUN] == calendar.missed[0] == missed
        assert counted.total() - counted[""] - missed == len(days_with)
        assert len(calendar.drawn) <= MOST_MONTHS
        assert len({day.date for day in drawn}) == len(drawn)


def test_what_was_told_is_in_the_order_of_the_ledger() -> None:
    """Runs and steps keep their places, and numbers are those of their entries."""
    entries: list[LedgerEntry] = year()
    everything = told(entries, (), MORNING.date())
    assert len(everything) == len(entries)
    numbers = [one.number for one in everything if isinstance(one, Night)]
    assert numbers == [entry.number for entry in entries if isinstance(entry.record, RunRecord)]
    assert not any(one.misdated for one in everything if isinstance(one, Night))
