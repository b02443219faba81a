"""The watch: well only where there was a good run lately, and otherwise one line that says what there was instead."""

from __future__ import annotations

import time
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from tests.ledger.records import DAY, FIRST_NIGHT, TOOK, bad, failed, night
from verifier.classes import Phase, VerdictKind
from verifier.ledger.record import News, Outcome
from verifier.ledger.watch import Watched, watch

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verifier.ledger.record import RunRecord

HOUR_S = 3600.0


@pytest.fixture(autouse=True)
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Be in a zone in which it is an hour later than in UTC, all year."""
    monkeypatch.setenv("TZ", "XXX-1")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def watched(*runs: RunRecord, hours: float = 26, since: timedelta = timedelta(0)) -> Watched:
    """Return the answer so long after the end of the night of number 10."""
    return watch(reversed(runs), hours * HOUR_S, FIRST_NIGHT + 10 * DAY + TOOK + since)


def test_a_good_run_lately_is_well() -> None:
    """Counted from its end, to the second."""
    assert watched(night(10)).is_well
    for since, well in ((26 * HOUR_S, True), (26 * HOUR_S + 1, False)):
        assert watched(night(10), since=timedelta(seconds=since)).is_well is well
    assert watched(night(9), bad(10), failed(10.1)).is_well
    assert watched(night(10)).text == (
        "the last good run, 20261211T023000Z, ended 2026-12-11 05:44, 0 s ago; no run since"
    )


def test_one_that_took_a_day_counts_from_its_end() -> None:
    """It began 30 hours ago, and ended just now."""
    long = night(8.8, finished=night(10).finished)
    assert watched(long).is_well


def test_too_long_ago_is_told_with_all_that_came_since() -> None:
    """When it was, how long ago, what the runs since came to, and why the last one did not go well."""
    runs = [night(6), bad(7), failed(8), failed(9), bad(10, news=News(headline="3 known"))]
    told = watched(*runs, hours=50)
    assert not told.is_well
    assert told.text == (
        "the last good run, 20261207T023000Z, ended 2026-12-07 05:44, 4 d 0 h ago, more than 2 d 2 h; "
        "4 runs since: 2 not trustworthy, 2 could not run; last: 20261211T023000Z not trustworthy, 3 known"
    )


def test_every_way_to_end_has_its_words() -> None:
    """Each is counted by itself; the most first, then the latest."""
    ways = [
        bad(3, verdict=VerdictKind.INCONCLUSIVE, exit_code=3),
        *(failed(4 + n / 10, outcome=way) for n, way in enumerate(Outcome) if way is not Outcome.FINISHED),
    ]
    told = watched(night(2), *ways).text
    assert "5 runs since: 1 killed, 1 could not run, 1 interrupted, 1 window ended, 1 inconclusive; last: " in told
    assert told.endswith(" killed, the share is not mounted")


def test_no_run_since_is_told() -> None:
    """The timer itself has stopped: nothing else would say so."""
    assert watched(night(2)).text.endswith("8 d 0 h ago, more than 1 d 2 h; no run since")


def test_no_good_run_yet_is_not_well() -> None:
    """Nothing to watch is not success."""
    assert watched() == Watched(False, "no run was ever recorded")
    assert watched(failed(9), bad(10)) == Watched(
        False,
        "there was never a good run; 2 runs: 1 not trustworthy, 1 could not run; "
        "last: 20261211T023000Z not trustworthy, 3 files missing",
    )


def test_a_good_run_that_is_still_to_come_is_not_well() -> None:
    """By more than an hour; a clock that was set may have hidden weeks."""
    assert watched(night(10), since=-timedelta(hours=1)).is_well
    told = watched(night(10), since=-timedelta(hours=1, seconds=1))
    assert told == Watched(
        False,
        "the last good run, 20261211T023000Z, ended 2026-12-11 05:44, which is still to come: a clock was set; "
        "no run since",
    )


def test_while_copying_a_quiet_night_is_good() -> None:
    """No verdict is trustworthy yet; a night that found something worse, or did not finish, does not count."""
    assert watched(bad(10, phase=Phase.COPYING)).is_well
    assert not watched(bad(10, phase=Phase.COPYING, news=News(worse=1))).is_well
    assert not watched(failed(10, phase=Phase.COPYING)).is_well


def test_quiet_is_a_good_run_or_one_that_copies_on() -> None:
    """While the copy is being made no verdict is trustworthy; what is new or worse, or did not finish, is not quiet."""
    copying: dict[str, Any] = {"phase": Phase.COPYING}
    assert night().is_quiet
    assert night(news=News(known=3)).is_quiet
    assert bad(**copying).is_quiet
    assert bad(**copying, news=News(known=3, repaired=1)).is_quiet
    assert not bad(**copying, news=News(new=1)).is_quiet
    assert not bad(**copying, news=News(worse=1)).is_quiet
    assert not failed(**copying).is_quiet
    assert not bad(**copying, outcome=Outcome.KILLED).is_quiet
    assert not bad().is_quiet


def test_only_as_many_runs_are_read_as_it_takes() -> None:
    """The last good one is mostly the first that is looked at."""

    def runs() -> Iterator[RunRecord]:
        yield failed(10)
        yield night(9)
        raise AssertionError

    assert watch(runs(), 1e6, FIRST_NIGHT + 10 * DAY).is_well


def test_what_a_reason_holds_can_do_nothing() -> None:
    """One line, whatever a name brought along."""
    told = watched(night(1), failed(10, reasons=("maps\n\x1b[2J\u202e is gone",))).text
    assert told.isprintable()
    assert r"maps\x0a\x1b[2J" in told
