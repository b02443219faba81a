"""Which evidence goes when it is old: never what somebody will need, and never all of it because a clock was wrong."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.ledger.records import DAY, FIRST_NIGHT, TOOK, bad, failed, night, step
from verifier.classes import Phase
from verifier.job.job import Keeping
from verifier.ledger.places import RUNS
from verifier.ledger.record import News, Outcome, PhaseRecord, RunRecord
from verifier.ledger.retention import due

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

Records = list[RunRecord | PhaseRecord]
KEEP: Final = Keeping()
DAY_S: Final = 86400.0
NEWS: Final = News(new=1)


def at(number: float) -> datetime:
    """Return the end of a night."""
    return FIRST_NIGHT + number * DAY + TOOK


def names(records: Iterable[RunRecord | PhaseRecord]) -> list[str]:
    """Return the names of the runs among records."""
    return [record.run for record in records if isinstance(record, RunRecord)]


def left(
    records: Sequence[RunRecord | PhaseRecord],
    number: float,
    there: Collection[str] | None = None,
    signed: Collection[str] = (),
    keep: Keeping = KEEP,
) -> list[str]:
    """Return what is left of the evidence at the end of a night."""
    there = names(records) if there is None else there
    going = due(records, there, signed, keep, at(number))
    assert set(going) <= set(there)
    return [run for run in names(records) if run in there and run not in going]


def test_all_are_kept_for_two_weeks_then_one_a_week_then_one_a_month_then_none() -> None:
    """Counted by hand: 1 December 2026 is a Tuesday; 60 nights, and two hundred days of nothing but good nights."""
    nights: Records = [night(number) for number in range(60)]
    kept = left(nights, 59)
    assert kept[-15:] == names(nights[45:])  # 15 January on
    # Of each week the Sunday, as far as it is older than two weeks.
    sundays = [night(number).run for number in (5, 12, 19, 26, 33, 40)]
    assert kept[:-15] == [*sundays, night(44).run]
    late: Records = [night(number) for number in range(200)]
    kept = left(late, 199)
    # More than 90 days old: of each month the last of the Sundays, since of each week nothing else is left.
    sundays = ["20261227", "20270131", "20270228", "20270314"]
    assert [run[:8] for run in kept[:4]] == sundays
    # Then 11 Sundays from 21 March on, the last night before the last two weeks, and these.
    assert len(kept) == 4 + 11 + 1 + 15
    assert len(left(late, 199, keep=Keeping(monthly_s=90 * DAY_S))) == 11 + 1 + 15


def test_ten_years_of_nights_leave_some_hundred_and_fifty() -> None:
    """Applied again and again, as it is: 15 days, 13 weeks, 121 months, and what is kept for a reason."""
    records: Records = []
    there: set[str] = set()
    for number in range(3800):
        records.append(night(number))
        there.add(night(number).run)
        if number % 30 == 0 or number > 3790:  # what is old goes a little later
            there -= set(due(records, there, (), KEEP, at(number)))
    assert len(there) <= 15 + 13 + 121
    months = Counter(run[:6] for run in there)
    assert len(months) >= 119


def test_the_last_good_night_of_a_week_is_kept_rather_than_the_last() -> None:
    """And the last one where none was good."""
    week: Records = [night(number) if number in (7, 8) else bad(number) for number in range(6, 13)]
    later: Records = [night(40), bad(41)]
    assert left([*week, *later], 41) == [night(8).run, *names(later)]
    only_bad: Records = [bad(number) for number in range(6, 13)]
    assert left([*only_bad, *later], 41) == [night(12).run, *names(later)]


# ---- What is never removed

OLD: Final = 5000
"""Days after which nothing is left but what is kept for ever."""
LATER: Final[Records] = [night(OLD + number * 30) for number in range(200)]
"""Enough of later nights that what is before them is old, each a month after the one before it."""


@pytest.mark.parametrize(
    ("kept", "why"),
    [
        (night(0, news=News(new=1)), "something new"),
        (bad(0, news=News(worse=1)), "something worse"),
        (bad(0, phase=Phase.COPYING), "the last finished run of a phase"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_kept_for_ever(kept: RunRecord, why: str) -> None:
    """However old."""
    assert why
    records: Records = [kept, night(1), *LATER]
    assert left(records, 12_000)[0] == kept.run
    assert night(1).run not in left(records, 12_000)


def test_what_is_signed_is_kept_for_ever() -> None:
    """And what is not, is not."""
    records: Records = [night(0), night(1), *LATER]
    assert night(1).run not in left(records, 12_000)
    assert left(records, 12_000, signed={night(1).run})[0] == night(1).run


def test_a_night_that_only_repeats_what_was_known_is_kept_like_any_other() -> None:
    """One file that nobody repairs would otherwise keep every night of a year."""
    known: Records = [bad(number, news=News(known=1, repaired=1, accepted=1)) for number in range(400)]
    assert len(left([night(-1), *known], 399)) < 50


def test_the_last_good_night_and_the_last_finished_one_are_kept() -> None:
    """Though years of bad nights, and of none at all, follow."""
    later: Records = [failed(OLD + number * 30, evidence="") for number in range(200)]
    records: Records = [night(0), night(1), bad(2), *later]
    assert left(records, 12_000)[:2] == [night(1).run, bad(2).run]
    assert left(records, 12_000, there={night(0).run, bad(2).run}) == [night(0).run, bad(2).run]


def test_the_baseline_is_kept() -> None:
    """The one that the last step with a baseline names; one that it took the place of is not."""
    first = step(1.5, Phase.LIVE, Phase.FROZEN, baseline=f"{RUNS}/{night(1).run}")
    again = step(4.5, Phase.LIVE, Phase.FROZEN, baseline=f"{RUNS}/{night(3).run}")
    retired = step(5.5, Phase.RETIRED, Phase.LIVE)
    nights: Records = [night(number) for number in range(4)]
    assert left([*nights, first, *LATER], 12_000)[0] == night(1).run
    kept = left([*nights, first, night(4), again, night(5), retired, *LATER], 12_000)
    assert kept[0] == night(3).run
    assert night(1).run not in kept


def test_what_no_entry_knows_is_left_alone() -> None:
    """It is a matter for a check of the ledger."""
    assert due([night(0)], {night(0).run, "19990101T000000Z"}, (), KEEP, at(9000)) == []


# ---- A clock that is wrong


def test_a_clock_that_was_set_back_removes_nothing_more() -> None:
    """Whether tonight's is wrong or yesterday's was: what lies in the future has no age."""
    nights: Records = [night(number) for number in range(400)]
    rightly = due(nights, names(nights), (), KEEP, at(399))
    assert len(rightly) > 300
    assert due(nights, names(nights), (), KEEP, datetime(1990, 1, 1, tzinfo=UTC)) == []
    back: Records = [*nights, *[night(number - 9000) for number in range(400, 405)]]
    assert due(back, names(back), (), KEEP, at(-8596)) == []
    # Five nights far in the future, and then all is well again.
    ahead: Records = [*nights[:390], *[night(number + 9000) for number in range(390, 395)], *nights[395:]]
    assert due(ahead, names(ahead), (), KEEP, at(399)) == rightly


def test_a_clock_that_went_on_by_years_removes_no_more_than_a_month_would() -> None:
    """One night of a wrong clock must not cost the evidence of years."""
    nights: Records = [night(number) for number in range(800)]
    there = left(nights, 799)
    assert len(there) == 15 + 12 + 24
    wrong: Records = [*nights, night(9000)]
    kept = left(wrong, 9000, there=[*there, night(9000).run])
    assert kept == [*left([*nights, night(830)], 830, there=[*there, night(830).run])[:-1], night(9000).run]
    assert len(kept) > 30


# ---- Laws


@st.composite
def histories(draw: st.DrawFn, *, steady: bool = False) -> tuple[Records, set[str], set[str], float]:
    """Draw a ledger, whose evidence is there, what is signed, and how long after its last entry it is.

    Args:
        draw: What Hypothesis draws with.
        steady: Whether the clock only ever goes on, and no faster than a night in a month.
    """
    gaps = st.floats(0.001, 30) if steady else st.sampled_from([1.0, 1.0, 1.0, 7.3, 40.0, 500.0, -3.0, -400.0])
    records: Records = []
    now = draw(st.floats(0, 60))
    for number in range(draw(st.integers(0, 30))):
        now += draw(gaps)
        facts: dict[str, Any] = {
            "phase": draw(st.sampled_from([Phase.FROZEN, Phase.FROZEN, Phase.LIVE])),
            "news": draw(st.sampled_from([News(), News(), News(known=2), News(worse=1)])),
            "run": f"{night(now).run}-{number}",
        }
        make = draw(st.sampled_from([night, night, bad, failed]))
        records.append(make(now, **facts))
        if draw(st.integers(0, 9)) == 0 and records:
            named = draw(st.sampled_from(names(records) or ["none"]))
            records.append(step(now, Phase.LIVE, Phase.FROZEN, baseline=f"{RUNS}/{named}"))
    runs = names(records)
    there = {run for run in runs if draw(st.integers(0, 9))}
    signed = {run for run in there if draw(st.integers(0, 9)) == 0}
    return records, there, signed, now + draw(st.floats(0, 30) if steady else st.sampled_from([0.0, 1.0, 400.0, -50.0]))


def keepings() -> st.SearchStrategy[Keeping]:
    """Draw how long evidence is kept; in no order of size."""
    days = st.sampled_from([0.0, 1.0, 10.0, 14.0, 90.0, 400.0]).map(lambda number: number * DAY_S)
    return st.builds(Keeping, days, days, days)


def last_of(records: Records, there: set[str], wanted: Any) -> str | None:
    """Return the last run whose evidence is there and that is what is wanted."""
    found = [one.run for one in records if isinstance(one, RunRecord) and one.run in there and wanted(one)]
    return found[-1] if found else None


@given(histories(), keepings())
def test_what_somebody_will_need_is_never_removed(
    history: tuple[Records, set[str], set[str], float], keep: Keeping
) -> None:
    """The last good run, the last finished one, also of each phase, the baseline, what is signed, what was news."""
    records, there, signed, number = history
    going = set(due(records, there, signed, keep, at(number)))
    assert going <= there
    finished = Outcome.FINISHED
    assert last_of(records, there, lambda one: one.is_good) not in going
    assert last_of(records, there, lambda one: one.outcome is finished) not in going
    for phase in Phase:
        assert last_of(records, there, lambda one, p=phase: one.phase is p and one.outcome is finished) not in going
    assert not going & signed
    baselines = [one.baseline for one in records if isinstance(one, PhaseRecord)]
    assert not baselines or baselines[-1].removeprefix(f"{RUNS}/") not in going
    assert not going & {one.run for one in records if isinstance(one, RunRecord) and one.news.worse}


@given(histories(), keepings())
def test_twice_at_one_moment_removes_nothing_more(
    history: tuple[Records, set[str], set[str], float], keep: Keeping
) -> None:
    """What is left is what is to be left; and the ledger's order is the order in which they are named."""
    records, there, signed, number = history
    going = due(records, there, signed, keep, at(number))
    assert due(records, there - {*going}, signed, keep, at(number)) == []
    assert going == [run for run in names(records) if run in {*going}]


