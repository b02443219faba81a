"""``report.html``: one page that answers, question by question, what a person who signs must know.

The page stands alone. It fetches nothing, runs nothing, and its content security policy allows no more than its own
style sheet. What it says comes from `ReportContext` and the findings; how it looks is in ``templates``.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.reconcile.findings import ACCEPTED, Findings, Tally
from verifier.report.amounts import size_text
from verifier.report.context import INLINE_ROWS, ReportContext, RuleUse, SideFacts
from verifier.report.listing import Lister, Listing, may_be_shown
from verifier.report.parts import NOTED, STANDS_IN_THE_WAY, Part
from verifier.report.words import (
    FACT_WORDS,
    FILE_SYSTEM_FACTS,
    HEADLINES,
    MEANINGS,
    MEANS,
    NOT_PROVED,
    problem_line,
)
from verifier.rules.rule import Action
from verifier.tree.digests import Algorithm
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

FEWEST_ROWS: Final = 5
"""Rows of each rule that asks for a decision, however many such rules there are."""
DECISION_LINES: Final = 10
"""Lines for decisions in the sign-off block, which has to fit on one printed page."""

_TRUSTED: Final = (VerdictKind.TRUSTWORTHY, VerdictKind.WITH_EXCEPTIONS)


@dataclass(frozen=True, slots=True)
class Shown:
    """A part, and what the page lists of it."""

    part: Part
    listing: Listing


@dataclass(frozen=True, slots=True)
class Decision:
    """One rule about whose finds somebody has to decide by name."""

    use: RuleUse
    tally: Tally
    """What it set aside on the old side that holds bytes."""
    listing: Listing


@dataclass(frozen=True, slots=True)
class Content:
    """What the questions about findings show, in the order of the page."""

    blocking: Sequence[Shown]
    decisions: Sequence[Decision]
    attention: Sequence[Shown]
    aside: Listing
    """Set aside, and nobody has to decide about it."""
    noted: Sequence[Shown]


@dataclass(frozen=True, slots=True)
class Question:
    """One section of the page."""

    number: int
    text: str
    answer: str
    """In a few words, for the overview."""


def render_page(context: ReportContext, findings: Findings) -> str:
    """Return the page as HTML, below 3 MB whatever was found; the same evidence gives the same text.

    Args:
        context: What every form of the report says.
        findings: The findings to list, open.
    """
    content = _Cutter(context, findings).content()
    style = _style(context.report_id)
    rest = [decision.tally for decision in content.decisions[DECISION_LINES:]]
    return (
        _environment()
        .get_template("report.html.j2")
        .render(
            context=context,
            run=context.run,
            old=context.sides[Side.OLD],
            new=context.sides[Side.NEW],
            sides=[context.sides[side] for side in Side],
            style=Markup(style),  # noqa: S704  the style sheet is this package's own
            style_hash=base64.b64encode(hashlib.sha256(style.encode()).digest()).decode(),
            headline=HEADLINES[context.verdict.kind],
            meaning=MEANINGS[context.verdict.kind],
            trusted=context.verdict.kind in _TRUSTED,
            resists_forgery=_resists_forgery(context),
            obstacles=_obstacles(context),
            warnings=_warnings(context),
            questions=_questions(context, content),
            content=content,
            means=MEANS,
            most_entries=max(1, *(context.sides[side].totals["entries"] for side in Side)),
            signed_decisions=content.decisions[:DECISION_LINES],
            other_decisions=Tally(*map(sum, zip(*rest, strict=True))) if rest else None,
            rules=context.rules[:INLINE_ROWS],
            not_proved=NOT_PROVED,
            file_system_facts=FILE_SYSTEM_FACTS,
        )
    )


class _Cutter:
    """Cuts the findings into what each question shows."""

    def __init__(self, context: ReportContext, findings: Findings) -> None:
        self._context = context
        self._lister = Lister(findings)

    def content(self) -> Content:
        # In the page's order: where room runs out, it runs out for what weighs least.
        return Content(
            self._weighed(STANDS_IN_THE_WAY),
            self._decisions(),
            self._weighed((Severity.ATTENTION,)),
            self._aside(),
            self._weighed(NOTED),
        )

    def _weighed(self, severities: Iterable[Severity]) -> list[Shown]:
        return [self._shown(part) for part in self._context.parts if part.severity in severities]

    def _shown(self, part: Part) -> Shown:
        return Shown(part, self._lister.by_folder(*part.where, part.tally.entries - part.explained))

    def _decisions(self) -> list[Decision]:
        asking = [use for use in self._context.rules if use.name in self._context.decisions]
        share = max(FEWEST_ROWS, INLINE_ROWS // max(1, len(asking)))
        where = f"\"class\" = 'clutter' AND decision AND rule = ? AND NOT {ACCEPTED}"
        decisions = []
        for use in asking:
            tally = self._context.decisions[use.name]
            listing = self._lister.one_by_one(where, (use.name,), tally.entries, share)
            decisions.append(Decision(use, tally, listing))
        return decisions

    def _aside(self) -> Listing:
        marks = ", ".join("?" * len(NOTED))
        where = f"\"class\" = 'clutter' AND NOT decision AND severity IN ({marks}) AND NOT {ACCEPTED}"
        values = tuple(severity.value for severity in NOTED)
        return self._lister.by_folder(where, values, self._context.aside.entries)


def _obstacles(context: ReportContext) -> list[str]:
    """Say what stands in the way besides the findings: the run itself."""
    obstacles = []
    for side in context.sides.values():
        if not side.complete:
            why = side.facts.get("interrupted") or "it was ended from outside"
            obstacles.append(f"The scan of the {side.side} side is incomplete: {may_be_shown(why)}.")
        if side.facts.get("listing_only") == "1":
            obstacles.append(f"The {side.side} side was only listed: no file of it was read.")
    return obstacles


def _warnings(context: ReportContext) -> list[str]:
    """Say what a reader must know before any number on the page."""
    warnings = _obstacles(context)
    warnings += [
        f"The account of the {side.side} side does not balance. Rely on nothing in this report."
        for side in context.sides.values()
        if not side.balanced
    ]
    if repeats := context.causes.get(Cause.NOT_REPEATED):
        files = count_of(repeats, "file that was read differently", "files that were read differently")
        warnings.append(
            f"{files} at two readings. Memory, a cable or a controller may damage data on its way: find out which "
            "before anything that was read here is relied on."
        )
    if _resists_forgery(context) is False:
        warnings.append(
            "The digests show accidents, not deceit: with this algorithm somebody could make two files look alike."
        )
    return warnings


def _resists_forgery(context: ReportContext) -> bool | None:
    """Tell whether equal digests mean equal content even against deceit; None for an algorithm that is not known."""
    names = {side.facts.get("algorithm", "") for side in context.sides.values()}
    if not names <= {algorithm.value for algorithm in Algorithm}:
        return None
    return all(Algorithm(name).resists_forgery for name in names)


def _questions(context: ReportContext, content: Content) -> list[Question]:
    trusted = context.verdict.kind in _TRUSTED
    in_the_way = [one.part.heading for one in content.blocking]
    if _obstacles(context) or not (in_the_way or trusted):
        in_the_way.append("the run itself")
    to_decide = [one.part.heading for one in content.attention]
    if content.decisions:
        number = sum(decision.tally.files for decision in content.decisions)
        to_decide.insert(0, count_of(number, "file", "files") + " set aside")
    aside = context.classes[Class.CLUTTER].entries
    balanced = all(side.balanced for side in context.sides.values())
    unread = [side.side for side in context.sides.values() if _known(side) < side.totals["files"]]
    carried = [side.side for side in context.sides.values() if side.totals["carried_files"]]
    read = "Every file read on both sides"
    if carried:
        read = f"Every file known on both sides, not all read now on the {' and the '.join(carried)} side"
    texts = (
        ("Can this copy be trusted?", HEADLINES[context.verdict.kind]),
        ("What stands in the way?", _listed(in_the_way)),
        ("Where did everything go?", "Accounted for on both sides" if balanced else "The account does not balance"),
        ("What needs a decision?", _listed(to_decide)),
        ("What was set aside, by which rule?", count_of(aside, "entry", "entries") if aside else "Nothing"),
        (
            "What else differs?",
            _listed(
                [
                    *(["the same way everywhere"] if context.systematic else []),
                    *(one.part.heading for one in content.noted),
                ]
            ),
        ),
        (
            "How was it checked?",
            f"Not every file was read on the {' and the '.join(unread)} side" if unread else read,
        ),
        ("What does this not prove?", f"{len(NOT_PROVED)} limits"),
        ("What comes before wiping?", f"{len(context.cautions)} cautions"),
        ("Who signs for it?", "To be filled in by hand"),
    )
    return [Question(number, *text) for number, text in enumerate(texts, 1)]


def _known(side: SideFacts) -> int:
    return side.totals["proved_files"] + side.totals["carried_files"]


def _coldness(side: SideFacts) -> str:
    """Say whether what was read came from this machine's memory."""
    cold, warm = (int(side.facts.get(name) or 0) for name in ("cold_files", "warm_files"))
    if side.facts.get("asked_cold") != "1":
        return "not asked for: what was in memory may have answered"
    if not cold + warm:
        return "asked for, but no file was read"
    if not warm:
        return f"yes: {count_of(cold, 'file', 'files')}, none with a page left in memory"
    return f"NOT ALL: {count_of(warm, 'file', 'files')} of {cold + warm:,} still had pages in memory"


