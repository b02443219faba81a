"""Reading one file, once and honestly.

One pass feeds every digest. The file's facts are taken before and after; if size, mtime or ctime moved, or other than
the promised number of bytes came, what was read is not the file at any instant, and it is read again. Errors are
answered by what they mean (`verifier.tree.trouble`).
"""

from __future__ import annotations

import json
import os
import stat
import time
from typing import TYPE_CHECKING, Final, NamedTuple

import xxhash
from blake3 import blake3

from verifier.errors import ShareGone
from verifier.tree.digests import Algorithm, Hash, new_hash
from verifier.tree.entry import HEAD_BYTES, State, int64, time64
from verifier.tree.names import shown, to_text
from verifier.tree.trouble import Trouble, errno_name, trouble_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from verifier.tree.handle import TreeHandle

SEGMENT_BYTES: Final = 64 * 1024 * 1024
"""Files larger than this get a digest for each piece of this size, so that damage can be narrowed down."""
BLOCK_BYTES: Final = 1024 * 1024
"""Bytes read by one call: large enough to amortise it, small enough to stay in a core's cache for all hashes."""
ATTEMPTS: Final = 3
GONE: Final = "gone since it was listed"
"""How the error of a file ends that is no longer there."""
PAUSE_S: Final = 0.1
"""Seconds before the second attempt; twice that before the third."""


class Stopped(Exception):
    """Somebody asked the reader to stop: the file counts as not read."""


class Reading(NamedTuple):
    """What reading one file came to."""

    state: str
    """`State`: proved, unreadable or unsettled."""
    error: str | None
    """Why not, where it is not proved."""
    attempts: int
    restat: tuple[int, int | None, int, int, int, int, int, int] | None
    """size, allocated, mtime_ns, ctime_ns, mode, uid, gid, nlink as they were when it was read, where size, mtime
    or ctime are not what the listing said; None where they are."""
    digest: bytes | None
    segments: bytes | None
    head: bytes | None
    xattrs: str | None


class Expected(NamedTuple):
    """What the listing said about a file that is now to be read."""

    size: int
    mtime_ns: int
    ctime_ns: int


class Where(NamedTuple):
    """Where a file lies."""

    handle: TreeHandle
    """The tree, held open."""
    folder: Sequence[str]
    """Components of the file's folder, for the operating system."""
    name: str


def read_file(
    where: Where,
    expected: Expected,
    algorithm: Algorithm,
    on_bytes: Callable[[int], None] = lambda _: None,
) -> Reading:
    """Read a file and return what was found; only the share's end and a request to stop are raised.

    Args:
        where: The file.
        expected: What the listing said.
        algorithm: Of the content's digest.
        on_bytes: Called with each block's size; may raise `Stopped`.

    Raises:
        ShareGone: If an error says that the share itself went away.
        Stopped: Whatever `on_bytes` raises passes through.
    """
    for attempt in range(1, ATTEMPTS + 1):
        if attempt > 1:
            time.sleep(PAUSE_S * (attempt - 1))
        again = True
        try:
            found = _read_once(where, expected, algorithm, on_bytes)
        except OSError as error:
            found, again = _failed(where, error)
        if found.state == State.PROVED or not again:
            break
    return found if attempt == 1 else found._replace(attempts=attempt)


def read_quickly(
    where: Where, expected: Expected, hash_of: Callable[[bytes], Hash], on_bytes: Callable[[int], None]
) -> tuple[bytes, bytes, str | None] | None:
    """Read a small file that is as it was listed, in as few steps as an honest reading takes.

    Args:
        where: The file, of at most `BLOCK_BYTES`.
        expected: What the listing said.
        hash_of: The algorithm's `verifier.tree.digests.hasher`.
        on_bytes: As for `read_file`.

    Returns:
        Digest, first bytes and extended attributes; None where anything is not as expected, for `read_file` to judge.
    """
    try:
        descriptor = where.handle.open(where.folder, where.name)
    except OSError:
        return None
    try:
        before = os.fstat(descriptor)
        if not stat.S_ISREG(before.st_mode) or before.st_size != expected.size:
            return None
        # One byte more than promised: a file that grew shows itself without another call.
        data = os.read(descriptor, expected.size + 1)
        on_bytes(len(data))
        xattrs = xattrs_of(descriptor)
        after = os.fstat(descriptor)
    except OSError:
        return None
    finally:
        os.close(descriptor)
    settled = (
        len(data) == after.st_size == expected.size
        and before.st_mtime_ns == after.st_mtime_ns == expected.mtime_ns
        and before.st_ctime_ns == after.st_ctime_ns == expected.ctime_ns
    )
    return (hash_of(data).digest(), data[:HEAD_BYTES], xattrs) if settled else None


def _failed(where: Where, error: OSError) -> tuple[Reading, bool]:
    """Return what an error makes of a file, and whether to try again.

    Raises:
        ShareGone: If the error says that the share itself went away.
    """
    name, trouble = errno_name(error), trouble_of(error)
    if trouble is Trouble.RACE:
        return Reading(State.UNSETTLED, f"{name}: read, {GONE}", 1, *_NOTHING), True
    if trouble is Trouble.SHARE_GONE:
        # Opening a socket is ENXIO too (open(2)): it may have taken the file's place since the listing.
        if _is_other_kind(where):
            return Reading(State.UNSETTLED, "no longer a file since it was listed", 1, *_NOTHING), True
        raise ShareGone(f"{name} while reading {shown(to_text(os.fsencode(where.name)))}") from error
    return Reading(State.UNREADABLE, f"{name}: read", 1, *_NOTHING), trouble is Trouble.AGAIN


