"""Taking the record of accepted findings along from one check to the next."""

from __future__ import annotations

import shutil
from dataclasses import replace
from typing import TYPE_CHECKING

from verifier.decisions.exceptions import Exceptions
from verifier.errors import NotAManifest, UsageProblem
from verifier.evidence import EXCEPTIONS_FILE, made_aside
from verifier.manifest.database import named

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from verifier.decisions.exceptions import Acceptance


def record_in(given: Path) -> Path:
    """Return the record that a path means, itself or the one in an evidence folder; it is held against itself.

    Raises:
        NotAManifest: If there is none.
        ManifestTooNew: If a later version wrote it.
        ManifestDamaged: If it is not what was written.
    """
    path = given / EXCEPTIONS_FILE if given.is_dir() else given
    if given.is_dir() and not path.exists():
        raise NotAManifest(
            f"{named(given)} holds no accepted findings ({EXCEPTIONS_FILE})", "name the folder in which they are"
        )
    Exceptions.open(path).close()
    return path


def refuse_to_lose(evidence: Path, record: Path | None) -> None:
    """Refuse to put a record, or none, in the place of one that holds decisions which it does not.

    Args:
        evidence: The folder that may hold one already.
        record: What is to be put there; None for nothing.

    Raises:
        UsageProblem: If decisions of a person would be lost.
    """
    there = evidence / EXCEPTIONS_FILE
    if not there.exists() or (record is not None and record.resolve() == there.resolve()):
        return
    if record is None or not _holds(_all(record), _all(there)):
        lacks = "" if record is None else f", which {named(record)} does not hold"
        raise UsageProblem(
            f"{named(evidence)} holds findings that somebody accepted ({EXCEPTIONS_FILE}){lacks}",
            f"give --accepted {named(evidence)} to keep them, name another folder, or move that file away",
        )


def _all(record: Path) -> list[Acceptance]:
    with Exceptions.open(record) as store:
        return store.all()


def _holds(known: Sequence[Acceptance], others: Sequence[Acceptance]) -> bool:
    """Tell whether a record holds everything that another does; it may hold more, later withdrawals among it."""
    return len(known) >= len(others) and all(
        ours == theirs or (theirs.withdrawn is None and replace(ours, withdrawn=None) == theirs)
        for ours, theirs in zip(known, others, strict=False)
    )


def take_along(record: Path, evidence: Path) -> None:
    """Copy a record into an evidence folder; nobody meets half of it there.

    Raises:
        EvidenceUnwritable: If it cannot be written.
    """
    place = evidence / EXCEPTIONS_FILE
    if place.exists() and record.resolve() == place.resolve():
        return
    with made_aside(place) as unfinished:
        shutil.copyfile(record, unfinished)
