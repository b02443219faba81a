"""Two contents that are alike but for what was changed, and a naive account of where they differ."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from hypothesis import strategies as st

from verifier.tree.damage import NEAR_BEFORE, NEAR_FROM, Damage, Range

FILLERS: Final = [b"\0", b"\0", b"\1", b"\0\1", b"\2"]
LENGTHS: Final = st.one_of(st.integers(1, 3), st.integers(1, 70), st.integers(505, 530))


@st.composite
def contents(draw: st.DrawFn) -> tuple[bytes, bytes]:
    """Draw two contents with long and short runs of zeros; either may be the longer one."""
    pieces = draw(st.lists(st.tuples(st.sampled_from(FILLERS), LENGTHS), min_size=1, max_size=6))
    old = b"".join((filler * length)[:length] for filler, length in pieces)
    new = bytearray(old)
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(old) - 1))
        length = min(len(old) - at, draw(LENGTHS))
        new[at : at + length] = draw(st.sampled_from([b"\0", b"\0", b"\0", b"\7"])) * length
    cut = draw(st.integers(0, 5))
    if cut == 0:
        new = new[: draw(st.integers(0, len(old)))]
    elif cut == 1:
        old = old[: draw(st.integers(0, len(old)))]
    return old, bytes(new)


@dataclass(frozen=True, slots=True)
class Limits:
    """What a damage is told with."""

    zero_run: int = 512
    merge: int = 4096
    most: int = 64


def naive(old: bytes, new: bytes, limits: Limits) -> Damage | None:
    """Say where two contents differ, one byte at a time."""
    common = min(len(old), len(new))
    places = [at for at in range(common) if old[at] != new[at]]
    if not places:
        return None
    ranges: list[Range] = []
    for place in places:
        if ranges and place - sum(ranges[-1]) < limits.merge:
            ranges[-1] = (ranges[-1][0], place + 1 - ranges[-1][0])
        else:
            ranges.append((place, 1))
    merged = len(ranges) > limits.most
    zeros = not any(new[at] for at in places)
    begin = max(0, places[0] - NEAR_BEFORE)
    near = slice(begin, places[0] + NEAR_FROM)
    return Damage(
        places[0],
        len(places),
        tuple(_merged(ranges, limits.most)),
        merged,
        zeros,
        zeros and any(_run_around(new, at) >= min(limits.zero_run, len(new)) for at in places),
        len(old),
        len(new),
        common,
        begin,
        old[near],
        new[near],
    )


def _merged(ranges: list[Range], most: int) -> list[Range]:
    """Merge neighbours, the closest first, the earlier of two that are as close."""
    ranges = list(ranges)
    while len(ranges) > most:
        gaps = [after[0] - sum(before) for before, after in pairwise(ranges)]
        at = gaps.index(min(gaps))
        ranges[at : at + 2] = [(ranges[at][0], sum(ranges[at + 1]) - ranges[at][0])]
    return ranges


def _run_around(data: bytes, at: int) -> int:
    """Return how long the run of zeros is in which a zero byte lies."""
    left, right = at, at
    while left > 0 and data[left - 1] == 0:
        left -= 1
    while right < len(data) and data[right] == 0:
        right += 1
    return right - left
