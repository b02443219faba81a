"""Reading a file: the digest of exactly its bytes, or a stated reason why not."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import signal
import socket
import tempfile
import time
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
from verifier.tree import content
from verifier.tree.content import (
    ATTEMPTS,
    BLOCK_BYTES,
    SEGMENT_BYTES,
    Expected,
    Reading,
    Stopped,
    Where,
    read_file,
    xattrs_of,
)
from verifier.tree.digests import Algorithm
from verifier.tree.entry import HEAD_BYTES, State
from verifier.tree.handle import DescriptorHandle, PathHandle, TreeHandle

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
    handle: TreeHandle | None = None,
    expected: Expected | None = None,
) -> Reading:
    """Read one file through a hold on its folder, which is closed."""
    with handle or DescriptorHandle(file.parent) as held:
        return read_file(Where(held, (), file.name), expected or expected_of(file), algorithm, on_bytes)


@pytest.fixture
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait a moment only between two attempts."""
    monkeypatch.setattr(content, "PAUSE_S", 0.0001)


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
        readings = {algorithm: read(Path(folder) / "file", algorithm) for algorithm in Algorithm}
    pieces = [data[start : start + SEGMENT_BYTES] for start in range(0, size, SEGMENT_BYTES)]
    segments = b"".join(xxhash.xxh3_128(piece).digest() for piece in pieces) if len(pieces) > 1 else None
    for algorithm, found in readings.items():
        assert (found.state, found.head) == (State.PROVED, CYCLE[:HEAD_BYTES])
        assert found.digest == ONE_SHOT[algorithm](data)  # type: ignore[arg-type]  # hashes take any buffer
        assert found.segments == segments


@pytest.mark.parametrize(
    ("size", "most"),
    [(2048, 1), (2048, 1000), (2048, 2047), (BLOCK_BYTES + 5000, 4097), (BLOCK_BYTES + 5000, BLOCK_BYTES - 1)],
)
def test_short_reads_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int, most: int) -> None:
    """A server may give fewer bytes than it was asked for (read(2)): the rest is asked for again."""
    data = cycling(size)
    (tmp_path / "file").write_bytes(data)
    real_read, real_readv = os.read, os.readv
    monkeypatch.setattr(os, "read", lambda fd, n: real_read(fd, min(n, most)))
    monkeypatch.setattr(os, "readv", lambda fd, buffers: real_readv(fd, [memoryview(buffers[0])[:most]]))
    found = read(tmp_path / "file")
    assert (found.state, found.digest, found.head) == (State.PROVED, blake3(data).digest(), data[:HEAD_BYTES])


