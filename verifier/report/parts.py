"""Findings counted in every way that a report needs, in one pass, and the parts in which they are told."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.classes import DEFAULT_SEVERITY, Cause, Class, Severity
from verifier.reconcile.findings import ACCEPTED, EXPLAINED, OF_EITHER_SIDE, Findings, Tally
from verifier.report.amounts import size_text
from verifier.report.words import ADVICE, CAUSES, MEANS
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

NOTED: Final = (Severity.NOTE, Severity.NONE)
TO_DECIDE: Final = f"(\"class\" = 'clutter' AND decision AND NOT {ACCEPTED})"
"""SQL, 1 for what was set aside, has to be decided about by name, and is not."""
_MAY_BE_EXPLAINED: Final = (Class.METADATA_ONLY, Class.NAME_ALTERED)


class Cell(NamedTuple):
    """Findings that are alike in all of this."""

    cls: Class
    severity: Severity
    cause: str
    """Empty where there is none."""
    decision: bool
    """Whether somebody has to decide about them by name."""
    accepted: bool
    """Whether an exception covers them."""
    tally: Tally


def count_cells(findings: Findings) -> tuple[Cell, ...]:
    """Count all findings, in one pass, in the order of classes and severities."""
    query = f"""
        SELECT "class", severity, coalesce(cause, ''), decision, {ACCEPTED}, {OF_EITHER_SIDE}
        FROM findings GROUP BY 1, 2, 3, 4, 5
    """  # noqa: S608
    rows = findings.connection.execute(query)
    cells = [Cell(Class(row[0]), Severity(row[1]), row[2], bool(row[3]), bool(row[4]), Tally(*row[5:])) for row in rows]
    severities, classes = list(Severity), list(Class)
    return tuple(sorted(cells, key=lambda c: (severities.index(c.severity), classes.index(c.cls), *c[2:5])))


def added(cells: Iterator[Cell]) -> Tally:
    """Add cells up."""
    total = Tally()
    for cell in cells:
        total = total.plus(cell.tally)
    return total


@dataclass(frozen=True, slots=True)
class Part:
    """Open findings of one class and weight, that is: what no exception covers."""

    cls: Class
    severity: Severity
    heading: str
    tally: Tally
    means: str
    advice: str
    reweighed: str
    """That the policy changed the weight, else the empty text."""
    causes: tuple[tuple[str, int, str], ...]
    """Cause, how often, what it means."""
    explained: int
    """Findings that differ in systematic ways only; they are not listed one by one."""

    @property
    def count(self) -> str:
        """How many there are, in words."""
        return counted(self.tally)

    @property
    def where(self) -> tuple[str, tuple[object, ...]]:
        """SQL that selects what is listed one by one, and its values."""
        where = f'"class" = ? AND severity = ? AND NOT {ACCEPTED}'
        if self.severity is Severity.ATTENTION:
            where += " AND NOT decision"
        if self.explained:
            where += f" AND NOT {EXPLAINED}"
        return where, (self.cls.value, self.severity.value)


def parts_of(findings: Findings, cells: tuple[Cell, ...], policy: Mapping[str, Mapping[str, str]]) -> tuple[Part, ...]:
    """Return the parts, heaviest first; what rules set aside and only note is none, nor what asks for a decision."""
    found: dict[tuple[Class, Severity], list[Cell]] = defaultdict(list)
    for cell in cells:
        if not cell.accepted and not (cell.severity is Severity.ATTENTION and cell.decision):
            found[cell.cls, cell.severity].append(cell)
    return tuple(
        _part(findings, cls, severity, alike, policy)
        for (cls, severity), alike in found.items()
        if not (cls is Class.CLUTTER and severity in NOTED)
    )


def _part(
    findings: Findings, cls: Class, severity: Severity, cells: list[Cell], policy: Mapping[str, Mapping[str, str]]
) -> Part:
    heading, means, advice = cls.value.replace("-", " ").capitalize(), MEANS[cls], ADVICE[cls]
    by_policy = cls.value in policy.get("class", {})
    if cls is Class.CLUTTER and severity is Severity.ATTENTION and not by_policy:
        heading, means = "Signs of use", "a rule knows this name as the sign that something was open or left over"
        advice = "See whether what it belongs to is whole on the new side, and who has it open."
    by_policy |= cls is Class.METADATA_ONLY and severity is not DEFAULT_SEVERITY[cls]
    reweighed = f"Weighed as “{severity}” by the policy in the rule files." if by_policy else ""
    counts = {cell.cause: cell.tally.entries for cell in cells if cell.cause}
    causes = tuple((cause.value, counts[cause], CAUSES[cause]) for cause in Cause if cause in counts)
    explained = 0
    if cls in _MAY_BE_EXPLAINED:
        where = f'"class" = ? AND severity = ? AND NOT {ACCEPTED} AND {EXPLAINED}'
        explained = findings.tally(where, (cls.value, severity.value)).entries
    return Part(cls, severity, heading, added(iter(cells)), means, advice, reweighed, causes, explained)


def counted(tally: Tally) -> str:
    """Return in words how many entries there are, and how many of them are files with how many bytes."""
    entries = count_of(tally.entries, "entry", "entries")
    if not tally.files:
        return f"{entries}, no file among them" if tally.entries > 1 else f"{entries}, not a file"
    if tally.files == tally.entries:
        return f"{count_of(tally.files, 'file', 'files')}, {size_text(tally.bytes)}"
    return f"{entries}, {tally.files:,} of them files, {size_text(tally.bytes)}"
