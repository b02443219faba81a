"""The main job: two sides in, an evidence folder out.

Each side is a tree or a manifest. Trees are scanned at the same time; then the manifests are reconciled, the findings
judged, and the report written. Nothing is written anywhere but into the evidence folder.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from filelock import FileLock, Timeout

from verifier.classes import Field, Side
from verifier.errors import (
    AlgorithmMismatch,
    EvidenceUnwritable,
    Interrupted,
    RootUnavailable,
    UsageProblem,
    VerifierError,
)
from verifier.manifest.database import named
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import Findings
from verifier.reconcile.options import PlaceMap, ReconcileOptions, check_fields, check_maps
from verifier.reconcile.preliminary import Preliminary, preliminary
from verifier.reconcile.reconciler import Reconciled, reconcile
from verifier.report.context import FINDINGS_FILE, MANIFEST_FILES, ReportContext
from verifier.report.write import PAGE_FILE, SUMMARY_FILE, TABLE_FILE, write_report
from verifier.rules.rule import RuleSet
from verifier.scan.guard import look_at
from verifier.scan.resume import SUFFIX, check_reuse
from verifier.scan.scanner import ScanOptions, ScanOutcome, ScanRequest, scan_all
from verifier.tree.digests import Algorithm
from verifier.verdict import judge
from verifier.version import TOOL

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from verifier.scan.progress import Progress
    from verifier.tree.share import Share

SIGNOFF_FILE: Final = "signoff.json"
_OURS: Final = (*MANIFEST_FILES.values(), FINDINGS_FILE, PAGE_FILE, SUMMARY_FILE, TABLE_FILE)
LOCK_FILE: Final = ".lock"
_LEFTOVERS: Final = (
    *(f"{name}{end}" for name in _OURS for end in ("", "-journal", ".part", ".part-journal")),
    *(f".{name}.part" for name in _OURS),
    *(f"{name}{SUFFIX}{end}" for name in MANIFEST_FILES.values() for end in ("", "-journal")),
)
_RESUMED: Final = {
    side: tuple(f"{name}{end}" for end in ("", "-journal", SUFFIX, f"{SUFFIX}-journal"))
    for side, name in MANIFEST_FILES.items()
}
"""What a scan of each side goes on from."""


@dataclass(frozen=True, slots=True)
class CheckRequest:
    """What to check, and how."""

    old: Path
    """The old side: a folder, or a manifest."""
    new: Path
    evidence: Path
    """The folder for everything that is written; made if it is not there."""
    rules: RuleSet = field(default_factory=RuleSet)
    maps: tuple[PlaceMap, ...] = ()
    frozen_at: datetime | None = None
    """When the old side was meant to stop changing; aware."""
    live_since: datetime | None = None
    """When people began to work on the new side; aware."""
    compare: frozenset[Field] = frozenset()
    """Metadata fields to compare although a side may make them up, or they are only counted otherwise."""
    ignore: frozenset[Field] = frozenset()
    """Metadata fields to leave out."""
    algorithm: Algorithm | None = None
    """None takes a given manifest's, else BLAKE3."""
    scan: ScanOptions = field(default_factory=ScanOptions)
    """How trees are scanned; rules and algorithm are those of this request."""
    reuse: tuple[Path, ...] = ()
    """Complete manifests of the same roots, whose digests are carried over where nothing changed."""
    replace: bool = False
    """Discard what an earlier check left in the evidence folder."""


@dataclass(frozen=True, slots=True)
class _Given:
    """One side as it was named: a share to scan, or a manifest to take."""

    side: Side
    path: Path
    share: Share | None


