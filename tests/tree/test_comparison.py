"""Comparing two open files, held against a loop over single bytes."""

from __future__ import annotations

import errno
import os
import tempfile
import threading
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Final
from unittest import mock

import pytest
import xxhash
from blake3 import blake3
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.tree.pairs import Limits, contents, naive
from verifier.classes import Side
from verifier.tree import comparison, damage
from verifier.tree.comparison import (
    BLOCK_BYTES,
    PIECE_BYTES,
    Comparison,
    How,
    OpenFile,
    Relation,
    Unread,
    compare,
)
from verifier.tree.damage import MERGE_BYTES, Damage
from verifier.tree.digests import Algorithm

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

BORDER: Final = BLOCK_BYTES
NOTHING: Final = How()


@contextmanager
def opened(old: bytes, new: bytes) -> Iterator[tuple[OpenFile, OpenFile]]:
    """Write two contents to files, and have them open."""
    with ExitStack() as stack:
        files = []
        for content in (old, new):
            file = stack.enter_context(tempfile.TemporaryFile())
            file.write(content)
            file.flush()
            files.append(OpenFile(file.fileno(), len(content)))
        yield files[0], files[1]


def compared(
    old: bytes, new: bytes, how: How = NOTHING, on_bytes: Callable[[int], None] = lambda _: None
) -> Comparison:
    """Compare two contents in files."""
    with opened(old, new) as (ours, theirs):
        return compare(ours, theirs, how, on_bytes)


def damage_of(old: bytes, new: bytes, how: How = NOTHING) -> Damage:
    """Compare two contents that differ."""
    found = compared(old, new, how).damage
    assert found is not None
    return found


@contextmanager
def sizes(block: int = BLOCK_BYTES, piece: int = PIECE_BYTES, limits: Limits | None = None) -> Iterator[None]:
    """Compare in blocks and pieces of other sizes, with other limits."""
    limits = limits or Limits()
    with ExitStack() as stack:
        for module, name, value in (
            (comparison, "BLOCK_BYTES", block),
            (comparison, "PIECE_BYTES", piece),
            (comparison, "MERGE_BYTES", limits.merge),
            (damage, "MERGE_BYTES", limits.merge),
            (damage, "MAX_RANGES", limits.most),
        ):
            stack.enter_context(mock.patch.object(module, name, value))
        yield


@contextmanager
def ahead_from(size: int) -> Iterator[None]:
    """Have threads read ahead from another size on."""
    with mock.patch.object(comparison, "AHEAD_FROM", size):
        yield


# ---- Against a loop over single bytes

BLOCKS: Final = st.tuples(st.sampled_from([1, 7, 64, 511, 512, 513, 4096]), st.sampled_from([1, 3, 64, 512, 5000]))
LIMITS: Final = st.builds(
    Limits,
    zero_run=st.sampled_from([1, 2, 20, 512]),
    merge=st.sampled_from([1, 2, 30, 4096]),
    most=st.sampled_from([1, 2, 64]),
)


@settings(max_examples=200)
@given(pair=contents(), block=BLOCKS, limits=LIMITS)
@example(pair=(b"\1" * 3, bytes(3)), block=(1, 1), limits=Limits())
@example(pair=(b"\1" * 600, bytes(600)), block=(64, 64), limits=Limits())
def test_a_damage_is_that_of_a_naive_loop_over_bytes(
    pair: tuple[bytes, bytes], block: tuple[int, int], limits: Limits
) -> None:
    """Ranges, counts, first offset, zeros and bytes are what a loop sees, wherever borders of blocks fall."""
    old, new = pair
    with sizes(*block, limits):
        found = compared(old, new, How(zero_run=limits.zero_run))
    assert found.damage == naive(old, new, limits)
    if found.damage is not None:
        assert found.relation is Relation.DIFFERS
        with sizes(limits=limits):
            assert Damage.from_json(found.damage.to_json()) == found.damage
    elif len(old) == len(new):
        assert found.relation is Relation.EQUAL
    else:
        assert found.relation is (Relation.NEW_IS_PREFIX if len(new) < len(old) else Relation.OLD_IS_PREFIX)


