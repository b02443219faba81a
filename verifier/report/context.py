"""Everything that a report says, computed once from an evidence folder and shared by every form of it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from blake3 import blake3

from verifier.classes import Class, Severity, Side, VerdictKind
from verifier.errors import NotAManifest
from verifier.manifest.database import named
from verifier.manifest.merge import roots_of
from verifier.reconcile.findings import Finding, Findings, Systematic, Tally
from verifier.reconcile.recopy import TO_COPY
from verifier.report.words import CAUTIONS, problem_line
from verifier.tree.names import shown
from verifier.verdict import Verdict

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

FINDINGS_FILE: Final = "findings.sqlite"
MANIFEST_FILES: Final = {side: f"{side}.manifest.sqlite" for side in Side}
INLINE_ROWS: Final = 200
"""Findings of one class that the page shows itself; the rest is in the CSV beside it."""


@dataclass(frozen=True, slots=True)
class SideFacts:
    """One side, as its manifest and its account tell."""

    side: Side
    facts: Mapping[str, str]
    """The manifest's facts."""
    totals: Mapping[str, int]
    """The manifest's counts, by the names of `verifier.manifest.totals.Totals`."""
    account: Mapping[Class, Tally]
    problems: tuple[Mapping[str, Any], ...] = ()
    """Errors that were met, counted by kind: see `verifier.manifest.store.ProblemKind`."""

    @property
    def whereabouts(self) -> str:
        """Where the side lies, as it may be shown; of several roots how many they are, and their labels."""
        roots = roots_of(self.facts)
        if "" in roots:
            return shown(roots[""])
        return f"{len(roots)} roots: {', '.join(map(shown, roots))}"

    @property
    def complete(self) -> bool:
        """Whether the scan reached its end."""
        return self.facts.get("complete") == "1"

    @property
    def balanced(self) -> bool:
        """Whether the classes account for every entry and byte."""
        entries = sum(tally.entries for tally in self.account.values())
        size = sum(tally.bytes for tally in self.account.values())
        return entries == self.totals["entries"] and size == self.totals["bytes"]


@dataclass(frozen=True, slots=True)
class RuleUse:
    """What one rule did in this run."""

    name: str
    what: str
    maker: str
    action: str
    entries: int
    old_bytes: int
    new_bytes: int
    decision: bool
    """Whether somebody has to decide by name about what it set aside."""


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder that has one fate as a whole."""

    cls: Class
    path: str
    """As it may be shown."""
    tally: Tally


@dataclass(frozen=True, slots=True)
class ReportContext:
    """Everything that a report says."""

    evidence: Path
    report_id: str
    """Short digest of the findings and both fingerprints, to tell reports apart."""
    verdict: Verdict
    sides: Mapping[Side, SideFacts]
    classes: Mapping[Class, Tally]
    """Findings by class; identical pairs included."""
    causes: Mapping[str, int]
    run: Mapping[str, Any]
    """What the run was told and when: see `verifier.check`."""
    rules: tuple[RuleUse, ...]
    folders: tuple[Folder, ...]
    field_counts: tuple[tuple[str, int], ...]
    """Combinations of differing metadata fields, most frequent first."""
    systematic: tuple[Systematic, ...]
    """Differences that are one fact each."""
    to_copy: Tally
    """What is still to be copied again (`verifier.reconcile.recopy`)."""
    cautions: tuple[str, ...] = field(default=CAUTIONS)

    @property
    def exit_code(self) -> int:
        """The process's exit code."""
        return self.verdict.exit_code


def build_context(evidence: Path, findings: Findings) -> ReportContext:
    """Compute everything that a report says from an open findings file.

    Args:
        evidence: The folder it lies in.
        findings: The findings, with the run's facts.

    Raises:
        NotAManifest: If the run's facts are not in it.
    """
    try:
        run = json.loads(findings.facts()["run"])
    except (KeyError, ValueError) as error:
        raise NotAManifest(
            f"{named(findings.path)} does not hold a finished check", "name a folder that `verifier check` wrote"
        ) from error
    sides = {
        side: SideFacts(
            side,
            run["sides"][side]["facts"],
            run["sides"][side]["totals"],
            findings.account(side),
            tuple(run["sides"][side]["problems"]),
        )
        for side in Side
    }
    identical = sides[Side.OLD].account[Class.IDENTICAL]
    classes = {cls: findings.tally('"class" = ?', (cls.value,)) for cls in Class} | {Class.IDENTICAL: identical}
    verdict = Verdict(VerdictKind(run["verdict"]["kind"]), tuple(run["verdict"]["reasons"]))
    return ReportContext(
        evidence,
        _report_id(findings),
        verdict,
        sides,
        classes,
        {cause: int(n) for cause, n in findings.counts("cause") if cause},
        run,
        rule_uses(findings, run["rules"]["rules"]),
        _folders(findings),
        tuple((row[0], int(row[1])) for row in findings.counts("fields") if row[0]),
        tuple(findings.systematic()),
        findings.tally(TO_COPY),
    )


