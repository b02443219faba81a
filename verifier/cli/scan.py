"""``verifier scan``: one side into a manifest."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from verifier.cli import options as o
from verifier.errors import Interrupted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verifier.scan.scanner import ScanOutcome


def scan(
    root: Annotated[
        Path,
        typer.Argument(
            parser=o.read_path,
            metavar="ROOT",
            help="The folder to scan; nothing in it is changed.",
        ),
    ],
    manifest: Annotated[
        Path,
        typer.Option(
            "--manifest",
            parser=o.read_path,
            metavar="FILE",
            help="The manifest to write; one that is unfinished is gone on with.",
        ),
    ],
    label: Annotated[str, typer.Option("--label", metavar="TEXT", help="A name for this side in reports.")] = "",
    algorithm: o.AlgorithmChoice = None,
    listing_only: o.ListingOnly = False,
    readers: o.Readers = "auto",
    limit_rate: o.LimitRate = None,
    idle: o.Idle = False,
    cold: o.Cold = False,
    reuse: o.Reuse = None,
    reread: o.RereadWhich = None,
    reread_budget: o.RereadBudget = None,
    stall_after: o.StallAfter = "60s",
    cross_mounts: o.CrossMounts = False,
    rules: o.RuleFiles = None,
    quiet: o.Quiet = False,
    progress_json: o.ProgressJson = None,
) -> int:
    """Scan one side into a manifest, next to its own disks, to be reconciled later and elsewhere.

    Ended before its end, in whatever way, the same command goes on from what it had read.

    Exit code 0: every name listed and every file read. 3: something could not be read, or the scan was interrupted.
    2: wrong usage. 4: could not run.

    Example: verifier scan /srv/share --manifest old.manifest.sqlite --label "old server"
    """
    from verifier.cli.progress import display
    from verifier.cli.settle import settle
    from verifier.manifest.database import named
    from verifier.rules.load import load_rules
    from verifier.scan.process import be_idle
    from verifier.scan.scanner import ScanOptions, ScanRequest, scan_all
    from verifier.tree.digests import Algorithm

    if idle:
        be_idle()
    settle()
    options = ScanOptions(
        algorithm or Algorithm.BLAKE3,
        listing_only,
        o.read_readers(readers),
        cross_mounts,
        load_rules(rules or ()),
        o.read_rate(limit_rate),
        idle,
        cold,
        o.read_reread(reread, reread_budget, reuses=reuse is not None),
        o.read_stall(stall_after),
    )
    request = ScanRequest(label or root.name or str(root), root, manifest, reuse)
    o.refuse_in_trees("--progress-json", progress_json, [root])
    with display(quiet=quiet, progress_json=progress_json) as shown:
        (outcome,) = scan_all([request], options, shown.show)
    totals = outcome.totals
    if outcome.interrupted:
        raise Interrupted(
            f"{outcome.interrupted} ({totals.proved_files:,} of {totals.files:,} listed files read); "
            f"{named(manifest)} is marked incomplete",
            "run the same command again: it goes on from what was read",
        )
    for text in _summary(outcome):
        print(text)
    unread = 0 if listing_only else totals.unread
    return 3 if totals.unreadable or totals.unsettled or totals.not_entered or unread else 0


def _summary(outcome: ScanOutcome) -> Iterator[str]:
    from verifier.manifest.database import named
    from verifier.manifest.store import Manifest
    from verifier.report.amounts import size_text
    from verifier.report.words import problem_line
    from verifier.verdict import count_of

    totals = outcome.totals
    with Manifest.open(outcome.manifest) as manifest:
        facts, problems = manifest.facts(), manifest.problem_kinds()
    yield f"{count_of(totals.entries, 'entry', 'entries')}: {totals.files:,} files, {size_text(totals.bytes)}"
    by = f", by {count_of(outcome.readers, 'reader', 'readers')}" if outcome.readers else ""
    yield f"{totals.proved_files:,} files read, {size_text(totals.proved_bytes)}{by}"
    if totals.carried_files:
        yield (
            f"{totals.carried_files:,} files not read but carried over, {size_text(totals.carried_bytes)}; "
            f"the longest unread was read {totals.oldest_read}"
        )
    if facts.get("asked_cold") == "1":
        cold, warm = int(facts.get("cold_files") or 0), int(facts.get("warm_files") or 0)
        yield f"{cold:,} of {cold + warm:,} files were read with none of their pages in this machine's memory"
    if totals.unreadable:
        yield f"{count_of(totals.unreadable, 'entry', 'entries')} could not be read or listed"
    if totals.unsettled:
        yield f"{count_of(totals.unsettled, 'entry', 'entries')} changed while being read"
    if totals.not_entered:
        yield f"{count_of(totals.not_entered, 'mount point', 'mount points')} not entered without --cross-mounts"
    for kind in problems:
        yield f"  {problem_line(*kind)}"
    yield f"fingerprint {outcome.fingerprint}" if outcome.fingerprint else "no fingerprint: nothing was read"
    yield f"manifest {named(outcome.manifest)}"
