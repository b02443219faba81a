"""A damage: where two contents differ, how much, and what stands there.

It is found byte by byte (`verifier.tree.comparison`), or told from segment digests alone, which need no file. It
travels as text; what is read back may come from a file that somebody tampered with, so only what `Damage.to_json`
writes is taken.
"""

from __future__ import annotations

import functools
import json
from dataclasses import dataclass
from typing import Any, Final, Self

import xxhash

from verifier.tree.content import SEGMENT_BYTES
from verifier.tree.entry import INT64_MAX

MERGE_BYTES: Final = 4096
"""Differing stretches with fewer equal bytes than this between them count as one."""
MAX_RANGES: Final = 64
"""Stretches that are kept; where there are more, those that lie closest to each other are merged."""
ZERO_RUN_BYTES: Final = 512
"""A run of zeros counts as zero-filled from one sector on, or where it is the whole file; one flipped bit can make a
single zero byte. Common practice, no source."""
NEAR_BEFORE: Final = 16
"""Bytes that are kept from before the first difference,"""
NEAR_FROM: Final = 32
"""and from it on."""
DIGEST_BYTES: Final = 16
"""Of one segment's digest, XXH3-128."""
_TEXT_LIMIT: Final = 8192
"""More characters than any damage's text has."""

Range = tuple[int, int]
"""Where a stretch begins and how long it is, bytes."""


