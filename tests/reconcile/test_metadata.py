"""How the metadata of two entries differs: said in words that a person reads, and the same in SQL as in Python."""

from __future__ import annotations

import json
import time
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import SECOND_NS, T0_NS, entry, file, folder, link, reconciled, scratch, write_manifest
from verifier.check import CheckRequest, check
from verifier.classes import Field
from verifier.evidence import FINDINGS_FILE
from verifier.reconcile.compared import SPARSE_BYTES, Comparison
from verifier.reconcile.findings import Findings
from verifier.reconcile.metadata import LONGEST_MARK, differences, duration, holes, marks_of, shift_of
from verifier.report.terminal import summarise
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from verifier.tree.entry import Entry

ACCESS: Final = "system.posix_acl_access"
DEFAULT: Final = "system.posix_acl_default"
WIDE: Final = "user::rw-,user:1000:rw-,group::r--,mask::rw-,other::---"
NARROW: Final = "user::rw-,group::r--,other::---"
EVERYTHING: Final = Comparison(frozenset(Field), (), 0)


def told(old: Entry, new: Entry, **facts: dict[str, str]) -> dict[str, str]:
    """Return the text of each field in which two entries differ; `facts` are those of both sides' manifests."""
    comparison = Comparison.between(facts.get("ours", {}), facts.get("theirs", {}), compare=set(Field))
    return {str(one.field): one.text for one in differences(old, new, comparison)}


def with_attributes(old: object, new: object, **facts: dict[str, str]) -> dict[str, str]:
    """Return what is told about two files with these attributes; a text is taken as it is."""
    texts = [one if isinstance(one, str) else json.dumps(one) for one in (old, new)]
    return told(file("a", xattrs=texts[0]), file("a", xattrs=texts[1]), **facts)


# ---- Access control lists


def test_both_lists_can_be_read_where_they_differ() -> None:
    """Who lost or gained what is seen from the two lists in the text form of acl(5)."""
    assert with_attributes({ACCESS: WIDE}, {ACCESS: NARROW}) == {"acl": f"acl ({WIDE}, new {NARROW})"}


def test_a_list_that_is_gone_and_one_that_came() -> None:
    """A side without a list says so."""
    assert with_attributes({ACCESS: WIDE}, {}) == {"acl": f"acl ({WIDE}, new none)"}
    assert with_attributes({}, {ACCESS: WIDE}) == {"acl": f"acl (none, new {WIDE})"}


def test_a_folders_default_list_is_called_so() -> None:
    """What a folder gives to new names in it is another list than its own; only the one that differs is shown."""
    ours, theirs = {ACCESS: NARROW, DEFAULT: WIDE}, {ACCESS: NARROW, DEFAULT: NARROW}
    old, new = folder("a", xattrs=json.dumps(ours)), folder("a", xattrs=json.dumps(theirs))
    assert told(old, new) == {"acl": f"acl (default {WIDE}, new default {NARROW})"}


def test_lists_and_attributes_are_two_fields() -> None:
    """A lost attribute beside a changed list is told as what it is, by name alone: its value is only a digest."""
    ours = {ACCESS: WIDE, "user.note": "77aa", "security.selinux": "1"}
    theirs = {ACCESS: NARROW, "user.other": "77aa", "security.selinux": "2"}
    assert with_attributes(ours, theirs) == {
        "acl": f"acl ({WIDE}, new {NARROW})",
        "xattrs": "xattrs (lost user.note; gained user.other; changed security.selinux)",
    }


def test_an_acl_in_another_order_of_names_is_none() -> None:
    """Attributes have no order: the same ones written otherwise are the same, also for the join."""
    forth, back = f'{{"user.a": "1", "{ACCESS}": "{WIDE}"}}', f'{{"{ACCESS}":"{WIDE}","user.a":"1"}}'
    outcome = reconciled([file("a", xattrs=forth)], [file("a", xattrs=back)])
    assert outcome.findings == ()


