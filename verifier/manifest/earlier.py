"""What an earlier manifest of the same tree knows about a file's content."""

from __future__ import annotations

import calendar
import sqlite3
import time
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.manifest.database import database_errors, open_read_only

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.tree.entry import FileRow

_FIND: Final = (
    "SELECT size, mtime_ns, ctime_ns, inode, state, digest, segments, head, xattrs, read_at FROM entries"
    " WHERE path = ? AND kind = 'file' AND digest IS NOT NULL AND state IN ('proved', 'carried')"
)


class Known(NamedTuple):
    """A file's content as it was read at an earlier time."""

    state: str
    """proved or carried, as the earlier manifest has it."""
    digest: bytes
    segments: bytes | None
    head: bytes | None
    xattrs: str | None
    read_at: str


class Earlier:
    """An earlier manifest, open for looking files up. Used by the thread that made it.

    A file counts as unchanged where size, mtime and ctime are what they were, and the inode too where inode numbers
    are stable. Its ctime, which nobody can set (utimensat(2)), must lie before the second in which it was read: two
    changes within one tick of a clock show only the first (open question of every such comparison).

    Args:
        path: The manifest.
        inodes: Whether the file system's inode numbers are stable.
        grain_ns: Step of its times, nanoseconds.
    """

    def __init__(self, path: Path, *, inodes: bool, grain_ns: int) -> None:
        self._path = path
        self._inodes = inodes
        self._grain_ns = grain_ns
        with database_errors(path):
            self._connection = open_read_only(path)
        self._read_at = ("", 0)

    def find(self, row: FileRow) -> Known | None:
        """Return what is known about a file's content, if it has not changed since it was read.

        Raises:
            ManifestDamaged: If the earlier manifest cannot be read.
        """
        try:
            found = self._connection.execute(_FIND, (row[0],)).fetchone()
        except sqlite3.Error:
            with database_errors(self._path):
                raise
        if found is None:
            return None
        size, mtime_ns, ctime_ns, inode, state, digest, segments, head, xattrs, read_at = found
        if size != row[1] or mtime_ns != row[3] or ctime_ns != row[4] or (self._inodes and inode != row[10]):
            return None
        if ctime_ns + self._grain_ns > self._in_ns(read_at):
            return None
        return Known(state, digest, segments, head, xattrs, read_at)

    def _in_ns(self, read_at: str | None) -> int:
        if read_at is None:
            return 0
        if read_at != self._read_at[0]:
            self._read_at = (read_at, nanoseconds(read_at))
        return self._read_at[1]

    def close(self) -> None:
        """Give the file back."""
        self._connection.close()


def nanoseconds(instant: str) -> int:
    """Return an instant as manifests write it, ISO 8601 in UTC to the second, in nanoseconds; 0 where it is none."""
    try:
        return calendar.timegm(time.strptime(instant[:19], "%Y-%m-%dT%H:%M:%S")) * 10**9
    except ValueError:
        return 0
