"""``differences.csv``: every finding but the identical ones, one row each, in the contract's form."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Final, TextIO

from verifier.report.context import time_text
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verifier.reconcile.findings import Finding, Findings

HEADER: Final = (
    "class",
    "cause",
    "severity",
    "old_path",
    "new_path",
    "old_size",
    "new_size",
    "old_mtime",
    "new_mtime",
    "fields",
    "rule",
    "group",
    "systematic",
)
_ACTIVE: Final = ("=", "+", "-", "@", "\t", "\r")


def write_table(findings: Findings, out: TextIO) -> None:
    """Write all findings as CSV (RFC 4180): UTF-8, CR LF, quoted where needed, header first.

    Args:
        findings: The findings.
        out: A text file opened with ``newline=""``.
    """
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEADER)
    systematic = findings.combinations()
    for finding in findings.stream():
        writer.writerow(_row(finding, systematic))


def _row(f: Finding, systematic: Mapping[str, str]) -> list[str]:
    return [
        f.cls,
        f.cause or "",
        f.severity,
        _path(f.old_path),
        _path(f.new_path),
        _number(f.old_size),
        _number(f.new_size),
        time_text(f.old_mtime_ns),
        time_text(f.new_mtime_ns),
        f.fields or "",
        f.rule or "",
        _path(f.group_path),
        systematic.get(f.marks, "") if f.marks else "",
    ]


def _path(path: str | None) -> str:
    """Return a path for a cell: nothing invisible in it, and nothing that a spreadsheet would run."""
    if path is None:
        return ""
    text = shown(path)
    # Tab and CR are escaped by `shown`; what begins with them begins with a backslash here.
    return f"'{text}" if text.startswith(_ACTIVE) else text


def _number(value: int | None) -> str:
    return "" if value is None else str(value)
