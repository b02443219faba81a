"""Whether an evidence folder is what a check wrote, before anybody signs for it.

Manifests are held against their fingerprints and against what the check recorded of them, findings against the account
and against the recorded verdict.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from verifier.classes import Class, Side, VerdictKind
from verifier.errors import ManifestDamaged, NotAManifest
from verifier.evidence import FINDINGS_FILE, MANIFEST_FILES, manifest_file
from verifier.manifest.database import database_errors, named
from verifier.manifest.merge import ROOTS
from verifier.manifest.sample import SAMPLE_FILE, SampleFile
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import Findings, Tally, tally_sql
from verifier.verdict import judge_again

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

_AGAIN = "check again, into another folder"


def check_soundness(evidence: Path) -> None:
    """Hold the evidence in a folder against itself.

    Raises:
        NotAManifest: If it does not hold a finished check.
        ManifestDamaged: If something in it is not what was written.
        EvidenceUnwritable: If a run that was ended left it half written.
    """
    with Findings.open(evidence / FINDINGS_FILE) as findings:
        _check_structure(findings)
        run = _run_of(findings)
        for side, name in MANIFEST_FILES.items():
            with Manifest.open(evidence / name) as manifest:
                _check_manifest(manifest, run["sides"][side])
            _check_account(findings, side, run["sides"][side]["totals"])
        _check_parts(evidence, run["sides"][Side.NEW]["facts"])
        _check_verdict(findings, run)
    if run.get("sample") is not None:
        with SampleFile.open(evidence / SAMPLE_FILE) as sample, database_errors(sample.path):
            _hold("ok", sample.connection.execute("PRAGMA integrity_check(1)").fetchone()[0], sample.path)


def _run_of(findings: Findings) -> dict[str, Any]:
    try:
        run: dict[str, Any] = json.loads(findings.facts()["run"])
        rules, sides = run["rules"]["digest"], set(run["sides"])
        _ = run["incomplete"], run["verdict"]["kind"], run["finished"]  # not all of them in an earlier version
    except (KeyError, TypeError, ValueError) as error:
        raise NotAManifest(
            f"{named(findings.path)} does not hold a finished check of this version of verifier", _AGAIN
        ) from error
    if not rules or sides != set(Side):
        raise ManifestDamaged(f"{named(findings.path)} does not say by which rules, or of which sides it is", _AGAIN)
    return run


def _check_structure(findings: Findings) -> None:
    with database_errors(findings.path):
        _hold("ok", findings.connection.execute("PRAGMA integrity_check(1)").fetchone()[0], findings.path)


def _check_manifest(manifest: Manifest, recorded: Mapping[str, Any]) -> None:
    """Hold a manifest against its fingerprint, and its facts, which no fingerprint covers, against the record."""
    manifest.check()
    facts, known = manifest.facts(), recorded["facts"]
    odd = sorted(key for key in {*facts, *known} if facts.get(key) != known.get(key))
    if odd:
        raise ManifestDamaged(
            f"{named(manifest.path)} is not the manifest that was checked: its {odd[0]} is another", _AGAIN
        )
    _hold(dict(recorded["totals"]), manifest.totals()._asdict(), manifest.path)


def _check_parts(evidence: Path, facts: Mapping[str, str]) -> None:
    """Hold the manifests of several new roots, where they lie beside the one that was put together, against it."""
    for number, root in enumerate(json.loads(facts.get(ROOTS) or "[]"), 1):
        path = evidence / manifest_file(Side.NEW, number)
        if path.exists():
            with Manifest.open(path) as manifest:
                manifest.check()
                _hold(root["fingerprint"], manifest.facts().get("fingerprint"), path)


def _check_account(findings: Findings, side: Side, totals: Mapping[str, Any]) -> None:
    """Count the findings again, and hold the account against what the side holds."""
    account = findings.account(side)
    query = f"""
        SELECT "class", {tally_sql(f"{side}_kind", f"{side}_size")}
        FROM findings WHERE {side}_path IS NOT NULL GROUP BY "class"
        """  # noqa: S608
    with database_errors(findings.path):
        counted = {row[0]: Tally(*row[1:]) for row in findings.connection.execute(query)}
    for cls in set(Class) - {Class.IDENTICAL}:
        _hold(account[cls], counted.get(cls, Tally()), findings.path)
    entries, size = (sum(one[n] for one in account.values()) for n in (0, 2))
    _hold((totals["entries"], totals["bytes"]), (entries, size), findings.path)


def _check_verdict(findings: Findings, run: Mapping[str, Any]) -> None:
    try:
        judged = judge_again(findings, run)
        recorded = VerdictKind(run["verdict"]["kind"])
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise ManifestDamaged(f"{named(findings.path)} holds what no check writes ({error})", _AGAIN) from error
    if judged.kind is not recorded:
        raise ManifestDamaged(f"{named(findings.path)} says {recorded}, and its findings come to {judged.kind}", _AGAIN)


def _hold(wanted: object, found: object, path: Path) -> None:
    if wanted != found:
        said = f" ({found})" if wanted == "ok" else ": what it holds is not what was recorded of it"
        raise ManifestDamaged(f"{named(path)} is not what was written{said}", _AGAIN)
