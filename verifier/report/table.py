"""``differences.csv``: every finding but the identical ones, one row each, in the contract's form."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Any, Final, TextIO

from verifier.report.amounts import time_text
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verifier.reconcile.findings import Findings

_COLUMNS: Final = {
    "class": "class",
    "cause": "cause",
    "severity": "severity",
    "old_path": "old_path",
    "new_path": "new_path",
    "old_size": "old_size",
    "new_size": "new_size",
    "old_mtime": "old_mtime_ns",
    "new_mtime": "new_mtime_ns",
    "fields": "fields",
    "rule": "rule",
    "group": "group_path",
    "systematic": "marks",
}
"""The table's columns, and of each the finding's column that it is told from."""
HEADER: Final = tuple(_COLUMNS)
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
    for batch in findings.ordered(*_COLUMNS.values()):
        writer.writerows([_cells(row, systematic) for row in batch])


def _cells(row: tuple[Any, ...], systematic: Mapping[str, str]) -> tuple[str, ...]:
    """Return what stands in a row's cells; most findings have one path and one time, and it is written out once."""
    cls, cause, severity, old, new, old_size, new_size, old_ns, new_ns, fields, rule, group, marks = row
    old_path, old_mtime = _path(old), time_text(old_ns)
    return (
        cls,
        cause or "",
        severity,
        old_path,
        old_path if new == old else _path(new),
        _number(old_size),
        _number(new_size),
        old_mtime,
        old_mtime if new_ns == old_ns else time_text(new_ns),
        fields or "",
        rule or "",
        _path(group),
        systematic.get(marks, "") if marks else "",
    )


def _path(path: str | None) -> str:
    """Return a path for a cell: nothing invisible in it, and nothing that a spreadsheet would run."""
    if not path:
        return ""
    text = shown(path)
    # Tab and CR are escaped by `shown`; what begins with them begins with a backslash here.
    return f"'{text}" if text.startswith(_ACTIVE) else text


def _number(value: int | None) -> str:
    return "" if value is None else str(value)
