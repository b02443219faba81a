"""What an operating-system error means for a scan: try again, give up on the entry, or stop the side.

Source: errno(3) for the names and numbers, the open(2), read(2) and nfs(5) manual pages for their causes; what to
do about each is advice of the trade.
"""

from __future__ import annotations

import errno
from datetime import UTC, datetime
from enum import Enum
from typing import Final, NamedTuple


class Trouble(Enum):
    """How a scan answers an error."""

    AGAIN = "again"
    """Passing: retry with a pause, then give up on the entry."""
    PERMANENT = "permanent"
    """This entry cannot be read; the next one may."""
    RACE = "race"
    """The tree changed under the scan: look again."""
    SHARE_GONE = "share gone"
    """The share itself went away: stop this side; nothing may become missing."""
    OWN_LIMIT = "own limit"
    """This process ran out of something: descriptors, memory, space."""


_BY_NAME: Final[dict[Trouble, tuple[str, ...]]] = {
    Trouble.AGAIN: ("EIO", "EREMOTEIO", "EAGAIN", "EINTR", "EBUSY", "ETXTBSY"),
    Trouble.RACE: ("ENOENT", "ENOTDIR"),
    Trouble.SHARE_GONE: (
        "ENXIO",
        "ENODEV",
        "ENOLINK",
        "ENETDOWN",
        "ENETUNREACH",
        "ENETRESET",
        "ENOTCONN",
        "ESHUTDOWN",
        "ETIMEDOUT",
        "ECONNABORTED",
        "ECONNREFUSED",
        "ECONNRESET",
        "EHOSTDOWN",
        "EHOSTUNREACH",
        "EKEYEXPIRED",
        "ENOKEY",
        "ESTALE",
    ),
    Trouble.OWN_LIMIT: ("EMFILE", "ENFILE", "EOVERFLOW", "ENOSPC", "EDQUOT", "ENOMEM"),
}


class Problem(NamedTuple):
    """One error that was met: a row of a manifest's ``problems`` table, in column order."""

    path: str
    """Manifest text of the entry's path; empty for the root."""
    operation: str
    """What was being done: list, stat, open, read, link, listed twice, changed while listing."""
    error: str
    """The errno's name, or words where there is none."""
    attempts: int
    happened_at: str
    """ISO 8601, UTC."""


def now_text() -> str:
    """Return the current time as manifests write it: ISO 8601, UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


# Not every platform knows every name; what is unknown here cannot be raised here either.
_TROUBLE: Final = {
    number: trouble
    for trouble, names in _BY_NAME.items()
    for name in names
    if (number := getattr(errno, name, None)) is not None
}


def trouble_of(error: OSError) -> Trouble:
    """Return what an error means; whatever is not known to be passing is permanent."""
    return _TROUBLE.get(error.errno or 0, Trouble.PERMANENT)


def errno_name(error: OSError) -> str:
    """Return the symbolic name of an error, such as ``EACCES``; its class's name where it has no number."""
    return errno.errorcode.get(error.errno or 0, type(error).__name__)