@st.composite
def holes(draw: st.DrawFn) -> tuple[bytes, bytes]:
    """Draw two short contents of one size, the new one zero wherever they differ."""
    lengths = draw(st.lists(st.integers(1, 5), min_size=1, max_size=7))
    old = b"".join(bytes([n % 2]) * length for n, length in enumerate(lengths))
    new = bytearray(old)
    for at in draw(st.lists(st.integers(0, len(old) - 1), min_size=1, max_size=3)):
        new[at] = 0
    return old, bytes(new)


@settings(max_examples=250)
@given(pair=holes(), block=st.integers(1, 8), piece=st.integers(1, 4), zero_run=st.integers(2, 6), apart=st.booleans())
# A run that differs at a piece's end goes on in the next one, which differs elsewhere;
@example(pair=(b"\1\1\1\1\0\0\1\1", b"\1\1\1\0\0\0\1\0"), block=8, piece=4, zero_run=3, apart=False)
# and one that differs in neither does not count.
@example(pair=(b"\1\1\0\0\0\0\1\1", b"\0\1\0\0\0\0\1\0"), block=8, piece=4, zero_run=4, apart=False)
def test_a_long_run_of_zeros_is_that_of_a_naive_loop(
    pair: tuple[bytes, bytes], block: int, piece: int, zero_run: int, apart: bool
) -> None:
    """A run counts where something in it differs, whatever borders of blocks, pieces and ranges it crosses."""
    old, new = pair
    ranges = tuple((at, min(5, len(old) - at)) for at in range(0, len(old), 5) if old[at : at + 5] != new[at : at + 5])
    with sizes(block, piece):
        found = compared(old, new, How(zero_run=zero_run, within=ranges if apart else None)).damage
    assert found == naive(old, new, Limits(zero_run))


@settings(max_examples=40)
@given(pair=contents(), block=st.sampled_from([1, 7, 64, 512]), algorithm=st.sampled_from(Algorithm))
def test_reading_ahead_finds_the_same(pair: tuple[bytes, bytes], block: int, algorithm: Algorithm) -> None:
    """With threads that read ahead the answer is the one without them, digests included."""
    how = How(algorithm)
    with sizes(block):
        with ahead_from(0):
            found = compared(*pair, how)
        with ahead_from(2**62):
            assert found == compared(*pair, how)


@given(place=st.integers(0, 3 * 4096 - 1), bit=st.integers(0, 7))
def test_one_flipped_bit_is_always_found(place: int, bit: int) -> None:
    """Whichever bit it is, it is one differing byte at its place."""
    old = bytes(range(256)) * 48
    new = bytearray(old)
    new[place] ^= 1 << bit
    with sizes(4096, 512):
        found = damage_of(old, bytes(new))
    assert (found.first_offset, found.differing_bytes, found.ranges) == (place, 1, ((place, 1),))
    assert found.old_near[place - found.near_offset] ^ found.new_near[place - found.near_offset] == 1 << bit


# ---- Borders of blocks of their real size


@pytest.mark.parametrize("length", [511, 512, 513])
@pytest.mark.parametrize("offset", [0, 1, 256, 511, 512], ids=lambda n: f"{n} before the border")
@pytest.mark.parametrize("border", [BORDER, PIECE_BYTES], ids=["block", "piece"])
def test_a_run_of_zeros_is_seen_across_a_border(border: int, offset: int, length: int) -> None:
    """A run of one sector counts, one byte less does not, wherever the border of two blocks or pieces falls."""
    old = b"\1" * (border + 2000)
    at = border - offset
    found = damage_of(old, old[:at] + bytes(length) + old[at + length :])
    assert (found.zeros, found.zero_run, found.zero_filled) == (True, length >= 512, length >= 512)
    assert found.ranges == ((at, length),)


def test_a_short_run_at_a_border_does_not_mark_a_later_long_one() -> None:
    """A single byte that became zero at the end of a block has nothing to do with zeros that were there before."""
    old = b"\1" * BORDER + b"\3" + bytes(2 * BORDER)
    assert not damage_of(old, old[: BORDER - 1] + b"\0" + old[BORDER:]).zero_run


def test_a_run_that_grew_over_a_whole_block_is_seen() -> None:
    """Blocks that are zero as a whole belong to one run, though what differs lies before or behind all of them."""
    old = b"\1" * 10 + b"\2" + bytes(3 * BORDER) + b"\2" + b"\1" * 10
    assert damage_of(old, old[:10] + b"\0" + old[11:]).zero_run
    assert damage_of(old, old[:-11] + b"\0" + old[-10:]).zero_run


