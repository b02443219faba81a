"""What is started for a job, when, and with what around it."""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from blake3 import blake3

import verifier
from verifier import clock
from verifier.errors import UsageProblem
from verifier.schedules.scheduler import Part
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from verifier.job.job import Job

MAX_AGE: Final = "26h"
"""A night later than that is overdue: one a day, and two hours for one that takes its time."""
LOG_FILE: Final = "nightly.log"
"""In the evidence folder, which the run can write in."""
_LOOK_AFTER: Final = timedelta(hours=4)
"""So long after the beginning of a night at least somebody looks whether it came to an end,"""
_LOOK_AFTER_END: Final = timedelta(hours=1)
"""and so long after the latest end of its window."""
_DAYS_AHEAD: Final = 400
_NOWHERE: Final = "\ufffe\uffff"
"""Neither XML 1.0 nor a unit file can hold these."""


@dataclass(frozen=True, slots=True)
class Start:
    """One thing to start, once a day."""

    part: Part
    at: time
    """Local time of day."""
    words: tuple[str, ...]
    """The command, one word each, the program first."""
    unit: str
    """What a scheduler calls it."""


@dataclass(frozen=True, slots=True)
class Starts:
    """The run of a night, and the look whether there was one."""

    job: Job
    at: time
    """When a night begins, local time of day."""
    program: tuple[str, ...]
    """What runs this program, before the name of a command; absolute."""
    environment: Mapping[str, str] = field(default_factory=dict)

    @property
    def unit(self) -> str:
        """What schedulers call the job: letters, digits and hyphens; another name for every job."""
        name = self.job.name
        plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
        return (
            f"verifier-{plain}" if plain == name else f"verifier-{plain or 'job'}-{blake3(name.encode()).hexdigest(4)}"
        )

    @property
    def log_file(self) -> Path:
        """Where a night's log goes."""
        return self.job.evidence / LOG_FILE

    @property
    def look_at(self) -> time:
        """When somebody looks whether the night came to an end."""
        begin = datetime.combine(date(2000, 1, 2), self.at)  # any day: only the time of day counts
        window = self.job.window
        looks = [begin + _LOOK_AFTER]
        if window.until is not None:
            end = datetime.combine(begin.date(), window.until)
            looks.append((end if end > begin else end + timedelta(days=1)) + _LOOK_AFTER_END)
        elif window.at_most_s is not None:
            looks.append(begin + min(timedelta(seconds=window.at_most_s), timedelta(days=1)) + _LOOK_AFTER_END)
        return min(max(looks), begin + timedelta(hours=23)).time().replace(second=0, microsecond=0)

    def chosen(self, only: Part | None = None) -> Sequence[Start]:
        """Return what is started, or only one part of it."""
        job = str(self.job.path)
        run = (*self.program, Part.NIGHTLY.value, job, "--log-file", str(self.log_file))
        look = (*self.program, Part.WATCH.value, job, "--max-age", MAX_AGE)
        # With a stroke that no job's own name keeps: a job called a-watch is another one.
        both = (
            Start(Part.NIGHTLY, self.at, run, self.unit),
            Start(Part.WATCH, self.look_at, look, f"{self.unit}_{Part.WATCH.value}"),
        )
        return [one for one in both if only in (None, one.part)]

    @property
    def roots(self) -> tuple[Path, ...]:
        """All roots of the job, the old side's first."""
        return (*(() if self.job.old is None else self.job.old.roots), *self.job.new.roots)


def starts_of(job: Job, at: time) -> Starts:
    """Return what is to be started for a job, by the Python that runs this program.

    Raises:
        UsageProblem: If something in it cannot stand in any scheduler's file.
    """
    python = Path(sys.executable)
    # -P: the folder that the scheduler happens to start it in has no say in what is imported.
    program = (str(python), "-P", "-m", "verifier")
    environment = {"LANG": "C.UTF-8", "PATH": f"{python.parent}:/usr/local/bin:/usr/bin:/bin"}
    home = Path(verifier.__file__).resolve().parents[1]
    if any(place and Path(place).resolve() == home for place in os.environ.get("PYTHONPATH", "").split(os.pathsep)):
        environment["PYTHONPATH"] = str(home)  # nothing else would find this program
    starts = Starts(job, at, program, environment)
    words = (word for start in starts.chosen() for word in start.words)
    for text in (*words, *environment.values(), *map(str, starts.roots)):
        _refuse_unwritable(text)
    return starts


def zone_text() -> str:
    """Return what the zone of this machine is called now."""
    return clock.now().astimezone().tzname() or "local time"


def skipped_on(at: time) -> date | None:
    """Return the next day on which this machine's clock has no such time of day; None if there is none in a year."""
    today = clock.now().astimezone().date()
    for day in (today + timedelta(days=n) for n in range(1, _DAYS_AHEAD)):
        wanted = datetime.combine(day, at)
        # What the clock never shows is moved by the way to an instant and back.
        if datetime.fromtimestamp(wanted.timestamp()) != wanted:  # noqa: DTZ006  local time is what is asked for
            return day
    return None


def skipped_text(starts: Starts) -> str:
    """Say when this machine's clock next skips a time at which something is to be started, as a sentence."""
    zone = f"In this machine's zone, {zone_text()},"
    skipped = [(start.at, day) for start in starts.chosen() if (day := skipped_on(start.at)) is not None]
    if not skipped:
        return f"{zone} every day has these times for a year to come."
    gone = ", ".join(f"no {at:%H:%M} on {day}" for at, day in skipped)
    return f"{zone} there is {gone}: the clock is put forward then."


def _refuse_unwritable(text: str) -> None:
    if any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") or c in _NOWHERE for c in text):
        raise UsageProblem(
            f"{shown(text)} holds a line break, a control character or a byte that is not UTF-8, which no scheduler's "
            "file can hold",
            "reach it by another name, such as a link",
        )
