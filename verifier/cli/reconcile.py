"""``verifier reconcile``: from two manifests to a verdict, no trees needed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from verifier.cli import options as o


def reconcile(
    old: Annotated[Path, typer.Argument(parser=o.read_path, metavar="OLD", help="Manifest of the old side.")],
    new: Annotated[
        list[Path],
        typer.Argument(
            parser=o.read_path,
            metavar="NEW",
            help=f"Manifest of the new side. {o.SEVERAL_ROOTS}",
        ),
    ],
    evidence: o.Evidence,
    rules: o.RuleFiles = None,
    maps: o.Maps = None,
    frozen_at: o.FrozenAt = None,
    live_since: o.LiveSince = None,
    compare: o.Compare = None,
    ignore: o.Ignore = None,
    accepted: o.Accepted = None,
    replace: o.Replace = False,
    quiet: o.Quiet = False,
) -> int:
    """Reconcile two manifests, taken at different times or places, and say whether the copy can be trusted.

    Without the trees it can be told that content differs, not always how: causes truncated and zero-filled need them.
    Exit codes as for check.

    Example: verifier reconcile old.manifest.sqlite new.manifest.sqlite --evidence proof-2026-11
    """
    from verifier.check import CheckRequest
    from verifier.cli.show import run_and_print
    from verifier.errors import NotAManifest
    from verifier.manifest.database import named
    from verifier.rules.load import load_rules

    for path in (old, *new):
        if path.is_dir():
            raise NotAManifest(f"{named(path)} is a folder, not a manifest", "use `verifier check` for folders")
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
        replace=replace,
        also_new=tuple(new[1:]),
        accepted=accepted,
    )
    return run_and_print(request, quiet=quiet)
