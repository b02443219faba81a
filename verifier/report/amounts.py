"""Amounts as people read them."""

from __future__ import annotations

from datetime import date, datetime
from functools import lru_cache
from typing import Final

_EPOCH_DAY: Final = date(1970, 1, 1).toordinal()
_TWO_DIGITS: Final = tuple(f"{number:02}" for number in range(60))


def size_text(size_bytes: int) -> str:
    """Return a size in decimal units with three figures, and in bytes below 1 kB."""
    if size_bytes < 1000:
        return f"{size_bytes} B"
    size = float(size_bytes)
    for unit in ("kB", "MB", "GB", "TB"):
        size /= 1000
        if size < 999.5:
            return f"{size:.3g} {unit}"
    return f"{size / 1000:.4g} PB"


def share_of(part: int, whole: int) -> str:
    """Return a share in per cent, cut off rather than rounded up: all is said of all only."""
    if part >= whole:
        return "100 %"
    return f"{part * 1000 // whole / 10:g} %"


def duration_text(seconds: float) -> str:
    """Return a length of time in its two largest units."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    if days:
        return f"{days} d {hours} h"
    if hours:
        return f"{hours} h {minutes:02} min"
    return f"{minutes} min {rest:02} s" if minutes else f"{rest} s"


def time_text(time_ns: int | None) -> str:
    """Return a file's time as ISO 8601 in UTC, with as many decimals as it has; empty where there is none."""
    if time_ns is None:
        return ""
    seconds, rest = divmod(time_ns, 10**9)
    minutes, second = divmod(seconds, 60)
    hours, minute = divmod(minutes, 60)
    days, hour = divmod(hours, 24)
    try:
        day = _day_text(days)
    except (OverflowError, ValueError):
        return f"{seconds} s after 1970-01-01T00:00:00Z"
    decimals = f".{rest:09d}".rstrip("0") if rest else ""
    return f"{day}T{_TWO_DIGITS[hour]}:{_TWO_DIGITS[minute]}:{_TWO_DIGITS[second]}{decimals}Z"


@lru_cache(maxsize=16_384)
def _day_text(days: int) -> str:
    """Return a date as ISO 8601 by its days since 1970; a table has few days, and two times in each of its rows."""
    return date.fromordinal(_EPOCH_DAY + days).isoformat()


def instant_text(text: str) -> str:
    """Return an ISO 8601 instant with a space and the name of its zone; the empty text where it is none."""
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        return ""
    return f"{instant:%Y-%m-%d %H:%M:%S} {instant.tzname() or 'without zone'}"