def _is_other_kind(where: Where) -> bool:
    try:
        return not stat.S_ISREG(where.handle.facts(where.folder, where.name).st_mode)
    except OSError:
        return False


_NOTHING: Final[tuple[None, None, None, None, None]] = (None, None, None, None, None)


def _read_once(
    where: Where,
    expected: Expected,
    algorithm: Algorithm,
    on_bytes: Callable[[int], None],
) -> Reading:
    descriptor = where.handle.open(where.folder, where.name)
    try:
        before = os.fstat(descriptor)
        if not stat.S_ISREG(before.st_mode):
            return Reading(State.UNSETTLED, "no longer a file since it was listed", 1, *_NOTHING)
        size = before.st_size
        if size <= BLOCK_BYTES:
            total, digest, head = _digest_small(descriptor, size, algorithm)
            segments = None
            on_bytes(total)
        else:
            total, digest, head, segments = _digest_large(descriptor, size, algorithm, on_bytes)
        xattrs = xattrs_of(descriptor)
        after = os.fstat(descriptor)
    finally:
        os.close(descriptor)
    settled = (
        total == size
        and after.st_size == size
        and after.st_mtime_ns == before.st_mtime_ns
        and after.st_ctime_ns == before.st_ctime_ns
    )
    if not settled:
        return Reading(State.UNSETTLED, "changed while it was being read", 1, *_NOTHING)
    restat = None
    if (size, time64(before.st_mtime_ns), time64(before.st_ctime_ns)) != expected:
        blocks = getattr(before, "st_blocks", None)
        restat = (
            size,
            None if blocks is None else blocks * 512,
            time64(before.st_mtime_ns),
            time64(before.st_ctime_ns),
            stat.S_IMODE(before.st_mode),
            before.st_uid,
            before.st_gid,
            int64(before.st_nlink),
        )
    return Reading(State.PROVED, None, 1, restat, digest, segments, head, xattrs)


def _digest_small(descriptor: int, size: int, algorithm: Algorithm) -> tuple[int, bytes, bytes]:
    # One byte more than promised: a file that grew shows itself without another call.
    data = os.read(descriptor, size + 1)
    while len(data) < size and (more := os.read(descriptor, size + 1 - len(data))):
        data += more
    return len(data), new_hash(algorithm, data).digest(), data[:HEAD_BYTES]


def _digest_large(
    descriptor: int, size: int, algorithm: Algorithm, on_bytes: Callable[[int], None]
) -> tuple[int, bytes, bytes, bytes | None]:
    whole = new_hash(algorithm)
    pieces = _Segments() if size > SEGMENT_BYTES else None
    block = memoryview(bytearray(BLOCK_BYTES))
    total, head = 0, b""
    while got := os.readv(descriptor, [block]) if _HAS_READV else _read_into(descriptor, block):
        piece = block[:got]
        if len(head) < HEAD_BYTES:
            head += bytes(piece[: HEAD_BYTES - len(head)])
        whole.update(piece)
        if pieces is not None:
            pieces.update(piece)
        total += got
        on_bytes(got)
        if total > size:  # it grows while it is read: there may be no end to it
            break
    return total, whole.digest(), head, None if pieces is None else pieces.digests()


_HAS_XATTRS: Final = hasattr(os, "listxattr")
_HAS_READV: Final = hasattr(os, "readv")


def _read_into(descriptor: int, block: memoryview) -> int:
    data = os.read(descriptor, len(block))
    block[: len(data)] = data
    return len(data)


class _Segments:
    """XXH3-128 of each `SEGMENT_BYTES` of a stream, whatever the sizes it comes in."""

    def __init__(self) -> None:
        self._done = bytearray()
        self._current: Hash = xxhash.xxh3_128()
        self._room = SEGMENT_BYTES

    def update(self, piece: memoryview) -> None:
        while len(piece) >= self._room:
            self._current.update(piece[: self._room])
            self._done += self._current.digest()
            piece = piece[self._room :]
            self._current, self._room = xxhash.xxh3_128(), SEGMENT_BYTES
        if piece:
            self._current.update(piece)
            self._room -= len(piece)

    def digests(self) -> bytes:
        unfinished = self._current.digest() if self._room < SEGMENT_BYTES else b""
        return bytes(self._done) + unfinished


def xattrs_of(where: int | str) -> str | None:
    """Return extended attributes as JSON, name to the first 16 bytes of its value's BLAKE3 in hex.

    Names are manifest text. None where the platform or the file system has no extended attributes, or they may not
    be listed; a single value that may not be read is null.
    """
    if not _HAS_XATTRS:
        return None
    try:
        names = os.listxattr(where)
    except OSError:
        return None
    if not names:
        return "{}"
    texts = sorted((shown(to_text(os.fsencode(name))), name) for name in names)
    return json.dumps({text: _value_digest(where, name) for text, name in texts}, ensure_ascii=False)


def _value_digest(where: int | str, name: str) -> str | None:
    try:
        return blake3(os.getxattr(where, name)).hexdigest(length=16)
    except OSError:
        return None
