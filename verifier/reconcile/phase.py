"""What a difference weighs in each phase of a migration, where no rule file says otherwise.

Common practice, no source: each line says why.
"""

from __future__ import annotations

from typing import Final

from verifier.classes import Cause, Class, Phase, Severity, Side

MEANINGS: Final[dict[Phase, str]] = {
    Phase.COPYING: "the old side is worked on and the new one is being filled: what is not there yet is still to be "
    "copied, and nothing is trusted before the end",
    Phase.FROZEN: "the old side must not change any more, and the new one must equal it",
    Phase.LIVE: "people work on the new side; the old one is the reference for what they have not touched since",
    Phase.RETIRED: "the old side is gone; the new one is held against its own last manifest",
}
"""What each phase means, after its name."""

WORKED_ON: Final = (Phase.LIVE, Phase.RETIRED)
"""Phases in which people change the new side."""

_COPYING: Final[dict[Class, Severity]] = {
    # It comes with the next pass of the copy; whether it did is asked again when the old side is frozen.
    Class.MISSING: Severity.NOTE,
    Class.CONTENT_CHANGED: Severity.NOTE,
    Class.KIND_CHANGED: Severity.NOTE,
    # Files that are being written while they are read are what a running copy looks like.
    Class.UNSETTLED: Severity.NOTE,
    Class.UNPROVEN: Severity.NOTE,
}
_NEVER_IN_FLIGHT: Final = (Cause.SILENT, Cause.NOT_REPEATED)
"""Causes of changed content that no unfinished copy has: a copy sets the time of a file when it has all its bytes."""


def usual_severity(phase: Phase | None, cls: Class, cause: Cause | None, drift_side: Side | None) -> Severity | None:
    """Return what a class weighs in a phase; None where that is what it always weighs."""
    if phase is None:
        return None
    if phase is Phase.COPYING:
        return None if cause in _NEVER_IN_FLIGHT else _COPYING.get(cls)
    if cls is Class.DRIFT and drift_side is Side.OLD:
        # Somebody works on the wrong server, and what he saves there is lost when it is wiped.
        return Severity.BLOCKER
    if phase is Phase.FROZEN and cls is Class.EXTRA:
        # Nobody should have written there yet.
        return Severity.ATTENTION
    return None
