"""Damages as facts: their text, the merging of their ranges, and what segment digests alone tell."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any, Final
from unittest import mock

import pytest
import xxhash
from hypothesis import given
from hypothesis import strategies as st

from tests.tree.pairs import Limits, contents, naive
from verifier.tree import damage
from verifier.tree.content import SEGMENT_BYTES
from verifier.tree.damage import MAX_RANGES, MERGE_BYTES, Damage, Stretches, differing_segments, from_segments
from verifier.tree.entry import INT64_MAX

FLIPPED: Final = Damage(
    first_offset=100,
    differing_bytes=1,
    ranges=((100, 1),),
    ranges_merged=False,
    zeros=False,
    zero_run=False,
    old_size=200,
    new_size=200,
    compared_bytes=200,
    near_offset=84,
    old_near=b"a" * 16 + b"b" * 32,
    new_near=b"a" * 16 + b"c" * 32,
)


# ---- As text


@given(pair=contents())
def test_a_damage_survives_its_text(pair: tuple[bytes, bytes]) -> None:
    """What was found is read back as it was written, on one line."""
    found = naive(*pair, Limits())
    if found is not None:
        text = found.to_json()
        assert "\n" not in text
        assert Damage.from_json(text) == found


def test_the_largest_damage_survives_its_text() -> None:
    """No file is so large and so damaged that its text could not be read back."""
    size = INT64_MAX
    ranges = tuple((size - (MAX_RANGES - n) * 2 * MERGE_BYTES, MERGE_BYTES) for n in range(MAX_RANGES))
    near = ranges[0][0] - 16
    found = replace(
        FLIPPED,
        first_offset=ranges[0][0],
        differing_bytes=MAX_RANGES,
        ranges=ranges,
        ranges_merged=True,
        old_size=size,
        new_size=size,
        compared_bytes=size,
        near_offset=near,
    )
    assert Damage.from_json(found.to_json()) == found


def changed(**values: object) -> str:
    """Return a damage's text with some values replaced."""
    return json.dumps(json.loads(FLIPPED.to_json()) | values, separators=(",", ":"))


WRONG: Final[dict[str, str]] = {
    "nothing": "",
    "no JSON": "{",
    "a number": "1",
    "null": "null",
    "a list": "[]",
    "an empty object": "{}",
    "a value too many": changed(more=1),
    "other spacing": FLIPPED.to_json().replace(":", ": "),
    "a value twice": FLIPPED.to_json().replace("{", '{"first":100,'),
    "nested without end": "[" * 8000,
    "too long": " " * 10_000 + FLIPPED.to_json(),
    "a number with a huge text": changed().replace("100", "1" * 7000, 1),
    "a negative offset": changed(first=-1, ranges=[[-1, 1]]),
    "a fraction": changed(differing=1.0),
    "a flag for a number": changed(differing=True),
    "a number for a flag": changed(merged=0),
    "a text for a flag": changed(zeros="no"),
    "no ranges": changed(ranges=[]),
    "a range of three": changed(ranges=[[100, 1, 1]]),
    "a range of nothing": changed(ranges=[[100, 0]]),
    "ranges out of order": changed(ranges=[[100, 1], [50, 1]], differing=2),
    "ranges that overlap": changed(ranges=[[100, 50], [120, 1]], differing=2),
    "ranges that would be one": changed(ranges=[[100, 1], [150, 1]], differing=2),
    "a range beyond the end": changed(ranges=[[100, 101]]),
    "too many ranges": changed(
        ranges=[[100 + n * 5000, 1] for n in range(MAX_RANGES + 1)],
        differing=MAX_RANGES + 1,
        sizes=[10**6, 10**6],
        compared=10**6,
    ),
    "another first byte than the first range's": changed(first=99),
    "more that differs than the ranges hold": changed(differing=2),
    "less that differs than there are ranges": changed(differing=0),
    "compared beyond the end": changed(compared=201),
    "a third size": changed(sizes=[200, 200, 200]),
    "a size beyond all files": changed(sizes=[2**64, 200]),
    "zeros in a run that are no zeros": changed(zero_run=True),
    "bytes that are no bytes": changed(old_near="xy"),
    "bytes with gaps": changed(old_near="61 " * 15 + "61"),
    "capital digits": changed(old_near="AB" * 48),
    "too many bytes": changed(old_near="61" * 49),
    "bytes that end before the difference": changed(old_near="61" * 16),
    "bytes beyond the file's end": changed(first=198, ranges=[[198, 1]], near=182, old_near="61" * 20),
    "bytes that begin after the difference": changed(near=101),
    "bytes that begin long before": changed(near=10),
    "bytes though only digests are known": changed(differing=None),
}


@pytest.mark.parametrize("text", WRONG.values(), ids=WRONG.keys())
def test_what_is_no_damage_is_refused(text: str) -> None:
    """Evidence may have been tampered with: a text that no damage has is a ValueError, and nothing else."""
    with pytest.raises(ValueError):
        Damage.from_json(text)


def test_the_texts_that_are_refused_differ_from_one_that_is_not() -> None:
    """The changes above begin from a text that is taken."""
    assert Damage.from_json(changed()) == FLIPPED


JSON: Final = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5)),
    lambda below: st.one_of(st.lists(below, max_size=3), st.dictionaries(st.text(max_size=5), below, max_size=3)),
    max_leaves=3,
)


