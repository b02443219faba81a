"""A botanical garden's year of nightly runs, made up, and the pieces to make other ledgers from."""

from __future__ import annotations

import os
import time
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from blake3 import blake3

from tests.report.markup import Page
from verifier.classes import EXIT_CODES, Phase, VerdictKind
from verifier.ledger.history import history_page
from verifier.ledger.record import LedgerEntry, News, Outcome, PhaseRecord, RunRecord, SideRecord

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator

ZONE: Final = "Europe/Berlin"
"""Where the garden is: its clocks are put forward and back once a year."""
FIRST: Final = date(2025, 12, 1)
NIGHTS: Final = 366
TB: Final = 10**12
_EXIT: Final = {
    Outcome.WINDOW_ENDED: 3,
    Outcome.INTERRUPTED: 3,
    Outcome.COULD_NOT_RUN: 4,
    Outcome.KILLED: 4,
}


def side(label: str, total: int, fresh: float = 1.0, **changes: Any) -> SideRecord:
    """Return a side of so many bytes, a thirtieth of them read that night in about two hours."""
    read = total // 30
    usual: dict[str, Any] = {
        "entries": 412_300,
        "files": 398_120,
        "bytes": total,
        "read_files": 13_271,
        "read_bytes": read,
        "seconds": 7_000.0,
        "fresh_files": 398_120,
        "fresh_bytes": int(total * fresh),
    }
    return SideRecord(label, f"/srv/{label}", **usual | changes)


def run(began: datetime, **changes: Any) -> RunRecord:
    """Return a good run that took two hours; `changes` are of its fields, `seconds` of how long it took."""
    seconds = changes.pop("seconds", 7_140)
    outcome = changes.get("outcome", Outcome.FINISHED)
    verdict = changes.setdefault("verdict", VerdictKind.TRUSTWORTHY if outcome is Outcome.FINISHED else None)
    name = f"{began.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    usual: dict[str, Any] = {
        "phase": Phase.LIVE,
        "outcome": outcome,
        "exit_code": _EXIT[outcome] if verdict is None else EXIT_CODES[verdict],
        "reasons": ("398,120 files read on both sides",) if verdict is VerdictKind.TRUSTWORTHY else (),
        "sides": {"old": side("old-house", 2 * TB), "new": side("new-house", 2 * TB)},
        "news": News(headline="Nothing new"),
        "evidence": f"runs/{name}" if outcome is Outcome.FINISHED else "",
        "tool": "verifier 0.1.0",
    }
    finished = (began.astimezone(UTC) + timedelta(seconds=seconds)).isoformat(timespec="seconds")
    return RunRecord(name, began.astimezone(UTC).isoformat(timespec="seconds"), finished, **usual | changes)


def step(at: datetime, before: Phase | None, phase: Phase, by: str = "the keeper of the herbarium") -> PhaseRecord:
    """Return a step between phases."""
    return PhaseRecord(at.astimezone(UTC).isoformat(timespec="seconds"), before, phase, by)


def chained(records: Iterable[RunRecord | PhaseRecord]) -> list[LedgerEntry]:
    """Tie records to one another, as a ledger's entries are."""
    entries = []
    previous = "0" * 64
    for number, record in enumerate(records, 1):
        digest = blake3(f"{previous}{number}{record}".encode()).hexdigest()
        entries.append(LedgerEntry(number, record, previous, digest))
        previous = digest
    return entries


def night(day: date, hour: int = 2, minute: int = 30) -> datetime:
    """Return a time of a day in the garden."""
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZoneInfo(ZONE))


MORNING: Final = night(FIRST + timedelta(days=NIGHTS - 1), 4, 31)
"""When the last night of the year is over."""


def one_a_night(number: int, first: date = FIRST, **changes: Any) -> list[LedgerEntry]:
    """Return a ledger of good runs, one a night."""
    return chained(run(night(first + timedelta(days=n)), **changes) for n in range(number))


def year() -> list[LedgerEntry]:
    """Return a year from the first copy to the end of the old side, with what goes wrong in one."""
    records: list[RunRecord | PhaseRecord] = [step(night(FIRST, 1, 55), None, Phase.COPYING)]
    for number in range(NIGHTS):
        records += [_pruning(record, number) for record in _runs(number)]
        records += _steps(number)
    return chained(records)


