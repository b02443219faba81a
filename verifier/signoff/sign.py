"""Signing for a check: the evidence is held against itself, the report written with the sign-off, all of it digested.

The report shows the sign-off, and the sign-off holds the report's digest. That is no circle because the report shows
everything of the sign-off but digests and signature. Files are made aside and put in place in an order in which the
folder is, at every instant, either not signed or signed, and a report that is then missing can be written again
(`verifier.report.again`).
"""

from __future__ import annotations

import os
import socket
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from verifier import clock
from verifier.classes import TRUSTED, Side, VerdictKind
from verifier.decisions.checklist import Relisted, checklist
from verifier.decisions.exceptions import LONGEST_NAME, LONGEST_TEXT
from verifier.decisions.signoff import SignedFile, SignOff, read_signoff, readable
from verifier.errors import ManifestDamaged, SignOffInconclusive, SignOffRefused, UsageProblem, VerifierError
from verifier.evidence import (
    FINDINGS_FILE,
    REPORT_FILES,
    SIGNATURE_FILE,
    SIGNOFF_FILE,
    held,
    put_in_place,
    replacing,
    staging,
)
from verifier.manifest.database import named
from verifier.reconcile.findings import Findings
from verifier.report.context import ReportContext, build_context
from verifier.report.words import HEADLINES, NOT_PROVED
from verifier.report.write import write_report
from verifier.signoff import ssh
from verifier.signoff.files import held_files, make_ready
from verifier.signoff.recheck import LISTING_FILE, relist
from verifier.signoff.soundness import check_soundness
from verifier.tree.names import shown, to_text
from verifier.version import TOOL

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from pathlib import Path

    from verifier.scan.progress import Progress


@dataclass(frozen=True, slots=True)
class Signing:
    """What somebody who signs gives."""

    evidence: Path
    """The folder of a finished check."""
    by: str
    role: str = ""
    statement: str = ""
    """Empty takes `statement_for`."""
    despite: str = ""
    """Why it is signed although something stands in the way."""
    ssh_key: Path | None = None
    """A private key, or a public one whose private half an agent holds; None relies on digests alone."""
    recheck_old: bool = False
    """List the old side again first."""
    old_root: Path | None = None
    """Where the old side is mounted now, if that is another place than the one checked."""


def sign(
    signing: Signing,
    on_progress: Callable[[Progress], None] = lambda _: None,
    on_stage: Callable[[str], None] = lambda _: None,
    on_said: Callable[[str], None] = lambda _: None,
) -> SignOff:
    """Sign for a check, and return the sign-off as it is in its evidence folder.

    Args:
        signing: Who signs what, and how.
        on_progress: Told how far listing the old side again is.
        on_stage: Told what happens.
        on_said: Told when a hardware key has to be touched.

    Raises:
        UsageProblem: If a text or the key cannot be meant, nothing was checked there, or somebody signed already.
        SignOffRefused: If the copy cannot be trusted, or the old side changed since, and no reason was given;
            SignOffInconclusive where that is not known.
        CannotRun: If the evidence is not what was written, the old side is not there, or the key cannot sign.
        Interrupted: If the old side could not be listed again to its end.
    """
    _refuse_texts(signing)
    evidence = signing.evidence
    Findings.open(evidence / FINDINGS_FILE).close()  # where there are none, nothing is made, not even a lock
    key = _key(signing)
    with held(evidence):
        _refuse_signed(evidence)
        make_ready(evidence)
        with staging(evidence) as staged:
            on_stage("holding the evidence against itself")
            check_soundness(evidence)
            now, relisted = _now(), None
            _refuse_obstacle(signing, context := _judged(evidence, now), None)
            if signing.recheck_old:
                on_stage("listing the old side again")
                relisted = relist(evidence, signing.old_root, staged, on_progress)
                now = _now()
                _refuse_obstacle(signing, context := _judged(evidence, now), relisted)
            on_stage("writing the report, and digesting everything")
            made = _made(signing, context, now, relisted, key)
            return _put_in_place(made, evidence, staged, key, on_said)


def statement_for(context: ReportContext) -> str:
    """Return what somebody states who gives no words of their own."""
    return (
        f"I have read report {context.report_id} with its reasons, limits and cautions, and I take its verdict as it "
        f"stands: {HEADLINES[context.verdict.kind].lower()}."
    )


def _now() -> datetime:
    return clock.now().replace(microsecond=0)


def _refuse_texts(signing: Signing) -> None:
    texts = (
        ("--by", signing.by, LONGEST_NAME, False, True),
        ("--role", signing.role, LONGEST_NAME, False, False),
        ("--statement", signing.statement, LONGEST_TEXT, True, False),
        ("--despite", signing.despite, LONGEST_TEXT, False, False),
    )
    for option, text, longest, lines, needed in texts:
        if (text or needed) and not readable(text, longest, lines=lines):
            shape = "some words" if lines else "one line of words"
            raise UsageProblem(
                f"{option} {shown(text)[:40]!r} cannot stand in a sign-off",
                f"give {shape} of at most {longest:,} characters, without any that cannot be seen",
            )
    if signing.old_root is not None and not signing.recheck_old:
        raise UsageProblem("--old-root says where the old side is listed again", "give --recheck-old, too")


