"""``verifier check``: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from verifier.cli import options as o


def check(
    old: Annotated[
        Path,
        typer.Argument(
            parser=o.read_path,
            metavar="OLD",
            help="The old side: a folder, or a manifest of it.",
        ),
    ],
    new: Annotated[
        list[Path],
        typer.Argument(
            parser=o.read_path,
            metavar="NEW",
            help=f"The new side: a folder, or a manifest of it. {o.SEVERAL_ROOTS}",
        ),
    ],
    evidence: o.Evidence,
    algorithm: o.AlgorithmChoice = None,
    listing_only: o.ListingOnly = False,
    sample: o.Sample = None,
    seed: o.Seed = None,
    readers: o.Readers = "auto",
    limit_rate: o.LimitRate = None,
    idle: o.Idle = False,
    cold: o.Cold = False,
    reuse: o.ReuseAll = None,
    reread: o.RereadWhich = None,
    reread_budget: o.RereadBudget = None,
    stall_after: o.StallAfter = "60s",
    cross_mounts: o.CrossMounts = False,
    rules: o.RuleFiles = None,
    maps: o.Maps = None,
    frozen_at: o.FrozenAt = None,
    live_since: o.LiveSince = None,
    compare: o.Compare = None,
    ignore: o.Ignore = None,
    accepted: o.Accepted = None,
    replace: o.Replace = False,
    quiet: o.Quiet = False,
    progress_json: o.ProgressJson = None,
) -> int:
    """Check a copy: read both sides, explain every difference, and say whether it can be trusted.

    Ended before its end, in whatever way, the same command goes on from what it had read.

    Exit code 0: trustworthy. 1: something is missing, damaged or of another kind. 2: wrong usage. 3: inconclusive or
    interrupted, run it again. 4: could not run.

    Example: verifier check /mnt/old /mnt/new --evidence proof-2026-11

    Split over several: verifier check /mnt/old /mnt/projects /mnt/archive --map scans=archive/scans --evidence proof
    """
    from verifier.check import CheckRequest
    from verifier.cli.settle import settle
    from verifier.cli.show import run_and_print
    from verifier.rules.load import load_rules
    from verifier.scan.process import be_idle
    from verifier.scan.scanner import ScanOptions

    if idle:
        be_idle()
    settle()
    request = CheckRequest(
        old,
        new[0],
        evidence,
        rules=load_rules(rules or ()),
        maps=o.read_maps(maps),
        frozen_at=o.read_time("--frozen-at", frozen_at),
        live_since=o.read_time("--live-since", live_since),
        compare=frozenset(compare or ()),
        ignore=frozenset(ignore or ()),
        algorithm=algorithm,
        scan=ScanOptions(
            listing_only=listing_only,
            readers=o.read_readers(readers),
            cross_mounts=cross_mounts,
            limit_rate=o.read_rate(limit_rate),
            idle=idle,
            cold=cold,
            reread=o.read_reread(reread, reread_budget, reuses=bool(reuse)),
            stall_after_s=o.read_stall(stall_after),
        ),
        reuse=tuple(reuse or ()),
        replace=replace,
        also_new=tuple(new[1:]),
        sample=o.read_sample(sample),
        seed=seed,
        accepted=accepted,
    )
    o.refuse_in_trees("--progress-json", progress_json, [root for root in (old, *new) if not root.is_file()])
    return run_and_print(request, quiet=quiet, progress_json=progress_json)
