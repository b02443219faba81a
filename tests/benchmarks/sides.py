"""Two manifests of any size, made by SQL alone, that differ in a known way, and the bare join of both."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from verifier.manifest.database import address
from verifier.manifest.store import Manifest
from verifier.tree.entry import Entry

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_FACTS: Final[dict[str, object]] = {
    "label": "side",
    "root": "/srv/side",
    "host": "somewhere",
    "file_system": "ext4",
    "grain_ns": 1,
    "owners": True,
    "modes": True,
    "algorithm": "blake3",
    "listed": True,
    "complete": True,
}
_FILES_A_FOLDER: Final = 100
_FIRST: Final = 1000
"""The first file's inode; the others count on, so that what differs can be said by number."""
_FILES: Final = f"""
WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < ? - 1)
INSERT INTO entries
SELECT printf('section-%02d/cabinet-%06d/specimen-%08d-sheet.tif', i / 100000 % 100, i / {_FILES_A_FOLDER}, i),
       NULL, 'file', 5000 + i % 90000, 8192 + i % 90000, 1600000000123456789 + i * 1000003, 1600000000123456789 + i,
       420, 1000, 1000, 1, 2049, i + {_FIRST}, NULL, '{{}}', x'49492a00080000004949', randomblob(32), NULL, 'proved',
       NULL, '2026-11-20T21:00:00+00:00'
FROM n
"""
_PARENT: Final = "rtrim(rtrim(path, replace(path, '/', '')), '/')"
_FOLDER: Final = f"""
INSERT OR IGNORE INTO entries
SELECT DISTINCT {_PARENT}, NULL, 'directory', 0, 4096, 1600000000000000000, 1600000000000000000, 493, 1000, 1000, 2,
       2049, 1, NULL, '{{}}', NULL, NULL, NULL, 'contentless', NULL, NULL
FROM entries WHERE instr(path, '/')
"""
_OF_HUNDRED: Final = "kind = 'file' AND inode % 1000 BETWEEN {} AND {}"
CHANGED: Final = _OF_HUNDRED.format(0, 2)
MISPLACED: Final = _OF_HUNDRED.format(3, 3)
RENAMED: Final = _OF_HUNDRED.format(4, 5)
CHMOD: Final = _OF_HUNDRED.format(6, 9)


@dataclass(frozen=True, slots=True)
class Sides:
    """Both manifests."""

    old: Path
    new: Path

    def attached(self) -> sqlite3.Connection:
        """Return a connection with both attached, as ``old`` and ``new``."""
        connection = sqlite3.connect("file::memory:", uri=True)
        connection.execute("PRAGMA cache_size = -65536")
        for name, path in (("old", self.old), ("new", self.new)):
            connection.execute(f"ATTACH DATABASE ? AS {name}", (address(path, read_only=True),))
        return connection


def make(folder: Path, files: int, relocated: int = 0) -> Sides:
    """Return manifests of so many files each, of which ten in a thousand differ.

    Of a thousand files 3 have other content, 1 is at another place, 2 are missing (and 2 extra), 4 have another mode.

    Args:
        folder: Where they are made, or lie from an earlier run.
        files: How many files each side has.
        relocated: So many of them, in whole folders, are at another place besides.
    """
    sides = Sides(folder / f"old-{files}.sqlite", folder / f"new-{files}-{relocated}.sqlite")
    folder.mkdir(parents=True, exist_ok=True)
    if not sides.old.exists():
        _write(sides.old, lambda connection: connection.execute(_FILES, (files,)))
    if not sides.new.exists():
        _write(sides.new, lambda connection: _copy(connection, sides.old, relocated))
    return sides


def _write(path: Path, fill: Callable[[sqlite3.Connection], object]) -> None:
    part = path.with_suffix(".part")
    part.unlink(missing_ok=True)
    with Manifest.create(part) as manifest:
        manifest.set_facts(**_FACTS)
        manifest.connection.execute("PRAGMA synchronous = OFF")
        fill(manifest.connection)
        for _ in range(3):
            manifest.connection.execute(_FOLDER)
        manifest.commit()
    part.rename(path)


def _copy(connection: sqlite3.Connection, old: Path, relocated: int) -> None:
    connection.execute("ATTACH DATABASE ? AS old", (str(old),))
    columns = {column: column for column in Entry._fields}
    far = f"kind = 'file' AND inode < {_FIRST + relocated}"
    columns["path"] = (
        f"CASE WHEN {far} THEN 'elsewhere/' || path WHEN {MISPLACED} THEN 'moved/' || path"
        f" WHEN {RENAMED} THEN path || '.2' ELSE path END"
    )
    columns["mode"] = f"CASE WHEN {far} THEN mode WHEN {CHMOD} THEN 384 ELSE mode END"
    columns["digest"] = f"CASE WHEN {far} THEN digest WHEN {CHANGED} OR {RENAMED} THEN randomblob(32) ELSE digest END"
    gone = f"kind = 'directory' AND path IN (SELECT {_PARENT} FROM old.entries WHERE {far})"
    connection.execute(
        f"INSERT INTO entries SELECT {', '.join(columns.values())} FROM old.entries WHERE NOT (inode = 1 AND {gone})"
    )
    connection.commit()
    connection.execute("DETACH DATABASE old")


def join(connection: sqlite3.Connection) -> tuple[int, int]:
    """Join the entries of both sides by path, and count the pairs and those that differ in content, time or mode."""
    row = connection.execute(
        """
        SELECT count(*),
               sum(o.size <> n.size OR o.digest IS NOT n.digest OR o.mtime_ns <> n.mtime_ns OR o.mode <> n.mode)
        FROM old.entries AS o JOIN new.entries AS n ON n.path = o.path
        """
    ).fetchone()
    return row[0], row[1]
