"""Writing an evidence folder's report again. What was signed is put back as it was signed, or left alone."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from verifier.decisions.signoff import SignedFile, SignOff, read_signoff
from verifier.errors import UsageProblem
from verifier.evidence import FINDINGS_FILE, REPORT_FILES, held, put_in_place, staging
from verifier.manifest.database import named
from verifier.reconcile.findings import Findings
from verifier.report.write import write_report

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.report.context import ReportContext


def write_again(evidence: Path) -> ReportContext:
    """Write the readable files again from the evidence in a folder.

    Raises:
        NotAManifest: If there are no findings in it.
        UsageProblem: If it was signed and the report would come out otherwise; everything stays as it is.
        ManifestDamaged: If something in it is not what was written.
        EvidenceUnwritable: If a file cannot be written, or another run holds the folder.
    """
    Findings.open(evidence / FINDINGS_FILE).close()  # where there are none, nothing is made, not even a lock
    with held(evidence):
        signed = read_signoff(evidence)
        return write_report(evidence) if signed is None else _put_back(evidence, signed)


def _put_back(evidence: Path, signed: SignOff) -> ReportContext:
    names = [name for name in REPORT_FILES if name in signed.files]
    with staging(evidence) as staged:
        # Without the digests of files, as when it was signed: the report cannot show its own.
        context = write_report(evidence, signing=replace(signed, files={}), into=staged)
        for name in names:
            place = staged / name
            if not place.exists() or SignedFile.of(place) != signed.files[name]:
                raise UsageProblem(
                    f"{named(evidence)} is signed, and {name} would not come out as it was signed: the evidence was "
                    f"changed, or {signed.tool} wrote it",
                    f"see `verifier signoff --check {named(evidence)}`; nothing was changed now",
                )
        put_in_place(staged, evidence, names)
    return context