def test_zeros_that_were_there_before_are_no_damage() -> None:
    """A long run of zeros in which nothing differs does not make another difference zero-filled."""
    old = bytes(2000) + b"\1\1\1" + b"\2" * 100
    assert not damage_of(old, bytes(2000) + b"\1\0\1" + b"\2" * 100).zero_run
    # Here the first differing byte joins the run.
    assert damage_of(old, bytes(2000) + b"\0\1\1" + b"\2" * 100).zero_run


def test_bytes_near_a_difference_at_the_border_of_two_blocks_are_those_of_both() -> None:
    """What is shown does not end with the block in which the difference lies, nor with the shorter file."""
    old = bytes(n % 251 for n in range(BORDER + 100))
    new = old[:BORDER] + b"\xff" + old[BORDER + 1 : BORDER + 5]
    found = damage_of(old, new)
    assert (found.near_offset, found.old_near) == (BORDER - 16, old[BORDER - 16 : BORDER + 32])
    assert found.new_near == new[BORDER - 16 :]


def test_the_widest_gaps_stay_where_damage_is_everywhere() -> None:
    """A file with damage in every 8 KiB has 64 ranges at most, says that some were merged, and counts every byte."""
    old = bytearray(b"\1" * (200 * 2 * MERGE_BYTES))
    new = bytearray(old)
    new[:: 2 * MERGE_BYTES] = b"\2" * 200
    new[10 * 2 * MERGE_BYTES] = 1  # a gap twice as wide as the others
    found = damage_of(bytes(old), bytes(new))
    assert (found.differing_bytes, len(found.ranges), found.ranges_merged) == (199, 64, True)
    assert any(offset == 11 * 2 * MERGE_BYTES for offset, _ in found.ranges)


# ---- Digests of what was read

ONE_SHOT: Final[dict[Algorithm, Callable[[bytes], bytes]]] = {
    Algorithm.BLAKE3: lambda data: blake3(data).digest(),
    Algorithm.XXH3_128: lambda data: xxhash.xxh3_128(data).digest(),
}


@pytest.mark.parametrize("algorithm", ONE_SHOT)
@pytest.mark.parametrize("ahead", [False, True], ids=["in turn", "ahead"])
def test_files_that_were_read_whole_have_digests(algorithm: Algorithm, ahead: bool) -> None:
    """Both digests of two files of one size; the shorter file's alone where sizes differ; none unless asked for."""
    old, new = b"old" * 500_000, b"new" * 500_000
    with ahead_from(0 if ahead else 2**62):
        found = compared(old, new, How(algorithm))
        assert (found.old_digest, found.new_digest) == (ONE_SHOT[algorithm](old), ONE_SHOT[algorithm](new))
        found = compared(old, new[:-1], How(algorithm))
        assert (found.old_digest, found.new_digest) == (None, ONE_SHOT[algorithm](new[:-1]))
        assert compared(old, new).old_digest is None


def test_two_empty_files_are_equal() -> None:
    """Nothing to read is nothing that differs, with the digest of nothing."""
    found = compared(b"", b"", How(Algorithm.BLAKE3))
    assert (found.relation, found.old_digest) == (Relation.EQUAL, blake3(b"").digest())
    assert compared(b"x", b"").relation is Relation.NEW_IS_PREFIX


# ---- Within ranges


def test_only_the_given_ranges_are_read() -> None:
    """What lies elsewhere is not looked at, each range has its digest, and no whole file has one."""
    old, new = bytearray(b"\1" * 3000), bytearray(b"\1" * 3000)
    new[500] = new[1500] = new[2500] = 2
    read: list[int] = []
    with sizes(block=300):
        found = compared(bytes(old), bytes(new), How(Algorithm.BLAKE3, within=((1000, 700), (2000, 1000))), read.append)
    assert found.damage is not None
    assert found.damage.ranges == ((1500, 1001),)
    assert (found.damage.first_offset, found.damage.differing_bytes) == (1500, 2)
    assert sum(read) == 2 * 1700
    assert (found.old_digest, found.new_digest) == (None, None)
    assert found.new_pieces == tuple(xxhash.xxh3_128(new[a:b]).digest() for a, b in ((1000, 1700), (2000, 3000)))
    assert found.old_pieces[0] == xxhash.xxh3_128(old[1000:1700]).digest()


