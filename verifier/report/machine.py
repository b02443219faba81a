"""``summary.json``: the run in the contract's form, for other programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from verifier.classes import Class, Side
from verifier.tree.names import shown

if TYPE_CHECKING:
    from verifier.decisions.covering import Covered
    from verifier.decisions.signoff import SignOff
    from verifier.reconcile.findings import Systematic, Tally
    from verifier.report.context import ReportContext, SideFacts


def summary(context: ReportContext) -> dict[str, Any]:
    """Return the summary as plain data, ready for JSON. Times are ISO 8601 with zone, sizes are bytes."""
    run = context.run
    return {
        "format": "verifier/summary",
        "version": 1,
        "verdict": context.verdict.kind.value,
        "reasons": list(context.verdict.reasons),
        "exit_code": context.exit_code,
        "report_id": context.report_id,
        "sides": {side.value: _side(context.sides[side]) for side in Side},
        "classes": {cls.value: context.classes[cls]._asdict() for cls in Class},
        "causes": dict(context.causes),
        "account": {side.value: _account(context.sides[side]) for side in Side},
        "compared_metadata": run["compared"],
        "not_compared": [{"field": name, "why": why} for name, why in run["not_compared"]],
        "mtime_tolerance_ns": run["tolerance_ns"],
        "systematic": [_systematic(one) for one in context.systematic],
        "to_copy_again": context.to_copy._asdict(),
        "gravest": [{"what": one.what, "path": one.path, "entries": one.entries} for one in context.gravest],
        "decisions": {rule: tally._asdict() for rule, tally in context.decisions.items()},
        "accepted": [_accepted(one) for one in context.accepted],
        "accepted_findings": context.accepted_findings._asdict(),
        "signoff": None if context.signoff is None else _signoff(context.signoff),
        "rules": {
            "digest": run["rules"]["digest"],
            "files": run["rules"]["files"],
            "set_aside": [
                {"rule": use.name, "entries": use.entries, "old_bytes": use.old_bytes, "new_bytes": use.new_bytes}
                for use in context.rules
            ],
        },
        "policy": run["rules"]["policy"],
        "tolerance": run["rules"]["tolerance"],
        "maps": run["maps"],
        "phase": run.get("phase"),
        "frozen_at": run["frozen_at"],
        "live_since": run["live_since"],
        "sample": run.get("sample"),
        "started": run["started"],
        "finished": run["finished"],
        "tool": run["tool"],
    }


def _side(side: SideFacts) -> dict[str, Any]:
    facts, totals = side.facts, side.totals
    return {
        "label": facts["label"],
        "root": facts["root"],
        "host": facts["host"],
        "file_system": facts["file_system"],
        "entries": totals["entries"],
        "files": totals["files"],
        "directories": totals["directories"],
        "bytes": totals["bytes"],
        "proved_files": totals["proved_files"],
        "proved_bytes": totals["proved_bytes"],
        "carried_files": totals["carried_files"],
        "carried_bytes": totals["carried_bytes"],
        "oldest_read": totals["oldest_read"],
        "asked_cold": facts.get("asked_cold") == "1",
        "cold_files": int(facts.get("cold_files") or 0),
        "warm_files": int(facts.get("warm_files") or 0),
        "problems": [dict(problem) for problem in side.problems],
        "complete": side.complete,
        "fingerprint": facts["fingerprint"],
        "algorithm": facts["algorithm"],
        "started": facts["started"],
        "finished": facts["finished"],
    }


def _systematic(one: Systematic) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "text": one.text,
        **one.tally._asdict(),
        "exceptions": one.exceptions,
        "examples": [shown(path) for path in one.examples],
        "note": one.note,
    }


def _accepted(one: Covered) -> dict[str, Any]:
    known = one.acceptance
    return {
        "number": known.number,
        "class": known.cls.value,
        "path": known.pattern,
        "because": known.because,
        "by": known.by,
        "at": known.at,
        "until": known.until,
        "withdrawn": None if known.withdrawn is None else known.withdrawn._asdict(),
        "holds": one.holds,
        "covered_then": known.covers._asdict(),
        "covered_now": one.now._asdict(),
        "digest": known.digest,
    }


def _signoff(signed: SignOff) -> dict[str, str]:
    return {
        "by": signed.by,
        "role": signed.role,
        "at": signed.at,
        "statement": signed.statement,
        "despite": signed.despite,
        "verdict": signed.verdict.value,
        "report_id": signed.report_id,
        "key": signed.key,
        "host": signed.host,
    }


def _account(side: SideFacts) -> dict[str, Any]:
    def tally(counted: Tally) -> dict[str, int]:
        return counted._asdict()

    return {
        "entries": side.totals["entries"],
        "bytes": side.totals["bytes"],
        "by_class": {cls.value: tally(side.account[cls]) for cls in Class},
        "balanced": side.balanced,
    }
