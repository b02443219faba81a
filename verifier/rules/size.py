"""Sizes and durations as rule files write them."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

UNITS: Final = {
    "B": 1, "kB": 1000, "MB": 1000**2, "GB": 1000**3, "KiB": 1024, "MiB": 1024**2, "GiB": 1024**3,
}  # fmt: skip
_SIZE: Final = re.compile(rf"([0-9]+(?:\.[0-9]+)?) ?({'|'.join(UNITS)})", re.ASCII)


def size_of(value: object) -> int | None:
    """Return a number of bytes from a number or a text such as ``32 MiB``; None where it is neither."""
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
        return value
    if isinstance(value, str) and (match := _SIZE.fullmatch(value)):
        return int(Decimal(match[1]) * UNITS[match[2]])
    return None


NANOSECONDS: Final = {"ms": 10**6, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9}
_DURATION: Final = re.compile(rf"([0-9]+(?:\.[0-9]+)?) ?({'|'.join(NANOSECONDS)})", re.ASCII)


def nanoseconds_of(value: object) -> int | None:
    """Return nanoseconds from a text such as ``2 s``; None where it is none."""
    if isinstance(value, str) and (match := _DURATION.fullmatch(value)):
        return int(Decimal(match[1]) * NANOSECONDS[match[2]])
    return None