def test_a_platform_without_readv_reads_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is no readv the bytes go through read, and the digest is the same."""
    monkeypatch.setattr(content, "_HAS_READV", False)
    data = cycling(2 * BLOCK_BYTES + 1)
    (tmp_path / "file").write_bytes(data)
    assert read(tmp_path / "file").digest == blake3(data).digest()


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


@pytest.mark.usefixtures("short_pauses")
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


@pytest.mark.usefixtures("short_pauses")
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


@pytest.mark.usefixtures("short_pauses")
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


@pytest.mark.usefixtures("short_pauses")
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


@pytest.mark.usefixtures("short_pauses")
@pytest.mark.parametrize("size", [100, 2 * BLOCK_BYTES], ids=["small", "large"])
def test_fewer_bytes_than_promised_are_no_content(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    """A server that says "end of file" too early, with every fact as before, has not given the file."""
    (tmp_path / "file").write_bytes(cycling(size))
    real_read, real_readv = os.read, os.readv
    calls = 0

    def short_read(descriptor: int, most: int) -> bytes:
        data = real_read(descriptor, most)
        return b"" if len(data) < size else data[: size - 1]

    def short_readv(descriptor: int, buffers: list[memoryview]) -> int:
        nonlocal calls
        calls += 1
        return real_readv(descriptor, buffers) if calls % 2 else 0

    monkeypatch.setattr(os, "read", short_read)
    monkeypatch.setattr(os, "readv", short_readv)
    found = read(tmp_path / "file")
    assert (found.state, found.digest, found.attempts) == (State.UNSETTLED, None, ATTEMPTS)


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


@pytest.mark.usefixtures("short_pauses")
@pytest.mark.parametrize("name", ["EIO", "EREMOTEIO", "EBUSY", "EAGAIN"])
@pytest.mark.parametrize("times", range(1, ATTEMPTS))
def test_an_error_that_passes_is_tried_again(file: Path, name: str, times: int) -> None:
    """An error that may pass is followed by another attempt, and the attempt counts."""
    handle = FaultyHandle(file.parent)
    handle.before["open", "file"] = failing(getattr(errno, name), times)
    found = read(file, handle=handle)
    assert (found.state, found.attempts, found.digest) == (State.PROVED, times + 1, blake3(b"content").digest())


@pytest.mark.usefixtures("short_pauses")
@pytest.mark.parametrize("name", ["EIO", "EREMOTEIO", "EBUSY"])
def test_an_error_that_stays_makes_a_file_unreadable(file: Path, name: str) -> None:
    """After the last attempt the file is unreadable, with the error, and nothing that could pass for a digest."""
    handle = FaultyHandle(file.parent)
    handle.before["open", "file"] = failing(getattr(errno, name))
    found = read(file, handle=handle)
    assert found == Reading(State.UNREADABLE, f"{name}: read", ATTEMPTS, None, None, None, None, None)
    assert handle.asked["open", "file"] == ATTEMPTS


@pytest.mark.usefixtures("short_pauses")
def test_an_error_in_the_middle_of_a_file_is_answered_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bad sector shows while reading, not while opening: three attempts, then unreadable, and all is given back."""
    (tmp_path / "file").write_bytes(cycling(3 * BLOCK_BYTES))
    real_readv, calls = os.readv, 0

    def failing_readv(descriptor: int, buffers: list[memoryview]) -> int:
        nonlocal calls
        calls += 1
        if calls % 2 == 0:
            raise OSError(errno.EIO, "bad sector")
        return real_readv(descriptor, buffers)

    monkeypatch.setattr(os, "readv", failing_readv)
    found = read(tmp_path / "file")
    assert (found.state, found.error, found.attempts) == (State.UNREADABLE, "EIO: read", ATTEMPTS)
    assert calls == 2 * ATTEMPTS


@pytest.mark.parametrize("name", ["EACCES", "EPERM", "ELOOP", "EUCLEAN", "EBADMSG", "EMFILE"])
def test_a_permanent_error_is_not_tried_again(file: Path, name: str) -> None:
    """What will not pass costs one attempt and no pause."""
    handle = FaultyHandle(file.parent)
    handle.before["open", "file"] = failing(getattr(errno, name))
    found = read(file, handle=handle)
    assert (found.state, found.error, found.attempts) == (State.UNREADABLE, f"{name}: read", 1)


@pytest.mark.parametrize("name", ["ESTALE", "ENOTCONN", "EHOSTDOWN", "ETIMEDOUT", "ENETUNREACH", "ENODEV", "ENOLINK"])
def test_a_share_that_goes_away_stops_the_reading(file: Path, name: str) -> None:
    """A dead mount is no property of one file (nfs(5), errno(3)): the side stops."""
    handle = FaultyHandle(file.parent)
    handle.before["open", "file"] = failing(getattr(errno, name))
    with pytest.raises(ShareGone, match=f"{name} while reading file"):
        read(file, handle=handle)


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

    before = len(list(Path("/proc/self/fd").iterdir()))
    with pytest.raises(Stopped):
        read(file, on_bytes=stop)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


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
    "socket": (become_socket, {State.UNREADABLE, State.UNSETTLED}),
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


@pytest.mark.usefixtures("short_pauses", "patience")
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


def test_a_place_that_cannot_be_asked_has_no_answer(tmp_path: Path) -> None:
    """Attributes that may not be listed, or are not there, are None: not known, rather than none."""
    assert xattrs_of(str(tmp_path / "gone")) is None
