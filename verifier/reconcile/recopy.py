"""What has to be copied again from the old side: missing, damaged, or changed there after it was frozen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.errors import ManifestDamaged
from verifier.manifest.database import named
from verifier.reconcile.findings import ACCEPTED
from verifier.tree.entry import Kind
from verifier.tree.names import inside, parts_of, shown, to_bytes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verifier.reconcile.findings import Findings

_NEWER: Final = "(\"class\" = 'content-changed' AND cause = 'newer')"
DECAYED_ON_OLD: Final = "old_path IN (SELECT path FROM decays WHERE side = 'old' AND now IS NOT NULL)"
"""SQL, true for findings whose file decayed on the old side: it would be copied over the only good one."""
_LACKING: Final = f"""
(old_path IS NOT NULL AND (
    "class" IN ('missing', 'kind-changed') OR drift_side = 'old'
    OR ("class" = 'content-changed' AND cause <> 'not-repeated' AND NOT {_NEWER} AND NOT {DECAYED_ON_OLD})
))
"""
TO_COPY: Final = f"({_LACKING} AND NOT {ACCEPTED})"
"""SQL, true for findings whose entry of the old side has to be copied again.

Not what is newer on the new side, which would be lost, nor what decayed on the old one, nor what differed once and not
again, which is to be read again, nor what somebody accepted.
"""
NEWER: Final = f"(old_path IS NOT NULL AND {_NEWER} AND NOT {ACCEPTED})"
"""The same for what is the later version on the new side."""
ACCEPTED_AS_IT_IS: Final = f"({_LACKING} AND {ACCEPTED})"
"""The same for what would have to be copied if nobody had accepted that it is not."""


def to_recopy(findings: Findings, *, newer: bool = False) -> Iterator[bytes]:
    """Yield what has to be copied again, relative to the old side's root, in path order.

    A folder is given only where nothing in it is: copying a file makes the folders above it. Each path begins with
    ``./``, so that none is taken for an option.

    Args:
        findings: Of a finished check, with what is accepted marked.
        newer: Also what is the later version on the new side.

    Raises:
        ManifestDamaged: If a path is none that a scan writes: who copies by such a list could be led out of the tree.
    """
    where = f"({TO_COPY} OR {NEWER})" if newer else TO_COPY
    for found in findings.stream(where):
        path = found.old_path or ""
        _refuse_forged(findings, path)
        within = "coalesce(old_path, '') > ? AND coalesce(old_path, '') < ?"
        if found.old_kind != Kind.DIRECTORY or not findings.any(f"{within} AND {where}", inside(path)):
            yield b"./" + to_bytes(path)


def _refuse_forged(findings: Findings, path: str) -> None:
    try:
        parts_of(path)
    except ValueError as error:
        raise ManifestDamaged(
            f"{named(findings.path)} holds a path that no scan wrote ({shown(path)})", "check again from the trees"
        ) from error
