"""Writing in a ledger, killed before and after its first system call, its second, and so on.

Run as a program that does nothing itself: it may fork only as long as it has one thread. The child is traced by this
program (ptrace(2)), so whatever SQLite asks of the system is an instant at which it can be killed.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import sqlite_utils.migrations  # noqa: F401  what is imported now is no step of its own later

from tests.ledger.records import night, read, step, write
from verifier.classes import Phase
from verifier.errors import NotAManifest
from verifier.ledger.chain import check
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import LEDGER_FILE

if TYPE_CHECKING:
    from collections.abc import Callable

    from verifier.ledger.record import PhaseRecord, RunRecord

TRACEME: Final = 0
SYSCALL: Final = 24
"""Requests of ptrace(2), by their numbers in <linux/ptrace.h>."""
THERE: Final[list[RunRecord | PhaseRecord]] = [step(0, Phase.COPYING), night(0, evidence=""), night(1, evidence="")]
ADDED: Final = night(2, evidence="")
_libc: Final = ctypes.CDLL(None, use_errno=True)


def may_trace() -> bool:
    """Tell whether this system lets a program trace its own child."""
    child = os.fork()
    if not child:
        os._exit(0 if _libc.ptrace(TRACEME, 0, None, None) == 0 else 1)
    return os.waitpid(child, 0)[1] == 0


def killed_at(stop: int, work: Callable[[], object]) -> bool:
    """Do work in a process of its own that is killed at a stop; False where it came to its end before that."""
    child = os.fork()
    if not child:
        try:
            _libc.ptrace(TRACEME, 0, None, None)
            os.kill(os.getpid(), signal.SIGSTOP)
            work()
        except BaseException:
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    for _ in range(stop):  # each system call is two stops: before it, and after it
        _libc.ptrace(SYSCALL, child, None, None)
        _, status = os.waitpid(child, 0)
        if not os.WIFSTOPPED(status):
            assert os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0, status
            return False
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


def append(folder: Path) -> None:
    """Add an entry to a ledger."""
    write(folder, [ADDED])


def hold(folder: Path, stop: int) -> str:
    """Hold that the ledger is whole, with or without what was being written, and can be written; say which it was."""
    path = folder / LEDGER_FILE
    if stop % 2:  # either may be the first to open it
        Ledger.write(path).close()
    try:
        found = read(path)
    except NotAManifest:  # nothing was there before, and nothing is
        found = []
    assert [record for record in found if record != ADDED] in ([], THERE)
    later = night(3, evidence="")
    write(folder, [later])
    assert read(path) == [*found, later]
    with Ledger.open(path) as ledger:
        assert check(ledger, folder) == []
    assert [one.name for one in folder.iterdir()] == [LEDGER_FILE]
    return "with" if ADDED in found else "without" if found else "nothing"


def main(base: str, stride: str) -> None:
    """Kill at every so many stops, in a ledger that is there and in one that is begun; print how it was found.

    Args:
        base: An empty folder.
        stride: How far one stop is from the next.
    """
    folder = Path(base)
    before = write(folder, THERE).read_bytes()
    found: dict[str, int] = {}
    for there in (before, None):
        stop = 0
        while True:
            for one in folder.iterdir():
                one.unlink()
            if there is not None:
                (folder / LEDGER_FILE).write_bytes(there)
            stop += int(stride)
            if not killed_at(stop, lambda: append(folder)):
                break
            left = ", with a journal" if folder.joinpath(f"{LEDGER_FILE}-journal").exists() else ""
            state = f"{'there' if there else 'begun'}{left}: {hold(folder, stop)}"
            found[state] = found.get(state, 0) + 1
    print(found)


if __name__ == "__main__":
    if not may_trace():
        sys.exit("this system lets no program trace its own child")
    main(*sys.argv[1:])
