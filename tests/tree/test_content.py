"""Reading a file: the digest of exactly its bytes, or a stated reason why not."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import signal
import socket
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Final

import pytest
import xxhash
from blake3 import blake3
from hypothesis import given
from hypothesis import strategies as st

from tests.conftest import without_rights
from tests.tree.faults import FaultyHandle, failing, once
from verifier.errors import ShareGone
from verifier.tree import cache, content, trouble
from verifier.tree.cache import PageCache
from verifier.tree.content import (
    AHEAD_BYTES,
    BLOCK_BYTES,
    GONE,
    SEGMENT_BYTES,
    SPLIT_BYTES,
    Expected,
    Glance,
    Manner,
    Reading,
    Stopped,
    Where,
    glance,
    read_file,
)
from verifier.tree.digests import Algorithm, digester
from verifier.tree.entry import HEAD_BYTES, State
from verifier.tree.handle import DescriptorHandle, PathHandle, TreeHandle
from verifier.tree.trouble import ATTEMPTS, MEDIUM_ATTEMPTS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ONE_SHOT: Final[dict[Algorithm, Callable[[bytes], bytes]]] = {
    Algorithm.BLAKE3: lambda data: blake3(data).digest(),
    Algorithm.SHA256: lambda data: hashlib.sha256(data).digest(),
    Algorithm.XXH3_128: lambda data: xxhash.xxh3_128(data).digest(),
}
CYCLE: Final = bytes(range(251))
"""251 is no divisor of any block size, so that swapped blocks show: the input of the BLAKE3 test vectors."""


def cycling(size: int) -> bytes:
    """Return so many bytes in which no two blocks are the same."""
    return (CYCLE * (size // len(CYCLE) + 1))[:size]


def expected_of(file: Path) -> Expected:
    """Return what a listing would have said about a file."""
    facts = file.lstat()
    return Expected(facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns)


def read(
    file: Path,
    algorithm: Algorithm = Algorithm.BLAKE3,
    on_bytes: Callable[[int], None] = lambda _: None,
    *,
    handle: TreeHandle | None = None,
    expected: Expected | None = None,
    threads: int = 1,
) -> Reading:
    """Read one file through a hold on its folder, which is closed."""
    manner = Manner(algorithm, PageCache(), on_bytes, threads)
    with handle or DescriptorHandle(file.parent) as held:
        return read_file(Where(held, (), file.name), expected or expected_of(file), manner)


def look(
    file: Path,
    algorithm: Algorithm = Algorithm.BLAKE3,
    on_bytes: Callable[[int], None] = lambda _: None,
    handle: TreeHandle | None = None,
) -> Glance | None:
    """Take a quick look at one file through a hold on its folder, which is closed."""
    with handle or DescriptorHandle(file.parent) as held:
        return glance(Where(held, (), file.name), digester(algorithm), Manner(algorithm, PageCache(), on_bytes))


def held_descriptors() -> int:
    """Count this process's open descriptors (proc(5))."""
    return len(list(Path("/proc/self/fd").iterdir()))


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Return a small file that was last changed long ago."""
    place = tmp_path / "file"
    place.write_bytes(b"content")
    os.utime(place, ns=(10**9, 10**9))
    return place


# ---- Digests of whole files and of their segments

SMALL: Final = (0, 1, HEAD_BYTES - 1, HEAD_BYTES, HEAD_BYTES + 1, 4095, 4096, 4097)
BLOCKS: Final = (BLOCK_BYTES - 1, BLOCK_BYTES, BLOCK_BYTES + 1, 3 * BLOCK_BYTES + 7)
SEGMENTS: Final = (SEGMENT_BYTES - 1, SEGMENT_BYTES, SEGMENT_BYTES + 1, 2 * SEGMENT_BYTES, 2 * SEGMENT_BYTES + 5)


@pytest.fixture(scope="module")
def long_input() -> memoryview:
    """Return more bytes than the largest case reads."""
    return memoryview(cycling(max(SEGMENTS)))


@pytest.mark.parametrize("algorithm", Algorithm)
@pytest.mark.parametrize("size", [*SMALL, *BLOCKS])
def test_the_digest_is_that_of_the_bytes(tmp_path: Path, size: int, algorithm: Algorithm) -> None:
    """At every edge of a buffer the digest is what the algorithm says of the same bytes in one piece."""
    data = cycling(size)
    (tmp_path / "file").write_bytes(data)
    counted: list[int] = []
    found = read(tmp_path / "file", algorithm, counted.append)
    assert found == Reading(
        State.PROVED, None, 1, None, ONE_SHOT[algorithm](data), None, data[:HEAD_BYTES], found.xattrs
    )
    assert sum(counted) == size


@pytest.mark.parametrize("size", SEGMENTS, ids=lambda size: f"{size - SEGMENT_BYTES:+} bytes from a segment")
def test_segments_are_those_of_the_bytes(long_input: memoryview, size: int) -> None:
    """Every 64 MiB of a larger file has its own XXH3-128; a file of one segment or less has none."""
    data = long_input[:size]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "file").write_bytes(data)
        readings = {
            (algorithm, threads): read(Path(folder) / "file", algorithm, threads=threads)
            for algorithm in Algorithm
            for threads in ((1, 2) if algorithm is Algorithm.BLAKE3 else (1,))
        }
    pieces = [data[start : start + SEGMENT_BYTES] for start in range(0, size, SEGMENT_BYTES)]
    segments = b"".join(xxhash.xxh3_128(piece).digest() for piece in pieces) if len(pieces) > 1 else None
    for (algorithm, _), found in readings.items():
        assert (found.state, found.head) == (State.PROVED, CYCLE[:HEAD_BYTES])
        assert found.digest == ONE_SHOT[algorithm](data)  # type: ignore[arg-type]  # hashes take any buffer
        assert found.segments == segments


EDGES: Final = sorted(
    {edge + around for edge in (SPLIT_BYTES, SPLIT_BYTES + AHEAD_BYTES) for around in (-1, 0, 1)}
    | {SPLIT_BYTES + BLOCK_BYTES, SPLIT_BYTES + 3 * AHEAD_BYTES + 7}
)


@pytest.mark.parametrize("algorithm", Algorithm)
@pytest.mark.parametrize("size", EDGES, ids=lambda size: f"{size - SPLIT_BYTES:+} bytes from a split")
def test_any_number_of_threads_gives_one_digest(
    tmp_path: Path, long_input: memoryview, size: int, algorithm: Algorithm
) -> None:
    """However many threads share a file: the digest is that of the bytes, and each byte is counted once."""
    data = long_input[:size]
    (tmp_path / "file").write_bytes(data)
    expected = ONE_SHOT[algorithm](data)  # type: ignore[arg-type]  # hashes take any buffer
    for threads in (1, 2, 5):
        counted: list[int] = []
        found = read(tmp_path / "file", algorithm, counted.append, threads=threads)
        assert (found.state, found.digest, found.head) == (State.PROVED, expected, CYCLE[:HEAD_BYTES])
        assert sum(counted) == size


@given(
    size=st.integers(0, 400),
    block=st.integers(1, 50),
    split_block=st.integers(1, 50),
    segment=st.integers(1, 90),
    split=st.integers(0, 400),
    threads=st.integers(1, 3),
    algorithm=st.sampled_from(Algorithm),
)
def test_sizes_of_pieces_never_matter(
    *, size: int, block: int, split_block: int, segment: int, split: int, threads: int, algorithm: Algorithm
) -> None:
    """Whatever the sizes of blocks, segments and files are to each other, digests and segments are of the bytes."""
    data = cycling(size)
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(content, "BLOCK_BYTES", block)
        patch.setattr(content, "AHEAD_BYTES", split_block)
        patch.setattr(content, "SEGMENT_BYTES", segment)
        patch.setattr(content, "SPLIT_BYTES", split)
        (Path(folder) / "file").write_bytes(data)
        found = read(Path(folder) / "file", algorithm, threads=threads)
    pieces = [data[start : start + segment] for start in range(0, size, segment)]
    segments = b"".join(xxhash.xxh3_128(piece).digest() for piece in pieces)
    assert (found.state, found.digest, found.head) == (State.PROVED, ONE_SHOT[algorithm](data), data[:HEAD_BYTES])
    # What is read in one piece is not cut up: real segments are larger than blocks.
    assert found.segments == (segments if size > max(segment, block) else None)


class ShortReads:
    """A system that gives so many bytes at most for each call (read(2))."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, most: int) -> None:
        real_read, real_readv, real_preadv = os.read, os.readv, os.preadv
        self.calls = 0

        def short(buffers: list[memoryview]) -> list[memoryview]:
            self.calls += 1
            return [memoryview(buffers[0])[:most]]

        def read_some(descriptor: int, wanted: int) -> bytes:
            self.calls += 1
            return real_read(descriptor, min(wanted, most))

        monkeypatch.setattr(os, "read", read_some)
        monkeypatch.setattr(os, "readv", lambda fd, buffers: real_readv(fd, short(buffers)))
        monkeypatch.setattr(
            os, "preadv", lambda fd, buffers, offset, flags=0: real_preadv(fd, short(buffers), offset, flags)
        )


