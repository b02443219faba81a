"""The command line in processes of its own, as a user runs it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

import psutil

import verifier

T = TypeVar("T")

if TYPE_CHECKING:
    from collections.abc import Callable

COMMAND: Final = (sys.executable, "-m", "verifier")
ENVIRONMENT: Final = os.environ | {"PYTHONPATH": str(Path(verifier.__file__).parents[1])}


def run_verifier(*arguments: str | Path, timeout_s: float = 60) -> subprocess.CompletedProcess[str]:
    """Run the command line to its end."""
    return subprocess.run(
        [*COMMAND, *arguments], capture_output=True, text=True, env=ENVIRONMENT, timeout=timeout_s, check=False
    )


def start_verifier(*arguments: str | Path) -> subprocess.Popen[str]:
    """Start the command line in a process group of its own."""
    return subprocess.Popen(
        [*COMMAND, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
        start_new_session=True,
    )


def readers_of(process: subprocess.Popen[str], at_least_bytes: int, *, itself: bool = False) -> list[psutil.Process]:
    """Wait until a process's readers have read something, and return them.

    Args:
        process: The scan.
        at_least_bytes: How much one of them has to have read (proc(5), io: rchar).
        itself: Whether it is the process itself that reads.
    """
    scan = psutil.Process(process.pid)

    def reading() -> list[psutil.Process]:
        found = [scan] if itself else scan.children(recursive=True)
        return [one for one in found if _bytes_read(one) >= at_least_bytes]

    return wait_for(reading, lambda: process.poll() is None)


def _bytes_read(process: psutil.Process) -> int:
    try:
        return int(process.io_counters().read_chars)
    except psutil.Error:
        return 0


def wait_for(look: Callable[[], T], while_: Callable[[], bool] = lambda: True, timeout_s: float = 30) -> T:
    """Look again and again until there is something to see."""
    until = time.monotonic() + timeout_s
    while while_() and time.monotonic() < until:
        if found := look():
            return found
        time.sleep(0.01)
    raise AssertionError("what was waited for never came")
