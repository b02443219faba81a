"""The main job: two sides in, an evidence folder out.

Each side is a tree or a manifest; the new side may be several, which are put together. Trees are scanned at the same
time; then the manifests are reconciled, the findings judged, and the report written. Nothing is written anywhere but
into the evidence folder.
"""

from __future__ import annotations

import filecmp
import os
import re
import secrets
import shutil
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier.classes import Field, Side
from verifier.clock import now_text
from verifier.conclusion import Terms, look_over, record, take_over
from verifier.decisions.carrying import record_in, refuse_to_lose, take_along
from verifier.errors import EvidenceUnwritable, Interrupted, UsageProblem, VerifierError, WindowEnded
from verifier.evidence import (
    EXCEPTIONS_FILE,
    FINDINGS_FILE,
    LOCK_FILE,
    MANIFEST_FILES,
    REPORT_FILES,
    SIGNOFF_FILE,
    STAGING,
    clear_staging,
    held,
    manifest_file,
)
from verifier.manifest.database import named
from verifier.manifest.merge import ROOTS, merge, merge_listings
from verifier.manifest.sample import SAMPLE_FILE
from verifier.manifest.store import Manifest
from verifier.reconcile import draw
from verifier.reconcile.look import NEW_ROOT, OLD_ROOT, TreeLook, new_root_of
from verifier.reconcile.options import PlaceMap, check_fields, check_maps
from verifier.reconcile.preliminary import Preliminary, preliminary
from verifier.reconcile.reconciler import reconcile
from verifier.report.write import write_report
from verifier.rules.rule import RuleSet
from verifier.scan.resume import SUFFIX, left_facts
from verifier.scan.scanner import ScanOptions, ScanOutcome, ScanRequest, scan_all
from verifier.scan.second import LookOptions, SecondLook
from verifier.scan.side import WINDOW_ENDED
from verifier.sides import Given, algorithm_of, check_map_labels, look_at_sides, match_reused, new_roots

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import datetime

    from verifier.classes import Phase
    from verifier.conclusion import Looked
    from verifier.manifest.totals import Totals
    from verifier.reconcile.decay import Past
    from verifier.report.context import ReportContext
    from verifier.sampling import Asked
    from verifier.scan.plan import Reread
    from verifier.scan.progress import Progress
    from verifier.tree.digests import Algorithm

_OURS: Final = (*MANIFEST_FILES.values(), SAMPLE_FILE, FINDINGS_FILE, EXCEPTIONS_FILE, *REPORT_FILES)
SEED_BITS: Final = 32
"""A seed that is drawn is a number of so many bits, which can be typed."""
_LEFTOVERS: Final = (
    *(f"{name}{end}" for name in _OURS for end in ("", "-journal", ".part", ".part-journal")),
    *(f".{name}.part" for name in _OURS),
    *(f"{name}{SUFFIX}{end}" for name in MANIFEST_FILES.values() for end in ("", "-journal")),
)
_RESUMED: Final = ("", "-journal", SUFFIX, f"{SUFFIX}-journal")
"""Endings of a manifest's name under which there is what its scan goes on from."""
_PARTS: Final = re.compile(rf"(new-[1-9][0-9]*\.manifest\.sqlite)({re.escape(SUFFIX)}|\.part)?(-journal)?")
"""The manifest of one of several new roots, and what a scan leaves beside it."""


