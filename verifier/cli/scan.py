"""``verifier scan``: one side into a manifest."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from verifier.cli import options as o
from verifier.errors import Interrupted


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
            "--manifest", parser=o.read_path, metavar="FILE", help="The manifest to write; must not be there yet."
        ),
    ],
    label: Annotated[str, typer.Option("--label", metavar="TEXT", help="A name for this side in reports.")] = "",
    algorithm: o.AlgorithmChoice = None,
    listing_only: o.ListingOnly = False,
    readers: o.Readers = "auto",
    cross_mounts: o.CrossMounts = False,
    rules: o.RuleFiles = None,
    quiet: o.Quiet = False,
) -> int:
    """Scan one side into a manifest, next to its own disks, to be reconciled later and elsewhere.

    Exit code 0: every name listed and every file read. 3: something could not be read, or the scan was interrupted.
    2: wrong usage. 4: could not run.

    Example: verifier scan /srv/share --manifest old.manifest.sqlite --label "old server"
    """
    from verifier.cli.settle import settle
    from verifier.scan.engine import warm_up

    warm_up()
    from verifier.cli.progress import display
    from verifier.manifest.database import named
    from verifier.report.context import size_text
    from verifier.rules.model import load_rules
    from verifier.scan.scanner import ScanOptions, ScanRequest, scan_all
    from verifier.tree.digests import Algorithm
    from verifier.verdict import count_of

    settle()
    options = ScanOptions(
        algorithm or Algorithm.BLAKE3, listing_only, o.read_readers(readers), cross_mounts, load_rules(rules or ())
    )
    request = ScanRequest(label or root.name or str(root), root, manifest)
    with display(quiet=quiet) as shown:
        (outcome,) = scan_all([request], options, shown.show)
    totals = outcome.totals
    if outcome.interrupted:
        raise Interrupted(
            f"{outcome.interrupted} ({totals.proved_files:,} of {totals.files:,} listed files read); "
            f"{named(manifest)} is marked incomplete",
            "remove it and run the same command again",
        )
    print(f"{count_of(totals.entries, 'entry', 'entries')}: {totals.files:,} files, {size_text(totals.bytes)}")
    print(f"{totals.proved_files:,} files read, {size_text(totals.proved_bytes)}")
    if totals.unreadable:
        print(f"{count_of(totals.unreadable, 'entry', 'entries')} could not be read or listed")
    if totals.unsettled:
        print(f"{count_of(totals.unsettled, 'entry', 'entries')} changed while being read")
    if totals.not_entered:
        print(f"{count_of(totals.not_entered, 'mount point', 'mount points')} not entered without --cross-mounts")
    print(f"fingerprint {outcome.fingerprint}")
    print(f"manifest {named(manifest)}")
    unread = 0 if listing_only else totals.unread
    return 3 if totals.unreadable or totals.unsettled or totals.not_entered or unread else 0
