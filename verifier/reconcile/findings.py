"""Findings and the SQLite file that holds them.

One row for every entry that is not identical, on either side or both. The file also keeps the facts of both sides and
of the run, and the account, so that a report can be written from it and the manifests alone.
"""

from __future__ import annotations

import json
import sqlite3
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self

from verifier.classes import Class, Side
from verifier.errors import NotAManifest
from verifier.manifest.database import DatabaseFile, address, database_errors, make_tables, named, open_read_only
from verifier.reconcile.decay import TABLE as DECAYS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from sqlite_utils import Database

APPLICATION_ID: Final = 0x56464E31
"""Marks the file as findings of this tool: the bytes ``VFN1``."""
VERSION: Final = 1


class Finding(NamedTuple):
    """One row of ``findings``, in column order. A path and what belongs to it is None where that side has nothing."""

    cls: str
    """A `Class`, as its text."""
    cause: str | None
    """A `Cause` of a content change."""
    severity: str
    old_path: str | None
    new_path: str | None
    old_kind: str | None
    new_kind: str | None
    old_size: int | None
    new_size: int | None
    old_mtime_ns: int | None
    new_mtime_ns: int | None
    fields: str | None
    """Metadata fields that differ, joined by ``;``."""
    rule: str | None
    """The rule that claimed it, or whose guard did not hold."""
    group_path: str | None
    """The topmost folder that has the same fate, where there is one."""
    decision: bool
    """Whether somebody has to decide about it by name before the old side goes."""
    reason: str
    """Why it has this class, in one sentence."""
    drift_side: str | None = None
    """The side that changed after its gate, for drift."""
    marks: str | None = None
    """How metadata or name differ, in terms that many entries share, one a line (`verifier.reconcile.metadata`)."""
    damage: str | None = None
    """Where content differs, as `verifier.tree.damage` writes it."""


class Tally(NamedTuple):
    """Entries, and of these the files and their bytes."""

    entries: int = 0
    files: int = 0
    bytes: int = 0

    @classmethod
    def of(cls, kind: str | None, size_bytes: int | None) -> Self:
        """Count one entry."""
        return cls(1, 1, size_bytes or 0) if kind == "file" else cls(1)

    def plus(self, other: Tally) -> Tally:
        """Return the tally of both together."""
        return Tally(*map(sum, zip(self, other, strict=True)))


def tally_sql(kind: str = "kind", size: str = "size") -> str:
    """Return the columns of a query that counts a `Tally`, from SQL for an entry's kind and its size."""
    is_file = f"FILTER (WHERE {kind} = 'file')"
    return f"count(*), count(*) {is_file}, coalesce(sum({size}) {is_file}, 0)"


OF_EITHER_SIDE: Final = tally_sql("coalesce(old_kind, new_kind)", "coalesce(old_size, new_size)")
"""The same for a finding, which counts once: as what the old side has, or the new one where only that has it."""


class Systematic(NamedTuple):
    """Many differences that are one fact."""

    kind: str
    """A word for machines, such as ``shifted-times``."""
    text: str
    """What it is, as it may be shown."""
    tally: Tally
    """The findings that show it; of identical folders whose time differs, the folders."""
    exceptions: int
    """Findings that differ in the same respect in another way."""
    examples: tuple[str, ...]
    """Paths of the old side, as manifest text; of the new one where there is none."""
    note: str = ""
    """What a person should know besides."""


EXPLAINED: Final = "coalesce(marks IN (SELECT marks FROM combinations WHERE explained), 0)"
"""SQL, 1 for findings of which every difference is systematic."""

ACCEPTED: Final = "(id IN (SELECT finding FROM temp.accepted))"
"""SQL, 1 for findings that an accepted exception covers (`verifier.decisions.covering.cover`)."""
_NOTHING_ACCEPTED: Final = "CREATE TEMP TABLE accepted (finding INTEGER PRIMARY KEY, exception INTEGER NOT NULL)"

COLUMNS: Final = ("class", *Finding._fields[1:])
_FINDINGS: Final = """
CREATE TABLE findings (
    id           INTEGER PRIMARY KEY,
    class        TEXT NOT NULL,
    cause        TEXT,
    severity     TEXT NOT NULL,
    old_path     TEXT,
    new_path     TEXT,
    old_kind     TEXT,
    new_kind     TEXT,
    old_size     INTEGER,
    new_size     INTEGER,
    old_mtime_ns INTEGER,
    new_mtime_ns INTEGER,
    fields       TEXT,
    rule         TEXT,
    group_path   TEXT,
    decision     INTEGER NOT NULL,
    reason       TEXT NOT NULL,
    drift_side   TEXT,
    marks        TEXT,
    damage       TEXT
)
"""
_INSERT: Final = f"INSERT INTO findings ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"  # noqa: S608
_SORTED: Final = {path: f"coalesce({path}, '')" for path in ("old_path", "new_path")}
_ORDER: Final = f"ORDER BY {', '.join(_SORTED.values())}, id"
"""The contract's order; a path that is not there sorts as the empty text."""