@dataclass(frozen=True, slots=True)
class CheckRequest:
    """What to check, and how."""

    old: Path
    """The old side: a folder, or a manifest."""
    new: Path
    """The new side; with `also_new` its first root."""
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
    also_new: tuple[Path, ...] = ()
    """Further roots of the new side. Together they are one tree, in which each is a folder, called its label: the last
    component of its path (a manifest's is that of the root it was made of), with ``-2``, ``-3`` added where two are
    called the same. Places of `maps` then begin with a label."""
    sample: Asked | None = None
    """Read only a random sample of the files that are at their place with their size; None reads everything."""
    seed: int | None = None
    """What the sample is drawn from; None takes that of the check that is gone on with, else a new one."""
    phase: Phase | None = None
    """How far the migration is; None for a check by itself."""
    past: Past | None = None
    """Each side's own last manifest, and what had decayed by then."""
    baseline: Path | None = None
    """A manifest of the new side that says what had arrived when people began to work there."""
    rereads: Mapping[Path, Reread] = field(default_factory=dict)
    """Which files are read again, for each manifest in `reuse`; others do as `scan` says."""
    distrust: Mapping[Side, Sequence[str]] = field(default_factory=dict)
    """Files of each side that are read whatever a reused manifest knows of them, as manifest text."""
    unchanged_since: Path | None = None
    """Evidence of an earlier check, whose findings are taken over where neither a side nor anything that this check is
    told has changed since; None reconciles in any case."""
    accepted: Path | None = None
    """What was accepted by name in an earlier check of the same sides: its record, or the evidence folder that holds
    it; copied into the evidence."""


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
        on_stage: Told what happens after the scans: putting new roots together, reconciling, writing the report.
        on_preliminary: Told what names and sizes say, as soon as all roots are listed; from another thread.

    Returns:
        Everything that the report says, the verdict first.

    Raises:
        UsageProblem: If the two sides, the options or the evidence folder cannot be meant.
        CannotRun: If a side is not there, is empty, or the evidence cannot be written.
        Interrupted: If a scan did not reach its end; the manifests stay, and the same request goes on from them.
    """
    started = now_text()
    check_maps(request.maps)
    check_fields(request.compare, request.ignore)
    given = look_at_sides(request.old, (request.new, *request.also_new))
    check_map_labels(request.maps, given)
    _refuse_sample(request, given)
    algorithm = algorithm_of(request.algorithm, given)
    reuse = match_reused(request.reuse, given, request.evidence, algorithm)
    accepted = None if request.accepted is None else record_in(request.accepted)
    _refuse_evidence(request, given, accepted)
    with held(request.evidence):
        _prepare(request, given, accepted)
        if accepted is not None:
            take_along(accepted, request.evidence)
        if request.sample is not None and (drawn := request.evidence / SAMPLE_FILE).exists():
            draw.hold_to(drawn, request.sample, request.seed, request.maps)
        _take_manifests(request.evidence, given)
        requests = [
            ScanRequest(
                one.name,
                one.path,
                request.evidence / _manifest_of(one),
                reuse.get(one.name),
                finished_too=True,
                reread=request.rereads.get(reuse[one.name]) if one.name in reuse else None,
                distrust=_distrusted(request, one),
                side=one.side,
                below=one.label,
            )
            for one in given
            if one.share is not None
        ]
        parts = [(one.label, request.evidence / _manifest_of(one)) for one in given if one.number]
        totals: Mapping[str, Totals] = {}
        if requests:
            on_listed = _on_listed(request, given, parts, on_preliminary)
            totals = _scan(request, requests, algorithm, on_progress, on_listed)
        if parts:
            on_stage("putting the new roots together")
            merge(parts, request.evidence / MANIFEST_FILES[Side.NEW])
        manifests = {side: request.evidence / name for side, name in MANIFEST_FILES.items()}
        counted = {one.side: totals[one.name] for one in given if one.name in totals and not one.number}
        looked = look_over(manifests, counted, started, trees_seen=all(one.share for one in given))
        return _conclude(request, given, algorithm, looked, on_stage)


def _distrusted(request: CheckRequest, one: Given) -> tuple[str, ...]:
    """Return which files of a root are to be read in any case, relative to it."""
    paths = request.distrust.get(one.side, ())
    if not one.label:
        return tuple(paths)
    below = f"{one.label}/"
    return tuple(path.removeprefix(below) for path in paths if path.startswith(below))


def _manifest_of(one: Given) -> str:
    """Return what a root's manifest in the evidence is called."""
    return manifest_file(one.side, one.number)


def _conclude(
    request: CheckRequest,
    given: Sequence[Given],
    algorithm: Algorithm,
    looked: Looked,
    on_stage: Callable[[str], None],
) -> ReportContext:
    """Reconcile the manifests in the evidence folder, judge, and write the report.

    Args:
        request: What was asked for.
        given: All roots; those with a share can be looked at again.
        algorithm: Of the manifests' digests.
        looked: Both sides, scanned.
        on_stage: Told when files are looked at again, and before the report is written.
    """
    evidence = request.evidence
    unfinished = evidence / f"{FINDINGS_FILE}.part"
    terms = Terms(
        request.rules,
        request.maps,
        request.frozen_at,
        request.live_since,
        request.compare,
        request.ignore,
        request.phase,
        request.baseline,
    )
    before = None if request.sample is not None else request.unchanged_since
    if before is None or not take_over(before, unfinished, terms, looked):
        on_stage("reconciling")
        with _second_look(request, given, algorithm, on_stage) as look:
            options = terms.options(look, request.past)
            reconciled = reconcile(looked.manifests[Side.OLD], looked.manifests[Side.NEW], unfinished, options)
        record(reconciled, terms, looked, None if request.sample is None else evidence / SAMPLE_FILE)
    unfinished.replace(evidence / FINDINGS_FILE)
    on_stage("writing the report")
    return write_report(evidence)


