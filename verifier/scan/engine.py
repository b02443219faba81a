"""The executor that reads: one small interface, so that other machines can stand behind it.

Small trees are read in this process, where starting others would cost more than it saves. Larger ones go to a pool of
processes, because hashing small files is bound by the interpreter lock.
"""

from __future__ import annotations

import functools
import multiprocessing
import os
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing import forkserver
from typing import TYPE_CHECKING, Any, Final, Protocol

from verifier.errors import Interrupted
from verifier.scan.reader import (
    Meter,
    ReadOutcome,
    ReadTask,
    packed,
    read_batch,
    read_in_worker,
    start_worker,
    unpacked,
)

if TYPE_CHECKING:
    from collections.abc import Callable, MutableSequence
    from multiprocessing.context import BaseContext

INLINE_FILES: Final = 400
INLINE_BYTES: Final = 64 * 1024 * 1024


class Engine(Protocol):
    """Takes batches, gives futures."""

    readers: int
    """How many batches are read at the same time."""
    meter: Meter

    def submit(self, task: ReadTask) -> Future[Any]:
        """Begin to read a batch."""

    def outcome(self, done: Future[Any]) -> ReadOutcome:
        """Return what a batch came to, once its future is done; raises what the future holds."""

    def close(self) -> None:
        """Wait for what runs and let the readers go."""


def automatic_readers() -> int:
    """Return how many readers a side gets where the user names no number: one a core, between 2 and 8."""
    return max(2, min(8, os.cpu_count() or 2))


def _context() -> BaseContext:
    # A forked child of a threaded process may inherit a held lock, so children come from a clean server process.
    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    if "forkserver" in methods:
        context.set_forkserver_preload(["verifier.scan.reader"])
    return context


def warm_up() -> None:
    """Begin to start the server that reader processes come from, so that it is ready when the listing ends."""
    if _context().get_start_method() == "forkserver":
        # A process that was forked from one with a server cannot ask for its own; it starts one when it needs it.
        with suppress(OSError):
            forkserver.ensure_running()


def open_engine(files: int, size_bytes: int, readers: int, stop_wanted: Callable[[], bool] = lambda: False) -> Engine:
    """Choose an engine for so many files with so many bytes.

    Args:
        files: To be read in all.
        size_bytes: Their size in all.
        readers: How many batches may be read at the same time.
        stop_wanted: Asked while this thread itself reads, when nobody else could stop it.
    """
    if files <= INLINE_FILES and size_bytes <= INLINE_BYTES:
        return InlineEngine(stop_wanted)
    return PoolEngine(readers)


class InlineEngine:
    """Reads in the thread that submits."""

    def __init__(self, stop_wanted: Callable[[], bool] = lambda: False) -> None:
        self.readers = 1
        self.meter = Meter([0, 0], 1, stop_wanted)

    def submit(self, task: ReadTask) -> Future[Any]:
        """Read the batch now and return a future that is done."""
        future: Future[ReadOutcome] = Future()
        future.set_result(read_batch(task, self.meter))
        return future

    def outcome(self, done: Future[Any]) -> ReadOutcome:
        """Return the batch's outcome."""
        result: ReadOutcome = done.result()
        return result

    def close(self) -> None:
        """Do nothing: nothing runs."""


class PoolEngine:
    """Reads in a pool of processes."""

    def __init__(self, readers: int) -> None:
        context = _context()
        cells: MutableSequence[int] = context.RawArray("Q", readers + 1)
        self.readers = readers
        self.meter = Meter(cells, 0)
        self._pool: Executor = ProcessPoolExecutor(
            readers,
            mp_context=context,
            initializer=functools.partial(start_worker, cells, context.Value("i", 0)),
        )

    def submit(self, task: ReadTask) -> Future[Any]:
        """Give the batch to the next free reader.

        Raises:
            Interrupted: If a reader process died and took the pool with it.
        """
        try:
            return self._pool.submit(read_in_worker, packed(task))
        except BrokenProcessPool as error:
            raise reader_died() from error

    def outcome(self, done: Future[Any]) -> ReadOutcome:
        """Return the batch's outcome, unpacked here."""
        return unpacked(done.result())

    def close(self) -> None:
        """Wait for what runs, drop what waits, end the processes."""
        self._pool.shutdown(wait=True, cancel_futures=True)


def reader_died() -> Interrupted:
    """Return the error for a reader process that was ended from outside."""
    return Interrupted("a reader process was ended from outside (out of memory?)", "run again, with fewer --readers")
