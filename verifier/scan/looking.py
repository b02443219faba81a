"""A process that looks at pairs of files: threads that look, and one that listens to who started it.

A process of its own, because a read from a share that does not answer hangs inside the system, where nothing can end
it; then this one is left behind.
"""

from __future__ import annotations

import os
import threading
import traceback
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from verifier.scan.looker import Looker, Roots
from verifier.scan.pace import Meter, RateLimit
from verifier.scan.process import as_cells, settle_in
from verifier.tree.content import Stopped
from verifier.tree.sight import Request, Sight

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from pathlib import Path

    from verifier.scan.pace import SharedNumber

IDLE: Final = 0
"""What a thread's place says while it has nothing to do; else the number of its pair, and 1."""

Asked = tuple[int, Request]
"""To the process: a pair's number, and the pair."""
Answer = tuple[int, Sight] | str
"""From the process: a pair's number, and what was seen; or a defect of this program, as text."""


@dataclass(frozen=True, slots=True)
class LookSetup:
    """What a process that looks is told when it starts."""

    roots: dict[str, Path]
    """Folders by label."""
    threads: int
    """How many pairs are looked at at the same time."""
    cells: Any
    """Shared memory of the threads' meters (`multiprocessing.RawArray` of 64-bit numbers)."""
    places: Any
    """The same for which pair each thread is at."""
    rate: tuple[int, SharedNumber] | None
    """Limit in bytes a second, and what all share to keep it."""
    idle: bool
    """Read at the lowest priority of processor and disk."""


def serve_looks(connection: Connection, setup: LookSetup) -> None:
    """Be a process that looks, until the other end closes the connection."""
    settle_in(idle=setup.idle)
    _Looking(connection, setup).listen()
    # Not by the usual way: a thread that hangs in a read would keep the process.
    os._exit(0)


class _Looking:
    """Takes pairs from a connection, and has threads look at them."""

    def __init__(self, connection: Connection, setup: LookSetup) -> None:
        self._connection = connection
        self._sending = threading.Lock()
        self._news = threading.Condition()
        self._waiting: deque[Asked] = deque()
        self._places = as_cells(setup.places)
        roots, turn = Roots(setup.roots), threading.Lock()
        for slot in range(setup.threads):
            limit = None if setup.rate is None else RateLimit(*setup.rate)
            looker = Looker(roots, Meter(as_cells(setup.cells), slot, limit), turn)
            threading.Thread(target=self._work, args=(slot, looker), name=f"looker-{slot}", daemon=True).start()

    def listen(self) -> None:
        """Take pairs until the connection ends."""
        while True:
            try:
                asked: list[Asked] = self._connection.recv()
            except (EOFError, OSError):
                return
            with self._news:
                self._waiting += asked
                self._news.notify_all()

    def _work(self, slot: int, looker: Looker) -> None:
        while True:
            with self._news:
                while not self._waiting:
                    self._places[slot] = IDLE
                    self._news.wait()
                number, request = self._waiting.popleft()
            self._places[slot] = number + 1
            try:
                answer: Answer = (number, looker.look(request))
            except Stopped:
                return
            except BaseException:
                answer = traceback.format_exc()
            with self._sending:
                try:
                    self._connection.send(answer)
                except OSError:
                    return  # the other end is gone, and this process ends with it