@contextmanager
def _second_look(
    request: CheckRequest, given: Sequence[Given], algorithm: Algorithm, on_stage: Callable[[str], None]
) -> Iterator[TreeLook]:
    """Give what looks again at files that differ, in the trees that can be reached."""
    roots = {NEW_ROOT if label == "" else new_root_of(label): root for label, root in new_roots(given).items()}
    if (old := given[0].share) is not None:
        roots[OLD_ROOT] = old.root

    def on_look(looked: int) -> None:
        on_stage("looking again at files that differ" + (f", {looked:,} so far" if looked else ""))

    scan = request.scan
    options = LookOptions(scan.stall_after_s, limit_rate=scan.limit_rate, idle=scan.idle)
    with SecondLook(roots, options) as second:
        yield TreeLook(second, roots, algorithm, request.rules.tolerance.zero_run_bytes, on_look)


def _refuse_sample(request: CheckRequest, given: Sequence[Given]) -> None:
    """Refuse a sample of what is not read, or from listings that leave nothing to compare with."""
    if request.sample is None:
        if request.seed is not None:
            raise UsageProblem("--seed says how a sample is drawn, and none is", "give --sample, too")
        return
    if request.scan.listing_only:
        raise UsageProblem("--sample reads files, and --listing-only reads none", "leave one of them out")
    manifests = [one.path for one in given if one.share is None]
    if len(manifests) == len(given):
        raise UsageProblem("--sample reads files, and both sides are manifests", "leave it out, or name a folder")
    for path in manifests:
        with Manifest.open(path) as manifest:
            if manifest.facts().get("listing_only") == "1":
                raise UsageProblem(
                    f"--sample reads files, and {named(path)} holds no content to compare them with",
                    "name a folder, or a manifest of a scan that read",
                )


def _prepare(request: CheckRequest, given: Sequence[Given], accepted: Path | None) -> None:
    """Make room in the evidence folder; asked again because another run may have ended a moment ago."""
    _refuse_evidence(request, given, accepted)
    clear_staging(request.evidence)
    inputs = {one.path for one in given if one.share is None}
    resumed = {EXCEPTIONS_FILE}  # what a person decided is replaced as a whole, or stays
    if not request.replace:
        _refuse_other_roots(request.evidence, given, inputs)
        resumed |= {f"{_manifest_of(one)}{end}" for one in given if one.share is not None for end in _RESUMED}
    if request.sample is not None and not request.replace:
        resumed.add(SAMPLE_FILE)
    for item in request.evidence.iterdir():
        if _is_leftover(item.name) and item.name not in resumed and item.resolve() not in inputs:
            item.unlink()


def _is_leftover(name: str) -> bool:
    return name in _LEFTOVERS or _PARTS.fullmatch(name) is not None


def _refuse_other_roots(evidence: Path, given: Sequence[Given], inputs: set[Path]) -> None:
    """Refuse to go on with a check that had other new roots: what it had read of them would be thrown away.

    Where both have one new root, its scan says so itself.
    """
    new = [one for one in given if one.side is Side.NEW]
    wanted = {_manifest_of(one): one for one in new}
    parts = {match[1] for item in evidence.iterdir() if (match := _PARTS.fullmatch(item.name))}
    whole = MANIFEST_FILES[Side.NEW]
    if len(new) == 1 and not parts:
        return
    begun: dict[str, str] = {}
    for name in [whole, *sorted(parts, key=lambda part: (len(part), part))]:
        if (evidence / name).resolve() in inputs or (name in wanted and wanted[name].share is None):
            continue  # a manifest that is given, or its copy, which may be half a file
        facts = left_facts(evidence / name)
        if facts and not (name == whole and facts.get(ROOTS)):  # that one is put together anew
            begun[name] = facts.get("root", "")
    if any(name not in wanted or wanted[name].origin.root != root for name, root in begun.items()):
        raise UsageProblem(
            f"{named(evidence)} was begun with {', '.join(begun.values())} as NEW, not with "
            f"{', '.join(one.origin.root for one in new)}",
            "run it as before, name another folder, or say --replace to discard what was read",
        )