# ---- Alternate streams


def test_streams_of_a_windows_share_are_told_from_attributes() -> None:
    """What Samba keeps in user.DosStream.* is a stream (vfs_streams_xattr(8)), wherever it is met."""
    ours = {"user.DosStream.Zone.Identifier:$DATA": "1", "user.note": "2"}
    assert with_attributes(ours, {}) == {
        "xattrs": "xattrs (lost user.note)",
        "streams": "streams (lost user.DosStream.Zone.Identifier:$DATA)",
    }


def test_on_a_side_that_shows_streams_as_attributes_they_are_streams() -> None:
    """NTFS as ntfs-3g shows it has no attributes of a user that are not streams (ntfs-3g(8))."""
    facts = {"streams": "xattr", "file_system": "fuseblk"}
    ours = {"user.Zone.Identifier": "1", "security.x": "2"}
    assert with_attributes(ours, {}, ours=facts) == {
        "xattrs": "xattrs (lost security.x)",
        "streams": "streams (lost user.Zone.Identifier)",
    }
    assert with_attributes({}, ours, theirs=facts)["streams"] == "streams (gained user.Zone.Identifier)"
    assert "streams" in with_attributes(ours, {}, theirs=facts)
    assert "streams" not in with_attributes(ours, {}, theirs={"streams": "xattr", "file_system": "ext4"})


@pytest.mark.parametrize("ntfs_side", ["ours", "theirs"])
def test_a_stream_that_became_an_attribute_is_compared_with_it(ntfs_side: str) -> None:
    """Between NTFS and Linux one name is one thing: equal values are no difference, others are a changed stream."""
    facts = {ntfs_side: {"streams": "xattr", "file_system": "fuseblk"}}
    assert with_attributes({"user.note": "1"}, {"user.note": "1"}, **facts) == {}
    assert with_attributes({"user.note": "1"}, {"user.note": "2"}, **facts) == {
        "streams": "streams (changed user.note)"
    }


def test_a_stream_that_was_lost_on_the_way_is_a_finding() -> None:
    """From NTFS to Linux a stream can be lost like any attribute, and the join sees it."""
    outcome = reconciled(
        [file("a", xattrs='{"user.note": "1"}'), file("b", xattrs='{"user.note": "1"}')],
        [file("a", xattrs="{}"), file("b", xattrs='{"user.note":"1"}')],
        old_facts={"file_system": "fuseblk", "streams": "xattr"},
    )
    assert [(found.old_path, found.fields) for found in outcome.findings] == [("a", "streams")]


# ---- What is not known is no difference


@pytest.mark.parametrize("name", ["user.note", ACCESS, "user.DosStream.x:$DATA"])
@pytest.mark.parametrize("value", ["1", None])
def test_a_value_that_a_side_could_not_read_is_no_difference(name: str, value: str | None) -> None:
    """Null says that it is there; whether it is the same is not known, so nothing is claimed."""
    assert with_attributes({name: None}, {name: value}) == {}
    assert with_attributes({name: value}, {name: None}) == {}


def test_an_attribute_that_could_not_be_read_can_still_be_lost() -> None:
    """Its name alone was there."""
    assert with_attributes({"user.note": None}, {}) == {"xattrs": "xattrs (lost user.note)"}


def test_attributes_that_were_never_read_are_no_difference() -> None:
    """A side that has no attributes at all, or did not read them, loses none."""
    outcome = reconciled([file("a", xattrs='{"user.note": "1"}')], [file("a", xattrs=None)])
    assert outcome.findings == ()


def test_an_unread_list_beside_one_that_changed_says_so() -> None:
    """Of two lists the one that is not known is not said to be gone."""
    ours, theirs = {ACCESS: WIDE, DEFAULT: WIDE}, {ACCESS: NARROW, DEFAULT: None}
    assert with_attributes(ours, theirs) == {"acl": f"acl ({WIDE}, new {NARROW}; default {WIDE}, new default not read)"}