SHORT: Final = [(2048, 1), (2048, 1000), (2048, 2047), (BLOCK_BYTES, 4097)]
SHORT_AND_LARGE: Final = [(BLOCK_BYTES + 5000, 4097), (BLOCK_BYTES + 5000, BLOCK_BYTES - 1)]


@pytest.mark.parametrize(("size", "most"), SHORT + SHORT_AND_LARGE)
@pytest.mark.parametrize("platform", ["as it is", "without preadv and readv"])
def test_short_reads_lose_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int, most: int, platform: str
) -> None:
    """A server may give fewer bytes than it was asked for (read(2)): the rest is asked for again."""
    data = cycling(size)
    (tmp_path / "file").write_bytes(data)
    if platform != "as it is":
        monkeypatch.setattr(content, "_HAS_READV", False)
        monkeypatch.setattr(cache, "_HAS_PREADV", False)
    system = ShortReads(monkeypatch, most)
    found = read(tmp_path / "file")
    assert (found.state, found.digest, found.head) == (State.PROVED, blake3(data).digest(), data[:HEAD_BYTES])
    assert system.calls >= size / most
    seen = look(tmp_path / "file")
    assert seen is not None
    assert seen.digest == (blake3(data).digest() if size <= BLOCK_BYTES else None)


def test_short_reads_lose_nothing_where_threads_share_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two blocks in turn, each of another length every time: no byte is hashed twice, none is overwritten before."""
    monkeypatch.setattr(content, "SPLIT_BYTES", BLOCK_BYTES)
    data = cycling(3 * BLOCK_BYTES + 11)
    (tmp_path / "file").write_bytes(data)
    for most in (99_991, AHEAD_BYTES - 1):
        with monkeypatch.context() as patch:
            ShortReads(patch, most)
            assert read(tmp_path / "file", threads=2).digest == blake3(data).digest()


@pytest.mark.parametrize("size", [0, 1, 5000, BLOCK_BYTES, 2 * BLOCK_BYTES + 1])
def test_a_platform_without_vectored_reads_reads_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    """Where there is no readv and no preadv the bytes go through read, and the digest is the same."""
    monkeypatch.setattr(content, "_HAS_READV", False)
    monkeypatch.setattr(cache, "_HAS_PREADV", False)
    data = cycling(size)
    (tmp_path / "file").write_bytes(data)
    assert read(tmp_path / "file").digest == blake3(data).digest()


# ---- A quick look


@pytest.mark.parametrize("algorithm", Algorithm)
@pytest.mark.parametrize("size", [*SMALL, *BLOCKS])
def test_a_quick_look_sees_what_a_reading_sees(tmp_path: Path, size: int, algorithm: Algorithm) -> None:
    """The short way to a small file's content ends at the same digest, head and attributes; a large one is not read."""
    data = cycling(size)
    (tmp_path / "file").write_bytes(data)
    counted: list[int] = []
    seen, found = look(tmp_path / "file", algorithm, counted.append), read(tmp_path / "file", algorithm)
    assert seen is not None
    assert (seen.facts.st_size, seen.facts.st_ino) == (size, (tmp_path / "file").stat().st_ino)
    if size <= BLOCK_BYTES:
        assert (seen.digest, seen.head, seen.xattrs) == (found.digest, found.head, found.xattrs)
        assert sum(counted) == size
    else:
        assert (seen.digest, seen.head, counted) == (None, None, [])


