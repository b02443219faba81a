"""Addresses to which messages go: where they are kept, and that they are shown to nobody.

An address holds a password or a token more often than not. It is kept in a `Secret` from the moment it is read, and
no error names more of it than its place in the list.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from typing import TYPE_CHECKING, Final, NoReturn

from verifier.errors import UsageProblem
from verifier.manifest.database import named

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.job.job import Notifying

URLS_ENV: Final = "notify.urls_env"
URLS_FILE: Final = "notify.urls_file"
LARGEST_FILE: Final = 64 * 1024
"""Bytes: more than any list of addresses takes."""
_VARIABLE: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_SCHEME: Final = re.compile(r"([A-Za-z][A-Za-z0-9+.-]{0,31})://")
_NO_FOLLOW: Final = getattr(os, "O_NOFOLLOW", 0)
_MODE_600: Final = "chmod 600 it, and let the user own it whose cron job this is"


class Secret:
    """An address that nothing shows by accident: neither text nor representation nor pickle gives it away."""

    __slots__ = ("_address",)

    def __init__(self, address: str) -> None:
        self._address = address

    def reveal(self) -> str:
        """Return the address itself, for whoever sends to it."""
        return self._address

    @property
    def scheme(self) -> str:
        """What comes before ``://``, which says by which way it sends; empty where there is none."""
        match = _SCHEME.match(self._address)
        return match[1].lower() if match else ""

    def __repr__(self) -> str:
        return f"Secret({self.scheme})"

    def __reduce__(self) -> NoReturn:
        raise TypeError("a secret is not written anywhere")


def addresses(notify: Notifying) -> list[Secret]:
    """Return the addresses that a job names, those from the environment first.

    In the variable they are separated by white space; in the file there is one a line, and lines that begin with ``#``
    are comments. The file must be a regular file of this user or root, without rights for anybody else; on Windows its
    rights are not looked at.

    Raises:
        UsageProblem: If there are none, or they cannot be read, or others can read them; it names the key only.
    """
    found = [*_from_variable(notify.urls_env), *_from_file(notify.urls_file)]
    if not found:
        raise UsageProblem(
            f"the job names no address to send messages to ({URLS_ENV}, {URLS_FILE})",
            "name one, or leave notify.on empty",
        )
    return found


def _from_variable(name: str) -> list[Secret]:
    if not name:
        return []
    if not _VARIABLE.fullmatch(name):  # somebody may have put an address here: it is not repeated
        raise UsageProblem(f"{URLS_ENV} is not the name of an environment variable", "it holds no address itself")
    found = [Secret(word) for word in os.environ.get(name, "").split()]
    if not found:
        raise UsageProblem(
            f"the environment variable {name} ({URLS_ENV}) is not set or empty",
            f"set it where the run is started from, or name a file with {URLS_FILE}",
        )
    return found


def _from_file(path: Path | None) -> list[Secret]:
    if path is None:
        return []
    if re.search(r"[A-Za-z]:/", path.as_posix().removeprefix(path.drive)):
        raise UsageProblem(f"{URLS_FILE} holds an address itself", "put it into a file of mode 600, and name that")
    try:
        content = _read(path)
    except OSError as error:
        raise UsageProblem(
            f"{named(path)} ({URLS_FILE}) cannot be read ({error.strerror})", "name a file that this user can read"
        ) from error
    try:
        lines = [line.strip() for line in content.decode("utf-8-sig").splitlines()]
    except UnicodeDecodeError:
        raise UsageProblem(
            f"{named(path)} ({URLS_FILE}) is not UTF-8", "write it as UTF-8, one address a line"
        ) from None
    found = [Secret(line) for line in lines if line and not line.startswith("#")]
    if not found:
        raise UsageProblem(f"{named(path)} ({URLS_FILE}) holds no address", "write one a line")
    return found


def _read(path: Path) -> bytes:
    """Read a file that nobody else may read; what is asked about is what is read, whoever renames meanwhile."""
    if not _NO_FOLLOW and path.is_symlink():  # Windows
        _refuse(path, "is a link", "name the file itself")
    try:
        # A FIFO in its place would be waited for.
        descriptor = os.open(path, os.O_RDONLY | _NO_FOLLOW | getattr(os, "O_NONBLOCK", 0))
    except OSError as error:
        if error.errno == errno.ELOOP:  # open(2): with O_NOFOLLOW, a link in the last place
            _refuse(path, "is a link", "name the file itself")
        raise
    try:
        _check(path, os.fstat(descriptor))
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            content = file.read(LARGEST_FILE + 1)
    finally:
        os.close(descriptor)
    if len(content) > LARGEST_FILE:
        _refuse(path, f"is longer than {LARGEST_FILE // 1024} KiB", "write one address a line, and nothing else")
    return content


def _check(path: Path, facts: os.stat_result) -> None:
    if not stat.S_ISREG(facts.st_mode):
        _refuse(path, "is no regular file", "name one")
    if os.name != "posix":
        return
    if facts.st_uid not in (os.geteuid(), 0):
        _refuse(path, "belongs to another user", _MODE_600)
    if facts.st_mode & 0o077:  # with an access control list, its mask stands in the group's place (acl(5))
        _refuse(path, f"may be read or changed by others (mode {stat.S_IMODE(facts.st_mode):o})", _MODE_600)


def _refuse(path: Path, why: str, hint: str) -> NoReturn:
    raise UsageProblem(f"{named(path)} ({URLS_FILE}) {why}", hint)
