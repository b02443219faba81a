"""More change in one night than people make: what a mass deletion, or a program that encrypts a share, looks like.

Each single file of it is ordinary work, and no finding. Common practice, no source: a tenth of all files, and fifty.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Final

from verifier.manifest.database import attach, database_errors

if TYPE_CHECKING:
    from pathlib import Path

SHARE: Final = 10
LEAST_FILES: Final = 50

_GONE: Final = """
SELECT count(*) FROM was.entries AS w WHERE w.kind = 'file'
  AND NOT EXISTS (SELECT 1 FROM now.entries AS n WHERE n.path = w.path AND n.kind = 'file')
"""
_REWRITTEN: Final = """
SELECT count(*) FROM was.entries AS w CROSS JOIN now.entries AS n ON n.path = w.path
WHERE w.kind = 'file' AND n.kind = 'file' AND w.digest IS NOT NULL AND n.digest IS NOT NULL AND w.digest <> n.digest
"""
_ALGORITHMS: Final = (
    "SELECT value FROM was.facts WHERE key = 'algorithm' UNION SELECT value FROM now.facts WHERE key = 'algorithm'"
)
_FILES: Final = "SELECT count(*) FROM was.entries WHERE kind = 'file'"


def unusual(was: Path, now: Path) -> str:
    """Say what became of many files of a side since its last manifest; empty where that is nothing out of the ordinary.

    Args:
        was: The side's last manifest.
        now: Tonight's.

    Raises:
        ManifestDamaged: If one cannot be read.
    """
    with database_errors(now), closing(sqlite3.connect("file::memory:", uri=True, isolation_level=None)) as connection:
        attach(connection, "was", was)
        attach(connection, "now", now)
        if len(connection.execute(_ALGORITHMS).fetchall()) > 1:
            return ""
        files, gone, rewritten = (connection.execute(query).fetchone()[0] for query in (_FILES, _GONE, _REWRITTEN))
    if gone + rewritten < LEAST_FILES or (gone + rewritten) * SHARE < files:
        return ""
    parts = [f"{gone:,} gone"] if gone else []
    parts += [f"{rewritten:,} with other content"] if rewritten else []
    return f"of {files:,} files {' and '.join(parts)} since the run before: is that meant?"
