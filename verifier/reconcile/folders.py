"""How much lies in each folder near the top of both trees: what a picture of the differences is drawn on.

Only the first two levels that branch are measured, and of many folders the largest, so that the answer stays small
however many there are.
"""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.classes import Side
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import Tally, tally_sql
from verifier.tree.names import inside

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping
    from pathlib import Path

MOST_FOLDERS: Final = 400
"""Folders of the first level that are kept,"""
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


def ground_of(manifests: Mapping[Side, Path]) -> Ground:
    """Measure both trees' folders near the top.

    Args:
        manifests: Of both sides. What the new side has at a place of the old side's is measured on the old side only.
    """
    found: dict[str, FolderSize] = {}
    base = ""
    for side in Side:
        with Manifest.open(manifests[side]) as manifest:
            connection = manifest.connection
            if side is Side.OLD:
                base = _base(connection)
            for path in _largest(connection, side, base, MOST_FOLDERS, found):
                _largest(connection, side, path, MOST_BELOW, found)
    return Ground(base, tuple(found[path] for path in sorted(found)))


def _base(connection: sqlite3.Connection) -> str:
    base = ""
    for _ in range(DEEPEST):
        begin, end = _range(base)
        inside_base = "path > ? AND path < ? AND instr(substr(path, ?), '/') = 0"
        rows = connection.execute(
            f"SELECT path, kind FROM entries WHERE {inside_base} LIMIT 2",  # noqa: S608
            (begin, end, len(begin) + 1),
        ).fetchall()
        if len(rows) != 1 or rows[0][1] != "directory":
            break
        base = rows[0][0]
    return base


def _largest(
    connection: sqlite3.Connection, side: Side, folder: str, limit: int, found: dict[str, FolderSize]
) -> Iterable[str]:
    """Measure the folders in a folder, note the largest of those that are not known, and return all noted ones."""
    begin, end = _range(folder)
    folders = "kind = 'directory' AND path > ? AND path < ? AND instr(substr(path, ?), '/') = 0"
    names = connection.execute(f"SELECT path FROM entries WHERE {folders}", (begin, end, len(begin) + 1))  # noqa: S608
    tally = f"SELECT {tally_sql()} FROM entries WHERE path > ? AND path < ?"  # noqa: S608
    sizes = (
        FolderSize(path, side, *Tally(*connection.execute(tally, inside(path)).fetchone()))
        for (path,) in names.fetchall()
        if path not in found
    )
    kept = heapq.nlargest(limit, sizes, key=lambda size: (size.bytes, size.entries, size.path))
    found.update((size.path, size) for size in kept)
    return [size.path for size in kept]


def _range(folder: str) -> tuple[str, str]:
    return inside(folder) if folder else ("", chr(0x10FFFF))
