"""What stands at the head of the page: warnings, and every question with its answer in a few words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verifier.classes import TRUSTED, Cause, Class
from verifier.report.drawing import FROM_ELSEWHERE, NOTHING
from verifier.report.listing import may_be_shown
from verifier.report.words import HEADLINES, NOT_PROVED
from verifier.tree.digests import Algorithm
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verifier.report.context import ReportContext, SideFacts
    from verifier.report.cutting import Content


@dataclass(frozen=True, slots=True)
class Question:
    """One section of the page."""

    number: int
    text: str
    answer: str
    """In a few words, for the overview."""


def obstacles(context: ReportContext) -> list[str]:
    """Say what stands in the way besides the findings: the run itself."""
    found = []
    for side in context.sides.values():
        if not side.complete:
            why = side.facts.get("interrupted") or "it was ended from outside"
            found.append(f"The scan of the {side.side} side is incomplete: {may_be_shown(why)}.")
        if side.facts.get("listing_only") == "1":
            found.append(f"The {side.side} side was only listed: no file of it was read.")
    return found


def warnings(context: ReportContext) -> list[str]:
    """Say what a reader must know before any number on the page."""
    told = obstacles(context)
    told += [
        f"The account of the {side.side} side does not balance. Rely on nothing in this report."
        for side in context.sides.values()
        if not side.balanced
    ]
    if repeats := context.causes.get(Cause.NOT_REPEATED):
        files = count_of(repeats, "file that was read differently", "files that were read differently")
        told.append(
            f"{files} at two readings. Memory, a cable or a controller may damage data on its way: find out which "
            "before anything that was read here is relied on."
        )
    if resists_forgery(context) is False:
        told.append(
            "The digests show accidents, not deceit: with this algorithm somebody could make two files look alike."
        )
    return told


def resists_forgery(context: ReportContext) -> bool | None:
    """Tell whether equal digests mean equal content even against deceit; None for an algorithm that is not known."""
    names = {side.facts.get("algorithm", "") for side in context.sides.values()}
    if not names <= {algorithm.value for algorithm in Algorithm}:
        return None
    return all(Algorithm(name).resists_forgery for name in names)


def questions(context: ReportContext, content: Content) -> list[Question]:
    """Return the page's questions, in order, each with its answer in a few words."""
    trusted = context.verdict.kind in TRUSTED
    in_the_way = [one.part.heading for one in content.blocking]
    if obstacles(context) or not (in_the_way or trusted):
        in_the_way.append("the run itself")
    balanced = all(side.balanced for side in context.sides.values())
    aside = context.classes[Class.CLUTTER].entries
    systematic = ["the same way everywhere"] if context.systematic else []
    signed = context.signoff
    texts = (
        ("Can this copy be trusted?", HEADLINES[context.verdict.kind]),
        ("What stands in the way?", _listed(in_the_way)),
        ("Where did everything go?", "Accounted for on both sides" if balanced else "The account does not balance"),
        ("Where are the differences?", _where(content)),
        ("What needs a decision, and what was accepted?", _to_decide(context, content)),
        ("What was set aside, by which rule?", count_of(aside, "entry", "entries") if aside else "Nothing"),
        ("What else differs?", _listed([*systematic, *(one.part.heading for one in content.noted)])),
        ("What was compared, and what not?", _compared(context)),
        ("How was it checked?", _read(context)),
        ("What does this not prove?", f"{len(NOT_PROVED)} limits"),
        ("What comes before wiping?", f"{len(context.cautions)} cautions, {len(context.checklist)} questions"),
        ("Who signs for it?", f"Signed by {may_be_shown(signed.by)}" if signed else "Nobody yet"),
    )
    return [Question(number, *text) for number, text in enumerate(texts, 1)]


def _where(content: Content) -> str:
    drawn = content.picture
    if drawn is None:
        return "Not recorded"
    if not drawn.shelves:
        return "There are no folders"
    touched = sum(shelf.words not in (NOTHING, FROM_ELSEWHERE) for shelf in drawn.shelves)
    there = count_of(len(drawn.shelves), "folder", "folders")
    return f"In {touched:,} of {there} that are drawn" if touched else f"In none of the {there} that are drawn"


def _to_decide(context: ReportContext, content: Content) -> str:
    told = [one.part.heading for one in content.attention]
    if context.decisions:
        number = sum(tally.files for tally in context.decisions.values())
        told.insert(0, count_of(number, "file", "files") + " set aside")
    if context.accepted_findings.entries:
        told.append(f"{context.accepted_findings.entries:,} accepted by name")
    return _listed(told)


def _compared(context: ReportContext) -> str:
    fields = ", ".join(context.run["compared"])
    return f"Content, kind, names{', ' + may_be_shown(fields) if fields else ''}"


def _read(context: ReportContext) -> str:
    unfinished = [side.side for side in context.sides.values() if not side.complete]
    if unfinished:
        return f"The scan did not end on the {' and the '.join(unfinished)} side"
    unread = [side.side for side in context.sides.values() if _known(side) < side.totals["files"]]
    carried = [side.side for side in context.sides.values() if side.totals["carried_files"]]
    if unread:
        return f"Not every file was read on the {' and the '.join(unread)} side"
    if carried:
        return f"Every file known on both sides, not all read now on the {' and the '.join(carried)} side"
    return "Every file read on both sides"


def _known(side: SideFacts) -> int:
    return side.totals["proved_files"] + side.totals["carried_files"]


def _listed(words: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(word.lower() for word in words)).capitalize() or "Nothing"
