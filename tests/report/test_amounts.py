"""Amounts as people read them."""

from __future__ import annotations

import pytest

from verifier.report.amounts import duration_text, size_text


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
