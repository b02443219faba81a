"""When a file was made, for information: no call can set it, so no copy keeps it."""

from __future__ import annotations

import ctypes
import errno
import os
import sys
from functools import cache
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

# statx(2) and linux/stat.h, linux/fcntl.h.
_AT_FDCWD: Final = -100
_AT_SYMLINK_NOFOLLOW: Final = 0x100
_AT_NO_AUTOMOUNT: Final = 0x800
_AT_EMPTY_PATH: Final = 0x1000
_STATX_BTIME: Final = 0x800
_NOT_GIVEN: Final = (errno.ENOSYS, errno.EOPNOTSUPP)


class _Timestamp(ctypes.Structure):
    _fields_ = (("tv_sec", ctypes.c_int64), ("tv_nsec", ctypes.c_uint32), ("reserved", ctypes.c_int32))


class _Statx(ctypes.Structure):
    """The fields of struct statx up to the birth time; 256 bytes in all."""

    _fields_ = (
        ("stx_mask", ctypes.c_uint32),
        ("before", ctypes.c_uint8 * 76),
        ("stx_btime", _Timestamp),
        ("after", ctypes.c_uint8 * 160),
    )


def birth_ns(where: int | str | bytes | os.PathLike[str]) -> int | None:
    """Return when a file, folder or link was made, in nanoseconds since 1970-01-01 UTC.

    Args:
        where: A descriptor, or a path; a link is not followed.

    Returns:
        None where the platform or the file system does not say.

    Raises:
        OSError: If it cannot be asked: it is not there, or the way to it is closed.
        ValueError: If the path has a NUL in it.
    """
    if hasattr(os.stat_result, "st_birthtime") or hasattr(os.stat_result, "st_birthtime_ns"):
        return _from(os.stat(where) if isinstance(where, int) else os.lstat(where))
    if (statx := _statx()) is None:
        return None
    found = _Statx()
    if isinstance(where, int):
        asked = (where, b"", _AT_EMPTY_PATH | _AT_NO_AUTOMOUNT)
    else:
        path = os.fsencode(where)
        if b"\0" in path:  # C would take what stands before it for the whole path
            raise ValueError("embedded null byte")
        asked = (_AT_FDCWD, path, _AT_SYMLINK_NOFOLLOW | _AT_NO_AUTOMOUNT)
    if statx(*asked, _STATX_BTIME, ctypes.byref(found)):
        error = ctypes.get_errno()
        if error in _NOT_GIVEN:
            return None
        raise OSError(error, os.strerror(error), None if isinstance(where, int) else os.fspath(where))
    if not found.stx_mask & _STATX_BTIME:
        return None
    return int(found.stx_btime.tv_sec) * 10**9 + int(found.stx_btime.tv_nsec)


def _from(facts: os.stat_result) -> int | None:
    """Return what Python knows: in nanoseconds on Windows from 3.12 on, in seconds on macOS and BSD."""
    exact = getattr(facts, "st_birthtime_ns", None)
    if exact is not None:
        return int(exact)
    seconds = getattr(facts, "st_birthtime", None)
    # A float cannot hold nanoseconds: microseconds are as much as it means.
    return None if seconds is None else round(seconds * 10**6) * 1000


@cache
def _statx() -> Callable[..., int] | None:
    """Return the C library's function; glibc has it since 2.28 (statx(2))."""
    if sys.platform != "linux":
        return None
    try:
        function = ctypes.CDLL(None, use_errno=True).statx
    except (OSError, AttributeError):
        return None
    function.argtypes = (ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_uint, ctypes.POINTER(_Statx))
    function.restype = ctypes.c_int
    return function
