"""Sizes and durations as rule files write them."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

UNITS: Final = {
    "B": 1, "kB": 1000, "MB": 1000**2, "GB": 1000**3, "KiB": 1024, "MiB": 1024**2, "GiB": 1024**3,
}  # fmt: skip
NANOSECONDS: Final = {"ms": 10**6, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9}
_AMOUNT: Final = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?([A-Za-z]+)", re.ASCII)


def size_of(value: object) -> int | None:
    """Return a number of bytes from a number or a text such as ``32 MiB``; None where it is neither."""
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
        return value
    return _amount_of(value, UNITS)


def nanoseconds_of(value: object) -> int | None:
    """Return nanoseconds from a text such as ``2 s``; None where it is none."""
    return _amount_of(value, NANOSECONDS)


def _amount_of(value: object, units: Mapping[str, int]) -> int | None:
    match = _AMOUNT.fullmatch(value) if isinstance(value, str) else None
    if match is None or match[2] not in units:
        return None
    return int(Decimal(match[1]) * units[match[2]])
