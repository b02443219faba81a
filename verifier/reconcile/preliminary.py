"""The early answer: what two listings say before any content is read.

Names and sizes alone, in SQL. Moves, altered names and rules are not looked at yet, so what is not at its place here
may still be found elsewhere, or be litter.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verifier.classes import Side
from verifier.manifest.database import database_errors
from verifier.reconcile import align
from verifier.reconcile.findings import Tally, tally_sql

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from verifier.reconcile.options import PlaceMap


@dataclass(frozen=True, slots=True)
class Preliminary:
    """The preliminary account."""

    listed: Mapping[Side, Tally]
    """Everything that was listed."""
    to_read: Mapping[Side, Tally]
    """Files whose content is not known yet."""
    not_at_their_place: Tally
    """Of the old side; the new side has nothing at their place."""
    new_only: Tally
    """Of the new side; the old side has nothing that belongs there."""
    other_size: Tally
    """Files on both sides whose sizes differ; the bytes are the old side's."""
    other_kind: Tally
    """On both sides, and not both files, both folders and so on; the bytes are the old side's."""
    same_size: Tally
    """Files on both sides of one size: whether their content is the same only reading can tell."""


def preliminary(old: Path, new: Path, maps: Sequence[PlaceMap] = ()) -> Preliminary:
    """Join two listings.

    Args:
        old: The old side's manifest; it may be unfinished, but nobody may hold it.
        new: The new side's.
        maps: Places of the old side that are elsewhere on the new one.

    Raises:
        ManifestDamaged: If a manifest is not what was written.
        EvidenceUnwritable: If somebody holds one.
    """
    with database_errors(old):
        connection = sqlite3.connect("file::memory:", uri=True, isolation_level=None)
        try:
            align.attach(connection, old, new)
            align.place_old(connection, maps)
            return _account(connection)
        finally:
            connection.close()


def _account(connection: sqlite3.Connection) -> Preliminary:
    def tally(side: str, where: str) -> Tally:
        row = connection.execute(f"SELECT {tally_sql(f'{side}.kind', f'{side}.size')} FROM {where}").fetchone()  # noqa: S608
        return Tally(*row)

    sides = {Side.OLD: "o", Side.NEW: "n"}
    both = "placed AS o JOIN new.entries AS n ON n.path = o.place WHERE"
    return Preliminary(
        {side: tally(name, f"{side}.entries AS {name}") for side, name in sides.items()},
        {
            side: tally(name, f"{side}.entries AS {name} WHERE {name}.kind = 'file' AND {name}.state = 'listed'")
            for side, name in sides.items()
        },
        tally(
            "o",
            "placed AS o WHERE o.place IS NULL OR NOT EXISTS (SELECT 1 FROM new.entries AS n WHERE n.path = o.place)",
        ),
        tally("n", "new.entries AS n WHERE NOT EXISTS (SELECT 1 FROM placed AS o WHERE o.place = n.path)"),
        tally("o", f"{both} o.kind = 'file' AND n.kind = 'file' AND o.size <> n.size"),
        tally("o", f"{both} o.kind <> n.kind"),
        tally("o", f"{both} o.kind = 'file' AND n.kind = 'file' AND o.size = n.size"),
    )
