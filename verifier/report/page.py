"""``report.html``: one page that answers, question by question, what a person who signs must know.

The page stands alone. It fetches nothing, and its content security policy allows no more than its own style sheet and
its own script, each by its digest. Without the script everything is there to read, open and in order; with it lists
fold, sort and can be searched. What it says comes from `ReportContext` and the findings; how it looks is in
``templates``.
"""

from __future__ import annotations

from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Final

from markupsafe import Markup

from verifier.classes import TRUSTED, Class, Side
from verifier.reconcile.findings import Findings, Tally
from verifier.report.amounts import duration_text, instant_text, size_text
from verifier.report.cutting import cut
from verifier.report.damages import bytes_of, cut_off, facts_of, ranges_of, strip
from verifier.report.drawing import FILL_WORDS, MOST_NAMED, Fill, bars
from verifier.report.frame import digest_of, environment, own_text, sheet_of
from verifier.report.listing import may_be_shown
from verifier.report.overview import obstacles, questions, resists_forgery, warnings
from verifier.report.parts import counted
from verifier.report.words import (
    FACT_WORDS,
    FILE_SYSTEM_FACTS,
    HEADLINES,
    LOOKED_WORDS,
    MEANINGS,
    MEANS,
    NOT_PROVED,
    despite_what,
    problem_line,
)
from verifier.rules.rule import Action
from verifier.verdict import count_of

if TYPE_CHECKING:
    from jinja2 import Environment

    from verifier.decisions.signoff import SignOff
    from verifier.report.context import ReportContext, SideFacts

DECISION_LINES: Final = 10
"""Lines for decisions in the sign-off block, which has to fit on one printed page."""
MOST_RULES: Final = 200
"""Rules that are listed with what each set aside."""
LONG_RECORD: Final = 1500
"""Characters of a sign-off from which on it is printed small, so that it fits on one page; a line break counts as"""
LINE: Final = 90
"""so many."""
PRINTED_ROWS: Final = 40
"""Rows of one list that are printed; the style sheet knows this number, too."""


def render_page(context: ReportContext, findings: Findings) -> str:
    """Return the page as HTML, below 3 MB whatever was found; the same evidence gives the same text.

    Args:
        context: What every form of the report says.
        findings: The findings to list, open, with what is accepted marked.
    """
    content = cut(context, findings)
    style, script = _style(context), own_text("report", "report.js")
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
            style_hash=digest_of(style),
            script=Markup(script),  # noqa: S704  the script is this package's own, and nothing is put into it
            script_hash=digest_of(script),
            headline=HEADLINES[context.verdict.kind],
            meaning=MEANINGS[context.verdict.kind],
            trusted=context.verdict.kind in TRUSTED,
            resists_forgery=resists_forgery(context),
            obstacles=obstacles(context),
            warnings=warnings(context),
            questions=questions(context, content),
            content=content,
            bars=bars(context),
            signed_decisions=content.decisions[:DECISION_LINES],
            other_decisions=Tally(*map(sum, zip(*rest, strict=True))) if rest else None,
            rules=context.rules[:MOST_RULES],
            long_record=context.signoff is not None and _is_long(context.signoff),
        )
    )


def _is_long(signed: SignOff) -> bool:
    texts = (
        signed.statement,
        signed.despite,
        *(text for point in signed.checklist for text in (point.text, point.told)),
    )
    return sum(map(len, texts)) + LINE * signed.statement.count("\n") > LONG_RECORD


def _style(context: ReportContext) -> str:
    """Return the style sheet, by which every printed page says which report it belongs to, and its verdict."""
    if not context.report_id.isalnum():
        raise ValueError("a report's id is hexadecimal")
    margins = f'@bottom-left {{ content: "Report {context.report_id}"; }}'
    margins += f' @top-right {{ content: "{HEADLINES[context.verdict.kind]}"; }}'
    return sheet_of("report", "report.css", margins)


@cache
def _environment() -> Environment:
    made = environment("report")
    made.filters.update(
        shown=may_be_shown,
        size=size_text,
        exact=_exact,
        number=_number,
        instant=_instant,
        span=_span,
        percent=_percent,
        counted=counted,
    )
    made.globals.update(
        DO_NOT_DESCEND=Action.DO_NOT_DESCEND.value,
        PRINTED_ROWS=PRINTED_ROWS,
        Class=Class,
        Fill=Fill,
        MOST_NAMED=MOST_NAMED,
    )
    made.globals.update(FILL_WORDS=FILL_WORDS, MEANS=MEANS, NOT_PROVED=NOT_PROVED, FILE_SYSTEM=FILE_SYSTEM_FACTS)
    made.globals.update(count_of=count_of, fact=_fact, said=_said, manner=_manner, coldness=_coldness)
    made.globals.update(problem_line=problem_line, despite_what=despite_what, took=_took, LOOKED=LOOKED_WORDS)
    made.globals.update(strip=strip, cut_off=cut_off, facts_of=facts_of, ranges_of=ranges_of, bytes_of=bytes_of)
    return made


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


def _fact(side: SideFacts, name: str) -> str:
    return may_be_shown(side.facts.get(name) or "not recorded")


def _said(side: SideFacts, key: str) -> str:
    """Return what a side's facts say about its file system, in words."""
    value = side.facts.get(key) or ""
    if key == "grain_ns" and value.isdecimal():
        return _span(int(value))
    return FACT_WORDS.get((key, value)) or FACT_WORDS.get(("", value)) or may_be_shown(value)


def _took(side: SideFacts) -> str:
    """Return how long a scan took, from its beginning to its end."""
    try:
        began, ended = (datetime.fromisoformat(side.facts.get(key) or "") for key in ("started", "finished"))
        return duration_text((ended - began).total_seconds())
    except (TypeError, ValueError):
        return "not recorded"


def _number(value: int) -> str:
    return f"{value:,}"


def _percent(share: float) -> str:
    """Return a share for an attribute, to a thousandth of a percent."""
    return f"{share:.3f}".rstrip("0").rstrip(".") + "%"


def _exact(size_bytes: int) -> str:
    return f"{size_bytes:,}\u00a0B"


def _instant(text: str) -> str:
    """Return an ISO 8601 instant as people read it; anything else as it is."""
    return instant_text(text) or may_be_shown(text or "not recorded")


def _span(time_ns: int) -> str:
    """Return a length of time in the largest unit that holds it whole."""
    for unit, length in (("s", 10**9), ("ms", 10**6), ("µs", 1000)):
        if time_ns >= length and time_ns % length == 0:
            return f"{time_ns // length} {unit}"
    return f"{time_ns} ns"