@given(data=st.data())
def test_any_value_in_any_place_is_taken_as_written_or_refused(data: st.DataObject) -> None:
    """Whatever stands in a damage's text, it is a damage with that very text, or a ValueError."""
    plain: dict[str, Any] = json.loads(FLIPPED.to_json())
    plain[data.draw(st.sampled_from(sorted(plain)))] = data.draw(JSON)
    text = json.dumps(plain, separators=(",", ":"))
    try:
        assert Damage.from_json(text).to_json() == text
    except ValueError:
        return


# ---- Zeros


def test_zero_filled_is_said_of_whole_files_of_one_size_only() -> None:
    """A file that is shorter, or that was not compared to its end, may differ elsewhere."""
    holed = replace(FLIPPED, zeros=True, zero_run=True, new_near=b"a" * 16 + bytes(32))
    assert holed.zero_filled
    assert not FLIPPED.zero_filled
    assert not replace(holed, zero_run=False).zero_filled
    assert not replace(holed, compared_bytes=150).zero_filled
    assert not replace(holed, old_size=201).zero_filled


# ---- Ranges


@given(
    gaps=st.lists(st.tuples(st.integers(0, 12), st.integers(1, 3)), min_size=1, max_size=60),
    most=st.integers(1, 6),
    merge=st.integers(1, 5),
)
def test_the_widest_gaps_are_kept(gaps: list[tuple[int, int]], most: int, merge: int) -> None:
    """Merging while stretches come ends where merging all of them afterwards would, the closest first."""
    content = b"".join(bytes(gap) + b"\1" * length for gap, length in gaps)
    expected = naive(bytes(len(content)), content, Limits(merge=merge, most=most))
    assert expected is not None
    with mock.patch.object(damage, "MAX_RANGES", most), mock.patch.object(damage, "MERGE_BYTES", merge):
        stretches = Stretches()
        position = 0
        for gap, length in gaps:
            stretches.add(position + gap, position + gap + length)
            position += gap + length
        assert (stretches.ranges(), stretches.merged) == (expected.ranges, expected.ranges_merged)


# ---- Segments


def digests(*contents: bytes) -> bytes:
    """Return segment digests that stand for these contents, however short they are."""
    return b"".join(xxhash.xxh3_128(content).digest() for content in contents)


S: Final = SEGMENT_BYTES
A, B, C, D = (digests(text) for text in (b"a", b"b", b"c", b"d"))


def test_segments_that_differ_are_the_ranges() -> None:
    """Where only digests are known, whole segments differ, how many bytes is unknown, and no byte is shown."""
    size = 3 * S + 5
    assert from_segments(A + B + C + D, A + C + C + A, size, size) == Damage(
        first_offset=S,
        differing_bytes=None,
        ranges=((S, S), (3 * S, 5)),
        ranges_merged=False,
        zeros=None,
        zero_run=False,
        old_size=size,
        new_size=size,
        compared_bytes=size,
    )
    assert from_segments(A + B, A + B, 2 * S, 2 * S) is None


def test_neighbouring_segments_are_one_range() -> None:
    """A damage across the border of two segments is one stretch."""
    found = from_segments(A + B + C + D, A + C + B + D, 4 * S, 4 * S)
    assert found is not None
    assert found.ranges == ((S, 2 * S),)


def test_a_damage_of_segments_survives_its_text() -> None:
    """What is unknown stays unknown."""
    found = from_segments(A + B, A + C, 2 * S, 2 * S)
    assert found is not None
    assert Damage.from_json(found.to_json()) == found


@pytest.mark.parametrize("sizes", [(4 * S, 3 * S + 7), (3 * S + 7, 4 * S), (3 * S + 9, 3 * S + 7)])
def test_of_different_sizes_only_segments_that_both_have_whole_say_something(sizes: tuple[int, int]) -> None:
    """The last segment of the shorter file is other bytes than the longer one's, whatever they hold."""
    assert from_segments(A + B + C + D, A + B + C + A, *sizes) is None
    found = from_segments(A + B + C + D, A + D + C + A, *sizes)
    assert found is not None
    assert (found.ranges, found.compared_bytes) == (((S, S),), 3 * S)


def test_segments_of_zeros_are_known_without_the_file() -> None:
    """The digest of zeros is the same everywhere, so a hole shows without the trees, also in the last segment."""
    hole, rest = digests(bytes(S)), digests(bytes(700))
    size = 2 * S + 700
    found = from_segments(A + B + C, A + hole + rest, size, size)
    assert found is not None
    assert (found.zeros, found.zero_run, found.zero_filled) == (True, True, True)
    found = from_segments(A + B + C, A + hole + D, size, size)
    assert found is not None
    assert (found.zeros, found.zero_run) == (None, False)


def test_a_short_last_segment_of_zeros_is_no_long_run() -> None:
    """One byte that is zero, alone in its segment, may be a flipped bit."""
    found = from_segments(A + B, A + digests(b"\0"), S + 1, S + 1)
    assert found is not None
    assert (found.zeros, found.zero_run) == (True, False)


@pytest.mark.parametrize(
    ("old", "new", "sizes"),
    [(A, A, (S, S + 1)), (A, A + B, (S, S)), (A[:-1], A, (S, S)), (b"", b"", (1, 0)), (A, A, (-1, S))],
)
def test_digests_that_do_not_fit_the_sizes_are_refused(old: bytes, new: bytes, sizes: tuple[int, int]) -> None:
    """A manifest that somebody tampered with is a ValueError."""
    with pytest.raises(ValueError, match="digests do not fit"):
        differing_segments(old, new, *sizes)
