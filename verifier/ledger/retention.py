"""Which runs' evidence is removed when it is old, and removing it.

All runs are kept for some days; then one a week, by ISO 8601 weeks in UTC; then one a calendar month; then none. Of a
week, or a month, the last run that can be trusted is kept, or the last one where none can. For ever is kept what
somebody signed, and each run whose night found something new or worse: it is the evidence of when that came. A night
that only repeats what was known is kept like any other, since one file that nobody repairs would otherwise keep every
night of a year.

Whatever its age, what the next night or the next quarrel needs is kept: the last good run, the last finished one, the
last finished one of each phase, and the baseline.

A clock that is wrong for one night must not cost the evidence of years. What lies in the future has no age. And nothing
is older than the time between one entry and the next makes it, added up: where the clock went backwards nothing counts,
and where it went on by more than a month, a month does. So the evidence of a job that rests for a year grows old more
slowly.
"""

from __future__ import annotations

import os
import shutil
import stat
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from verifier.errors import EvidenceUnwritable, UsageProblem
from verifier.evidence import SIGNOFF_FILE, settle
from verifier.ledger.places import GOING, RUN_NAME, RUNS
from verifier.ledger.record import Outcome, PhaseRecord, RunRecord
from verifier.ledger.schema import at_of
from verifier.manifest.database import named
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Hashable, Iterable, Iterator
    from pathlib import Path

    from verifier.classes import Phase
    from verifier.job.job import Keeping

LONGEST_STEP: Final = timedelta(days=31)
"""How much the time between one entry and the next counts at most."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """What is known of a run whose evidence is there."""

    run: str
    place: int
    """In the order in which runs were written down."""
    at: datetime
    lived: timedelta
    """How long the ledger had lived by then, no step longer than a month."""
    phase: Phase
    is_finished: bool
    is_good: bool
    is_news: bool

    @property
    def worth(self) -> tuple[bool, int]:
        """What says which of two is kept."""
        return self.is_good, self.place


def due(
    records: Iterable[RunRecord | PhaseRecord],
    there: Collection[str],
    signed: Collection[str],
    keep: Keeping,
    now: datetime,
) -> list[str]:
    """Return the runs whose evidence is to be removed, as they were written down.

    Args:
        records: All of the ledger, as they were written down. Of runs whose evidence is not there, none is held.
        there: Names of the runs whose evidence is there; of one that no record knows, nothing is said.
        signed: Names of those that somebody signed.
        keep: How long evidence is kept.
        now: The present moment, aware.
    """
    runs, baseline, lived = _gather(records, there, now)

    def older(than_s: float, some: list[_Kept]) -> list[_Kept]:
        return [one for one in some if min(now - one.at, lived - one.lived).total_seconds() > than_s]

    old = older(keep.every_s, runs)
    weekly = _best(old, lambda one: one.at.isocalendar()[:2])
    old_weeks = older(keep.weekly_s, weekly)
    monthly = _best(old_weeks, lambda one: (one.at.year, one.at.month))
    old_months = older(keep.monthly_s, monthly)
    kept = {one.run for one in runs} - {one.run for one in old}
    kept |= {one.run for one in weekly} - {one.run for one in old_weeks}
    kept |= {one.run for one in monthly} - {one.run for one in old_months}
    kept |= {one.run for one in runs if one.is_news} | {*signed} | {baseline} | {*_needed(runs)}
    return [one.run for one in runs if one.run not in kept]


def _gather(
    records: Iterable[RunRecord | PhaseRecord], there: Collection[str], now: datetime
) -> tuple[list[_Kept], str, timedelta]:
    """Return the runs whose evidence is there, the baseline, and how long the ledger has lived."""
    runs: list[_Kept] = []
    baseline = ""
    lived, before = timedelta(0), None
    for place, record in enumerate(records):
        at = datetime.fromisoformat(at_of(record)).astimezone(UTC)
        lived += _step(before, at)
        before = at
        if isinstance(record, PhaseRecord):
            baseline = record.baseline.rpartition("/")[2] or baseline
        elif record.run in there:
            news = record.news.new > 0 or record.news.worse > 0
            finished = record.outcome is Outcome.FINISHED
            runs.append(_Kept(record.run, place, at, lived, record.phase, finished, record.is_good, news))
    return runs, baseline, lived + _step(before, now)


def _step(before: datetime | None, at: datetime) -> timedelta:
    return timedelta(0) if before is None else min(max(at - before, timedelta(0)), LONGEST_STEP)


def _best(runs: Iterable[_Kept], of: Callable[[_Kept], Hashable]) -> list[_Kept]:
    """Return the one of most worth of each week or month."""
    best: dict[Hashable, _Kept] = {}
    for one in runs:
        best[of(one)] = max(one, best.get(of(one), one), key=lambda each: each.worth)
    return list(best.values())


def _needed(runs: Iterable[_Kept]) -> Iterator[str]:
    """Yield what is never removed, however old."""
    last: dict[Hashable, str] = {}
    for one in runs:
        if one.is_finished:
            last["finished"] = last[one.phase, "finished"] = one.run
        if one.is_good:
            last["good"] = one.run
    yield from last.values()


# ---- On the disk


def runs_there(folder: Path) -> set[str]:
    """Return the names of runs whose evidence lies in a job's evidence folder."""
    try:
        with os.scandir(folder / RUNS) as found:
            return {one.name for one in found if RUN_NAME.fullmatch(one.name) and one.is_dir(follow_symlinks=False)}
    except FileNotFoundError:
        return set()


