"""What an earlier manifest of the same tree knows about a file's content."""

from __future__ import annotations

import calendar
import sqlite3
import time
from enum import Enum
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from verifier.errors import ManifestDamaged
from verifier.manifest.database import database_errors, named, open_read_only
from verifier.tree.entry import BY_RULE, FILE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from verifier.tree.entry import FileRow

_COLUMNS: Final = "path, size, mtime_ns, ctime_ns, inode, state, digest, segments, head, xattrs, read_at"
_FIND: Final = f"SELECT {_COLUMNS} FROM entries WHERE path = ?"  # noqa: S608
_FIND_MANY: Final = f"SELECT {_COLUMNS} FROM entries WHERE path BETWEEN ? AND ? ORDER BY path LIMIT ?"  # noqa: S608
_BARRED: Final = "SELECT error FROM entries WHERE path = ? AND kind = 'directory' AND state = 'listed'"

COUNTED: Final = {"proved": ("proved",), "carried": ("proved", "carried")}
"""In which states content counts, for each state in which it is taken over: what the same scan had read before it was
ended stays proved; what another one knows is carried over, and what that had carried over is carried on."""


def unchanged(state: str) -> str:
    """Return the condition for plain files between two paths whose content is known, and was settled when it was read.

    Args:
        state: In which they are taken over.

    Returns:
        SQL; its parameters are the first path, the last path, and the `Limits`.
    """
    of_state = " OR ".join(f"state = '{counted}'" for counted in COUNTED[state])
    return (
        "path BETWEEN ? AND ? AND kind = 'file' AND raw IS NULL AND error IS NULL AND digest IS NOT NULL"
        f" AND read_at >= ? AND ctime_ns <= ? AND ({of_state})"
    )


class Limits(NamedTuple):
    """Files that were read since one time, and last changed up to an earlier one, have not changed while being read."""

    read_since: str
    """ISO 8601, UTC, as manifests write it."""
    changed_until_ns: int
    """One step of the file system's clock earlier."""


class Some(Enum):
    """How many of some files an earlier manifest knows as they are."""

    ALL = "all"
    FEW = "few"
    NONE = "none"
    """And no other between them."""


class Known(NamedTuple):
    """A file's content as it was read at an earlier time."""

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
        state: In which files are taken over: proved or carried.
    """

    def __init__(self, path: Path, *, inodes: bool, grain_ns: int, state: str) -> None:
        self._path = path
        self._inodes = inodes
        self._grain_ns = grain_ns
        self._states = COUNTED[state]
        with database_errors(path):
            self._connection = open_read_only(path)
        self._read_at = ("", 0)
        self._limits: Limits | None = None
        self._as_they_are = (
            f"SELECT {', '.join(column if column != 'device' else '?' for column in FILE_COLUMNS)} FROM entries"  # noqa: S608
            f" WHERE {unchanged(state)} ORDER BY path LIMIT ?"
        )

    def as_they_are(self, rows: Sequence[FileRow]) -> Some:
        """Tell whether this manifest knows files, and no other between them, in every fact as they are now.

        Device numbers, which may be others after every mount, need not agree. A file that is not within `limits` counts
        as not known.

        Args:
            rows: Files of one folder in path order, on one device.

        Raises:
            ManifestDamaged: If the earlier manifest cannot be read.
        """
        between = (rows[0][9], rows[0][0], rows[-1][0], *self.limits, len(rows) + 1)
        try:
            found = self._connection.execute(self._as_they_are, between).fetchall()
        except sqlite3.Error as error:
            raise self._damaged(error) from error
        if found == rows:
            return Some.ALL
        return Some.FEW if found else Some.NONE

    @property
    def limits(self) -> Limits:
        """Times of which nearly all files are on the right side, so that one comparison of all settles them.

        Raises:
            ManifestDamaged: If the earlier manifest cannot be read.
        """
        if self._limits is None:
            try:
                facts = dict(self._connection.execute("SELECT key, value FROM facts"))
            except sqlite3.Error as error:
                raise self._damaged(error) from error
            since = str(facts.get("oldest_read") or facts.get("started") or "")
            self._limits = Limits(since, nanoseconds(since) - self._grain_ns)
        return self._limits

    def _damaged(self, error: sqlite3.Error) -> ManifestDamaged:
        hint = "remove it, or leave it out, and run again"
        return ManifestDamaged(f"{named(self._path)} is damaged ({error})", hint)

    def find(self, rows: Sequence[FileRow]) -> list[Known | None]:
        """Return for each file what is known about its content, if it has not changed since it was read.

        Args:
            rows: Files of one folder in path order, as they are now.

        Raises:
            ManifestDamaged: If the earlier manifest cannot be read.
        """
        try:
            # Neighbours lie together. Between them there may be a whole subtree: then each is asked for by itself.
            limit = len(rows) * 2
            found = self._connection.execute(_FIND_MANY, (rows[0][0], rows[-1][0], limit)).fetchall()
            if len(found) == limit:
                found = [one for row in rows for one in self._connection.execute(_FIND, (row[0],))]
        except sqlite3.Error as error:
            raise self._damaged(error) from error
        by_path = {one[0]: one for one in found}
        return [self._unchanged(row, by_path.get(row[0])) for row in rows]

    def _unchanged(self, row: FileRow, found: tuple[Any, ...] | None) -> Known | None:
        if found is None:
            return None
        _, size, mtime_ns, ctime_ns, inode, state, digest, segments, head, xattrs, read_at = found
        if digest is None or state not in self._states:
            return None
        if size != row[1] or mtime_ns != row[3] or ctime_ns != row[4] or (self._inodes and inode != row[10]):
            return None
        if ctime_ns + self._grain_ns > self._in_ns(read_at):
            return None
        return Known(digest, segments, head, xattrs, read_at)

    def _in_ns(self, read_at: str | None) -> int:
        if read_at is None:
            return 0
        if read_at != self._read_at[0]:
            self._read_at = (read_at, nanoseconds(read_at))
        return self._read_at[1]

    def close(self) -> None:
        """Give the file back."""
        self._connection.close()


class Barred:
    """Folders that a rule kept an earlier scan of the same tree out of. Used by one thread.

    Args:
        path: Its manifest.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._connection: sqlite3.Connection | None = None

    def reason(self, folder: str) -> str | None:
        """Return why a folder was not entered, if it was a rule; else None.

        Raises:
            ManifestDamaged: If the manifest cannot be read.
        """
        with database_errors(self._path):
            if self._connection is None:
                self._connection = open_read_only(self._path)
            found = self._connection.execute(_BARRED, (folder,)).fetchone()
        return found[0] if found is not None and str(found[0]).startswith(BY_RULE) else None

    def close(self) -> None:
        """Give the file back."""
        if self._connection is not None:
            self._connection.close()


def nanoseconds(instant: str) -> int:
    """Return an instant as manifests write it, ISO 8601 in UTC to the second, in nanoseconds; 0 where it is none."""
    try:
        return calendar.timegm(time.strptime(instant[:19], "%Y-%m-%dT%H:%M:%S")) * 10**9
    except ValueError:
        return 0
