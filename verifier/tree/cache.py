"""The page cache of the system: leaving it as it was found, or going round it.

A scan that reads tens of terabytes through the page cache pushes out what people are working with. So what was not in
memory before a file was read is dropped from it afterwards (POSIX_FADV_DONTNEED, posix_fadvise(2): advice, clean pages
only, this host only). What was there is found out without reading: of a small file by a read that must not wait
(RWF_NOWAIT, preadv2(2)), of a larger one window by window: by counting (cachestat, Linux 6.5), and page by page only
where some are there and some are not (mincore(2)). The first costs nothing and is wrong now and then: of small files
that were not there one in a hundred stays, up to one in ten while the disk answers at once; one in a thousand goes
although it was there.

Read cold: drop first, then look whether the pages are really gone. A file whose pages stay, because they are dirty,
mapped or locked, or because the system does not say, counts as not cold.
"""

from __future__ import annotations

import ctypes
import errno
import functools
import mmap
import os
import sys
import time
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

SMALL_BYTES: Final = 1024 * 1024
"""Files up to this size are read in one piece."""
ASK_BYTES: Final = 128 * 1024
"""Files up to this size are just asked for; of larger ones it is looked first what is in memory (20 µs)."""
WINDOW_BYTES: Final = 64 * 1024 * 1024
"""Of larger files it is looked window by window what is in memory."""

COMING_S: Final = 0.02
"""How long what the system reads ahead may take to come."""

_NOWAIT: Final[int] = getattr(os, "RWF_NOWAIT", 0)
_CAN_ADVISE: Final = hasattr(os, "posix_fadvise")
_CANNOT: Final = frozenset({errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL})
_HAS_PREADV: Final = hasattr(os, "preadv")


def aligned_room(size: int) -> memoryview:
    """Return room for so many bytes that begins at a page.

    Where the target lies a few bytes off a page, as that of every large bytearray does, some processors copy from the
    page cache at half the speed (measured: 3.2 against 1.4 µs for 5 KB).
    """
    return memoryview(mmap.mmap(-1, size))


class ColdCount(NamedTuple):
    """How many files were read after their pages were dropped, and how many kept some."""

    cold_files: int = 0
    cold_bytes: int = 0
    warm_files: int = 0
    warm_bytes: int = 0


class PageCache:
    """One reader's dealings with the page cache. Not for use by two threads at once."""

    def __init__(self, *, cold: bool = False) -> None:
        self.cold = cold
        self._nowait = bool(_NOWAIT) and _HAS_PREADV
        self._room = aligned_room(SMALL_BYTES + 1)
        self._whole_room = (self._room,)
        self._count = [0, 0, 0, 0]
        self._was_cold = False

    def take_count(self) -> ColdCount:
        """Return what was counted since the last call."""
        count, self._count = ColdCount(*self._count), [0, 0, 0, 0]
        return count

    def go_cold(self, descriptor: int, size: int) -> None:
        """Drop a file's pages, and look whether they are really gone. Does nothing unless reading cold."""
        if self.cold and size:
            drop(descriptor, 0, 0)
            self._was_cold = not any(resident(descriptor, size))

    def count(self, size: int) -> None:
        """Count a file, once it has been read to its end, whatever attempts that took."""
        if self.cold and size:
            at = 0 if self._was_cold else 2
            self._count[at] += 1
            self._count[at + 1] += size

    def read_small(self, descriptor: int, size: int) -> memoryview:
        """Read a file of at most `SMALL_BYTES` from its beginning.

        Args:
            descriptor: The open file.
            size: What its facts promise. More is asked for, so that a file that grew shows itself.

        Returns:
            What came, in room that the next call uses again.
        """
        if not _HAS_PREADV:
            return memoryview(read_up_to(descriptor, size + 1))
        absent: Sequence[tuple[int, int]] | None = None
        if self.cold:
            self.go_cold(descriptor, size)
        elif self._nowait and size <= ASK_BYTES:
            try:
                got = os.preadv(descriptor, self._whole_room, 0, _NOWAIT)
                if got >= size:
                    return self._room[:got]
                absent = ((got, 0),)
            except BlockingIOError:
                # Asking has set the system to read ahead, so mincore would see pages that come because of us.
                absent = ((0, 0),)
            except OSError as error:
                if error.errno not in _CANNOT:
                    raise
                self._nowait = False
        if absent is None:
            absent = next(absent_ranges(descriptor, size), ())
        got = 0
        room = self._room[: size + 1]
        while got <= size and (more := os.preadv(descriptor, (room[got:],), got)):
            got += more
        for offset, length in absent:
            drop(descriptor, offset, length)
        return room[:got]


