"""Folders that are missing, extra or relocated as a whole: one name for everything in them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.classes import Class, Side
from verifier.tree.names import inside

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator

    from verifier.reconcile.findings import Findings

_GROUPED: Final = (
    (Class.MISSING, Side.OLD),
    (Class.EXTRA, Side.NEW),
    (Class.RELOCATED, Side.OLD),
    (Class.NAME_ALTERED, Side.OLD),
    (Class.CLUTTER, Side.OLD),
    (Class.CLUTTER, Side.NEW),
)
_MOVED: Final = (Class.RELOCATED, Class.NAME_ALTERED)


def group_folders(findings: Findings) -> None:
    """Give every finding in a folder of the same class the topmost such folder as its group."""
    connection = findings.connection
    for side in Side:
        connection.execute(f'CREATE INDEX findings_by_{side} ON findings ("class", {side}_path)')
    for cls, side in _GROUPED:
        if cls in _MOVED:
            _group_what_moved(connection, cls, side)
        _group(connection, cls, side)


def _group(connection: sqlite3.Connection, cls: Class, side: Side) -> None:
    path = f"{side}_path"
    for folder, _ in _topmost(connection, cls, side, "1"):
        for where, values in _whole(path, folder):
            connection.execute(
                f'UPDATE findings SET group_path = ? WHERE "class" = ? AND group_path IS NULL AND {where}',  # noqa: S608
                (folder, cls.value, *values),
            )


def _group_what_moved(connection: sqlite3.Connection, cls: Class, side: Side) -> None:
    """Group what went with its folder; what went elsewhere than the folder is told by itself."""
    path = f"{side}_path"
    for folder, place in _topmost(connection, cls, side, "new_path IS NOT NULL"):
        along = f"substr(new_path, 1, ?) = ? AND substr(new_path, ?) = substr({path}, ?)"
        ends = (len(place), place, len(place) + 1, len(folder) + 1)
        for where, values in _whole(path, folder):
            connection.execute(
                f'UPDATE findings SET group_path = ? WHERE "class" = ? AND group_path IS NULL'  # noqa: S608
                f" AND {where} AND {along}",
                (folder, cls.value, *values, *ends),
            )


def _whole(column: str, folder: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return conditions for a folder, and for what is in it: one by one, so that each goes by the index."""
    return (f"{column} = ?", (folder,)), (f"{column} > ? AND {column} < ?", inside(folder))


def _topmost(connection: sqlite3.Connection, cls: Class, side: Side, where: str) -> Iterator[tuple[str, str]]:
    """Yield the folders of a class that are in no group yet, in path order: whoever takes one groups what is in it."""
    query = f"""
        SELECT {side}_path, new_path FROM findings WHERE "class" = ? AND {side}_path > ? AND {side}_kind = 'directory'
        AND group_path IS NULL AND {where} ORDER BY {side}_path LIMIT 1
    """  # noqa: S608
    found = connection.execute(query, (cls.value, "")).fetchone()
    while found is not None:
        yield found
        found = connection.execute(query, (cls.value, found[0])).fetchone()
