"""Opening a ledger's file: is it one, is it whole, and what does SQLite say about it in one line."""

from __future__ import annotations

import sqlite3
from contextlib import closing, contextmanager, suppress
from typing import TYPE_CHECKING, Final

from verifier.errors import EvidenceUnwritable, LedgerDamaged, ManifestDamaged, ManifestTooNew, NotAManifest
from verifier.ledger.places import LEDGER_FILE
from verifier.ledger.schema import APPLICATION_ID, OBJECTS, VERSION, first_tables
from verifier.manifest.database import address, database_errors, make_tables, named, open_read_only

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BUSY_S: Final = 5.0
"""How long another program is waited for."""
LARGEST_VALUE: Final = 16_000_000
"""Bytes: no entry that is larger is read."""
_NAME_ONE: Final = f"name a job's evidence folder, with {LEDGER_FILE} in it"
_FROM_A_COPY: Final = "take it from a copy"


def open_to_read(path: Path) -> sqlite3.Connection:
    """Open a ledger so that nothing is written, after what a run that was killed had half written is undone.

    Raises:
        NotAManifest: If it is not there or is something else.
        ManifestTooNew: If a later version wrote it.
        LedgerDamaged: If the file is not what was written.
        EvidenceUnwritable: If another program holds it, or it has to be put right and may not be written.
    """
    if not path.is_file():  # opening a FIFO waits for a writer
        raise NotAManifest(f"{named(path)} is not there, or is no file", _NAME_ONE)
    with ledger_errors(path):
        connection = open_read_only(path)
        try:
            _prepare(connection)
            try:
                _application_id(connection)
            except sqlite3.OperationalError as error:
                if error.sqlite_errorname != "SQLITE_READONLY_ROLLBACK":
                    raise
                _put_right(path)
            _check(path, connection)
        except BaseException:
            connection.close()
            raise
    return connection


def open_to_write(path: Path) -> sqlite3.Connection:
    """Open a ledger to add to it, or begin one where there is none; raises what `open_to_read` does."""
    if path.exists() and not path.is_file():
        raise NotAManifest(f"{named(path)} is no file", "move it away")
    with ledger_errors(path):
        connection = sqlite3.connect(address(path), uri=True, isolation_level=None, check_same_thread=False)
        try:
            connection.execute("PRAGMA trusted_schema = OFF")
            _prepare(connection)
            # EXTRA is FULL, and before an entry counts as written the folder is on the disk, too: by then its digest
            # may be in a mail, and an entry that a power cut took would look like one that somebody removed.
            connection.execute("PRAGMA synchronous = EXTRA")
            with transaction(connection):
                if _is_empty(connection):
                    make_tables(connection, "verifier.ledger", APPLICATION_ID, VERSION, first_tables)
                _check(path, connection)
            connection.execute("PRAGMA journal_mode = DELETE")  # if somebody set another
        except BaseException:
            connection.close()
            raise
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Write all that is written in a block, or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):  # it may have ended with the error
            connection.execute("ROLLBACK")
        raise


@contextmanager
def ledger_errors(path: Path) -> Iterator[None]:
    """Turn what SQLite says about a ledger into one line with the right exit code.

    Raises:
        EvidenceUnwritable: No space, no permission, or another program holds the file.
        NotAManifest: The file is something else.
        LedgerDamaged: The file is not what was written.
    """
    try:
        with database_errors(path, _FROM_A_COPY):
            try:
                yield
            except sqlite3.Error as error:
                code = getattr(error, "sqlite_errorcode", 0) & 0xFF
                if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                    to_do = "close what has it open, then run again"
                    raise EvidenceUnwritable(f"{named(path)} is held by another program", to_do) from error
                if code == sqlite3.SQLITE_NOTADB:
                    raise NotAManifest(f"{named(path)} is no ledger", _NAME_ONE) from error
                raise
    except ManifestDamaged as error:
        raise LedgerDamaged(error.what, error.hint) from error


def _prepare(connection: sqlite3.Connection) -> None:
    connection.execute(f"PRAGMA busy_timeout = {round(BUSY_S * 1000)}")
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_VALUE)


def _application_id(connection: sqlite3.Connection) -> int:
    found: int = connection.execute("PRAGMA application_id").fetchone()[0]
    return found


def _is_empty(connection: sqlite3.Connection) -> bool:
    """Tell whether nothing was ever written, as where who began it was killed."""
    objects = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    return not objects and _application_id(connection) == 0


def _check(path: Path, connection: sqlite3.Connection) -> None:
    """Hold the file as a whole against what is written; its entries are held against it when they are read."""
    if _application_id(connection) != APPLICATION_ID:
        raise NotAManifest(f"{named(path)} is no ledger", _NAME_ONE)
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > VERSION:
        raise ManifestTooNew(
            f"{named(path)} has format version {version}, this program reads up to {VERSION}",
            "use a later version of verifier",
        )
    # Word for word, because a view in the table's place could show anything. sqlite-utils keeps its own account of
    # migrations.
    objects = dict(connection.execute("SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL"))
    if {name: text for name, text in objects.items() if "_sqlite_migrations" not in name} != OBJECTS:
        raise LedgerDamaged(f"{named(path)} lacks the table of a ledger", _FROM_A_COPY)
    said = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if said != "ok":
        raise LedgerDamaged(f"{named(path)} is damaged ({said})", _FROM_A_COPY)


def _put_right(path: Path) -> None:
    """Have SQLite undo what a program that was killed had half written, which only who may write can."""
    with closing(sqlite3.connect(address(path), uri=True, isolation_level=None, timeout=BUSY_S)) as connection:
        connection.execute("PRAGMA trusted_schema = OFF")
        try:
            connection.execute("SELECT count(*) FROM sqlite_schema")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN):
                raise
            raise EvidenceUnwritable(
                f"{named(path)} was left half written by a run that was killed, and has to be put right",
                "run this once as a user who may write there",
            ) from error
