"""Reading one file, once and honestly.

One pass feeds every digest. The file's facts are taken before and after; if size, mtime or ctime moved, or other than
the promised number of bytes came, what was read is not the file at any instant, and it is read again. Errors are
answered by what they mean (`verifier.tree.trouble`).
"""

from __future__ import annotations

import errno
import os
import stat
import threading
from itertools import cycle, repeat
from queue import SimpleQueue
from typing import TYPE_CHECKING, Final, NamedTuple

import xxhash
from blake3 import blake3

from verifier.errors import ShareGone
from verifier.tree.attributes import xattrs_of
from verifier.tree.cache import SMALL_BYTES, PageCache, Watching, aligned_room
from verifier.tree.digests import Algorithm, Hash, new_hash
from verifier.tree.entry import HEAD_BYTES, State, int64, time64
from verifier.tree.names import shown, to_text
from verifier.tree.trouble import ATTEMPTS, Trouble, attempts_for, errno_name, pause_after, trouble_of

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Iterator, Sequence

    from verifier.tree.handle import TreeHandle

SEGMENT_BYTES: Final = 64 * 1024 * 1024
"""Files larger than this get a digest for each piece of this size, so that damage can be narrowed down."""
BLOCK_BYTES: Final = SMALL_BYTES
"""Bytes read by one call: large enough to amortise it, small enough to stay in a core's cache for all hashes."""
SPLIT_BYTES: Final = 32 * 1024 * 1024
"""Files from this size on may be hashed by several threads at once."""
AHEAD_BYTES: Final = 2 * 1024 * 1024
AHEAD_BLOCKS: Final = 3
"""Then blocks of this size are read ahead, so many at most."""
GONE: Final = "gone since it was listed"
"""How the error of a file ends that is no longer there."""


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


class Manner(NamedTuple):
    """How files are read."""

    algorithm: Algorithm
    """Of the content's digest."""
    cache: PageCache
    on_bytes: Callable[[int], None] = lambda _: None
    """Called with each block's size; may wait, may raise `Stopped`."""
    threads: int = 1
    """Threads that one large file may be hashed with, where the algorithm can be split (BLAKE3)."""
    beat: Callable[[], None] = lambda: None
    """Called again and again while waiting to try again; may raise `Stopped`."""


def read_file(where: Where, expected: Expected, manner: Manner) -> Reading:
    """Read a file and return what was found; only the share's end and a request to stop are raised.

    Raises:
        ShareGone: If an error says that the share itself went away.
        Stopped: Whatever `on_bytes` raises passes through.
    """
    for attempt in range(1, ATTEMPTS + 1):
        trouble = Trouble.RACE
        try:
            found = _read_once(where, expected, manner)
            again = found.state != State.PROVED
        except OSError as error:
            trouble = trouble_of(error)
            found, again = _failed(where, error, attempt)
        if not again or attempt == ATTEMPTS:
            break
        pause_after(attempt, trouble, manner.beat)
    if found.state == State.PROVED:
        manner.cache.count(expected.size if found.restat is None else found.restat[0])
    return found if attempt == 1 else found._replace(attempts=attempt)


class Glance(NamedTuple):
    """What one quick look at a file came to."""

    facts: os.stat_result
    digest: bytes | None
    """None where it is too large for a quick look, or did not hold still."""
    head: bytes | None
    xattrs: str | None


def glance(where: Where, digest_of: Callable[[memoryview], bytes], manner: Manner) -> Glance | None:
    """Read a small file in as few steps as an honest reading takes.

    Args:
        where: The file.
        digest_of: The algorithm's `verifier.tree.digests.digester`.
        manner: How.

    Returns:
        What was seen; None after any error, and where it is no file: for `read_file` to judge.
    """
    try:
        descriptor = where.handle.open(where.folder, where.name)
    except OSError:
        return None
    try:
        before = os.fstat(descriptor)
        size = before.st_size
        if not stat.S_ISREG(before.st_mode):
            return None
        if size > BLOCK_BYTES:
            return Glance(before, None, None, None)
        data = manner.cache.read_small(descriptor, size)
        manner.on_bytes(len(data))
        digest = digest_of(data)
        head = bytes(data[:HEAD_BYTES])
        xattrs = xattrs_of(descriptor)
        after = os.fstat(descriptor)
    except OSError:
        return None
    finally:
        os.close(descriptor)
    if not _held_still(before, after, len(data)):
        return Glance(before, None, None, None)
    return Glance(before, digest, head, xattrs)


def _held_still(before: os.stat_result, after: os.stat_result, total: int) -> bool:
    """Tell whether what was read is the file as it was at one instant."""
    return (
        total == before.st_size == after.st_size
        and before.st_mtime_ns == after.st_mtime_ns
        and before.st_ctime_ns == after.st_ctime_ns
    )