class Watching:
    """Drops window by window of a larger file what was not in memory before it was read.

    Args:
        descriptor: The open file, at its beginning.
        size: Bytes of it.
    """

    def __init__(self, descriptor: int, size: int) -> None:
        self._descriptor = descriptor
        self._windows = absent_ranges(descriptor, size)
        # One window ahead: the system reads ahead, and what it fetched for us was not there before.
        self._here, self._ahead = next(self._windows, ()), next(self._windows, ())
        self._end = WINDOW_BYTES
        self._size = self._left = size

    def read(self, position: int) -> None:
        """Take note that the file was read up to here."""
        self._left = self._size - position
        while position >= self._end:
            self._drop(self._here)
            self._here, self._ahead = self._ahead, next(self._windows, ())
            self._end += WINDOW_BYTES

    def finish(self) -> None:
        """Drop what was begun, and what the system has read ahead of it, also where the end was not reached."""
        begun = (*self._here, *self._ahead)
        self._drop(begun)
        if self._left > 0 and begun:
            # Pages that were just coming could not be dropped; now they are there.
            time.sleep(COMING_S)
            self._drop(begun)

    def _drop(self, ranges: Sequence[tuple[int, int]]) -> None:
        for offset, length in ranges:
            drop(self._descriptor, offset, length)


def read_up_to(descriptor: int, wanted: int) -> bytes:
    """Read so many bytes from where an open file stands; fewer only at its end (read(2): a read may be short)."""
    data = os.read(descriptor, wanted)
    while len(data) < wanted and (more := os.read(descriptor, wanted - len(data))):
        data += more
    return data


def drop(descriptor: int, offset: int, length: int) -> None:
    """Advise the system to drop pages of a file; a length of 0 is up to its end. Never fails: it is advice."""
    if _CAN_ADVISE:
        try:
            os.posix_fadvise(descriptor, offset, length, os.POSIX_FADV_DONTNEED)
        except OSError:
            return


