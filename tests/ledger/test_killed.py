"""A ledger whose writer was killed: whole, with the entry or without it."""

from __future__ import annotations

import ast
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Final

import pytest

from tests.conftest import without_rights
from tests.ledger.records import night, read, write
from tests.reconcile.trees import scratch
from verifier.errors import EvidenceUnwritable
from verifier.ledger.chain import check
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import LEDGER_FILE

REPOSITORY: Final = Path(__file__).resolve().parents[2]
ENVIRONMENT: Final = {**os.environ, "PYTHONPATH": str(REPOSITORY)}


def killed_everywhere(stride: int) -> dict[str, int]:
    """Return how often the ledger was found in which state."""
    with scratch() as base:
        command = [sys.executable, "-m", "tests.ledger.killed", str(base), str(stride)]
        ended = subprocess.run(command, capture_output=True, text=True, cwd=REPOSITORY, env=ENVIRONMENT, check=False)
    if "lets no program trace" in ended.stderr:
        pytest.skip(ended.stderr.strip())
    assert ended.returncode == 0, ended.stderr
    found: dict[str, int] = ast.literal_eval(ended.stdout)
    return found


def test_killed_at_some_system_calls() -> None:
    """Whole, and writable, at instants that are spread over all of the work."""
    found = killed_everywhere(11)
    assert {"there: without", "there: with", "begun: nothing"} <= {
        state.replace(", with a journal", "") for state in found
    }
    assert sum(found.values()) > 25


@pytest.mark.slow
def test_killed_at_every_system_call() -> None:
    """Before and after each: also while a journal is there, which the next who opens it has to undo."""
    found = killed_everywhere(1)
    assert sum(found.values()) > 200
    assert found["there, with a journal: without"] > 20
    assert found["begun, with a journal: nothing"] > 20
    assert found["there: with"] >= 1
    assert found["begun: with"] >= 1
    assert not any(state.endswith("journal: with") for state in found)


APPEND: Final = """
import sys
from pathlib import Path
from tests.ledger.records import night
from verifier.ledger.ledger import Ledger
print("ready", flush=True)
number = int(sys.argv[2])
with Ledger.write(Path(sys.argv[1])) as ledger:
    while True:
        ledger.append(night(number, evidence=""))
        number += 1
"""


@pytest.mark.slow
def test_killed_at_random_moments(tmp_path: Path) -> None:
    """On a real disk, where most of the time goes by inside the system: nothing that was there is lost."""
    path = tmp_path / LEDGER_FILE
    chance = random.Random(7)
    known = 0
    for _ in range(25):
        command = [sys.executable, "-c", APPEND, str(path), str(known)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, env=ENVIRONMENT)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(chance.uniform(0, 0.2))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        if not path.exists() or not path.stat().st_size:
            continue
        with Ledger.open(path) as ledger:
            assert check(ledger, tmp_path) == []
            assert ledger.length >= known
            known = ledger.length
    assert known > 25


HALF: Final = """
import os, sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("PRAGMA cache_size = 1")
connection.execute("BEGIN IMMEDIATE")
connection.execute("UPDATE entries SET headline = 'x' || printf('%.*c', 9000, 'x')")
connection.execute("DELETE FROM entries WHERE number = 1")
os._exit(1)
"""


def half_changed(path: Path) -> bytes:
    """Let a program be killed whose change had reached the file; return what the file was."""
    before = path.read_bytes()
    subprocess.run([sys.executable, "-c", HALF, str(path)], check=False)
    assert path.with_name(f"{LEDGER_FILE}-journal").stat().st_size
    assert path.read_bytes() != before
    return before


def test_who_reads_first_undoes_what_was_half_written() -> None:
    """A journal beside the ledger is no reason to know nothing of it."""
    with scratch() as base:
        path = write(base, [night(number) for number in range(20)])
        before = half_changed(path)
        assert len(read(path)) == 20
        assert path.read_bytes() == before
        assert [one.name for one in base.iterdir()] == [LEDGER_FILE]


def test_who_may_not_write_is_told_what_to_do(open_ground: Path) -> None:
    """One line, and nothing half written is taken for the truth."""
    path = write(open_ground, [night(number) for number in range(20)])
    half_changed(path)
    path.chmod(0o644)
    open_ground.chmod(0o555)
    with without_rights(), pytest.raises(EvidenceUnwritable, match="half written by a run that was killed") as caught:
        Ledger.open(path)
    assert caught.value.hint == "run this once as a user who may write there"
    open_ground.chmod(0o777)
    assert len(read(path)) == 20
