"""``history.html``: all runs of a job on one page beside its ledger, written anew after each run.

Like a report the page stands alone and fetches nothing; it has no script at all. What it says comes from the ledger's
entries; how it looks is in ``templates``, and in the style sheet of all pages.
"""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Final

from verifier import clock
from verifier.classes import Side
from verifier.errors import LedgerDamaged
from verifier.evidence import replacing
from verifier.ledger.months import MOST_MONTHS, NO_RUN, calendars
from verifier.ledger.nights import (
    LEDGER_TO_DO,
    LONGEST_HEADLINE,
    LONGEST_NAME,
    Night,
    Step,
    cut,
    day_text,
    share,
    share_text,
    time_text,
    told,
)
from verifier.ledger.places import HISTORY_FILE
from verifier.ledger.plot import UNITS
from verifier.ledger.standing import GOOD, Standing
from verifier.ledger.trend import trend
from verifier.reconcile.phase import MEANINGS
from verifier.report.amounts import duration_text, size_text
from verifier.report.words import CAUTIONS
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Sequence
    from datetime import date, datetime
    from pathlib import Path

    from jinja2 import Environment

    from verifier.classes import Phase
    from verifier.ledger.record import LedgerEntry

MOST_ROWS: Final = 400
"""Runs and steps that are listed one by one; older ones are counted."""
OPEN_ROWS: Final = 60
"""Of these so many are seen at once, and printed; the others are folded."""
MOST_LINES: Final = 12
"""Lines of news and reasons that are shown of the last run."""


def write_history(folder: Path, name: str, entries: Iterable[LedgerEntry], there: Collection[str]) -> None:
    """Write the history beside the ledger; who reads it meanwhile never meets half a page.

    Args:
        folder: The job's evidence folder.
        name: The job's name.
        entries: All entries of its ledger, from the first to the last.
        there: Runs whose evidence folder is still there.

    Raises:
        LedgerDamaged: If something else stands where a time belongs.
        EvidenceUnwritable: If it cannot be written; what was there before stays.
    """
    page = history_page(name, entries, there, clock.now())
    with replacing(folder / HISTORY_FILE) as file:
        file.write(page)


def history_page(name: str, entries: Iterable[LedgerEntry], there: Collection[str], at: datetime) -> str:
    """Return the history as HTML, below 1.5 MB however many runs there were.

    Days and times are those of this machine's zone. The same arguments give the same text.

    Args:
        name: The job's name.
        entries: All entries of its ledger, from the first to the last.
        there: Runs whose evidence folder is still there: only their reports are linked to.
        at: When the page is written, aware.

    Raises:
        LedgerDamaged: If something else stands where a time or a digest belongs.
    """
    from markupsafe import Markup  # noqa: PLC0415  with the template engine, which takes 70 ms to import

    from verifier.report.frame import digest_of, sheet_of  # noqa: PLC0415

    kept = tuple(entries)
    written = at.astimezone()
    all_told = told(kept, there, written.date())
    nights = [one for one in all_told if isinstance(one, Night)]
    last = nights[-1] if nights else None
    listed = all_told[-MOST_ROWS:]
    style = sheet_of("ledger", "history.css", _margins(last, kept))
    return (
        _environment()
        .get_template("history.html.j2")
        .render(
            style=Markup(style),  # noqa: S704  the style sheet is this package's own
            style_hash=digest_of(style),
            name=cut(name, LONGEST_HEADLINE),
            written=written,
            last=last,
            good=next((night for night in reversed(nights) if night.standing in GOOD), None),
            runs=len(nights),
            since=next((night for night in nights if not night.misdated), None),
            phase=_phase(all_told),
            calendars=calendars(all_told, written.date()),
            trend=trend(all_told),
            rows=tuple(reversed(listed)),
            numbers=frozenset(one.number for one in listed if isinstance(one, Night)),
            older=_counted(all_told[: len(all_told) - len(listed)]),
            entries=len(kept),
            head=kept[-1].digest if kept else "",
        )
    )


def _phase(all_told: Sequence[Night | Step]) -> tuple[Phase, Step | None] | None:
    """Return the phase now and the step that led there; None where a ledger says nothing of it."""
    for one in reversed(all_told):
        if isinstance(one, Step):
            return one.record.phase, one
    return (all_told[-1].record.phase, None) if all_told else None


def _counted(others: Sequence[Night | Step]) -> str:
    """Say in words what is not listed; empty where nothing is left out."""
    nights = [one for one in others if isinstance(one, Night)]
    counts = [(standing, sum(night.standing is standing for night in nights)) for standing in Standing]
    parts = [f"{number:,} {standing.words.lower()}" for standing, number in counts if number]
    if steps := len(others) - len(nights):
        parts.append(count_of(steps, "step between phases", "steps between phases"))
    return ", ".join(parts)


def _margins(last: Night | None, kept: Sequence[LedgerEntry]) -> str:
    """Return what stands in the margins of every printed sheet: what the last run came to, and how far it tells."""
    head = kept[-1].digest if kept else ""
    if head and not _HEX.fullmatch(head):
        raise LedgerDamaged(f"the ledger says “{cut(head, LONGEST_NAME)}” where a digest belongs", LEDGER_TO_DO)
    margins = f'@bottom-left {{ content: "Ledger {head[:16]}"; }} ' if head else ""
    return margins + f'@top-right {{ content: "{last.standing.words if last else "No run yet"}"; }}'


@cache
def _environment() -> Environment:
    from verifier.report.frame import environment  # noqa: PLC0415  the template engine takes 70 ms to import

    made = environment("ledger")
    made.filters.update(
        day=day_text, time=time_text, size=size_text, number="{:,}".format, percent="{:.3f}%".format, cut=cut
    )
    made.globals.update(
        CAUTIONS=CAUTIONS,
        LONGEST_HEADLINE=LONGEST_HEADLINE,
        LONGEST_NAME=LONGEST_NAME,
        MOST_LINES=MOST_LINES,
        MOST_MONTHS=MOST_MONTHS,
        NO_RUN=NO_RUN,
        MEANINGS=MEANINGS,
        OPEN_ROWS=OPEN_ROWS,
        STANDINGS=tuple(Standing),
        GOOD=GOOD,
        UNITS=UNITS,
        WEEK=_WEEK,
    )
    made.globals.update(count_of=count_of, ago=_ago, took=_took, sides=_sides, is_run=_is_run)
    return made


_HEX: Final = re.compile("[0-9a-f]{64}")
_WEEK: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def _is_run(one: Night | Step) -> bool:
    return isinstance(one, Night)


def _ago(day: date, written: datetime) -> str:
    """Return how long ago a day is."""
    days = (written.date() - day).days
    if days < 0:
        return "by a clock that was wrong"
    return {0: "today", 1: "yesterday"}.get(days, f"{count_of(days, 'day', 'days')} ago")


def _took(night: Night) -> str:
    return "not known" if night.took_s is None else duration_text(night.took_s)


def _sides(night: Night) -> Iterator[tuple[str, str, str]]:
    """Yield each side of a run with what was read of it and how much of it is fresh."""
    for side in Side:
        record = night.record.sides.get(side)
        if record is not None:
            rate = f", {size_text(round(record.read_bytes / record.seconds))}/s" if record.seconds > 0 else ""
            yield side.value, size_text(record.read_bytes) + rate, share_text(share(record))
