"""Opening, writing and streaming a manifest.

Only the process that scans writes to a manifest; everything else opens it read-only. A manifest that is being written
is held exclusively, so a second scan into the same file is refused.
"""

from __future__ import annotations

import sqlite3
import stat
from typing import TYPE_CHECKING, Final, NamedTuple, Self

from verifier.errors import (
    AccountUnbalanced,
    EvidenceUnwritable,
    ManifestDamaged,
    ManifestTooNew,
    NotAManifest,
    UsageProblem,
)
from verifier.manifest import schema
from verifier.manifest.database import DatabaseFile, address, attach, database_errors, named, open_read_only
from verifier.manifest.earlier import COUNTED, unchanged
from verifier.manifest.seal import HOLDS_NUL, Run, fingerprint, run_digest, runs
from verifier.manifest.totals import Totals, count
from verifier.tree.entry import Entry

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from verifier.classes import Side
    from verifier.tree.entry import FileRow
    from verifier.tree.trouble import Problem

_MAGIC: Final = b"SQLite format 3\0"
_NEEDED: Final = {"facts", "entries", "problems"}

ROWS_AT_ONCE: Final = 50
CARRYING: Final = ("proved", "carried")
"""States whose content is known from reading it, now or earlier."""
Row = tuple[object, ...]
ToRead = tuple[str, int, int, int]
"""A file that is still to be read: path, size, mtime_ns, ctime_ns. Plain, because it goes to another process."""
CONTENT_COLUMNS: Final = ("state", "error", "digest", "segments", "head", "xattrs", "read_at")
"""What reading a file finds out."""
FACT_COLUMNS: Final = ("size", "allocated", "mtime_ns", "ctime_ns", "mode", "uid", "gid", "nlink")
"""What may have changed between listing and reading."""


class ProblemKind(NamedTuple):
    """Errors of one kind, counted."""

    operation: str
    error: str
    """The errno's name, or words where there is none."""
    entries: int
    folder: str
    """Manifest text of the deepest folder that holds all of them; empty for the root."""
    attempts: int
    """The most that were made at one of them."""


