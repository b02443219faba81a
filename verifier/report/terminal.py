"""The terminal summary: what a person must know first, on one screen of 80 columns.

The verdict, both sides and the gravest findings are in its first 24 lines; all of it is less than 40.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from verifier.classes import Class, Side, VerdictKind
from verifier.evidence import PAGE_FILE
from verifier.manifest.database import named
from verifier.report.amounts import size_text
from verifier.report.words import HEADLINES, MEANINGS, despite_what
from verifier.tree.names import shown
from verifier.verdict import PHRASES, count_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from verifier.decisions.signoff import SignOff
    from verifier.report.context import Named, ReportContext

WIDTH: Final = 80
HEIGHT: Final = 24
REASON_LINES: Final = 6
FACTS: Final = 4
"""How many systematic differences are named at most,"""
FEWEST: Final = 10
"""and of how many entries at least."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of text, and how loud it is."""

    text: str
    tone: str = "plain"
    """plain, strong, good, bad, unsure, quiet."""


_TONES: Final = {
    VerdictKind.TRUSTWORTHY: "good",
    VerdictKind.WITH_EXCEPTIONS: "good",
    VerdictKind.NOT_TRUSTWORTHY: "bad",
    VerdictKind.INCONCLUSIVE: "unsure",
}


def summarise(context: ReportContext) -> list[Line]:
    """Return the summary, line by line, with nothing in it that a terminal would act on."""
    kind = context.verdict.kind
    head = [Line(HEADLINES[kind].upper(), _TONES[kind]), Line(MEANINGS[kind])]
    head += [Line(text) for text in _reasons(context.verdict.reasons)]
    place = Line(f"Report  {named(context.evidence / PAGE_FILE)}", "strong")
    foot = [*_rest(context), *_signed(context.signoff), place, _CAUTION]
    sides = _sides(context)
    room = HEIGHT - len(head) - len(sides) - len(foot) - 3  # three empty lines between the four parts
    gravest = list(_gravest(context.gravest[: max(0, room)]))
    facts = _systematic(context)
    parts = [part for part in (head, sides, gravest, facts, foot) if part]
    return [line for part in parts for line in (Line(""), *part)][1:]


_CAUTION: Final = Line("A verified copy is not a backup: keep the old side until a second one exists.", "quiet")


def _reasons(reasons: Sequence[str]) -> list[str]:
    """Return the reasons, indented and wrapped; what takes too much room is counted."""
    lines: list[str] = []
    for number, reason in enumerate(reasons):
        wrapped = _wrapped(reason.split(" "), " ", "  ", "    ")
        left = len(reasons) - number
        if len(lines) + len(wrapped) + (left > 1) > REASON_LINES:
            return [*lines, f"  ... and {left} more, in the report"]
        lines += wrapped
    return lines


def _sides(context: ReportContext) -> list[Line]:
    lines = []
    for side in Side:
        facts = context.sides[side]
        totals = facts.totals
        read = "every file read" if totals["proved_files"] == totals["files"] else f"{totals['proved_files']:,} read"
        if totals["carried_files"]:
            read += f", {totals['carried_files']:,} known before"
        if not facts.complete:
            read += ", INCOMPLETE"
        counts = f"{count_of(totals['files'], 'file', 'files')}, {size_text(totals['bytes'])}, {read}"
        before = f"{side.value:<5} {counts:<44} "
        lines.append(Line(before + _tail(facts.whereabouts, WIDTH - len(before))))
    return lines


def _gravest(found: Sequence[Named]) -> Iterator[Line]:
    for one in found:
        path = f"{one.path}/ ({count_of(one.entries, 'entry', 'entries')})" if one.entries else one.path
        yield Line(f"  {one.what:<13} {_tail(path, WIDTH - 16)}")


_HARMLESS: Final = (
    Class.IDENTICAL,
    Class.METADATA_ONLY,
    Class.RELOCATED,
    Class.NAME_ALTERED,
    Class.EXTRA,
    Class.DRIFT,
    Class.CLUTTER,
)