def check(
    request: CheckRequest,
    on_progress: Callable[[Progress], None] = lambda _: None,
    on_stage: Callable[[str], None] = lambda _: None,
    on_preliminary: Callable[[Preliminary], None] | None = None,
) -> ReportContext:
    """Check a copy and write the evidence; go on with a check of the same sides that was interrupted.

    Args:
        request: What to check.
        on_progress: Told how far each scan is, from several threads.
        on_stage: Told what happens after the scans: reconciling, writing the report.
        on_preliminary: Told what names and sizes say, as soon as both sides are listed; from another thread.

    Returns:
        Everything that the report says, the verdict first.

    Raises:
        UsageProblem: If the two sides, the options or the evidence folder cannot be meant.
        CannotRun: If a side is not there, is empty, or the evidence cannot be written.
        Interrupted: If a scan did not reach its end; the manifests stay, and the same request goes on from them.
    """
    started = _now()
    check_maps(request.maps)
    check_fields(request.compare, request.ignore)
    given = [_given(Side.OLD, request.old), _given(Side.NEW, request.new)]
    _refuse_same(given)
    _refuse_empty(given)
    algorithm = _algorithm(request, given)
    reuse = _reused(request, given, algorithm)
    _refuse_evidence(request, given)
    with _held(request.evidence):
        _prepare(request, given)
        _take_manifests(request.evidence, given)
        requests = [
            ScanRequest(
                one.side.value,
                one.path,
                request.evidence / MANIFEST_FILES[one.side],
                reuse.get(one.side),
                finished_too=True,
            )
            for one in given
            if one.share is not None
        ]
        if requests:
            _scan(request, requests, algorithm, on_progress, on_preliminary)
        on_stage("reconciling")
        roots = {one.side: one.share.root if one.share else None for one in given}
        return _conclude(request, roots, started, on_stage)


@contextmanager
def _held(evidence: Path) -> Iterator[None]:
    """Make the evidence folder and hold it against other runs; the lock ends with this process."""
    try:
        evidence.mkdir(parents=True, exist_ok=True)
        lock = FileLock(evidence / LOCK_FILE, timeout=0)
        lock.acquire()
    except Timeout as error:
        raise EvidenceUnwritable(f"{named(evidence)} is held by another run", "wait for it, or name another") from error
    except OSError as error:
        raise EvidenceUnwritable(f"{named(evidence)} cannot be made ({error.strerror})", "name another") from error
    try:
        yield
    finally:
        with suppress(PermissionError):  # Windows removes no open file; what is left of the lock then stands in no way
            (evidence / LOCK_FILE).unlink(missing_ok=True)
        lock.release()


def _conclude(
    request: CheckRequest,
    roots: Mapping[Side, Path | None],
    started: str,
    on_stage: Callable[[str], None],
) -> ReportContext:
    """Reconcile the manifests in the evidence folder, judge, and write the report.

    Args:
        request: What was asked for.
        roots: Each side's tree, where it can be reached.
        started: When the run began, ISO 8601.
        on_stage: Told before the report is written.
    """
    evidence = request.evidence
    manifests = {side: evidence / name for side, name in MANIFEST_FILES.items()}
    unfinished = evidence / f"{FINDINGS_FILE}.part"
    options = ReconcileOptions(
        request.rules,
        request.maps,
        _nanoseconds(request.frozen_at),
        _nanoseconds(request.live_since),
        request.compare,
        request.ignore,
        roots[Side.OLD],
        roots[Side.NEW],
    )
    reconciled = reconcile(manifests[Side.OLD], manifests[Side.NEW], unfinished, options)
    _record_run(request, reconciled, manifests, roots, started)
    unfinished.replace(evidence / FINDINGS_FILE)
    on_stage("writing the report")
    return write_report(evidence)


def _given(side: Side, path: Path) -> _Given:
    if _is_file(path):
        with Manifest.open(path) as manifest:
            manifest.check()
        return _Given(side, path.resolve(), None)
    return _Given(side, path, look_at(path))


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # it may not be looked at: Share.at says so
        return False


def _refuse_same(given: list[_Given]) -> None:
    old, new = given
    if old.share is None or new.share is None:
        if old.path == new.path:
            raise UsageProblem(f"{named(old.path)} is given as both sides", "name two different manifests or folders")
        return
    if (old.share.device, old.share.inode) == (new.share.device, new.share.inode):
        raise UsageProblem(
            f"{old.share.named} and {new.share.named} are the same folder", "name the old and the new share"
        )
    for outer, inner in ((old.share, new.share), (new.share, old.share)):
        if outer.contains(inner.root):
            raise UsageProblem(
                f"{inner.named} lies inside {outer.named}", "name two folders of which neither holds the other"
            )


def _refuse_empty(given: list[_Given]) -> None:
    for one in given:
        if one.share is not None and one.share.is_empty():
            raise RootUnavailable(
                f"the {one.side} side, {one.share.named}, is an empty folder: nothing to check is not success",
                "is the share mounted?",
            )
        if one.share is None:
            with Manifest.open(one.path) as manifest:
                if manifest.totals().entries == 0:
                    raise RootUnavailable(
                        f"the {one.side} side's manifest, {named(one.path)}, has no entries: nothing to check is "
                        "not success",
                        "was the share mounted when it was scanned?",
                    )