class Manifest(DatabaseFile):
    """An open manifest. Close it, or use it as a context manager; one thread at a time."""

    _sampled: tuple[Side, str] | None = None
    """The side of the sample to which reading is limited."""

    @classmethod
    def create(cls, path: Path) -> Self:
        """Begin a manifest in a file that is not there yet.

        Raises:
            UsageProblem: If the file is there.
            EvidenceUnwritable: If it cannot be written.
        """
        if path.exists():
            raise UsageProblem(f"{named(path)} is there already", "choose another name, or move it away")
        with database_errors(path):
            try:
                path.touch(exist_ok=False)
            except OSError as error:
                raise EvidenceUnwritable(f"{named(path)} cannot be written ({error.strerror})") from error
            connection = _open_to_write(path)
            # Pages in memory: rows are written nearly in order, and updated in order a little later.
            connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
            schema.create(connection)
            # From here on the first write begins a transaction and `commit` ends it.
            connection.isolation_level = "DEFERRED"
        return cls(path, connection)

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open a manifest for reading.

        Raises:
            NotAManifest: If the file is not there, or is something else.
            ManifestTooNew: If a later version wrote it.
            ManifestDamaged: If its tables are not what they must be.
        """
        _check_header(path)
        journal = path.with_name(f"{path.name}-journal")
        if journal.exists() and journal.stat().st_size:
            raise EvidenceUnwritable(
                f"{named(path)} is held by another run, or was left by one that was ended",
                "wait for it, or scan that side again",
            )
        with database_errors(path):
            connection = open_read_only(path)
            _check_schema(path, connection)
        return cls(path, connection)

    @classmethod
    def recover(cls, path: Path) -> Self | None:
        """Open what a scan left that was ended, to read from it and to add to it; undoes what it had half written.

        Returns:
            The manifest; None where the scan had not come so far as to write anything.

        Raises:
            NotAManifest: If the file is something else.
            EvidenceUnwritable: If another run holds it.
            ManifestDamaged: If its tables are not what they must be.
        """
        with database_errors(path):
            if _is_sqlite_or_empty(path):
                connection = _open_to_write(path)
                # The first read undoes what was half written (SQLite file format, section 3: the rollback journal).
                version = connection.execute("PRAGMA user_version").fetchone()[0]
                tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
                ours = connection.execute("PRAGMA application_id").fetchone()[0] == schema.APPLICATION_ID
                if version == 0 and (ours or not tables):
                    connection.close()
                    return None
                if ours:
                    _check_schema(path, connection)
                    return cls(path, connection)
                connection.close()
        _check_header(path)
        raise NotAManifest(f"{named(path)} is not a manifest", "name another file")

    def take_over(self, later: Path) -> None:
        """Take what a later scan of the same tree had read, with one transaction; may be done again."""
        with database_errors(self.path):
            attach(self.connection, "later", later, read_only=False)
            self.connection.execute("BEGIN IMMEDIATE")
            # Only what was read: what was carried over can be carried over again, from where it came.
            self.connection.execute(
                "INSERT OR REPLACE INTO main.entries SELECT * FROM later.entries"
                " WHERE digest IS NOT NULL AND state = 'proved'"
            )
            self.connection.execute("COMMIT")
            self.connection.execute("DETACH DATABASE later")

    def let_read(self) -> None:
        """Let other connections read for a while, until the next write; everything written so far lasts."""
        with database_errors(self.path):
            self.connection.commit()
            self.connection.execute("PRAGMA locking_mode = NORMAL")
            self.connection.execute("SELECT 1 FROM facts").fetchone()

    def hold_again(self) -> None:
        """End `let_read`.

        Raises:
            EvidenceUnwritable: If another run took the file in the meantime.
        """
        with database_errors(self.path):
            self.connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            self.connection.execute("BEGIN EXCLUSIVE")
            self.connection.commit()

    def commit(self) -> None:
        """Make everything written so far last."""
        with database_errors(self.path):
            self.connection.commit()

    def set_facts(self, **facts: object) -> None:
        """Write facts, which last at once; None is stored as the empty text, booleans as 0 and 1."""
        rows = [(key, _fact_text(value)) for key, value in facts.items()]
        with database_errors(self.path):
            self.connection.executemany("INSERT OR REPLACE INTO facts (key, value) VALUES (?, ?)", rows)
            self.connection.commit()

    def add(self, entries: Sequence[Row], problems: Sequence[Problem] = ()) -> None:
        """Write listed entries and problems; they last with the next `commit`."""
        with database_errors(self.path):
            # As plain tuples: of a subclass SQLite's module asks for every field by the slow way, 4 of 12 µs a row.
            self.connection.executemany(schema.INSERT_ENTRY, map(tuple, entries))
            self.connection.executemany("INSERT INTO problems VALUES (?, ?, ?, ?, ?)", map(tuple, problems))

    def add_listed(self, files: Sequence[FileRow]) -> None:
        """Write plain files that were listed and not read; they last with the next `commit`."""
        with database_errors(self.path):
            self.connection.executemany(schema.INSERT_LISTED, files)

    def add_known(self, state: str, files: Sequence[Row]) -> None:
        """Write plain files whose content is known (`schema.KNOWN_COLUMNS`); they last with the next `commit`.

        Args:
            state: proved or carried.
            files: The rows.
        """
        assert state in CARRYING
        with database_errors(self.path):
            self.connection.executemany(schema.insert_files(state, schema.KNOWN_COLUMNS), files)

    def add_shared(self, state: str, common: Row, width: int, values: Sequence[object]) -> None:
        """Write plain files that have some facts in common; they last with the next `commit`.

        Args:
            state: listed, proved or carried.
            common: `schema.COMMON_COLUMNS`.
            width: How many of `verifier.tree.entry.OWN_COLUMNS` each file has: all, or of listed files the first ones.
            values: Those of all files, one after the other.
        """
        # Many rows a statement: a third less time than one by one.
        at_once = ROWS_AT_ONCE * width
        whole = len(values) - len(values) % at_once
        with database_errors(self.path):
            many = schema.insert_shared(state, common, width, ROWS_AT_ONCE)
            for begin in range(0, whole, at_once):
                self.connection.execute(many, values[begin : begin + at_once])
            if whole < len(values):
                single = schema.insert_shared(state, common, width, 1)
                rows = (values[begin : begin + width] for begin in range(whole, len(values), width))
                self.connection.executemany(single, rows)

    def attach(self, state: str, earlier: Path) -> None:
        """Make an earlier manifest ready for `add_unchanged`, until `detach`.

        Args:
            state: In which its files are taken over: proved or carried.
            earlier: The manifest; nothing is written to it.
        """
        with database_errors(earlier):
            attach(self.connection, state, earlier)
            self.connection.execute(f"PRAGMA {state}.locking_mode = NORMAL")

    def detach(self, state: str) -> None:
        """End what `attach` began; everything written so far lasts."""
        with database_errors(self.path):
            self.connection.commit()
            self.connection.execute(f"DETACH DATABASE {state}")

    def add_unchanged(self, state: str, between: tuple[str, str, str, int], device: int, files: int) -> None:
        """Take neighbouring plain files over from an earlier manifest; they last with the next `commit`.

        Args:
            state: proved or carried: from the manifest that was attached for it.
            between: First path, last path, and `verifier.manifest.earlier.Limits`.
            device: Of all of them, now.
            files: How many they are.

        Raises:
            ManifestDamaged: If the earlier manifest holds others than those that were seen in it.
        """
        with database_errors(self.path):
            found = self.connection.execute(_TAKE_UNCHANGED[state], (device, state, *between)).rowcount
        if found != files:
            raise ManifestDamaged(f"the earlier manifest of {named(self.path)} changed while it was used", "run again")

    def waiting(self, limit: int) -> list[str]:
        """Return folders that were met and are still to be entered, in path order."""
        with database_errors(self.path):
            rows = self.connection.execute(
                f"SELECT path FROM entries WHERE {schema.WAITING} ORDER BY path LIMIT ?",  # noqa: S608
                (limit,),
            )
            return [path for (path,) in rows]

    def record(self, as_listed: Sequence[Row], changed: Sequence[Row]) -> None:
        """Write what reading came to; it lasts with the next `commit`.

        Args:
            as_listed: `CONTENT_COLUMNS`, then the path.
            changed: `CONTENT_COLUMNS`, `FACT_COLUMNS`, then the path.

        Raises:
            AccountUnbalanced: If one of them was never listed.
        """
        with database_errors(self.path):
            for columns, rows in ((CONTENT_COLUMNS, as_listed), (CONTENT_COLUMNS + FACT_COLUMNS, changed)):
                found = self.connection.executemany(_update(columns), rows).rowcount if rows else 0
                if found != len(rows):
                    raise AccountUnbalanced(
                        f"internal error: {len(rows)} files were read, of which {named(self.path)} lists {found}",
                        "please report this defect",
                    )

    def limit_reading(self, sample: Path, side: Side, below: str = "") -> None:
        """Let `to_read` and `left_to_read` give the files of a sample only, until `lift_limit`.

        Args:
            sample: The sample.
            side: Of which this manifest is.
            below: The folder of that side as which the sample knows this manifest's root; empty for the side's own.
        """
        with database_errors(sample):
            attach(self.connection, "sample", sample)
            self.connection.execute("PRAGMA sample.locking_mode = NORMAL")
        self._sampled = (side, below)

    def lift_limit(self) -> None:
        """End what `limit_reading` began; everything written so far lasts."""
        self._sampled = None
        self.detach("sample")

    def to_read(self, after: str, limit: int, *, links_once: bool) -> list[ToRead]:
        """Return the next files to read, in path order.

        Args:
            after: The last path of the batch before; the empty text at first.
            limit: How many at most.
            links_once: Of several names of one inode give only the first; not within a sample, where that may be
                another's.
        """
        among, column = _among(self._sampled)
        rows = self.connection.execute(
            f"SELECT path, size, mtime_ns, ctime_ns FROM {among} WHERE {column} > ? AND {_unread(links_once)}"  # noqa: S608
            f" ORDER BY {column} LIMIT ?",
            (after, limit),
        )
        return rows.fetchall()

    def one_read(self) -> ToRead | None:
        """Return a file that could be read, if there is one."""
        query = (
            "SELECT path, size, mtime_ns, ctime_ns FROM entries WHERE kind = 'file' AND state = 'proved' AND size > 0"
        )
        with database_errors(self.path):
            found: ToRead | None = self.connection.execute(f"{query} LIMIT 1").fetchone()
        return found

    def left_to_read(self, *, links_once: bool) -> tuple[int, int]:
        """Return how many files, with how many bytes, `to_read` still has to give."""
        among, _ = _among(self._sampled)
        query = f"SELECT count(*), coalesce(sum(size), 0) FROM {among} WHERE {_unread(links_once)}"  # noqa: S608
        with database_errors(self.path):
            files, size = self.connection.execute(query).fetchone()
        return files, size

    def to_reread(self, after: tuple[str, str], before: str, limit: int) -> list[tuple[str, *ToRead]]:
        """Return the next files whose content is carried over, the longest unread first.

        Args:
            after: When the last file of the batch before was read, and its path; empty texts at first.
            before: Only files that were read before this time, ISO 8601, UTC.
            limit: How many at most.

        Returns:
            For each when it was read, and then as `to_read`.
        """
        rows = self.connection.execute(
            "SELECT read_at, path, size, mtime_ns, ctime_ns FROM entries INDEXED BY entries_carried"
            " WHERE kind = 'file' AND state = 'carried' AND (read_at, path) > (?, ?) AND read_at < ?"
            " ORDER BY read_at, path LIMIT ?",
            (*after, before, limit),
        )
        return rows.fetchall()

    def distrust(self, paths: Sequence[str]) -> tuple[int, int]:
        """Have files read although they were carried over; return how many, and their bytes."""
        files = size = 0
        with database_errors(self.path):
            for path in paths:
                row = self.connection.execute(
                    "UPDATE entries SET state = 'listed', digest = NULL, segments = NULL, head = NULL, read_at = NULL"
                    " WHERE path = ? AND kind = 'file' AND state = 'carried' RETURNING size",
                    (path,),
                ).fetchone()
                if row is not None:
                    files, size = files + 1, size + row[0]
        return files, size

    def order_carried(self) -> None:
        """Prepare for `to_reread`."""
        with database_errors(self.path):
            self.connection.execute(
                "CREATE INDEX IF NOT EXISTS entries_carried ON entries (read_at, path)"
                " WHERE kind = 'file' AND state = 'carried'"
            )

    def forget_order(self) -> None:
        """Undo `order_carried`: a finished manifest has no use for it."""
        with database_errors(self.path):
            self.connection.execute("DROP INDEX entries_carried")

    def carried_before(self, before: str) -> tuple[int, int]:
        """Return how many files, with how many bytes, are carried over and were read before a time."""
        query = (
            "SELECT count(*), coalesce(sum(size), 0) FROM entries"
            " WHERE kind = 'file' AND state = 'carried' AND read_at < ?"
        )
        with database_errors(self.path):
            files, size = self.connection.execute(query, (before,)).fetchone()
        return files, size

    def digests(self, paths: Sequence[str]) -> dict[str, bytes | None]:
        """Return the digests that entries have now."""
        found: dict[str, bytes | None] = {}
        with database_errors(self.path):
            for path in paths:
                row = self.connection.execute("SELECT digest FROM entries WHERE path = ?", (path,)).fetchone()
                found[path] = None if row is None else row[0]
        return found

    def share_readings_of_links(self) -> None:
        """Give every further name of an inode what was read under its first name.

        Only where size and times of both names agree: the listing saw them as one file at one moment.
        """
        update = (
            "UPDATE entries SET "  # noqa: S608
            + ", ".join(f"{column} = first.{column}" for column in CONTENT_COLUMNS)
            + """
            FROM entries AS first
            WHERE entries.nlink > 1 AND entries.state = 'listed' AND entries.kind = 'file'
              AND first.path = (SELECT min(path) FROM entries AS name WHERE name.device = entries.device
                                AND name.inode = entries.inode AND name.nlink > 1)
              AND first.path <> entries.path AND first.state <> 'listed'
              AND first.size = entries.size AND first.mtime_ns = entries.mtime_ns
              AND first.ctime_ns = entries.ctime_ns
            """
        )
        with database_errors(self.path):
            self.connection.execute(update)
            self.connection.commit()

    def totals(self) -> Totals:
        """Count what the manifest holds."""
        with database_errors(self.path):
            return count(self.connection)

    def problem_kinds(self) -> list[ProblemKind]:
        """Count the errors that were met, by what was being done and what the error was, most frequent first."""
        with database_errors(self.path):
            rows = self.connection.execute(
                """
                SELECT operation,
                       CASE WHEN instr(error, ':') THEN substr(error, 1, instr(error, ':') - 1) ELSE error END AS kind,
                       count(DISTINCT path), min(path), max(path), max(coalesce(attempts, 1))
                FROM problems GROUP BY operation, kind ORDER BY count(DISTINCT path) DESC, operation, kind
                """
            ).fetchall()
        # What the first and the last path in order have in common all between them have in common.
        return [
            ProblemKind(operation, error, entries, _common_folder(first, last), attempts)
            for operation, error, entries, first, last, attempts in rows
        ]

    def entries(self) -> Iterator[Entry]:
        """Stream all entries in path order."""
        with database_errors(self.path):
            for row in self.connection.execute(f"{schema.SELECT_ENTRIES} ORDER BY path"):
                yield Entry(*row)

    def entry(self, path: str) -> Entry | None:
        """Return one entry by its path's manifest text."""
        with database_errors(self.path):
            row = self.connection.execute(f"{schema.SELECT_ENTRIES} WHERE path = ?", (path,)).fetchone()
        return None if row is None else Entry(*row)

    def seal(self) -> str:
        """Return the fingerprint over the rows as they are now."""
        with database_errors(self.path):
            digests = (run_digest(self.connection, run) for run in runs(self.connection))
            return fingerprint(self.facts().get("algorithm", ""), digests)

    def runs(self) -> list[Run]:
        """Return the runs of entries that are sealed and counted each by itself (`verifier.manifest.seal`)."""
        with database_errors(self.path):
            return list(runs(self.connection))

    def check(self, *, structure: bool = True) -> None:
        """Hold a finished manifest against itself: SQLite's own check, then the stored fingerprint.

        Args:
            structure: Check the file's structure, too. Without, a damaged file may hide rows, but shows no wrong ones.

        Raises:
            ManifestDamaged: If either does not hold.
        """
        said, cut = "ok", None
        with database_errors(self.path):
            if structure:
                said = self.connection.execute("PRAGMA quick_check(1)").fetchone()[0]
                cut = self.connection.execute(HOLDS_NUL).fetchone()
        if said != "ok":
            raise ManifestDamaged(f"{named(self.path)} is damaged ({said})", "scan that side again")
        if cut is not None:
            raise ManifestDamaged(f"{named(self.path)} holds a text with a NUL in it", "scan that side again")
        facts = self.facts()
        stored = facts.get("fingerprint", "")
        if facts.get("complete") == "1" and facts.get("listing_only") != "1" and not stored:
            raise ManifestDamaged(
                f"{named(self.path)} says it is complete and has no fingerprint", "scan that side again"
            )
        if stored and stored != self.seal():
            raise ManifestDamaged(
                f"{named(self.path)} does not match its fingerprint: rows were changed after the scan",
                "scan that side again",
            )


