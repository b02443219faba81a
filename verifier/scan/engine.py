"""The engine: takes tasks, gives outcomes. One small interface, so that other machines can stand behind it.

The first names of a tree on a local file system are read in this process, where starting others would cost more than
it saves. Everything else goes to reader processes.
"""

from __future__ import annotations

import marshal
import multiprocessing
import os
import pickle
import threading
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing import connection as pipes
from multiprocessing import forkserver
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Protocol

import psutil

from verifier.errors import Interrupted, VerifierError
from verifier.scan.pace import Counts, Meter, RateLimit, cells_for
from verifier.scan.process import ASK, FAILED, REFUSED, TASK, THREADS, Listener, ProcessSetup, as_cells, serve
from verifier.scan.reader import Reader, ReaderSetup
from verifier.scan.task import Outcome, Task, pack_task, unpack_outcome

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from multiprocessing.connection import Connection
    from multiprocessing.context import BaseContext

MAX_READERS: Final = 64
"""Readers of one side at most."""
MAX_PROCESSES: Final = 8
AHEAD: Final = 1
"""Tasks that wait in each process, so that it need not wait for the next."""
PROCESSOR_EVERY_S: Final = 0.3
END_S: Final = 2.0
"""How long a process may take to end before it is killed,"""
KILLED_S: Final = 0.5
"""and how long then before it counts as stuck."""


class UnderWay(NamedTuple):
    """One read that is going on."""

    path: str
    """Manifest text of the file or folder."""
    seconds: float
    """How long nothing has moved there."""
    reader: int
    """Which reader, for `Engine.abandon`."""


class Engine(Protocol):
    """Does tasks with several readers. Used by one thread."""

    counts: Counts
    """What its readers have done so far."""

    def set_readers(self, number: int) -> None:
        """Let so many tasks run at the same time from now on; 0 lets it rest when it has done what it was given."""

    def has_room(self) -> bool:
        """Tell whether a task that is submitted now would soon be begun."""

    @property
    def under_way(self) -> int:
        """How many tasks were submitted and have no outcome yet."""

    def submit(self, task: Task) -> None:
        """Take a task.

        Raises:
            Interrupted: If a reader was ended from outside.
        """

    def wait(self, timeout_s: float) -> list[tuple[Task, Outcome]]:
        """Return what was done, as soon as there is something, or after a while.

        Raises:
            Interrupted: If a reader was ended from outside.
        """

    def processor_s(self) -> float:
        """Return how much processor time its readers took so far, seconds."""

    def look(self) -> list[UnderWay]:
        """Return what each reader is at, the one that has not moved for longest first; empty texts left out."""

    def abandon(self, reader: int) -> list[Task]:
        """Give a reader up that hangs, and return the tasks that it had."""

    def close(self) -> list[tuple[Task, Outcome]]:
        """Ask all readers to stop, wait a moment, and return what they had done by then."""


def automatic_processes() -> int:
    """Return how many reader processes a side gets at most: one a core, between 2 and `MAX_PROCESSES`."""
    return max(2, min(MAX_PROCESSES, os.cpu_count() or 2))


def context() -> BaseContext:
    """Return how processes are started."""
    # A forked child of a threaded process may inherit a held lock, so children come from a clean server process.
    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    if "forkserver" in methods:
        context.set_forkserver_preload(["verifier.scan.process", "verifier.rules.matcher"])
    return context


def warm_up() -> None:
    """Begin to start the server that reader processes come from, so that it is ready when the first one is wanted."""
    if context().get_start_method() == "forkserver":
        # A process that was forked from one with a server cannot ask for its own; it starts one when it needs it.
        with suppress(OSError), _without_output():
            forkserver.ensure_running()


@contextmanager
def _without_output() -> Iterator[None]:
    """Let what is started now not inherit standard output and error.

    A reader that hangs in the system cannot be ended, and whoever collects the output would wait for it for ever.
    """
    kept: list[tuple[int, int]] = []
    null = os.open(os.devnull, os.O_WRONLY)
    try:
        for descriptor in (1, 2):
            with suppress(OSError):  # it may be closed
                kept.append((descriptor, os.dup(descriptor)))
                os.dup2(null, descriptor)
        yield
    finally:
        for descriptor, copy in kept:
            os.dup2(copy, descriptor)
            os.close(copy)
        os.close(null)


