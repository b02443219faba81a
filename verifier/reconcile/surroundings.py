"""What a rule's guards may ask about an entry's neighbours, answered from one side's manifest."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verifier.rules.guards import Candidate
from verifier.tree.entry import State
from verifier.tree.names import inside

if TYPE_CHECKING:
    import sqlite3

    from verifier.classes import Side
    from verifier.tree.entry import Entry


class ManifestSurroundings:
    """One attached manifest, as the rules' `Surroundings`."""

    def __init__(self, connection: sqlite3.Connection, side: Side) -> None:
        self._connection = connection
        self._entries = f"{side}.entries"

    def exists(self, path: str) -> bool:
        """Tell whether the side has an entry of that path."""
        query = f"SELECT 1 FROM {self._entries} WHERE path = ?"  # noqa: S608
        return self._connection.execute(query, (path,)).fetchone() is not None

    def is_empty(self, path: str) -> bool | None:
        """Tell whether a folder holds nothing; None where it was not listed."""
        query = f"SELECT state FROM {self._entries} WHERE path = ?"  # noqa: S608
        row = self._connection.execute(query, (path,)).fetchone()
        if row is None or row[0] != State.CONTENTLESS:
            return None
        within = f"SELECT 1 FROM {self._entries} WHERE path > ? AND path < ? LIMIT 1"  # noqa: S608
        return self._connection.execute(within, inside(path)).fetchone() is None

    def candidate(self, path: str) -> Candidate | None:
        """Return the facts of an entry, for rules that claim a folder with all it holds."""
        query = f"SELECT path, kind, size, head FROM {self._entries} WHERE path = ?"  # noqa: S608
        row = self._connection.execute(query, (path,)).fetchone()
        return None if row is None else Candidate(*row)


def candidate_of(entry: Entry) -> Candidate:
    """Return what the rules need of an entry."""
    return Candidate(entry.path, entry.kind, entry.size, entry.head)
