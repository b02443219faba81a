"""The closed sets that users and other programs rely on: classes, causes, severities, fields, verdicts.

Their texts are part of the contract: additions are fine, a change of meaning is a new version.
"""

from __future__ import annotations

from enum import StrEnum


class Class(StrEnum):
    """What one entry's comparison came to. Every entry of either side ends in exactly one."""

    IDENTICAL = "identical"
    CLUTTER = "clutter"
    MISSING = "missing"
    CONTENT_CHANGED = "content-changed"
    KIND_CHANGED = "kind-changed"
    UNREADABLE = "unreadable"
    UNSETTLED = "unsettled"
    UNPROVEN = "unproven"
    NAME_ALTERED = "name-altered"
    RELOCATED = "relocated"
    METADATA_ONLY = "metadata-only"
    EXTRA = "extra"
    DRIFT = "drift"


class Cause(StrEnum):
    """Why content differs, in the order in which the question is asked; the first that holds is kept."""

    EMPTY = "empty"
    TRUNCATED = "truncated"
    ZERO_FILLED = "zero-filled"
    SILENT = "silent"
    STALE = "stale"
    NEWER = "newer"
    OTHER = "other"
    NOT_REPEATED = "not-repeated"
    """The digests differ, and a second reading of both files showed no difference. Its weight is inconclusive."""


class Severity(StrEnum):
    """How much a finding weighs, heaviest first."""

    BLOCKER = "blocker"
    INCONCLUSIVE = "inconclusive"
    ATTENTION = "attention"
    NOTE = "note"
    NONE = "none"


class Field(StrEnum):
    """A metadata field that can be compared, in the order in which differences are told."""

    MTIME = "mtime"
    DIRECTORY_MTIME = "directory-mtime"
    MODE = "mode"
    OWNER = "owner"
    GROUP = "group"
    ACL = "acl"
    XATTRS = "xattrs"
    STREAMS = "streams"
    HARD_LINKS = "hard-links"
    SPARSE = "sparse"


class Side(StrEnum):
    """The two sides of a migration, everywhere by these names."""

    OLD = "old"
    NEW = "new"


class VerdictKind(StrEnum):
    """The answer to: can this copy be trusted?"""

    TRUSTWORTHY = "trustworthy"
    WITH_EXCEPTIONS = "trustworthy-with-exceptions"
    NOT_TRUSTWORTHY = "not-trustworthy"
    INCONCLUSIVE = "inconclusive"


class Phase(StrEnum):
    """How far a migration is. The same difference means another thing in each (`verifier.reconcile.phase`)."""

    COPYING = "copying"
    """The old side is worked on, the new one is being filled."""
    FROZEN = "frozen"
    """The old side must not change any more, and the new one must equal it."""
    LIVE = "live"
    """People work on the new side; the old one is the reference for what they have not touched since."""
    RETIRED = "retired"
    """The old side is gone; the new one is held against its own last manifest."""


STANDS_IN_THE_WAY: tuple[Severity, ...] = (Severity.BLOCKER, Severity.INCONCLUSIVE)
"""Severities with which no copy is trusted."""

TRUSTED: tuple[VerdictKind, ...] = (VerdictKind.TRUSTWORTHY, VerdictKind.WITH_EXCEPTIONS)
"""Verdicts under which a copy can be relied on."""

DEFAULT_SEVERITY: dict[Class, Severity] = {
    Class.IDENTICAL: Severity.NONE,
    Class.CLUTTER: Severity.NOTE,
    Class.MISSING: Severity.BLOCKER,
    Class.CONTENT_CHANGED: Severity.BLOCKER,
    Class.KIND_CHANGED: Severity.BLOCKER,
    Class.UNREADABLE: Severity.INCONCLUSIVE,
    Class.UNSETTLED: Severity.INCONCLUSIVE,
    Class.UNPROVEN: Severity.INCONCLUSIVE,
    Class.NAME_ALTERED: Severity.ATTENTION,
    Class.RELOCATED: Severity.NOTE,
    Class.METADATA_ONLY: Severity.NOTE,
    Class.EXTRA: Severity.NOTE,
    Class.DRIFT: Severity.NOTE,
}
"""The policy where no rule file changes it."""

DEFAULT_FIELD_SEVERITY: dict[Field, Severity] = {Field.ACL: Severity.ATTENTION, Field.STREAMS: Severity.ATTENTION}
"""Fields that weigh more than other metadata where no rule file says otherwise: what is lost with them was somebody's
data or protection."""

EXIT_CODES: dict[VerdictKind, int] = {
    VerdictKind.TRUSTWORTHY: 0,
    VerdictKind.WITH_EXCEPTIONS: 0,
    VerdictKind.NOT_TRUSTWORTHY: 1,
    VerdictKind.INCONCLUSIVE: 3,
}
"""The process's exit code for each verdict."""