def absent_ranges(descriptor: int, size: int) -> Iterator[tuple[tuple[int, int], ...]]:
    """Yield for each window of a file the ranges, offset and length, that are not in memory.

    Where the system does not say, nothing counts as absent, so nothing is dropped.
    """
    page = mmap.PAGESIZE
    for start, length, counted in _windows(descriptor, size):
        if counted in (0, -(-length // page)):
            yield () if counted else ((start, length),)
            continue
        pages = _resident_pages(descriptor, start, length)
        if pages is None or 0 not in pages:
            absent = _absent_by_probe(descriptor, start)
            yield ((start, length),) if absent else ()
        elif 1 not in pages:
            yield ((start, length),)
        else:
            yield tuple((start + begin * page, (end - begin) * page) for begin, end in _runs_of_zero(pages))


def _runs_of_zero(pages: bytes) -> Iterator[tuple[int, int]]:
    begin = pages.find(0)
    while begin >= 0:
        end = pages.find(1, begin)
        yield begin, end if end >= 0 else len(pages)
        begin = pages.find(0, end) if end >= 0 else -1


def _absent_by_probe(descriptor: int, offset: int) -> bool:
    """Tell whether a page is absent where mincore(2) calls all present, as it does to whoever is not the owner."""
    if not _NOWAIT or not _HAS_PREADV or os.geteuid() in (0, os.fstat(descriptor).st_uid):
        return False
    try:
        os.preadv(descriptor, (bytearray(1),), offset, _NOWAIT)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def resident(descriptor: int, size: int) -> Iterator[bool]:
    """Yield for each window of a file whether any of it is in memory; True where the system does not say."""
    for start, length, counted in _windows(descriptor, size):
        if counted is not None:
            yield counted > 0
            continue
        pages = _resident_pages(descriptor, start, length)
        yield pages is None or 1 in pages


def _windows(descriptor: int, size: int) -> Iterator[tuple[int, int, int | None]]:
    """Yield for each window of a file where it begins, how long it is, and how many of its pages are in memory."""
    for start in range(0, size, WINDOW_BYTES):
        length = min(WINDOW_BYTES, size - start)
        yield start, length, _count_resident(descriptor, start, length)


class _Range(ctypes.Structure):
    """``struct cachestat_range`` (include/uapi/linux/mman.h of Linux 6.5)."""

    _fields_ = (("off", ctypes.c_uint64), ("len", ctypes.c_uint64))


class _Stat(ctypes.Structure):
    """``struct cachestat`` (the same)."""

    _fields_ = tuple((name, ctypes.c_uint64) for name in ("cache", "dirty", "writeback", "evicted", "recently_evicted"))


_CACHESTAT: Final = 451
"""The system call's number on the machines of `_WITH_CACHESTAT` (include/uapi/asm-generic/unistd.h of Linux 6.5)."""
_WITH_CACHESTAT: Final = frozenset({"x86_64", "aarch64", "riscv64", "ppc64le", "s390x"})


def _count_resident(descriptor: int, offset: int, length: int) -> int | None:
    """Return how many pages of a range are in memory; None where the system cannot count them.

    Takes 10 µs where asking mincore(2) for each page of a window takes 1 ms.
    """
    library = _library()
    if library is None or not _counts():
        return None
    stat = _Stat()
    asked = (ctypes.c_int(descriptor), ctypes.byref(_Range(offset, length)), ctypes.byref(stat), ctypes.c_uint(0))
    if library.syscall(ctypes.c_long(_CACHESTAT), *asked):
        return None
    return int(stat.cache)


@functools.cache
def _counts() -> bool:
    return sys.platform == "linux" and os.uname().machine in _WITH_CACHESTAT


def _resident_pages(descriptor: int, offset: int, length: int) -> bytes | None:
    """Return a byte for each page, 1 where it is in memory; None where that cannot be known (mincore(2))."""
    library = _library()
    if library is None:
        return None
    address = library.mmap(None, length, mmap.PROT_READ, mmap.MAP_PRIVATE, descriptor, offset)
    if address in (None, _MAP_FAILED):
        return None
    try:
        vector = (ctypes.c_ubyte * (-(-length // mmap.PAGESIZE)))()
        if library.mincore(address, length, vector):
            return None
    finally:
        library.munmap(address, length)
    # Only the lowest bit has a meaning.
    return bytes(vector).translate(_LOWEST_BIT)


_MAP_FAILED: Final = ctypes.c_void_p(-1).value
_LOWEST_BIT: Final = bytes(value & 1 for value in range(256))


@functools.cache
def _library() -> ctypes.CDLL | None:
    if sys.platform == "win32":
        return None
    try:
        library = ctypes.CDLL(None, use_errno=True)
        library.mmap.restype = ctypes.c_void_p
        library.mmap.argtypes = (
            ctypes.c_void_p,
            ctypes.c_size_t,
            ctypes.c_int,
            ctypes.c_int,
            ctypes.c_int,
            ctypes.c_int64,
        )
        library.munmap.argtypes = (ctypes.c_void_p, ctypes.c_size_t)
        library.syscall.restype = ctypes.c_long
        library.mincore.argtypes = (ctypes.c_void_p, ctypes.c_size_t, ctypes.c_void_p)
    except (OSError, AttributeError):
        return None
    return library
