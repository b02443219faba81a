"""What every SQLite file of this tool has in common: opening it safely, and its errors in one line."""

from __future__ import annotations

import os
import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

from verifier.errors import EvidenceUnwritable, ManifestDamaged
from verifier.tree.names import shown, to_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from sqlite_utils import Database


def named(path: Path) -> str:
    """Return a local path as it may be shown in a message."""
    return shown(to_text(os.fsencode(path)))


@contextmanager
def database_errors(path: Path, to_do: str = "scan that side again") -> Iterator[None]:
    """Turn what SQLite says about a file into one line with the right exit code.

    Args:
        path: The file.
        to_do: What to do about a damaged one.

    Raises:
        EvidenceUnwritable: No space, no permission, or another process holds the file.
        ManifestDamaged: The file is not what was written.
    """
    try:
        yield
    except sqlite3.OperationalError as error:
        text = str(error)
        if "locked" in text:
            raise EvidenceUnwritable(f"{named(path)} is held by another run", "wait for it to end") from error
        if "full" in text or "disk I/O" in text:
            hint = "free some space there, or put the evidence elsewhere"
            raise EvidenceUnwritable(f"{named(path)} cannot be written ({text})", hint) from error
        if "readonly" in text or "unable to open" in text:
            raise EvidenceUnwritable(f"{named(path)} cannot be opened ({text})", "check its permissions") from error
        raise ManifestDamaged(f"{named(path)} is damaged ({text})", to_do) from error
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        raise ManifestDamaged(f"{named(path)} is damaged ({error})", to_do) from error


def address(path: Path, *, read_only: bool = False) -> str:
    """Return a file's address for a connection that takes addresses (sqlite.org/uri.html).

    Such a connection takes a plain name that begins with ``file:`` for an address, so none is ever given to it.
    """
    return f"{path.absolute().as_uri()}?mode=ro" if read_only else path.absolute().as_uri()


def attach(connection: sqlite3.Connection, name: str, path: Path, *, read_only: bool = True) -> None:
    """Attach a file as a schema of this name, to a connection that takes addresses."""
    connection.execute(f"ATTACH DATABASE ? AS {name}", (address(path, read_only=read_only),))


def open_read_only(path: Path) -> sqlite3.Connection:
    """Open a file that may come from anybody: nothing is written, and nothing in its schema is run."""
    uri = address(path, read_only=True)
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA query_only = ON")
    return connection


def make_tables(
    connection: sqlite3.Connection, name: str, mark: int, version: int, first_tables: Callable[[Database], None]
) -> None:
    """Bring a new or older file to the current version.

    Args:
        connection: To the file.
        name: Of its migrations.
        mark: What tells files of this kind (PRAGMA application_id).
        version: The current one.
        first_tables: The first migration.
    """
    from sqlite_utils import Database  # noqa: PLC0415  costs 150 ms that who only reads should not pay
    from sqlite_utils.migrations import Migrations  # noqa: PLC0415

    migrations = Migrations(name)
    migrations()(first_tables)
    connection.execute(f"PRAGMA application_id = {mark}")
    migrations.apply(Database(connection, execute_plugins=False))
    connection.execute(f"PRAGMA user_version = {version}")


class DatabaseFile:
    """An open file. Close it, or use it as a context manager; one thread at a time."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self.connection = connection

    def facts(self) -> dict[str, str]:
        """Return all facts."""
        with database_errors(self.path):
            return dict(self.connection.execute("SELECT key, value FROM facts ORDER BY key"))

    def close(self) -> None:
        """Give the file back; what was not committed is lost."""
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
