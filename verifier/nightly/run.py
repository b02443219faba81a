"""One night: what the ledger remembers, a check within its time window, and what is new since the run before.

The order is fixed, so that a run which is killed at any instant loses nothing: the check is finished in a folder of its
own, then the ledger has its entry, then the folder gets its place. The next run finds what is left to do by what lies
where: a finished check without an entry gets one, and an entry whose folder is not in its place is given it.
"""

from __future__ import annotations

import logging
import shutil
import time
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import islice
from typing import TYPE_CHECKING, Final

from verifier import clock
from verifier.check import check
from verifier.classes import Phase, Side
from verifier.errors import (
    CannotRun,
    EvidenceUnwritable,
    Interrupted,
    ManifestDamaged,
    NotAManifest,
    RootUnavailable,
    UsageProblem,
    VerifierError,
    WindowEnded,
)
from verifier.evidence import FINDINGS_FILE
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import LEDGER_FILE, RUN_NAME, RUNS, UNFINISHED
from verifier.ledger.record import Outcome, PhaseRecord, RunRecord
from verifier.ledger.retention import due, runs_signed, runs_there
from verifier.ledger.watch import is_ahead
from verifier.log import Event, event
from verifier.manifest.database import named
from verifier.nightly.account import Ran, not_finished, record_of
from verifier.nightly.coverage import rate_of
from verifier.nightly.lock import hold
from verifier.nightly.previous import Previous, accepted_in, previous_runs
from verifier.nightly.step import baseline_of, begin_phase, gates_of, is_first_live
from verifier.nightly.task import FIRST, Circumstances, guard, request_of
from verifier.nightly.window import window_end
from verifier.report.write import write_report
from verifier.scan.guard import look_at
from verifier.tree.trouble import errno_name

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from contextlib import AbstractContextManager
    from pathlib import Path

    from verifier.job.job import Job
    from verifier.ledger.record import LedgerEntry
    from verifier.nightly.lock import Hold, Holder
    from verifier.report.context import ReportContext
    from verifier.scan.progress import Progress

_TRIES: Final = 3
"""So many earlier runs are tried to rest on, where manifests turn out to be damaged."""
_RATES_FROM: Final = 20
"""A rate that was measured is looked for in so many runs."""


@dataclass(frozen=True, slots=True)
class Watching:
    """Who is told how a run goes on, while it does."""

    on_progress: Callable[[Progress], None] = lambda _: None
    on_stage: Callable[[str], None] = lambda _: None
    logged: Callable[[str], AbstractContextManager[object]] = nullcontext
    """Given the run's name once the job is held, and entered for as long as it is."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How a night ended."""

    record: RunRecord
    entry: LedgerEntry | None
    """Its entry in the ledger; None where that could not be written, and why stands in `unwritten`."""
    unwritten: str = ""
    before: tuple[LedgerEntry, ...] = ()
    """Runs before it that are written down only now, because they were killed."""


@contextmanager
def night(job: Job, who: str, watching: Watching | None = None, *, afresh: bool = False) -> Iterator[Ended]:
    """Go through one night, and give how it ended while the job is still held, for what comes after it.

    Args:
        job: The job.
        who: On whose behalf, as the ledger names them.
        watching: Who is told how it goes on.
        afresh: Carry nothing over: read everything.

    Raises:
        JobHeld: If another run is under way.
        UsageProblem: If the job cannot be meant.
        CannotRun: If the evidence folder or the ledger cannot be used, so that nothing could be written down.
    """
    _refuse_inside(job)
    try:
        job.evidence.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise EvidenceUnwritable(f"{named(job.evidence)} cannot be made ({error.strerror})", "name another") from error
    with hold(job.evidence) as held, Ledger.write(job.evidence / LEDGER_FILE) as ledger:
        step = begin_phase(job, ledger, who)
        under_way = _Night(job, ledger, held, step.phase, watching or Watching(), afresh)
        under_way.run = under_way.free_name()
        with under_way.watching.logged(under_way.run):
            yield under_way.go()


