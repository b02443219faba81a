"""Writing an evidence folder's readable files from its findings. A reader never meets half a file."""

from __future__ import annotations

import json
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from verifier.errors import EvidenceUnwritable
from verifier.manifest.database import named
from verifier.reconcile.findings import Findings
from verifier.report.context import FINDINGS_FILE, ReportContext, build_context
from verifier.report.machine import summary
from verifier.report.table import write_table

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import TextIO

PAGE_FILE: Final = "report.html"
SUMMARY_FILE: Final = "summary.json"
TABLE_FILE: Final = "differences.csv"


def write_report(evidence: Path) -> ReportContext:
    """Write report.html, summary.json and differences.csv from the findings in the same folder.

    The same findings give the same bytes, whenever and wherever they are written.

    Args:
        evidence: A folder that holds ``findings.sqlite``.

    Raises:
        NotAManifest: If there are no findings in it.
        EvidenceUnwritable: If a file cannot be written.
    """
    from verifier.report.page import render_page  # noqa: PLC0415  the template engine takes 70 ms to import

    with Findings.open(evidence / FINDINGS_FILE) as findings:
        context = build_context(evidence, findings)
        with replacing(evidence / TABLE_FILE) as file:
            write_table(findings, file)
        with replacing(evidence / SUMMARY_FILE) as file:
            json.dump(summary(context), file, indent=2, ensure_ascii=False)
            file.write("\n")
        with replacing(evidence / PAGE_FILE) as file:
            file.write(render_page(context, findings))
    return context


@contextmanager
def replacing(path: Path) -> Iterator[TextIO]:
    """Write a text file under a temporary name and put it in place when it is whole and on the disk.

    Raises:
        EvidenceUnwritable: If it cannot be written; what was there before stays.
    """
    temporary = path.with_name(f".{path.name}.part")
    try:
        with temporary.open("w", encoding="utf-8", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as error:
        hint = "free some space there, or put the evidence elsewhere"
        raise EvidenceUnwritable(f"{named(path)} cannot be written ({error.strerror})", hint) from error
    finally:
        temporary.unlink(missing_ok=True)
