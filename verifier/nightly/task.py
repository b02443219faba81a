"""What tonight's check is to do: from the job, the phase and the previous run to a request for `verifier.check`."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from verifier.check import CheckRequest, refuse_unfinished
from verifier.classes import Phase, Side
from verifier.errors import JobFileError, RootUnavailable, UsageProblem
from verifier.evidence import MANIFEST_FILES, manifest_file
from verifier.ledger.places import UNFINISHED
from verifier.manifest.database import named
from verifier.manifest.merge import folder_name, label_roots, merge
from verifier.manifest.store import Manifest
from verifier.nightly.coverage import is_at_rest, plan_rereads
from verifier.reconcile.decay import Past
from verifier.rules.load import load_rules
from verifier.scan.guard import look_at
from verifier.scan.plan import Reread
from verifier.scan.scanner import ScanOptions, ScanRequest, scan_all
from verifier.tree.digests import Algorithm

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime
    from pathlib import Path

    from verifier.job.job import Job
    from verifier.nightly.previous import Previous
    from verifier.scan.progress import Progress

FIRST: Final = "first"
"""A folder beside the unfinished evidence: manifests of the new side where there is nothing yet to hold it against."""
MOST_DISTRUSTED: Final = 10_000
"""So many files that had decayed are read again each night; the rest as the others are."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What tonight's run rests on besides the job itself."""

    phase: Phase
    frozen_at: datetime | None
    live_since: datetime | None
    previous: Previous | None
    """The run to carry over from; None reads everything."""
    baseline: Path | None
    """Evidence that says what had arrived when people began to work on the new side."""
    accepted: Path | None
    until: float | None
    """Of `time.monotonic`: when the time window ends."""
    now: datetime
    rates: Mapping[Side, float] = field(default_factory=dict)
    """Bytes a second that were measured of each side."""


def guard(job: Job, phase: Phase, previous: Previous | None) -> None:
    """Hold every root against what it was in the previous run: an unmounted share may show another folder.

    Raises:
        RootUnavailable: If one is not there, is empty, or is another mount than it was.
    """
    known = {} if previous is None else dict(previous.roots())
    sides = (job.new,) if phase is Phase.RETIRED else job.sides
    for path in (root for side in sides for root in side.roots):
        if path.is_file():
            continue
        share = look_at(path, job.scan.stall_after_s)
        if share.is_empty():
            raise RootUnavailable(f"{share.named} is an empty folder", "is the share mounted?")
        if share.named not in known:
            continue
        with Manifest.open(known[share.named]) as manifest:
            facts = manifest.facts()
        was, now = (facts.get("file_system"), facts.get("mount_source")), (share.type_name, share.mount_source)
        if was != now:
            raise RootUnavailable(
                f"{share.named} is {' on '.join(now)}, and was {' on '.join(map(str, was))} in the run before",
                "mount what was there, or if it is meant to be another, say --afresh once",
            )


def request_of(job: Job, about: Circumstances, on_progress: Callable[[Progress], None]) -> CheckRequest:
    """Return what is to be checked tonight, and how.

    In the last phase the new side's own last manifest stands as the old side. Where there is none, one is made first.

    Args:
        job: The job.
        about: What else it rests on.
        on_progress: Told how far that is.

    Raises:
        VerifierError: If something cannot be used.
    """
    retired = about.phase is Phase.RETIRED
    algorithm = _algorithm(job, about)
    rules = load_rules(job.rules)
    options = ScanOptions(
        readers=job.scan.readers,
        cross_mounts=job.scan.cross_mounts,
        limit_rate=job.scan.limit_rate,
        idle=job.scan.idle,
        cold=job.scan.cold,
        stall_after_s=job.scan.stall_after_s,
        until=about.until,
    )
    previous = about.previous
    if not retired and job.old is None:
        raise UsageProblem(
            f"{named(job.path)} names no old side, and the job is in phase {about.phase}",
            "give [old], or advance the job to retired",
        )
    if job.old is not None and not retired:
        old, maps = job.old.roots[0], job.maps
    else:
        maps = ()
        old = _first_manifest(job, options, on_progress) if previous is None else previous.manifest(Side.NEW)
    reuse = _reusable(job, about, algorithm, retired=retired)
    if retired and previous is None:
        reuse = {path: Reread() for path in sorted((job.evidence / FIRST).glob("new*.manifest.sqlite")) if path != old}
        reuse = reuse or {old: Reread()}
    past = None
    if previous is not None:
        sides = [Side.NEW] if retired else list(Side)
        past = Past({side: previous.manifest(side) for side in sides}, previous.findings)
    return CheckRequest(
        old,
        job.new.roots[0],
        job.evidence / UNFINISHED,
        rules=rules,
        maps=maps,
        frozen_at=None if retired else about.frozen_at,
        live_since=about.live_since,
        compare=job.compare,
        ignore=job.ignore,
        algorithm=algorithm,
        scan=options,
        reuse=tuple(reuse),
        also_new=job.new.roots[1:],
        phase=about.phase,
        past=past,
        baseline=_baseline(about, old, retired=retired),
        rereads=reuse,
        distrust={} if previous is None else {s: p[:MOST_DISTRUSTED] for s, p in previous.decayed().items()},
        unchanged_since=None if previous is None else previous.evidence,
        accepted=about.accepted,
    )


