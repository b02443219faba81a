"""The terminal summary: what a person must know first, on one screen of 24 lines by 80 columns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.manifest.store import named
from verifier.report.context import size_text
from verifier.report.words import HEADLINES, MEANINGS
from verifier.tree.names import shown
from verifier.verdict import PHRASES, count_of

if TYPE_CHECKING:
    from verifier.reconcile.findings import Findings
    from verifier.report.context import ReportContext

WIDTH: Final = 80
EXAMPLES: Final = 6
_SERIOUS: Final = (Severity.BLOCKER, Severity.INCONCLUSIVE)


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


def summarise(context: ReportContext, findings: Findings) -> list[Line]:
    """Return the summary, line by line, with nothing in it that a terminal would act on."""
    verdict = context.verdict
    lines = [Line(HEADLINES[verdict.kind].upper(), _TONES[verdict.kind]), Line(MEANINGS[verdict.kind])]
    lines += [Line(f"  {reason}") for reason in _first(list(verdict.reasons), 6)]
    lines.append(Line(""))
    lines += _sides(context)
    worst = _worst(context, findings)
    if worst:
        lines += [Line(""), *worst]
    lines += [Line(""), *_rest(context, findings)]
    lines.append(Line(f"Report  {named(context.evidence / 'report.html')}", "strong"))
    lines.append(Line("A verified copy is not a backup: keep the old side until a second one exists.", "quiet"))
    return lines


def _first(items: list[str], limit: int) -> list[str]:
    if len(items) <= limit:
        return items
    return [*items[: limit - 1], f"... and {len(items) - limit + 1} more, in the report"]


def _sides(context: ReportContext) -> list[Line]:
    lines = []
    for side in Side:
        facts = context.sides[side]
        totals = facts.totals
        read = "every file read" if totals["proved_files"] == totals["files"] else f"{totals['proved_files']:,} read"
        if not facts.complete:
            read += ", INCOMPLETE"
        counts = f"{totals['files']:,} files, {size_text(totals['bytes'])}, {read}"
        lines.append(Line(f"{side.value:<5} {counts:<44} {_tail(shown(facts.facts['root']), WIDTH - 51)}"))
    return lines


def _worst(context: ReportContext, findings: Findings) -> list[Line]:
    """Name the gravest findings: damage first, because it cannot be seen from outside."""
    queues = [_grave(context, findings, *kind) for kind in _GRAVITY]
    lines: list[Line] = []
    # One of each kind before a second of any, so that a flood of one does not hide the others.
    while any(queues) and len(lines) < EXAMPLES:
        found = [queue.pop(0) for queue in queues if queue]
        lines += [Line(f"  {name:<13} {_tail(path, WIDTH - 16)}") for name, path in found]
    return lines[:EXAMPLES]


_GRAVITY: Final[tuple[tuple[Class, Cause | None], ...]] = (
    *((Class.CONTENT_CHANGED, cause) for cause in (Cause.SILENT, Cause.ZERO_FILLED, Cause.TRUNCATED, Cause.EMPTY)),
    (Class.MISSING, None),
    *((Class.CONTENT_CHANGED, cause) for cause in (Cause.OTHER, Cause.STALE, Cause.NEWER)),
    (Class.KIND_CHANGED, None),
    (Class.UNREADABLE, None),
    (Class.UNSETTLED, None),
)

_HARMLESS: Final = (
    Class.IDENTICAL,
    Class.METADATA_ONLY,
    Class.RELOCATED,
    Class.NAME_ALTERED,
    Class.EXTRA,
    Class.DRIFT,
    Class.CLUTTER,
)


def _grave(context: ReportContext, findings: Findings, cls: Class, cause: Cause | None) -> list[tuple[str, str]]:
    """Return what the first findings of a kind are called and where they are, whole folders before single entries."""
    name = cause or cls
    whole = [
        (name, f"{folder.path}/ ({count_of(folder.tally.entries, 'entry', 'entries')})")
        for folder in context.folders
        if folder.cls is cls and cause is None
    ]
    where = """
        "class" = ? AND severity IN (?, ?) AND cause IS ?
        AND (group_path IS NULL OR (SELECT count(*) FROM findings AS f
                                    WHERE f.group_path = findings.group_path AND f."class" = findings."class") = 1)
    """
    alone = findings.stream(where, (cls.value, *_SERIOUS, cause), EXAMPLES)
    return [*whole, *((name, shown(f.old_path or f.new_path or "")) for f in alone)]


def _rest(context: ReportContext, findings: Findings) -> list[Line]:
    """Count everything else, in as few lines as it takes."""
    counts = [(cls, context.classes[cls].entries) for cls in _HARMLESS]
    told = [f"{count:,} {PHRASES[cls]}" for cls, count in counts if count or cls is Class.IDENTICAL]
    lines = [Line(text) for text in _wrapped(", ".join(told), WIDTH)]
    decisions = findings.tally("decision").entries
    if decisions:
        lines.append(Line(f"{count_of(decisions, 'file', 'files')} set aside need a decision by name: see the report"))
    return lines


def _wrapped(text: str, width: int) -> list[str]:
    lines = [""]
    for part in text.split(", "):
        extended = f"{lines[-1]}, {part}" if lines[-1] else part
        if len(extended) <= width:
            lines[-1] = extended
        else:
            lines[-1] += ","
            lines.append(part)
    return lines


def _tail(path: str, width: int) -> str:
    """Shorten a path from its beginning: the end tells files apart."""
    return path if len(path) <= width else "..." + path[-(width - 3) :]
