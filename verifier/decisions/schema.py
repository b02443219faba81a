"""Tables of a record of exceptions, and what of a finding is kept in them.

Indices and tables are held word for word against what is here (`verifier.decisions.exceptions`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID: Final = 0x76657863
"""``vexc``, what tells such a file (PRAGMA application_id)."""
VERSION: Final = 1
_RECORD_TABLE: Final = """
CREATE TABLE exceptions (
    number            INTEGER PRIMARY KEY,
    pattern           TEXT NOT NULL,
    class             TEXT NOT NULL,
    because           TEXT NOT NULL,
    "by"              TEXT NOT NULL,
    "at"              TEXT NOT NULL,
    until             TEXT,
    entries           INTEGER NOT NULL,
    files             INTEGER NOT NULL,
    bytes             INTEGER NOT NULL,
    digest            TEXT NOT NULL,
    withdrawn_at      TEXT,
    withdrawn_by      TEXT,
    withdrawn_because TEXT
) STRICT
"""
_COVERED_TABLE: Final = """
CREATE TABLE covered (
    exception    INTEGER NOT NULL,
    number       INTEGER NOT NULL,
    class        TEXT NOT NULL,
    cause        TEXT,
    old_path     TEXT,
    new_path     TEXT,
    old_kind     TEXT,
    new_kind     TEXT,
    old_size     INTEGER,
    new_size     INTEGER,
    old_mtime_ns INTEGER,
    new_mtime_ns INTEGER,
    fields       TEXT,
    rule         TEXT,
    marks        TEXT,
    drift_side   TEXT,
    survives     INTEGER NOT NULL,
    old_digest   BLOB,
    new_digest   BLOB,
    old_target   TEXT,
    new_target   TEXT,
    old_xattrs   TEXT,
    new_xattrs   TEXT,
    old_trouble  TEXT,
    new_trouble  TEXT,
    PRIMARY KEY (exception, number)
) STRICT, WITHOUT ROWID
"""
_BY_PLACE: Final = "CREATE INDEX covered_by_place ON covered (old_path, new_path)"
OBJECTS: Final = {
    "exceptions": _RECORD_TABLE.strip(),
    "covered": _COVERED_TABLE.strip(),
    "covered_by_place": _BY_PLACE,
}

OF_FINDING: Final = (
    "class",
    "cause",
    "old_path",
    "new_path",
    "old_kind",
    "new_kind",
    "old_size",
    "new_size",
    "old_mtime_ns",
    "new_mtime_ns",
    "fields",
    "rule",
    "marks",
    "drift_side",
)
"""What is kept of a finding itself."""
OF_BOTH_SIDES: Final = (
    "survives",
    "old_digest",
    "new_digest",
    "old_target",
    "new_target",
    "old_xattrs",
    "new_xattrs",
    "old_trouble",
    "new_trouble",
)
"""What is kept of what both sides hold (`verifier.decisions.covering`)."""
SAME: Final = (*OF_FINDING, *OF_BOTH_SIDES)
"""What makes a finding the same finding. Its weight and its wording may change."""


def first_tables(db: Database) -> None:
    """Make the tables; the name is that of the migration."""
    for sql in OBJECTS.values():
        db.execute(sql)
