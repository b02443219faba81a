"""Jobs for tests: two small trees, a job file, and nights in this process or as the command."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tests.reconcile.trees import Node, plant
from verifier.job.load import load_job
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import LEDGER_FILE
from verifier.nightly.aftermath import after, night_of
from verifier.nightly.run import Ended, night

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.job.job import Job
    from verifier.ledger.record import RunRecord

WHO = "keeper on shed"
TREE = {f"scans/{n:04}.tif".encode(): Node(b"herbarium sheet %04d" % n * 9) for n in range(12)}


@dataclass(slots=True)
class Garden:
    """Two servers, and a job that holds them against each other."""

    base: Path
    more: str = ""
    """What its file says besides."""
    phase: str = "frozen"
    own: str = ""
    """The whole of its file, where it is another."""

    @property
    def old(self) -> Path:
        """The old server."""
        return self.base / "old"

    @property
    def new(self) -> Path:
        """The new one."""
        return self.base / "new"

    @property
    def evidence(self) -> Path:
        """The job's folder."""
        return self.base / "evidence"

    @property
    def file(self) -> Path:
        """The job file."""
        return self.base / "migration.toml"

    def write(self) -> Job:
        """Write the job file, and read it."""
        self.file.write_text(
            self.own
            or f'name = "herbarium"\nphase = "{self.phase}"\n[old]\nroot = "old"\n[new]\nroots = ["new"]\n'
            f'[evidence]\nfolder = "evidence"\n{self.more}'
        )
        return load_job(self.file)

    def night(self, *, afresh: bool = False) -> Ended:
        """Go through one night in this process."""
        job = self.write()
        with night(job, WHO, afresh=afresh) as ended:
            assert after(job, night_of(job.evidence, ended)) == []
        return ended

    def runs(self) -> list[RunRecord]:
        """Return what the ledger holds of runs."""
        with Ledger.open(self.evidence / LEDGER_FILE) as ledger:
            return list(ledger.runs())

    def command(self, *arguments: str | Path, **environment: str) -> subprocess.CompletedProcess[str]:
        """Run the command as cron does."""
        self.write()
        return run_command("nightly", self.file, *arguments, **environment)


def run_command(*arguments: str | Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the program."""
    command: list[Any] = [sys.executable, "-m", "verifier", *arguments]
    return subprocess.run(
        command, capture_output=True, text=True, check=False, env={**os.environ, **environment}, timeout=120
    )


def laid_out(base: Path, phase: str = "frozen", more: str = "") -> Garden:
    """Make a garden with two equal servers."""
    garden = Garden(base, more, phase)
    for root in (garden.old, garden.new):
        plant(root, TREE)
    return garden
