"""What each question of the page lists: the findings, cut to what a page can hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from markupsafe import escape

from verifier.classes import STANDS_IN_THE_WAY, Class, Severity
from verifier.reconcile.findings import ACCEPTED, Findings, Tally
from verifier.report.drawing import Picture, picture
from verifier.report.listing import INLINE_ROWS, Figure, Lister, Listing, may_be_shown
from verifier.report.parts import NOTED, TO_DECIDE, Part

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from verifier.decisions.covering import Covered
    from verifier.report.context import ReportContext, RuleUse

FEWEST_ROWS: Final = 5
"""Rows of each rule that asks for a decision, and of each exception, however many there are."""
SHARED_ROWS: Final = 400
"""Rows that all of them share."""
EXCEPTIONS_BYTES: Final = 100_000
"""What is said about exceptions may take, their rows left out,"""
EXCEPTION_BYTES: Final = 1200
"""of which this much, at least, is the markup of one; a test holds it against the template."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A part, and what the page lists of it."""

    part: Part
    listing: Listing
    figures: tuple[Figure, ...]
    """Where its files differ, of the first of them."""


@dataclass(frozen=True, slots=True)
class Decision:
    """One rule about whose finds somebody has to decide by name."""

    use: RuleUse
    tally: Tally
    """What it set aside on the old side that holds bytes."""
    listing: Listing


@dataclass(frozen=True, slots=True)
class Excepted:
    """An exception on record, and what it covers."""

    covered: Covered
    listing: Listing


@dataclass(frozen=True, slots=True)
class Content:
    """What the questions about findings show, in the order of the page."""

    blocking: Sequence[Shown]
    decisions: Sequence[Decision]
    attention: Sequence[Shown]
    accepted: Sequence[Excepted]
    more_accepted: int
    """Exceptions on record for which there is no room."""
    aside: Listing
    """Set aside, and nobody has to decide about it."""
    noted: Sequence[Shown]
    picture: Picture | None
    """Folders by size, with what was found in them."""


def cut(context: ReportContext, findings: Findings) -> Content:
    """Return what the page lists; where room runs out, it runs out for what weighs least.

    Args:
        context: What every form of the report says.
        findings: The findings to list, open, with what is accepted marked.
    """
    cutter = _Cutter(context, Lister(findings))
    told = _told(context.accepted)
    return Content(
        cutter.weighed(STANDS_IN_THE_WAY),
        cutter.decisions(),
        cutter.weighed((Severity.ATTENTION,)),
        cutter.accepted(told),
        len(context.accepted) - len(told),
        cutter.aside(),
        cutter.weighed(NOTED),
        picture(findings),
    )


class _Cutter:
    def __init__(self, context: ReportContext, lister: Lister) -> None:
        self._context = context
        self._lister = lister

    def weighed(self, severities: Iterable[Severity]) -> list[Shown]:
        return [self._shown(part) for part in self._context.parts if part.severity in severities]

    def _shown(self, part: Part) -> Shown:
        figures = self._lister.figures(*part.where) if part.cls is Class.CONTENT_CHANGED else ()
        return Shown(part, self._lister.by_folder(*part.where, part.tally.entries - part.explained), figures)

    def decisions(self) -> list[Decision]:
        asking = [use for use in self._context.rules if use.name in self._context.decisions]
        found = []
        for use in asking:
            tally = self._context.decisions[use.name]
            listing = self._lister.one_by_one(
                f"{TO_DECIDE} AND rule = ?", (use.name,), tally.entries, _share(len(asking))
            )
            found.append(Decision(use, tally, listing))
        return found

    def accepted(self, known: Sequence[Covered]) -> list[Excepted]:
        where = "id IN (SELECT finding FROM accepted WHERE exception = ?)"
        return [
            Excepted(one, self._lister.one_by_one(where, (number,), one.now.entries, _share(len(known))))
            for one in known
            for number in [one.acceptance.number]
        ]

    def aside(self) -> Listing:
        marks = ", ".join("?" * len(NOTED))
        where = f"\"class\" = 'clutter' AND NOT decision AND severity IN ({marks}) AND NOT {ACCEPTED}"
        values = tuple(severity.value for severity in NOTED)
        return self._lister.by_folder(where, values, self._context.aside.entries)


def _told(accepted: Sequence[Covered]) -> list[Covered]:
    """Choose the exceptions that are told one by one, in their order: those in force before all others."""
    left = EXCEPTIONS_BYTES
    told: list[Covered] = []
    for one in sorted(accepted, key=lambda one: not one.holds):
        its = one.acceptance
        texts = [its.pattern, its.because, its.by, *(its.withdrawn or ())]
        left -= EXCEPTION_BYTES + sum(len(escape(may_be_shown(text)).encode()) for text in texts)
        if left < 0 and told:
            break
        told.append(one)
    return sorted(told, key=lambda one: one.acceptance.number)


def _share(number: int) -> int:
    return max(FEWEST_ROWS, min(INLINE_ROWS, SHARED_ROWS // max(1, number)))
