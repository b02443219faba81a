"""Folders that are missing, extra or relocated as a whole: one name for everything in them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.classes import Class, Side
from verifier.tree.names import parent_of

if TYPE_CHECKING:
    from verifier.reconcile.findings import Findings

_GROUPED: Final = (
    (Class.MISSING, Side.OLD),
    (Class.EXTRA, Side.NEW),
    (Class.RELOCATED, Side.OLD),
    (Class.NAME_ALTERED, Side.OLD),
    (Class.CLUTTER, Side.OLD),
    (Class.CLUTTER, Side.NEW),
)


def group_folders(findings: Findings) -> None:
    """Give every finding in a folder of the same class the topmost such folder as its group."""
    connection = findings.connection
    for cls, side in _GROUPED:
        path = f"{side}_path"
        where = f"\"class\" = ? AND {side}_kind = 'directory' AND group_path IS NULL"
        folders = connection.execute(f"SELECT {path} FROM findings WHERE {where} ORDER BY {path}", (cls.value,))  # noqa: S608
        same = {folder for (folder,) in folders}
        for folder in sorted(same):
            if parent_of(folder) in same:
                continue
            connection.execute(
                f"""
                UPDATE findings SET group_path = ? WHERE "class" = ? AND group_path IS NULL
                AND ({path} = ? OR ({path} > ? AND {path} < ?))
                """,  # noqa: S608
                (folder, cls.value, folder, f"{folder}/", f"{folder}0"),
            )
