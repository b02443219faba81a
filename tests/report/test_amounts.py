"""Amounts as people read them."""

from __future__ import annotations

import string
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from verifier.report.amounts import duration_text, size_text, time_text


@pytest.mark.parametrize(
    ("size_bytes", "text"),
    [
        (0, "0 B"),
        (1, "1 B"),
        (999, "999 B"),
        (1000, "1 kB"),
        (1234, "1.23 kB"),
        (999_499, "999 kB"),
        (999_500, "1 MB"),
        (2_500_000, "2.5 MB"),
        (10**12, "1 TB"),
        (87_654_321_000_000, "87.7 TB"),
        (10**15, "1 PB"),
        (12_345 * 10**15, "1.234e+04 PB"),
    ],
)
def test_a_size_has_three_figures(size_bytes: int, text: str) -> None:
    """Decimal units (IEC 80000-13), never 1,000 of a smaller one where a larger one says it."""
    assert size_text(size_bytes) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (0.4, "0 s"),
        (1.6, "2 s"),
        (59.4, "59 s"),
        (59.6, "1 min 00 s"),
        (61, "1 min 01 s"),
        (3599.4, "59 min 59 s"),
        (3599.6, "1 h 00 min"),
        (3661, "1 h 01 min"),
        (86_399, "23 h 59 min"),
        (86_400, "1 d 0 h"),
        (14 * 86_400 + 5 * 3600 + 59 * 60, "14 d 5 h"),
    ],
)
def test_a_length_of_time_is_told_in_its_two_largest_units(seconds: float, text: str) -> None:
    """Seconds matter for minutes, hours for days; rounding never gives 60 of a unit."""
    assert duration_text(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "1970-01-01T00:00:00Z"),
        (-1, "1969-12-31T23:59:59Z"),
        (2**31 - 1, "2038-01-19T03:14:07Z"),  # the last second of a signed 32-bit time, inode(7)
        (315532800, "1980-01-01T00:00:00Z"),  # the first day of FAT, Win32 documentation, File Times
        (-11644473600, "1601-01-01T00:00:00Z"),  # FILETIME 0, Win32 documentation, File Times
        (253402300799, "9999-12-31T23:59:59Z"),
    ],
)
def test_times_are_iso_8601_in_utc(seconds: int, text: str) -> None:
    """Whole seconds have no decimals, and the years before 1970 count down rightly."""
    assert time_text(seconds * 10**9) == text


def test_decimals_are_as_many_as_the_time_has() -> None:
    """No digit is lost and none is made up."""
    assert [time_text(ns) for ns in (1, 10**8, 123456789, -1, 999999999)] == [
        "1970-01-01T00:00:00.000000001Z",
        "1970-01-01T00:00:00.1Z",
        "1970-01-01T00:00:00.123456789Z",
        "1969-12-31T23:59:59.999999999Z",
        "1970-01-01T00:00:00.999999999Z",
    ]


@given(st.integers(-(2**63) + 1, 2**63 - 1))
@example(-1)
@example(86_400 * 10**9 - 1)
@example(-86_400 * 10**9)
@example(-86_400 * 10**9 - 1)
def test_a_time_comes_back_to_the_nanosecond(time_ns: int) -> None:
    """Every time that a manifest can hold is written so that it can be read back."""
    text = time_text(time_ns)
    whole, _, decimals = text.removesuffix("Z").partition(".")
    assert set(decimals) <= set(string.digits)
    since = datetime.fromisoformat(whole).replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    assert since // timedelta(seconds=1) * 10**9 + int(decimals.ljust(9, "0")) == time_ns


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (-62135596801, "-62135596801 s after 1970-01-01T00:00:00Z"),
        (-62135596800, "0001-01-01T00:00:00Z"),
        (-30610224001, "0999-12-31T23:59:59Z"),
        (253402300800, "253402300800 s after 1970-01-01T00:00:00Z"),
        (10**30, f"{10**30} s after 1970-01-01T00:00:00Z"),
    ],
)
def test_a_time_outside_the_calendar_is_told_in_seconds(seconds: int, text: str) -> None:
    """ISO 8601 has years of four digits; what lies before or after them is told all the same."""
    assert time_text(seconds * 10**9) == text


def test_no_time_is_no_text() -> None:
    """A side that has nothing has no time, and none is made up."""
    assert not time_text(None)
