"""A scan on a server that people work on: it keeps its rate, takes the lowest priority, and says what it reads."""

from __future__ import annotations

import os
import signal
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Final

import psutil
import pytest

from tests.scan.command import readers_of, start_verifier, wait_for
from tests.scan.scans import scan_tree
from tests.strategies import Folder, lay_out
from verifier.scan.scanner import ScanOptions

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.scan.scanner import Progress

MB: Final = 10**6
RATE: Final = 10 * MB


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return a tree that takes three seconds at `RATE`: small files and larger ones."""
    small: Folder = {f"small-{n:03}".encode(): os.urandom(MB // 20) for n in range(200)}
    large: Folder = {f"large-{n}".encode(): os.urandom(4 * MB) for n in range(5)}
    return lay_out(tmp_path / "root", {b"small": small, b"large": large})


@pytest.mark.slow
@pytest.mark.parametrize("readers", [1, 4])
def test_all_readers_together_keep_the_rate(root: Path, tmp_path: Path, readers: int) -> None:
    """However many readers there are, a limited scan reads at that rate, within a tenth."""
    told: list[tuple[float, int]] = []

    def on_progress(progress: Progress) -> None:
        if progress.stage in ("listing", "reading"):
            told.append((time.monotonic(), progress.bytes_done))

    outcome = scan_tree(root, tmp_path / "m", ScanOptions(readers=readers, limit_rate=RATE), on_progress)
    assert outcome.totals.proved_files == 205
    reading = [(at, done) for at, done in told if 0 < done < outcome.totals.bytes]
    (began, first), (ended, last) = reading[0], reading[-1]
    assert (last - first) / (ended - began) == pytest.approx(RATE, rel=0.1)


@pytest.mark.skipif(not psutil.LINUX, reason="priorities of the disk are looked up on Linux")
def test_an_idle_scan_stands_behind_everybody(root: Path, tmp_path: Path) -> None:
    """Asked to be idle, every process of a scan that reads has the lowest priority of processor and disk."""
    command = (
        "scan",
        root,
        "--manifest",
        tmp_path / "m",
        "--idle",
        "--limit-rate",
        "5MB/s",
        "--readers",
        "2",
        "--quiet",
    )
    process = start_verifier(*command)
    try:
        # Its own child is the server that readers come from; it reads nothing of the tree.
        readers = wait_for(lambda: [one for one in readers_of(process, 2 * MB) if one.ppid() != process.pid])
        for one in (psutil.Process(process.pid), *readers):
            assert one.nice() == 19
            assert one.ionice().ioclass == psutil.IOPRIO_CLASS_IDLE
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
