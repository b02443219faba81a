"""Mounting a faulty file system for the time of a test."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

import tests
from tests.faulty.server import EVERYWHERE, Fault, Operation, met_beside

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = ["EVERYWHERE", "Fault", "FaultyMount", "Operation", "faulty_mount", "need_mfusepy"]

PATIENCE_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class FaultyMount:
    """A mount on which chosen places misbehave."""

    point: Path
    """Where the tree is seen."""
    control: Path
    """Where the program behind it looks for what to do."""
    server: subprocess.Popen[bytes]
    """The program; ending it is what a share that vanishes looks like."""

    def misbehave(self, faults: Mapping[str, Fault]) -> None:
        """Say what goes wrong from now on; calls are counted anew, and what hung and should not any more goes on."""
        write_control(self.control, faults)

    def met(self, path: str, operation: Operation) -> int:
        """Return how many calls of an operation the fault at a path has met since the mount was made."""
        lines = met_beside(self.control).read_text(encoding="utf-8", errors="surrogateescape").splitlines()
        return lines.count(f"{operation} {path}")

    def vanish(self) -> None:
        """End the program behind the mount, whatever is under way."""
        self.server.kill()
        self.server.wait(PATIENCE_S)


def need_mfusepy(config: pytest.Config) -> None:
    """Skip the test where the FUSE binding is not installed; fail it where no real test may be skipped."""
    if importlib.util.find_spec("mfusepy") is not None:
        return
    lacking = "needs the Python package mfusepy"
    if config.getoption("--real-must-run"):
        pytest.fail(lacking)
    pytest.skip(lacking)


def write_control(control: Path, faults: Mapping[str, Fault]) -> None:
    """Write a control file in one step, so that half of it is never read."""
    plain = {path: asdict(fault) for path, fault in faults.items()}
    fresh = control.with_suffix(".new")
    fresh.write_text(json.dumps(plain), encoding="utf-8")
    fresh.replace(control)


@contextmanager
def faulty_mount(
    source: Path, place: Path, faults: Mapping[str, Fault] | None = None, remember_s: float = 0.0
) -> Iterator[FaultyMount]:
    """Show a folder through a faulty mount, and take the mount away at the end, whatever hangs in it.

    Args:
        source: The folder; nothing in it is changed.
        place: A folder for the mount point, the control file and the program's log.
        faults: What goes wrong from the beginning, by path relative to the root.
        remember_s: How long the system may keep names and facts without asking again, seconds, as it does on network
            shares.

    Yields:
        The mount, ready to be used.
    """
    point, control = place / "mount", place / "control.json"
    point.mkdir(parents=True)
    write_control(control, faults or {})
    with (place / "server.log").open("wb") as log:
        server = subprocess.Popen(
            [sys.executable, "-m", "tests.faulty.server", source, point, control, str(remember_s)],
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=log,
            env=os.environ | {"PYTHONPATH": str(Path(tests.__file__).parents[1])},
        )
    try:
        _wait_until_mounted(point, server, place / "server.log")
        yield FaultyMount(point, control, server)
    finally:
        # First the program: whoever waits for an answer of its is not to be ended before it has got one, not even by
        # SIGKILL, and its end is an answer (Linux, fs/fuse/dev.c, request_wait_answer).
        server.kill()
        server.communicate()
        subprocess.run(["umount", "--lazy", point], check=False, capture_output=True)
        if _is_mounted(point):
            raise RuntimeError(f"{point} is still mounted")


def _wait_until_mounted(point: Path, server: subprocess.Popen[bytes], log: Path) -> None:
    until = time.monotonic() + PATIENCE_S
    while not _is_mounted(point):
        if server.poll() is not None or time.monotonic() > until:
            raise RuntimeError(f"not mounted: {log.read_text(errors='replace')}")
        time.sleep(0.01)


def _is_mounted(point: Path) -> bool:
    # Not os.path.ismount: it asks the mount itself, which may be made to hang.
    lines = Path("/proc/self/mountinfo").read_bytes().splitlines()
    return any(line.split(b" ")[4] == os.fsencode(point) for line in lines)