def _report_id(findings: Findings) -> str:
    """Digest all that the report is written from: the run's facts, with both fingerprints, and all rows."""
    whole = blake3(findings.facts()["run"].encode())
    for batch in findings.batches():
        whole.update(repr(batch).encode(errors="surrogatepass"))
    return whole.hexdigest(length=8)


def rule_uses(findings: Findings, known: Mapping[str, Mapping[str, Any]]) -> tuple[RuleUse, ...]:
    """Return what each rule set aside, the most bytes first; `known` is the run's own list of rules."""
    rows = findings.connection.execute(
        """
        SELECT rule, count(*), coalesce(sum(CASE WHEN old_kind = 'file' THEN old_size END), 0),
               coalesce(sum(CASE WHEN new_kind = 'file' THEN new_size END), 0), max(decision)
        FROM findings WHERE "class" = 'clutter' GROUP BY rule
        """
    ).fetchall()
    uses = [
        RuleUse(
            name,
            known[name]["what"],
            known[name]["maker"],
            known[name]["action"],
            entries,
            old_bytes,
            new_bytes,
            bool(decision),
        )
        for name, entries, old_bytes, new_bytes, decision in rows
    ]
    return tuple(sorted(uses, key=lambda use: (-use.old_bytes, -use.new_bytes, -use.entries, use.name)))


def _folders(findings: Findings) -> tuple[Folder, ...]:
    """Return the largest whole folders of each class, largest first."""
    rows = findings.connection.execute(
        """
        SELECT * FROM (
            SELECT *, row_number() OVER (PARTITION BY "class" ORDER BY bytes DESC, entries DESC, group_path) AS turn
            FROM (
                SELECT "class", group_path, count(*) AS entries,
                       sum(coalesce(old_kind, new_kind) = 'file') AS files,
                       coalesce(sum(CASE WHEN coalesce(old_kind, new_kind) = 'file'
                                         THEN coalesce(old_size, new_size) END), 0) AS bytes
                FROM findings WHERE group_path IS NOT NULL GROUP BY "class", group_path HAVING count(*) > 1
            )
        ) WHERE turn <= ? ORDER BY bytes DESC, entries DESC, group_path
        """,
        (INLINE_ROWS,),
    )
    return tuple(Folder(Class(row[0]), shown(row[1]), Tally(*row[2:5])) for row in rows)


def problem_lines(context: ReportContext) -> list[str]:
    """Return a line for each kind of error that was met on either side: what, how often, where, what to do."""
    return [f"{side.side}: {problem_line(**problem)}" for side in context.sides.values() for problem in side.problems]


def rows_of(findings: Findings, cls: Class, limit: int = INLINE_ROWS) -> list[Finding]:
    """Return the first findings of a class, heaviest severity first, then in the contract's order."""
    found: list[Finding] = []
    for severity in Severity:
        if len(found) < limit:
            where, values = '"class" = ? AND severity = ?', (cls.value, severity.value)
            found += findings.stream(where, values, limit - len(found))
    return found


def time_text(time_ns: int | None) -> str:
    """Return a file's time as ISO 8601 in UTC, with as many decimals as it has; empty where there is none."""
    if time_ns is None:
        return ""
    seconds, rest = divmod(time_ns, 10**9)
    try:
        whole = datetime.fromtimestamp(seconds, UTC)
    except (OverflowError, ValueError, OSError):
        return f"{seconds} s after 1970-01-01T00:00:00Z"
    decimals = f".{rest:09d}".rstrip("0").rstrip(".")
    return f"{whole:%Y-%m-%dT%H:%M:%S}{decimals}Z"