def _key(signing: Signing) -> ssh.SigningKey | None:
    if signing.ssh_key is None:
        return None
    if signing.ssh_key.resolve().is_relative_to(signing.evidence.resolve()):
        raise UsageProblem(
            f"--ssh-key {named(signing.ssh_key)} lies in the evidence folder, which is handed on", "keep it elsewhere"
        )
    return ssh.signing_key(signing.ssh_key)


def _refuse_signed(evidence: Path) -> None:
    signed = read_signoff(evidence)
    if signed is not None:
        raise UsageProblem(
            f"{named(evidence)} was signed by {signed.by} at {signed.at}",
            "see `verifier signoff --check`; to sign anew, check anew into another folder",
        )


def _judged(evidence: Path, now: datetime) -> ReportContext:
    """Return what the report says at this moment: an exception whose time is over no longer counts."""
    with Findings.open(evidence / FINDINGS_FILE) as findings:
        return build_context(evidence, findings, as_of=now)


def _refuse_obstacle(signing: Signing, context: ReportContext, relisted: Relisted | None) -> None:
    """Refuse what stands in the way where no reason was given, and a reason where nothing does.

    Raises:
        SignOffRefused: If something does.
        UsageProblem: If nothing does, and all was looked at.
    """
    obstacle = _obstacle(signing.evidence, context, relisted)
    if obstacle is not None and not signing.despite:
        raise obstacle
    if obstacle is None and signing.despite and (relisted is not None or not signing.recheck_old):
        raise UsageProblem("--despite gives a reason, and nothing stands in the way", "leave it out")


def _obstacle(evidence: Path, context: ReportContext, relisted: Relisted | None) -> VerifierError | None:
    kind = context.verdict.kind
    if kind not in TRUSTED:
        refused = SignOffRefused if kind is VerdictKind.NOT_TRUSTWORTHY else SignOffInconclusive
        return refused(
            f"not signed: {named(evidence)} is {HEADLINES[kind].lower()} ({context.verdict.reasons[0]})",
            'to sign all the same, say why with --despite "reason", which is then shown with it',
        )
    if relisted is not None and not relisted.unchanged:
        refused = SignOffRefused if relisted.changes else SignOffInconclusive
        what = "has changed since it was checked" if relisted.changes else "could not be listed again as a whole"
        return refused(
            f"not signed: the old side {what} ({relisted.differences})",
            'check again; or to sign all the same, say why with --despite "reason"',
        )
    return None


def _made(
    signing: Signing, context: ReportContext, now: datetime, relisted: Relisted | None, key: ssh.SigningKey | None
) -> SignOff:
    """Return the sign-off as the report shows it: all but the digests of files."""
    made = SignOff(
        verdict=context.verdict.kind,
        reasons=context.verdict.reasons,
        report_id=context.report_id,
        by=signing.by,
        role=signing.role,
        statement=signing.statement or statement_for(context),
        despite=signing.despite,
        at=now.isoformat(timespec="seconds"),
        host=shown(to_text(os.fsencode(socket.gethostname()))),
        tool=TOOL,
        key="" if key is None else key.fingerprint,
        fingerprints={side: context.sides[side].facts.get("fingerprint", "") for side in Side},
        rules=context.run["rules"]["digest"],
        exceptions=tuple(one.acceptance for one in context.accepted if one.holds),
        cautions=context.cautions,
        not_proved=NOT_PROVED,
        checklist=checklist(context, now, relisted),
        files={},
        checked=context.run["finished"],
    )
    if (wrong := made.wrong()) is not None:
        raise ManifestDamaged(f"{named(signing.evidence)} holds what nobody can sign: {wrong}", "check again")
    return made


def _put_in_place(
    made: SignOff, evidence: Path, staged: Path, key: ssh.SigningKey | None, on_said: Callable[[str], None]
) -> SignOff:
    """Write report, sign-off and signature aside, then put them where they belong."""
    (staged / LISTING_FILE).unlink(missing_ok=True)
    write_report(evidence, signing=made, into=staged)
    report = [name for name in REPORT_FILES if (staged / name).exists()]
    signed = replace(made, files=_digested(evidence, staged, report))
    with replacing(staged / SIGNOFF_FILE) as file:
        file.write(signed.to_json())
    if key is not None:
        ssh.sign(key, staged / SIGNOFF_FILE, on_said)
        put_in_place(staged, evidence, [SIGNATURE_FILE])
    try:
        put_in_place(staged, evidence, [SIGNOFF_FILE])
    except BaseException:
        if not (evidence / SIGNOFF_FILE).exists():
            (evidence / SIGNATURE_FILE).unlink(missing_ok=True)
        raise
    put_in_place(staged, evidence, report)
    return signed


def _digested(evidence: Path, staged: Path, report: Sequence[str]) -> dict[str, SignedFile]:
    files = held_files(evidence) | {name: staged / name for name in report}
    return {name: SignedFile.of(path) for name, path in files.items()}
