"""A second look at a pair of files, as plain data: what was recorded of both, and what was seen of them.

Here, so that whoever judges what was seen need not know who looked.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Self

from verifier.tree.damage import ZERO_RUN_BYTES
from verifier.tree.digests import Algorithm

if TYPE_CHECKING:
    from verifier.classes import Side
    from verifier.tree.comparison import Relation
    from verifier.tree.damage import Damage
    from verifier.tree.entry import Entry


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a scan recorded of one side's file."""

    root: str
    """Which root it lies under: a label that the one who looks knows."""
    path: str
    """Its manifest text, relative to that root."""
    size: int
    """Bytes."""
    mtime_ns: int
    digest: bytes | None = None
    """Under the request's algorithm."""
    segments: bytes | None = None
    """XXH3-128 of each segment of a larger file, one after the other."""

    @classmethod
    def of(cls, root: str, entry: Entry) -> Self:
        """Return what an entry records."""
        return cls(root, entry.path, entry.size, entry.mtime_ns, entry.digest, entry.segments)


@dataclass(frozen=True, slots=True)
class Request:
    """Two files to look at once more, whose recorded contents differ."""

    old: Recorded
    new: Recorded
    algorithm: Algorithm = Algorithm.BLAKE3
    early_stop: bool = False
    """End with the first block that differs, where what comes later says nothing."""
    zero_run: int = ZERO_RUN_BYTES
    """From how many zeros on a run of them is a long one."""


class SightOutcome(StrEnum):
    """What a second look came to."""

    CONFIRMED = "confirmed"
    """They differ, now as before."""
    NOT_REPEATED = "not repeated"
    """Both read equal now, though what was recorded differs."""
    CHANGED_SINCE = "changed since"
    """A file is not what was scanned: another size or time, gone, no file any more, or in motion while it was read."""
    UNREADABLE = "unreadable"
    """A file could not be read now."""
    NO_ANSWER = "no answer"
    """Reading hung, or was not tried any more after others had hung."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What was seen of a pair."""

    outcome: SightOutcome
    side: Side | None = None
    """Whose file kept it from being compared; None where both were, and where it is not known."""
    error: str = ""
    """Why it could not be compared."""
    relation: Relation | None = None
    """What the contents are to each other, where they were compared."""
    damage: Damage | None = None
    """Where they differ, if they do."""
    unsteady: tuple[Side, ...] = ()
    """Sides whose bytes now are not those that were recorded, though size and time are: a reading that did not repeat.
    Suspect memory, cable, controller."""
    cold: bool = False
    """Whether both files' pages were dropped from this host's memory before they were read, and were gone."""
