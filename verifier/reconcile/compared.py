"""Which metadata is compared, with what tolerance, and why the rest is not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from verifier.classes import Field, Side

if TYPE_CHECKING:
    from collections.abc import Mapping

MICROSECOND_NS: Final = 1000


@dataclass(frozen=True, slots=True)
class Comparison:
    """What both file systems can hold, and therefore what is compared."""

    fields: frozenset[Field]
    not_compared: tuple[tuple[str, str], ...]
    """What is left out, and why."""
    tolerance_ns: int
    """Largest difference of two mtimes that counts as none."""

    @classmethod
    def between(cls, old: Mapping[str, str], new: Mapping[str, str]) -> Comparison:
        """Derive the comparison from the facts of two manifests."""
        sides = ((Side.OLD, old), (Side.NEW, new))
        left_out = []
        for field, fact in ((Field.MODE, "modes"), (Field.OWNER, "owners"), (Field.GROUP, "owners")):
            made_up = [
                f"{side} ({facts.get('file_system', 'unknown')})" for side, facts in sides if facts.get(fact) == "0"
            ]
            if made_up:
                left_out.append((field.value, f"made up by the mount, not stored, on {' and '.join(made_up)}"))
        if any(facts.get("listing_only") == "1" for _, facts in sides):
            left_out.append((Field.XATTRS.value, "a side was listed only, and they are read with the content"))
        dropped = {name for name, _ in left_out}
        left_out += _ALWAYS
        return cls(
            frozenset(field for field in Field if field.value not in dropped),
            tuple(left_out),
            _tolerance(old, new),
        )


_ALWAYS: Final = [
    ("mtime of directories and links", "moves with every change inside, and most copies do not keep it"),
    ("ctime", "set by the system on any change, so it never agrees across machines"),
    ("atime", "moved by reading"),
    ("birth time", "cannot be set, so no copy keeps it"),
    ("mode of links", "has no effect, and systems differ in what they show"),
]


def _tolerance(old: Mapping[str, str], new: Mapping[str, str]) -> int:
    """Return the larger step of both sides; a 100 ns step is given 1 microsecond.

    Source of the rule: utimensat(2), times are cut to what the file system holds; Win32 documentation, File Times.
    """
    grain = max(int(facts.get("grain_ns") or 1) for facts in (old, new))
    if grain <= 1:
        return 0
    return max(grain, MICROSECOND_NS)
