"""What of an evidence folder is signed: every file in it but the sign-off itself and what a lock leaves."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING, Final

from verifier.errors import EvidenceUnwritable, UsageProblem
from verifier.evidence import (
    EXCEPTIONS_FILE,
    FINDINGS_FILE,
    LOCK_FILE,
    MANIFEST_FILES,
    REPORT_FILES,
    SIGNATURE_FILE,
    SIGNOFF_FILE,
    STAGING,
)
from verifier.manifest.database import named
from verifier.manifest.sample import SAMPLE_FILE
from verifier.tree.names import shown, to_text

if TYPE_CHECKING:
    from pathlib import Path

_OWN: Final = (SIGNOFF_FILE, SIGNATURE_FILE, LOCK_FILE, STAGING)
_DATABASES: Final = (*MANIFEST_FILES.values(), FINDINGS_FILE, EXCEPTIONS_FILE, SAMPLE_FILE)
_BESIDE: Final = ("-journal", "-wal", "-shm")
"""Endings of files that SQLite reads with a database (sqlite.org/tempfiles.html)."""
JOURNALS: Final = frozenset(f"{name}{end}" for name in _DATABASES for end in _BESIDE)
READ_TOO: Final = JOURNALS.union(_DATABASES, REPORT_FILES)
"""What changes what an evidence folder says, if it comes in later."""
# What `verifier.evidence.replacing` and a record of exceptions are made under.
_HALF_WRITTEN: Final = frozenset(f".{name}.part" for name in (*REPORT_FILES, EXCEPTIONS_FILE))


def held_files(evidence: Path) -> dict[str, Path]:
    """Return what lies in an evidence folder besides the sign-off, by its name as manifest text, in order."""
    found = {to_text(os.fsencode(item.name)): item for item in evidence.iterdir() if item.name not in _OWN}
    return {name: found[name] for name in sorted(found)}


def is_plain_file(path: Path) -> bool:
    """Tell whether a path is a file itself: reading what a link leads to says nothing about this folder."""
    return stat.S_ISREG(path.lstat().st_mode)


def make_ready(evidence: Path) -> None:
    """Remove what a signing or a report that was ended left; refuse what cannot be signed.

    Args:
        evidence: The folder, in which nobody signed; whoever calls holds it.

    Raises:
        UsageProblem: If it holds something that is no file, or a signature whose sign-off is gone.
        EvidenceUnwritable: If a database in it was left half written.
    """
    _remove_stray_signature(evidence)
    for name in _HALF_WRITTEN:
        (evidence / name).unlink(missing_ok=True)
    for name, path in held_files(evidence).items():
        if name in JOURNALS:
            raise EvidenceUnwritable(
                f"{named(path)} was left by a run that was ended, or another run writes there", "run that again"
            )
        if not is_plain_file(path):
            raise UsageProblem(f"the evidence holds {shown(name)}, which is not a file", "move it somewhere else")


def _remove_stray_signature(evidence: Path) -> None:
    """Remove a signature without a sign-off that a signing left which was ended between the two."""
    path = evidence / SIGNATURE_FILE
    if not path.exists():
        return
    if not (evidence / STAGING).exists():
        raise UsageProblem(
            f"{named(path)} is there, and {SIGNOFF_FILE} is not: somebody signed this",
            "find out who removed it, and why",
        )
    path.unlink()
