"""Checks of two sides that change from one to the next, and what is accepted in between."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from tests.reconcile.trees import with_parents, write_manifest
from verifier.check import CheckRequest, check
from verifier.decisions.covering import accept, cover
from verifier.decisions.exceptions import Wanted
from verifier.evidence import EXCEPTIONS_FILE, FINDINGS_FILE
from verifier.reconcile.findings import ACCEPTED, Findings
from verifier.report.context import build_context

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from verifier.classes import Class
    from verifier.decisions.covering import Choice, Covered
    from verifier.decisions.exceptions import Acceptance
    from verifier.reconcile.findings import Finding
    from verifier.report.context import ReportContext
    from verifier.tree.entry import Entry

NOON: Final = datetime(2026, 11, 21, 12, tzinfo=UTC)
"""When everything is decided unless a test says otherwise."""
DAY: Final = timedelta(days=1)
Paths = tuple[str | None, str | None]


class Checks:
    """Checks of one migration, one after the other, each with what was accepted in the one before."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self._done: list[Path] = []

    @property
    def evidence(self) -> Path:
        """The last check's folder."""
        return self._done[-1]

    @property
    def record(self) -> Path:
        """The last check's record."""
        return self.evidence / EXCEPTIONS_FILE

    def check(
        self,
        old: Iterable[Entry],
        new: Iterable[Entry],
        **request: Any,
    ) -> ReportContext:
        """Check both sides; takes along what was accepted in the check before, if there was anything.

        Args:
            old: Entries of the old side; folders above them are added.
            new: The same of the new side.
            request: Of the check's request.
        """
        number = len(self._done)
        sides = [self.base / f"{side}-{number}" for side in ("old", "new")]
        for path, entries in zip(sides, (old, new), strict=True):
            write_manifest(path, with_parents(entries))
        if self._done and self.record.exists():
            request = {"accepted": self.evidence, **request}
        self._done.append(self.base / f"proof-{number}")
        return check(CheckRequest(sides[0], sides[1], self.evidence, **request))

    def accept(self, pattern: str, cls: Class, **wanted: Any) -> tuple[Acceptance, Choice]:
        """Accept findings of the last check."""
        asked = Wanted(pattern, cls, **{"because": "known", "by": "A curator", "at": NOON, **wanted})
        with Findings.open(self.evidence / FINDINGS_FILE) as findings:
            cover(findings, self.evidence, asked.at)
            return accept(self.evidence, findings, asked)

    def covered(self) -> list[Paths]:
        """Return the paths of what is accepted in the last check."""
        return [(one.old_path, one.new_path) for one in self.findings(ACCEPTED)]

    def findings(self, where: str = "1") -> list[Finding]:
        """Return findings of the last check, with what is accepted marked."""
        with Findings.open(self.evidence / FINDINGS_FILE) as findings:
            cover(findings, self.evidence, NOON)
            return list(findings.stream(where))

    def exceptions(self, as_of: datetime = NOON) -> tuple[Covered, ...]:
        """Return what is on record, and what it covers in the last check."""
        with Findings.open(self.evidence / FINDINGS_FILE) as findings:
            return cover(findings, self.evidence, as_of)

    def context(self) -> ReportContext:
        """Return what a report of the last check would say."""
        with Findings.open(self.evidence / FINDINGS_FILE) as findings:
            return build_context(self.evidence, findings)
