"""Pairing what is left on both sides: altered names, then relocations, one to one.

Every step takes the entries that no step before it has paired. Within equal keys entries are paired in path order, so
the result does not depend on the order of rows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import sqlite3

ALTERED: Final = "altered"
"""Same place under the comparison form, same content."""
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
    _pair(connection, ALTERED, (form, "kind", "content"), "kind <> 'directory'")
    _pair(connection, ALTERED, (form, "kind"), "kind = 'directory'")
    _pair(connection, ALTERED_UNREAD, (form, "kind", "size"), "kind = 'file'", unread=True)
    # Content that is empty, or that is only a link's text, identifies nothing by itself: the name has to agree.
    _pair(connection, RELOCATED, ("content", "size", "name", "parent_of_name"), "kind = 'file' AND size > 0")
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

    Args:
        connection: With both left tables.
        how: What the pairs become.
        keys: Columns that must agree; NULL agrees with nothing.
        which: Condition on both sides.
        unread: Only pairs of which at least one side's content is not known.
    """
    # The name of the folder above tells apart copies of one file in several folders of a moved tree.
    expressions = {"parent_of_name": "name_of(parent_of(path))"}
    columns = ", ".join(f"{expressions.get(key, key)} AS k{n}" for n, key in enumerate(keys))
    names = ", ".join(f"k{n}" for n in range(len(keys)))
    old, new = (
        f"""
        SELECT *, row_number() OVER (PARTITION BY {names} ORDER BY path) AS turn
        FROM (SELECT path, content, {columns} FROM left_{side} WHERE {_FREE} AND {which})
        """  # noqa: S608
        for side in ("old", "new")
    )
    # Where both contents are known they were compared by an earlier step.
    condition = "AND (o.content IS NULL OR n.content IS NULL)" if unread else ""
    connection.execute("DROP TABLE IF EXISTS temp.met")
    connection.execute(
        f"""
        CREATE TEMP TABLE met AS SELECT o.path AS old_path, n.path AS new_path
        FROM ({old}) AS o JOIN ({new}) AS n USING ({names}, turn) WHERE 1 {condition}
        """  # noqa: S608
    )
    for side, other in (("old", "new"), ("new", "old")):
        connection.execute(
            f"""
            UPDATE left_{side} SET partner = met.{other}_path, how = ? FROM met
            WHERE left_{side}.path = met.{side}_path
            """,  # noqa: S608
            (how,),
        )


def _pair_folders(connection: sqlite3.Connection, *, mapped: bool) -> None:
    """Pair folders that are gone with the new folder that took their entries, deepest first.

    Such a folder is relocated even where something in it was lost: that has a finding of its own. Without one new
    folder in its place it counts as relocated only when everything it held is accounted for.
    """
    folders = connection.execute(
        f"SELECT path FROM left_old WHERE kind = 'directory' AND {_FREE}"  # noqa: S608
        " ORDER BY length(path) - length(replace(path, '/', '')) DESC, path"
    ).fetchall()
    for (folder,) in folders:
        took = connection.execute(
            """
            SELECT parent_of(o.partner) AS took FROM left_old AS o
            JOIN left_new AS n ON n.path = parent_of(o.partner)
            WHERE o.path > ? AND o.path < ? AND parent_of(o.path) = ?
              AND n.kind = 'directory' AND n.partner IS NULL AND n.claimed = 0
            GROUP BY took ORDER BY count(*) DESC, took LIMIT 1
            """,
            (*inside(folder), folder),
        ).fetchone()
        if took is None:
            if _is_accounted_for(connection, folder, mapped=mapped):
                connection.execute("UPDATE left_old SET how = ? WHERE path = ?", (DISSOLVED, folder))
            continue
        connection.execute("UPDATE left_old SET partner = ?, how = ? WHERE path = ?", (took[0], RELOCATED, folder))
        connection.execute("UPDATE left_new SET partner = ?, how = ? WHERE path = ?", (folder, RELOCATED, took[0]))


def inside(folder: str) -> tuple[str, str]:
    """Return the bounds between which lie all paths in a folder: '0' follows '/' in ASCII."""
    return f"{folder}/", f"{folder}0"


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
    met = "SELECT 1 FROM placed WHERE path > ? AND path < ? AND place <> path LIMIT 1"
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
