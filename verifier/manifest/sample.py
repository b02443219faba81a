"""The file that says which pairs of files a check reads when it reads a sample: kept, so that it can be audited.

facts     key and value: seed, asked, population, drawn, maps, everything (1 where the sides are read as a whole)
strata    what the pairs were divided into: the top folder of the old side (the empty text for files in the root),
          the largest size of its size class in bytes, how many pairs there are and how many of them were drawn
drawn     old_path, new_path, stratum: the sample
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Final, Self

from verifier.errors import ManifestDamaged, NotAManifest
from verifier.manifest.database import DatabaseFile, address, database_errors, make_tables, named, open_read_only

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from sqlite_utils import Database

SAMPLE_FILE: Final = "sample.sqlite"
APPLICATION_ID: Final = 0x56465331
"""Marks the file as a sample of this tool: the bytes ``VFS1``."""
VERSION: Final = 1
CACHE_KIB: Final = 64 * 1024
_ANEW: Final = "say --replace to begin anew"
_TABLES: Final = (
    """
    CREATE TABLE strata (
        stratum    INTEGER PRIMARY KEY,
        folder     TEXT NOT NULL,
        up_to      INTEGER NOT NULL,
        population INTEGER NOT NULL,
        drawn      INTEGER NOT NULL,
        UNIQUE (folder, up_to)
    ) STRICT
    """,
    """
    CREATE TABLE drawn (
        old_path TEXT PRIMARY KEY NOT NULL,
        new_path TEXT NOT NULL,
        stratum  INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID
    """,
    # Either side is read in its own path order.
    "CREATE UNIQUE INDEX drawn_by_new_path ON drawn (new_path)",
)


def first_tables(db: Database) -> None:
    """Make a sample's tables; the name is that of the migration."""
    db.table("facts").create({"key": str, "value": str}, pk="key", not_null={"value"}, strict=True)
    for table in _TABLES:
        db.execute(table)


class SampleFile(DatabaseFile):
    """An open sample. Close it, or use it as a context manager; one thread at a time."""

    @classmethod
    def create(cls, path: Path) -> Self:
        """Begin a sample in a place that is free.

        Raises:
            EvidenceUnwritable: If it cannot be written.
        """
        with database_errors(path):
            connection = sqlite3.connect(address(path), uri=True, isolation_level=None)
            connection.execute("PRAGMA trusted_schema = OFF")
            connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
            make_tables(connection, "verifier.sample", APPLICATION_ID, VERSION, first_tables)
        return cls(path, connection)

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open a sample for reading.

        Raises:
            NotAManifest: If it is not there or is something else.
            ManifestDamaged: If it is not what was written.
        """
        if not path.is_file():
            raise NotAManifest(f"{named(path)} is not there", _ANEW)
        try:
            with database_errors(path):
                connection = open_read_only(path)
                mark = connection.execute("PRAGMA application_id").fetchone()[0]
                version = connection.execute("PRAGMA user_version").fetchone()[0]
        except ManifestDamaged as error:
            raise ManifestDamaged(error.what, _ANEW) from error
        if mark != APPLICATION_ID or version != VERSION:
            connection.close()
            raise NotAManifest(f"{named(path)} is not a sample", _ANEW)
        return cls(path, connection)

    def set_facts(self, facts: Mapping[str, object]) -> None:
        """Write facts, as text."""
        rows = [(key, str(value)) for key, value in facts.items()]
        with database_errors(self.path):
            self.connection.executemany("INSERT OR REPLACE INTO facts VALUES (?, ?)", rows)