# ---- Attributes from anybody's manifest

MALFORMED: Final = (
    "",
    "{",
    "null",
    "[1]",
    "7",
    '"text"',
    "{]",
    "\x00",
    '{"user.a": ' + "1" * 5000 + "}",  # more digits than Python reads (sys.int_info)
    '{"user.a": NaN, "user.a": Infinity}',
    '{"user.\\ud800": "\\udfff"}',
    f'{{"{ACCESS}": "\\u001b[2J\\ud800"}}',
    '{"user.\\n\\u0000\\u202e\\u001b]0;x\\u0007": 1}',
    '{"": ""}',
    f'{{"{DEFAULT}": {{"a": [1, {{}}]}}}}',
    '{"' + "n" * 100_000 + '": "1"}',
)


@pytest.mark.parametrize("text", MALFORMED, ids=range(len(MALFORMED)))
def test_whatever_a_manifest_says_of_attributes_is_told_safely(text: str) -> None:
    """Text that is no list of attributes is a difference that can be shown, never an error of this program."""
    for before, after in ((text, "{}"), ("{}", text)):
        found = differences(file("a", xattrs=before), file("a", xattrs=after), EVERYTHING)
        if text != '{"": ""}':
            assert found
        assert all(one.text.isprintable() for one in found)
        assert all("\n" not in one.mark and len(one.mark) <= LONGEST_MARK for one in found)


DEEP: Final = ("[" * 100_000, '{"user.a":' * 50_000 + "1" + "}" * 50_000, '{"user.a":' + "[" * 100_000)


@pytest.mark.parametrize("text", DEEP, ids=["lists", "objects", "a value"])
def test_nested_attributes_are_told_as_not_readable(text: str) -> None:
    """However deep somebody nests, it is one more text that is no list of attributes."""
    assert with_attributes(text, {})["xattrs"]


ATTRIBUTE_NAMES: Final = st.sampled_from(["user.a", ACCESS, DEFAULT, "user.DosStream.a", "\x1b", "\ud800"])
ANY_VALUE: Final = st.one_of(st.none(), st.integers(), st.text(max_size=4), st.lists(st.text(max_size=2), max_size=2))
ANY_JSON: Final = st.one_of(ANY_VALUE, st.dictionaries(ATTRIBUTE_NAMES, ANY_VALUE, max_size=4)).map(json.dumps)


@settings(max_examples=40)
@given(text=st.one_of(st.text(max_size=12), ANY_JSON))
def test_any_json_is_told_safely(text: str) -> None:
    """No JSON, and no text that is none, makes comparing fail or gives what a terminal would act on."""
    before = file("a", xattrs=json.dumps({"user.a": "1", ACCESS: WIDE}))
    for one, other in ((before, before._replace(xattrs=text)), (before._replace(xattrs=text), before)):
        for found in differences(one, other, EVERYTHING):
            assert found.text.isprintable()
            assert all(line.startswith(found.field or "") for line in found.mark.split("\n"))


# ---- Owners


def names(old: dict[int, str], new: dict[int, str]) -> dict[str, dict[str, str]]:
    """Return both sides' facts with these names of owners."""
    return {
        side: {"owner_names": json.dumps({str(number): name for number, name in one.items()})}
        for side, one in (("ours", old), ("theirs", new))
    }


