"""A reader process: threads that read, and one that listens to the scan that started them.

Processes, because hashing small files is bound by the interpreter lock; threads in each, because a share at the other
end of a network is bound by waiting. The listener always answers, also while every thread hangs in a read.
"""

from __future__ import annotations

import gc
import marshal
import multiprocessing
import os
import pickle
import signal
import sys
import threading
import traceback
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from verifier.errors import VerifierError
from verifier.scan.pace import Meter, RateLimit
from verifier.scan.reader import Reader, ReaderSetup
from verifier.scan.task import pack_outcome, unpack_task

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from verifier.scan.pace import SharedNumber

TASK: Final = b"t"
"""To a process: a number of 8 bytes, then a packed task. From it: the same number, then the packed outcome."""
THREADS: Final = b"n"
"""To a process: how many threads read from now on, 2 bytes; 0 to rest once it has done what it was given."""
ASK: Final = b"?"
"""To a process: what are you reading? From it: the packed paths, one for each thread."""
REFUSED: Final = b"e"
"""From a process: an error that was raised on purpose, pickled."""
FAILED: Final = b"!"
"""From a process: a defect of this program, as text."""


@dataclass(frozen=True, slots=True)
class ProcessSetup:
    """What a reader process is told when it starts."""

    reader: ReaderSetup
    cells: Any
    """Shared memory of the side's meters (`multiprocessing.RawArray` of 64-bit numbers)."""
    first_slot: int
    """Where its threads' meters begin."""
    rate: tuple[int, SharedNumber] | None
    """Limit in bytes a second, and what the side's readers share to keep it."""


def as_cells(array: Any) -> memoryview:
    """Return shared memory as 64-bit numbers."""
    return memoryview(array).cast("B").cast("Q")


def serve(connection: Connection, setup: ProcessSetup) -> None:
    """Be a reader process until the scan closes the connection."""
    settle_in(idle=setup.reader.idle)
    gc.disable()  # results are plain tuples without cycles, and many enough to set the collector off all the time
    Listener(connection, setup).listen()
    # Not by the usual way: a thread that hangs in a read would keep the process.
    os._exit(0)


def settle_in(*, idle: bool) -> None:
    """Leave signals to whoever started this process, end with it, and take the lowest priority if asked to."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all; the scan decides what comes of it
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, name="watch", daemon=True).start()
    if idle:
        be_idle()


def _end_with_parent() -> None:
    """End this process when the scan that started it is gone, however it went."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def be_idle() -> None:
    """Take the lowest priority of processor and disk, as far as the system has such."""
    import psutil  # noqa: PLC0415  costs 10 ms

    own = psutil.Process()
    if sys.platform == "win32":
        own.nice(psutil.IDLE_PRIORITY_CLASS)
        own.ionice(psutil.IOPRIO_VERYLOW)
    else:
        own.nice(19)
        if sys.platform == "linux":
            own.ionice(psutil.IOPRIO_CLASS_IDLE)


class Listener:
    """Takes messages from a connection, and has them done by threads.

    Args:
        connection: To the scan.
        setup: What this process, or this part of one, is told.
    """

    def __init__(self, connection: Connection, setup: ProcessSetup) -> None:
        self._connection = connection
        self._setup = setup
        self._readers: list[Reader] = []
        self._sending = threading.Lock()
        self._news = threading.Condition()
        self._tasks: deque[bytes] = deque()
        self._wanted = 0
        self._asked = threading.Event()
        self._ended = False

    def listen(self) -> None:
        """Take messages until the connection ends; the threads end with the task that they are at."""
        threading.Thread(target=self._answer, name="answers", daemon=True).start()
        try:
            self._listen()
        finally:
            with self._news:
                self._ended = True
                self._news.notify_all()
            self._asked.set()

    def _listen(self) -> None:
        while True:
            try:
                message = self._connection.recv_bytes()
            except (EOFError, OSError):
                return
            kind, data = message[:1], message[1:]
            if kind == TASK:
                with self._news:
                    self._tasks.append(data)
                    self._news.notify_all()
            elif kind == THREADS:
                self._set_threads(int.from_bytes(data))
            elif kind == ASK:
                self._asked.set()

    def _answer(self) -> None:
        # In a thread of its own: sending waits while the scan itself is sending, and then somebody has to listen.
        while True:
            self._asked.wait()
            self._asked.clear()
            if self._ended:
                return
            self._send(ASK + marshal.dumps([reader.current for reader in self._readers]))

    def _set_threads(self, number: int) -> None:
        with self._news:
            self._wanted = number
            self._news.notify_all()
        while len(self._readers) < number:
            slot = len(self._readers)
            limit = None if self._setup.rate is None else RateLimit(*self._setup.rate)
            reader = Reader(
                self._setup.reader, Meter(as_cells(self._setup.cells), self._setup.first_slot + slot, limit)
            )
            self._readers.append(reader)
            threading.Thread(target=self._work, args=(slot, reader), name=f"reader-{slot}", daemon=True).start()

    def _next_task(self, slot: int) -> bytes | None:
        # One goes on until nothing waits, also where none is wanted: nobody else would do what this process was given.
        with self._news:
            while not self._ended and (not self._tasks or slot >= max(1, self._wanted)):
                self._news.wait()
            return None if self._ended else self._tasks.popleft()

    def _work(self, slot: int, reader: Reader) -> None:
        while (data := self._next_task(slot)) is not None:
            try:
                answer = TASK + data[:8] + pack_outcome(reader.do(unpack_task(data[8:])))
            except VerifierError as error:
                answer = REFUSED + pickle.dumps(error)
            except BaseException:
                answer = FAILED + traceback.format_exc().encode(errors="backslashreplace")
            self._send(answer)
        reader.close()

    def _send(self, answer: bytes) -> None:
        with self._sending:
            try:
                self._connection.send_bytes(answer)
            except OSError:
                return  # the scan is gone, and this process ends with it
