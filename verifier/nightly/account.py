"""What a finished check comes to as an entry of the ledger."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from verifier.classes import Phase, Side
from verifier.clock import now_text
from verifier.evidence import FINDINGS_FILE, MANIFEST_FILES, file_digest
from verifier.ledger.news import what_is_new
from verifier.ledger.places import RUNS
from verifier.ledger.record import News, Outcome, RunRecord, SideRecord
from verifier.manifest.totals import Totals
from verifier.nightly.coverage import fresh, known, overdue, rate_of, too_short
from verifier.nightly.unusual import unusual
from verifier.reconcile.phase import WORKED_ON
from verifier.tree.names import shown
from verifier.version import TOOL

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.job.job import Job
    from verifier.nightly.previous import Previous
    from verifier.report.context import ReportContext, SideFacts


@dataclass(frozen=True, slots=True)
class Ran:
    """A run, as far as its check does not say it."""

    run: str
    started: str
    """ISO 8601, UTC."""
    phase: Phase
    before: Previous | None
    """The last finished run before it."""
    window_s: float = 0.0
    """Length of its time window; 0 for none."""
    warnings: tuple[str, ...] = ()


def record_of(job: Job, ran: Ran, evidence: Path, context: ReportContext, as_of: datetime) -> RunRecord:
    """Return the entry of a finished run.

    Args:
        job: The job.
        ran: The run.
        evidence: Where its evidence lies now.
        context: What its check came to.
        as_of: When it is written down, aware.

    Raises:
        VerifierError: If something in the evidence cannot be read.
    """
    sides = [Side.NEW] if ran.phase is Phase.RETIRED else list(Side)
    told = {side: _side(job, evidence, context.sides[side], as_of) for side in sides}
    warnings = [*ran.warnings, *_late(job, ran, context, told)]
    return RunRecord(
        ran.run,
        ran.started,
        now_text(),
        ran.phase,
        Outcome.FINISHED,
        context.exit_code,
        context.verdict.kind,
        context.verdict.reasons,
        {cls.value: (t.entries, t.files, t.bytes) for cls, t in context.classes.items() if t.entries},
        dict(context.causes),
        {side.value: one for side, one in told.items()},
        _news(ran, evidence, context, as_of),
        tuple(warnings),
        f"{RUNS}/{ran.run}",
        file_digest(evidence / FINDINGS_FILE).hexdigest(),
        context.report_id,
        tool=TOOL,
    )


def label_of(job: Job, side: Side) -> str:
    """Return what a side is called in messages."""
    given = job.old if side is Side.OLD else job.new
    return (given.label if given is not None else "") or f"{side} side"


def _side(job: Job, evidence: Path, facts: SideFacts, as_of: datetime) -> SideRecord:
    totals = _totals(facts)
    promised_s = job.scan.reread_s
    manifest = evidence / MANIFEST_FILES[facts.side]
    new = known(totals) if promised_s is None else fresh(manifest, totals, promised_s, as_of)
    return SideRecord(
        label_of(job, facts.side),
        facts.whereabouts,
        totals.entries,
        totals.files,
        totals.bytes,
        totals.proved_files,
        totals.proved_bytes,
        _seconds(facts),
        totals.oldest_read or "",
        new.files,
        new.bytes,
        sum(int(problem["entries"]) for problem in facts.problems),
        facts.facts.get("fingerprint", ""),
    )


def _totals(facts: SideFacts) -> Totals:
    known: dict[str, Any] = dict(facts.totals)
    return Totals(**known)


def _seconds(facts: SideFacts) -> float:
    try:
        began, ended = (datetime.fromisoformat(facts.facts[key]) for key in ("started", "finished"))
    except (KeyError, ValueError):
        return 0.0
    return max(0.0, (ended - began).total_seconds())


def _late(job: Job, ran: Ran, context: ReportContext, sides: dict[Side, SideRecord]) -> list[str]:
    """Say which promise was not kept, and which cannot be."""
    promised_s = job.scan.reread_s
    if promised_s is None:
        return []
    warnings = []
    for side, one in sides.items():
        read = known(_totals(context.sides[side]))
        late, size = read.bytes - one.fresh_bytes, read.bytes
        warnings.append(overdue(one.label, read.files - one.fresh_files, (late, size), promised_s, one.oldest_read))
        rate = rate_of(one.read_bytes, one.seconds) or _rate_before(ran, side)
        warnings.append(too_short(one.label, size, rate, ran.window_s, promised_s))
    return [warning for warning in warnings if warning]


def _rate_before(ran: Ran, side: Side) -> float:
    one = None if ran.before is None else ran.before.record.sides.get(side.value)
    return 0.0 if one is None else rate_of(one.read_bytes, one.seconds)


def _news(ran: Ran, evidence: Path, context: ReportContext, as_of: datetime) -> News:
    before = ran.before
    news = what_is_new(evidence, None if before is None else before.evidence, as_of)
    if before is None or ran.phase not in WORKED_ON or before.record.phase not in WORKED_ON:
        return news
    now = context.sides[Side.NEW].facts.get("fingerprint")
    if now == before.record.sides[Side.NEW.value].fingerprint:
        return news
    text = unusual(before.manifest(Side.NEW), evidence / MANIFEST_FILES[Side.NEW])
    if not text:
        return news
    return replace(
        news,
        new=news.new + 1,
        unusual=text,
        headline=f"unusual: {text} {news.headline}",
        lines=(f"unusual: {shown(text)}", *news.lines),
    )


def not_finished(ran: Ran, outcome: Outcome, exit_code: int, why: str) -> RunRecord:
    """Return the entry of a run that did not finish.

    Args:
        ran: The run.
        outcome: How it ended.
        exit_code: Of the process.
        why: In one line.
    """
    headline = {
        Outcome.WINDOW_ENDED: "not finished when the time window ended",
        Outcome.INTERRUPTED: f"interrupted: {why}",
        Outcome.COULD_NOT_RUN: f"could not run: {why}",
        Outcome.KILLED: "ended from outside without a word",
    }[outcome]
    return RunRecord(
        ran.run,
        ran.started,
        now_text(),
        ran.phase,
        outcome,
        exit_code,
        reasons=(why,),
        news=News(headline=headline),
        warnings=ran.warnings,
        tool=TOOL,
    )
