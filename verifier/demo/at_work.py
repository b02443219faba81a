"""Somebody at work in the old tree while it is checked: what makes a file unsettled."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier.errors import CannotRun
from verifier.tree.names import shown, to_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from multiprocessing.connection import Connection

    from verifier.demo.layout import DemoTrees

START_S: Final = 30
"""Longest wait for the writing process to begin or to end, in seconds."""
PAUSE_S: Final = 0.0001
"""Between two of its writes, in seconds: reading a restless file takes some hundred times as long."""
GROWTH_BYTES: Final = 64 * 1024 * 1024
"""How far that file may grow before it is cut back to where it began."""
_LINE: Final = b"reading,23.5,60\n"


@contextmanager
def somebody_at_work(trees: DemoTrees) -> Iterator[None]:
    """Have other processes write into the restless files until the block ends.

    They are writing before the block begins, and end with this process, whatever ends it. The files stay
    longer than they were laid out.

    Raises:
        CannotRun: If a process does not begin to write.
    """
    with ExitStack() as stack:
        for path in trees.restless:
            stack.enter_context(_writer(path))
        yield


@contextmanager
def _writer(path: Path) -> Iterator[None]:
    # Spawned, not forked: whoever calls this may have threads running.
    spawning = multiprocessing.get_context("spawn")
    ours, theirs = spawning.Pipe()
    process = spawning.Process(target=_keep_writing, args=(os.fspath(path), theirs), daemon=True)
    process.start()
    theirs.close()
    try:
        if not _begins(ours):
            raise CannotRun(f"nobody could write into {shown(to_text(os.fsencode(path)))}")
        yield
    finally:
        ours.close()
        process.join(START_S)
        if process.is_alive():
            process.kill()
            process.join()
        process.close()


def _begins(line: Connection) -> bool:
    try:
        return line.poll(START_S) and bool(line.recv())
    except EOFError:  # the process ended without a word
        return False


def _keep_writing(path: str, line: Connection) -> None:
    """Append to a file until the other end of the line is closed, by intent or by its process's end."""
    # Ctrl-C reaches both processes; the other one says when to stop.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with ExitStack() as stack:
        try:
            log = stack.enter_context(Path(path).open("ab", buffering=0))
        except OSError:
            line.send(False)
            return
        began_at = log.tell()
        log.write(_LINE)
        line.send(True)
        while not line.poll(0):
            log.write(_LINE)
            if log.tell() > began_at + GROWTH_BYTES:
                log.truncate(began_at)
            time.sleep(PAUSE_S)
