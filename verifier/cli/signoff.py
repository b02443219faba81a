"""``verifier signoff``: sign for a check, and later see whether what was signed is still what it was."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from verifier.cli.options import Quiet, read_path
from verifier.errors import UsageProblem

if TYPE_CHECKING:
    from verifier.signoff.sign import Signing

_EVIDENCE_HELP: Final = "A folder that `verifier check` wrote."


def signoff(
    evidence: Annotated[Path, typer.Argument(parser=read_path, metavar="EVIDENCE", help=_EVIDENCE_HELP)],
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who signs. Example: --by 'R. Curator'")] = "",
    role: Annotated[str, typer.Option("--role", metavar="ROLE", help="As what: an office, a duty.")] = "",
    statement: Annotated[
        str,
        typer.Option(
            "--statement",
            metavar="TEXT",
            help="Your own words. Default: that you have read the report with its reasons, limits and cautions, and "
            "take its verdict as it stands.",
        ),
    ] = "",
    despite: Annotated[
        str,
        typer.Option(
            "--despite",
            metavar="REASON",
            help="Sign although the copy is not trustworthy, or not everything could be checked, or the old side "
            "changed since. The reason is shown large wherever the sign-off is.",
        ),
    ] = "",
    ssh_key: Annotated[
        Path | None,
        typer.Option(
            "--ssh-key",
            parser=read_path,
            metavar="FILE",
            help="Sign with this OpenSSH key, by the system's ssh-keygen: a private key, or a public one whose private "
            "half an agent holds.",
        ),
    ] = None,
    recheck_old: Annotated[
        bool,
        typer.Option(
            "--recheck-old",
            help="List the old side again first and compare names, kinds, sizes and times; no content is read.",
        ),
    ] = False,
    old_root: Annotated[
        Path | None,
        typer.Option(
            "--old-root",
            parser=read_path,
            metavar="DIR",
            help="With --recheck-old: where the old side is mounted now, if that is another place.",
        ),
    ] = None,
    check: Annotated[
        bool,
        typer.Option("--check", help="Sign nothing: see whether what was signed is still what it was. Only reads."),
    ] = False,
    allowed_signers: Annotated[
        Path | None,
        typer.Option(
            "--allowed-signers",
            parser=read_path,
            metavar="FILE",
            help="With --check: whose keys may have signed (ssh-keygen(1), ALLOWED SIGNERS).",
        ),
    ] = None,
    quiet: Quiet = False,
) -> int:
    """Sign for a check: hold the evidence against itself, digest all of it, and write signoff.json beside the report.

    Refuses a copy that cannot be trusted unless --despite says why. Prints what has to hold before anything is wiped.
    A signed folder is not written in any more.

    Exit code 0: signed; with --check: all of it is what was signed. 1: not trustworthy, or the old side changed, so
    not signed; with --check: something changed. 2: wrong usage. 3: inconclusive, so not signed. 4: could not run.

    Example: verifier signoff proof-2026-11 --by "R. Curator" --role "head of collections" --ssh-key ~/.ssh/id_ed25519

    Later: verifier signoff --check proof-2026-11 --allowed-signers signers
    """
    given = {
        "--by": by,
        "--role": role,
        "--statement": statement,
        "--despite": despite,
        "--ssh-key": ssh_key,
        "--recheck-old": recheck_old,
        "--old-root": old_root,
    }
    if check:
        if odd := next((option for option, value in given.items() if value), None):
            raise UsageProblem(f"--check signs nothing, and {odd} is for signing", "leave one of them out")
        return _check(evidence, allowed_signers, quiet=quiet)
    if allowed_signers is not None:
        raise UsageProblem("--allowed-signers says whose signature may be found", "give --check, too")
    if not by:
        raise UsageProblem("nobody is named who signs", "give --by NAME; or --check, to see what was signed")
    from verifier.signoff.sign import Signing

    by, role, statement, despite = (text.strip() for text in (by, role, statement, despite))
    return _sign(Signing(evidence, by, role, statement, despite, ssh_key, recheck_old, old_root), quiet=quiet)


def _sign(signing: Signing, *, quiet: bool) -> int:
    from verifier.cli.progress import display
    from verifier.cli.show import print_lines
    from verifier.signoff.lines import signed_lines
    from verifier.signoff.sign import sign

    with display(quiet=quiet) as shown:
        signed = sign(signing, shown.show, shown.stage, _said)
    print_lines(signed_lines(signed, signing.evidence))
    return 0


def _said(line: str) -> None:
    """Pass on that a hardware key has to be touched, which cannot wait."""
    print(line, file=sys.stderr, flush=True)


def _check(evidence: Path, allowed_signers: Path | None, *, quiet: bool) -> int:
    from verifier.cli.progress import display
    from verifier.cli.show import print_lines
    from verifier.signoff.lines import verified_lines
    from verifier.signoff.verify import verify

    with display(quiet=quiet) as shown:
        found = verify(evidence, allowed_signers, shown.stage)
    print_lines(verified_lines(found))
    return found.exit_code