def everything() -> list[LedgerEntry]:
    """Return a few weeks in which a job comes to everything that it can come to, in every phase."""
    begin = FIRST + timedelta(days=320)
    records: list[RunRecord | PhaseRecord] = [step(night(begin, 1), None, Phase.COPYING)]
    results: list[dict[str, Any]] = [{"outcome": outcome} for outcome in Outcome if outcome is not Outcome.FINISHED]
    verdicts: list[dict[str, Any]] = [{"verdict": kind} for kind in VerdictKind]
    news = News(new=2, known=30, headline="2 new damaged files", lines=("silent  sheet-0304.png",))
    for at, changes in enumerate([*results, *verdicts, *({**one, "news": news} for one in verdicts)]):
        phase = list(Phase)[at % len(Phase)]
        records.append(run(night(begin + timedelta(days=at)), **{"phase": phase, **changes}))
    records.append(step(night(begin + timedelta(days=20), 8), Phase.LIVE, Phase.RETIRED))
    warnings = ("the window is too short",)
    records.append(run(MORNING.replace(hour=2), verdict=VerdictKind.NOT_TRUSTWORTHY, news=news, warnings=warnings))
    return chained(records)


def still_there(entries: Iterable[LedgerEntry]) -> set[str]:
    """Return which evidence of such a year is kept: two weeks, then one a week, one a month, and what was worse."""
    records = [entry.record for entry in entries if isinstance(entry.record, RunRecord) and entry.record.evidence]
    last = len(records) - 1
    kept = set()
    for n, record in enumerate(records):
        is_worse = bool(record.news.new or record.news.worse)
        if last - n < 14 or (last - n < 90 and n % 7 == 0) or n % 30 == 0 or is_worse:
            kept.add(record.run)
    return kept


_FROZEN: Final = 96
_LIVE: Final = 103
_RETIRED: Final = 334
_DECAY: Final = range(200, 204)
_COULD_NOT: Final = (61, 62, 250)
_SILENT: Final = (140, 141, 285)


def _steps(number: int) -> list[PhaseRecord]:
    day = FIRST + timedelta(days=number)
    taken = {
        _FROZEN: (Phase.COPYING, Phase.FROZEN, 18),
        _LIVE: (Phase.FROZEN, Phase.LIVE, 7),
        _RETIRED: (Phase.LIVE, Phase.RETIRED, 11),
    }
    if number not in taken:
        return []
    before, phase, hour = taken[number]
    made = step(night(day, hour, 12), before, phase)
    return [replace(made, baseline="runs/20260314T013000Z")] if phase is Phase.LIVE else [made]


def _runs(number: int) -> list[RunRecord]:
    began = night(FIRST + timedelta(days=number))
    if number in _SILENT:
        return []
    if number in _COULD_NOT:
        reason = "/srv/new-house is not mounted" if number < 100 else "no space left for the evidence"
        changes = {"sides": {}, "news": News(), "reasons": (reason,), "seconds": 2}
        return [run(began, outcome=Outcome.COULD_NOT_RUN, phase=_phase(number), **changes)]
    if number == 171:
        reasons = ("ended while reading; seen by the run after it",)
        return [run(began, outcome=Outcome.KILLED, sides={}, news=News(), reasons=reasons)]
    if number == 118:
        stopped = run(began, outcome=Outcome.INTERRUPTED, sides={}, news=News(), reasons=("stopped by a signal",))
        return [stopped, run(began.replace(hour=9))]
    return [_copying(began, number) if number < _LIVE else _living(began, number)]


def _phase(number: int) -> Phase:
    if number <= _FROZEN:
        return Phase.COPYING
    return Phase.FROZEN if number < _LIVE else Phase.LIVE if number <= _RETIRED else Phase.RETIRED


