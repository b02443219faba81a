"""What is compared between two file systems: the coarser clock counts, and what a mount made up is left out."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reconcile.trees import SECOND_NS, T0_NS, file, reconciled
from verifier.classes import Cause, Class, Field
from verifier.errors import UsageProblem, VerifierError
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


# ---- What is left out, and what the user says about it

DENIED: Final[tuple[tuple[Field, dict[str, object], str], ...]] = (
    (Field.MODE, {"modes": False}, "made up by the mount, not stored on new (odd)"),
    (Field.OWNER, {"owners": False}, "made up by the mount, not stored on new (odd)"),
    (Field.GROUP, {"owners": False}, "made up by the mount, not stored on new (odd)"),
    (Field.ACL, {"acls": False}, "not held on new (odd)"),
    (Field.XATTRS, {"xattrs": False}, "not held on new (odd)"),
    (Field.STREAMS, {"xattrs": False}, "not held, or not shown on new (odd)"),
    (Field.HARD_LINKS, {"hard_links": False}, "not held on new (odd)"),
    (Field.HARD_LINKS, {"inodes": False}, "cannot be seen on new (odd), whose inode numbers are not relied on"),
    (Field.SPARSE, {"compresses": True}, "the space taken says nothing about holes on new (odd), which compresses"),
)
DIFFERENT: Final[dict[Field, dict[str, Any]]] = {
    Field.MTIME: {"mtime_ns": T0_NS + 1},
    Field.MODE: {"mode": 0o600},
    Field.OWNER: {"uid": 7},
    Field.GROUP: {"gid": 7},
    Field.ACL: {"xattrs": '{"system.posix_acl_access": "user::r--"}'},
    Field.XATTRS: {"xattrs": '{"user.a": "1"}'},
    Field.STREAMS: {"xattrs": '{"user.DosStream.a:$DATA": "1"}'},
    Field.SPARSE: {"allocated": 0},
}
"""What makes a file differ in one field only."""


def differing(field: Field, **given_: Any) -> list[str | None]:
    """Return the fields of the findings about a file that differs in one field."""
    old = file("a", size=2**22, allocated=2**22, xattrs="{}")
    return [found.fields for found in reconciled([old], [old._replace(**DIFFERENT[field])], **given_).findings]


@pytest.mark.parametrize(("field", "facts", "why"), DENIED, ids=[f"{one} {facts}" for one, facts, _ in DENIED])
def test_what_a_side_does_not_hold_is_left_out_unless_it_is_asked_for(
    field: Field, facts: dict[str, object], why: str
) -> None:
    """A fact that denies a field takes it out, with the reason; --compare takes it in again, and the reason goes."""
    theirs = {"file_system": "odd"} | {key: str(int(bool(value))) for key, value in facts.items()}
    left_out = Comparison.between({}, theirs)
    assert field not in left_out.fields
    assert dict(left_out.not_compared)[field] == why
    asked = Comparison.between({}, theirs, compare={field})
    assert field in asked.fields
    assert field not in dict(asked.not_compared)
    if field in DIFFERENT:
        assert differing(field, new_facts=facts) == []
        assert differing(field, new_facts=facts, compare=frozenset({field})) == [field]


@pytest.mark.parametrize("field", DIFFERENT)
def test_a_field_that_is_to_be_ignored_makes_no_finding(field: Field) -> None:
    """What differs in it alone is identical, and the reason says who left it out."""
    assert differing(field) == [field]
    assert differing(field, ignore=frozenset({field})) == []
    told = Comparison.between({}, {}, ignore={field}).not_compared
    assert dict(told)[field] == "left out by --ignore"


def test_ignoring_one_of_two_keeps_the_other() -> None:
    """A finding lists what is compared, and nothing that is left out."""
    old = file("a")
    new = old._replace(mode=0o600, uid=7)
    outcome = reconciled([old], [new], ignore=frozenset({Field.OWNER}))
    assert [(found.fields, found.marks) for found in outcome.findings] == [("mode", "mode file 0644 0600")]


def test_ignored_fields_never_leave_content_out() -> None:
    """With every field left out, one changed byte is what it was."""
    outcome = reconciled([file("a", b"1")], [file("a", b"3", mode=0)], ignore=frozenset(Field))
    assert (outcome.at("a").cls, outcome.at("a").cause) == (Class.CONTENT_CHANGED, Cause.SILENT)


def test_a_field_cannot_be_compared_and_ignored() -> None:
    """Whoever says both is asked which one is meant, before anything is read."""
    both = frozenset({Field.MODE})
    with pytest.raises(UsageProblem, match="mode is to be compared and to be ignored"):
        reconciled([file("a")], [file("a")], compare=both, ignore=both)


def test_facts_that_are_not_there_count_as_held() -> None:
    """A manifest that says nothing of its file system is compared in everything, to the nanosecond."""
    for facts in ({}, {"grain_ns": "", "owners": "", "modes": "", "streams": "", "owner_names": ""}):
        one = Comparison.between(facts, facts)
        assert one.fields == set(Field) - {Field.DIRECTORY_MTIME}
        assert (one.tolerance_ns, one.owners.renamed, one.streams) == (0, frozenset(), False)
    assert dict(Comparison.between({}, {"owners": "0"}).not_compared)[Field.OWNER].endswith("on new (unknown)")


@pytest.mark.parametrize("text", ["abc", "1e9", "\u00bd", "9" * 5000])
def test_a_step_that_is_no_number_is_no_traceback(text: str) -> None:
    """A manifest may come from anybody: it is refused in one line, or its step is not known."""
    with suppress(VerifierError):
        reconciled([file("a")], [file("a")], new_facts={"grain_ns": text})
