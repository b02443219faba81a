"""A night that kills itself at one instant: ``python -m tests.nightly.killed JOB WHERE [TIME]``."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from typing import Final

from verifier import clock
from verifier.job.load import load_job
from verifier.nightly import lock, run

WHERE: Final = {
    "while it checks": (run, "check"),
    "before it is counted": (run, "record_of"),
    "before its entry": (run._Night, "_write_down"),
    "before its place": (run._Night, "_put_in_place"),
    "before the hold ends": (lock.Hold, "end"),
}


def kill(*_: object, **__: object) -> None:
    """End this process as kill -9 does."""
    os.kill(os.getpid(), signal.SIGKILL)


def killed_night(job: Path, where: str, moment: datetime | None = None) -> None:
    """Go through a night that is killed at an instant, in a process of its own, and see that it was."""
    command = [sys.executable, "-m", "tests.nightly.killed", str(job), where]
    command += [] if moment is None else [moment.isoformat()]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == -signal.SIGKILL, done.stderr


if __name__ == "__main__":
    file, where, *times = sys.argv[1:]
    if times:
        instant = datetime.fromisoformat(times[0])
        clock.set_source(lambda: instant)
    setattr(*WHERE[where], kill)
    with run.night(load_job(Path(file)), "keeper on shed"):
        pass
    sys.exit("nothing killed it")