def _failed(where: Where, error: OSError, attempt: int) -> tuple[Reading, bool]:
    """Return what an error makes of a file, and whether to try again.

    Raises:
        ShareGone: If the error says that the share itself went away.
    """
    name, trouble = errno_name(error), trouble_of(error)
    if trouble is Trouble.RACE:
        return Reading(State.UNSETTLED, f"{name}: read, {GONE}", 1, *_NOTHING), True
    # Opening a socket is ENXIO, a link ELOOP (open(2)): it may have taken the file's place since the listing.
    if error.errno in (errno.ENXIO, errno.ELOOP) and _is_other_kind(where):
        return Reading(State.UNSETTLED, "no longer a file since it was listed", 1, *_NOTHING), True
    if trouble in (Trouble.SHARE_GONE, Trouble.SHARE_SILENT):
        if trouble is Trouble.SHARE_SILENT and attempt < ATTEMPTS:
            return Reading(State.UNREADABLE, f"{name}: read", 1, *_NOTHING), True
        raise ShareGone(f"{name} while reading {shown(to_text(os.fsencode(where.name)))}") from error
    again = trouble in (Trouble.AGAIN, Trouble.OWN_LIMIT) and attempt < attempts_for(error)
    return Reading(State.UNREADABLE, f"{name}: read", 1, *_NOTHING), again


def _is_other_kind(where: Where) -> bool:
    try:
        return not stat.S_ISREG(where.handle.facts(where.folder, where.name).st_mode)
    except OSError:
        return False


_NOTHING: Final[tuple[None, None, None, None, None]] = (None, None, None, None, None)


def _read_once(where: Where, expected: Expected, manner: Manner) -> Reading:
    descriptor = where.handle.open(where.folder, where.name)
    try:
        before = os.fstat(descriptor)
        if not stat.S_ISREG(before.st_mode):
            return Reading(State.UNSETTLED, "no longer a file since it was listed", 1, *_NOTHING)
        size = before.st_size
        segments: bytes | None = None
        if size <= BLOCK_BYTES:
            data = manner.cache.read_small(descriptor, size)
            manner.on_bytes(len(data))
            total, digest, head = len(data), new_hash(manner.algorithm, data).digest(), bytes(data[:HEAD_BYTES])
        else:
            total, digest, head, segments = _digest_large(descriptor, size, manner)
        xattrs = xattrs_of(descriptor)
        after = os.fstat(descriptor)
    finally:
        os.close(descriptor)
    if not _held_still(before, after, total):
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


def _digest_large(descriptor: int, size: int, manner: Manner) -> tuple[int, bytes, bytes, bytes | None]:
    manner.cache.go_cold(descriptor, size)
    watching = Watching(descriptor, size)
    segments = _Segments() if size > SEGMENT_BYTES else None
    split = manner.threads > 1 and size >= SPLIT_BYTES and manner.algorithm is Algorithm.BLAKE3
    whole = blake3(max_threads=manner.threads) if split else new_hash(manner.algorithm)
    pieces = _Ahead(descriptor, segments) if split else _pieces(descriptor, segments, repeat(aligned_room(BLOCK_BYTES)))
    total, head = 0, b""
    try:
        for piece in pieces:
            if len(head) < HEAD_BYTES:
                head += bytes(piece[: HEAD_BYTES - len(head)])
            whole.update(piece)
            total += len(piece)
            manner.on_bytes(len(piece))
            watching.read(total)
            if total > size:  # it grows while it is read: there may be no end to it
                break
    finally:
        pieces.close()
        watching.finish()
    return total, whole.digest(), head, None if segments is None else segments.digests()


def _pieces(
    descriptor: int, segments: _Segments | None, rooms: Iterable[memoryview]
) -> Generator[memoryview, None, None]:
    """Read block by block, each into the next room, and give them to the segments' digests while they are at hand."""
    for room in rooms:
        got = os.readv(descriptor, (room,)) if _HAS_READV else _read_into(descriptor, room)
        if not got:
            return
        piece = room[:got]
        if segments is not None:
            segments.update(piece)
        yield piece


class _Ahead:
    """Blocks of a file that a thread of its own reads ahead, while others are hashed.

    Larger than where one thread does everything, because BLAKE3 splits each among its threads, and small enough to be
    in the processor's cache still when it does.
    """

    def __init__(self, descriptor: int, segments: _Segments | None) -> None:
        self._rooms = [aligned_room(AHEAD_BYTES) for _ in range(AHEAD_BLOCKS)]
        self._free: SimpleQueue[memoryview | None] = SimpleQueue()
        self._full: SimpleQueue[memoryview | BaseException | None] = SimpleQueue()
        for room in self._rooms:
            self._free.put(room)
        self._ended = False
        self._thread = threading.Thread(target=self._read, args=(descriptor, segments), name="ahead", daemon=True)
        self._thread.start()

    def _read(self, descriptor: int, segments: _Segments | None) -> None:
        end: BaseException | None = None
        try:
            for piece in _pieces(descriptor, segments, iter(self._free.get, None)):
                self._full.put(piece)
                if self._ended:
                    break
        except BaseException as error:
            end = error
        self._full.put(end)

    def __iter__(self) -> Iterator[memoryview]:
        """Yield the blocks; each is overwritten when the next one is asked for.

        Raises:
            OSError: As it was met.
        """
        for room in cycle(self._rooms):
            piece = self._full.get()
            if piece is None:
                return
            if isinstance(piece, BaseException):
                raise piece
            yield piece
            self._free.put(room)

    def close(self) -> None:
        """End the thread, after the block that it is at."""
        self._ended = True
        self._free.put(None)
        self._thread.join()


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
