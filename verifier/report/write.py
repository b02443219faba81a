"""Writing an evidence folder's readable files from its findings. A reader never meets half a file."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from verifier.evidence import FINDINGS_FILE, PAGE_FILE, SUMMARY_FILE, TABLE_FILE, TICKET_FILE, replacing
from verifier.reconcile.findings import Findings
from verifier.report.context import ReportContext, build_context
from verifier.report.machine import summary
from verifier.report.table import write_table

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.decisions.signoff import SignOff


def write_report(evidence: Path, signing: SignOff | None = None, into: Path | None = None) -> ReportContext:
    """Write report.html, summary.md, summary.json and differences.csv from the evidence in a folder.

    The same evidence gives the same bytes, whenever and wherever they are written.

    Args:
        evidence: A folder that holds ``findings.sqlite``; whoever calls holds it.
        signing: A sign-off that is being made, to be shown; None shows the folder's own.
        into: Where they are written; None writes them beside the evidence.

    Raises:
        NotAManifest: If there are no findings in it.
        ManifestDamaged: If something in it is not what was written.
        EvidenceUnwritable: If a file cannot be written.
    """
    from verifier.report.page import render_page  # noqa: PLC0415  the template engine takes 70 ms to import
    from verifier.report.ticket import ticket  # noqa: PLC0415  it imports a part of that

    into = into or evidence
    # The table takes as long as all the rest, most of it inside SQLite, which lets another thread run.
    with Findings.open(evidence / FINDINGS_FILE) as findings, ThreadPoolExecutor(1) as beside:
        table = beside.submit(_write_table, evidence / FINDINGS_FILE, into / TABLE_FILE)
        context = build_context(evidence, findings, signing)
        with replacing(into / SUMMARY_FILE) as file:
            text = json.dumps(summary(context), indent=2, ensure_ascii=False)
            # Half a surrogate pair, which only a tampered folder holds, is no UTF-8 and becomes JSON's own escape.
            file.write(text.encode(errors="backslashreplace").decode() + "\n")
        with replacing(into / TICKET_FILE) as file:
            file.write(ticket(context))
        with replacing(into / PAGE_FILE) as file:
            file.write(render_page(context, findings))
        table.result()
    return context


def _write_table(found: Path, place: Path) -> None:
    with Findings.open(found) as findings, replacing(place) as file:
        write_table(findings, file)
