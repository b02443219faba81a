"""What is read tonight so that every file is read as often as promised, and what is said where that cannot be."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reconcile.trees import file, write_manifest
from verifier.manifest.store import Manifest
from verifier.nightly.coverage import (
    DAY_S,
    Due,
    bytes_tonight,
    fresh,
    is_at_rest,
    overdue,
    plan_rereads,
    rate_of,
    too_short,
)

if TYPE_CHECKING:
    from pathlib import Path

NOW = datetime(2026, 12, 1, 2, 30, tzinfo=UTC)
TB = 10**12
HOUR_S = 3600.0


def days_ago(days: float) -> datetime:
    """Return a moment so long before now."""
    return NOW - timedelta(days=days)


@pytest.mark.parametrize(
    ("due", "wanted"),
    [
        ([], 0),
        ([Due(days_ago(0), 2700)], 100),
        ([Due(days_ago(26), 300), Due(days_ago(0), 2700)], 300),
        ([Due(days_ago(20), 700)], 100),
        ([Due(days_ago(40), 50)], 50),
        ([Due(days_ago(20), 700), Due(days_ago(10), 1700)], 142),
    ],
    ids=["nothing", "all in one night", "some tomorrow", "in a week", "overdue", "two steps"],
)
def test_tonight_is_as_much_as_every_deadline_takes(due: list[Due], wanted: int) -> None:
    """Worked by hand, with 30 days promised and 3 kept: what is due by each deadline, spread over the nights."""
    assert bytes_tonight(due, 30 * DAY_S, NOW) == wanted


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(0, 10**6)), max_size=20),
    st.integers(2, 60),
)
def test_whoever_reads_so_much_each_night_is_never_late(parts: list[tuple[int, int]], promised: int) -> None:
    """Night after night, the oldest first: what was not late at the beginning never is."""
    piles = [[age, size] for age, size in parts if age < promised - max(1.0, promised / 10) - 1]
    for _ in range(promised + 1):
        left = bytes_tonight([Due(days_ago(age), size) for age, size in piles], promised * DAY_S, NOW)
        for pile in sorted(piles, key=lambda one: -one[0]):
            read = min(left, pile[1])
            pile[1] -= read
            left -= read
            if read:
                piles.append([0, read])
        for pile in piles:
            pile[0] += 1
        assert all(age <= promised or not size for age, size in piles)
        piles = [pile for pile in piles if pile[1]]


def test_what_was_read_lately_is_left_alone() -> None:
    """For a quarter of the promised time: a first week in which nothing is read again."""
    assert is_at_rest(days_ago(7).isoformat(), 30 * DAY_S, NOW)
    assert not is_at_rest(days_ago(8).isoformat(), 30 * DAY_S, NOW)
    assert not is_at_rest("", 30 * DAY_S, NOW)


def test_a_file_that_does_not_fit_is_not_begun(tmp_path: Path) -> None:
    """At the rate that was measured, in the time that is left; where neither is known all fit."""
    manifest = write_manifest(tmp_path / "manifest", [file("a", b"x" * 100)])
    plan = plan_rereads(manifest, 30 * DAY_S, NOW, 100.0, time.monotonic() + 10)
    assert plan.fits is not None
    assert (plan.fits(900), plan.fits(1100)) == (True, False)
    for rate, until in ((0.0, time.monotonic()), (100.0, None)):
        free = plan_rereads(manifest, 30 * DAY_S, NOW, rate, until)
        assert free.fits is not None
        assert free.fits(10**15)


def test_fresh_counts_what_was_read_in_time(tmp_path: Path) -> None:
    """Files and bytes that were read since the promised time, of those whose content is known."""
    old, new = (days_ago(days).isoformat(timespec="seconds") for days in (31, 29))
    entries = [file("a", b"x" * 10, read_at=old), file("b", b"x" * 5, read_at=new)]
    manifest = write_manifest(tmp_path / "manifest", entries)
    with Manifest.open(manifest) as opened:
        totals = opened.totals()
    assert (fresh(manifest, totals, 30 * DAY_S, NOW).files, fresh(manifest, totals, 30 * DAY_S, NOW).bytes) == (1, 5)
    assert fresh(manifest, totals, 32 * DAY_S, NOW).bytes == 15


def test_a_window_that_is_too_short_is_told_with_its_arithmetic() -> None:
    """18 TB at 100 MB/s take 50 h; in nights of 1 h that is 50 nights, and 30 days are promised: 1 h 40 min a night."""
    told = too_short("new server", 18 * TB, 100e6, HOUR_S, 30 * DAY_S)
    assert told == (
        "window: new server: 18 TB at the measured 100 MB/s take 2 d 2 h, which is 50 nights of 1 h 00 min, and every "
        "file is promised to be read within 30 d 0 h; give it 1 h 40 min a night, or promise 50d"
    )
    assert too_short("new server", 18 * TB, 100e6, 2 * HOUR_S, 30 * DAY_S) == ""
    assert too_short("new server", 18 * TB, 0.0, HOUR_S, 30 * DAY_S) == ""
    assert too_short("new server", 18 * TB, 100e6, 0.0, 30 * DAY_S) == ""


def test_a_promise_that_was_not_kept_is_told() -> None:
    """How much is late, of how much, and since when."""
    told = overdue("new server", 3, (5 * TB, 18 * TB), 30 * DAY_S, "2026-10-01T02:30:00+00:00")
    assert told.startswith("promise: new server: 3 files with 5 TB of 18 TB not read within 30 d 0 h")
    assert overdue("new server", 0, (0, 18 * TB), 30 * DAY_S, "") == ""


def test_a_rate_is_believed_when_it_was_measured_long_enough() -> None:
    """A night that read next to nothing says nothing about how fast reading is."""
    assert rate_of(10**9, 10.0) == rate_of(10**6, 100.0) == 0.0
    assert rate_of(10**10, 100.0) == 10**8
