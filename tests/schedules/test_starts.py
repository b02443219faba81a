"""What is started for a job: when, by which program, under which name."""

from __future__ import annotations

import re
import subprocess
import sys
import time as time_module
from dataclasses import replace
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.schedules.named import AT, job, starts
from verifier import clock
from verifier.errors import UsageProblem
from verifier.job.job import JobSide, Window
from verifier.schedules.scheduler import Part
from verifier.schedules.starts import MAX_AGE, skipped_on, skipped_text, starts_of
from verifier.version import TOOL

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def berlin(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Be in a zone that has summer time, in December 2026."""
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time_module.tzset()
    clock.set_source(lambda: datetime(2026, 12, 1, tzinfo=UTC))
    yield
    clock.set_source(None)
    monkeypatch.undo()
    time_module.tzset()


def test_the_night_and_the_look_hours_later() -> None:
    """Both name the job file by its whole path; the night writes its log where it may write."""
    night, look = starts(job()).chosen()
    assert (night.part, night.at) == (Part.NIGHTLY, AT)
    assert night.words[4:] == ("nightly", "/srv/garden/migration.toml", "--log-file", "/srv/garden/proofs/nightly.log")
    assert (look.part, look.at) == (Part.WATCH, time(6, 30))
    assert look.words[4:] == ("watch", "/srv/garden/migration.toml", "--max-age", MAX_AGE)
    assert starts(job()).chosen(Part.WATCH) == [look]


@pytest.mark.parametrize(
    ("at", "window", "look"),
    [
        (time(1), Window(), time(5)),
        (time(22, 30), Window(), time(2, 30)),
        (time(22), Window(until=time(6)), time(7)),
        (time(1), Window(until=time(6, 30)), time(7, 30)),
        (time(1), Window(until=time(2)), time(5)),
        (time(1), Window(at_most_s=5.5 * 3600), time(7, 30)),
        (time(1), Window(until=time(6), at_most_s=20 * 3600), time(7)),
        (time(6), Window(until=time(6)), time(5)),
        (time(1), Window(at_most_s=10**9), time(0)),
    ],
)
def test_the_look_comes_when_the_night_should_be_over(at: time, window: Window, look: time) -> None:
    """An hour after the window's end, four hours after the beginning at least, and before the next night begins."""
    assert replace(starts(job(window=window)), at=at).look_at == look


def test_the_program_runs_wherever_it_is_started(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With nothing but what is printed in its environment, and in a folder that holds other modules of that name."""
    monkeypatch.setenv("PYTHONPATH", f"/nowhere:{ROOT}")
    (tmp_path / "verifier.py").write_text("print('somebody else')")
    found = starts_of(job(), AT)
    assert found.environment["PYTHONPATH"] == str(ROOT)
    done = subprocess.run(
        [*found.program, "--version"],
        cwd=tmp_path,
        env=dict(found.environment),
        check=True,
        capture_output=True,
        text=True,
    )
    assert done.stdout == f"{TOOL}\n"
    assert found.program[0] == sys.executable


def test_only_a_path_that_is_needed_is_taken_along(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a program that is installed nothing of the shell's environment is printed."""
    monkeypatch.setenv("PYTHONPATH", "/nowhere")
    monkeypatch.setenv("HERBARIUM_ADDRESSES", "json://s3cr3t")
    found = starts_of(job(urls_env="HERBARIUM_ADDRESSES"), AT)
    assert sorted(found.environment) == ["LANG", "PATH"]


@given(st.lists(st.text(min_size=1, max_size=12), unique=True, max_size=6))
@example(["a", "a-watch", "a_watch", "A", "a-", "job"])
def test_every_job_has_a_name_of_its_own(names: list[str]) -> None:
    """A unit of one job never takes the place of another's, and is called by plain letters only."""
    found = [start.unit for name in names for start in starts(job(name)).chosen()]
    assert len(set(found)) == 2 * len(names)
    assert all(re.fullmatch(r"verifier-[a-z0-9]+(-[a-z0-9]+)*(_watch)?", unit) for unit in found)


def test_a_plain_name_stays_as_it_is() -> None:
    """Who calls a job herbarium finds verifier-herbarium."""
    assert starts(job("herbarium-2")).unit == "verifier-herbarium-2"
    assert starts(job("Herbarium")).unit.startswith("verifier-herbarium-")
    assert starts(job("\u6a19\u672c")).unit.startswith("verifier-job-")


@pytest.mark.parametrize("bad", ["a\nb", "a\rb", "a\tb", "\x1b[2J", "\x7f", "a\u2028b", "a\x85b", "\udcff", "\uffff"])
def test_what_no_scheduler_can_hold_is_refused(bad: str) -> None:
    """A line break in a path would end the line; a byte that is not UTF-8 cannot be printed."""
    for hostile in (
        job(below=bad),
        replace(job(), old=JobSide((Path("/srv", bad),))),
        replace(job(), evidence=Path("/srv", bad)),
    ):
        with pytest.raises(UsageProblem, match="which no scheduler's file can hold") as caught:
            starts_of(hostile, AT)
        assert str(caught.value).isprintable()


@pytest.mark.usefixtures("berlin")
def test_the_hour_that_the_clock_skips_is_known() -> None:
    """2027-03-28, 02:00 to 03:00 in Berlin (tzdata); every other time is there on every day."""
    assert skipped_on(time(2)) == date(2027, 3, 28)
    assert skipped_on(time(2, 59)) == date(2027, 3, 28)
    assert skipped_on(time(1, 59)) is None
    assert skipped_on(time(3)) is None


@pytest.mark.usefixtures("berlin")
def test_a_skipped_night_and_a_skipped_look_are_told() -> None:
    """Whoever chooses the time reads it before it happens."""
    skips = "In this machine's zone, CET, there is no 02:30 on 2027-03-28: the clock is put forward then."
    assert skipped_text(starts(job())) == skips
    assert skipped_text(replace(starts(job()), at=time(22, 30))) == skips
    assert skipped_text(replace(starts(job()), at=time(1))) == (
        "In this machine's zone, CET, every day has these times for a year to come."
    )
