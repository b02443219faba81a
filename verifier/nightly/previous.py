"""What an earlier run left that tonight's can rest on: manifests to carry over from, and what was known by then."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verifier.classes import Side
from verifier.decisions.exceptions import Exceptions
from verifier.errors import VerifierError
from verifier.evidence import EXCEPTIONS_FILE, FINDINGS_FILE, MANIFEST_FILES
from verifier.ledger.places import RUNS
from verifier.ledger.record import Outcome
from verifier.manifest.database import named
from verifier.manifest.merge import ROOTS
from verifier.manifest.store import Manifest
from verifier.reconcile.decay import decayed_paths
from verifier.reconcile.findings import Findings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from verifier.ledger.ledger import Ledger
    from verifier.ledger.record import RunRecord


@dataclass(frozen=True, slots=True)
class Previous:
    """A finished run whose evidence is still there."""

    record: RunRecord
    evidence: Path

    @property
    def findings(self) -> Path:
        """Its findings."""
        return self.evidence / FINDINGS_FILE

    def manifest(self, side: Side) -> Path:
        """Return its manifest of a side, of all roots together."""
        return self.evidence / MANIFEST_FILES[side]

    def roots(self) -> Iterator[tuple[str, Path]]:
        """Yield each root that was scanned, as its manifest names it, with that manifest.

        Raises:
            VerifierError: If a manifest cannot be read.
        """
        for path in sorted(self.evidence.glob("*.manifest.sqlite")):
            with Manifest.open(path) as manifest:
                facts = manifest.facts()
            if not facts.get(ROOTS) and facts.get("complete") == "1":
                yield facts.get("root", ""), path

    def decayed(self) -> Mapping[Side, tuple[str, ...]]:
        """Return the files of each side that had decayed by then.

        Raises:
            VerifierError: If the findings cannot be read.
        """
        with Findings.open(self.findings) as findings:
            return {side: tuple(decayed_paths(findings.connection, side)) for side in Side}


def previous_runs(ledger: Ledger, folder: Path) -> Iterator[Previous]:
    """Yield finished runs whose evidence is still there, the last first."""
    for record in ledger.runs(newest_first=True):
        evidence = folder / record.evidence
        if record.outcome is Outcome.FINISHED and record.evidence and (evidence / FINDINGS_FILE).is_file():
            yield Previous(record, evidence)


def accepted_in(folder: Path) -> tuple[Path | None, str]:
    """Return the record with the latest decision of all that lie in the runs' evidence, and a warning.

    Whoever reads the mail late accepts in the evidence that it names, which need not be that of the last run any more.

    Args:
        folder: The job's evidence folder.
    """
    latest: tuple[str, int, Path] | None = None
    damaged = ""
    for path in sorted((folder / RUNS).glob(f"*/{EXCEPTIONS_FILE}")):
        try:
            with Exceptions.open(path) as store:
                known = store.all()
        except VerifierError as error:
            damaged = f"accepted: {named(path)} cannot be used: {error.what}"
            continue
        moments = [one.at for one in known] + [one.withdrawn.at for one in known if one.withdrawn is not None]
        found = (max(moments, default=""), len(known), path)
        # The same record is taken along from night to night: of equals the last run's.
        if latest is None or found[:2] >= latest[:2]:
            latest = found
    return (None if latest is None else latest[2]), damaged
