"""One run of a job at a time: who holds it since when, and what a run that was killed leaves behind."""

from __future__ import annotations

import json
import os
import socket
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import psutil
from filelock import FileLock, Timeout

from verifier.errors import EvidenceUnwritable, JobHeld
from verifier.evidence import replacing
from verifier.ledger.places import HOLDER_FILE, LOCK_FILE
from verifier.manifest.database import named
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Holder:
    """A run that holds a job, or held it when it was killed."""

    run: str
    started: str
    """ISO 8601, UTC."""
    pid: int
    host: str
    born: float
    """When its process began, seconds since 1970: another process may have the same number later."""

    @classmethod
    def this_process(cls, run: str, started: str) -> Holder:
        """Return this process as the holder."""
        return cls(run, started, os.getpid(), socket.gethostname(), psutil.Process().create_time())

    @property
    def is_dead(self) -> bool:
        """Whether its process is known to be gone; never known of another machine's."""
        if self.host != socket.gethostname():
            return False
        try:
            return abs(psutil.Process(self.pid).create_time() - self.born) > 1.0
        except psutil.NoSuchProcess:
            return True
        except psutil.Error:
            return False


@dataclass(slots=True)
class Hold:
    """A job that this process holds."""

    folder: Path
    killed: Holder | None
    """A run that was ended from outside without a word: it held the job, and nobody wrote down how it ended."""

    def begin(self, run: str, started: str) -> None:
        """Write down who holds the job now.

        Raises:
            EvidenceUnwritable: If there is no room for it.
        """
        with replacing(self.folder / HOLDER_FILE) as file:
            json.dump(asdict(Holder.this_process(run, started)), file)

    def end(self) -> None:
        """Say that how the run ended is written down."""
        with suppress(OSError):  # the next run then finds that it has an entry, and that there is nothing to add
            (self.folder / HOLDER_FILE).unlink(missing_ok=True)


@contextmanager
def hold(folder: Path) -> Iterator[Hold]:
    """Hold a job against other runs, until the block ends or this process does.

    The lock is the system's and ends with the process that has it, however that ended. Where a file system has no such
    locks, the file itself is the lock; then one whose process is gone is put aside.

    Args:
        folder: The job's evidence folder.

    Raises:
        JobHeld: If another run is under way.
        EvidenceUnwritable: If the lock cannot be made.
    """
    lock = FileLock(folder / LOCK_FILE, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        holder = read_holder(folder)
        if holder is None or not holder.is_dead:
            raise _held(folder, holder) from None
        _acquire_from_the_dead(folder, lock)
    except OSError as error:
        raise EvidenceUnwritable(
            f"{named(folder / LOCK_FILE)} cannot be made ({error.strerror})", "see whether its disk is there, and full"
        ) from error
    try:
        yield Hold(folder, read_holder(folder))
    finally:
        lock.release()


def _acquire_from_the_dead(folder: Path, lock: FileLock) -> None:
    with suppress(OSError):
        (folder / LOCK_FILE).unlink(missing_ok=True)
    try:
        lock.acquire()
    except Timeout:
        raise _held(folder, read_holder(folder)) from None


def read_holder(folder: Path) -> Holder | None:
    """Return who wrote down last that it holds a job, if that can be read."""
    try:
        found = json.loads((folder / HOLDER_FILE).read_text(encoding="utf-8"))
        return Holder(
            str(found["run"]), str(found["started"]), int(found["pid"]), str(found["host"]), float(found["born"])
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _held(folder: Path, holder: Holder | None) -> JobHeld:
    who = "another process"
    if holder is not None:
        who = f"process {holder.pid} on {shown(holder.host)} since {shown(holder.started)} (run {shown(holder.run)})"
    return JobHeld(f"{named(folder)} is held by {who}", "wait for it to end; two runs at once would write one ledger")
