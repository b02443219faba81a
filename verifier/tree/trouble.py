"""What an operating-system error means for a scan: try again, give up on the entry, or stop the side.

Source: errno(3) for the names and numbers, the open(2), read(2) and nfs(5) manual pages for their causes; what to
do about each is advice of the trade.
"""

from __future__ import annotations

import errno
import time
from enum import Enum
from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")


class Trouble(Enum):
    """How a scan answers an error."""

    AGAIN = "again"
    """Passing: retry with a pause, then give up on the entry."""
    PERMANENT = "permanent"
    """This entry cannot be read; the next one may."""
    RACE = "race"
    """The tree changed under the scan: look again."""
    SHARE_SILENT = "share silent"
    """The share does not answer: retry with pauses; when it still does not, it is gone."""
    SHARE_GONE = "share gone"
    """The share itself went away: stop this side; nothing may become missing."""
    OWN_LIMIT = "own limit"
    """This process ran out of something: descriptors, memory, space. It may pass: retry, then give up on the entry."""


_BY_NAME: Final[dict[Trouble, tuple[str, ...]]] = {
    Trouble.AGAIN: ("EIO", "EREMOTEIO", "EAGAIN", "EINTR", "EBUSY", "ETXTBSY"),
    # ESTALE: what a handle stood for is gone on the server. One file may have been replaced there; only a root
    # that is stale means that the share is gone, and then it cannot be opened anew either (nfs(5), errno(3)).
    Trouble.RACE: ("ENOENT", "ENOTDIR", "ESTALE"),
    Trouble.SHARE_GONE: ("ENXIO", "ENODEV", "ENOLINK", "EKEYEXPIRED", "ENOKEY"),
    Trouble.SHARE_SILENT: (
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


MEDIUM: Final = frozenset({"EIO", "EREMOTEIO"})
"""Errors that say that the medium could not be read; many in a row may mean that it is gone."""
CORRUPT: Final = frozenset({"EBADMSG", "EUCLEAN"})
"""Errors with which a file system says that its own structures or checksums are damaged."""

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


ATTEMPTS: Final = 3
"""How often something that may pass, or that does not hold still, is tried."""
MEDIUM_ATTEMPTS: Final = 2
"""The same where the medium cannot be read: more would wear a dying disk, and cost minutes."""


def attempts_for(error: OSError) -> int:
    """Return how often something is tried that failed in this way."""
    return MEDIUM_ATTEMPTS if errno_name(error) in MEDIUM else ATTEMPTS


PAUSE_S: Final = 0.1
"""Seconds before the second attempt; twice that before the third."""
SILENCE_S: Final = 1.0
"""The same where the share does not answer."""


_SLICE_S: Final = 0.1


def pause_after(attempt: int, trouble: Trouble, meanwhile: Callable[[], None] = lambda: None) -> None:
    """Wait before the next attempt, the longer the more there were.

    Args:
        attempt: How many there were.
        trouble: What kind of error it was.
        meanwhile: Called again and again, so that others see that this is no hanging; may raise.
    """
    left = (SILENCE_S if trouble is Trouble.SHARE_SILENT else PAUSE_S) * attempt
    while left > 0:
        meanwhile()
        time.sleep(min(left, _SLICE_S))
        left -= _SLICE_S


def errno_name(error: OSError) -> str:
    """Return the symbolic name of an error, such as ``EACCES``; its class's name where it has no number."""
    return errno.errorcode.get(error.errno or 0, type(error).__name__)


_PASSING: Final = frozenset({Trouble.AGAIN, Trouble.SHARE_SILENT, Trouble.OWN_LIMIT})


def patiently(call: Callable[[], T], meanwhile: Callable[[], None] = lambda: None) -> T:
    """Return what a call returns, trying again with pauses where an error may pass.

    Args:
        call: What is tried.
        meanwhile: Called again and again while waiting; may raise.

    Raises:
        OSError: If it does not pass, or came the last time as well.
    """
    attempt = 1
    while True:
        try:
            return call()
        except OSError as error:
            trouble = trouble_of(error)
            if trouble not in _PASSING or attempt >= attempts_for(error):
                raise
        pause_after(attempt, trouble, meanwhile)
        attempt += 1
