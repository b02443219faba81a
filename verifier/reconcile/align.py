"""The join: entries of both sides at the same place, and the rest of each side.

SQLite does the work on the attached manifests; Python sees only what differs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.classes import Field, Side
from verifier.manifest import database
from verifier.reconcile.findings import Tally
from verifier.reconcile.options import place_of
from verifier.tree.entry import Entry
from verifier.tree.names import StandIns, comparison_form, name_of, parent_of

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from verifier.reconcile.compared import Comparison
    from verifier.reconcile.options import PlaceMap

_COLUMNS: Final = ", ".join(Entry._fields)
_PAIR: Final = ", ".join(f"{side}.{column}" for side in "on" for column in Entry._fields)
_KNOWN: Final = "('proved', 'carried', 'contentless')"
# The new side drives the join where the old one is a plain view, so that rows come in path order.
_JOIN: Final = "FROM placed AS o JOIN new.entries AS n ON n.path = o.place"


def attach(connection: sqlite3.Connection, old: Path, new: Path) -> None:
    """Attach both manifests, read-only, as ``old`` and ``new``."""
    for side, path in ((Side.OLD, old), (Side.NEW, new)):
        database.attach(connection, side.value, path)
    for name, function in _FUNCTIONS.items():
        connection.create_function(name, 1, _passing_null(function), deterministic=True)


_FUNCTIONS: Final[dict[str, Callable[[str], str]]] = {
    "comparison_form_a": comparison_form,
    "comparison_form_b": lambda text: comparison_form(text, StandIns.FIXED_LIST),
    "name_of": name_of,
    "parent_of": parent_of,
}


def _passing_null(function: Callable[[str], str]) -> Callable[[str | None], str | None]:
    """Let NULL through, as SQL functions do."""
    return lambda text: None if text is None else function(text)


def place_old(connection: sqlite3.Connection, maps: Sequence[PlaceMap]) -> None:
    """Make ``placed``: the old side's entries with the place where each is expected on the new side.

    Without maps the place is the path. With maps the longest prefix that fits moves it. Where two entries come to one
    place (two folders merged into one), the first by path has it; the other has none and is looked for by content.
    """
    if not maps:
        connection.execute("CREATE TEMP VIEW placed AS SELECT path AS place, * FROM old.entries")
        return
    connection.create_function("place_of", 1, lambda path: place_of(path, maps), deterministic=True)
    connection.execute(
        f"""
        CREATE TEMP TABLE placed AS
        SELECT CASE WHEN turn = 1 THEN place END AS place, {_COLUMNS} FROM (
            SELECT *, row_number() OVER (PARTITION BY place ORDER BY path) AS turn
            FROM (SELECT place_of(path) AS place, * FROM old.entries)
        )
        """  # noqa: S608
    )
    connection.execute("CREATE INDEX placed_by_place ON placed (place)")
    connection.execute("CREATE INDEX placed_by_path ON placed (path)")


def identical(comparison: Comparison) -> str:
    """Return the SQL condition under which a joined pair ``o``, ``n`` is identical."""
    conditions = [
        "o.kind = n.kind",
        f"o.state IN {_KNOWN}",
        f"n.state IN {_KNOWN}",
        "(o.kind <> 'file' OR (o.size = n.size AND o.digest IS n.digest AND o.digest IS NOT NULL))",
        "o.target IS n.target",
    ]
    if Field.MTIME in comparison.fields:
        conditions.append(f"(o.kind <> 'file' OR abs(o.mtime_ns - n.mtime_ns) <= {comparison.tolerance_ns})")
    if Field.MODE in comparison.fields:
        conditions.append("(o.kind = 'link' OR o.mode = n.mode)")
    if Field.OWNER in comparison.fields:
        conditions.append("o.uid = n.uid")
    if Field.GROUP in comparison.fields:
        conditions.append("o.gid = n.gid")
    if Field.XATTRS in comparison.fields:
        conditions.append("(o.xattrs IS NULL OR n.xattrs IS NULL OR o.xattrs = n.xattrs)")
    return " AND ".join(conditions)


def count_identical(connection: sqlite3.Connection, comparison: Comparison) -> Tally:
    """Count the pairs at one place in which nothing differs."""
    row = connection.execute(
        f"""
        SELECT count(*), coalesce(sum(o.kind = 'file'), 0), coalesce(sum(CASE WHEN o.kind = 'file' THEN o.size END), 0)
        {_JOIN} WHERE {identical(comparison)}
        """
    ).fetchone()
    return Tally(*row)


def differing(connection: sqlite3.Connection, comparison: Comparison) -> Iterator[tuple[Entry, Entry]]:
    """Stream the pairs at one place in which something differs, or is not known, in the new side's path order."""
    width = len(Entry._fields)
    query = f"SELECT {_PAIR} {_JOIN} WHERE NOT ({identical(comparison)}) ORDER BY n.path"
    for row in connection.execute(query):
        yield Entry(*row[:width]), Entry(*row[width:])


_LEFT: Final = """
CREATE TEMP TABLE left_{side} (
    path    TEXT PRIMARY KEY NOT NULL,
    place   TEXT,
    kind    TEXT NOT NULL,
    size    INTEGER NOT NULL,
    head    BLOB,
    content BLOB,
    name    TEXT NOT NULL,
    form_a  TEXT,
    form_b  TEXT,
    claimed INTEGER NOT NULL DEFAULT 0,
    partner TEXT,
    how     TEXT,
    unseen  TEXT,
    twin    TEXT
) WITHOUT ROWID
"""
# What identifies content: a file's digest, a link's target, a device's numbers; NULL where it is not known.
_CONTENT: Final = f"""
CASE WHEN kind = 'file' THEN digest WHEN kind = 'directory' THEN NULL
     WHEN state IN {_KNOWN} THEN CAST(coalesce(target, '') AS BLOB) END
"""


def fill_left(connection: sqlite3.Connection) -> None:
    """Make ``left_old`` and ``left_new``: the entries that have no fellow at their place."""
    columns = "path, place, kind, size, head, content, name, form_a, form_b"
    facts = f"kind, size, head, {_CONTENT}, name_of(path)"
    for side in Side:
        connection.execute(_LEFT.format(side=side))
    connection.execute(
        f"""
        INSERT INTO left_old ({columns})
        SELECT path, place, {facts}, comparison_form_a(place), comparison_form_b(place) FROM placed
        WHERE place IS NULL OR NOT EXISTS (SELECT 1 FROM new.entries AS n WHERE n.path = placed.place)
        """  # noqa: S608
    )
    connection.execute(
        f"""
        INSERT INTO left_new ({columns})
        SELECT path, path, {facts}, comparison_form_a(path), comparison_form_b(path) FROM new.entries AS e
        WHERE NOT EXISTS (SELECT 1 FROM placed AS o WHERE o.place = e.path)
        """  # noqa: S608
    )
    for side in Side:
        for column in ("place", "form_a", "form_b"):
            connection.execute(f"CREATE INDEX left_{side}_by_{column} ON left_{side} ({column})")