def runs_signed(folder: Path) -> set[str]:
    """Return the names of those that somebody signed; who cannot tell says yes."""
    return {run for run in runs_there(folder) if _may_be_there(folder / RUNS / run / SIGNOFF_FILE)}


def _may_be_there(place: Path) -> bool:
    try:
        place.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True
    return True


def remove(folder: Path, runs: Iterable[str]) -> list[str]:
    """Remove runs' evidence, and what was left of removing earlier; nothing else, and no link is followed.

    Folders get a name first that says that they are going. So however this ends, none that is not whole looks as if it
    were; the next call clears what is left.

    Args:
        folder: The job's evidence folder; whoever calls holds it.
        runs: Their names. What is not there is not missed.

    Returns:
        The names of those that were there and are not any more.

    Raises:
        UsageProblem: If a name is no run's; nothing was removed.
        EvidenceUnwritable: If one cannot be removed, or is no folder; all that can be were.
    """
    place = folder / RUNS
    wanted = list(dict.fromkeys(runs))
    for run in wanted:
        if not RUN_NAME.fullmatch(run):
            raise UsageProblem(f"{shown(run)[:60]!r} is no run's name, and nothing was removed")
    if place.is_symlink():
        raise EvidenceUnwritable(f"{named(place)} is a link, and nothing is removed behind one", "put a folder there")
    failed: list[EvidenceUnwritable] = []
    removed = []
    _clear(place, failed)
    for run in wanted:
        try:
            if not stat.S_ISDIR((place / run).lstat().st_mode):
                failed.append(_unwritable(place / run, "it is no folder"))
                continue
            (place / run).rename(place / f"{GOING}{run}")
        except FileNotFoundError:
            continue
        except OSError as error:
            failed.append(_unwritable(place / run, error.strerror or str(error)))
            continue
        removed.append(run)
    if removed:
        settle(place)  # else a power cut could undo the new name, and not the removing
        _clear(place, failed)
    if failed:
        raise failed[0]
    return removed


def _clear(place: Path, failed: list[EvidenceUnwritable]) -> None:
    """Remove all that is going."""
    try:
        with os.scandir(place) as found:
            going = [one.name for one in found if one.name.startswith(GOING)]
    except FileNotFoundError:
        return
    for name in going:
        try:
            shutil.rmtree(place / name)  # goes by descriptors, follows no link, and refuses to begin at one
        except OSError as error:
            failed.append(_unwritable(place / name, error.strerror or str(error)))


def _unwritable(place: Path, why: str) -> EvidenceUnwritable:
    return EvidenceUnwritable(f"{named(place)} cannot be removed ({shown(why)})", "remove it by hand")