@pytest.mark.parametrize(
    ("uids", "ours", "theirs", "text"),
    [
        ((1000, 3001), {}, {}, "owner (1000, new 3001)"),
        ((1000, 3001), {1000: "ada"}, {3001: "ada"}, "owner (1000 ada, new 3001 ada)"),
        ((1000, 3001), {1000: "ada"}, {1000: "bob"}, "owner (1000 ada, new 3001)"),
        ((1000, 1000), {1000: "ada"}, {1000: "bob"}, "owner (1000 ada, new 1000 bob)"),
        ((1000, 1000), {1000: "ada"}, {1000: "ada"}, None),
        ((1000, 1000), {1000: "ada"}, {}, None),
        ((1000, 1000), {}, {1000: "bob"}, None),
        ((1000, 1000), {1000: "ada", 5: "x"}, {1000: "ada", 5: "y"}, None),
    ],
)
def test_owners_are_compared_by_number_and_by_name(
    uids: tuple[int, int], ours: dict[int, str], theirs: dict[int, str], text: str | None
) -> None:
    """Another number is another owner, and so is one number with two names; a name that is not known is no difference.

    Also for the join, which has to find what a person would be told.
    """
    old, new = (file("a", uid=uid) for uid in uids)
    facts = names(ours, theirs)
    assert told(old, new, **facts) == ({} if text is None else {"owner": text})
    outcome = reconciled([old], [new], old_facts=facts["ours"], new_facts=facts["theirs"])
    assert [found.fields for found in outcome.findings] == ([] if text is None else ["owner"])


def test_links_and_folders_have_owners_too() -> None:
    """Owner and group belong to every kind; a link's mode and time do not count."""
    for one in (folder("a"), link("a", "x"), entry("a", Kind.FIFO)):
        changed = one._replace(uid=7, gid=8, mode=0, mtime_ns=T0_NS + 1)
        assert {"owner", "group"} <= told(one, changed).keys()
    assert told(link("a", "x"), link("a", "x", mode=0, mtime_ns=0)) == {}


NOT_NAMES: Final = ("", "7", "null", "[1]", "{", '{"x": "ada"}', '{"1": null, "1.5": 2}', '{"1": {"2": 3}}', '"text"')


@pytest.mark.parametrize("text", NOT_NAMES)
def test_what_does_not_look_like_names_is_left_out(text: str) -> None:
    """Names from anybody's manifest are taken where they can be, and stop nothing."""
    facts = {"owner_names": text, "group_names": text}
    assert told(file("a", uid=5), file("a", uid=6), ours=facts, theirs=facts) == {"owner": "owner (5, new 6)"}


def test_nested_names_are_left_out() -> None:
    """However deep somebody nests."""
    assert told(file("a", uid=5), file("a", uid=6), ours={"owner_names": "[" * 100_000}) == {
        "owner": "owner (5, new 6)"
    }


HOSTILE_NAMES: Final = ("\x1b[2Jgone", "two\nlines", "\u202edrow", "\ud800")


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=ascii)
def test_an_owners_name_can_do_nothing(name: str) -> None:
    """A name from anybody's manifest is shown like every name: on one line, with nothing that a terminal acts on."""
    old = [file(f"{n:02}", str(n).encode(), uid=1000) for n in range(12)]
    with scratch() as base:
        write_manifest(base / "o", old, owner_names=json.dumps({"1000": name}))
        write_manifest(base / "n", [one._replace(uid=5) for one in old])
        context = check(CheckRequest(base / "o", base / "n", base / "proof"))
        with Findings.open(base / "proof" / FINDINGS_FILE) as findings:
            reasons = [found.reason for found in findings.stream()]
            lines = [line.text for line in summarise(context)]
    assert all(text.isprintable() for text in (*reasons, *lines))


def test_many_names_do_not_slow_each_comparison() -> None:
    """A site with twenty thousand accounts is compared in the time that one without names takes, or nearly."""
    many = json.dumps({str(number): f"user{number}" for number in range(20_000)})
    facts = {"owner_names": many, "group_names": many}
    old, new = file("a"), file("a", mtime_ns=0)
    seconds = []
    for side in ({}, facts):
        comparison = Comparison.between(side, side)
        begun = time.process_time()
        for _ in range(50):
            differences(old, new, comparison)
        seconds.append(time.process_time() - begun)
    assert seconds[1] < 20 * seconds[0]


