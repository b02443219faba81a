"""The join: entries of both sides at the same place, and the rest of each side.

SQLite does the work on the attached manifests, in one pass over the new side and one over the old; Python sees only
what differs. Nothing is held in memory: what differs is noted by path in temporary tables.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.classes import Field, Side
from verifier.manifest import database
from verifier.reconcile.compared import ATTRIBUTES, SPARSE_BYTES
from verifier.reconcile.findings import Tally, tally_sql
from verifier.reconcile.links import RELINKED, note_relinked
from verifier.reconcile.options import place_of
from verifier.tree.entry import Entry
from verifier.tree.names import StandIns, comparison_form, name_of, parent_of

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from verifier.reconcile.compared import Comparison, Names
    from verifier.reconcile.options import PlaceMap

_PAIR: Final = ", ".join(f"{side}.{column}" for side in "on" for column in Entry._fields)
_KNOWN: Final = "('proved', 'carried', 'contentless')"


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
    connection.execute("CREATE TEMP TABLE moved (path TEXT PRIMARY KEY NOT NULL, place TEXT) WITHOUT ROWID")
    connection.execute(
        """
        INSERT INTO moved SELECT path, CASE WHEN turn = 1 THEN place END FROM (
            SELECT path, place, row_number() OVER (PARTITION BY place ORDER BY path) AS turn
            FROM (SELECT path, place_of(path) AS place FROM old.entries)
        ) ORDER BY path
        """
    )
    connection.execute("CREATE INDEX moved_by_place ON moved (place)")
    connection.execute(
        "CREATE TEMP VIEW placed AS"
        " SELECT m.place AS place, e.* FROM moved AS m JOIN old.entries AS e ON e.path = m.path"
    )


def identical(comparison: Comparison) -> str:
    """Return the SQL condition under which a joined pair ``o``, ``n`` is identical."""
    conditions = [
        "o.kind = n.kind",
        f"o.state IN {_KNOWN}",
        f"n.state IN {_KNOWN}",
        "(o.kind <> 'file' OR (o.size = n.size AND o.digest IS n.digest AND o.digest IS NOT NULL))",
        "o.target IS n.target",
        *_same_metadata(comparison),
    ]
    return " AND ".join(conditions)


def _same_metadata(comparison: Comparison) -> Iterator[str]:
    fields = comparison.fields
    if Field.MTIME in fields:
        yield f"(o.kind <> 'file' OR {_same_mtime(comparison)})"
    if Field.DIRECTORY_MTIME in fields:
        yield f"(o.kind <> 'directory' OR {_same_mtime(comparison)})"
    if Field.MODE in fields:
        yield "(o.kind = 'link' OR o.mode = n.mode)"
    yield from (f"o.{column} = n.{column}" for column in _numbers(comparison))
    yield from _same_names(comparison)
    if ATTRIBUTES & fields:
        yield "(o.xattrs IS NULL OR n.xattrs IS NULL OR o.xattrs = n.xattrs)"
    if Field.SPARSE in fields:
        yield f"(o.size < {SPARSE_BYTES} OR {_holes('o')} = {_holes('n')})"


def _numbers(comparison: Comparison) -> dict[str, Names]:
    """Return the compared columns that hold owners and groups, with what both sides call these."""
    columns = ((Field.OWNER, "uid", comparison.owners), (Field.GROUP, "gid", comparison.groups))
    return {column: names for field, column, names in columns if field in comparison.fields}


def _same_names(comparison: Comparison) -> Iterator[str]:
    """Yield conditions for numbers that do not stand for other names on the other side."""
    for column, names in _numbers(comparison).items():
        if names.renamed:
            yield f"o.{column} NOT IN ({', '.join(map(str, sorted(names.renamed)))})"


def _same_mtime(comparison: Comparison) -> str:
    # abs() would fail for the smallest integer.
    return f"o.mtime_ns - n.mtime_ns BETWEEN -{comparison.tolerance_ns} AND {comparison.tolerance_ns}"


def _holes(side: str) -> str:
    """Return the condition of `verifier.reconcile.metadata.holes`, 0 or 1."""
    return (
        f"({side}.kind = 'file' AND {side}.allocated IS NOT NULL AND {side}.size - {side}.allocated >= {SPARSE_BYTES}"
        f" AND {side}.allocated * 2 < {side}.size)"
    )


def _plainly_identical(comparison: Comparison) -> str:
    """Return a condition that holds for nearly every identical file and is quick to ask; it implies `identical`."""
    columns = {Field.MTIME: "mtime_ns", Field.MODE: "mode"} | dict.fromkeys(ATTRIBUTES, "xattrs")
    compared = dict.fromkeys(columns[field] for field in Field if field in comparison.fields and field in columns)
    equal = ("digest", "size", "kind", *compared, *_numbers(comparison))
    conditions = [f"n.{column} = o.{column}" for column in equal]
    conditions += ["n.kind = 'file'", "o.target IS n.target", *_same_names(comparison)]
    conditions += [f"{side}.state IN ('proved', 'carried')" for side in "on"]
    if Field.SPARSE in comparison.fields:
        conditions.append(f"(n.size < {SPARSE_BYTES} OR n.allocated = o.allocated)")
    return " AND ".join(conditions)


def set_apart(connection: sqlite3.Connection, comparison: Comparison) -> None:
    """Make ``apart``: every entry of the new side that is not identical to one at its place on the old side.

    Columns: ``new_path``, ``old_path`` (NULL where there is none), ``kind``, ``noted`` (1 where the pair counts as
    identical and only a folder's time differs), ``delta_ns`` (what was added to the mtime, where contents are equal),
    in the new side's path order.
    """
    connection.execute(RELINKED)
    relinked = Field.HARD_LINKS in comparison.fields and note_relinked(connection)
    counts = int(comparison.counts_folder_times)
    same = identical(comparison)
    plainly = _plainly_identical(comparison)
    if relinked:
        alone = "n.path NOT IN (SELECT new_path FROM relinked)"
        same, plainly = f"{same} AND {alone}", f"{plainly} AND {alone}"
    connection.execute(
        "CREATE TEMP TABLE apart"
        " (new_path TEXT NOT NULL, old_path TEXT, kind TEXT NOT NULL, noted INTEGER NOT NULL, delta_ns INTEGER)"
    )
    connection.execute(
        f"""
        INSERT INTO apart
        SELECT n.path, o.path, n.kind, coalesce({same}, 0),
               CASE WHEN n.digest = o.digest OR n.kind = 'directory' THEN n.mtime_ns - o.mtime_ns END
        FROM new.entries AS n LEFT JOIN placed AS o ON o.place = n.path
        WHERE ({plainly}) IS NOT TRUE AND (
            ({same}) IS NOT TRUE OR (n.kind = 'directory' AND {counts} AND NOT ({_same_mtime(comparison)}))
        ) ORDER BY n.path
        """  # noqa: S608
    )


def undo_apart(connection: sqlite3.Connection) -> None:
    """Undo `set_apart`, so that it can be done again."""
    for table in ("apart", "relinked", "shared_old", "shared_new"):
        connection.execute(f"DROP TABLE IF EXISTS temp.{table}")


def identical_of(connection: sqlite3.Connection, new: Tally) -> Tally:
    """Return the pairs in which nothing differs: what the new side holds, and was not set apart."""
    different = connection.execute(
        f"""
        SELECT {tally_sql("e.kind", "e.size")}
        FROM apart AS a CROSS JOIN new.entries AS e ON e.path = a.new_path WHERE NOT a.noted
        """  # noqa: S608
    ).fetchone()
    return Tally(*(whole - part for whole, part in zip(new, different, strict=True)))


def differing(connection: sqlite3.Connection) -> Iterator[tuple[Entry, Entry, str | None]]:
    """Stream the pairs at one place in which something differs, or is not known, in the new side's path order.

    Yields:
        Both entries, and how the structure of their hard links changed, if it did.
    """
    width = len(Entry._fields)
    query = f"""
        SELECT {_PAIR}, (SELECT how FROM relinked AS r WHERE r.new_path = n.path) FROM apart AS a
        CROSS JOIN old.entries AS o ON o.path = a.old_path CROSS JOIN new.entries AS n ON n.path = a.new_path
        WHERE NOT a.noted ORDER BY a.rowid
    """  # noqa: S608
    for row in connection.execute(query):
        yield Entry(*row[:width]), Entry(*row[width:-1]), row[-1]


_LEFT: Final = """
CREATE TEMP TABLE left_{side} (
    path    TEXT PRIMARY KEY NOT NULL,
    place   TEXT,
    kind    TEXT NOT NULL,
    size    INTEGER NOT NULL,
    head    BLOB,
    content BLOB,
    name    TEXT NOT NULL,
    parent  TEXT NOT NULL,
    form_a  TEXT,
    form_b  TEXT,
    claimed INTEGER NOT NULL DEFAULT 0,
    partner TEXT,
    how     TEXT,
    unseen  TEXT,
    had_arrived TEXT,
    twin    TEXT,
    survives TEXT,
    arrived INTEGER,
    copies  INTEGER
)
"""
# With row numbers: rows are wide and are changed again and again, which takes half the time so.
# What identifies content: a file's digest, a link's target, a device's numbers; NULL where it is not known.
_CONTENT: Final = f"""
CASE WHEN kind = 'file' THEN digest WHEN kind = 'directory' THEN NULL
     WHEN state IN {_KNOWN} THEN CAST(coalesce(target, '') AS BLOB) END
"""


def _form(scheme: str, column: str) -> str:
    """Return SQL for the comparison form; of a text that is all ASCII SQLite's own function gives it, at once."""
    return (
        f"CASE WHEN length({column}) = length(CAST({column} AS BLOB)) THEN lower({column})"
        f" ELSE comparison_form_{scheme}({column}) END"
    )


def fill_left(connection: sqlite3.Connection, unmet: Iterable[Sequence[str]] | None) -> None:
    """Make ``left_old`` and ``left_new``: the entries that have no fellow at their place.

    Args:
        connection: With ``apart`` and ``placed``.
        unmet: Pages of the old side's paths that have none; None where they are still to be looked for.
    """
    columns = "path, place, kind, size, head, content, name, parent, form_a, form_b"
    facts = f"kind, size, head, {_CONTENT}, name_of(path), parent_of(path)"
    for side in Side:
        connection.execute(_LEFT.format(side=side))
    connection.execute(
        f"""
        INSERT INTO left_new ({columns})
        SELECT path, path, {facts}, {_form("a", "path")}, {_form("b", "path")}
        FROM (SELECT new_path FROM apart WHERE old_path IS NULL) CROSS JOIN new.entries ON path = new_path
        """  # noqa: S608
    )
    connection.execute("CREATE TEMP TABLE unmet (old_path TEXT PRIMARY KEY NOT NULL) WITHOUT ROWID")
    if unmet is None:
        connection.execute(
            """
            INSERT INTO unmet SELECT path FROM placed
            WHERE place IS NULL OR NOT EXISTS (SELECT 1 FROM new.entries AS n WHERE n.path = placed.place)
            """
        )
    else:
        for page in unmet:
            connection.executemany("INSERT INTO unmet VALUES (?)", [(path,) for path in page])
    connection.execute(
        f"""
        INSERT INTO left_old ({columns})
        SELECT path, place, {facts}, {_form("a", "place")}, {_form("b", "place")}
        FROM unmet CROSS JOIN placed ON path = old_path
        """  # noqa: S608
    )
    for side in Side:
        for column in ("place", "form_a", "form_b"):
            connection.execute(f"CREATE INDEX left_{side}_by_{column} ON left_{side} ({column})")