@given(histories(steady=True), st.floats(0, 200))
def test_what_is_due_stays_due(history: tuple[Records, set[str], set[str], float], later: float) -> None:
    """Time alone saves nothing that was to go: what a crash left there goes the next night."""
    records, there, signed, number = history
    now = due(records, there, signed, KEEP, at(number))
    assert {*now} <= {*due(records, there, signed, KEEP, at(number + later))}


@given(histories(), keepings(), st.floats(0, 400))
def test_who_keeps_all_for_longer_keeps_no_less(
    history: tuple[Records, set[str], set[str], float], keep: Keeping, more: float
) -> None:
    """Of what is kept for a time, and months."""
    records, there, signed, number = history
    longer = Keeping(keep.every_s, keep.weekly_s, keep.monthly_s + more * DAY_S)
    now = at(number)
    assert {*due(records, there, signed, longer, now)} <= {*due(records, there, signed, keep, now)}


@given(histories(steady=True))
def test_the_young_are_kept(history: tuple[Records, set[str], set[str], float]) -> None:
    """Whatever else: all of the last two weeks."""
    records, there, signed, number = history
    going = {*due(records, there, signed, KEEP, at(number))}
    for one in records:
        if isinstance(one, RunRecord) and one.run in going:
            assert at(number) - datetime.fromisoformat(one.finished) > timedelta(days=14)