# ---- Times


@pytest.mark.parametrize(
    ("nanoseconds", "text"),
    [
        (1, "1e-09 s later"),
        (-SECOND_NS, "1 s earlier"),
        (90 * SECOND_NS, "1.5 min later"),
        (3600 * SECOND_NS, "1 h later"),
        (-36 * 3600 * SECOND_NS, "1.5 days earlier"),
        (2**64, "2.135e+05 days later"),
    ],
)
def test_a_difference_of_times_is_said_in_its_largest_unit(nanoseconds: int, text: str) -> None:
    """A person reads hours, not nanoseconds."""
    assert duration(nanoseconds) == text


@given(quarters=st.integers(-400, 400), off=st.integers(-(10**9), 10**9), tolerance=st.integers(0, 10**9))
def test_a_shift_is_a_whole_number_of_quarter_hours(quarters: int, off: int, tolerance: int) -> None:
    """What lies within the tolerance of a multiple of 900 s is that shift, and nothing else is one."""
    found = shift_of(quarters * 900 * SECOND_NS + off, tolerance)
    assert found == (quarters * 900 if abs(off) <= tolerance else 0)


EARLIEST: Final = -(2**63 - 1)
LATEST: Final = 2**63 - 1
"""What a manifest holds at most (`verifier.tree.entry.time64`)."""


@pytest.mark.parametrize(("old_ns", "new_ns"), [(EARLIEST, LATEST), (LATEST, EARLIEST), (0, LATEST)])
def test_times_may_be_as_far_apart_as_a_manifest_holds(old_ns: int, new_ns: int) -> None:
    """The latest time there is against the earliest is a difference like any other, for files and for folders."""
    old, new = ([file("d/a", mtime_ns=at), folder("d", mtime_ns=at)] for at in (old_ns, new_ns))
    outcome = reconciled(old, new)
    assert [(found.old_path, found.fields) for found in outcome.findings] == [("d/a", "mtime")]
    assert outcome.fact("folder-times").tally.entries == 1


@pytest.mark.parametrize(("old_ns", "new_ns"), [(-1, LATEST), (LATEST, -1), (1, EARLIEST)])
def test_two_times_may_differ_by_the_smallest_integer(old_ns: int, new_ns: int) -> None:
    """A file of the last nanosecond before 1970 against the latest time that is held: nothing here is damaged."""
    outcome = reconciled([file("a", mtime_ns=old_ns)], [file("a", mtime_ns=new_ns)])
    assert outcome.at("a").fields == "mtime"


# ---- Holes


@pytest.mark.parametrize(
    ("size", "allocated", "sparse"),
    [
        (4 * 2**20, 0, True),
        (4 * 2**20, None, False),
        (SPARSE_BYTES, 0, True),
        (SPARSE_BYTES - 1, 0, False),
        (2 * SPARSE_BYTES, SPARSE_BYTES, False),
        (2 * SPARSE_BYTES + 2, SPARSE_BYTES, True),
        (2 * SPARSE_BYTES + 1, SPARSE_BYTES, True),
        (10 * SPARSE_BYTES, 9 * SPARSE_BYTES, False),
        (10 * SPARSE_BYTES, 4 * SPARSE_BYTES, True),
    ],
)
def test_a_file_has_holes_where_far_less_is_allocated(size: int, allocated: int | None, sparse: bool) -> None:
    """At least one MiB and more than half of it; the join asks the same question."""
    one = file("a", size=size, allocated=allocated)
    full = one._replace(allocated=size)
    assert holes(one) is sparse
    for old, new in ((one, full), (full, one)):
        assert [found.fields for found in reconciled([old], [new]).findings] == (["sparse"] if sparse else [])


