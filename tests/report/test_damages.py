"""How a damage is shown: the strip, the words and the bytes say what is known of it, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import pytest
from hypothesis import example, given

from tests.tree.pairs import Limits, contents, naive
from verifier.classes import Side
from verifier.report.damages import (
    MOST_RANGES,
    ROW_BYTES,
    Stretch,
    bytes_of,
    cut_off,
    facts_of,
    plain,
    ranges_of,
    strip,
)
from verifier.tree.content import SEGMENT_BYTES
from verifier.tree.damage import MAX_RANGES, MERGE_BYTES, Damage

LIMITS: Final = Limits(merge=8)
"""Small ones, so that short contents have several ranges."""


def flipped(*places: int, size: int = 100_000) -> Damage:
    """Return the damage of a file in which single bytes were flipped."""
    old = bytes(size)
    new = bytearray(old)
    for place in places:
        new[place] ^= 0x40
    found = naive(old, bytes(new), Limits())
    assert found is not None
    return found


def segments(**changes: object) -> Damage:
    """Return a damage of which only digests of segments are known."""
    whole = 3 * SEGMENT_BYTES
    known = Damage(SEGMENT_BYTES, None, ((SEGMENT_BYTES, SEGMENT_BYTES),), False, None, False, whole, whole, whole)
    return replace(known, **changes)  # type: ignore[arg-type]


@given(contents())
@example((b"ab", b"aB"))
@example((b"ab" * 9, b"aB"))
def test_the_strip_is_the_file_to_scale(pair: tuple[bytes, bytes]) -> None:
    """Every range has its place and length as shares of the longer file; what one file has alone is gone."""
    damage = naive(*pair, LIMITS)
    if damage is None:
        return
    whole, shorter = max(map(len, pair)), min(map(len, pair))
    drawn = strip(damage)
    ranges = [(one.begin, one.length) for one in drawn if one.kind == "differs"]
    assert ranges == [pytest.approx((100 * at / whole, 100 * length / whole)) for at, length in damage.ranges]
    gone = [(one.begin, one.length) for one in drawn if one.kind == "gone"]
    assert gone == (
        [] if shorter == whole else [pytest.approx((100 * shorter / whole, 100 * (whole - shorter) / whole))]
    )
    assert len(drawn) == len(ranges) + len(gone)
    ends = [one.begin + one.length for one in drawn]
    assert all(end <= after.begin + 1e-9 for end, after in zip(ends, drawn[1:], strict=False))
    assert max(ends) <= 100 + 1e-9


def test_what_was_not_compared_is_not_drawn_as_the_same() -> None:
    """Of a file that was compared up to a point, the rest as far as both go is unknown."""
    damage = replace(flipped(10, size=1000), compared_bytes=500, old_size=800)
    assert strip(damage) == (Stretch(1, 0.1, "differs"), Stretch(50, 30, "unknown"), Stretch(80, 20, "gone"))
    assert not [one for one in strip(flipped(10, size=1000)) if one.kind == "unknown"]


@pytest.mark.parametrize(
    ("sizes", "drawn"),
    [
        ((1000, 250), (Stretch(25, 75, "gone"),)),
        ((250, 1000), (Stretch(25, 75, "gone"),)),
        ((1000, 0), (Stretch(0, 100, "gone"),)),
        ((7, 7), ()),
        ((0, 0), ()),
    ],
)
def test_a_file_that_ends_early_is_drawn_from_its_sizes(sizes: tuple[int, int], drawn: tuple[Stretch, ...]) -> None:
    """Two sizes are enough to draw what is only on one side."""
    assert cut_off(*sizes) == drawn


def test_the_words_say_where_and_how_much() -> None:
    """First difference in both ways of counting, bytes that differ of bytes compared, and the ranges."""
    damage = flipped(4660, 50_000, 50_002)
    assert list(facts_of(damage)) == [
        ("first", "byte 4,660 (0x1234)"),
        ("differing", "3 of 100,000 bytes that were compared"),
    ]
    assert ranges_of(damage) == ["1 byte from 4,660", "3 bytes from 50,000"]


def test_the_words_say_what_sizes_and_zeros_tell() -> None:
    """An early or late end and zeros are facts of their own, each only where it holds."""
    old = b"\7" * 1000
    holes = naive(old, bytes(600) + old[600:900], Limits())
    assert holes is not None
    assert dict(facts_of(holes)) == {
        "first": "byte 0 (0x0)",
        "differing": "600 of 900 bytes that were compared",
        "zeros": "the new side is zero wherever it differs",
        "shorter": "the new side ends 100 bytes early",
    }
    longer = naive(old, b"\6" + old[1:] + b"\7" * 2000, Limits())
    assert longer is not None
    assert dict(facts_of(longer)) == {
        "first": "byte 0 (0x0)",
        "differing": "1 of 1,000 bytes that were compared",
        "longer": "the new side has 2,000 bytes more",
    }


def test_digests_alone_claim_no_byte() -> None:
    """Where only segments are known, no single byte is named and no number of bytes that differ."""
    damage = segments()
    assert list(facts_of(damage)) == [
        ("first", f"in the segment that begins at byte {SEGMENT_BYTES:,} (0x{SEGMENT_BYTES:x})")
    ]
    assert list(bytes_of(damage)) == []
    assert dict(facts_of(segments(zeros=True)))["zeros"] == "the new side is zero wherever it differs"


def test_of_many_ranges_the_first_are_told_and_the_others_counted() -> None:
    """What is told one by one and what is only counted make up all ranges."""
    places = [n * 2 * MERGE_BYTES for n in range(MOST_RANGES)]
    size = MAX_RANGES * 2 * MERGE_BYTES
    assert ranges_of(flipped(*places, size=size)) == [f"1 byte from {place:,}" for place in places]
    more = [n * 2 * MERGE_BYTES for n in range(MAX_RANGES)]
    told = ranges_of(flipped(*more, size=size))
    assert len(told) == MOST_RANGES + 1
    assert told[-1] == f"... and {MAX_RANGES - MOST_RANGES} more ranges"


@given(contents())
@example((b"abc", b"aBc"))
@example((b"\0" * 40 + b"x" * 40, b"\0" * 40 + b"y"))
def test_the_bytes_shown_are_those_of_the_files(pair: tuple[bytes, bytes]) -> None:
    """Offset, digits and text of each row are what the file has there, and exactly what differs is marked."""
    damage = naive(*pair, LIMITS)
    if damage is None:
        return
    shown = dict.fromkeys(Side, b"")
    offsets = set()
    for row in bytes_of(damage):
        ours, theirs = pair if row.side is Side.OLD else reversed(pair)
        data = bytes.fromhex("".join(cell for cell, _ in row.cells))
        assert 1 <= len(data) <= ROW_BYTES
        assert data == ours[row.offset : row.offset + len(data)]
        assert row.text == plain(data)
        for place, (_, differs) in enumerate(row.cells, row.offset):
            assert differs == (ours[place] != theirs[place] if place < len(theirs) else True)
        shown[row.side] += data
        offsets.add(row.offset)
    assert shown == {Side.OLD: damage.old_near, Side.NEW: damage.new_near}
    assert damage.near_offset in offsets
    assert any(differs for row in bytes_of(damage) for _, differs in row.cells)


def test_rows_of_both_sides_stand_in_turn() -> None:
    """Old and new bytes of one place stand below each other, so that eyes can compare them."""
    rows = [(row.offset, row.side) for row in bytes_of(flipped(100))]
    assert rows == [(at, side) for at in (84, 100, 116) for side in (Side.OLD, Side.NEW)]


def test_the_text_of_bytes_can_do_nothing() -> None:
    """Only printable ASCII stands for itself; every other byte is a full stop, and each byte has one character."""
    every = bytes(range(256))
    text = plain(every)
    assert len(text) == 256
    assert text.isprintable()
    assert text.isascii()
    assert [chr(byte) for byte in every if text[byte] == chr(byte)] == [chr(byte) for byte in range(0x20, 0x7F)]
    assert set(text[:0x20] + text[0x7F:]) == {"."}
