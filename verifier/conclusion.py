"""What a check came to, written beside its findings: the verdict, both sides, and the terms it was made under.

Where neither a side nor a term has changed since an earlier check, its findings are taken over: they are what
reconciling would find again.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from verifier.classes import STANDS_IN_THE_WAY, Side
from verifier.clock import now_text
from verifier.errors import EvidenceUnwritable, VerifierError
from verifier.evidence import FINDINGS_FILE
from verifier.manifest.database import named
from verifier.manifest.store import Manifest
from verifier.reconcile import draw
from verifier.reconcile.findings import Findings
from verifier.reconcile.folders import ground_of
from verifier.reconcile.options import ReconcileOptions, instant_ns
from verifier.tree.cache import ColdCount
from verifier.verdict import count_of, judge, judge_again
from verifier.version import TOOL

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from verifier.classes import Field, Phase
    from verifier.manifest.totals import Totals
    from verifier.reconcile.decay import Past
    from verifier.reconcile.look import Look
    from verifier.reconcile.options import PlaceMap
    from verifier.reconcile.reconciler import Reconciled
    from verifier.rules.rule import RuleSet
    from verifier.sampling import Sampled

_OF_THE_SCAN: Final = frozenset(
    (
        "started",
        "finished",
        "resumed",
        "reused",
        "readers",
        "bytes_read",
        "oldest_read",
        "asked_cold",
        *ColdCount._fields,
    )
)
"""Facts that say how and when a tree was looked at, and not what it is."""


@dataclass(frozen=True, slots=True)
class Terms:
    """What a check is told that its result hangs on."""

    rules: RuleSet
    maps: tuple[PlaceMap, ...]
    frozen_at: datetime | None
    live_since: datetime | None
    compare: frozenset[Field]
    ignore: frozenset[Field]
    phase: Phase | None
    baseline: Path | None
    """A manifest of the new side that says what had arrived."""

    def options(self, look: Look, past: Past | None) -> ReconcileOptions:
        """Return how both manifests are reconciled under these terms.

        Args:
            look: Who looks again at files whose contents differ.
            past: What is known of both sides from before.
        """
        return ReconcileOptions(
            self.rules,
            self.maps,
            None if self.frozen_at is None else instant_ns(self.frozen_at),
            None if self.live_since is None else instant_ns(self.live_since),
            self.compare,
            self.ignore,
            look,
            self.phase,
            past,
            self.baseline,
        )

    def told(self) -> dict[str, Any]:
        """Return them as they are recorded.

        Raises:
            VerifierError: If the baseline cannot be read.
        """
        return {
            "maps": [str(one) for one in self.maps],
            "places": [[one.old, one.new] for one in self.maps],
            "frozen_at": None if self.frozen_at is None else self.frozen_at.isoformat(),
            "live_since": None if self.live_since is None else self.live_since.isoformat(),
            "phase": None if self.phase is None else self.phase.value,
            "baseline": None if self.baseline is None else _fingerprint(self.baseline),
            "asked": {"compare": sorted(self.compare), "ignore": sorted(self.ignore)},
            "rules": _rules(self.rules),
            "tool": TOOL,
        }


def _fingerprint(manifest: Path) -> str:
    with Manifest.open(manifest) as opened:
        return opened.facts().get("fingerprint", "")


def _rules(rules: RuleSet) -> dict[str, Any]:
    policy = rules.policy
    return {
        "digest": rules.digest,
        "files": list(rules.files),
        "policy": {
            "class": {key.value: value.value for key, value in policy.classes.items()},
            "field": {key.value: value.value for key, value in policy.fields.items()},
        },
        "tolerance": asdict(rules.tolerance),
        "rules": {rule.name: rule.told() for rule in rules.rules},
    }


@dataclass(frozen=True, slots=True)
class Looked:
    """Both sides as a check found them."""

    manifests: Mapping[Side, Path]
    sides: Mapping[Side, Mapping[str, Any]]
    """What is recorded of each: its manifest's facts, its totals, and the kinds of errors that were met."""
    trees_seen: bool
    """Whether both were trees that could be reached."""
    started: str
    """When the check began, ISO 8601."""


def look_over(
    manifests: Mapping[Side, Path], totals: Mapping[Side, Totals], started: str, *, trees_seen: bool
) -> Looked:
    """Return both sides as their manifests tell.

    Args:
        manifests: Of both sides.
        totals: What is counted already; the rest is counted anew.
        started: When the check began, ISO 8601.
        trees_seen: Whether both were trees that could be reached.

    Raises:
        VerifierError: If a manifest cannot be read.
    """
    sides = {}
    for side, path in manifests.items():
        with Manifest.open(path) as manifest:
            counted = totals.get(side) or manifest.totals()
            problems = [kind._asdict() for kind in manifest.problem_kinds()]
            sides[side] = {"facts": manifest.facts(), "totals": counted._asdict(), "problems": problems}
    return Looked(manifests, sides, trees_seen, started)


