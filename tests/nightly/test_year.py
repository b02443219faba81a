"""A year of nights: 365 runs on a server that people work on, with every mishap that comes up in a year.

Real file systems on image files, unmounted, filled and damaged for real; a real SIGKILL; only the clock is not real.
"""

from __future__ import annotations

import os
import random
import shutil
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import pytest

from tests.nightly.garden import Disk, People, Wall, at_the_wall, lay_out
from tests.nightly.killed import killed_night
from verifier.classes import Phase, VerdictKind
from verifier.job.load import load_job
from verifier.ledger.chain import Fault, check
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import HISTORY_FILE, LEDGER_FILE, RUNS
from verifier.ledger.record import Outcome
from verifier.nightly.aftermath import after, night_of
from verifier.nightly.lock import hold
from verifier.nightly.run import night
from verifier.nightly.step import advance

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.job.job import Job
    from verifier.ledger.record import RunRecord

pytestmark = [pytest.mark.slow, pytest.mark.real(root=True, mounts=True, programs=("mkfs.ext4", "losetup"))]

NIGHTS: Final = 365
FILES: Final = 90
UNMOUNTED: Final = (60, 61, 120)
KILLED: Final = 90
FULL: Final = 140
DECAYS: Final = 200
REPAIRED_AFTER: Final = 12
"""Nights after which somebody puts the damaged file back."""
STEPS: Final = {4: Phase.FROZEN, 8: Phase.LIVE, 300: Phase.RETIRED}
PROMISED_DAYS: Final = 30
VICTIM: Final = "scans/0042"
WHO: Final = "the garden's cron"
MIB: Final = 1024 * 1024
QUIET: Final = "nothing new"


class Year:
    """The year, and what came of each night."""

    def __init__(self, base: Path, old: Disk, new: Disk, proof: Disk, wall: Wall) -> None:
        self.old, self.new, self.proof, self.wall = old, new, proof, wall
        self.held = lay_out(old.point, FILES)
        untouched = frozenset(name for number, name in enumerate(self.held) if number % 2 == 0)
        self.people = People(new.point, random.Random(7), untouched | {VICTIM})
        file = base / "migration.toml"
        file.write_text(
            f'name = "herbarium"\nphase = "copying"\n[old]\nroot = "{old.point}"\n[new]\nroots = ["{new.point}"]\n'
            f'[window]\nuntil = "06:00"\n[scan]\nidle = false\nreread = "{PROMISED_DAYS}d"\n'
            f'[evidence]\nfolder = "{proof.point / "evidence"}"\n'
        )
        self.job: Job = load_job(file)
        self.records: dict[int, RunRecord] = {}
        self.sizes: dict[int, int] = {}
        self.found_on = -1

    def night(self, number: int) -> RunRecord:
        """Go through one night as the command does."""
        with night(self.job, WHO) as ended:
            warnings = after(self.job, night_of(self.job.evidence, ended))
        assert warnings == []
        self.records[number] = ended.record
        return ended.record

    def step(self, phase: Phase) -> None:
        """Move on to a phase."""
        with hold(self.job.evidence), Ledger.write(self.job.evidence / LEDGER_FILE) as ledger:
            assert advance(self.job, ledger, WHO).phase is phase

    def copy(self, part: float) -> None:
        """Copy a part of the old server, as a copying program does that keeps times."""
        for name in list(self.held)[: round(len(self.held) * part)]:
            place = self.new.point / name
            place.parent.mkdir(exist_ok=True)
            if not place.exists():
                shutil.copy2(self.old.point / name, place)


def go_through(year: Year, first: datetime) -> None:
    """Go through the year, one night after another."""
    for number in range(NIGHTS):
        year.wall.night(first, number, 17)
        if number < 4:
            year.copy((number + 1) / 4)
        elif number > 8:
            year.people.work(year.wall.now())
        if number == DECAYS:
            year.new.decay(year.held[VICTIM])
        if number in STEPS:
            year.step(STEPS[number])
        if year.found_on >= 0 and number == year.found_on + REPAIRED_AFTER:
            shutil.copy2(year.old.point / VICTIM, year.new.point / VICTIM)
        year.wall.night(first, number + 1)
        if number in UNMOUNTED:
            side = year.old if number != 120 else year.new
            side.unmount()
            assert year.night(number).exit_code == 4
            side.mount()
        elif number == KILLED:
            killed_night(year.job.path, "while it checks", year.wall.now())
        elif number == FULL:
            filler = year.proof.point / "filler"
            with filler.open("wb") as file:
                room = shutil.disk_usage(year.proof.point).free - 96 * 1024
                os.posix_fallocate(file.fileno(), 0, room)
            with night(year.job, WHO) as ended:
                after(year.job, night_of(year.job.evidence, ended))
            year.records[number] = ended.record
            filler.unlink()
        else:
            record = year.night(number)
            if year.found_on < 0 and number > 10 and record.news.new:
                year.found_on = number
        year.sizes[number] = sum(path.stat().st_size for path in year.job.evidence.rglob("*") if path.is_file())


