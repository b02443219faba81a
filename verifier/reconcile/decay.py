"""Decay: bytes that changed while size, mtime and ctime did not, found by a side's own earlier manifest.

Nothing that writes through the file system leaves a ctime as it was (utimensat(2) cannot set it), so what changed all
the same was not written: a medium, a controller, a cable or memory did it. What the other side holds does not matter.

What had decayed stays known until its bytes are back, or something was written to it: held against last night's
manifest alone it would be damage for one night, and the new normal the night after.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

from verifier.classes import Side
from verifier.manifest.database import attach
from verifier.manifest.earlier import nanoseconds
from verifier.tree.entry import Entry

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

_PAGE: Final = 500
TABLE: Final = """
CREATE {0}TABLE decays (
    side     TEXT NOT NULL,
    path     TEXT NOT NULL,
    size     INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL,
    ctime_ns INTEGER NOT NULL,
    digest   BLOB NOT NULL,
    now      BLOB,
    read_at  TEXT NOT NULL,
    repeats  INTEGER,
    PRIMARY KEY (side, path)
) STRICT, WITHOUT ROWID
"""
"""SQL; its slot takes ``TEMP`` or nothing. `digest` is of the bytes as they were last read at `read_at`, `now` of
what they are; NULL while they cannot be read, so that they are held against what they were when they can."""


@dataclass(frozen=True, slots=True)
class Past:
    """What is known of both sides from before."""

    manifests: Mapping[Side, Path] = field(default_factory=dict)
    """Each side's own last complete manifest."""
    findings: Path | None = None
    """Of the run that they come from, with what had decayed by then."""


class Decay(NamedTuple):
    """One file whose bytes decayed."""

    read_at: str
    """When they were last read as they had been, ISO 8601, UTC."""
    repeats: bool | None
    """Whether reading them again gave the same as the first time; None where they were not read again."""

    def told(self, side: Side) -> str:
        """Say it as part of a sentence."""
        return (
            f"bytes of the {side} side are not those of {self.read_at}, while size, mtime and ctime are: "
            "nothing wrote them"
        )


class Again(Protocol):
    """Reads files of one side once more."""

    def repeats(self, side: Side, entries: Sequence[Entry]) -> list[bool | None]:
        """Say for each whether it reads now as it was recorded; None where that cannot be told."""


_KNOWN: Final = """
INSERT INTO decays
SELECT d.side, d.path, d.size, d.mtime_ns, d.ctime_ns, d.digest, c.digest, d.read_at,
       CASE WHEN c.digest = d.now THEN d.repeats END
FROM before.decays AS d CROSS JOIN {side}.entries AS c ON c.path = d.path
WHERE d.side = '{side}' AND {same} AND c.digest IS NOT d.digest
"""
_FRESH: Final = """
INSERT OR IGNORE INTO decays
SELECT '{side}', c.path, c.size, c.mtime_ns, c.ctime_ns, d.digest, c.digest, d.read_at, NULL
FROM {side}.entries AS c CROSS JOIN past_{side}.entries AS d ON d.path = c.path
WHERE c.state IN ('proved', 'unreadable') AND d.kind = 'file' AND d.state IN ('proved', 'carried')
  AND d.digest IS NOT NULL AND c.digest IS NOT d.digest AND {same}
  AND d.ctime_ns + {grain} <= nanoseconds(d.read_at) {but_repaired}
"""
# Two changes within one tick of the file system's clock show one ctime: only what had come to rest when it was read
# can decay. `verifier.manifest.earlier` carries digests over under the same condition.
_REPAIRED: Final = """
  AND NOT EXISTS (SELECT 1 FROM before.decays AS b WHERE b.side = '{side}' AND b.path = c.path AND b.digest = c.digest)
"""
_SAME: Final = "c.kind = 'file' AND c.size = d.size AND c.mtime_ns = d.mtime_ns AND c.ctime_ns = d.ctime_ns"


