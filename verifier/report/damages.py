"""Where two files differ, as it is shown: a strip of the file, the ranges in words, the bytes around the first one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.classes import Side
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verifier.tree.damage import Damage

ROW_BYTES: Final = 16
MOST_RANGES: Final = 12
"""Ranges that are told one by one."""


class Stretch(NamedTuple):
    """A piece of the strip; positions are percent of the longer file."""

    begin: float
    length: float
    kind: str
    """``differs``, ``unknown`` (not compared) or ``gone`` (one file has ended)."""


class Bytes(NamedTuple):
    """Some neighbouring bytes of one side."""

    offset: int
    side: Side
    cells: tuple[tuple[str, bool], ...]
    """Two hex digits, and whether the other side has another byte there."""
    text: str
    """The same as ASCII, a full stop for each that is none."""


def strip(damage: Damage) -> tuple[Stretch, ...]:
    """Return what of a file differs, was not compared, or is on one side only, from its beginning to its end."""
    whole = max(damage.old_size, damage.new_size, 1)
    shorter = min(damage.old_size, damage.new_size)
    found = [Stretch(100 * offset / whole, 100 * length / whole, "differs") for offset, length in damage.ranges]
    if damage.compared_bytes < shorter:
        begin = 100 * damage.compared_bytes / whole
        found.append(Stretch(begin, 100 * shorter / whole - begin, "unknown"))
    return (*found, *cut_off(damage.old_size, damage.new_size))


def cut_off(old_size: int, new_size: int) -> tuple[Stretch, ...]:
    """Return what only the longer of two files has."""
    shorter, whole = sorted((old_size, new_size))
    return (Stretch(100 * shorter / whole, 100 - 100 * shorter / whole, "gone"),) if shorter < whole else ()


def facts_of(damage: Damage) -> Iterator[tuple[str, str]]:
    """Yield what is known about a damage, each fact with its name."""
    first = f"byte {damage.first_offset:,} (0x{damage.first_offset:x})"
    yield "first", first if damage.located else f"in the segment that begins at {first}"
    if damage.differing_bytes is not None:
        yield "differing", f"{damage.differing_bytes:,} of {damage.compared_bytes:,} bytes that were compared"
    if damage.zeros:
        yield "zeros", "the new side is zero wherever it differs"
    if damage.new_size < damage.old_size:
        yield "shorter", f"the new side ends {damage.old_size - damage.new_size:,} bytes early"
    if damage.new_size > damage.old_size:
        yield "longer", f"the new side has {damage.new_size - damage.old_size:,} bytes more"


def ranges_of(damage: Damage) -> list[str]:
    """Return the differing ranges in words; of many, the first, and how many more there are."""
    told = [f"{count_of(length, 'byte', 'bytes')} from {offset:,}" for offset, length in damage.ranges[:MOST_RANGES]]
    if len(damage.ranges) > MOST_RANGES:
        told.append(f"... and {len(damage.ranges) - MOST_RANGES} more ranges")
    return told


def bytes_of(damage: Damage) -> Iterator[Bytes]:
    """Yield the bytes around the first difference, old and new in turn."""
    near = {Side.OLD: damage.old_near, Side.NEW: damage.new_near}
    for begin in range(0, max(map(len, near.values())), ROW_BYTES):
        for side, data in near.items():
            other = near[Side.NEW if side is Side.OLD else Side.OLD]
            row = data[begin : begin + ROW_BYTES]
            cells = ((f"{byte:02x}", other[at : at + 1] != bytes([byte])) for at, byte in enumerate(row, begin))
            if row:
                yield Bytes(damage.near_offset + begin, side, tuple(cells), plain(row))


def plain(data: bytes) -> str:
    """Return bytes as ASCII, with a full stop for each that cannot be shown."""
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in data)