def _refuse_evidence(request: CheckRequest, given: Sequence[Given], accepted: Path | None) -> None:
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
        there = {item.name for item in evidence.iterdir()} - {LOCK_FILE, STAGING}
    except FileNotFoundError:
        return
    except OSError as error:
        raise EvidenceUnwritable(f"{named(evidence)} cannot be made ({error.strerror})", "name another") from error
    strange = sorted(name for name in there if not _is_leftover(name))
    if SIGNOFF_FILE in there:
        raise UsageProblem(f"{named(evidence)} holds a signed check", "name another folder for this one")
    if strange:
        raise UsageProblem(
            f"{named(evidence)} holds other things ({named(Path(strange[0]))})", "name an empty or a new folder"
        )
    refuse_to_lose(evidence, accepted)
    if FINDINGS_FILE in there and not request.replace:
        raise UsageProblem(
            f"{named(evidence)} holds a finished check", "name another folder, or say --replace to discard it"
        )
    inputs = {one.path for one in given if one.share is None}
    for one in given:
        name = _manifest_of(one)
        place = (evidence / name).resolve()
        lost = one.share is None and name in there and place not in inputs
        if lost and not request.replace and _is_complete(place) and not filecmp.cmp(place, one.path, shallow=False):
            raise UsageProblem(
                f"{named(evidence)} holds a complete manifest of {one.said}",
                f"give {named(place)} as {one.side.upper()} to use it, name another folder, or say --replace to "
                "discard it",
            )
    written: dict[str, Given | None] = {MANIFEST_FILES[Side.NEW]: None, **{_manifest_of(one): one for one in given}}
    for name, own in written.items():
        place = (evidence / name).resolve()
        if place in inputs and (own is None or own.share is not None or own.path != place):
            other = "the other side's" if len(given) == 2 else "another root's"
            raise UsageProblem(f"{named(place)} is given as {other}", "name another folder for the evidence")


def _is_complete(path: Path) -> bool:
    try:
        with Manifest.open(path) as manifest:
            return manifest.facts().get("complete") == "1"
    except VerifierError:
        return False


def _take_manifests(evidence: Path, given: Sequence[Given]) -> None:
    """Copy given manifests into the evidence, so that it stands by itself."""
    for one in given:
        place = evidence / _manifest_of(one)
        if one.share is not None or one.path == place.resolve():
            continue
        try:
            shutil.copyfile(one.path, place)
            with place.open("rb+") as file:
                os.fsync(file.fileno())
        except OSError as error:
            raise EvidenceUnwritable(f"{named(place)} cannot be written ({error.strerror})") from error


def _on_listed(
    request: CheckRequest,
    given: Sequence[Given],
    parts: Sequence[tuple[str, Path]],
    on_preliminary: Callable[[Preliminary], None] | None,
) -> Callable[[], None] | None:
    """Return what is done once all roots are listed: a sample is drawn, and what names and sizes say is told."""
    sample = None if request.sample is None else request.evidence / SAMPLE_FILE
    if sample is None and on_preliminary is None:
        return None
    old, new = (request.evidence / MANIFEST_FILES[side] for side in Side)

    def tell(new: Path) -> None:
        if request.sample is not None and sample is not None and not sample.exists():
            seed = secrets.randbits(SEED_BITS) if request.seed is None else request.seed
            scanned = frozenset(one.side for one in given if one.share is not None)
            draw.draw(sample, old, new, draw.Wanted(request.sample, seed, request.maps, scanned))
        if on_preliminary is not None:
            account = preliminary(old, new, request.maps)
            on_preliminary(account if sample is None else replace(account, to_read=draw.to_read(sample, old, new)))

    def on_listed() -> None:
        if not parts:
            tell(new)
            return
        together = request.evidence / f".{new.name}.part"
        try:
            merge_listings(parts, together)
            tell(together)
        finally:
            together.unlink(missing_ok=True)

    return on_listed


def _scan(
    request: CheckRequest,
    requests: Sequence[ScanRequest],
    algorithm: Algorithm,
    on_progress: Callable[[Progress], None],
    on_listed: Callable[[], None] | None,
) -> dict[str, Totals]:
    """Scan all roots, and return what each holds, by what it is called while it is scanned."""
    sample = None if request.sample is None else request.evidence / SAMPLE_FILE
    options = replace(request.scan, algorithm=algorithm, rules=request.rules, sample=sample)
    outcomes = scan_all(requests, options, on_progress, on_listed)
    refuse_unfinished(outcomes)
    return {outcome.label: outcome.totals for outcome in outcomes}


def refuse_unfinished(outcomes: Sequence[ScanOutcome]) -> None:
    """Raise where a scan did not reach its end.

    Raises:
        WindowEnded: If nothing but the time window ended one.
        Interrupted: If one was stopped, or its share went away.
    """
    if any(outcome.interrupted for outcome in outcomes):
        window_ended = all(outcome.interrupted in ("", WINDOW_ENDED) for outcome in outcomes)
        raise (WindowEnded if window_ended else Interrupted)(
            "; ".join(_how_far(outcome) for outcome in outcomes) + "; nothing was judged",
            "run the same command again: it goes on from what was read",
        )


def _how_far(outcome: ScanOutcome) -> str:
    totals = outcome.totals
    if not outcome.interrupted:
        return f"{outcome.label}: complete"
    return f"{outcome.label}: {outcome.interrupted} ({totals.proved_files:,} of {totals.files:,} listed files read)"
