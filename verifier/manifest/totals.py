"""What a manifest holds, counted: the whole of it, or run by run, so that several processes can do it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.tree.entry import BY_RULE

if TYPE_CHECKING:
    import sqlite3

    from verifier.manifest.seal import Run


class Totals(NamedTuple):
    """What a manifest holds, counted."""

    entries: int = 0
    files: int = 0
    directories: int = 0
    bytes: int = 0
    """Of files, each name counted, so two hard links count twice."""
    proved_files: int = 0
    """Read in this scan."""
    proved_bytes: int = 0
    carried_files: int = 0
    """Not read in this scan: known from an earlier one, and unchanged since by size and times."""
    carried_bytes: int = 0
    oldest_read: str | None = None
    """When the longest unread of these files was read, ISO 8601, UTC."""
    unreadable: int = 0
    """Entries that could not be read or listed."""
    unsettled: int = 0
    unread: int = 0
    """Files that were listed and not read."""
    not_entered: int = 0
    """Folders whose content is not in the manifest, other than those that a rule keeps a scan out of."""

    def plus(self, other: Totals) -> Totals:
        """Return the totals of both together."""
        oldest = min((at for at in (self.oldest_read, other.oldest_read) if at is not None), default=None)
        sums = {name: getattr(self, name) + getattr(other, name) for name in self._fields if name != "oldest_read"}
        return Totals(**sums, oldest_read=oldest)


# Nearly all rows are plain files that were read, carried over or listed. A count that a row takes no part in costs
# little where it is left out by FILTER, and a sum over every row costs much: half the time of sums over conditions.
_PLAIN: Final = ("proved", "carried", "listed")
_COUNT: Final = "count(*) FILTER (WHERE {0}), coalesce(sum(size) FILTER (WHERE {0}), 0)"
_SELECT: Final = f"""
SELECT count(*), count(*) FILTER (WHERE kind = 'directory'),
       {", ".join(_COUNT.format(f"state = '{state}' AND kind = 'file'") for state in _PLAIN)},
       {_COUNT.format(f"state NOT IN {_PLAIN} AND kind = 'file'")},
       min(read_at) FILTER (WHERE state IN ('proved', 'carried') AND kind = 'file'),
       count(*) FILTER (WHERE state = 'unreadable'), count(*) FILTER (WHERE state = 'unsettled'),
       count(*) FILTER (WHERE state = 'listed' AND kind = 'directory' AND coalesce(error, '') NOT LIKE '{BY_RULE}%')
FROM entries
"""  # noqa: S608


def owners_of(connection: sqlite3.Connection, run: Run) -> list[tuple[int, int]]:
    """Return the pairs of owner and group that the entries of a run have, each once."""
    return connection.execute(f"SELECT DISTINCT uid, gid FROM entries WHERE {run.condition}", run).fetchall()  # noqa: S608


def count(connection: sqlite3.Connection, run: Run | None = None) -> Totals:
    """Count one run of a manifest's entries (`verifier.manifest.seal.runs`), or all."""
    condition, values = ("TRUE", ()) if run is None else (run.condition, tuple(run))
    found = connection.execute(f"{_SELECT} WHERE {condition}", values)
    entries, directories, *files, oldest, unreadable, unsettled, not_entered = found.fetchone()
    proved, proved_bytes, carried, carried_bytes, listed, listed_bytes, other, other_bytes = files
    return Totals(
        entries,
        proved + carried + listed + other,
        directories,
        proved_bytes + carried_bytes + listed_bytes + other_bytes,
        proved,
        proved_bytes,
        carried,
        carried_bytes,
        oldest,
        unreadable,
        unsettled,
        listed,
        not_entered,
    )
