"""Which metadata is compared, with what tolerance, and why the rest is not.

Only what both file systems hold can be compared. The facts come from the manifests; a fact that is not there counts as
held. The user may overrule both ways.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from verifier.classes import Field, Side
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

MICROSECOND_NS: Final = 1000
MOST_DIGITS: Final = 16
"""Of a step of times, which no file system has longer than seconds."""
SPARSE_BYTES: Final = 1024 * 1024
"""So much of a file has to lie in holes before its side counts as sparse; common practice, no source."""
ATTRIBUTES: Final = frozenset({Field.ACL, Field.XATTRS, Field.STREAMS})
"""Fields that a manifest keeps in one column."""
_NTFS: Final = frozenset({"ntfs", "ntfs3", "fuseblk", "ufsd"})
"""Types whose users' attributes are alternate streams, where they are shown at all: ntfs-3g(8), streams_interface."""
_NEEDS: Final[dict[Field, tuple[str, str]]] = {
    Field.MODE: ("modes", "made up by the mount, not stored"),
    Field.OWNER: ("owners", "made up by the mount, not stored"),
    Field.GROUP: ("owners", "made up by the mount, not stored"),
    Field.ACL: ("acls", "not held"),
    Field.XATTRS: ("xattrs", "not held"),
    Field.STREAMS: ("xattrs", "not held, or not shown"),
}
"""What a side's facts must not deny, and what it means where they do."""
_ALWAYS: Final = (
    ("mtime of links", "most copies do not keep it"),
    ("ctime", "set by the system on any change, so it never agrees across machines"),
    ("atime", "moved by reading"),
    ("birth time", "cannot be set, so no copy keeps it"),
    ("mode of links", "has no effect, and systems differ in what they show"),
)
_ON_REQUEST: Final = {
    Field.DIRECTORY_MTIME: "moves with every change inside, so differences are counted and not judged",
}


@dataclass(frozen=True, slots=True)
class Names:
    """What each side calls its owners, or its groups: number to name."""

    old: Mapping[int, str] = field(default_factory=dict)
    new: Mapping[int, str] = field(default_factory=dict)
    renamed: frozenset[int] = field(init=False)
    """Numbers that stand for one name on the old side and for another on the new."""

    def __post_init__(self) -> None:
        renamed = frozenset(number for number, name in self.old.items() if self.new.get(number, name) != name)
        object.__setattr__(self, "renamed", renamed)

    def told(self, old: int, new: int) -> str:
        """Say two numbers with the names they have, as far as they are known."""
        return f"{_with_name(old, self.old)}, new {_with_name(new, self.new)}"


def _with_name(number: int, names: Mapping[int, str]) -> str:
    return f"{number} {names[number]}" if number in names else str(number)


@dataclass(frozen=True, slots=True)
class Comparison:
    """What both file systems can hold, and therefore what is compared."""

    fields: frozenset[Field]
    not_compared: tuple[tuple[str, str], ...]
    """What is left out, and why."""
    tolerance_ns: int
    """Largest difference of two mtimes that counts as none."""
    owners: Names = field(default_factory=Names)
    groups: Names = field(default_factory=Names)
    counts_folder_times: bool = True
    """Whether folders that differ in nothing but their time are counted."""
    streams: bool = False
    """Whether every attribute of a user is an alternate stream, because it is one on a side."""

    @classmethod
    def between(
        cls,
        old: Mapping[str, str],
        new: Mapping[str, str],
        compare: Collection[Field] = (),
        ignore: Collection[Field] = (),
        tolerance_ns: int = 0,
    ) -> Comparison:
        """Derive the comparison from the facts of two manifests.

        Args:
            old: Facts of the old side's manifest.
            new: Facts of the new side's.
            compare: Fields to compare whatever the facts say.
            ignore: Fields to leave out.
            tolerance_ns: What two mtimes may differ by, if it is more than the coarser clock's step.
        """
        sides = {Side.OLD: old, Side.NEW: new}
        left_out = {one: why for one in Field if (why := _why_not(one, sides)) and one not in compare}
        left_out |= dict.fromkeys(ignore, "left out by --ignore")
        told = [(one.value, left_out[one]) for one in Field if one in left_out]
        return cls(
            frozenset(Field) - frozenset(left_out),
            (*told, *_ALWAYS),
            max(_coarser_step(old, new), tolerance_ns),
            Names(*(names_by_number(facts.get("owner_names")) for facts in (old, new))),
            Names(*(names_by_number(facts.get("group_names")) for facts in (old, new))),
            Field.DIRECTORY_MTIME not in ignore,
            any(
                facts.get("streams") == "xattr" and facts.get("file_system", "").lower() in _NTFS
                for facts in sides.values()
            ),
        )


def _why_not(one: Field, sides: Mapping[Side, Mapping[str, str]]) -> str:
    """Return why a field is not compared by default; the empty text where it is."""
    if one in _ON_REQUEST:
        return _ON_REQUEST[one]
    if one in _NEEDS:
        fact, meaning = _NEEDS[one]
        if lacking := _sides_with(sides, fact, "0"):
            return f"{meaning} on {lacking}"
    if one in ATTRIBUTES and any(facts.get("listing_only") == "1" for facts in sides.values()):
        return "a side was listed only, and they are read with the content"
    if one is Field.HARD_LINKS:
        if lacking := _sides_with(sides, "hard_links", "0"):
            return f"not held on {lacking}"
        if lacking := _sides_with(sides, "inodes", "0"):
            return f"cannot be seen on {lacking}, whose inode numbers are not relied on"
    # FAT and exFAT hold neither: Win32 documentation, File System Functionality Comparison.
    if one is Field.SPARSE and (lacking := _sides_with(sides, "hard_links", "0")):
        return f"not held on {lacking}"
    if one is Field.SPARSE and (lacking := _sides_with(sides, "compresses", "1")):
        return f"the space taken says nothing about holes on {lacking}, which compresses"
    return ""


def _sides_with(sides: Mapping[Side, Mapping[str, str]], fact: str, value: str) -> str:
    found = [f"{side} ({facts.get('file_system', 'unknown')})" for side, facts in sides.items()
             if facts.get(fact) == value]  # fmt: skip
    return " and ".join(found)


def names_by_number(text: str | None) -> dict[int, str]:
    """Read number to name, as a manifest keeps them; what does not look like it is left out."""
    try:
        found = json.loads(text or "{}")
        return {int(number): _shown(str(name)) for number, name in found.items()}
    except (ValueError, AttributeError, RecursionError):
        return {}


def _shown(name: str) -> str:
    """Return a name that may come from anybody as it may be shown and stored."""
    return shown(name.encode(errors="backslashreplace").decode())


def _coarser_step(old: Mapping[str, str], new: Mapping[str, str]) -> int:
    """Return the larger step of both sides; a 100 ns step is given 1 microsecond.

    Source of the rule: utimensat(2), times are cut to what the file system holds; Win32 documentation, File Times.
    """
    steps = (facts.get("grain_ns") or "" for facts in (old, new))
    grain = max(int(step) if step.isdecimal() and len(step) < MOST_DIGITS else 1 for step in steps)
    if grain <= 1:
        return 0
    return max(grain, MICROSECOND_NS)
