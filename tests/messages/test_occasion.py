"""When somebody is told, and about which of several things."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.messages.nights import FIRST, night, run, worse
from verifier.classes import VerdictKind
from verifier.job.job import Occasion
from verifier.ledger.record import News, Outcome
from verifier.messages.occasion import BY_GRAVITY, gravest, occasions, week_is_over


@pytest.mark.parametrize("outcome", [Outcome.COULD_NOT_RUN, Outcome.KILLED, Outcome.INTERRUPTED])
def test_a_run_that_did_not_reach_its_end_is_a_failure(outcome: Outcome) -> None:
    """Nobody watches: a night without a check must not look like a good one."""
    assert occasions(run(1, outcome), run(0)) == {Occasion.FAILURE, Occasion.EVERY}


def test_a_quiet_good_night_is_no_occasion_but_for_who_asked_for_every() -> None:
    """Mail comes only when it matters."""
    assert occasions(run(1), run(0)) == {Occasion.EVERY}
    assert occasions(run(0), None) == {Occasion.EVERY}


@pytest.mark.parametrize("news", [News(new=1), News(worse=1), News(new=1, repaired=5), News(worse=1, known=3)])
def test_something_new_or_worse_is_worse_whatever_else_is_better(news: News) -> None:
    """One new damage counts more than five repaired ones."""
    record = replace(run(1), news=news, verdict=VerdictKind.NOT_TRUSTWORTHY)
    assert occasions(record, record) == {Occasion.WORSE, Occasion.EVERY}


def test_what_is_known_already_is_not_told_again() -> None:
    """The same bad night as the last one is no occasion."""
    record = replace(run(1), news=News(known=3), verdict=VerdictKind.NOT_TRUSTWORTHY)
    assert occasions(record, worse(0)) == {Occasion.EVERY}


def test_a_verdict_that_fell_is_worse_without_anything_new() -> None:
    """Where an exception ends, what it covered was there the night before, and stands in the way now."""
    record = replace(run(1), news=News(known=3), verdict=VerdictKind.NOT_TRUSTWORTHY)
    assert Occasion.WORSE in occasions(record, replace(run(0), verdict=VerdictKind.WITH_EXCEPTIONS))
    assert Occasion.WORSE in occasions(record, None)


def test_better_is_a_trusted_verdict_after_another_or_repairs_with_nothing_left() -> None:
    """Good news is told once, and only when nothing is left behind it."""
    assert occasions(run(1), worse(0)) == {Occasion.BETTER, Occasion.EVERY}
    repaired = replace(run(1), news=News(repaired=2, accepted=9))
    assert occasions(repaired, run(0)) == {Occasion.BETTER, Occasion.EVERY}
    partly = replace(worse(1), news=News(repaired=2, known=1))
    assert occasions(partly, worse(0)) == {Occasion.EVERY}


def test_every_third_window_that_ends_without_a_finished_run_is_a_failure() -> None:
    """One night's window is no failure, and reading for the first time may take many nights."""
    ended = [run(n, Outcome.WINDOW_ENDED) for n in range(7)]
    failed = [
        Occasion.FAILURE in occasions(one, None, night(*ended[: n + 1]).windows_ended) for n, one in enumerate(ended)
    ]
    assert failed == [False, False, True, False, False, True, False]


def test_windows_are_counted_since_the_last_finished_run_whatever_else_happened_between() -> None:
    """A night that was interrupted does not make two windows that ended a new beginning; a finished one does."""
    ended = Outcome.WINDOW_ENDED
    assert night(run(0), run(1, ended), run(2, Outcome.INTERRUPTED), run(3, ended), run(4, ended)).windows_ended == 3
    assert night(run(0, ended), run(1, ended), run(2), run(3, ended)).windows_ended == 1
    # Counted, too, where the last run is another failure: it is not told as one of the window.
    mixed = night(run(0, ended), run(1, ended), run(2, ended), run(3, Outcome.KILLED))
    assert occasions(mixed.record, None, mixed.windows_ended) == {Occasion.FAILURE, Occasion.EVERY}


def test_the_runs_before_are_those_that_began_before() -> None:
    """A run that was killed is told about by the one after it, whose own record must not count as before."""
    runs = (run(0), run(1, Outcome.KILLED), worse(2))
    one = replace(night(*runs), record=runs[1])
    assert one.before == runs[0]
    assert [item.run for item in one.week] == [runs[0].run, runs[1].run]
    assert night(run(5)).first_started == FIRST + timedelta(days=5)


@pytest.mark.parametrize(
    ("last", "due"),
    [
        (timedelta(days=7), True),
        (timedelta(days=7) - timedelta(hours=3), True),
        (timedelta(days=6), False),
        (timedelta(0), False),
        (timedelta(hours=-1), False),
        (timedelta(days=-30), True),
    ],
    ids=["a week", "a shorter night", "six days", "now", "a clock a little off", "written by a wrong clock"],
)
def test_a_week_is_seven_nights_that_are_not_equally_long(last: timedelta, due: bool) -> None:
    """A run that ends three hours earlier than a week ago is the week's; a clock that was wrong does not stop it."""
    now = FIRST + timedelta(days=400)
    assert week_is_over(now, now - last, FIRST) is due


def test_the_first_week_counts_from_the_first_run() -> None:
    """A job that began tonight has no week to tell about."""
    assert not week_is_over(FIRST, None, FIRST)
    assert week_is_over(FIRST + timedelta(days=7), None, FIRST)


def test_the_gravest_names_the_message() -> None:
    """Failure, then worse, better, weekly, every; and each occasion has its place."""
    assert gravest(set(Occasion)) is Occasion.FAILURE
    assert gravest({Occasion.EVERY, Occasion.WEEKLY, Occasion.BETTER}) is Occasion.BETTER
    assert gravest(()) is None
    assert set(BY_GRAVITY) == set(Occasion)
