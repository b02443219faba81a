"""Rules tried out against an evidence folder, before they are used: what would change.

The manifests in the folder are reconciled once more, under the new rules, into a scratch folder; nothing in the
evidence is touched. What a second look at files showed in the finished check is taken from there.
"""

from __future__ import annotations

import sqlite3
import tempfile
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier.classes import Class, Field, Phase, Side
from verifier.decisions.covering import mark
from verifier.evidence import FINDINGS_FILE, MANIFEST_FILES
from verifier.manifest.database import attach, database_errors
from verifier.reconcile.decay import Past
from verifier.reconcile.findings import Findings, Tally, tally_sql
from verifier.reconcile.look import RecordedLook
from verifier.reconcile.options import PlaceMap, ReconcileOptions, instant_ns
from verifier.reconcile.reconciler import reconcile
from verifier.report.amounts import size_text
from verifier.report.context import build_context, rule_uses
from verifier.tree.digests import Algorithm
from verifier.tree.names import shown
from verifier.verdict import Verdict, count_of, judge

if TYPE_CHECKING:
    from verifier.report.context import RuleUse
    from verifier.rules.rule import RuleSet

EXAMPLES: Final = 3


@dataclass(frozen=True, slots=True)
class Change:
    """Entries of one side that would come to another class or weight."""

    side: Side
    before: str
    """Class and severity now; ``identical`` where they have no finding."""
    after: str
    tally: Tally
    examples: tuple[str, ...]
    """Paths on that side, as manifest text."""


@dataclass(frozen=True, slots=True)
class Trial:
    """What other rules would make of a finished check."""

    before: Verdict
    after: Verdict
    changes: tuple[Change, ...]
    """The most entries first."""
    uses: tuple[RuleUse, ...]
    """What each rule would set aside, the most bytes first."""

    def lines(self) -> list[str]:
        """Tell it line by line, with nothing in it that a terminal would act on."""
        lines = [f"verdict: {self.before.kind} now, {self.after.kind} with these rules"]
        if not self.changes:
            lines.append("no entry would come to another class, weight or rule")
        for one in self.changes:
            entries = count_of(one.tally.entries, "entry", "entries")
            what = f"{one.side}: {one.before} -> {one.after}: {entries}, {size_text(one.tally.bytes)}"
            lines += [what, *(f"    {path}" for path in one.examples)]
        lines += ["set aside by these rules, the most bytes first:"] if self.uses else ["these rules set nothing aside"]
        for use in self.uses:
            entries = count_of(use.entries, "entry", "entries")
            lines.append(f"    {use.name}: {entries}, {size_text(use.old_bytes)} old, {size_text(use.new_bytes)} new")
        return [shown(line) for line in lines]


def try_rules(evidence: Path, rules: RuleSet) -> Trial:
    """Say what a set of rules would change in a finished check.

    Args:
        evidence: The check's folder.
        rules: The rules to try.

    Raises:
        NotAManifest: If the folder does not hold a finished check.
        ManifestDamaged: If something in it is not what was written.
        EvidenceUnwritable: If there is no room for the scratch folder.
    """
    with Findings.open(evidence / FINDINGS_FILE) as findings, tempfile.TemporaryDirectory() as made:
        context = build_context(evidence, findings)
        run = context.run
        phase = Phase(run["phase"]) if run.get("phase") else None
        scratch = Path(made) / FINDINGS_FILE
        options = ReconcileOptions(
            rules,
            tuple(PlaceMap(*one) for one in run["places"]),
            _gate(run["frozen_at"]),
            _gate(run["live_since"]),
            frozenset(map(Field, run["asked"]["compare"])),
            frozenset(map(Field, run["asked"]["ignore"])),
            RecordedLook(findings, Algorithm(context.sides[Side.OLD].facts["algorithm"])),
            phase,
            Past(findings=findings.path),  # what had decayed by then is known, and stays what it was
        )
        manifests = [evidence / MANIFEST_FILES[side] for side in Side]
        reconciled = reconcile(manifests[0], manifests[1], scratch, options)
        incomplete = {Side(side): why for side, why in run["incomplete"].items()}
        with Findings.open(scratch) as tried:
            mark(tried, evidence, [one.acceptance for one in context.accepted if one.holds])
            after = judge(tried, reconciled.accounts, incomplete, phase=phase)
            uses = rule_uses(tried, {rule.name: rule.told() for rule in rules.rules})
        return Trial(context.verdict, after, _changes(findings.path, scratch), uses)


def _gate(text: str | None) -> int | None:
    return None if text is None else instant_ns(datetime.fromisoformat(text))


def _changes(was: Path, now: Path) -> tuple[Change, ...]:
    """Hold two findings files of the same manifests against each other, entry by entry."""
    connection = sqlite3.connect("file::memory:", uri=True, isolation_level=None)
    with closing(connection), database_errors(was):
        for name, path in (("was", was), ("now", now)):
            attach(connection, name, path)
        found = [change for side in Side for change in _of_side(connection, side)]
    return tuple(sorted(found, key=lambda one: (-one.tally.entries, one.side, one.before, one.after)))


def _of_side(connection: sqlite3.Connection, side: Side) -> list[Change]:
    connection.execute("DROP TABLE IF EXISTS changed")
    connection.execute(_CHANGED.format(side=side))
    rows = connection.execute(
        f"SELECT before, after, {tally_sql()} FROM changed GROUP BY before, after"  # noqa: S608
    ).fetchall()
    examples = "SELECT path FROM changed WHERE before = ? AND after = ? ORDER BY path LIMIT ?"
    return [
        Change(
            side,
            before or Class.IDENTICAL.value,
            after or Class.IDENTICAL.value,
            Tally(*tally),
            tuple(path for (path,) in connection.execute(examples, (before, after, EXAMPLES))),
        )
        for before, after, *tally in rows
    ]


_IS: Final = "\"class\" || ' (' || severity || coalesce(', ' || rule, '') || ')'"
_CHANGED: Final = f"""
CREATE TEMP TABLE changed AS
SELECT path, kind, size, max(before) AS before, max(after) AS after FROM (
    SELECT {{side}}_path AS path, {{side}}_kind AS kind, {{side}}_size AS size, {_IS} AS before, '' AS after
    FROM was.findings WHERE {{side}}_path IS NOT NULL
    UNION ALL
    SELECT {{side}}_path, {{side}}_kind, {{side}}_size, '', {_IS} FROM now.findings WHERE {{side}}_path IS NOT NULL
) GROUP BY path HAVING max(before) <> max(after)
"""  # noqa: S608
