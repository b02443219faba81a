"""A job as it was read from its file: plain facts, paths absolute, times aware, amounts in bytes and seconds."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from datetime import datetime, time
    from pathlib import Path

    from verifier.classes import Field, Phase
    from verifier.reconcile.options import PlaceMap
    from verifier.tree.digests import Algorithm

DAY_S: Final = 86400.0
LONGEST_NAME: Final = 60
"""Characters of a job's name: it stands in the subject of each message."""


class Occasion(StrEnum):
    """When somebody is told."""

    WORSE = "worse"
    """Something stands in the way, or needs a look, that did not the night before."""
    FAILURE = "failure"
    """A run could not begin, was ended from outside, or did not reach its end when it should have."""
    BETTER = "better"
    """What stood in the way is gone, and nothing new has come."""
    WEEKLY = "weekly"
    """Seven days after the last message of this kind, whatever the night came to."""
    EVERY = "every"
    """After each run."""


@dataclass(frozen=True, slots=True)
class JobSide:
    """One side."""

    roots: tuple[Path, ...]
    """Folders or manifests; the old side has one."""
    label: str = ""
    """What messages and the history call it; empty for ``old`` or ``new``."""


@dataclass(frozen=True, slots=True)
class Scanning:
    """How the sides are read."""

    algorithm: Algorithm | None = None
    """None for that of the manifests there are, else BLAKE3."""
    readers: int | None = None
    """None finds the number by trying."""
    limit_rate: int | None = None
    """Bytes a second that all readers of a side may read together."""
    idle: bool = True
    """Read at the lowest priority of processor and disk."""
    cold: bool = False
    cross_mounts: bool = False
    stall_after_s: float = 60.0
    reread_s: float | None = 30 * DAY_S
    """Every file is really read at least so often; None for never."""


@dataclass(frozen=True, slots=True)
class Window:
    """How long one night's run may read."""

    until: time | None = None
    """Local time of day at which it stops,"""
    at_most_s: float | None = None
    """or after so long; the earlier of the two."""


@dataclass(frozen=True, slots=True)
class Keeping:
    """How long evidence is kept. What is signed, and each run that found something worse, is kept for ever."""

    every_s: float = 14 * DAY_S
    """All runs for so long,"""
    weekly_s: float = 90 * DAY_S
    """then one a week up to this age,"""
    monthly_s: float = 10 * 365 * DAY_S
    """then one a month up to this age."""


@dataclass(frozen=True, slots=True)
class Notifying:
    """Who is told, and when. The addresses hold secrets, so a job only says where they are."""

    on: frozenset[Occasion] = frozenset()
    urls_env: str = ""
    """The environment variable that holds them, separated by white space; empty for none."""
    urls_file: Path | None = None
    """The file that holds them, one a line, which nobody else may read (mode 600)."""


@dataclass(frozen=True, slots=True)
class Job:
    """Everything a job file says."""

    path: Path
    """The file itself."""
    name: str
    """What messages and the history call it."""
    phase: Phase
    """The phase it begins in; the ledger knows in which it is."""
    old: JobSide | None
    """None only in a job that begins when the old side is gone."""
    new: JobSide
    evidence: Path
    """The folder for the ledger, the history and all evidence."""
    maps: tuple[PlaceMap, ...] = ()
    rules: tuple[Path, ...] = ()
    compare: frozenset[Field] = frozenset()
    ignore: frozenset[Field] = frozenset()
    frozen_at: datetime | None = None
    """Aware; None takes the moment at which the job entered the phase ``frozen``."""
    live_since: datetime | None = None
    """Aware; None takes the moment at which the job entered the phase ``live``."""
    accepted: Path | None = None
    """What was accepted by name elsewhere; None takes along what was accepted in the last run's evidence."""
    scan: Scanning = field(default_factory=Scanning)
    window: Window = field(default_factory=Window)
    keep: Keeping = field(default_factory=Keeping)
    notify: Notifying = field(default_factory=Notifying)

    @property
    def sides(self) -> tuple[JobSide, ...]:
        """The sides that it names, the old one first."""
        return (self.new,) if self.old is None else (self.old, self.new)
