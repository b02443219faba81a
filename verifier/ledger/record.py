"""What the ledger remembers: runs, and steps from one phase to the next."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verifier.classes import Phase, VerdictKind


class Outcome(StrEnum):
    """How a run ended."""

    FINISHED = "finished"
    """Scanned, reconciled and judged."""
    WINDOW_ENDED = "window-ended"
    """Not everything was read when its time window ended; the next run goes on from there."""
    INTERRUPTED = "interrupted"
    """Stopped from outside in good order, or a share went away under it; the next run goes on from there."""
    COULD_NOT_RUN = "could-not-run"
    """The surroundings did not allow it, or the job file or its rules could not be used."""
    KILLED = "killed"
    """Ended from outside without a word; noticed and written down by the run after it."""


@dataclass(frozen=True, slots=True)
class SideRecord:
    """One side in one run."""

    label: str
    root: str
    """As it may be shown."""
    entries: int = 0
    files: int = 0
    bytes: int = 0
    read_files: int = 0
    """Really read in this run."""
    read_bytes: int = 0
    seconds: float = 0.0
    """How long its scan took."""
    oldest_read: str = ""
    """When the longest unread of its files was read, ISO 8601; empty where nothing was carried over."""
    fresh_files: int = 0
    """Read within the promised time, this run included."""
    fresh_bytes: int = 0
    problems: int = 0
    """Errors that were met."""
    fingerprint: str = ""


@dataclass(frozen=True, slots=True)
class News:
    """What is new since the run before: counts of entries that stand in the way or need a look."""

    new: int = 0
    """Were not there the night before,"""
    worse: int = 0
    """were there, and weigh more now or changed again,"""
    repaired: int = 0
    """were there, and are not any more,"""
    known: int = 0
    """were there, and are the same,"""
    accepted: int = 0
    """are accepted by name."""
    unusual: str = ""
    """What is more than people do in a night, in words: a tenth of all files gone, or with other content."""
    headline: str = ""
    """All of it in a sentence: what leads every message."""
    lines: tuple[str, ...] = ()
    """The gravest by name, as they may be shown: what, and where."""


@dataclass(frozen=True, slots=True)
class RunRecord:
    """One run."""

    run: str
    """Its name, which its evidence folder has, too: when it began, UTC, as in ``20261201T023000Z``."""
    started: str
    """ISO 8601, UTC."""
    finished: str
    phase: Phase
    outcome: Outcome
    exit_code: int
    verdict: VerdictKind | None = None
    """Of a run that finished."""
    reasons: tuple[str, ...] = ()
    """The verdict's, or in one line why it did not finish."""
    classes: Mapping[str, tuple[int, int, int]] = field(default_factory=dict)
    """Entries, files and bytes by class; classes with none are left out."""
    causes: Mapping[str, int] = field(default_factory=dict)
    """Entries with changed content, by cause."""
    sides: Mapping[str, SideRecord] = field(default_factory=dict)
    """By ``old`` and ``new``."""
    news: News = field(default_factory=News)
    warnings: tuple[str, ...] = ()
    """What does not stand in the way tonight and will: a window that is too short, a clock that was set back."""
    evidence: str = ""
    """Its evidence folder, relative to the ledger's; empty where there is none."""
    findings_digest: str = ""
    """BLAKE3 of the findings in it, hex."""
    report_id: str = ""
    pruned: tuple[str, ...] = ()
    """Runs whose evidence was due to be removed after this one."""
    tool: str = ""

    @property
    def is_good(self) -> bool:
        """Whether the run finished and its evidence can be relied on."""
        from verifier.classes import TRUSTED  # noqa: PLC0415  for annotations only otherwise

        return self.outcome is Outcome.FINISHED and self.verdict in TRUSTED

    @property
    def is_quiet(self) -> bool:
        """Whether who only wants to know that the nights go well need not hear of it.

        A good run is, and while the copy is still being made a finished one that found nothing new or worse: nobody
        can trust a copy then, and a watch that complained every morning would be switched off.
        """
        from verifier.classes import Phase  # noqa: PLC0415  for annotations only otherwise

        goes_on = self.phase is Phase.COPYING and self.outcome is Outcome.FINISHED
        return self.is_good or (goes_on and not self.news.new and not self.news.worse)


@dataclass(frozen=True, slots=True)
class PhaseRecord:
    """A step from one phase to the next."""

    at: str
    """ISO 8601, UTC."""
    before: Phase | None
    """None for the phase in which a job begins."""
    phase: Phase
    by: str
    """Who said so."""
    baseline: str = ""
    """With ``live``: the evidence folder, relative to the ledger's, of the last finished run before it, whose manifest
    of the new side says what had arrived; empty where there was none."""
    despite: str = ""
    """Why all the same, where the last run did not show what the step needs."""


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """One entry of the ledger, tied to the one before it."""

    number: int
    """From 1, without a gap."""
    record: RunRecord | PhaseRecord
    previous: str
    """Digest of the entry before it, hex; of the first one 64 zeros."""
    digest: str
    """BLAKE3, hex, over the previous digest and this entry."""
