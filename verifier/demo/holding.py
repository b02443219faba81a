"""Holding what a check found against what was planted."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from verifier.classes import Class
from verifier.reconcile.findings import Findings
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from verifier.demo.expected import PlantedDifference

_Row = tuple[str, str, str, str]


def unlike(expected: Iterable[PlantedDifference], findings: Path) -> list[str]:
    """Return a line for every planted difference that was not found as planted, and for every finding too many.

    Args:
        expected: What was planted.
        findings: The findings file of the check.
    """
    with Findings.open(findings) as opened:
        found = Counter(
            _row(f.cls, f.cause, (f.old_path, f.new_path), f.fields if f.cls == Class.METADATA_ONLY else "", f.rule)
            for f in opened.stream()
        )
    planted = Counter(
        _row(p.cls.value, p.cause, (p.old_path, p.new_path), ";".join(p.fields), p.rule) for p in expected
    )
    return [
        *(f"planted, not found: {_line(row)}" for row in sorted((planted - found).elements())),
        *(f"found, not planted: {_line(row)}" for row in sorted((found - planted).elements())),
    ]


def _row(
    cls: str, cause: str | None, paths: tuple[str | None, str | None], fields: str | None, rule: str | None
) -> _Row:
    # A finding also names a rule whose guard did not hold; what was planted names only one that claims.
    said = (rule if cls == Class.CLUTTER else None) or (cause or fields or "")
    return cls, said, shown(paths[0] or ""), shown(paths[1] or "")


def _line(row: _Row) -> str:
    cls, said, old, new = row
    return f"{cls}{f' ({said})' if said else ''}: {old or '-'} -> {new or '-'}"
