"""Tables of a manifest, their versions and migrations.

A manifest is a plain SQLite file. ``application_id`` says that it is ours, ``user_version`` which version of these
tables it has. Each migration runs in one transaction with its own record (sqlite-utils).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.manifest.database import make_tables
from verifier.tree.entry import FILE_COLUMNS, OWN_COLUMNS, Entry

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

    from sqlite_utils import Database

APPLICATION_ID: Final = 0x56465231
"""Marks the file as a manifest of this tool: the bytes ``VFR1`` at offset 68 (SQLite file format, section 1.3)."""
VERSION: Final = 1

_ENTRIES: Final = """
CREATE TABLE entries (
    path      TEXT PRIMARY KEY NOT NULL,
    raw       BLOB,
    kind      TEXT NOT NULL,
    size      INTEGER NOT NULL,
    allocated INTEGER,
    mtime_ns  INTEGER NOT NULL,
    ctime_ns  INTEGER NOT NULL,
    mode      INTEGER NOT NULL,
    uid       INTEGER NOT NULL,
    gid       INTEGER NOT NULL,
    nlink     INTEGER NOT NULL,
    device    INTEGER NOT NULL,
    inode     INTEGER NOT NULL,
    target    TEXT,
    xattrs    TEXT,
    head      BLOB,
    digest    BLOB,
    segments  BLOB,
    state     TEXT NOT NULL,
    error     TEXT,
    read_at   TEXT
) STRICT, WITHOUT ROWID
"""
# WITHOUT ROWID keeps rows in path order, which is the order of every reader, and saves a second tree. STRICT (SQLite
# 3.37 and later) lets no value of another type in, and quick_check notice one that damage put there.

# REPLACE: a folder that waits has a row that says so, which its final row replaces; and what a reader that was ended
# had handed over is handed over again by the one that takes its place.
_INSERT_MARKS: Final = ", ".join("?" * len(Entry._fields))
INSERT_ENTRY: Final = f"INSERT OR REPLACE INTO entries ({', '.join(Entry._fields)}) VALUES ({_INSERT_MARKS})"  # noqa: S608


def insert_files(state: str, columns: tuple[str, ...]) -> str:
    """Return the statement for plain files in one state; binding a value costs 0.25 µs, so what all share is text."""
    return (
        f"INSERT OR REPLACE INTO entries ({', '.join(columns)}, kind, state)"  # noqa: S608
        f" VALUES ({', '.join('?' * len(columns))}, 'file', '{state}')"
    )


INSERT_LISTED: Final = insert_files("listed", FILE_COLUMNS)
KNOWN_COLUMNS: Final = (*FILE_COLUMNS, "xattrs", "head", "digest", "read_at")
"""Columns of a plain file whose content is known."""
COMMON_COLUMNS: Final = ("mode", "uid", "gid", "nlink", "device", "xattrs", "read_at")


def insert_shared(state: str, common: Sequence[object], own: int, rows: int) -> str:
    """Return the statement for plain files in one state that have `COMMON_COLUMNS` in common.

    Args:
        state: The state.
        common: Their values, which become part of the statement.
        own: How many of `OWN_COLUMNS` are bound.
        rows: How many files it is for.
    """
    columns = ", ".join((*OWN_COLUMNS[:own], *COMMON_COLUMNS, "kind", "state"))
    values = ", ".join((*("?" * own), *map(_literal, (*common, "file", state))))
    return f"INSERT OR REPLACE INTO entries ({columns}) VALUES {', '.join([f'({values})'] * rows)}"  # noqa: S608


def _literal(value: object) -> str:
    """Return a value as SQL text (SQLite documentation, literal values: a quote in a text is doubled)."""
    if value is None:
        return "NULL"
    if isinstance(value, int):
        return str(value)
    assert isinstance(value, str)
    return "'" + value.replace("'", "''") + "'"


WAITING: Final = "kind = 'directory' AND state = 'listed' AND error IS NULL"
"""A folder that was met and is still to be entered."""
SELECT_ENTRIES: Final = f"SELECT {', '.join(Entry._fields)} FROM entries"  # noqa: S608


def create(connection: sqlite3.Connection) -> None:
    """Bring a new or older manifest to the current version."""
    make_tables(connection, "verifier.manifest", APPLICATION_ID, VERSION, first_tables)


def first_tables(db: Database) -> None:
    """Make a manifest's tables; the name is that of the migration."""
    db.table("facts").create({"key": str, "value": str}, pk="key", not_null={"value"}, strict=True)
    db.execute(_ENTRIES)
    # Names of one inode find each other; single names need no place in it.
    db.execute("CREATE INDEX entries_by_inode ON entries (device, inode, path) WHERE nlink > 1")
    # So that the folders that wait need not be held in memory, however many there are.
    db.execute(f"CREATE INDEX entries_waiting ON entries (path) WHERE {WAITING}")
    db.table("problems").create(
        {"path": str, "operation": str, "error": str, "attempts": int, "happened_at": str},
        not_null={"path", "operation", "error"},
        strict=True,
    )
