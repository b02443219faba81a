"""Pairing what is left on both sides: altered names, then relocations, one to one.

Every step takes the entries that no step before it has paired. Within equal keys entries are paired in path order, so
the result does not depend on the order of rows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from verifier.reconcile.closeness import MOST_COPIES, closest
from verifier.reconcile.survey import Survivor, survivors_of
from verifier.tree.names import inside

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Iterator, Sequence

ALTERED: Final = "altered"
"""Same place under the comparison form, same content."""
ALTERED_DAMAGED: Final = "altered, other content"
"""Same place under the comparison form, same size, and other content: damage that was copied under an altered name."""
ALTERED_UNREAD: Final = "altered, not read"
RELOCATED: Final = "relocated"
RELOCATED_UNREAD: Final = "relocated, not read"
DISSOLVED: Final = "dissolved"
"""A folder whose every entry is accounted for elsewhere, with no single folder in its place."""

_FREE: Final = "partner IS NULL AND claimed = 0"


def pair_left(connection: sqlite3.Connection, *, mapped: bool) -> str:
    """Pair the rest of both sides, in ``left_old`` and ``left_new``.

    Args:
        connection: With both left tables and ``placed``.
        mapped: Whether maps were given, so that a folder can be gone while its entries are in their places.

    Returns:
        The column that held the comparison form.
    """
    form = _better_form(connection)
    connection.execute("CREATE TEMP TABLE met (old_path TEXT NOT NULL, new_path TEXT NOT NULL)")
    _pair(connection, ALTERED, (form, "kind", "content"), "kind <> 'directory'")
    _pair(connection, ALTERED, (form, "kind"), "kind = 'directory'")
    _pair(connection, ALTERED_DAMAGED, (form, "kind", "size"), "kind = 'file' AND size > 0 AND content IS NOT NULL")
    _pair(connection, ALTERED_UNREAD, (form, "kind", "size"), "kind = 'file'", unread=True)
    # Content that is empty, or that is only a link's text, identifies nothing by itself: the name has to agree.
    _pair_copies(connection)
    # The name of the folder above tells apart copies of one file in several folders of a moved tree.
    _pair(connection, RELOCATED, ("content", "size", "name", "name_of(parent)"), "kind = 'file' AND size > 0")
    _pair(connection, RELOCATED, ("content", "kind", "name"), "kind IN ('file', 'link')")
    _pair(connection, RELOCATED, ("content", "size"), "kind = 'file' AND size > 0")
    _pair(connection, RELOCATED_UNREAD, ("name", "size"), "kind = 'file' AND size > 0", unread=True)
    _pair_folders(connection, mapped=mapped)
    _note_twins(connection, form)
    return form


def _better_form(connection: sqlite3.Connection) -> str:
    """Choose the scheme of stand-ins under which more names meet; never both at once."""
    forms = ("form_a", "form_b")
    ambiguous = any(
        connection.execute(f"SELECT 1 FROM left_{side} WHERE form_a <> form_b LIMIT 1").fetchone()  # noqa: S608
        for side in ("old", "new")
    )
    if not ambiguous:
        return forms[0]
    met = "SELECT count(*) FROM left_old AS o JOIN left_new AS n USING ({}) WHERE o.claimed + n.claimed = 0"
    return max(forms, key=lambda form: connection.execute(met.format(form)).fetchone()[0])


def _pair(connection: sqlite3.Connection, how: str, keys: tuple[str, ...], which: str, *, unread: bool = False) -> None:
    """Pair free entries with equal keys one to one.

    Both sides are sorted by their keys and walked through together, which takes a fifth of the time of a join by
    window functions.

    Args:
        connection: With both left tables.
        how: What the pairs become.
        keys: Columns that must agree; NULL agrees with nothing.
        which: Condition on both sides.
        unread: Only pairs of which at least one side's content is not known.
    """
    known = " AND ".join(f"{key} IS NOT NULL" for key in keys)
    columns = ", ".join(keys)
    old, new = (
        connection.execute(
            f"SELECT {columns}, path, content IS NULL FROM left_{side} WHERE {_FREE} AND {which} AND {known}"  # noqa: S608
            f" ORDER BY {columns}, path"
        )
        for side in ("old", "new")
    )
    # Where both contents are known they were compared by an earlier step.
    met = ((one[-2], other[-2]) for one, other in _in_step(old, new, len(keys)) if not unread or one[-1] or other[-1])
    _take(connection, met, how)


def _in_step(
    old: Iterator[tuple[Any, ...]], new: Iterator[tuple[Any, ...]], width: int
) -> Iterator[tuple[tuple[Any, ...], tuple[Any, ...]]]:
    """Yield rows of both sides that agree in their first columns, the first with the first; both are sorted by them."""
    one, other = next(old, None), next(new, None)
    while one is not None and other is not None:
        ours, theirs = one[:width], other[:width]
        if ours == theirs:
            yield one, other
            one, other = next(old, None), next(new, None)
        elif ours < theirs:
            one = next(old, None)
        else:
            other = next(new, None)


def _take(connection: sqlite3.Connection, pairs: Iterable[tuple[str, str]], how: str) -> None:
    """Note pairs on both sides."""
    connection.execute("DELETE FROM met")
    connection.executemany("INSERT INTO met VALUES (?, ?)", pairs)
    for side, other in (("old", "new"), ("new", "old")):
        connection.executemany(
            f"UPDATE left_{side} SET partner = ?, how = ? WHERE path = ?",  # noqa: S608
            connection.execute(f"SELECT {other}_path, ?, {side}_path FROM met", (how,)),  # noqa: S608
        )


def _pair_copies(connection: sqlite3.Connection) -> None:
    """Pair what has several copies on a side by the closest name and folder; very many are left to their order."""
    free = f"{_FREE} AND kind = 'file' AND size > 0 AND content IS NOT NULL"
    connection.execute(
        f"""
        CREATE TEMP TABLE several AS
        SELECT content FROM (SELECT content, count(*) AS copies FROM left_old WHERE {free} GROUP BY content) AS o
        JOIN (SELECT content, count(*) AS copies FROM left_new WHERE {free} GROUP BY content) AS n USING (content)
        WHERE o.copies + n.copies BETWEEN 3 AND {MOST_COPIES}
        """  # noqa: S608
    )
    if connection.execute("SELECT 1 FROM several LIMIT 1").fetchone() is None:
        return
    connection.execute("CREATE INDEX several_by_content ON several (content)")
    copies = connection.execute(
        f"""
        SELECT content, side, path, place FROM (
            SELECT content, 0 AS side, path, coalesce(place, path) AS place FROM left_old WHERE {free}
            UNION ALL SELECT content, 1, path, path FROM left_new WHERE {free}
        ) WHERE content IN (SELECT content FROM several) ORDER BY content, side, path
        """  # noqa: S608
    )
    _take(connection, _closest_of_each(copies), RELOCATED)


def _closest_of_each(copies: Iterator[tuple[bytes, int, str, str]]) -> Iterator[tuple[str, str]]:
    """Yield the pairs of each content.

    Args:
        copies: Content, side, path, and place on the new side; those of one content together.
    """
    current: bytes | None = None
    sides: tuple[dict[str, str], dict[str, str]] = ({}, {})
    for content, side, path, place in copies:
        if content != current:
            yield from closest(*sides)
            current, sides = content, ({}, {})
        sides[side][path] = place
    yield from closest(*sides)


def _pair_folders(connection: sqlite3.Connection, *, mapped: bool) -> None:
    """Pair folders that are gone with the new folder that took their entries, deepest first.

    Such a folder is relocated where half of what is directly in it went there; what was lost of it has findings of its
    own. Without such a folder it counts as relocated only when everything it held is accounted for.
    """
    connection.execute(
        f"""
        CREATE TEMP TABLE gone AS SELECT path FROM left_old WHERE kind = 'directory' AND {_FREE}
        ORDER BY length(path) - length(replace(path, '/', '')) DESC, path
        """  # noqa: S608
    )
    if connection.execute("SELECT 1 FROM gone LIMIT 1").fetchone() is None:
        return
    connection.execute("CREATE INDEX left_old_by_parent ON left_old (parent)")
    for folder in _pages_of_gone(connection):
        took = connection.execute(
            """
            SELECT n.path AS took, count(*) * 2 >= (SELECT count(*) FROM left_old WHERE parent = ?)
            FROM left_old AS o JOIN left_new AS p ON p.path = o.partner JOIN left_new AS n ON n.path = p.parent
            WHERE o.parent = ? AND n.kind = 'directory' AND n.partner IS NULL AND n.claimed = 0
            GROUP BY took ORDER BY count(*) DESC, took LIMIT 1
            """,
            (folder, folder),
        ).fetchone()
        if took is None or not took[1]:
            if _is_accounted_for(connection, folder, mapped=mapped):
                connection.execute("UPDATE left_old SET how = ? WHERE path = ?", (DISSOLVED, folder))
            continue
        connection.execute("UPDATE left_old SET partner = ?, how = ? WHERE path = ?", (took[0], RELOCATED, folder))
        connection.execute("UPDATE left_new SET partner = ?, how = ? WHERE path = ?", (folder, RELOCATED, took[0]))


def _pages_of_gone(connection: sqlite3.Connection) -> Iterator[str]:
    last = 0
    while page := connection.execute(
        "SELECT rowid, path FROM gone WHERE rowid > ? ORDER BY rowid LIMIT 1000", (last,)
    ).fetchall():
        last = page[-1][0]
        yield from (path for _, path in page)


def _is_accounted_for(connection: sqlite3.Connection, folder: str, *, mapped: bool) -> bool:
    lost, elsewhere = connection.execute(
        f"""
        SELECT coalesce(sum({_FREE} AND how IS NULL), 0), coalesce(sum(how IS NOT NULL), 0)
        FROM left_old WHERE path > ? AND path < ?
        """,  # noqa: S608
        inside(folder),
    ).fetchone()
    if lost or elsewhere or not mapped:
        return bool(elsewhere and not lost)
    met = """
        SELECT 1 FROM placed AS o WHERE path > ? AND path < ? AND place <> path
        AND NOT EXISTS (SELECT 1 FROM left_old AS l WHERE l.path = o.path) LIMIT 1
    """
    return connection.execute(met, inside(folder)).fetchone() is not None


def _note_twins(connection: sqlite3.Connection, form: str) -> None:
    """Note for what stays unpaired where the other side has a name of the same form with other content."""
    for side, other in (("old", "new"), ("new", "old")):
        connection.execute(
            f"""
            UPDATE left_{side} SET twin = t.path FROM (
                SELECT {form} AS form, kind, min(path) AS path FROM left_{other} WHERE {_FREE} GROUP BY {form}, kind
            ) AS t WHERE t.form = left_{side}.{form} AND t.kind = left_{side}.kind AND {_FREE}
            """  # noqa: S608
        )


def note_copies(connection: sqlite3.Connection, survivors: Iterable[Sequence[Survivor]] | None) -> None:
    """Note for lost files whose content is on the new side all the same how many copies there were, are, and where.

    Args:
        connection: With both left tables, paired.
        survivors: Pages of contents that the new side has; None where they are still to be looked for.
    """
    if survivors is None:
        connection.execute(
            f"""
            CREATE TEMP TABLE lost AS SELECT content, size FROM left_old
            WHERE {_FREE} AND kind = 'file' AND size > 0 AND content IS NOT NULL
            """  # noqa: S608
        )
        survivors = survivors_of(connection)
    connection.execute(
        "CREATE TEMP TABLE survivors (content BLOB PRIMARY KEY, arrived INTEGER, copies INTEGER, path TEXT)"
    )
    for page in survivors:
        connection.executemany("INSERT INTO survivors VALUES (?, ?, ?, ?)", page)
    connection.execute(
        f"""
        UPDATE left_old SET survives = s.path, arrived = s.arrived, copies = s.copies FROM survivors AS s
        WHERE s.content = left_old.content AND {_FREE} AND kind = 'file' AND left_old.size > 0
        """  # noqa: S608
    )