def first_tables(db: Database) -> None:
    """Make a findings file's tables; the name is that of the migration."""
    db.table("facts").create({"key": str, "value": str}, pk="key", not_null={"value"})
    db.execute(_FINDINGS)
    db.table("account").create(
        {"side": str, "class": str, "entries": int, "files": int, "bytes": int}, pk=("side", "class")
    )
    db.table("systematic").create(
        {
            "id": int,
            "kind": str,
            "text": str,
            "entries": int,
            "files": int,
            "bytes": int,
            "exceptions": int,
            "examples": str,
            "note": str,
        },
        pk="id",
    )
    db.execute(DECAYS.format(""))
    db.table("combinations").create({"marks": str, "systematic": str, "explained": int}, pk="marks")


class Findings(DatabaseFile):
    """An open findings file. Close it, or use it as a context manager; one thread at a time."""

    @classmethod
    def create(cls, path: Path) -> Self:
        """Begin a findings file in a place that is free.

        Raises:
            EvidenceUnwritable: If it cannot be written.
        """
        with database_errors(path):
            # URIs on, so that the manifests can be attached read-only.
            connection = sqlite3.connect(address(path), uri=True, isolation_level=None)
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            connection.execute("PRAGMA synchronous = NORMAL")
            connection.execute("PRAGMA trusted_schema = OFF")
            connection.execute("PRAGMA cache_size = -65536")
            make_tables(connection, "verifier.findings", APPLICATION_ID, VERSION, first_tables)
            connection.execute(_NOTHING_ACCEPTED)
            connection.execute("BEGIN")
        return cls(path, connection)

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open a findings file for reading.

        Raises:
            NotAManifest: If it is not there or is something else.
            ManifestDamaged: If its tables are not what they must be.
        """
        if not path.is_file():
            raise NotAManifest(f"{named(path)} is not there", "name a folder that `verifier check` wrote")
        with database_errors(path):
            connection = open_read_only(path)
            mark = connection.execute("PRAGMA application_id").fetchone()[0]
            columns = [row[1] for row in connection.execute("PRAGMA table_info(findings)")]
            connection.execute("PRAGMA query_only = OFF")
            connection.execute(_NOTHING_ACCEPTED)
            if connection.execute("SELECT 1 FROM main.sqlite_master WHERE name = 'decays'").fetchone() is None:
                connection.execute(DECAYS.format("TEMP "))  # written before a side was held against its own past
            connection.execute("PRAGMA query_only = ON")
        if mark != APPLICATION_ID or columns != ["id", *COLUMNS]:
            connection.close()
            raise NotAManifest(f"{named(path)} does not hold findings", "name a folder that `verifier check` wrote")
        return cls(path, connection)

    @classmethod
    def reopen(cls, path: Path) -> Self:
        """Open a findings file of this run again, to add facts to it.

        Raises:
            EvidenceUnwritable: If it cannot be written.
        """
        with database_errors(path):
            connection = sqlite3.connect(path, isolation_level=None)
            connection.execute("BEGIN")
        return cls(path, connection)

    def commit(self) -> None:
        """Make everything written so far last."""
        with database_errors(self.path):
            self.connection.execute("COMMIT")
            self.connection.execute("BEGIN")

    def add(self, findings: Iterable[Finding]) -> None:
        """Write findings."""
        with database_errors(self.path):
            self.connection.executemany(_INSERT, map(tuple, findings))

    def set_facts(self, facts: Mapping[str, str]) -> None:
        """Write facts of the run."""
        with database_errors(self.path):
            self.connection.executemany("INSERT OR REPLACE INTO facts VALUES (?, ?)", facts.items())

    def set_account(self, side: Side, tallies: Mapping[Class, Tally]) -> None:
        """Write one side's account."""
        with database_errors(self.path):
            self.connection.executemany(
                "INSERT INTO account VALUES (?, ?, ?, ?, ?)",
                [(side.value, cls.value, *tally) for cls, tally in tallies.items()],
            )

    def account(self, side: Side) -> dict[Class, Tally]:
        """Return one side's account, every class included."""
        with database_errors(self.path):
            rows = self.connection.execute(
                'SELECT "class", entries, files, bytes FROM account WHERE side = ?', (side.value,)
            ).fetchall()
        found = {row[0]: Tally(*row[1:]) for row in rows}
        return {cls: found.get(cls.value, Tally()) for cls in Class}

    def set_systematic(
        self, facts: Sequence[Systematic], combinations: Iterable[tuple[str, Sequence[int | None]]]
    ) -> None:
        """Write the systematic differences, and which combinations of marks each takes part in.

        Args:
            facts: The differences; numbered from 1.
            combinations: Marks as findings have them, with the number of the difference for each mark, or None.
        """
        rows = [
            (number, one.kind, one.text, *one.tally, one.exceptions, json.dumps(one.examples), one.note)
            for number, one in enumerate(facts, 1)
        ]
        marked = [
            (
                marks,
                ";".join(str(number) for number in sorted({n for n in numbers if n is not None})),
                None not in numbers,
            )
            for marks, numbers in combinations
        ]
        with database_errors(self.path):
            self.connection.executemany("INSERT INTO systematic VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
            self.connection.executemany("INSERT INTO combinations VALUES (?, ?, ?)", marked)

    def systematic(self) -> list[Systematic]:
        """Return the systematic differences, in the order of their numbers."""
        with database_errors(self.path):
            rows = self.connection.execute(
                "SELECT kind, text, entries, files, bytes, exceptions, examples, note FROM systematic ORDER BY id"
            ).fetchall()
        return [
            Systematic(kind, text, Tally(*tally), exceptions, tuple(json.loads(examples)), note)
            for kind, text, *tally, exceptions, examples, note in rows
        ]

    def combinations(self) -> dict[str, str]:
        """Return for each combination of marks the numbers of the systematic differences in it, joined by ``;``."""
        with database_errors(self.path):
            return dict(self.connection.execute("SELECT marks, systematic FROM combinations"))

    def nothing_accepted(self) -> None:
        """Forget which findings exceptions cover."""
        with database_errors(self.path):
            self.connection.execute("PRAGMA query_only = OFF")
            self.connection.execute("DELETE FROM temp.accepted")
            self.connection.execute("PRAGMA query_only = ON")

    def stream(self, where: str = "1", parameters: tuple[object, ...] = (), limit: int = -1) -> Iterator[Finding]:
        """Stream findings in the contract's order.

        Args:
            where: An SQL condition over the table's columns, from this package's code only.
            parameters: Its values.
            limit: How many at most; -1 for all.
        """
        query = f"SELECT {', '.join(COLUMNS)} FROM findings WHERE {where} {_ORDER}"  # noqa: S608
        if limit >= 0:  # any LIMIT, also -1, makes SQLite sort in a tree, which takes four times as long for all
            query, parameters = f"{query} LIMIT ?", (*parameters, limit)
        with database_errors(self.path):
            for row in self.connection.execute(query, parameters):
                found = Finding(*row)
                yield found._replace(decision=bool(found.decision))

    def ordered(self, *columns: str, size: int = 1000) -> Iterator[list[tuple[Any, ...]]]:
        """Stream some columns of all findings in the contract's order, several rows at once: for very many of them.

        Args:
            columns: Of `COLUMNS`; the fewer, the less there is to sort. A path that is not there is the empty text,
                as it is in the order: so SQLite sorts each path once, not as a key and a value.
            size: How many rows at once, at most.
        """
        wanted = ", ".join(_SORTED.get(column, column) for column in columns)
        with database_errors(self.path):
            rows = self.connection.execute(f"SELECT {wanted} FROM findings {_ORDER}")  # noqa: S608
            while batch := rows.fetchmany(size):
                yield batch

    def tally(self, where: str = "1", parameters: tuple[object, ...] = ()) -> Tally:
        """Count findings; a finding of two sides counts once, with the old side's bytes.

        Args:
            where: As for `stream`.
            parameters: Its values.
        """
        query = f"SELECT {OF_EITHER_SIDE} FROM findings WHERE {where}"  # noqa: S608
        with database_errors(self.path):
            return Tally(*self.connection.execute(query, parameters).fetchone())

    def tallies(self, by: str, where: str = "1") -> dict[Any, Tally]:
        """Count findings as `tally` does, apart for each value of a column or an SQL expression."""
        query = f"SELECT {by}, {OF_EITHER_SIDE} FROM findings WHERE {where} GROUP BY 1"  # noqa: S608
        with database_errors(self.path):
            return {value: Tally(*tally) for value, *tally in self.connection.execute(query)}

    def any(self, where: str, parameters: tuple[object, ...] = ()) -> bool:
        """Tell whether there is a finding like this; arguments as for `stream`."""
        query = f"SELECT 1 FROM findings WHERE {where} LIMIT 1"  # noqa: S608
        with database_errors(self.path):
            return self.connection.execute(query, parameters).fetchone() is not None

    def counts(self, *columns: str, where: str = "1") -> list[tuple[str, ...]]:
        """Count findings by columns, heaviest counts first; the count comes last in each row."""
        names = ", ".join(columns)
        order = f"GROUP BY {names} ORDER BY count(*) DESC, {names}"
        query = f"SELECT {names}, count(*) FROM findings WHERE {where} {order}"  # noqa: S608
        with database_errors(self.path):
            return self.connection.execute(query).fetchall()