def _algorithm(request: CheckRequest, given: list[_Given]) -> Algorithm:
    """Return the algorithm of the scan: a manifest that is given decides, since only equal ones compare."""
    held: dict[str, Path] = {}
    for one in given:
        if one.share is None:
            with Manifest.open(one.path) as manifest:
                held[manifest.facts().get("algorithm", "")] = one.path
    if len(held) > 1:
        (ours, old), (theirs, new) = held.items()
        raise AlgorithmMismatch(
            f"{named(old)} was made with {ours}, {named(new)} with {theirs}",
            f"scan one side again with --algorithm {ours} or {theirs}, so that both agree",
        )
    wanted = request.algorithm
    for found, path in held.items():
        if wanted is not None and found != wanted.value and len(given) > len(held):
            raise AlgorithmMismatch(
                f"{named(path)} was made with {found}, and --algorithm asks for {wanted}",
                f"leave --algorithm out to use {found}, or scan that side again with --algorithm {wanted}",
            )
        if found not in list(Algorithm):
            raise AlgorithmMismatch(f"{named(path)} was made with {found!r}, which is not known here", "scan it again")
        return Algorithm(found)
    return wanted or Algorithm.BLAKE3


def _prepare(request: CheckRequest, given: list[_Given]) -> None:
    """Make room in the evidence folder; asked again because another run may have ended a moment ago."""
    _refuse_evidence(request, given)
    inputs = {one.path for one in given if one.share is None}
    resumed = {name for one in given if one.share is not None and not request.replace for name in _RESUMED[one.side]}
    for item in request.evidence.iterdir():
        if item.name in _LEFTOVERS and item.name not in resumed and item.resolve() not in inputs:
            item.unlink()


def _refuse_evidence(request: CheckRequest, given: list[_Given]) -> None:
    """Refuse an evidence folder inside a tree, or that holds anything that somebody could miss."""
    evidence = request.evidence
    for one in given:
        if one.share is not None and one.share.contains(evidence):
            raise UsageProblem(
                f"the evidence folder {named(evidence)} lies inside {one.share.named}, and nothing is ever written "
                "into a tree",
                "put it somewhere else",
            )
    try:
        there = {item.name for item in evidence.iterdir()} - {LOCK_FILE}
    except FileNotFoundError:
        return
    except OSError as error:
        raise EvidenceUnwritable(f"{named(evidence)} cannot be made ({error.strerror})", "name another") from error
    strange = sorted(there - set(_LEFTOVERS))
    if SIGNOFF_FILE in there:
        raise UsageProblem(f"{named(evidence)} holds a signed check", "name another folder for this one")
    if strange:
        raise UsageProblem(
            f"{named(evidence)} holds other things ({named(Path(strange[0]))})", "name an empty or a new folder"
        )
    if FINDINGS_FILE in there and not request.replace:
        raise UsageProblem(
            f"{named(evidence)} holds a finished check", "name another folder, or say --replace to discard it"
        )
    inputs = {one.path for one in given if one.share is None}
    for one in given:
        name = MANIFEST_FILES[one.side]
        place = (evidence / name).resolve()
        lost = one.share is None and name in there and place not in inputs
        if lost and not request.replace and _is_complete(place):
            raise UsageProblem(
                f"{named(evidence)} holds a complete manifest of the {one.side} side",
                f"give {named(place)} as {one.side.upper()} to use it, name another folder, or say --replace to "
                "discard it",
            )
    for one in given:
        place = (evidence / MANIFEST_FILES[one.side]).resolve()
        if place in inputs and (one.share is not None or one.path != place):
            raise UsageProblem(f"{named(place)} is given as the other side's", "name another folder for the evidence")


def _is_complete(path: Path) -> bool:
    try:
        with Manifest.open(path) as manifest:
            return manifest.facts().get("complete") == "1"
    except VerifierError:
        return False


def _take_manifests(evidence: Path, given: list[_Given]) -> None:
    """Copy given manifests into the evidence, so that it stands by itself."""
    for one in given:
        place = evidence / MANIFEST_FILES[one.side]
        if one.share is not None or one.path == place.resolve():
            continue
        try:
            shutil.copyfile(one.path, place)
            with place.open("rb+") as file:
                os.fsync(file.fileno())
        except OSError as error:
            raise EvidenceUnwritable(f"{named(place)} cannot be written ({error.strerror})") from error