class InlineEngine:
    """Does each task in the thread that submits it. Only where no read can hang: on local file systems."""

    def __init__(self, setup: ReaderSetup, rate: int | None, stop_wanted: Callable[[], bool]) -> None:
        cells = as_cells((_ctypes_number() * cells_for(1))())
        limit = None if rate is None else RateLimit(rate, context().Value("d", 0.0))
        self.counts = Counts(cells)
        self._reader = Reader(setup, _AskingMeter(cells, limit, stop_wanted))
        self._done: list[tuple[Task, Outcome]] = []

    def set_readers(self, number: int) -> None:
        """Do nothing: there is one."""

    def has_room(self) -> bool:
        """Tell whether what was done was fetched."""
        return not self._done

    @property
    def under_way(self) -> int:
        """How many outcomes wait."""
        return len(self._done)

    def submit(self, task: Task) -> None:
        """Do the task now."""
        self._done.append((task, self._reader.do(task)))

    def wait(self, timeout_s: float) -> list[tuple[Task, Outcome]]:  # noqa: ARG002  nothing runs
        """Return what was done."""
        done, self._done = self._done, []
        return done

    def processor_s(self) -> float:
        """Return this process's time."""
        return time.process_time()

    def look(self) -> list[UnderWay]:
        """Return nothing: nothing runs."""
        return []

    def abandon(self, reader: int) -> list[Task]:
        """Refuse: nothing runs that could hang."""
        raise AssertionError(reader)

    def close(self) -> list[tuple[Task, Outcome]]:
        """Let go of the tree."""
        self._reader.close()
        return self.wait(0)


def _ctypes_number() -> Any:
    import ctypes  # noqa: PLC0415  costs 10 ms where nothing else needs it

    return ctypes.c_uint64


class _AskingMeter(Meter):
    """Asks the scan itself whether to stop, because nobody else could set the cell while this thread reads."""

    def __init__(self, cells: memoryview, limit: RateLimit | None, stop_wanted: Callable[[], bool]) -> None:
        super().__init__(cells, 0, limit)
        self._own = cells
        self._stop_wanted = stop_wanted

    def add(self, size_bytes: int) -> None:
        if self._stop_wanted():
            self._own[0] = 1
        super().add(size_bytes)

    def beat(self) -> None:
        if self._stop_wanted():
            self._own[0] = 1
        super().beat()


@dataclass(slots=True, eq=False)
class _Process:
    """One reader process, seen from the scan."""

    number: int
    process: Any
    connection: Connection
    watched: Any = None
    threads: int = 0
    tasks: dict[int, Task] = field(default_factory=dict)
    beats: tuple[int, ...] = ()
    moved_at: list[float] = field(default_factory=list)
    """For each thread when its beat was last seen to move."""
    reading: list[str] = field(default_factory=list)

    @property
    def has_room(self) -> bool:
        return self.threads > 0 and len(self.tasks) < self.threads + AHEAD


STUCK: Final[list[int]] = []
"""Processes that hang in the system and could not be ended: whoever ends this process must not wait for them."""