def test_holes_are_said_for_the_side_that_has_them() -> None:
    """Filled holes take room, new ones may be lost data that reads as zeros."""
    sparse, full = (file("a", size=2**22, allocated=allocated) for allocated in (0, 2**22))
    assert told(sparse, full) == {"sparse": "sparse (old has holes, new has none)"}
    assert told(full, sparse) == {"sparse": "sparse (new has holes, old has none)"}
    assert told(folder("a", size=2**22, allocated=0), folder("a", size=2**22, allocated=2**22)) == {}


# ---- The join and the words agree

VALUES: Final = st.sampled_from(
    [None, "{}", '{"user.a": "1"}', '{"user.a":"1"}', '{"user.a": "2"}', '{"user.a": null}', "{",
     f'{{"{ACCESS}": "{WIDE}"}}', f'{{"{ACCESS}": "{NARROW}", "user.DosStream.x": "1"}}']
)  # fmt: skip
KINDS: Final = st.sampled_from([Kind.FILE, Kind.DIRECTORY, Kind.LINK, Kind.FIFO])
CHANGES: Final = st.fixed_dictionaries(
    {},
    optional={
        "mtime_ns": st.sampled_from(
            [T0_NS, T0_NS + 999, T0_NS + 1000, T0_NS + 1001, T0_NS - SECOND_NS, T0_NS + 900 * SECOND_NS]
        ),
        "mode": st.sampled_from([0o600, 0o644, 0o4755]),
        "uid": st.integers(0, 3),
        "gid": st.integers(0, 3),
        "xattrs": VALUES,
        "allocated": st.sampled_from([None, 0, 2**20, 2**21]),
    },
)
FACTS: Final = st.fixed_dictionaries(
    {},
    optional={
        "grain_ns": st.sampled_from([1, 100, SECOND_NS]),
        "modes": st.booleans(),
        "owners": st.booleans(),
        "acls": st.booleans(),
        "xattrs": st.booleans(),
        "compresses": st.booleans(),
        "streams": st.sampled_from(["xattr", "none"]),
        "owner_names": st.sampled_from(['{"1": "ada"}', '{"1": "bob", "2": "x"}']),
        "group_names": st.sampled_from(['{"1": "ada"}', '{"1": "bob", "2": "x"}']),
    },
)
FIELDS: Final = st.sets(st.sampled_from(Field), max_size=2)


@settings(max_examples=15)
@given(
    pairs=st.lists(st.tuples(KINDS, CHANGES, CHANGES), min_size=10, max_size=25),
    ours=FACTS,
    theirs=FACTS,
    compare=FIELDS,
    ignore=FIELDS,
)
@example(pairs=[(Kind.FILE, {"xattrs": "{"}, {"xattrs": "{}"})], ours={}, theirs={}, compare=set(), ignore=set())
def test_what_the_join_lets_through_differs_in_nothing(
    pairs: list[tuple[Kind, dict[str, Any], dict[str, Any]]],
    ours: dict[str, object],
    theirs: dict[str, object],
    compare: set[Field],
    ignore: set[Field],
) -> None:
    """Pairs are findings exactly where their fields differ in words, whatever is compared, and with the same marks."""
    shapes: dict[Kind, Entry] = {
        Kind.FILE: file("x", size=2**21),
        Kind.DIRECTORY: folder("x"),
        Kind.LINK: link("x", "t"),
        Kind.FIFO: entry("x", Kind.FIFO),
    }
    old = [shapes[kind]._replace(path=f"{n:02}", **before) for n, (kind, before, _) in enumerate(pairs)]
    new = [shapes[kind]._replace(path=f"{n:02}", **after) for n, (kind, _, after) in enumerate(pairs)]
    outcome = reconciled(
        old, new, old_facts=ours, new_facts=theirs, compare=frozenset(compare), ignore=frozenset(ignore - compare)
    )
    expected = {}
    for one, other in zip(old, new, strict=True):
        found = differences(one, other, outcome.comparison)
        if found:
            expected[one.path] = marks_of(found)
    assert {found.old_path: found.marks for found in outcome.findings} == expected
