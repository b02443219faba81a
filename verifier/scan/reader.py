"""What a reader process does: read a batch of files and say what came of each.

Kept light: every reader process imports this module, and nothing of the command line.
"""

from __future__ import annotations

import gc
import marshal
import multiprocessing
import os
import signal
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

from verifier.errors import ShareGone
from verifier.tree.content import BLOCK_BYTES, GONE, Expected, Reading, Stopped, Where, read_file, read_quickly
from verifier.tree.digests import Algorithm, hasher
from verifier.tree.entry import State
from verifier.tree.handle import TreeHandle, open_tree
from verifier.tree.names import for_system, parts_of
from verifier.tree.trouble import Problem, errno_name, now_text

if TYPE_CHECKING:
    from collections.abc import Callable, MutableSequence
    from contextlib import AbstractContextManager

    from verifier.manifest.store import ToRead


@dataclass(frozen=True, slots=True)
class ReadTask:
    """A batch of files for one reader, in path order so that folders are entered once."""

    root: str
    algorithm: Algorithm
    files: tuple[ToRead, ...]


class ReadOutcome(NamedTuple):
    """What a batch came to, as rows for `Manifest.record`. Files that are in neither list were not read."""

    as_listed: list[tuple[object, ...]]
    """Files whose facts were as listed: content columns, then the path."""
    changed: list[tuple[object, ...]]
    """Files whose facts had changed since: content columns, fact columns, then the path."""
    problems: list[Problem]
    gone: str
    """Why the share is no longer there; empty while it is."""

    @property
    def files(self) -> int:
        """How many files were tried."""
        return len(self.as_listed) + len(self.changed)


class Counter(Protocol):
    """A `multiprocessing.Value` of an integer, with its lock."""

    value: int

    def get_lock(self) -> AbstractContextManager[bool]:
        """Return the lock that guards the value."""


class Meter:
    """Bytes read so far by each reader, and the request to stop, in cells that processes share.

    Cell 0 is the request to stop; every reader writes one cell of its own, so none needs a lock.
    """

    def __init__(self, cells: MutableSequence[int], slot: int, stop_wanted: Callable[[], bool] = lambda: False) -> None:
        self._cells = cells
        self._slot = slot
        self._stop_wanted = stop_wanted

    def add(self, size_bytes: int) -> None:
        """Count bytes.

        Raises:
            Stopped: If somebody asked the readers to stop.
        """
        if self._cells[0] or self._stop_wanted():
            raise Stopped
        self._cells[self._slot] += size_bytes

    def request_stop(self) -> None:
        """Ask every reader to stop at its next block."""
        self._cells[0] = 1

    def total(self) -> int:
        """Return the bytes read by all readers."""
        return sum(self._cells[1:])


class _Trees:
    """The tree a reader stands in, held open from one batch to the next."""

    def __init__(self) -> None:
        self._root: str | None = None
        self._handle: TreeHandle | None = None

    def handle(self, root: str) -> TreeHandle:
        if self._handle is None or self._root != root:
            self.close()
            self._handle, self._root = open_tree(Path(root)), root
        return self._handle

    def close(self) -> None:
        if self._handle is not None:
            self._handle.close()
            self._handle = None


def read_batch(task: ReadTask, meter: Meter, trees: _Trees | None = None) -> ReadOutcome:
    """Read a batch of files; a request to stop or the share's end leave the rest unread."""
    own = trees or _Trees()
    outcome = ReadOutcome([], [], [], "")
    now = now_text()
    folder_path: str | None = None
    folder: tuple[str, ...] = ()
    hash_of = hasher(task.algorithm)
    try:
        for file in task.files:
            path, size, mtime_ns, ctime_ns = file
            above, _, name = path.rpartition("/")
            if above != folder_path:
                folder_path, folder = above, parts_of(above)
            where = Where(own.handle(task.root), folder, for_system(name))
            expected = Expected(size, mtime_ns, ctime_ns)
            quick = read_quickly(where, expected, hash_of, meter.add) if size <= BLOCK_BYTES else None
            if quick is None:
                _put(outcome, path, _read(own, task, where, expected, meter), now)
            else:
                digest, head, xattrs = quick
                outcome.as_listed.append((_PROVED, None, digest, None, head, xattrs, now, path))
    except Stopped:
        return outcome
    except ShareGone as error:
        return outcome._replace(gone=error.what)
    except OSError as error:
        return outcome._replace(gone=f"{errno_name(error)} at the root")
    finally:
        if trees is None:
            own.close()
    return outcome


_PROVED: Final = State.PROVED.value


def _put(outcome: ReadOutcome, path: str, r: Reading, now: str) -> None:
    # SQLite takes an exact str four times as fast as an enum's member.
    content = (str(r.state), r.error, r.digest, r.segments, r.head, r.xattrs, now)
    if r.restat is None:
        outcome.as_listed.append((*content, path))
    else:
        outcome.changed.append((*content, *r.restat, path))
    if r.error is not None:
        outcome.problems.append(Problem(path, "read", r.error, r.attempts, now))


def _read(trees: _Trees, task: ReadTask, where: Where, expected: Expected, meter: Meter) -> Reading:
    reading = read_file(where, expected, task.algorithm, meter.add)
    if reading.error is not None and reading.error.endswith(GONE):
        # A folder that was moved and made anew is still held under its old name: let go and look once more.
        trees.close()
        where = where._replace(handle=trees.handle(task.root))
        reading = read_file(where, expected, task.algorithm, meter.add)
    return reading


class _Worker:
    """State of one reader process; set once when it starts."""

    meter: Meter
    trees: _Trees


def start_worker(cells: MutableSequence[int], taken: Counter) -> None:
    """Prepare this process as a reader: pick a cell, leave Ctrl-C to the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.disable()  # results are plain tuples without cycles, and many enough to set the collector off all the time
    threading.Thread(target=_end_with_parent, name="watch", daemon=True).start()
    with taken.get_lock():
        taken.value += 1
        slot = taken.value
    # A replaced worker may find no cell of its own; sharing one costs a little accuracy of the progress only.
    _Worker.meter = Meter(cells, min(slot, len(cells) - 1))
    _Worker.trees = _Trees()


def _end_with_parent() -> None:
    """End this process when the scan that started it is gone, however it went."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def packed(task: ReadTask) -> bytes:
    """Return a batch as bytes for another process.

    Packed by hand, with the standard library's fastest format, in the thread that needs the result: the pool's own
    threads would otherwise unpack thousands of rows while that thread waits for the interpreter lock.
    """
    return marshal.dumps((task.root, task.algorithm.value, task.files))


def unpacked(outcome: bytes) -> ReadOutcome:
    """Return what `read_in_worker` sent."""
    as_listed, changed, problems, gone = marshal.loads(outcome)  # noqa: S302  our own reader process wrote it
    return ReadOutcome(as_listed, changed, [Problem._make(row) for row in problems], gone)


def read_in_worker(task: bytes) -> bytes:
    """Read a packed batch in a process that `start_worker` prepared, and return its packed outcome."""
    root, algorithm, files = marshal.loads(task)  # noqa: S302  the scanning process wrote it
    outcome = read_batch(ReadTask(root, Algorithm(algorithm), files), _Worker.meter, _Worker.trees)
    problems = [tuple(problem) for problem in outcome.problems]
    return marshal.dumps((outcome.as_listed, outcome.changed, problems, outcome.gone))