@given(pair=contents(), block=st.sampled_from([1, 7, 64, 4096]), segment=st.sampled_from([50, 512, 600]))
def test_ranges_that_hold_all_that_differs_find_what_reading_all_finds(
    pair: tuple[bytes, bytes], block: int, segment: int
) -> None:
    """Runs of zeros and bytes near reach into what was not compared, so that borders of ranges do not show."""
    old, new = pair
    new = new[: len(old)].ljust(len(old), b"\1")
    within = tuple(
        (at, min(segment, len(old) - at))
        for at in range(0, len(old), segment)
        if old[at : at + segment] != new[at : at + segment]
    )
    with sizes(block):
        assert compared(old, new, How(within=within)).damage == compared(old, new).damage


# ---- An early end


def test_an_early_end_is_the_first_block_that_differs() -> None:
    """What lies behind is not read, and the damage says how far it was told."""
    old = b"\1" * 10_000
    new = old[:2500] + b"\2" + old[2501:8000] + b"\2" * 100
    read: list[int] = []
    with sizes(block=1000), ahead_from(0):
        found = compared(old, new, How(Algorithm.BLAKE3, early_stop=True), read.append)
    assert found.damage is not None
    assert (found.damage.compared_bytes, found.damage.complete) == (3000, False)
    assert (found.damage.ranges, found.damage.differing_bytes) == (((2500, 1),), 1)
    assert sum(read) == 2 * 3000
    assert (found.old_digest, found.new_digest) == (None, None)


def test_without_a_difference_there_is_no_early_end() -> None:
    """A file that is the beginning of the other one is read to its end."""
    with sizes(block=1000):
        found = compared(b"\1" * 5000, b"\1" * 9999, How(Algorithm.BLAKE3, early_stop=True))
    assert (found.relation, found.damage) == (Relation.OLD_IS_PREFIX, None)
    assert found.old_digest == blake3(b"\1" * 5000).digest()


# ---- The page cache


class Watched:
    """Stands in for what drops pages behind a reading."""

    def __init__(self, _descriptor: int, size: int) -> None:
        self.seen: list[int] = [size]
        WATCHED.append(self)

    def read(self, position: int) -> None:
        """Take note."""
        self.seen.append(position)

    def finish(self) -> None:
        """Take note of the end."""
        self.seen.append(-1)


WATCHED: Final[list[Watched]] = []