def _refuse_inside(job: Job) -> None:
    """Refuse a folder for evidence inside a root, before anything is made.

    By its name alone where the root is not there now; that is the run's own failure, and is written down.
    """
    for root in (root for side in job.sides for root in side.roots if not root.is_file()):
        inside = job.evidence == root or root in job.evidence.parents
        with suppress(RootUnavailable):
            inside = inside or look_at(root, job.scan.stall_after_s).contains(job.evidence)
        if inside:
            raise UsageProblem(
                f"the evidence folder {named(job.evidence)} lies inside {named(root)}, and nothing is ever written "
                "into a tree",
                "name another in the job file",
            )


@dataclass(slots=True)
class _Night:
    """A night under way."""

    job: Job
    ledger: Ledger
    held: Hold
    phase: Phase
    watching: Watching
    afresh: bool
    run: str = ""
    began: datetime = field(default_factory=clock.now)
    warnings: list[str] = field(default_factory=list)
    window_s: float = 0.0

    @property
    def unfinished(self) -> Path:
        """Where this run's evidence is made."""
        return self.job.evidence / UNFINISHED

    def go(self) -> Ended:
        """Finish what a killed run left, then do tonight's, and write down both."""
        late = tuple(self._finish_the_killed())
        event(Event.RUN_BEGAN, job=self.job.name, phase=self.phase.value)
        failed: BaseException | None = None
        try:
            self.held.begin(self.run, self.began.isoformat(timespec="seconds"))
            record = self._finished()
        except WindowEnded as error:
            record = self._not(Outcome.WINDOW_ENDED, error.exit_code, error.what)
        except Interrupted as error:
            record = self._not(Outcome.INTERRUPTED, error.exit_code, error.what)
        except KeyboardInterrupt:
            record = self._not(Outcome.INTERRUPTED, Interrupted.exit_code, "stopped from outside")
        except VerifierError as error:
            record = self._not(Outcome.COULD_NOT_RUN, error.exit_code, str(error))
        except (OSError, MemoryError) as error:
            why = f"{errno_name(error)}: {error}" if isinstance(error, OSError) else "out of memory"
            record = self._not(Outcome.COULD_NOT_RUN, CannotRun.exit_code, why)
        except Exception as error:  # a defect of this program: it is written down before it is shown
            record = self._not(Outcome.COULD_NOT_RUN, CannotRun.exit_code, f"internal error: {type(error).__name__}")
            failed = error
        _log_the_end(record)
        try:
            entry = self._write_down(record)
        except VerifierError as error:
            if failed is not None:
                raise failed from error
            return Ended(record, None, str(error), late)
        if failed is not None:
            raise failed
        assert isinstance(entry.record, RunRecord)
        return Ended(entry.record, entry, before=late)

    def _not(self, outcome: Outcome, exit_code: int, why: str) -> RunRecord:
        return not_finished(self._ran(None), outcome, exit_code, " ".join(why.split()))

    def _ran(self, before: Previous | None) -> Ran:
        started = self.began.isoformat(timespec="seconds")
        return Ran(self.run, started, self.phase, before, self.window_s, tuple(self.warnings))

    def free_name(self) -> str:
        """Return the run's name; one that is taken, because the clock was set back, gets a number."""
        plain = f"{self.began:%Y%m%dT%H%M%SZ}"
        taken = runs_there(self.job.evidence)
        if self.held.killed is not None:
            taken.add(self.held.killed.run)  # it has no entry yet
        name, number = plain, 2
        while name in taken or self.ledger.has(name):
            name, number = f"{plain}-{number}", number + 1
        return name

    # ---- Writing down

    def _write_down(self, record: RunRecord) -> LedgerEntry:
        """Write a run into the ledger, and put its evidence in its place."""
        if record.outcome is Outcome.FINISHED:
            records = [*self.ledger.records(), record]
            there = {*runs_there(self.job.evidence), record.run}
            pruned = due(records, there, runs_signed(self.job.evidence), self.job.keep, self.began)
            record = replace(record, pruned=tuple(pruned))
        entry = self.ledger.append(record)
        if record.outcome is Outcome.FINISHED:
            self._put_in_place(record.run)
            if is_first_live(self.ledger, self.phase, record):
                self.ledger.append(PhaseRecord(record.finished, self.phase, self.phase, TOOL_ITSELF, record.evidence))
        self.held.end()
        return entry

    def _put_in_place(self, run: str) -> None:
        place = self.job.evidence / RUNS / run
        try:
            place.parent.mkdir(exist_ok=True)
            self.unfinished.rename(place)
            shutil.rmtree(self.job.evidence / FIRST, ignore_errors=True)
        except OSError as error:
            raise EvidenceUnwritable(
                f"{named(self.unfinished)} cannot be moved to {named(place)} ({error.strerror})",
                "the next run tries it again",
            ) from error

    def _finish_the_killed(self) -> Iterator[LedgerEntry]:
        """Write down what a run left that was ended without a word; yield the entry."""
        holder = self.held.killed
        if holder is None:
            return
        if not RUN_NAME.fullmatch(holder.run):
            self.held.end()
            return
        finished = (self.unfinished / FINDINGS_FILE).is_file()
        if self.ledger.has(holder.run):
            if finished and not (self.job.evidence / RUNS / holder.run).exists():
                self._put_in_place(holder.run)
            self.held.end()
            return
        record = (self._adopt(holder) if finished else None) or not_finished(
            Ran(holder.run, holder.started, self.phase, None),
            Outcome.KILLED,
            Interrupted.exit_code,
            "ended from outside without a word: killed, or the power went, or the disk for the evidence was full",
        )
        event(Event.KILLED_BEFORE, logging.WARNING, before=holder.run, outcome=record.outcome.value)
        yield self._write_down(record)

    def _adopt(self, holder: Holder) -> RunRecord | None:
        """Return the record of a check that was finished before its run was killed; None where it is not whole."""
        before = next(previous_runs(self.ledger, self.job.evidence), None)
        ran = Ran(holder.run, holder.started, self.phase, before)
        try:
            context = write_report(self.unfinished)
            ran = replace(ran, phase=Phase(context.run.get("phase") or self.phase))  # somebody may have moved on since
            return record_of(self.job, ran, self.unfinished, context, self.began)
        except VerifierError:
            return None

    # ---- Tonight's check

    def _finished(self) -> RunRecord:
        """Check, and return the entry of a run that finished.

        Raises:
            VerifierError: If it did not.
        """
        end = window_end(self.job.window, self.began)
        until = None
        if end is not None:
            self.window_s = max(0.0, (end - self.began).total_seconds())
            until = time.monotonic() + (end - clock.now()).total_seconds()
        accepted = self.job.accepted
        if accepted is None:
            accepted, warning = accepted_in(self.job.evidence)
            self._warn(warning)
        for previous in self._to_rest_on():
            try:
                guard(self.job, self.phase, previous)
                context = self._check(previous, accepted, until)
            except (ManifestDamaged, NotAManifest) as error:
                if previous is None:
                    raise
                self._warn(f"evidence: {error.what}; what run {previous.record.run} knew is not carried over")
                continue
            return self._counted(context)
        raise AssertionError  # the last of them is None, which returns or raises

    def _counted(self, context: ReportContext) -> RunRecord:
        """Return the entry of a check that came to its end, held against the last run that can still be read."""
        earlier = islice(previous_runs(self.ledger, self.job.evidence), _TRIES)
        for before in (*earlier, None):
            try:
                return record_of(self.job, self._ran(before), self.unfinished, context, clock.now())
            except (ManifestDamaged, NotAManifest) as error:
                if before is None:
                    raise
                self._warn(f"evidence: {error.what}; what is new is not told from run {before.record.run}")
        raise AssertionError

    def _to_rest_on(self) -> Iterator[Previous | None]:
        """Yield earlier runs to carry over from, the last first, and at the end none."""
        tried = 0
        for previous in () if self.afresh else previous_runs(self.ledger, self.job.evidence):
            if is_ahead(previous.record, self.began):
                self._warn(
                    f"clock: run {previous.record.run} was finished at {previous.record.finished}, which is still to "
                    "come by this machine's clock; what it knew is not carried over"
                )
                continue
            yield previous
            tried += 1
            if tried == _TRIES:
                break
        yield None

    def _check(self, previous: Previous | None, accepted: Path | None, until: float | None) -> ReportContext:
        gates = gates_of(self.job, self.ledger, self.phase)
        about = Circumstances(
            self.phase,
            gates.frozen_at,
            gates.live_since if self.phase is not Phase.RETIRED else _began(previous),
            previous,
            baseline_of(self.ledger, self.job.evidence) if self.phase is Phase.LIVE else None,
            accepted,
            until,
            self.began,
            self._rates(),
        )
        on_progress = _Listening(self.watching.on_progress)
        request = request_of(self.job, about, on_progress)
        try:
            return check(request, on_progress, self.watching.on_stage)
        except (UsageProblem, ManifestDamaged) as error:
            # What an earlier night left was begun otherwise (the job, its phase or its roots have changed since),
            # or it is damaged. It is given up for once; if that was not it, the same is said again.
            if not self.unfinished.exists() or not any(self.unfinished.iterdir()):
                raise
            event(Event.WARNING, logging.WARNING, what=f"what an earlier run had read is given up: {error.what}")
            shutil.rmtree(self.unfinished, ignore_errors=True)
            return check(request, on_progress, self.watching.on_stage)

    def _rates(self) -> Mapping[Side, float]:
        """Return at what rate each side was read lately, where that was measured."""
        rates: dict[Side, float] = {}
        for number, record in enumerate(self.ledger.runs(newest_first=True)):
            for side in Side:
                one = record.sides.get(side.value)
                if one is not None and side not in rates and (rate := rate_of(one.read_bytes, one.seconds)):
                    rates[side] = rate
            if len(rates) == len(Side) or number == _RATES_FROM:
                break
        return rates

    def _warn(self, what: str) -> None:
        if what and what not in self.warnings:
            self.warnings.append(what)
            event(Event.WARNING, logging.WARNING, what=what)