@dataclass(frozen=True, slots=True)
class Past:
    """What is left of the year when it is over."""

    records: dict[int, RunRecord]
    """What each night came to, by its number; not of one that was killed."""
    runs: list[RunRecord]
    """What the ledger holds."""
    faults: list[Fault]
    kept: list[str]
    """Runs whose evidence is still there."""
    sizes: dict[int, int]
    """Bytes of all evidence after each night."""
    found_on: int
    history: str


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Past:
    """Go through the year, once for all tests of it."""
    base = tmp_path_factory.mktemp("year")
    first = datetime.now(UTC) + timedelta(days=2)
    with (
        at_the_wall(first) as wall,
        Disk.made(base, "old", 24 * MIB) as old,
        Disk.made(base, "new", 48 * MIB) as new,
        Disk.made(base, "proof", 96 * MIB) as proof,
    ):
        year = Year(base, old, new, proof, wall)
        go_through(year, first)
        folder = year.job.evidence
        with Ledger.open(folder / LEDGER_FILE) as ledger:
            runs, faults = list(ledger.runs()), check(ledger, folder, None)
        kept = sorted(path.name for path in (folder / RUNS).iterdir())
        history = (folder / HISTORY_FILE).read_text(encoding="utf-8")
        return Past(year.records, runs, faults, kept, year.sizes, year.found_on, history)


def test_decay_is_told_within_the_promised_time(past: Past) -> None:
    """A bit that flipped on day 200 in a file that nobody touches: found before it was unread for 30 days."""
    assert DECAYS <= past.found_on <= DECAYS + PROMISED_DAYS
    found = past.records[past.found_on]
    assert (found.news.headline, found.news.lines) == ("1 new damaged file", (f"new: silent: {VICTIM}",))
    assert (found.causes, found.exit_code) == ({"silent": 1}, 1)


def test_decay_is_new_once_known_until_it_is_repaired_and_gone_then(past: Past) -> None:
    """It rings on one night of the year, and on the night after somebody put the file back it is told as repaired."""
    finished = {n: one.news.headline for n, one in past.records.items() if one.outcome is Outcome.FINISHED}
    told = [(n, headline) for n, headline in finished.items() if headline != QUIET]
    known = [(n, f"{QUIET}, 1 known") for n in range(past.found_on + 1, past.found_on + REPAIRED_AFTER)]
    wanted = [(past.found_on, "1 new damaged file"), *known, (past.found_on + REPAIRED_AFTER, "1 repaired")]
    assert told == wanted


def test_no_night_is_a_false_alarm(past: Past) -> None:
    """Edits, new files, moves, removals and litter of a year, two changes of the clocks: trustworthy every night."""
    damaged = range(past.found_on, past.found_on + REPAIRED_AFTER)
    for number, record in past.records.items():
        if record.outcome is Outcome.FINISHED and number >= 4 and number not in damaged:
            assert record.verdict is VerdictKind.TRUSTWORTHY, f"night {number}: {record.reasons}"
    assert {one.phase for one in past.runs} == set(Phase)


def test_every_mishap_is_written_down_as_what_it_was(past: Past) -> None:
    """Unmounted: could not run, exit code 4. Killed: noticed by the next run. A full disk: exit code 4."""
    for number in (*UNMOUNTED, FULL):
        assert (past.records[number].outcome, past.records[number].exit_code) == (Outcome.COULD_NOT_RUN, 4)
    ends = Counter(one.outcome for one in past.runs)
    assert sum(ends.values()) == NIGHTS, "every night has its entry"
    failed = [f"{one.run}: {one.reasons[0]}" for one in past.runs if one.outcome is not Outcome.FINISHED]
    assert len(failed) == len(UNMOUNTED) + 2, "\n".join(failed)
    # What had no room for its entry is noticed by the next run, like what was killed.
    assert ends[Outcome.KILLED] + ends[Outcome.COULD_NOT_RUN] == len(UNMOUNTED) + 2
    assert ends[Outcome.KILLED] >= 1


def test_every_file_is_read_as_often_as_promised(past: Past) -> None:
    """On every night of the year all evidence is fresh, and no night warns."""
    for number, record in past.records.items():
        if record.outcome is Outcome.FINISHED:
            assert all(side.fresh_files == side.files for side in record.sides.values()), f"night {number}"
            assert record.warnings == (), f"night {number}"


def test_the_ledger_is_whole_and_the_evidence_is_bounded(past: Past) -> None:
    """The chain holds; all runs of 14 days, one a week for 90 days, one a month, the failing one: no more."""
    assert past.faults == []
    assert len(past.kept) <= 15 + 12 + 12 + 2
    assert past.runs[-1].run in past.kept
    found = next(one.run for one in past.runs if one.news.new)
    assert found in past.kept, "the night on which it came is kept for ever"
    assert past.sizes[NIGHTS - 1] < 2.5 * past.sizes[90]
    assert found in past.history