@pytest.mark.parametrize("ahead", [False, True], ids=["in turn", "ahead"])
def test_pages_of_larger_files_are_dropped_on_the_way(ahead: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a comparison brings into memory pushes nothing else out, also where it ends early."""
    monkeypatch.setattr(comparison, "Watching", Watched)
    monkeypatch.setattr(comparison, "SMALL_BYTES", 999)
    WATCHED.clear()
    with sizes(block=400), ahead_from(0 if ahead else 2**62):
        compared(b"\1" * 1000, b"\1" * 999)
        assert [one.seen for one in WATCHED] == [[1000, 400, 800, 999, -1]]
        compared(b"\1" * 1000, b"\2" * 1000, How(early_stop=True))
    assert [(one.seen[0], one.seen[-1]) for one in WATCHED[1:]] == 2 * [(1000, -1)]


# ---- What cannot be read


@pytest.mark.parametrize("ahead", [False, True], ids=["in turn", "ahead"])
@pytest.mark.parametrize("side", Side)
def test_a_file_that_ends_before_its_size_is_named(side: Side, ahead: bool) -> None:
    """A file that became shorter cannot be compared to the end, whatever its beginning is."""
    data = b"\1" * 5000
    with opened(data, data) as files, sizes(block=1000), ahead_from(0 if ahead else 2**62):
        which = list(Side).index(side)
        os.ftruncate(files[which].descriptor, 4500)
        with pytest.raises(Unread) as met:
            compare(*files)
    assert (met.value.side, met.value.error) == (side, None)


class Reads:
    """Stands in for positional reads: those of one file from a place on fail for a while."""

    def __init__(self, descriptor: int, from_position: int, number: int, times: int) -> None:
        self._bad = descriptor
        self._from = from_position
        self._number = number
        self.left = times

    def __call__(self, descriptor: int, wanted: int, position: int) -> bytes:
        """Read, or fail."""
        if descriptor == self._bad and position >= self._from and self.left:
            self.left -= 1
            raise OSError(self._number, os.strerror(self._number))
        return os.pread(descriptor, wanted, position)


@pytest.mark.parametrize("ahead", [False, True], ids=["in turn", "ahead"])
@pytest.mark.parametrize("side", Side)
def test_an_error_is_raised_with_its_side(side: Side, ahead: bool) -> None:
    """EIO is tried a second time, then told, with the side whose medium it is; no thread stays behind."""
    data = b"\1" * 5000
    threads = threading.active_count()
    with opened(data, data) as files, sizes(block=1000), ahead_from(0 if ahead else 2**62):
        reads = Reads(files[list(Side).index(side)].descriptor, 2000, errno.EIO, 99)
        with mock.patch.object(comparison, "read_at", reads), pytest.raises(Unread) as met:
            compare(*files)
    assert met.value.side is side
    assert met.value.error is not None
    assert met.value.error.errno == errno.EIO
    assert reads.left == 97
    assert threading.active_count() == threads


def test_an_error_that_passes_costs_another_attempt() -> None:
    """EIO that does not come again changes nothing, and shows others that this is no hanging."""
    data = b"\1" * 5000
    beats: list[int] = []
    with (
        opened(data, data[:-1] + b"\2") as files,
        sizes(block=1000),
        mock.patch.object(comparison, "read_at", Reads(files[0].descriptor, 2000, errno.EIO, 1)),
    ):
        found = compare(*files, How(), beats.append)
    assert found.damage is not None
    assert found.damage.ranges == ((4999, 1),)
    assert 0 in beats


def test_bytes_near_that_cannot_be_read_are_left_out() -> None:
    """A damage stands by what was compared, also where the medium gives nothing the second time."""
    old = b"\1" * 2000
    new = old[:1000] + b"\2" * 500 + old[1500:]
    with opened(old, new) as files, sizes(block=1000):
        # Reads at the borders of blocks go well, those around the difference do not.
        plain = Reads(files[1].descriptor, 984, errno.EIO, 1)
        with mock.patch.object(comparison, "read_at", lambda d, w, p: (plain if p == 984 else os.pread)(d, w, p)):
            found = compare(*files).damage
    assert found is not None
    assert (found.near_offset, found.new_near) == (1000, b"\2" * 32)
    assert found.ranges == ((1000, 500),)
    assert Damage.from_json(found.to_json()) == found


@pytest.mark.parametrize("ahead", [False, True], ids=["in turn", "ahead"])
def test_a_request_to_stop_ends_it(ahead: bool) -> None:
    """What `on_bytes` raises passes through, and no thread stays behind."""

    class Enough(Exception):
        pass

    def stop(_: int) -> None:
        raise Enough

    threads = threading.active_count()
    with sizes(block=1000), ahead_from(0 if ahead else 2**62), pytest.raises(Enough):
        compared(b"\1" * 50_000, b"\1" * 50_000, How(), stop)
    assert threading.active_count() == threads


def test_reads_that_give_less_than_was_asked_for() -> None:
    """A read may be short (read(2)): blocks of both files stay side by side."""
    old = bytes(range(256)) * 40
    new = old[:7777] + b"\0" + old[7778:]
    with sizes(block=1000), mock.patch.object(comparison, "read_at", lambda d, w, p: os.pread(d, min(w, 7), p)):
        found = damage_of(old, new)
    assert found.ranges == ((7777, 1),)


def test_where_no_positional_read_is_the_answer_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """A platform without pread(2) seeks before each read, in one thread."""
    monkeypatch.setattr(comparison, "_HAS_PREAD", False)
    old = b"\1" * 5000 + b"\2"
    with sizes(block=1000), ahead_from(0):
        found = compared(old, old[:-1] + b"\0", How(Algorithm.BLAKE3))
    assert found.damage == naive(old, old[:-1] + b"\0", Limits())
    assert found.old_digest == blake3(old).digest()
