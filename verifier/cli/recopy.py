"""``verifier recopy``: what has to be copied again, as a list for other programs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from verifier.cli.options import read_path


def recopy(
    evidence: Annotated[
        Path, typer.Argument(parser=read_path, metavar="EVIDENCE", help="A folder that `verifier check` wrote.")
    ],
    null: Annotated[
        bool, typer.Option("--null", "-0", help="End each path with a NUL instead of a line break, for any name.")
    ] = False,
    newer: Annotated[
        bool,
        typer.Option("--newer", help="Also what is the later version on the new side: copying it undoes that work."),
    ] = False,
) -> int:
    """Write the paths that must be copied again: missing, damaged, or changed on the old side after it was frozen.

    Relative to the old side's root, as the names are, each beginning with ./ so that none is taken for an option. A
    folder is given only where nothing in it is. Nothing is copied. Left out is what is newer on the new side, and what
    somebody accepted by name.

    Example: verifier recopy proof-2026-11 --null > to-copy, then in the old root: cpio -0 -pdmu /mnt/new < to-copy
    """
    from verifier import clock
    from verifier.decisions.covering import cover
    from verifier.errors import UsageProblem
    from verifier.evidence import FINDINGS_FILE
    from verifier.reconcile.findings import Findings
    from verifier.reconcile.recopy import ACCEPTED_AS_IT_IS, NEWER, to_recopy
    from verifier.tree.names import shown, to_text

    end = b"\0" if null else b"\n"
    with Findings.open(evidence / FINDINGS_FILE) as findings:
        cover(findings, evidence, clock.now())
        if not null:
            # Before anything is written: half a list would be taken for a whole one.
            broken = next((path for path in to_recopy(findings, newer=newer) if b"\n" in path), None)
            if broken is not None:
                raise UsageProblem(f"a name has a line break in it ({shown(to_text(broken))})", "say --null")
        written = 0
        for path in to_recopy(findings, newer=newer):
            sys.stdout.buffer.write(path + end)
            written += 1
        sys.stdout.buffer.flush()
        left_out = 0 if newer else findings.tally(NEWER).entries
        accepted = findings.tally(ACCEPTED_AS_IT_IS).entries
    if not written:
        print("verifier: nothing has to be copied again", file=sys.stderr)
    if left_out:
        print(
            f"verifier: left out what is newer on the new side ({left_out:,}): look at each, or say --newer",
            file=sys.stderr,
        )
    if accepted:
        print(f"verifier: left out what was accepted by name ({accepted:,})", file=sys.stderr)
    return 0