def _common_folder(first: str, last: str) -> str:
    ours, theirs = first.split("/")[:-1], last.split("/")[:-1]
    shared = 0
    while shared < min(len(ours), len(theirs)) and ours[shared] == theirs[shared]:
        shared += 1
    return "/".join(ours[:shared])


def _take_unchanged(state: str) -> str:
    own = {"device": "?", "state": "?"}
    columns = ", ".join(own.get(column, column) for column in Entry._fields)
    return (
        f"INSERT OR REPLACE INTO main.entries ({', '.join(Entry._fields)}) SELECT {columns} FROM {state}.entries"  # noqa: S608
        f" WHERE {unchanged(state)} ORDER BY path"
    )


_TAKE_UNCHANGED: Final = {state: _take_unchanged(state) for state in COUNTED}
KEPT_STATEMENTS: Final = 16
CACHE_KIB: Final = 16 * 1024


def _open_to_write(path: Path) -> sqlite3.Connection:
    # A statement for many rows takes 100 kB, and another one comes every second: few are worth keeping.
    connection = sqlite3.connect(
        address(path),
        uri=True,
        timeout=0.2,
        isolation_level=None,
        check_same_thread=False,
        cached_statements=KEPT_STATEMENTS,
    )
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA locking_mode = EXCLUSIVE")
    # A power cut may cost the last commits, never the file: the journal is synced before pages change.
    connection.execute("PRAGMA synchronous = NORMAL")
    return connection


