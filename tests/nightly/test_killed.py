"""Nights that are killed at random moments, as the command: nothing is lost, and nothing is said twice."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Final

import pytest

from tests.nightly.jobs import Garden, laid_out
from verifier.ledger.chain import check
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import HOLDER_FILE, LEDGER_FILE, RUNS, UNFINISHED
from verifier.ledger.record import Outcome

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.slow

KILLS: Final = 30
NAME: Final = "scans/0003.tif"


def begin(garden: Garden) -> subprocess.Popen[bytes]:
    """Begin a night, in a session of its own."""
    command = [sys.executable, "-m", "verifier", "nightly", str(garden.file)]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)


def test_thirty_nights_killed_at_random_moments(tmp_path: Path) -> None:
    """Whatever instant it was: the next night that is let go finishes, and one loss among all of them is told once."""
    garden = laid_out(tmp_path)
    garden.write()
    assert begin(garden).wait() == 0
    (garden.new / NAME).unlink()
    began = time.monotonic()
    assert begin(garden).wait() == 1
    takes_s = time.monotonic() - began
    chance = random.Random(11)
    killed = 0
    for _ in range(KILLS):
        process = begin(garden)
        time.sleep(chance.uniform(0.2, 1.0) * takes_s)
        killed += process.poll() is None
        with suppress(ProcessLookupError):  # it had ended
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    assert killed > KILLS / 3
    assert begin(garden).wait() == 1
    runs = garden.runs()
    assert {one.outcome for one in runs} <= {Outcome.FINISHED, Outcome.KILLED}
    finished = [one for one in runs if one.outcome is Outcome.FINISHED]
    assert [one.news.headline for one in finished[:2]] == ["nothing new", "1 new missing file"]
    assert {one.news.headline for one in finished[2:]} == {"nothing new, 1 known"}
    with Ledger.open(garden.evidence / LEDGER_FILE) as ledger:
        assert check(ledger, garden.evidence) == []
    assert sorted(path.name for path in (garden.evidence / RUNS).iterdir()) == sorted(one.run for one in finished)
    assert not (garden.evidence / UNFINISHED).exists()
    assert not (garden.evidence / HOLDER_FILE).exists()
