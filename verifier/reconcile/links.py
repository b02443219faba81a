"""Hard links: names that shared an inode on one side and do not on the other.

Two names that are split take their space twice; two that are joined change together from now on. Only pairs at their
place are looked at.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import sqlite3

SPLIT: Final = "split"
JOINED: Final = "joined"

# The index over (device, inode, path) covers the first step, so that folders, which have several names everywhere, are
# told apart without their rows.
_SHARED: Final = """
CREATE TEMP TABLE shared_{side} AS
SELECT device, inode FROM {side}.entries WHERE nlink > 1 GROUP BY device, inode HAVING count(*) > 1
"""
_PAIRS: Final = """
SELECT o.device AS old_device, o.inode AS old_inode, n.device AS new_device, n.inode AS new_inode, n.path AS path,
       o.size AS size
"""
_OF_OLD: Final = f"""
{_PAIRS} FROM shared_old AS s
CROSS JOIN placed AS o ON o.device = s.device AND o.inode = s.inode AND o.nlink > 1
JOIN new.entries AS n ON n.path = o.place WHERE o.kind = 'file' AND n.kind = 'file'
"""
_OF_NEW: Final = f"""
{_PAIRS} FROM shared_new AS s
CROSS JOIN new.entries AS n ON n.device = s.device AND n.inode = s.inode AND n.nlink > 1
JOIN placed AS o ON o.place = n.path WHERE o.kind = 'file' AND n.kind = 'file'
"""
_TAKE: Final = """
INSERT OR IGNORE INTO relinked
SELECT p.path, '{how}', CASE WHEN p.path = g.first THEN g.size * (g.apart - 1) ELSE 0 END
FROM ({pairs}) AS p JOIN (
    SELECT {side}_device AS device, {side}_inode AS inode, min(path) AS first, max(size) AS size,
           count(DISTINCT {other}_device || ':' || {other}_inode) AS apart
    FROM ({pairs}) GROUP BY {side}_device, {side}_inode HAVING apart > 1
) AS g ON p.{side}_device = g.device AND p.{side}_inode = g.inode
"""


RELINKED: Final = (
    "CREATE TEMP TABLE relinked (new_path TEXT PRIMARY KEY NOT NULL, how TEXT NOT NULL, growth INTEGER NOT NULL)"
)
"""The new side's paths whose file shared an inode otherwise than now, and how; ``growth`` has, at the first name of
each group, the bytes that are taken more now (of joined ones: less)."""


def note_relinked(connection: sqlite3.Connection) -> bool:
    """Fill ``relinked``, and return whether there is anything in it."""
    for how, side, other, pairs in ((SPLIT, "old", "new", _OF_OLD), (JOINED, "new", "old", _OF_NEW)):
        connection.execute(_SHARED.format(side=side))
        if connection.execute(f"SELECT 1 FROM shared_{side} LIMIT 1").fetchone():  # noqa: S608
            connection.execute(_TAKE.format(how=how, side=side, other=other, pairs=pairs))
    return connection.execute("SELECT 1 FROM relinked LIMIT 1").fetchone() is not None