TOOL_ITSELF: Final = "verifier, after the first run that finished in this phase"


_ENDS: Final = {
    Outcome.FINISHED: Event.RUN_FINISHED,
    Outcome.WINDOW_ENDED: Event.WINDOW_ENDED,
    Outcome.INTERRUPTED: Event.INTERRUPTED,
    Outcome.COULD_NOT_RUN: Event.COULD_NOT_RUN,
}


def _log_the_end(record: RunRecord) -> None:
    facts: dict[str, str | int] = {"exit_code": record.exit_code, "news": record.news.headline}
    if record.verdict is not None:
        facts["verdict"] = record.verdict.value
    for name, side in record.sides.items():
        facts |= {f"{name}_read_files": side.read_files, f"{name}_read_bytes": side.read_bytes}
    quiet = record.outcome is Outcome.WINDOW_ENDED or record.is_quiet
    event(_ENDS[record.outcome], logging.INFO if quiet else logging.WARNING, **facts)


class _Listening:
    """Logs when a side is listed, and passes on how far it is."""

    def __init__(self, on_progress: Callable[[Progress], None]) -> None:
        self._on_progress = on_progress
        self._listed: set[str] = set()

    def __call__(self, progress: Progress) -> None:
        if progress.stage != "listing" and progress.label not in self._listed:
            self._listed.add(progress.label)
            event(Event.SIDE_LISTED, side=progress.label, entries=progress.entries, carried=progress.carried_files)
        self._on_progress(progress)


def _began(previous: Previous | None) -> datetime | None:
    return None if previous is None else datetime.fromisoformat(previous.record.started)
