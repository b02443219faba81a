"""What had arrived on the new side when people began to work there, by a manifest that was made then.

Without it nobody could tell a file that somebody removed last week from one that the copy never brought.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.manifest.database import attach

if TYPE_CHECKING:
    import sqlite3
    from pathlib import Path

    from verifier.tree.entry import Entry


class Since(NamedTuple):
    """What became of a file since it had arrived."""

    whole: bool = False
    """It was at its place with the old side's content."""
    written: bool = False
    """Something was written to it since: its ctime is another."""


NOT_HELD: Final = Since()
"""Nothing says that it had arrived."""


def attach_baseline(connection: sqlite3.Connection, baseline: Path) -> None:
    """Attach the manifest that says what had arrived, read-only, as ``baseline``."""
    attach(connection, "baseline", baseline)


def note_arrivals(connection: sqlite3.Connection) -> None:
    """Note in ``left_old`` at which place the content of what is on the old side only had arrived."""
    connection.execute(
        """
        UPDATE left_old SET had_arrived = place
        WHERE how IS NULL AND EXISTS (
            SELECT 1 FROM baseline.entries AS b JOIN old.entries AS o ON o.path = left_old.path
            WHERE b.path = left_old.place AND b.kind = o.kind AND b.target IS o.target
              AND (o.kind <> 'file' OR (b.size = o.size AND b.digest = o.digest))
        )
        """
    )
    connection.execute(
        """
        CREATE TEMP TABLE sought AS SELECT DISTINCT content FROM left_old
        WHERE how IS NULL AND had_arrived IS NULL AND kind = 'file' AND size > 0 AND content IS NOT NULL
        """
    )
    if connection.execute("SELECT 1 FROM sought LIMIT 1").fetchone() is None:
        return
    connection.execute(
        """
        CREATE TEMP TABLE had AS SELECT digest AS content, min(path) AS path FROM baseline.entries
        WHERE kind = 'file' AND digest IN (SELECT content FROM sought) GROUP BY digest
        """
    )
    connection.execute(
        """
        UPDATE left_old SET had_arrived = (SELECT h.path FROM had AS h WHERE h.content = left_old.content)
        WHERE how IS NULL AND had_arrived IS NULL AND kind = 'file' AND size > 0
        """
    )


def since_arrival(connection: sqlite3.Connection, old: Entry, new: Entry) -> Since:
    """Return what became of a pair's new file since the baseline was made."""
    row = connection.execute(
        "SELECT size, digest, ctime_ns FROM baseline.entries WHERE path = ? AND kind = 'file'", (new.path,)
    ).fetchone()
    if row is None:
        return NOT_HELD
    size, digest, ctime_ns = row
    return Since(size == old.size and digest is not None and digest == old.digest, ctime_ns != new.ctime_ns)