@pytest.mark.parametrize("name", ["EIO", "EACCES", "ENOENT", "ESTALE", "ETIMEDOUT", "ENODEV", "EMFILE"])
@pytest.mark.parametrize("where", ["open", "read"])
def test_a_quick_look_judges_no_error(file: Path, monkeypatch: pytest.MonkeyPatch, name: str, where: str) -> None:
    """Whatever goes wrong, a quick look says nothing, raises nothing and keeps nothing open: a reading will judge."""
    handle = FaultyHandle(file.parent)
    fail = failing(getattr(errno, name))
    if where == "open":
        handle.before["open", "file"] = fail
    else:
        monkeypatch.setattr(os, "preadv", lambda *_: fail())
        monkeypatch.setattr(os, "read", lambda *_: fail())
    before = held_descriptors()
    assert look(file, handle=handle) is None
    assert held_descriptors() == before - 1  # the root's, which was given back


@pytest.mark.parametrize("size", [0, 100], ids=["empty", "small"])
def test_a_quick_look_at_what_does_not_hold_still_has_no_digest(tmp_path: Path, size: int) -> None:
    """A file that changes while it is looked at gives its facts and nothing that could pass for its content."""
    file = tmp_path / "file"
    file.write_bytes(cycling(size))
    seen = look(file, on_bytes=lambda _: grow(file))
    assert seen is not None
    assert (seen.digest, seen.head, seen.xattrs) == (None, None, None)


