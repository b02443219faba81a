"""Was there a good run lately? Asked from outside, because a night that never began tells nobody."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from verifier.ledger.lines import local_text, what_it_came_to
from verifier.ledger.schema import at_of, headline_of
from verifier.report.amounts import duration_text
from verifier.tree.names import shown
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verifier.ledger.record import RunRecord

AHEAD: Final = timedelta(hours=1)
"""How far a run's end may lie in the future, as where a clock was put right."""


@dataclass(frozen=True, slots=True)
class Watched:
    """The answer."""

    is_well: bool
    text: str
    """One line, as it may be shown."""


def is_ahead(run: RunRecord, now: datetime) -> bool:
    """Tell whether a run was written down by a clock that was ahead of this one."""
    return datetime.fromisoformat(at_of(run)) - now > AHEAD


def watch(runs: Iterable[RunRecord], max_age_s: float, now: datetime) -> Watched:
    """Tell whether the last good run ended no longer ago than it may (`RunRecord.is_quiet`).

    Args:
        runs: The newest first; none is looked at before the last good one.
        max_age_s: How long ago it may have ended, in seconds.
        now: The present moment, aware.
    """
    since: Counter[str] = Counter()
    last: RunRecord | None = None
    for run in runs:
        if run.is_quiet:
            return _held(run, max_age_s, now, _since(since, last))
        since[what_it_came_to(run)] += 1
        last = last or run
    if last is None:
        return Watched(False, "no run was ever recorded")
    return Watched(False, f"there was never a good run; {_since(since, last, '')}")


def _held(good: RunRecord, max_age_s: float, now: datetime, since: str) -> Watched:
    ended = datetime.fromisoformat(at_of(good))
    when = f"the last good run, {good.run}, ended {local_text(at_of(good))}"
    if is_ahead(good, now):
        return Watched(False, f"{when}, which is still to come: a clock was set; {since}")
    age = max(now - ended, timedelta(0)).total_seconds()
    if age <= max_age_s:
        return Watched(True, f"{when}, {duration_text(age)} ago; {since}")
    return Watched(False, f"{when}, {duration_text(age)} ago, more than {duration_text(max_age_s)}; {since}")


def _since(since: Counter[str], last: RunRecord | None, when: str = " since") -> str:
    """Say what the runs after the last good one came to."""
    if last is None:
        return "no run since"
    counts = ", ".join(f"{number:,} {word}" for word, number in sorted(since.items(), key=lambda one: -one[1]))
    why = shown(headline_of(last))
    told = f"last: {last.run} {what_it_came_to(last)}" + (f", {why}" if why else "")
    return f"{count_of(since.total(), 'run', 'runs')}{when}: {counts}; {told}"
