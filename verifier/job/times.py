"""Times of day and instants as people write them in a job file and on a command line."""

from __future__ import annotations

import re
from datetime import date, datetime, time
from typing import Final

_TIME_OF_DAY: Final = re.compile(r"([0-9]{1,2}):([0-9]{2})", re.ASCII)


def time_of_day(value: object) -> time | None:
    """Return a local time of day from TOML's own or a text such as ``06:00``; None where it is neither."""
    if isinstance(value, time):
        return value if value.tzinfo is None else None
    match = _TIME_OF_DAY.fullmatch(value) if isinstance(value, str) else None
    try:
        return None if match is None else time(int(match[1]), int(match[2]))
    except ValueError:
        return None


def instant_of(value: object) -> datetime | None:
    """Return an aware instant from TOML's own date-time or date, or from ISO 8601 text; None where it is none.

    One without a zone is local.
    """
    try:
        if isinstance(value, str):
            value = datetime.fromisoformat(value)
        elif isinstance(value, date) and not isinstance(value, datetime):
            value = datetime(value.year, value.month, value.day)  # noqa: DTZ001  local: the next line says so
        return value.astimezone() if isinstance(value, datetime) else None
    except (ValueError, OverflowError, OSError):  # no such day, or one that this system's clock cannot count to
        return None
