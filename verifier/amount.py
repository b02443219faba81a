"""Sizes and durations as people write them on a command line and in a job file."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

SIZES: Final = {
    "B": 1, "KB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12,
    "KIB": 2**10, "MIB": 2**20, "GIB": 2**30, "TIB": 2**40,
}  # fmt: skip
"""Bytes in each unit, in capitals; any case is read."""
SECONDS: Final = {"s": 1, "min": 60, "h": 3600, "d": 86400, "w": 7 * 86400, "y": 365 * 86400}
"""Seconds in each unit; a year is 365 days."""
MOST_BYTES: Final = 2**63 - 1
MOST_SECONDS: Final = 100 * 366 * 86400
_AMOUNT: Final = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?([A-Za-z]+)", re.ASCII)


def size_of(text: str) -> int | None:
    """Return bytes from a text such as ``500GB`` or ``32 MiB``; None where it is not one."""
    match = _AMOUNT.fullmatch(text)
    unit = None if match is None else SIZES.get(match[2].upper())
    return None if match is None or unit is None else int(Decimal(match[1]) * unit)


def seconds_of(text: str) -> float | None:
    """Return seconds from a text such as ``5h`` or ``30d``; None where it is not one."""
    match = _AMOUNT.fullmatch(text)
    unit = None if match is None else SECONDS.get(match[2])
    return None if match is None or unit is None else float(match[1]) * unit