def _scan(
    request: CheckRequest,
    requests: Sequence[ScanRequest],
    algorithm: Algorithm,
    on_progress: Callable[[Progress], None],
    on_preliminary: Callable[[Preliminary], None] | None,
) -> None:
    options = replace(request.scan, algorithm=algorithm, rules=request.rules)
    manifests = [request.evidence / MANIFEST_FILES[side] for side in Side]

    def on_listed() -> None:
        assert on_preliminary is not None
        on_preliminary(preliminary(manifests[0], manifests[1], request.maps))

    outcomes = scan_all(requests, options, on_progress, None if on_preliminary is None else on_listed)
    if any(outcome.interrupted for outcome in outcomes):
        raise Interrupted(
            "; ".join(_how_far(outcome) for outcome in outcomes) + "; nothing was judged",
            "run the same command again: it goes on from what was read",
        )


def _reused(request: CheckRequest, given: list[_Given], algorithm: Algorithm) -> dict[Side, Path]:
    """Find out which side each earlier manifest was made of, and whether it may be reused."""
    found: dict[Side, Path] = {}
    for path in request.reuse:
        if path.resolve().parent == request.evidence.resolve():
            raise UsageProblem(
                f"--reuse {named(path)} lies in the evidence folder, where this check writes its own",
                "name another folder for the evidence",
            )
        with Manifest.open(path) as manifest:
            root = manifest.facts().get("root")
        fitting = [one for one in given if one.share is not None and one.share.named == root]
        if not fitting or fitting[0].share is None:
            raise UsageProblem(
                f"--reuse {named(path)} was made of {root}, which is neither side",
                "a copy has the same times and sizes and may have other bytes: reuse only a manifest of the same root",
            )
        side, share = fitting[0].side, fitting[0].share
        if side in found:
            raise UsageProblem(f"--reuse is given twice for the {side} side", "give one manifest for each side")
        check_reuse(path, share, algorithm, socket.gethostname())
        found[side] = path
    return found


def _how_far(outcome: ScanOutcome) -> str:
    totals = outcome.totals
    if not outcome.interrupted:
        return f"{outcome.label}: complete"
    return f"{outcome.label}: {outcome.interrupted} ({totals.proved_files:,} of {totals.files:,} listed files read)"


def _record_run(
    request: CheckRequest,
    reconciled: Reconciled,
    manifests: Mapping[Side, Path],
    roots: Mapping[Side, Path | None],
    started: str,
) -> None:
    """Judge, and write everything that the report needs beside the findings."""
    sides, incomplete, carried = {}, {}, {}
    for side, path in manifests.items():
        with Manifest.open(path) as manifest:
            facts, totals = manifest.facts(), manifest.totals()
            problems = [kind._asdict() for kind in manifest.problem_kinds()]
            sides[side.value] = {"facts": facts, "totals": totals._asdict(), "problems": problems}
        carried[side] = totals.carried_files
        if facts.get("complete") != "1":
            incomplete[side] = facts.get("interrupted") or "it was ended from outside"
        elif facts.get("listing_only") == "1":
            incomplete[side] = "names and sizes were listed, no content was read"
    comparison = reconciled.comparison
    with Findings.open(reconciled.findings) as findings:
        verdict = judge(findings, reconciled.accounts, incomplete, carried)
    run: dict[str, Any] = {
        "started": started,
        "finished": _now(),
        "tool": TOOL,
        "verdict": {"kind": verdict.kind.value, "reasons": verdict.reasons},
        "sides": sides,
        "compared": sorted(field.value for field in comparison.fields),
        "not_compared": comparison.not_compared,
        "tolerance_ns": comparison.tolerance_ns,
        "maps": [str(one) for one in request.maps],
        "frozen_at": _iso(request.frozen_at),
        "live_since": _iso(request.live_since),
        "trees_seen": None not in roots.values(),
        "rules": _rules(request.rules),
    }
    with Findings.reopen(reconciled.findings) as findings:
        findings.set_facts({"run": json.dumps(run, ensure_ascii=False, sort_keys=True)})
        findings.commit()


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
        "rules": {
            rule.name: {
                "what": rule.what,
                "maker": rule.maker,
                "action": rule.action.value,
                "decision": rule.decision,
            }
            for rule in rules.rules
        },
    }


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _iso(instant: datetime | None) -> str | None:
    return None if instant is None else instant.isoformat()


def _nanoseconds(instant: datetime | None) -> int | None:
    if instant is None:
        return None
    since = instant - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86400 + since.seconds) * 10**9 + since.microseconds * 1000
