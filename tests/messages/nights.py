"""A garden's nights: runs as the ledger has them, and a clock that is told what time it is."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from verifier import clock
from verifier.classes import Phase, VerdictKind
from verifier.job.job import Job, JobSide, Notifying, Occasion
from verifier.ledger.record import News, Outcome, RunRecord, SideRecord
from verifier.messages.night import Night

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FIRST: Final = datetime(2026, 12, 1, 2, 30, tzinfo=UTC)
DIGEST: Final = "5a" * 32
SIDE: Final = SideRecord(
    label="old",
    root="/mnt/old",
    files=12_000,
    bytes=10**12,
    read_files=2_000,
    read_bytes=3 * 10**10,
    seconds=3720.0,
    oldest_read="2026-11-03T01:00:00+00:00",
    fresh_files=11_999,
    fresh_bytes=10**12,
)
WORSE: Final = News(new=2, repaired=1, accepted=14, headline="2 new damaged files, 1 repaired, 14 known and accepted")


def run(number: int, outcome: Outcome = Outcome.FINISHED, *, hours: float = 0.0) -> RunRecord:
    """Return the run of a night, counted from 0; one that finished is trustworthy.

    Args:
        number: Which night.
        outcome: How it ended.
        hours: How much later than usual it began.
    """
    began = FIRST + timedelta(days=number, hours=hours)
    finished = outcome is Outcome.FINISHED
    return RunRecord(
        run=f"{began:%Y%m%dT%H%M%SZ}",
        started=began.isoformat(),
        finished=(began + timedelta(hours=3)).isoformat(),
        phase=Phase.FROZEN,
        outcome=outcome,
        exit_code=0 if finished else 4,
        verdict=VerdictKind.TRUSTWORTHY if finished else None,
        reasons=("12,000 files are the same",) if finished else ("/mnt/new is not mounted",),
        sides={"old": SIDE, "new": replace(SIDE, label="new", root="/mnt/new")},
        evidence=f"runs/{began:%Y%m%dT%H%M%SZ}" if finished else "",
    )


def worse(number: int) -> RunRecord:
    """Return the run of a night in which two files were damaged without a trace."""
    return replace(
        run(number),
        verdict=VerdictKind.NOT_TRUSTWORTHY,
        exit_code=1,
        reasons=("2 files with changed content",),
        classes={"content-changed": (2, 2, 9_000_000)},
        causes={"silent": 2},
        news=replace(WORSE, lines=("silent  scans/1887/sheet-0042.tif", "silent  field notes/fen, 1902.pdf")),
    )


def night(*runs: RunRecord) -> Night:
    """Return the night of the last of some runs."""
    return Night(runs[-1], DIGEST, runs)


def job(evidence: Path, *on: Occasion, urls_env: str = "", urls_file: Path | None = None) -> Job:
    """Return a job that tells about some occasions."""
    return Job(
        path=evidence / "herbarium.toml",
        name="herbarium",
        phase=Phase.FROZEN,
        old=JobSide((evidence / "old",)),
        new=JobSide((evidence / "new",)),
        evidence=evidence,
        notify=Notifying(frozenset(on), urls_env, urls_file),
    )


@contextmanager
def time_is(moment: datetime) -> Iterator[None]:
    """Let it be some time inside the block."""
    clock.set_source(lambda: moment)
    try:
        yield
    finally:
        clock.set_source(None)