def _copying(began: datetime, number: int) -> RunRecord:
    """Return a run while the new side is being filled, or held against the frozen one."""
    there = min(1.0, (number + 1) / 80)
    fresh = min(1.0, (number + 1) / 9)
    sides = {"old": side("old-house", 2 * TB, fresh), "new": side("new-house", int(2 * TB * there), min(1.0, fresh))}
    if number < 9:
        reasons = (f"{fresh:.0%} of the old side was read when the window ended",)
        return run(
            began, phase=Phase.COPYING, outcome=Outcome.WINDOW_ENDED, sides=sides, news=News(), reasons=reasons,
            seconds=5 * 3600,
        )  # fmt: skip
    left = 0 if number > 93 else int((1 - there) * 398_120) + 40 + number * 37 % 90
    if not left:
        return run(began, phase=_phase(number), sides=sides)
    repaired = 4_900 + number * 53 % 400
    news = News(
        new=0 if number % 17 else 64, repaired=repaired, known=left, headline=f"{left:,} files still to be copied"
    )
    news = replace(news, lines=("missing  herbarium/sheets/rosaceae/ (4,212 entries)",))
    return run(
        began, phase=_phase(number), verdict=VerdictKind.NOT_TRUSTWORTHY, sides=sides, news=news,
        reasons=(f"{left:,} files missing",), seconds=9_000 + number * 13,
    )  # fmt: skip


def _living(began: datetime, number: int) -> RunRecord:
    phase = _phase(number)
    fresh = 1.0 - (0.061 if 230 <= number < 243 else 0.004 if number % 11 == 0 else 0.0)
    new = side("new-house", 2 * TB + number * 10**9, fresh)
    sides = {"new": new} if phase is Phase.RETIRED else {"old": side("old-house", 2 * TB), "new": new}
    changes: dict[str, Any] = {"phase": phase, "sides": sides, "seconds": 7_000 + number * 37 % 900}
    if number in _DECAY:
        first = number == _DECAY[0]
        headline = (
            "2 files decayed on the new side: same size and time, other bytes" if first else "Nothing new, 2 known"
        )
        lines = ("silent  herbarium/sheets/orchidaceae/sheet-0304.png", "silent  field-notes/1987/fen.pdf")
        news = News(new=2 * first, known=2 * (not first), headline=headline, lines=lines)
        changes |= {"verdict": VerdictKind.NOT_TRUSTWORTHY, "news": news, "reasons": ("2 files with changed content",)}
    elif number == _DECAY[-1] + 1:
        changes["news"] = News(repaired=2, headline="2 files repaired, nothing new")
    elif 259 <= number < 264:
        news = News(new=3 * (number == 259), known=3 * (number > 259), headline="3 files that could not be read")
        changes |= {"verdict": VerdictKind.INCONCLUSIVE, "news": news}
        changes["reasons"] = ("3 files that could not be read or listed",)
    elif 300 <= number < 312:
        changes |= {
            "verdict": VerdictKind.WITH_EXCEPTIONS,
            "news": News(accepted=4, headline="Nothing new, 4 accepted"),
        }
    if number == NIGHTS - 1:
        changes["warnings"] = ("the window of 5 h was used up to 4 h 40 min: at this pace it is too short in 9 days",)
    return run(began, **changes)


def _pruning(record: RunRecord, number: int) -> RunRecord:
    gone = number - 15
    if gone < 0 or record.outcome is not Outcome.FINISHED:
        return record
    return replace(record, pruned=(f"{night(FIRST + timedelta(days=gone)).astimezone(UTC):%Y%m%dT%H%M%SZ}",))


@contextmanager
def at_home(zone: str = ZONE) -> Iterator[None]:
    """Have this machine stand in the garden, or in another zone, for a while."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = zone
    time.tzset()
    try:
        yield
    finally:
        if before is None:
            del os.environ["TZ"]
        else:
            os.environ["TZ"] = before
        time.tzset()


def source(
    entries: Iterable[LedgerEntry], there: Collection[str] = (), at: datetime = MORNING, name: str = "Herbarium"
) -> str:
    """Return a history as HTML."""
    return history_page(name, entries, there, at)


def history(
    entries: Iterable[LedgerEntry], there: Collection[str] = (), at: datetime = MORNING, name: str = "Herbarium"
) -> Page:
    """Return a history as a parser sees it."""
    return Page(source(entries, there, at, name))