def test_a_stop_passes_through_a_quick_look(file: Path) -> None:
    """Whoever asks the reader to stop is obeyed here too, and the descriptor is given back."""

    def stop(_: int) -> None:
        raise Stopped

    before = held_descriptors()
    with pytest.raises(Stopped):
        look(file, on_bytes=stop)
    assert held_descriptors() == before


# ---- One bit


@given(data=st.binary(min_size=1, max_size=300), flip=st.integers(min_value=0))
def test_one_flipped_bit_is_always_found(data: bytes, flip: int) -> None:
    """Two files that differ by one bit have different digests under every algorithm."""
    position, bit = divmod(flip % (len(data) * 8), 8)
    flipped = bytearray(data)
    flipped[position] ^= 1 << bit
    with tempfile.TemporaryDirectory() as folder:
        one, other = Path(folder) / "one", Path(folder) / "other"
        one.write_bytes(data)
        other.write_bytes(flipped)
        for algorithm in Algorithm:
            assert read(one, algorithm).digest != read(other, algorithm).digest


# ---- Settled or not


def overwrite(file: Path) -> None:
    """Change content and keep size and mtime, as a careful forger would; ctime moves all the same (utimensat(2))."""
    facts = file.stat()
    time.sleep(0.02)  # older kernels note changes to the tick of their clock, up to 10 ms
    with file.open("r+b") as opened:
        opened.write(b"C")
    os.utime(file, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def grow(file: Path) -> None:
    """Add a byte."""
    with file.open("ab") as opened:
        opened.write(b"+")


def shrink(file: Path) -> None:
    """Take the last byte away."""
    os.truncate(file, file.stat().st_size - 1)


CHANGES: Final = {"grown": grow, "cut": shrink, "overwritten": overwrite, "touched": os.utime}


@pytest.mark.parametrize("size", [100, BLOCK_BYTES * 2], ids=["small", "large"])
@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_what_changes_during_every_attempt_is_unsettled(
    tmp_path: Path, size: int, change: Callable[[Path], None]
) -> None:
    """A file that is never still has no digest: what was read is not the file at any instant."""
    file = tmp_path / "file"
    file.write_bytes(cycling(size))
    os.utime(file, ns=(10**9, 10**9))
    attempts: list[int] = []

    def each_block(size_bytes: int) -> None:
        attempts.append(size_bytes)
        assert len(attempts) < 100, "there is no end to it"
        # Times lie apart however coarse the file system's clock is, unless the change itself hides the time.
        change(file)
        if change is not overwrite:
            os.utime(file, ns=(len(attempts), len(attempts)))

    found = read(file, on_bytes=each_block)
    assert found == Reading(State.UNSETTLED, "changed while it was being read", ATTEMPTS, None, None, None, None, None)
    assert len(attempts) >= ATTEMPTS


@pytest.mark.parametrize("change", [grow, shrink], ids=["grown", "cut"])
def test_what_changes_once_is_read_again(file: Path, change: Callable[[Path], None]) -> None:
    """The second, quiet attempt counts, with its own bytes, and says what the facts are now."""
    listed = expected_of(file)
    act = once(lambda: change(file))
    found = read(file, on_bytes=lambda _: act(), expected=listed)
    assert (found.state, found.attempts) == (State.PROVED, 2)
    assert found.digest == blake3(file.read_bytes()).digest()
    assert found.restat is not None
    assert found.restat[0] == file.stat().st_size != listed.size


def test_a_file_that_grows_without_end_is_given_up(tmp_path: Path) -> None:
    """A log that grows as fast as it is read must not hold the reader for ever."""
    file = tmp_path / "file"
    file.write_bytes(cycling(2 * BLOCK_BYTES))
    seen = 0

    def each_block(size_bytes: int) -> None:
        nonlocal seen
        seen += size_bytes
        assert seen < 40 * BLOCK_BYTES, "there is no end to it"
        with file.open("ab") as opened:
            opened.write(CYCLE * (2 * BLOCK_BYTES // len(CYCLE)))

    found = read(file, on_bytes=each_block)
    assert found.state == State.UNSETTLED


@pytest.mark.parametrize("fact", ["st_size", "st_mtime_ns", "st_ctime_ns"])
def test_each_fact_alone_tells_of_a_change(file: Path, monkeypatch: pytest.MonkeyPatch, fact: str) -> None:
    """A file system may move one of size, mtime and ctime only: whichever it is, the file is not settled."""
    real_fstat, calls = os.fstat, 0

    def moving_fstat(descriptor: int) -> SimpleNamespace:
        nonlocal calls
        facts = real_fstat(descriptor)
        calls += 1
        named = {name: getattr(facts, name) for name in dir(facts) if name.startswith("st_")}
        return SimpleNamespace(**named | {fact: named[fact] + (calls - 1) % 2})

    monkeypatch.setattr(os, "fstat", moving_fstat)
    assert read(file).state == State.UNSETTLED


@pytest.mark.parametrize("size", [100, 2 * BLOCK_BYTES], ids=["small", "large"])
def test_fewer_bytes_than_promised_are_no_content(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    """A server that says "end of file" too early, with every fact as before, has not given the file."""
    (tmp_path / "file").write_bytes(cycling(size))
    real_preadv, real_readv = os.preadv, os.readv
    calls = 0

    def short_preadv(descriptor: int, buffers: list[memoryview], offset: int, flags: int = 0) -> int:
        return real_preadv(descriptor, [memoryview(buffers[0])[: size - 1 - offset]], offset, flags)

    def short_readv(descriptor: int, buffers: list[memoryview]) -> int:
        nonlocal calls
        calls += 1
        return real_readv(descriptor, buffers) if calls % 2 else 0

    monkeypatch.setattr(os, "preadv", short_preadv)
    monkeypatch.setattr(os, "readv", short_readv)
    found = read(tmp_path / "file")
    assert (found.state, found.digest, found.attempts) == (State.UNSETTLED, None, ATTEMPTS)
    seen = look(tmp_path / "file")
    assert seen is not None
    assert seen.digest is None


def test_what_changed_since_the_listing_is_read_as_it_is_now(file: Path) -> None:
    """A file that changed before it was opened, and is still now, is proved; its facts are those it was read with."""
    listed = expected_of(file)
    file.write_bytes(b"later and longer")
    file.chmod(0o640)
    found = read(file, expected=listed)
    facts = file.stat()
    assert (found.state, found.digest) == (State.PROVED, blake3(b"later and longer").digest())
    assert found.restat == (
        16, facts.st_blocks * 512, facts.st_mtime_ns, facts.st_ctime_ns, 0o640, facts.st_uid, facts.st_gid, 1,
    )  # fmt: skip


# ---- Errors


# Attempts for each error; causes: errno(3), open(2), nfs(5). How often is advice of the trade.
TRIED: Final = {
    "EIO": MEDIUM_ATTEMPTS,
    "EREMOTEIO": MEDIUM_ATTEMPTS,
    "EBUSY": ATTEMPTS,
    "EAGAIN": ATTEMPTS,
    "EMFILE": ATTEMPTS,
    "ENOMEM": ATTEMPTS,
    "ENOENT": ATTEMPTS,
    "ESTALE": ATTEMPTS,
    "ETIMEDOUT": ATTEMPTS,
    "ECONNRESET": ATTEMPTS,
    "ENOTCONN": ATTEMPTS,
    "EHOSTDOWN": ATTEMPTS,
}


def test_a_medium_that_fails_is_asked_twice() -> None:
    """One more look, no more: each one wears a dying disk and may cost minutes."""
    assert (MEDIUM_ATTEMPTS, ATTEMPTS) == (2, 3)


@pytest.mark.parametrize(
    ("name", "times"), [(name, times) for name, most in TRIED.items() for times in range(1, most)], ids=str
)
def test_an_error_that_passes_is_tried_again(file: Path, name: str, times: int) -> None:
    """An error that may pass is followed by another attempt, and the attempt counts."""
    handle = FaultyHandle(file.parent)
    handle.before["open", "file"] = failing(getattr(errno, name), times)
    found = read(file, handle=handle)
    assert (found.state, found.attempts, found.digest) == (State.PROVED, times + 1, blake3(b"content").digest())
    assert found.error is None


@pytest.mark.parametrize("name", ["EIO", "EREMOTEIO", "EBUSY", "EMFILE", "ENOMEM"])
def test_an_error_that_stays_makes_a_file_unreadable(file: Path, name: str) -> None:
    """After the last attempt the file is unreadable, with the error, and nothing that could pass for a digest."""
    handle = FaultyHandle(file.parent)
    handle.before["open", "file"] = failing(getattr(errno, name))
    found = read(file, handle=handle)
    assert found == Reading(State.UNREADABLE, f"{name}: read", TRIED[name], None, None, None, None, None)
    assert handle.asked["open", "file"] == TRIED[name]


@pytest.mark.parametrize("name", ["ENOENT", "ENOTDIR", "ESTALE"])
def test_what_is_gone_since_it_was_listed_is_unsettled(file: Path, name: str) -> None:
    """A file that was removed or replaced under the scan, on the server too (ESTALE, nfs(5)), is one file's matter."""
    handle = FaultyHandle(file.parent)
    handle.before["open", "file"] = failing(getattr(errno, name))
    found = read(file, handle=handle)
    assert found == Reading(State.UNSETTLED, f"{name}: read, {GONE}", ATTEMPTS, None, None, None, None, None)


@pytest.mark.parametrize("threads", [1, 2])
def test_an_error_in_the_middle_of_a_file_is_answered_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, threads: int
) -> None:
    """A bad sector shows while reading, not while opening: one more attempt, then unreadable, and all is given back."""
    monkeypatch.setattr(content, "SPLIT_BYTES", BLOCK_BYTES)
    (tmp_path / "file").write_bytes(cycling(2 * AHEAD_BYTES + BLOCK_BYTES))
    real_readv, calls = os.readv, 0

    def failing_readv(descriptor: int, buffers: list[memoryview]) -> int:
        nonlocal calls
        calls += 1
        if calls % 2 == 0:
            raise OSError(errno.EIO, "bad sector")
        return real_readv(descriptor, buffers)

    before = held_descriptors()
    monkeypatch.setattr(os, "readv", failing_readv)
    found = read(tmp_path / "file", threads=threads)
    assert found == Reading(State.UNREADABLE, "EIO: read", MEDIUM_ATTEMPTS, None, None, None, None, None)
    assert calls == 2 * MEDIUM_ATTEMPTS
    assert (held_descriptors(), [t.name for t in threading.enumerate() if t.name.startswith("ahead")]) == (before, [])


@pytest.mark.parametrize("name", ["EACCES", "EPERM", "ELOOP", "EUCLEAN", "EBADMSG"])
def test_a_permanent_error_is_not_tried_again(file: Path, name: str) -> None:
    """What will not pass costs one attempt and no pause."""
    handle = FaultyHandle(file.parent)
    handle.before["open", "file"] = failing(getattr(errno, name))
    found = read(file, handle=handle)
    assert (found.state, found.error, found.attempts) == (State.UNREADABLE, f"{name}: read", 1)
    assert handle.asked["open", "file"] == 1


@pytest.mark.parametrize(
    ("name", "attempts"),
    [("ENODEV", 1), ("ENOLINK", 1), ("ENXIO", 1), ("EKEYEXPIRED", 1)]
    + [(name, ATTEMPTS) for name in ("ENOTCONN", "EHOSTDOWN", "ETIMEDOUT", "ENETUNREACH", "ECONNRESET")],
)
def test_a_share_that_goes_away_stops_the_reading(file: Path, name: str, attempts: int) -> None:
    """A dead mount is no property of one file (nfs(5), errno(3)): the side stops; a silent one is asked again first."""
    handle = FaultyHandle(file.parent)
    handle.before["open", "file"] = failing(getattr(errno, name))
    with pytest.raises(ShareGone, match=f"{name} while reading file"):
        read(file, handle=handle)
    assert handle.asked["open", "file"] == attempts


@pytest.mark.parametrize("name", ["ESTALE", "ETIMEDOUT", "ENODEV"])
def test_a_share_that_goes_away_while_it_is_read_is_answered_the_same(
    file: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Most errors of a network show in the read, after an open that the client answered from what it knew."""
    fail = failing(getattr(errno, name))
    monkeypatch.setattr(os, "preadv", lambda *_: fail())
    monkeypatch.setattr(os, "read", lambda *_: fail())
    if name == "ESTALE":
        assert read(file).error == f"ESTALE: read, {GONE}"
        return
    with pytest.raises(ShareGone, match=f"{name} while reading file"):
        read(file)


def test_pauses_between_attempts_fit_the_error(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A silent share gets longer pauses than a hiccup; what needs no further attempt costs no pause."""
    slept: list[float] = []
    monkeypatch.setattr(trouble, "PAUSE_S", 1.0)
    monkeypatch.setattr(trouble, "SILENCE_S", 100.0)
    monkeypatch.setattr(trouble, "_SLICE_S", 1000.0)
    monkeypatch.setattr(time, "sleep", slept.append)
    found = {}
    for name in ("EIO", "EBUSY", "ESTALE", "ETIMEDOUT", "EACCES", "ENODEV"):
        handle = FaultyHandle(file.parent)
        handle.before["open", "file"] = failing(getattr(errno, name))
        with suppress(ShareGone):
            read(file, handle=handle)
        found[name] = tuple(slept)
        slept.clear()
    assert found == {
        "EIO": (1.0,),
        "EBUSY": (1.0, 2.0),
        "ESTALE": (1.0, 2.0),
        "ETIMEDOUT": (100.0, 200.0),
        "EACCES": (),
        "ENODEV": (),
    }


def test_a_file_that_may_not_be_read_is_unreadable(open_ground: Path) -> None:
    """Permission denied: unreadable at once, with the reason."""
    place = open_ground / "file"
    place.write_bytes(b"secret")
    place.chmod(0o000)
    with without_rights():
        found = read(place)
    assert found == Reading(State.UNREADABLE, "EACCES: read", 1, None, None, None, None, None)


def test_a_stop_passes_through(file: Path) -> None:
    """Whoever asks the reader to stop is obeyed at the next block, and the descriptor is given back."""

    def stop(_: int) -> None:
        raise Stopped

    before = held_descriptors()
    with pytest.raises(Stopped):
        read(file, on_bytes=stop)
    assert held_descriptors() == before


def test_a_stop_leaves_no_thread_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that several threads hash is let go as a whole."""
    monkeypatch.setattr(content, "SPLIT_BYTES", BLOCK_BYTES)
    file = tmp_path / "file"
    file.write_bytes(cycling(8 * AHEAD_BYTES))  # more than is read ahead
    blocks: list[int] = []

    def stop(size_bytes: int) -> None:
        blocks.append(size_bytes)
        if len(blocks) == 2:
            assert [t for t in threading.enumerate() if t.name.startswith("ahead")]
            raise Stopped

    before = held_descriptors()
    with pytest.raises(Stopped):
        read(file, on_bytes=stop, threads=2)
    assert (held_descriptors(), [t.name for t in threading.enumerate() if t.name.startswith("ahead")]) == (before, [])


# ---- Replaced between listing and reading


def become_link(file: Path) -> Iterator[None]:
    """Replace a file by a link to another one."""
    (file.parent / "other").write_bytes(b"somebody else's")
    file.symlink_to("other")
    yield


def become_fifo(file: Path) -> Iterator[None]:
    """Replace a file by a FIFO, which blocks whoever opens it the plain way (fifo(7))."""
    os.mkfifo(file)
    yield


def become_directory(file: Path) -> Iterator[None]:
    """Replace a file by a directory."""
    file.mkdir()
    yield


def become_socket(file: Path) -> Iterator[None]:
    """Replace a file by a socket."""
    here = Path.cwd()
    os.chdir(file.parent)  # a socket's address holds 108 bytes (unix(7))
    try:
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind(file.name)
            yield
    finally:
        os.chdir(here)


def become_nothing(_: Path) -> Iterator[None]:
    """Leave nothing in a file's place."""
    yield


REPLACEMENTS: Final = {
    "link": (become_link, {State.UNREADABLE, State.UNSETTLED}),
    "FIFO": (become_fifo, {State.UNSETTLED}),
    "directory": (become_directory, {State.UNSETTLED}),
    "socket": (become_socket, {State.UNSETTLED}),
    "nothing": (become_nothing, {State.UNSETTLED}),
}


@pytest.fixture
def patience() -> Iterator[None]:
    """Fail a test that hangs, as one that waits for a FIFO's other end would."""

    def give_up(_number: int, _frame: object) -> None:
        raise AssertionError("it hangs")

    before = signal.signal(signal.SIGALRM, give_up)
    signal.alarm(10)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.mark.usefixtures("patience")
@pytest.mark.parametrize("hold", [DescriptorHandle, PathHandle], ids=["by descriptor", "by path"])
@pytest.mark.parametrize(("replace", "states"), REPLACEMENTS.values(), ids=REPLACEMENTS.keys())
def test_what_is_no_longer_a_file_is_not_read(
    file: Path,
    replace: Callable[[Path], Iterator[None]],
    states: set[State],
    hold: Callable[[Path], TreeHandle],
) -> None:
    """Something else in a file's place is not proved, not followed, blocks nobody, and is not the share's end.

    A link: ELOOP. A socket: ENXIO (both open(2)), which elsewhere means that a device is gone.
    """
    listed = expected_of(file)
    file.unlink()
    for _ in replace(file):
        assert look(file, handle=hold(file.parent)) is None
        found = read(file, expected=listed, handle=hold(file.parent))
        assert found.state in states
        assert (found.digest, found.head, found.restat) == (None, None, None)
        assert found.error


# ---- Extended attributes


@pytest.fixture
def attributed(file: Path) -> Path:
    """Return a file on a file system that holds extended attributes."""
    try:
        os.setxattr(file, "user.probe", b"")
        os.removexattr(file, "user.probe")
    except OSError:
        pytest.skip("this file system holds no user.* attributes")
    return file


def test_attributes_are_kept_as_digests_of_their_values(attributed: Path) -> None:
    """Names are kept, values as the first 16 bytes of their BLAKE3: values may be large, or secret."""
    os.setxattr(attributed, "user.b", b"value")
    os.setxattr(attributed, "user.a", b"")
    found = read(attributed)
    assert found.xattrs is not None
    assert json.loads(found.xattrs) == {
        "user.a": blake3(b"").hexdigest(length=16),
        "user.b": blake3(b"value").hexdigest(length=16),
    }
    assert list(json.loads(found.xattrs)) == ["user.a", "user.b"]


def test_a_file_without_attributes_has_none(attributed: Path) -> None:
    """No attributes is a statement, other than not having looked."""
    assert json.loads(read(attributed).xattrs or "null") == {}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        (b"user.\xff\xfe", r"user.\xff\xfe"),
        (b"user.line\nfeed", r"user.line\x0afeed"),
        (b"user.\x1b[31m", r"user.\x1b[31m"),
        ("user.\u00e9".encode(), "user.\u00e9"),
    ],
    ids=["not UTF-8", "line feed", "escape sequence", "letter"],
)
def test_attribute_names_may_be_any_bytes(attributed: Path, name: bytes, text: str) -> None:
    """An attribute's name is a string of bytes (xattr(7)): it is kept as a file's name is, and crashes nothing."""
    os.setxattr(attributed, name, b"value")
    assert json.loads(read(attributed).xattrs or "null") == {text: blake3(b"value").hexdigest(length=16)}


def test_no_two_attribute_names_become_one(attributed: Path) -> None:
    """A name that looks like the escape of another is another attribute."""
    os.setxattr(attributed, b"user.a\nb", b"one")
    os.setxattr(attributed, b"user.a\\x0ab", b"two")
    assert len(json.loads(read(attributed).xattrs or "null")) == 2
