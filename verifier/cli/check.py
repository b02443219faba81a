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
        Path,
        typer.Argument(
            parser=o.read_path,
            metavar="NEW",
            help="The new side: a folder, or a manifest of it.",
        ),
    ],
    evidence: o.Evidence,
    algorithm: o.AlgorithmChoice = None,
    listing_only: o.ListingOnly = False,
    readers: o.Readers = "auto",
    cross_mounts: o.CrossMounts = False,
    rules: o.RuleFiles = None,
    maps: o.Maps = None,
    frozen_at: o.FrozenAt = None,
    live_since: o.LiveSince = None,
    replace: o.Replace = False,
    quiet: o.Quiet = False,
) -> int:
    """Check a copy: read both sides, explain every difference, and say whether it can be trusted.

    Exit code 0: trustworthy. 1: something is missing, damaged or of another kind. 2: wrong usage. 3: inconclusive or
    interrupted, run it again. 4: could not run.

    Example: verifier check /mnt/old /mnt/new --evidence proof-2026-11
    """
    from verifier.cli.settle import settle
    from verifier.scan.engine import warm_up

    warm_up()
    from verifier.check import CheckRequest
    from verifier.cli.show import run_and_print
    from verifier.rules.model import load_rules

    settle()
    request = CheckRequest(
        old,
        new,
        evidence,
        rules=load_rules(rules or ()),
        maps=o.read_maps(maps),
        frozen_at=o.read_time("--frozen-at", frozen_at),
        live_since=o.read_time("--live-since", live_since),
        algorithm=algorithm,
        listing_only=listing_only,
        readers=o.read_readers(readers),
        cross_mounts=cross_mounts,
        replace=replace,
    )
    return run_and_print(request, quiet=quiet)