def _is_sqlite_or_empty(path: Path) -> bool:
    """Tell whether a file may be opened to write: one that is something else stays as it is."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return False
        with path.open("rb") as file:
            return file.read(len(_MAGIC)) in (b"", _MAGIC)
    except OSError:
        return False


def _among(sampled: tuple[Side, str] | None) -> tuple[str, str]:
    """Return what to look through for files that are still to be read, and the column by which it is in path order."""
    if sampled is None:
        return "entries", "path"
    side, below = sampled
    column = drawn = f"d.{side}_path"
    if below:
        folder = below.replace("'", "''")
        column = f"substr({drawn}, {len(below) + 2})"
        drawn = f"{column} AND {drawn} > '{folder}/' AND {drawn} < '{folder}0'"
    return f"sample.drawn AS d CROSS JOIN entries ON path = {drawn}", column


def _unread(links_once: bool) -> str:
    """Return the condition under which a file is still to be read."""
    once = (
        " AND (nlink = 1 OR path = (SELECT min(path) FROM entries AS name WHERE name.device = entries.device"
        " AND name.inode = entries.inode AND name.nlink > 1))"
    )
    return f"kind = 'file' AND state = 'listed'{once if links_once else ''}"


def _update(columns: tuple[str, ...]) -> str:
    return f"UPDATE entries SET {' = ?, '.join(columns)} = ? WHERE path = ?"  # noqa: S608


def _fact_text(value: object) -> str:
    if isinstance(value, bool):
        return str(int(value))
    return "" if value is None else str(value)


def _check_header(path: Path) -> None:
    try:
        # Opening a FIFO waits for a writer; only a file can be a manifest.
        if not stat.S_ISREG(path.stat().st_mode):
            raise NotAManifest(f"{named(path)} cannot be read as a manifest: it is not a file", "name a manifest")
        with path.open("rb") as file:
            header = file.read(100)
    except FileNotFoundError as error:
        raise NotAManifest(f"{named(path)} is not there", "name a manifest or a folder") from error
    except OSError as error:
        raise NotAManifest(f"{named(path)} cannot be read ({error.strerror})", "name a manifest") from error
    if not header.startswith(_MAGIC) or int.from_bytes(header[68:72]) != schema.APPLICATION_ID:
        raise NotAManifest(f"{named(path)} is not a manifest", "name a file that `verifier scan` wrote, or a folder")


def _check_schema(path: Path, connection: sqlite3.Connection) -> None:
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > schema.VERSION:
        raise ManifestTooNew(
            f"{named(path)} has format version {version}, this program reads up to {schema.VERSION}",
            "use a later version of verifier",
        )
    # A view in a table's place could show anything; only real tables of these names are read.
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    columns = [row[1] for row in connection.execute("PRAGMA table_info(entries)")]
    if version < 1 or not tables >= _NEEDED or columns != list(Entry._fields):
        raise ManifestDamaged(f"{named(path)} lacks tables or columns of a manifest", "scan that side again")
