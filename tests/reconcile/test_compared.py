"""What is compared between two file systems: the coarser clock counts, and what a mount made up is left out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reconcile.trees import SECOND_NS, T0_NS, file, reconciled
from verifier.classes import Cause, Class, Field
from verifier.reconcile.compared import Comparison
from verifier.tree.file_system import FILE_SYSTEMS, FileSystem

if TYPE_CHECKING:
    from collections.abc import Mapping

MICROSECOND_NS: Final = 1000
STEPS_NS: Final[dict[str, int]] = {
    "ext4": 1,  # Linux Documentation/filesystems/ext4/inodes.rst, with inodes larger than 128 bytes
    "xfs": 1,  # inode(7)
    "btrfs": 1,  # inode(7)
    "vfat": 2 * SECOND_NS,  # Win32 documentation, File Times: FAT write time has a resolution of 2 seconds
    "msdos": 2 * SECOND_NS,  # the same
    "exfat": 10_000_000,  # exFAT specification, 7.4.5 to 7.4.10: 2 s field plus an increment in units of 10 ms
    "ntfs": 100,  # Win32 documentation, File Times: 100-nanosecond intervals
    "ntfs3": 100,  # the same
    "cifs": 100,  # MS-FSCC 2.1.1: FILETIME, 100-nanosecond intervals
    "smb3": 100,  # the same
    "ext3": SECOND_NS,  # inode(7)
    "hfsplus": SECOND_NS,  # Apple Technical Note TN1150
    "iso9660": SECOND_NS,  # ECMA-119, 9.1.5
}
MADE_UP: Final = ("vfat", "exfat", "ntfs", "cifs", "smb3")
"""No owners and modes of their own: Win32 documentation, File System Functionality Comparison; mount.cifs(8)."""


def facts_of(name: str) -> dict[str, object]:
    """Return what a scan writes about a file system of a type."""
    held = FILE_SYSTEMS.get(name, FileSystem())
    return {"file_system": name, "grain_ns": held.grain_ns, "owners": held.owners, "modes": held.modes}


def comparison(old: Mapping[str, object], new: Mapping[str, object]) -> Comparison:
    """Compare two sides of these facts, as a manifest stores them."""
    ours, theirs = (
        {key: str(int(v)) if isinstance(v, bool) else str(v) for key, v in side.items()} for side in (old, new)
    )
    return Comparison.between(ours, theirs)


@pytest.mark.parametrize(("name", "step_ns"), STEPS_NS.items())
def test_a_file_system_has_the_step_that_its_document_gives(name: str, step_ns: int) -> None:
    """The table of file systems agrees with the published steps."""
    assert facts_of(name)["grain_ns"] == step_ns


@pytest.mark.parametrize("old", STEPS_NS)
@pytest.mark.parametrize("new", STEPS_NS)
def test_the_coarser_clock_of_a_pair_is_the_tolerance(old: str, new: str) -> None:
    """The larger of both steps counts; a 100 ns step is given 1 microsecond; two nanosecond systems get none.

    Source: utimensat(2), times are cut to what the file system holds.
    """
    larger = max(STEPS_NS[old], STEPS_NS[new])
    expected = 0 if larger == 1 else max(larger, MICROSECOND_NS)
    assert comparison(facts_of(old), facts_of(new)).tolerance_ns == expected


@pytest.mark.parametrize(
    ("old", "new", "largest_ns"),
    [
        ("ext4", "ext4", 0),
        ("ext4", "vfat", 2 * SECOND_NS),
        ("vfat", "ext4", 2 * SECOND_NS),
        ("ext4", "exfat", 10_000_000),
        ("ntfs", "ext4", MICROSECOND_NS),
        ("cifs", "cifs", MICROSECOND_NS),
        ("ext3", "xfs", SECOND_NS),
        ("hfsplus", "vfat", 2 * SECOND_NS),
    ],
)
def test_times_within_the_step_agree_and_beyond_it_differ(old: str, new: str, largest_ns: int) -> None:
    """At the tolerance two times are one, a nanosecond further they are not, in either direction."""
    for sign in (1, -1):
        for beyond, cls in ((0, None), (1, Class.METADATA_ONLY)):
            late = file("a", mtime_ns=T0_NS + sign * (largest_ns + beyond))
            outcome = reconciled([file("a")], [late], old_facts=facts_of(old), new_facts=facts_of(new))
            assert [found.cls for found in outcome.findings] == ([] if cls is None else [cls])


def test_a_silent_change_is_silent_within_the_step() -> None:
    """Same time means the same within what both file systems can hold."""
    sides: dict[str, Any] = {"old_facts": facts_of("ext4"), "new_facts": facts_of("vfat")}
    late = file("a", b"2", mtime_ns=T0_NS + 2 * SECOND_NS)
    assert reconciled([file("a", b"1")], [late], **sides).at("a").cause == Cause.SILENT
    later = late._replace(mtime_ns=late.mtime_ns + 1)
    assert reconciled([file("a", b"1")], [later], **sides).at("a").cause == Cause.NEWER


@pytest.mark.parametrize("name", MADE_UP)
@pytest.mark.parametrize("other_side", [False, True])
def test_owners_and_modes_that_a_mount_made_up_are_not_compared(name: str, other_side: bool) -> None:
    """What one side cannot hold is no difference, and the report says why it was left out."""
    facts = [facts_of(name), facts_of("ext4")]
    if other_side:
        facts.reverse()
    old = file("a")
    new = old._replace(mode=0o777, uid=65534, gid=65534)
    outcome = reconciled([old], [new], old_facts=facts[0], new_facts=facts[1])
    assert outcome.findings == ()
    assert not {Field.MODE, Field.OWNER, Field.GROUP} & outcome.comparison.fields
    assert Field.MTIME in outcome.comparison.fields
    told = dict(outcome.comparison.not_compared)
    side = "new" if other_side else "old"
    for field in (Field.MODE, Field.OWNER, Field.GROUP):
        assert told[field] == f"made up by the mount, not stored on {side} ({name})"


def test_both_sides_are_named_where_both_made_it_up() -> None:
    """The reason names every side it holds for."""
    told = dict(comparison(facts_of("vfat"), facts_of("cifs")).not_compared)
    assert told[Field.MODE] == "made up by the mount, not stored on old (vfat) and new (cifs)"


def test_two_linux_file_systems_are_compared_in_every_field() -> None:
    """Nothing is left out without a reason, and what can never be compared is always said."""
    whole = comparison(facts_of("ext4"), facts_of("xfs"))
    assert whole.fields == set(Field) - {Field.DIRECTORY_MTIME}
    told = dict(whole.not_compared)
    assert {"ctime", "atime", "birth time", "directory-mtime", "mtime of links", "mode of links"} <= set(told)
    assert all(told.values())


def test_attributes_are_not_compared_where_a_side_was_only_listed() -> None:
    """Extended attributes of files are read with the content."""
    listed = {**facts_of("ext4"), "listing_only": True}
    both = comparison(listed, facts_of("ext4"))
    assert Field.XATTRS not in both.fields
    assert Field.XATTRS in dict(both.not_compared)


@given(st.sampled_from(sorted(FILE_SYSTEMS)), st.sampled_from(sorted(FILE_SYSTEMS)))
def test_a_comparison_is_the_same_seen_from_either_side(old: str, new: str) -> None:
    """Which side is old changes the words, not what is compared."""
    forth, back = comparison(facts_of(old), facts_of(new)), comparison(facts_of(new), facts_of(old))
    assert (forth.fields, forth.tolerance_ns) == (back.fields, back.tolerance_ns)
    assert [name for name, _ in forth.not_compared] == [name for name, _ in back.not_compared]


def test_every_field_is_compared_or_left_out_with_a_reason() -> None:
    """For each pair of file systems each field is in exactly one of both lists."""
    for old in FILE_SYSTEMS:
        for new in FILE_SYSTEMS:
            one = comparison(facts_of(old), facts_of(new))
            told = dict(one.not_compared)
            for field in Field:
                assert (field in one.fields) != (field.value in told)
