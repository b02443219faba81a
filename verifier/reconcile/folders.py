"""How much lies in each folder near the top of both trees: what a picture of the differences is drawn on.

Only the first two levels that branch are measured, and of many folders the largest, so that the answer stays small
however many there are.
"""

from __future__ import annotations

import heapq
import json
from typing import TYPE_CHECKING, Final, NamedTuple, Self

from verifier.classes import Side
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import tally_sql
from verifier.tree.names import inside

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping
    from pathlib import Path

MOST_FOLDERS: Final = 400
"""Folders of the first level that are kept, of each side,"""
MOST_BELOW: Final = 60
"""and of each of them so many of the next."""
DEEPEST: Final = 8
"""Folders that are gone down at most to find the first that branches."""


class FolderSize(NamedTuple):
    """One folder, with everything below it."""

    path: str
    """Manifest text, as on the old side; of what only the new side has, as there."""
    side: Side
    """The old side, where it is there."""
    entries: int
    files: int
    bytes: int


class Ground(NamedTuple):
    """What a picture is drawn on."""

    base: str
    """The folder in which everything lies, as far as there is only one; empty for the root."""
    folders: tuple[FolderSize, ...]
    """Folders in it and one level further down, in path order."""
    others: int = 0
    """Folders in it that are not among these: smaller than those that are."""

    def to_json(self) -> str:
        """Return it as one compact line of JSON."""
        return json.dumps(self._asdict(), ensure_ascii=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Return what a text stands for.

        Raises:
            ValueError: If it is nothing that `to_json` writes.
        """
        try:
            plain = json.loads(text)
            folders = tuple(FolderSize(path, Side(side), *sizes) for path, side, *sizes in plain["folders"])
            found = cls(plain["base"], folders, plain["others"])
        except (KeyError, RecursionError, TypeError) as error:
            raise ValueError(f"no sizes of folders: {error}") from error
        counts = [found.others, *(count for one in folders for count in one[2:])]
        paths = [found.base, *(one.path for one in folders)]
        if not all(type(count) is int and count >= 0 for count in counts) or not all(type(p) is str for p in paths):
            raise ValueError("sizes of folders are whole numbers, and their names are text")
        "".join(paths).encode()  # half a surrogate pair is no text, and this says so
        return found


def ground_of(manifests: Mapping[Side, Path]) -> Ground:
    """Measure both trees' folders near the top.

    Args:
        manifests: Of both sides. What the new side has at the place of a folder of the old side is measured on the old
            side only.
    """
    with Manifest.open(manifests[Side.OLD]) as old, Manifest.open(manifests[Side.NEW]) as new:
        base = _base(old.connection)
        sides = {Side.OLD: _folders(old.connection, base)}
        sides[Side.NEW] = [path for path in _folders(new.connection, base) if not _is_folder(old.connection, path)]
        found: list[FolderSize] = []
        for side, connection in ((Side.OLD, old.connection), (Side.NEW, new.connection)):
            tops = _largest(connection, side, sides[side], MOST_FOLDERS)
            found += tops
            for top in tops:
                found += _largest(connection, side, _folders(connection, top.path), MOST_BELOW)
    others = sum(max(0, len(paths) - MOST_FOLDERS) for paths in sides.values())
    return Ground(base, tuple(sorted(found)), others)


def _base(connection: sqlite3.Connection) -> str:
    """Return the lowest folder that is alone in all folders above it and has folders in it; the root where none is."""
    base = ""
    for _ in range(DEEPEST):
        begin, end = _range(base)
        first = connection.execute(
            "SELECT path, kind FROM entries WHERE path > ? AND path < ? ORDER BY path LIMIT 1", (begin, end)
        ).fetchone()
        if first is None or first[1] != "directory":
            break
        below, beyond = inside(first[0])
        beside = "SELECT 1 FROM entries WHERE (path > ? AND path < ?) OR (path >= ? AND path < ?) LIMIT 1"
        if connection.execute(beside, (first[0], below, beyond, end)).fetchone():
            break
        if not connection.execute(f"SELECT 1 {_FOLDERS_IN} LIMIT 1", (below, beyond)).fetchone():
            break
        base = first[0]
    return base


_FOLDERS_IN: Final = "FROM entries WHERE kind = 'directory' AND path > ? AND path < ?"


def _folders(connection: sqlite3.Connection, folder: str) -> list[str]:
    """Return the folders that lie in a folder itself, by path."""
    begin, end = _range(folder)
    below = f"SELECT path {_FOLDERS_IN} AND instr(substr(path, ?), '/') = 0 ORDER BY path"
    return [path for (path,) in connection.execute(below, (begin, end, len(begin) + 1))]


def _is_folder(connection: sqlite3.Connection, path: str) -> bool:
    query = "SELECT 1 FROM entries WHERE path = ? AND kind = 'directory'"
    return connection.execute(query, (path,)).fetchone() is not None


def _largest(connection: sqlite3.Connection, side: Side, paths: Iterable[str], limit: int) -> list[FolderSize]:
    """Measure folders and return the largest of them."""
    tally = f"SELECT {tally_sql()} FROM entries WHERE path > ? AND path < ?"  # noqa: S608
    sizes = (FolderSize(path, side, *connection.execute(tally, inside(path)).fetchone()) for path in paths)
    return heapq.nlargest(limit, sizes, key=lambda size: (size.bytes, size.entries, size.path))


def _range(folder: str) -> tuple[str, str | bytes]:
    """Return the bounds between which all paths in a folder lie; for SQLite any text is less than any bytes."""
    return inside(folder) if folder else ("", b"")