def _manner(side: SideFacts) -> str:
    """Say what a scan did."""
    if side.facts.get("listing_only") == "1":
        return "LISTED ONLY, nothing read"
    return "listed, and A SAMPLE read" if side.facts.get("sampled") == "1" else "listed and read"


def _listed(words: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(word.lower() for word in words)).capitalize() or "Nothing"


def _style(report_id: str) -> str:
    """Return the style sheet, by which every printed page says which report it belongs to."""
    if not report_id.isalnum():
        raise ValueError("a report's id is hexadecimal")
    sheet = files("verifier.report").joinpath("templates", "report.css").read_text("utf-8")
    return f'{sheet}@page {{\n  @bottom-left {{ content: "Report {report_id}"; }}\n}}\n'


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("verifier", "report/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        shown=may_be_shown, size=size_text, exact=_exact, number=_number, instant=_instant, span=_span
    )
    environment.globals.update(DO_NOT_DESCEND=Action.DO_NOT_DESCEND.value, count_of=count_of, fact=_fact, Class=Class)
    environment.globals.update(coldness=_coldness, problem_line=problem_line, said=_said, manner=_manner)
    return environment


def _fact(side: SideFacts, name: str) -> str:
    return may_be_shown(side.facts.get(name) or "not recorded")


def _said(side: SideFacts, key: str) -> str:
    """Return what a side's facts say about its file system, in words."""
    value = side.facts.get(key) or ""
    if key == "grain_ns" and value.isdecimal():
        return _span(int(value))
    return FACT_WORDS.get((key, value)) or FACT_WORDS.get(("", value)) or may_be_shown(value)


def _number(value: int) -> str:
    return f"{value:,}"


def _exact(size_bytes: int) -> str:
    return f"{size_bytes:,}\u00a0B"


def _instant(text: str) -> str:
    """Return an ISO 8601 instant as people read it; anything else as it is."""
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        return may_be_shown(text or "not recorded")
    return f"{instant:%Y-%m-%d %H:%M:%S} {instant.tzname() or 'without zone'}"


def _span(time_ns: int) -> str:
    """Return a length of time in the largest unit that holds it whole."""
    for unit, length in (("s", 10**9), ("ms", 10**6), ("µs", 1000)):
        if time_ns >= length and time_ns % length == 0:
            return f"{time_ns // length} {unit}"
    return f"{time_ns} ns"