def note_decays(connection: sqlite3.Connection, past: Past, grains_ns: Mapping[Side, int]) -> None:
    """Fill ``decays``: what had decayed and still has, and what has decayed since.

    Args:
        connection: With both sides' manifests attached, and an empty table ``decays``.
        past: What is known from before.
        grains_ns: Step of each side's times, nanoseconds.

    Raises:
        sqlite3.Error: If something cannot be read.
    """
    known = past.findings is not None
    if past.findings is not None:
        attach(connection, "before", past.findings)
        known = connection.execute("SELECT 1 FROM before.sqlite_master WHERE name = 'decays'").fetchone() is not None
    connection.create_function("nanoseconds", 1, nanoseconds, deterministic=True)
    for side in Side:
        if side in past.manifests:
            attach(connection, f"past_{side}", past.manifests[side])
            if _algorithm(connection, f"past_{side}") != _algorithm(connection, side.value):
                continue  # digests of two algorithms say nothing of each other
        if known:
            connection.execute(_KNOWN.format(side=side, same=_SAME))
        if side in past.manifests:
            but_repaired = _REPAIRED.format(side=side) if known else ""
            connection.execute(_FRESH.format(side=side, same=_SAME, grain=grains_ns[side], but_repaired=but_repaired))


def _algorithm(connection: sqlite3.Connection, schema: str) -> str | None:
    row = connection.execute(f"SELECT value FROM {schema}.facts WHERE key = 'algorithm'").fetchone()  # noqa: S608
    return None if row is None else row[0]


def confirm(connection: sqlite3.Connection, again: Again) -> None:
    """Have what decayed read once more, and note whether it read the same: else nobody knows what it holds."""
    columns = ", ".join(f"e.{column}" for column in Entry._fields)
    for side in Side:
        after = ""
        query = (
            f"SELECT {columns} FROM decays AS d CROSS JOIN {side}.entries AS e ON e.path = d.path"  # noqa: S608
            f" WHERE d.side = '{side}' AND d.repeats IS NULL AND d.now IS NOT NULL AND d.path > ?"
            f" ORDER BY d.path LIMIT {_PAGE}"
        )
        while page := [Entry(*row) for row in connection.execute(query, (after,))]:
            after = page[-1].path
            connection.executemany(
                "UPDATE decays SET repeats = ? WHERE side = ? AND path = ?",
                [(found, side.value, entry.path) for entry, found in zip(page, again.repeats(side, page), strict=True)],
            )


def decay_of(connection: sqlite3.Connection, side: Side, path: str) -> Decay | None:
    """Return what is known of one file's decay."""
    row = connection.execute(
        "SELECT read_at, repeats FROM decays WHERE side = ? AND path = ? AND now IS NOT NULL", (side.value, path)
    ).fetchone()
    return None if row is None else Decay(row[0], None if row[1] is None else bool(row[1]))


def any_decays(connection: sqlite3.Connection) -> bool:
    """Tell whether anything has decayed."""
    return connection.execute("SELECT 1 FROM decays WHERE now IS NOT NULL LIMIT 1").fetchone() is not None


def set_decays_apart(connection: sqlite3.Connection) -> None:
    """Add pairs to ``apart`` of which a file decayed and that are identical all the same."""
    connection.execute(
        """
        INSERT INTO apart
        SELECT n.path, o.path, n.kind, 0, 0 FROM (
            SELECT p.place AS place FROM decays AS d CROSS JOIN placed AS p ON p.path = d.path
            WHERE d.side = 'old' AND d.now IS NOT NULL
            UNION SELECT path FROM decays WHERE side = 'new' AND now IS NOT NULL
        ) AS t CROSS JOIN new.entries AS n ON n.path = t.place CROSS JOIN placed AS o ON o.place = n.path
        WHERE n.path NOT IN (SELECT new_path FROM apart WHERE NOT noted)
        """
    )
    connection.execute("DELETE FROM apart WHERE noted AND new_path IN (SELECT new_path FROM apart WHERE NOT noted)")


def decayed_paths(findings: sqlite3.Connection, side: Side) -> Iterator[str]:
    """Yield the paths of one side that had decayed when these findings were made, in path order."""
    query = "SELECT path FROM decays WHERE side = ? AND now IS NOT NULL ORDER BY path"
    yield from (path for (path,) in findings.execute(query, (side.value,)))
