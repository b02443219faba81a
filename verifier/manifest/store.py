"""Opening, writing and streaming a manifest.

Only the process that scans writes to a manifest; everything else opens it read-only. A manifest that is being written
is held exclusively, so a second scan into the same file is refused.
"""

from __future__ import annotations

import sqlite3
import stat
from typing import TYPE_CHECKING, Final, NamedTuple, Self

from verifier.errors import EvidenceUnwritable, ManifestDamaged, ManifestTooNew, NotAManifest, UsageProblem
from verifier.manifest import schema
from verifier.manifest.database import DatabaseFile, database_errors, named, open_read_only
from verifier.manifest.seal import fingerprint
from verifier.tree.entry import BY_RULE, Entry, State

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from verifier.tree.trouble import Problem

_MAGIC: Final = b"SQLite format 3\0"
_NEEDED: Final = {"facts", "entries", "problems"}

Row = tuple[object, ...]
ToRead = tuple[str, int, int, int]
"""A file that is still to be read: path, size, mtime_ns, ctime_ns. Plain, because it goes to another process."""
CONTENT_COLUMNS: Final = ("state", "error", "digest", "segments", "head", "xattrs", "read_at")
"""What reading a file finds out."""
FACT_COLUMNS: Final = ("size", "allocated", "mtime_ns", "ctime_ns", "mode", "uid", "gid", "nlink")
"""What may have changed between listing and reading."""


class Totals(NamedTuple):
    """What a manifest holds, counted."""

    entries: int
    files: int
    directories: int
    bytes: int
    """Of files, each name counted, so two hard links count twice."""
    proved_files: int
    proved_bytes: int
    unreadable: int
    """Entries that could not be read or listed."""
    unsettled: int
    unread: int
    """Files that were listed and not read."""
    not_entered: int
    """Folders whose content is not in the manifest, other than those that a rule keeps a scan out of."""


class Manifest(DatabaseFile):
    """An open manifest. Close it, or use it as a context manager; one thread at a time."""

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
            connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            # A power cut may cost the last commits, never the file: the journal is synced before pages change.
            connection.execute("PRAGMA synchronous = NORMAL")
            # 64 MiB of pages: rows are written nearly in order, and updated in order a little later.
            connection.execute("PRAGMA cache_size = -65536")
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

    def facts(self) -> dict[str, str]:
        """Return all facts."""
        with database_errors(self.path):
            return dict(self.connection.execute("SELECT key, value FROM facts ORDER BY key"))

    def add(self, entries: Sequence[Entry], problems: Sequence[Problem] = ()) -> None:
        """Write listed entries and problems; they last with the next `commit`."""
        with database_errors(self.path):
            # As plain tuples: of a subclass SQLite's module asks for every field by the slow way, 4 of 12 µs a row.
            self.connection.executemany(schema.INSERT_ENTRY, map(tuple, entries))
            self.connection.executemany("INSERT INTO problems VALUES (?, ?, ?, ?, ?)", map(tuple, problems))

    def record(self, as_listed: Sequence[Row], changed: Sequence[Row]) -> None:
        """Write what reading came to; it lasts with the next `commit`.

        Args:
            as_listed: `CONTENT_COLUMNS`, then the path.
            changed: `CONTENT_COLUMNS`, `FACT_COLUMNS`, then the path.
        """
        with database_errors(self.path):
            self.connection.executemany(_update(CONTENT_COLUMNS), as_listed)
            self.connection.executemany(_update(CONTENT_COLUMNS + FACT_COLUMNS), changed)

    def to_read(self, after: str, limit: int, *, links_once: bool) -> list[ToRead]:
        """Return the next files to read, in path order.

        Args:
            after: The last path of the batch before; the empty text at first.
            limit: How many at most.
            links_once: Of several names of one inode give only the first.
        """
        once = (
            "AND (nlink = 1 OR path = (SELECT min(path) FROM entries AS name WHERE name.device = entries.device"
            " AND name.inode = entries.inode AND name.nlink > 1))"
        )
        rows = self.connection.execute(
            "SELECT path, size, mtime_ns, ctime_ns FROM entries"  # noqa: S608
            f" WHERE path > ? AND kind = 'file' AND state = 'listed' {once if links_once else ''}"
            " ORDER BY path LIMIT ?",
            (after, limit),
        )
        return rows.fetchall()

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
        known = f"kind = 'file' AND state = '{State.PROVED}'"
        with database_errors(self.path):
            row = self.connection.execute(
                f"""
                SELECT count(*), coalesce(sum(kind = 'file'), 0), coalesce(sum(kind = 'directory'), 0),
                       coalesce(sum(CASE WHEN kind = 'file' THEN size END), 0),
                       coalesce(sum({known}), 0), coalesce(sum(CASE WHEN {known} THEN size END), 0),
                       coalesce(sum(state = 'unreadable'), 0), coalesce(sum(state = 'unsettled'), 0),
                       coalesce(sum(kind = 'file' AND state = 'listed'), 0),
                       coalesce(sum(kind = 'directory' AND state = 'listed' AND error NOT LIKE '{BY_RULE}%'), 0)
                FROM entries
                """  # noqa: S608
            ).fetchone()
        return Totals(*row)

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
            return fingerprint(self.connection, self.facts().get("algorithm", ""))

    def check(self) -> None:
        """Hold a finished manifest against itself: SQLite's own check, then the stored fingerprint.

        Raises:
            ManifestDamaged: If either does not hold.
        """
        with database_errors(self.path):
            said = self.connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        if said != "ok":
            raise ManifestDamaged(f"{named(self.path)} is damaged ({said})", "scan that side again")
        facts = self.facts()
        stored = facts.get("fingerprint", "")
        if facts.get("complete") == "1" and not stored:
            raise ManifestDamaged(
                f"{named(self.path)} says it is complete and has no fingerprint", "scan that side again"
            )
        if stored and stored != self.seal():
            raise ManifestDamaged(
                f"{named(self.path)} does not match its fingerprint: rows were changed after the scan",
                "scan that side again",
            )


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
