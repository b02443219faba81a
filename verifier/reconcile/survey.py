"""What is found out about both manifests beside the join, in a thread with a connection of its own.

SQLite lets other threads run while it works, so counting both sides and looking for what the new side lacks takes no
time of its own where there is a second processor.
"""

from __future__ import annotations

import sqlite3
import threading
from queue import Queue
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self

from verifier.classes import Side
from verifier.manifest import database
from verifier.reconcile.findings import Tally, tally_sql

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_PAGE: Final = 1000
_PAGES: Final = 100
"""Pages of paths that wait at most: whoever takes them may be busy with the join."""
_COUNT: Final = f"""
SELECT {tally_sql()}, count(*) FILTER (WHERE kind = 'directory' AND state <> 'contentless') FROM {{side}}.entries
"""  # noqa: S608
_UNMET: Final = """
CREATE TEMP TABLE unmet AS SELECT path, kind, size, digest FROM old.entries AS o
WHERE NOT EXISTS (SELECT 1 FROM new.entries AS n WHERE n.path = o.path)
"""
_LOST: Final = """
CREATE TEMP TABLE lost AS SELECT digest AS content, size FROM unmet
WHERE kind = 'file' AND size > 0 AND digest IS NOT NULL
"""
_COPIES: Final = """
CREATE TEMP TABLE {table} AS SELECT digest AS content, count(*) AS number, min(path) AS path FROM {side}.entries
WHERE +size IN (SELECT size FROM lost_sizes) AND digest IN (SELECT content FROM {among}) AND kind = 'file'
GROUP BY digest
"""


class Count(NamedTuple):
    """What one side's manifest holds."""

    tally: Tally
    unlisted: int
    """Folders of which it cannot say what they hold."""


class Survivor(NamedTuple):
    """Content of a file that the new side does not have at its place, and has elsewhere."""

    content: bytes
    arrived: int
    """How many files of the new side have it,"""
    copies: int
    """and how many of the old."""
    path: str
    """The first of them on the new side."""


def survivors_of(connection: sqlite3.Connection) -> Iterator[list[Survivor]]:
    """Yield pages of those contents in the table ``lost`` (``content``, ``size``) that the new side has.

    Args:
        connection: With both manifests attached.
    """
    if connection.execute("SELECT 1 FROM lost LIMIT 1").fetchone() is None:
        return
    connection.execute("CREATE INDEX lost_by_content ON lost (content)")
    # A number is looked up in a third of the time that a digest takes, and most sizes are those of no lost file.
    connection.execute("CREATE TEMP TABLE lost_sizes (size INTEGER PRIMARY KEY)")
    connection.execute("INSERT OR IGNORE INTO lost_sizes SELECT size FROM lost")
    connection.execute(_COPIES.format(table="arrived", side="new", among="lost"))
    if connection.execute("SELECT 1 FROM arrived LIMIT 1").fetchone() is None:
        return
    connection.execute("CREATE INDEX arrived_by_content ON arrived (content)")
    connection.execute(_COPIES.format(table="copies", side="old", among="arrived"))
    connection.execute("CREATE INDEX copies_by_content ON copies (content)")
    rows = connection.execute(
        "SELECT a.content, a.number, c.number, a.path FROM arrived AS a JOIN copies AS c ON c.content = a.content"
    )
    while page := rows.fetchmany(_PAGE):
        yield [Survivor(*row) for row in page]


class Survey:
    """The survey of two manifests; a context manager.

    Args:
        old: The old side's manifest.
        new: The new side's.
        unmet: Whether to look for what the new side lacks; only without maps, when the path is the place.
    """

    def __init__(self, old: Path, new: Path, *, unmet: bool) -> None:
        self._connection = sqlite3.connect("file::memory:", uri=True, isolation_level=None, check_same_thread=False)
        self._pages: Queue[list[str] | BaseException | None] = Queue(_PAGES)
        self._survivors: Queue[list[Survivor] | BaseException | None] = Queue(_PAGES)
        self._counts: dict[Side, Count] = {}
        self._unmet = unmet
        self._counted = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._run, args=(old, new), name="survey", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended = True
        self._connection.interrupt()
        while self._thread.is_alive():
            for waiting in (self._pages, self._survivors):
                while not waiting.empty():
                    waiting.get_nowait()
            self._thread.join(0.01)
        self._connection.close()

    def counts(self) -> dict[Side, Count]:
        """Return what each side holds, as soon as it is counted.

        Raises:
            sqlite3.Error: If a manifest cannot be read.
        """
        self._counted.wait()
        if len(self._counts) < len(Side):
            list(self.unmet())
        return self._counts

    def unmet(self) -> Iterator[list[str]]:
        """Yield pages of the old side's paths that the new side does not have; once.

        Raises:
            sqlite3.Error: If a manifest cannot be read.
        """
        yield from _taken(self._pages)

    def survivors(self) -> Iterator[list[Survivor]]:
        """Yield pages of what became of the contents of these paths, after all of `unmet` was taken; once.

        Raises:
            sqlite3.Error: If a manifest cannot be read.
        """
        yield from _taken(self._survivors)

    def _run(self, old: Path, new: Path) -> None:
        try:
            for side, path in ((Side.OLD, old), (Side.NEW, new)):
                database.attach(self._connection, side.value, path)
            for side in Side:
                *tally, unlisted = self._connection.execute(_COUNT.format(side=side)).fetchone()
                self._counts[side] = Count(Tally(*tally), unlisted)
            self._counted.set()
            if self._unmet:
                self._find_unmet()
            self._pages.put(None)
            if self._unmet:
                self._find_survivors()
            self._survivors.put(None)
        except BaseException as error:
            for waiting in (self._pages, self._survivors):
                waiting.put(error)
        self._counted.set()

    def _find_unmet(self) -> None:
        self._connection.execute(_UNMET)
        rows = self._connection.execute("SELECT path FROM unmet")
        while not self._ended and (page := rows.fetchmany(_PAGE)):
            self._pages.put([path for (path,) in page])

    def _find_survivors(self) -> None:
        self._connection.execute(_LOST)
        for survivors in survivors_of(self._connection):
            if self._ended:
                return
            self._survivors.put(survivors)


def _taken(waiting: Queue[Any]) -> Iterator[Any]:
    """Take pages until there are no more."""
    while (page := waiting.get()) is not None:
        if isinstance(page, BaseException):
            raise page
        yield page
