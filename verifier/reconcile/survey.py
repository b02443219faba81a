"""What is found out about both manifests beside the join, in a thread with a connection of its own.

SQLite lets other threads run while it works, so counting both sides and looking for what the new side lacks takes no
time of its own where there is a second processor.
"""

from __future__ import annotations

import sqlite3
import threading
from queue import Queue
from typing import TYPE_CHECKING, Final, NamedTuple, Self

from verifier.classes import Side
from verifier.manifest import database
from verifier.reconcile.findings import Tally

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_PAGE: Final = 1000
_PAGES: Final = 100
"""Pages of paths that wait at most: whoever takes them may be busy with the join."""
_COUNT: Final = """
SELECT count(*), count(*) FILTER (WHERE kind = 'file'), coalesce(sum(size) FILTER (WHERE kind = 'file'), 0),
       count(*) FILTER (WHERE kind = 'directory' AND state <> 'contentless')
FROM {side}.entries
"""
_UNMET: Final = (
    "SELECT path FROM old.entries AS o WHERE NOT EXISTS (SELECT 1 FROM new.entries AS n WHERE n.path = o.path)"
)


class Count(NamedTuple):
    """What one side's manifest holds."""

    tally: Tally
    unlisted: int
    """Folders of which it cannot say what they hold."""


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
            while not self._pages.empty():
                self._pages.get_nowait()
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
        while (page := self._pages.get()) is not None:
            if isinstance(page, BaseException):
                raise page
            yield page

    def _run(self, old: Path, new: Path) -> None:
        try:
            for side, path in ((Side.OLD, old), (Side.NEW, new)):
                database.attach(self._connection, side.value, path)
            for side in Side:
                *tally, unlisted = self._connection.execute(_COUNT.format(side=side)).fetchone()
                self._counts[side] = Count(Tally(*tally), unlisted)
            self._counted.set()
            rows = self._connection.execute(_UNMET if self._unmet else "SELECT 1 WHERE 0")
            while not self._ended and (page := rows.fetchmany(_PAGE)):
                self._pages.put([path for (path,) in page])
        except BaseException as error:
            self._pages.put(error)
        else:
            self._pages.put(None)
        self._counted.set()