def _baseline(about: Circumstances, old: Path, *, retired: bool) -> Path | None:
    if retired:
        return old
    return None if about.baseline is None else about.baseline / MANIFEST_FILES[Side.NEW]


def _algorithm(job: Job, about: Circumstances) -> Algorithm | None:
    """Return the algorithm of tonight's digests: the job's, else that of what is known.

    Raises:
        JobFileError: If the job asks for another than that of a manifest to which the new side is held.
    """
    previous = None if about.previous is None else _made_with(about.previous.manifest(Side.NEW))
    held = previous if about.phase is Phase.RETIRED else None
    if about.baseline is not None:
        held = _made_with(about.baseline / MANIFEST_FILES[Side.NEW])
    wanted = job.scan.algorithm or held or previous
    if held is not None and wanted is not held:
        raise JobFileError(
            f'{named(job.path)}: scan.algorithm: "{wanted}", and what the new side is held against in phase '
            f'{about.phase} was read with "{held}"',
            f'keep "{held}"',
        )
    return wanted


def _made_with(manifest: Path) -> Algorithm | None:
    with Manifest.open(manifest) as opened:
        found = opened.facts().get("algorithm")
    return Algorithm(found) if found in list(Algorithm) else None


def _reusable(job: Job, about: Circumstances, algorithm: Algorithm | None, *, retired: bool) -> dict[Path, Reread]:
    """Return the previous manifests of the roots that are scanned, and what of each is read again."""
    previous = about.previous
    if previous is None:
        return {}
    wanted: dict[Path, Reread] = {}
    roots = dict(previous.roots())
    sides = {Side.NEW: job.new.roots, Side.OLD: () if retired or job.old is None else job.old.roots}
    for side, paths in sides.items():
        for path in paths:
            if path.is_file():
                continue
            manifest = roots.get(look_at(path, job.scan.stall_after_s).named)
            if manifest is None or _made_with(manifest) is not algorithm:
                continue
            wanted[manifest] = _reread(job, about, side, manifest)
    return wanted


def _reread(job: Job, about: Circumstances, side: Side, manifest: Path) -> Reread:
    promised_s = job.scan.reread_s
    if promised_s is None:
        return Reread()
    with Manifest.open(manifest) as opened:
        oldest = opened.facts().get("oldest_read") or ""
    if is_at_rest(oldest, promised_s, about.now):
        return Reread()
    return plan_rereads(manifest, promised_s, about.now, about.rates.get(side, 0.0), about.until)


def _first_manifest(job: Job, options: ScanOptions, on_progress: Callable[[Progress], None]) -> Path:
    """Scan the new side into manifests that it is held against from now on, or go on with what is there of them.

    Raises:
        VerifierError: As `verifier.scan.scanner.scan_all`.
        WindowEnded: If the time window ends before.
        Interrupted: If it is stopped, or a share goes away.
    """
    folder = job.evidence / FIRST
    together = folder / MANIFEST_FILES[Side.NEW]
    roots = job.new.roots
    labels = label_roots([folder_name(path) for path in roots]) if len(roots) > 1 else [""]
    files = [folder / manifest_file(Side.NEW, number if len(roots) > 1 else 0) for number in range(1, len(roots) + 1)]
    if together.exists() and _is_complete(together):
        return together
    folder.mkdir(exist_ok=True)
    wanted = [
        ScanRequest(path.name, path, file, finished_too=True, side=Side.NEW, below=label)
        for path, file, label in zip(roots, files, labels, strict=True)
    ]
    options = replace(options, algorithm=job.scan.algorithm or Algorithm.BLAKE3, rules=load_rules(job.rules))
    refuse_unfinished(scan_all(wanted, options, on_progress))
    if len(roots) > 1:
        merge(list(zip(labels, files, strict=True)), together)
    return together


def _is_complete(manifest: Path) -> bool:
    with Manifest.open(manifest) as opened:
        return opened.facts().get("complete") == "1"