@dataclass(frozen=True, slots=True)
class Damage:
    """Two contents that differ."""

    first_offset: int
    """Where the first differing byte is; the beginning of its segment where only digests are known."""
    differing_bytes: int | None
    """How many of the bytes that were compared differ; None where only digests are known."""
    ranges: tuple[Range, ...]
    """Differing stretches in order. Each begins and ends with a byte that differs, or is made of whole segments."""
    ranges_merged: bool
    """Whether stretches further apart than `MERGE_BYTES` had to be merged for want of room."""
    zeros: bool | None
    """Whether the new file is zero at every differing byte; None where only digests are known and do not tell."""
    zero_run: bool
    """Whether it is, and one of those bytes lies in a long run of zeros of the new file."""
    old_size: int
    """Bytes of the old file,"""
    new_size: int
    """and of the new one."""
    compared_bytes: int
    """Up to where both were compared; nothing is said of what lies beyond."""
    near_offset: int = 0
    """Where the next two begin."""
    old_near: bytes = b""
    """The old file's bytes around the first difference; empty where only digests are known."""
    new_near: bytes = b""
    """The new file's. Either is shorter where the file ends before."""

    @property
    def located(self) -> bool:
        """Whether the bytes themselves were compared, not only digests."""
        return self.differing_bytes is not None

    @property
    def complete(self) -> bool:
        """Whether both files were compared as far as both go."""
        return self.compared_bytes == min(self.old_size, self.new_size)

    @property
    def zero_filled(self) -> bool:
        """Whether the new file is the old one but for bytes that became zero, a long run of them at least."""
        return self.zero_run and self.complete and self.old_size == self.new_size

    def to_json(self) -> str:
        """Return the damage as one compact line of JSON."""
        plain = {
            "first": self.first_offset,
            "differing": self.differing_bytes,
            "ranges": self.ranges,
            "merged": self.ranges_merged,
            "zeros": self.zeros,
            "zero_run": self.zero_run,
            "sizes": [self.old_size, self.new_size],
            "compared": self.compared_bytes,
            "near": self.near_offset,
            "old_near": self.old_near.hex(),
            "new_near": self.new_near.hex(),
        }
        return json.dumps(plain, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Return the damage that a text stands for.

        Raises:
            ValueError: If it is anything but what `to_json` writes, or says what cannot be.
        """
        if len(text) > _TEXT_LIMIT:
            raise ValueError("a damage's text is not so long")
        try:
            damage = cls._from_plain(json.loads(text))
            damage._check()
            if damage.to_json() == text:
                return damage
        except (AttributeError, KeyError, RecursionError, TypeError) as error:
            raise ValueError(f"not a damage: {error}") from error
        raise ValueError("not a damage as it is written")

    @classmethod
    def _from_plain(cls, plain: Any) -> Self:
        old_size, new_size = plain["sizes"]
        return cls(
            plain["first"],
            plain["differing"],
            tuple((offset, length) for offset, length in plain["ranges"]),
            plain["merged"],
            plain["zeros"],
            plain["zero_run"],
            old_size,
            new_size,
            plain["compared"],
            plain["near"],
            bytes.fromhex(plain["old_near"]),
            bytes.fromhex(plain["new_near"]),
        )

    def _check(self) -> None:
        """Raise ValueError where the facts contradict each other."""
        places = [place for stretch in self.ranges for place in stretch]
        counts = [self.old_size, self.new_size, self.compared_bytes, self.first_offset, self.near_offset, *places]
        if self.differing_bytes is not None:
            counts.append(self.differing_bytes)
        flags = [self.ranges_merged, self.zero_run, bool(self.zeros) if self.zeros is None else self.zeros]
        if not all(type(count) is int and 0 <= count <= INT64_MAX for count in counts):
            raise ValueError("a damage counts in whole numbers")
        if not all(type(flag) is bool for flag in flags) or (self.zero_run and not self.zeros):
            raise ValueError("a damage's flags contradict each other")
        if not self._ranges_fit() or not self._near_fits():
            raise ValueError("a damage's ranges, sizes and bytes contradict each other")

    def _ranges_fit(self) -> bool:
        if not 1 <= len(self.ranges) <= MAX_RANGES or self.first_offset != self.ranges[0][0]:
            return False
        end = -MERGE_BYTES
        for offset, length in self.ranges:
            if offset < end + MERGE_BYTES or length < 1:
                return False
            end = offset + length
        covered = sum(length for _, length in self.ranges)
        differing = covered if self.differing_bytes is None else self.differing_bytes
        return len(self.ranges) <= differing <= covered and end <= self.compared_bytes <= min(
            self.old_size, self.new_size
        )

    def _near_fits(self) -> bool:
        if not self.located:
            return self.near_offset == 0 and not self.old_near and not self.new_near
        at = self.first_offset - self.near_offset
        if not 0 <= at <= NEAR_BEFORE:
            return False
        sides = ((self.old_near, self.old_size), (self.new_near, self.new_size))
        return all(at < len(near) <= min(at + NEAR_FROM, size - self.near_offset) for near, size in sides)


class Stretches:
    """Takes differing stretches in order and keeps `MAX_RANGES` of them at most.

    The widest gaps are kept, whatever came first: the least gap goes whenever there is one too many, and a gap that
    is among the widest of all is among the widest of those seen so far.
    """

    def __init__(self) -> None:
        self.merged = False
        """Whether some had to be merged for want of room."""
        self._begins: list[int] = []
        self._ends: list[int] = []

    def add(self, begin: int, end: int) -> None:
        """Take the next stretch, from `begin` to before `end`."""
        if self._ends and begin - self._ends[-1] < MERGE_BYTES:
            self._ends[-1] = end
            return
        self._begins.append(begin)
        self._ends.append(end)
        if len(self._begins) > MAX_RANGES:
            gaps = [begin - end for begin, end in zip(self._begins[1:], self._ends, strict=False)]
            least = gaps.index(min(gaps))
            del self._ends[least], self._begins[least + 1]
            self.merged = True

    def ranges(self) -> tuple[Range, ...]:
        """Return what was kept."""
        return tuple((begin, end - begin) for begin, end in zip(self._begins, self._ends, strict=True))


def differing_segments(old_segments: bytes, new_segments: bytes, old_size: int, new_size: int) -> list[Range]:
    """Return the segments that both files have whole and in which they differ.

    Args:
        old_segments: The old file's digests, XXH3-128 of each `SEGMENT_BYTES`, one after the other.
        new_segments: The new file's.
        old_size: Bytes of the old file.
        new_size: Bytes of the new one.

    Raises:
        ValueError: If the digests are not as many as the sizes ask for.
    """
    for segments, size in ((old_segments, old_size), (new_segments, new_size)):
        if size < 0 or len(segments) != DIGEST_BYTES * -(-size // SEGMENT_BYTES):
            raise ValueError(f"{len(segments)} bytes of digests do not fit {size} bytes of content")
    found = []
    for number, (offset, length) in enumerate(_comparable_segments(old_size, new_size)):
        digest = slice(number * DIGEST_BYTES, (number + 1) * DIGEST_BYTES)
        if old_segments[digest] != new_segments[digest]:
            found.append((offset, length))
    return found


def _comparable_segments(old_size: int, new_size: int) -> list[Range]:
    """Return the segments that are equally long on both sides: the last one of the shorter file seldom is."""
    common = min(old_size, new_size)
    end = common if old_size == new_size else common - common % SEGMENT_BYTES
    return [(offset, min(SEGMENT_BYTES, end - offset)) for offset in range(0, end, SEGMENT_BYTES)]


def from_segments(old_segments: bytes, new_segments: bytes, old_size: int, new_size: int) -> Damage | None:
    """Tell from segment digests alone where two files differ: in whole segments.

    Args:
        old_segments: The old file's digests, XXH3-128 of each `SEGMENT_BYTES`, one after the other.
        new_segments: The new file's.
        old_size: Bytes of the old file.
        new_size: Bytes of the new one.

    Returns:
        The damage; None where no segment that both have whole differs.

    Raises:
        ValueError: If the digests are not as many as the sizes ask for.
    """
    differing = differing_segments(old_segments, new_segments, old_size, new_size)
    if not differing:
        return None
    stretches = Stretches()
    zero_segments = 0
    for offset, length in differing:
        stretches.add(offset, offset + length)
        at = offset // SEGMENT_BYTES * DIGEST_BYTES
        zero_segments += new_segments[at : at + DIGEST_BYTES] == _digest_of_zeros(length)
    zeros = True if zero_segments == len(differing) else None
    last_offset, last_length = _comparable_segments(old_size, new_size)[-1]
    return Damage(
        first_offset=differing[0][0],
        differing_bytes=None,
        ranges=stretches.ranges(),
        ranges_merged=stretches.merged,
        zeros=zeros,
        zero_run=bool(zeros) and max(length for _, length in differing) >= ZERO_RUN_BYTES,
        old_size=old_size,
        new_size=new_size,
        compared_bytes=last_offset + last_length,
    )


@functools.lru_cache(maxsize=8)
def _digest_of_zeros(length: int) -> bytes:
    block = bytes(min(length, 1024 * 1024))
    digest = xxhash.xxh3_128()
    for done in range(0, length, len(block)):
        digest.update(block[: length - done])
    return digest.digest()
