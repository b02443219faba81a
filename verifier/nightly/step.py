"""A migration's steps from one phase to the next, and what each leaves for the nights after it."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.classes import TRUSTED, Phase, Side
from verifier.clock import now_text
from verifier.errors import JobFileError, UsageProblem
from verifier.evidence import MANIFEST_FILES
from verifier.ledger.record import Outcome, PhaseRecord
from verifier.manifest.database import named

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.job.job import Job
    from verifier.ledger.ledger import Ledger
    from verifier.ledger.record import RunRecord

ORDER: Final = tuple(Phase)


class Gates(NamedTuple):
    """From when on changes are expected on a side."""

    frozen_at: datetime | None
    live_since: datetime | None


def begin_phase(job: Job, ledger: Ledger, who: str) -> PhaseRecord:
    """Return the step by which the job came into its phase; the first time it is written down.

    Raises:
        JobFileError: If the job file names a phase that is neither the first nor the present one.
        VerifierError: If the ledger cannot be read or written.
    """
    steps = list(ledger.phases())
    if not steps:
        step = PhaseRecord(now_text(), None, job.phase, who)
        ledger.append(step)
        return step
    current = steps[-1]
    if job.phase not in (steps[0].phase, current.phase):
        raise JobFileError(
            f'{named(job.path)}: phase: "{job.phase}", and the job is in phase {current.phase} since {current.at}',
            f'say `verifier job advance` to move on, or write "{current.phase}" in the file',
        )
    return current


def gates_of(job: Job, ledger: Ledger, phase: Phase) -> Gates:
    """Return the job's time gates; where it gives none, a step into a phase is one."""
    if phase in (Phase.COPYING, Phase.RETIRED):
        return Gates(job.frozen_at if phase is Phase.COPYING else None, None)
    entered = {step.phase: datetime.fromisoformat(step.at) for step in ledger.phases()}
    live = (job.live_since or entered.get(Phase.LIVE)) if phase is Phase.LIVE else None
    return Gates(job.frozen_at or entered.get(Phase.FROZEN), live)


def baseline_of(ledger: Ledger, folder: Path) -> Path | None:
    """Return the evidence that says what had arrived when people began to work on the new side, if it is there."""
    steps = [step for step in ledger.phases() if step.baseline]
    evidence = folder / steps[-1].baseline if steps else None
    return evidence if evidence is not None and (evidence / MANIFEST_FILES[Side.NEW]).is_file() else None


def advance(job: Job, ledger: Ledger, who: str, to: Phase | None = None, despite: str = "") -> PhaseRecord:
    """Move a job on to its next phase, and write it down.

    Args:
        job: The job; the caller holds its folder.
        ledger: Its ledger.
        who: On whose word, as the ledger is to name them.
        to: Another phase than the next.
        despite: Why, where the last run does not show what the step needs.

    Raises:
        UsageProblem: If there is no phase after this one, it is in it already, or the last run does not show that the
            old side may be left, and no reason is given.
        VerifierError: If the ledger cannot be read or written.
    """
    current = begin_phase(job, ledger, who)
    place = ORDER.index(current.phase)
    if to is None and place + 1 == len(ORDER):
        raise UsageProblem(f"{job.name} is in phase {current.phase}, the last one", "there is nothing to move on to")
    wanted = to or ORDER[place + 1]
    if wanted is current.phase:
        raise UsageProblem(f"{job.name} is in phase {wanted} already, since {current.at}", "name another phase")
    if wanted is not Phase.RETIRED and job.old is None:
        raise UsageProblem(f"{named(job.path)} names no old side, which phase {wanted} needs", "give [old] in it")
    last = ledger.last_finished()
    if wanted in (Phase.LIVE, Phase.RETIRED) and not despite and (lack := _lacks(last, current.phase)):
        raise UsageProblem(
            f"{job.name} goes to phase {wanted} on the word of its last run, and {lack}",
            "see to it and run it again, or say --despite REASON",
        )
    baseline = last.evidence if wanted is Phase.LIVE and last is not None else ""
    step = PhaseRecord(now_text(), current.phase, wanted, who, baseline, despite)
    ledger.append(step)
    return step


def _lacks(last: RunRecord | None, phase: Phase) -> str:
    """Say what the last finished run lacks for leaving a phase behind; empty where it lacks nothing."""
    if last is None:
        return "there is none that finished"
    if last.verdict not in TRUSTED:
        return f"run {last.run} was {last.verdict}"
    if last.phase is not phase:
        return f"run {last.run} was in phase {last.phase}, before it came to {phase}"
    return ""


def is_first_live(ledger: Ledger, phase: Phase, record: RunRecord) -> bool:
    """Tell whether a run is the first that can say what has arrived, in a job of which none before it could."""
    if phase is not Phase.LIVE or record.outcome is not Outcome.FINISHED:
        return False
    step = ledger.phase()
    return step is not None and step.phase is Phase.LIVE and not step.baseline
