"""Programs that are measured: the scan, and a session of processes that is watched or killed as a whole."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple, Self

import psutil

KIB: Final = 1024
END_S: Final = 10.0
MOST_SHOWN: Final = 4000
ENVIRONMENT: Final = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
"""Of every program that is measured: modules are compiled once, as an installation has them, not at every start."""


@dataclass(frozen=True, slots=True)
class ScanCommand:
    """A scan of one tree into one manifest."""

    root: Path
    manifest: Path
    options: tuple[str, ...] = ()

    @property
    def command(self) -> list[str]:
        """The command line."""
        given = [str(self.root), "--manifest", str(self.manifest), *self.options, "--quiet"]
        return [sys.executable, "-m", "verifier", "scan", *given]

    def clear(self) -> None:
        """Remove the manifest and whatever else a scan put beside it."""
        for path in self.manifest.parent.glob(f"{self.manifest.name}*"):
            path.unlink()

    def run(self) -> None:
        """Scan.

        Raises:
            subprocess.CalledProcessError: If anything but exit code 0 comes of it.
        """
        run(self.command)


def run(command: list[str] | str) -> None:
    """Run a command to its end; what it prints is shown only if it fails.

    Raises:
        subprocess.CalledProcessError: If it fails.
    """
    with tempfile.TemporaryFile() as printed:
        done = subprocess.run(command, check=False, shell=isinstance(command, str), stdout=printed, env=ENVIRONMENT)
        if done.returncode:
            printed.seek(0)
            print(printed.read(MOST_SHOWN).decode(errors="replace"))
            done.check_returncode()


def floor_command(which: str, *paths: Path) -> list[str]:
    """Return the command of a floor."""
    return [sys.executable, str(Path(__file__).with_name("floors.py")), which, *map(str, paths)]


def facts(manifest: Path) -> dict[str, str]:
    """Return what a finished manifest says about its scan."""
    with closing(_read_only(manifest)) as connection:
        return dict(connection.execute("SELECT key, value FROM facts"))


class Known(NamedTuple):
    """Files of one state in a manifest."""

    files: int
    size_bytes: int


def known(manifest: Path, state: str) -> Known:
    """Count the files that a manifest holds in one state, for example ``proved``."""
    with closing(_read_only(manifest)) as connection:
        query = "SELECT count(*), coalesce(sum(size), 0) FROM entries WHERE kind = 'file' AND state = ?"
        return Known(*connection.execute(query, (state,)).fetchone())


def _read_only(manifest: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{manifest.absolute().as_uri()}?mode=ro", uri=True)


class Memory(NamedTuple):
    """Memory of several processes at one moment, in bytes."""

    pss: int
    """Each page counted once: a page that n processes share counts as an nth in each (proc(5), smaps)."""
    rss: int
    """Each page counted in every process that has it."""


class Session:
    """A command in a session of its own, so that every process that comes of it can be found, whoever its parent is.

    A context manager: nothing of it is left at the end.

    Args:
        command: What to run; its output is discarded.
    """

    def __init__(self, command: list[str]) -> None:
        self.leader = subprocess.Popen(command, stdout=subprocess.DEVNULL, start_new_session=True, env=ENVIRONMENT)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def pids(self) -> list[int]:
        """Return the ids of all its processes that live."""
        return [pid for pid in psutil.pids() if self._is_mine(pid)]

    def _is_mine(self, pid: int) -> bool:
        try:
            if os.getsid(pid) != self.leader.pid:
                return False
            return bool(psutil.Process(pid).status() != psutil.STATUS_ZOMBIE)
        except (ProcessLookupError, psutil.NoSuchProcess):
            return False

    def memory(self) -> Memory:
        """Return what all its processes take now."""
        found = [_memory(pid) for pid in self.pids()]
        return Memory(sum(one.pss for one in found), sum(one.rss for one in found))

    def bytes_read(self) -> int:
        """Return what all its living processes have read so far, programs and manifests included."""
        total = 0
        for pid in self.pids():
            try:
                total += psutil.Process(pid).io_counters().read_chars
            except psutil.Error:
                continue
        return total

    def kill(self) -> None:
        """Kill every process at once, and wait for their ends."""
        with suppress(ProcessLookupError):
            os.killpg(self.leader.pid, signal.SIGKILL)
        self.leader.wait()
        until = time.monotonic() + END_S
        while self.pids() and time.monotonic() < until:
            time.sleep(0.001)


def _memory(pid: int) -> Memory:
    """Read a process's sums from smaps_rollup (proc(5)); nothing where it has just ended."""
    values = {"Pss:": 0, "Rss:": 0}
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii").splitlines()
    except OSError:
        return Memory(0, 0)
    for line in lines:
        key, value, *_ = line.split()
        if key in values:
            values[key] = int(value) * KIB
    return Memory(values["Pss:"], values["Rss:"])