class PoolEngine:
    """Reads in processes, each with several threads where more readers are wanted than there are processes.

    Args:
        setup: What every reader is told.
        rate: Bytes a second that all readers together may read; None for no limit.
        at_home: Read in threads of this process instead: as fast for large files, which let go of the interpreter
            lock, and there at once. Only where no read can hang.
    """

    def __init__(self, setup: ReaderSetup, rate: int | None, *, at_home: bool = False) -> None:
        self._at_home = at_home
        self._most = 1 if at_home else automatic_processes()
        self._setup = setup
        self._context = context()
        # One block of cells for each process, and as many again for those that replace a stuck one.
        self._array = self._context.RawArray("Q", cells_for(MAX_READERS * self._most * 2))
        self._rate = None if rate is None else (rate, self._context.Value("d", 0.0))
        self.counts = Counts(as_cells(self._array))
        self._processes: list[_Process] = []
        self._started = 0
        self._next = 0
        self._readers = 0
        self._timed_at = 0.0
        self._processor_s: dict[int, float] = {}

    @property
    def processes(self) -> Sequence[int]:
        """The process ids of its readers."""
        return [one.process.pid for one in self._processes if not self._at_home]

    def set_readers(self, number: int) -> None:
        """Spread so many readers over the processes; processes are started when they are first needed."""
        if number == self._readers:
            return
        self._readers = number
        wanted = min(number, self._most)
        while len(self._processes) < wanted:
            self._start()
        for place, one in enumerate(self._processes):
            share = 0 if wanted == 0 else number // wanted + (place < number % wanted)
            self._set_threads(one, share if place < wanted else 0)

    def _start(self) -> _Process:
        ours, theirs = self._context.Pipe()
        first = (self._started % (self._most * 2)) * MAX_READERS
        setup = ProcessSetup(self._setup, self._array, first, self._rate)
        # daemon: ended with this process, should it end without closing the engine.
        process: Any
        if self._at_home:
            process = threading.Thread(target=Listener(theirs, setup).listen, name="listener", daemon=True)
            process.start()
        else:
            process = self._context.Process(target=serve, args=(theirs, setup), daemon=True)  # type: ignore[attr-defined]
            process.start()
            theirs.close()
        watched = None if self._at_home else psutil.Process(process.pid)
        one = _Process(first, process, ours, watched)
        self._started += 1
        self._processes.append(one)
        return one

    def _set_threads(self, one: _Process, threads: int) -> None:
        if one.threads == threads:
            return
        one.threads = threads
        self._send(one, THREADS + threads.to_bytes(2))

    @staticmethod
    def _send(one: _Process, message: bytes) -> None:
        try:
            one.connection.send_bytes(message)
        except OSError as error:
            raise reader_died() from error

    def has_room(self) -> bool:
        """Tell whether a process could take a task."""
        return any(one.has_room for one in self._processes)

    @property
    def under_way(self) -> int:
        """How many tasks were given out."""
        return sum(len(one.tasks) for one in self._processes)

    def submit(self, task: Task) -> None:
        """Give the task to the process that has least to do."""
        one = min((one for one in self._processes if one.threads), key=lambda one: len(one.tasks) - one.threads)
        self._next += 1
        one.tasks[self._next] = task
        self._send(one, TASK + self._next.to_bytes(8) + pack_task(task))

    def wait(self, timeout_s: float) -> list[tuple[Task, Outcome]]:
        """Return what the processes sent."""
        done: list[tuple[Task, Outcome]] = []
        by_connection = {one.connection: one for one in self._processes}
        for ready in pipes.wait(list(by_connection), timeout_s):
            self._take(by_connection[ready], done)  # type: ignore[index]
        return done

    def _take(self, one: _Process, done: list[tuple[Task, Outcome]]) -> None:
        try:
            message = one.connection.recv_bytes()
        except (EOFError, OSError) as error:
            raise reader_died() from error
        kind, data = message[:1], message[1:]
        if kind == TASK:
            number = int.from_bytes(data[:8])
            done.append((one.tasks.pop(number), unpack_outcome(data[8:])))
        elif kind == ASK:
            one.reading = marshal.loads(data)  # noqa: S302  our own reader process wrote it
        elif kind == REFUSED:
            refusal = pickle.loads(data)  # noqa: S301  our own reader process wrote it
            assert isinstance(refusal, VerifierError)
            raise refusal
        elif kind == FAILED:
            raise RuntimeError(f"a reader failed:\n{data.decode()}")

    def processor_s(self) -> float:
        """Return the processes' time; it is looked at a few times a second at most."""
        now = time.monotonic()
        if self._at_home:
            return time.process_time()
        if now - self._timed_at >= PROCESSOR_EVERY_S:
            self._timed_at = now
            for one in self._processes:
                with suppress(psutil.Error):
                    times = one.watched.cpu_times()
                    self._processor_s[one.number] = times.user + times.system
        return sum(self._processor_s.values())

    def look(self) -> list[UnderWay]:
        """Compare each reader's beat with the last look's, and ask all what they are at; the answer serves the next."""
        now = time.monotonic()
        found = []
        for one in self._processes:
            beats = self.counts.beats(one.number, MAX_READERS)
            if len(one.moved_at) < MAX_READERS:
                one.moved_at = [now] * MAX_READERS
            for thread, beat in enumerate(beats):
                if thread >= len(one.beats) or beat != one.beats[thread]:
                    one.moved_at[thread] = now
            one.beats = beats
            for thread, path in enumerate(one.reading):
                if path and one.tasks:
                    found.append(UnderWay(path, now - one.moved_at[thread], one.number))
            if one.tasks:
                self._send(one, ASK)
        return sorted(found, key=lambda item: -item.seconds)

    def abandon(self, reader: int) -> list[Task]:
        """End the process of a reader that hangs, start another in its place, and return the tasks that it had."""
        (one,) = (one for one in self._processes if one.number == reader)
        self._processes.remove(one)
        tasks = list(one.tasks.values())
        threads = one.threads
        _end(one)
        self._set_threads(self._start(), threads)
        return tasks

    def close(self) -> list[tuple[Task, Outcome]]:
        """Ask all to stop, take what still comes within a moment, and end the processes."""
        self.counts.request_stop()
        done: list[tuple[Task, Outcome]] = []
        until = time.monotonic() + END_S
        with suppress(Interrupted):
            while self.under_way and time.monotonic() < until:
                done += self.wait(0.05)
        for one in self._processes:
            _end(one)
        self._processes.clear()
        return done


def _end(one: _Process) -> None:
    one.connection.close()
    if isinstance(one.process, threading.Thread):
        one.process.join(END_S)
        return
    end_process(one.process, 0.0 if one.tasks else END_S)


def end_process(process: Any, patience_s: float) -> None:
    """Wait for a process to end, then kill it; one that hangs in the system even so is left behind, in `STUCK`."""
    process.join(patience_s)
    if process.is_alive():
        process.kill()
        process.join(KILLED_S)
        if process.is_alive():
            STUCK.append(process.pid)


def reader_died() -> Interrupted:
    """Return the error for a reader process that was ended from outside."""
    return Interrupted("a reader process was ended from outside (out of memory?)", "run again, with fewer --readers")