def record(reconciled: Reconciled, terms: Terms, looked: Looked, sample: Path | None) -> None:
    """Judge, and write everything that the report needs beside the findings.

    Args:
        reconciled: What the reconciliation came to.
        terms: What the check was told.
        looked: Both sides.
        sample: Which files were to be read, where not all were.

    Raises:
        VerifierError: If something cannot be read or written.
    """
    manifests, sides = looked.manifests, looked.sides
    sampled = None
    if sample is not None:
        sampled = draw.outcome(sample, manifests[Side.OLD], manifests[Side.NEW], reconciled.findings)
    incomplete = {side: why for side, one in sides.items() if (why := _lack(one, sampled))}
    carried = {side: one["totals"]["carried_files"] for side, one in sides.items()}
    comparison = reconciled.comparison
    with Findings.open(reconciled.findings) as findings:
        verdict = judge(findings, reconciled.accounts, incomplete, carried, sampled, terms.phase)
    run: dict[str, Any] = {
        **terms.told(),
        "started": looked.started,
        "finished": now_text(),
        "verdict": {"kind": verdict.kind.value, "reasons": verdict.reasons},
        "sides": {side.value: one for side, one in sides.items()},
        "compared": sorted(field.value for field in comparison.fields),
        "not_compared": comparison.not_compared,
        "tolerance_ns": comparison.tolerance_ns,
        "trees_seen": looked.trees_seen,
        "incomplete": {side.value: why for side, why in incomplete.items()},
        "sample": None if sampled is None else asdict(sampled),
    }
    _set_facts(reconciled.findings, {"run": _json(run), "ground": ground_of(manifests).to_json()})


def _lack(side: Mapping[str, Any], sampled: Sampled | None) -> str:
    """Say why a side is incomplete; empty where it is not."""
    facts, unread = side["facts"], side["totals"]["unread"]
    if facts.get("complete") != "1":
        return str(facts.get("interrupted") or "it was ended from outside")
    if facts.get("listing_only") == "1":
        return "names and sizes were listed, no content was read"
    if sampled is not None and sampled.is_whole and unread:
        return f"{count_of(unread, 'file', 'files')} listed only, not read"
    return ""


def take_over(earlier: Path, into: Path, terms: Terms, looked: Looked) -> bool:
    """Take the findings of an earlier check over, if nothing that they hang on has changed.

    Not where anything stands in the way, had decayed, or was only sampled: that is looked at again each time.

    Args:
        earlier: Its evidence folder.
        into: Where the findings go.
        terms: What this check was told.
        looked: Both sides.

    Returns:
        Whether they were taken over; if not, there is nothing at `into`.

    Raises:
        VerifierError: If something of this check cannot be read or written; what is wrong with the earlier one only
            means that nothing is taken over.
    """
    sides, told = looked.sides, json.loads(_json(terms.told()))
    try:
        with Findings.open(earlier / FINDINGS_FILE) as findings:
            run = json.loads(findings.facts()["run"])
            in_the_way = ", ".join(f"'{severity}'" for severity in STANDS_IN_THE_WAY)
            looked_at = findings.any(f"severity IN ({in_the_way})") or findings.any("EXISTS (SELECT 1 FROM decays)")
    except (VerifierError, KeyError, ValueError):
        return False
    changed = any(run.get(key) != value for key, value in told.items())
    if looked_at or changed or run.get("sample") or any(not _same(run, side, one) for side, one in sides.items()):
        return False
    run |= {
        "started": looked.started,
        "finished": now_text(),
        "sides": {side.value: one for side, one in sides.items()},
        "trees_seen": looked.trees_seen,
    }
    try:
        shutil.copyfile(earlier / FINDINGS_FILE, into)
    except OSError as error:
        raise EvidenceUnwritable(f"{named(into)} cannot be written ({error.strerror})") from error
    with Findings.open(into) as findings:
        verdict = judge_again(findings, run)
    run["verdict"] = {"kind": verdict.kind.value, "reasons": verdict.reasons}
    _set_facts(into, {"run": _json(run)})
    return True


def _same(run: Mapping[str, Any], side: Side, now: Mapping[str, Any]) -> bool:
    """Tell whether a side is what it was: sealed under the same fingerprint, with the same facts, without errors."""
    was = run["sides"][side.value]
    facts, known = ({k: v for k, v in one["facts"].items() if k not in _OF_THE_SCAN} for one in (now, was))
    complete = facts.get("complete") == "1" and facts.get("fingerprint")
    return bool(complete) and facts == known and not now["problems"] and not was["problems"]


def _set_facts(path: Path, facts: Mapping[str, str]) -> None:
    with Findings.reopen(path) as findings:
        findings.set_facts(facts)
        findings.commit()


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True)