def _signed(signoff: SignOff | None) -> Iterator[Line]:
    """Say who signed, and in spite of what."""
    if signoff is not None:
        despite = f" despite {despite_what(signoff)}" if signoff.despite else ""
        yield Line(cut(shown(f"Signed{despite}, {signoff.at}, by {signoff.by}"), WIDTH), "strong")


def _systematic(context: ReportContext) -> list[Line]:
    """Name what differs the same way everywhere."""
    facts = [one for one in context.systematic if one.tally.entries >= FEWEST]
    lines = [f"  {one.text}: {count_of(one.tally.entries, 'entry', 'entries')}" for one in facts[:FACTS]]
    if len(facts) > FACTS:
        lines.append(f"  ... and {len(facts) - FACTS} more, in the report")
    return [Line("The same way everywhere:"), *(Line(cut(line, WIDTH)) for line in lines)] if lines else []


def _rest(context: ReportContext) -> list[Line]:
    """Count everything else, in as few lines as it takes."""
    counts = [(cls, context.classes[cls].entries) for cls in _HARMLESS]
    told = [f"{count:,} {PHRASES[cls]}" for cls, count in counts if count or cls is Class.IDENTICAL]
    lines = [Line(text) for text in _wrapped(told, ", ")]
    decisions = sum(tally.entries for tally in context.decisions.values())
    if decisions:
        need = "needs" if decisions == 1 else "need"
        what = f"{count_of(decisions, 'file', 'files')} set aside {need} a decision by name"
        lines.append(Line(f"{what}: see the report"))
    if accepted := context.accepted_findings.entries:
        lines.append(Line(f"{count_of(accepted, 'finding', 'findings')} accepted by name: see the report"))
    return lines


def _wrapped(parts: Sequence[str], between: str, first: str = "", further: str = "") -> list[str]:
    """Join parts into lines that fit, broken only between two parts."""
    lines = [f"{first}{parts[0]}"]
    for part in parts[1:]:
        extended = f"{lines[-1]}{between}{part}"
        if len(extended) + len(between.rstrip()) <= WIDTH:
            lines[-1] = extended
        else:
            lines[-1] += between.rstrip()
            lines.append(f"{further}{part}")
    return lines


def flowing(text: str, first: str = "", further: str = "", tone: str = "plain", width: int = WIDTH) -> Iterator[Line]:
    """Yield a text in lines that fit, broken between words, or inside one that is too long; columns are counted.

    Args:
        text: The text; what a terminal would act on is shown instead.
        first: What the first line begins with,
        further: and the others.
        tone: Of the lines.
        width: Columns that they may take.
    """
    from rich.cells import cell_len, chop_cells  # noqa: PLC0415  as in `_tail`

    line, between = first, ""
    for word in shown(text).split(" "):
        for piece in chop_cells(word, width - cell_len(further)) or [""]:
            if cell_len(line) + cell_len(between) + cell_len(piece) > width:
                yield Line(line.rstrip(), tone)
                line, between = further, ""
            line, between = f"{line}{between}{piece}", " "
    yield Line(line.rstrip(), tone)


def cut(text: str, columns: int) -> str:
    """Shorten a text at its end; counts the columns that it takes."""
    from rich.cells import cell_len, set_cell_size  # noqa: PLC0415  as in `_tail`

    return text if cell_len(text) <= columns else f"{set_cell_size(text, columns - 3).rstrip()}..."


def _tail(path: str, columns: int) -> str:
    """Shorten a path from its beginning, because the end tells files apart; counts the columns that it takes."""
    from rich.cells import cell_len  # noqa: PLC0415  a table of character widths, for when something is printed

    if cell_len(path) <= columns:
        return path
    kept = path[-columns:]
    while cell_len(kept) > columns - 3:
        kept = kept[1:]
    return f"...{kept}"
