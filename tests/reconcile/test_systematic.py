"""Differences that are one fact: found with count, bytes, examples and exceptions, and never an excuse for content."""

from __future__ import annotations

import json
import unicodedata
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import SECOND_NS, T0_NS, file, folder, link, reconciled
from verifier.classes import Cause, Class, Field, Severity, Side, VerdictKind
from verifier.reconcile import systematic
from verifier.reconcile.options import PlaceMap
from verifier.reconcile.systematic import MOST_COMBINATIONS, Marks
from verifier.rules.rule import Action, Rule, RuleSet

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tests.reconcile.trees import Outcome
    from verifier.tree.entry import Entry

HOUR_NS: Final = 3600 * SECOND_NS
NFC: Final = "\u00e9"
NFD: Final = unicodedata.normalize("NFD", NFC)


def files(number: int, where: str = "d", **facts: Any) -> list[Entry]:
    """Return files that all have content of their own; each is as many bytes long as its number has digits."""
    return [file(f"{where}/{n:03}", str(n).encode(), **facts) for n in range(number)]


def with_all(entries: Iterable[Entry], **facts: Any) -> list[Entry]:
    """Return the same entries with other facts."""
    return [one._replace(**facts) for one in entries]


def later(entries: Iterable[Entry], seconds: float) -> list[Entry]:
    """Return the same entries with their times moved."""
    return [one._replace(mtime_ns=one.mtime_ns + int(seconds * SECOND_NS)) for one in entries]


def kinds(outcome: Outcome) -> list[str]:
    """Return the kinds of the systematic differences, in order."""
    return [one.kind for one in outcome.systematic]


def unexplained(outcome: Outcome) -> set[str | None]:
    """Return the old paths of findings that differ otherwise than systematically."""
    return {found.old_path for found in outcome.findings} - {old for old, _ in outcome.explained}


# ---- Times


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (3600, "1 h later"),
        (1800, "30 min later"),
        (900, "15 min later"),
        (-7200, "2 h earlier"),
        (20700, "5.75 h later"),  # Nepal is UTC+5:45 (IANA time zone database)
    ],
)
def test_one_shift_of_all_times_is_one_fact(seconds: int, words: str) -> None:
    """Whole, half and quarter hours, either way: one line with its count, its bytes and three examples."""
    old = files(12)
    outcome = reconciled(old, later(old, seconds))
    fact = outcome.fact("shifted-times")
    assert fact.text == f"times of files are {words} on the new side"
    assert (fact.tally, fact.exceptions) == ((12, 12, 14), 0)
    assert fact.examples == ("d/000", "d/001", "d/002")
    assert {found.fields for found in outcome.findings} == {"mtime"}
    assert unexplained(outcome) == set()
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY


@pytest.mark.parametrize("seconds", [899, 60, 3601])
def test_another_constant_difference_is_no_shift(seconds: int) -> None:
    """Clocks of two zones differ by quarters of an hour; a minute is something else, however often it is met."""
    old = files(12)
    outcome = reconciled(old, later(old, seconds))
    assert kinds(outcome) == ["times-not-kept"]


@pytest.mark.parametrize(("shifted", "found"), [(9, []), (10, ["shifted-times"])])
def test_few_files_are_no_system(shifted: int, found: list[str]) -> None:
    """Fewer than ten files are listed one by one."""
    old = files(shifted)
    outcome = reconciled(old, later(old, 3600))
    assert kinds(outcome) == found
    assert len(outcome.explained) == (shifted if found else 0)


@pytest.mark.parametrize(("others", "found"), [(12, ["shifted-times"]), (13, [])])
def test_a_shift_has_at_least_half_of_what_differs_in_time(others: int, found: list[str]) -> None:
    """Twelve of 24 are a system, twelve of 25 are not; what does not differ in time does not count."""
    shifted, scattered, same = files(12, "d"), files(others, "e"), files(50, "f")
    moved = [one for n, entry in enumerate(scattered) for one in later([entry], 7 + 11 * n)]
    outcome = reconciled([*shifted, *scattered, *same], [*later(shifted, 3600), *moved, *same])
    assert kinds(outcome) == found


def test_two_shifts_of_one_migration_are_two_facts() -> None:
    """Summer and winter may be shifted differently: each with its own count, the more frequent first."""
    summer, winter, other = files(30, "summer"), files(20, "winter"), files(3, "z")
    outcome = reconciled([*summer, *winter, *other], [*later(summer, 7200), *later(winter, 3600), *later(other, 5)])
    assert [(one.text, one.tally.entries, one.exceptions) for one in outcome.systematic] == [
        ("times of files are 2 h later on the new side", 30, 3),
        ("times of files are 1 h later on the new side", 20, 3),
    ]
    assert unexplained(outcome) == {"z/000", "z/001", "z/002"}


def test_a_rare_shift_beside_a_frequent_one_is_an_exception() -> None:
    """A tenth of what differs makes a second shift; less than that is told file by file."""
    most, few = files(150, "d"), files(12, "e")
    outcome = reconciled([*most, *few], [*later(most, 3600), *later(few, 1800)])
    assert [(one.tally.entries, one.exceptions) for one in outcome.systematic] == [(150, 12)]
    assert len(unexplained(outcome)) == 12


def test_exceptions_are_counted_apart_and_stay_to_be_seen() -> None:
    """What is off by something else is not explained by what all the others have in common."""
    old = files(15)
    new = [*later(old[:12], 3600), *later(old[12:], 3601)]
    outcome = reconciled(old, new)
    fact = outcome.fact("shifted-times")
    assert (fact.tally.entries, fact.exceptions) == (12, 3)
    assert unexplained(outcome) == {"d/012", "d/013", "d/014"}


@pytest.mark.parametrize(("off_ns", "explained"), [(0, True), (2 * SECOND_NS, True), (2 * SECOND_NS + 1, False)])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_shift_is_met_within_the_tolerance_of_the_coarser_clock(off_ns: int, sign: int, explained: bool) -> None:
    """Times that were cut to two seconds and moved by an hour are still that hour apart, and a nanosecond more not.

    Source of the two seconds: Win32 documentation, File Times (FAT).
    """
    old = files(12)
    new = later(old, 3600)
    new[5] = new[5]._replace(mtime_ns=new[5].mtime_ns + sign * off_ns)
    outcome = reconciled(old, new, new_facts={"file_system": "vfat", "grain_ns": 2 * SECOND_NS})
    assert outcome.is_explained("d/005") is explained
    assert outcome.fact("shifted-times").exceptions == int(not explained)


def test_changed_files_make_no_shift() -> None:
    """Only files of the same content tell about the clock; that an hour lies between two versions tells nothing."""
    old = files(12)
    new = [file(one.path, b"x" * one.size, mtime_ns=one.mtime_ns + HOUR_NS) for one in old]
    outcome = reconciled([*old, file("keep")], [*new, file("keep")])
    assert outcome.systematic == ()
    assert {found.cause for found in outcome.findings} == {Cause.NEWER}


@pytest.mark.parametrize("new_folder", [NFD, "elsewhere"], ids=["under an altered name", "relocated"])
def test_a_shift_is_seen_where_everything_has_another_path(new_folder: str) -> None:
    """Files that were met under another name or at another place tell about the clock like any others."""
    old = files(20, NFC)
    new = [one._replace(path=one.path.replace(NFC, new_folder)) for one in later(old, 3600)]
    outcome = reconciled(old, new)
    assert "shifted-times" in kinds(outcome)


# ---- Times and content

GATES: Final[dict[str, Any]] = {"frozen_at_ns": T0_NS - 1, "live_since_ns": T0_NS - 1}
"""Gates before everything: all that a gate can excuse is excused."""


def shifted_and(old: Entry, new: Entry, seconds: float = 3600, **options: Any) -> Outcome:
    """Reconcile two entries among twenty whose times are shifted; the entries are taken as they are."""
    rest = files(20, "z")
    return reconciled([*rest, old], [*later(rest, seconds), new], **options)


@pytest.mark.parametrize("options", [{}, GATES], ids=["no gates", "both gates open"])
@pytest.mark.parametrize("seconds", [3600, -1800])
def test_a_flipped_bit_under_a_shift_is_silent(seconds: int, options: dict[str, Any]) -> None:
    """A time that moved with all the others is an unchanged time, and what is silent no gate excuses."""
    old = file("a", b"1")
    (new,) = later([file("a", b"3")], seconds)
    outcome = shifted_and(old, new, seconds, **options)
    found = outcome.at("a")
    assert (found.cls, found.cause, found.severity) == (Class.CONTENT_CHANGED, Cause.SILENT, Severity.BLOCKER)
    assert (found.marks, outcome.is_explained("a")) == (None, False)
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert outcome.to_copy == (b"./a",)
    assert outcome.fact("shifted-times").tally.entries == 20


def test_a_flipped_bit_whose_time_did_not_move_is_silent_too() -> None:
    """Under a shift the very same time is still the same time."""
    outcome = shifted_and(file("a", b"1"), file("a", b"3"), **GATES)
    assert (outcome.at("a").cls, outcome.at("a").cause) == (Class.CONTENT_CHANGED, Cause.SILENT)


@pytest.mark.parametrize("action", [Action.SET_ASIDE, Action.REPORT])
def test_no_rule_sets_aside_a_flipped_bit_under_a_shift(action: Action) -> None:
    """A rule that may not set aside silent changes may not do so because all clocks were off."""
    rules = RuleSet((Rule("x", ("a",), "cache", "somebody", action, "invented"),))
    (new,) = later([file("a", b"3")], 3600)
    outcome = shifted_and(file("a", b"1"), new, rules=rules)
    assert (outcome.at("a").cls, outcome.at("a").cause) == (Class.CONTENT_CHANGED, Cause.SILENT)
    assert "may not set aside" in outcome.at("a").reason


def test_a_shift_excuses_no_other_size() -> None:
    """A longer file that is an hour later is changed content, whatever all the others are."""
    (new,) = later([file("a", b"12")], 3600)
    outcome = shifted_and(file("a", b"1"), new)
    assert outcome.at("a").cls == Class.CONTENT_CHANGED
    assert unexplained(outcome) == {"a"}
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


BEFORE_LAST: Final = file("a", b"version 1", mtime_ns=T0_NS - 2400 * SECOND_NS)
LAST: Final = file("a", b"version 22", mtime_ns=T0_NS - 1800 * SECOND_NS)
"""Two versions of one file, ten minutes apart."""


def test_an_older_version_is_stale_though_its_time_was_moved() -> None:
    """With all times an hour later the version before the last is not the newer one, and has to be copied again."""
    (new,) = later([BEFORE_LAST], 3600)
    outcome = shifted_and(LAST, new)
    assert outcome.at("a").cause == Cause.STALE
    assert outcome.to_copy == (b"./a",)


def test_a_shift_carries_no_older_version_over_the_gate() -> None:
    """What lies after the gate by the shift alone was not changed by anybody since people work there."""
    (new,) = later([BEFORE_LAST], 3600)
    outcome = shifted_and(LAST, new, live_since_ns=T0_NS)
    assert outcome.at("a").cls == Class.CONTENT_CHANGED
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_leaving_times_out_leaves_silent_changes_in() -> None:
    """Times that nobody wants to hear of as metadata still tell that content changed under an unchanged time."""
    (new,) = later([file("a", b"3")], 3600)
    outcome = shifted_and(file("a", b"1"), new, ignore=frozenset({Field.MTIME}), **GATES)
    assert (outcome.at("a").cls, outcome.at("a").cause) == (Class.CONTENT_CHANGED, Cause.SILENT)


# ---- Owners and groups


def test_a_mapped_owner_is_one_fact_with_its_exceptions() -> None:
    """One number for another everywhere, folders included; who became somebody else is told apart."""
    old = [folder("d", uid=1000), *files(20, uid=1000), link("l", "d", uid=1000)]
    new = with_all(old, uid=3001)
    new[1] = new[1]._replace(uid=0)
    new[2] = new[2]._replace(uid=4000)
    outcome = reconciled(old, new)
    fact = outcome.fact("mapped-owner")
    assert fact.text == "owner 1000, new 3001"
    assert (fact.tally.entries, fact.tally.files, fact.exceptions) == (20, 18, 2)
    assert unexplained(outcome) == {"d/000", "d/001"}


def test_each_owner_is_mapped_by_itself() -> None:
    """Two owners that changed places are two facts, and a third with too few files is none."""
    ada, bob, eve = (files(number, name) for number, name in ((11, "a"), (12, "b"), (5, "e")))
    old = [*with_all(ada, uid=1000), *with_all(bob, uid=1001), *with_all(eve, uid=1002)]
    new = [*with_all(ada, uid=1001), *with_all(bob, uid=1000), *with_all(eve, uid=7)]
    outcome = reconciled(old, new)
    assert [(one.text, one.tally.entries, one.exceptions) for one in outcome.systematic] == [
        ("owner 1000, new 1001", 11, 0),
        ("owner 1001, new 1000", 12, 0),
    ]
    assert len(unexplained(outcome)) == 5


def test_owners_and_groups_are_told_with_their_names() -> None:
    """A number that has a name is told with it, on the side that knows it."""
    old = files(10, uid=1000, gid=100)
    outcome = reconciled(
        old,
        with_all(old, uid=3001, gid=200),
        old_facts={"owner_names": json.dumps({"1000": "ada"}), "group_names": json.dumps({"100": "staff"})},
        new_facts={"owner_names": json.dumps({"3001": "AD ada"}), "group_names": "{}"},
    )
    assert [(one.kind, one.text) for one in outcome.systematic] == [
        ("mapped-owner", "owner 1000 ada, new 3001 AD ada"),
        ("mapped-group", "group 100 staff, new 200"),
    ]
    assert outcome.at("d/000").fields == "owner;group"
    assert unexplained(outcome) == set()


def test_one_number_with_two_names_is_one_fact() -> None:
    """A number that is somebody else on the new side is a mapping like any other."""
    old = files(10, uid=1000)
    sides: dict[str, Any] = {
        "old_facts": {"owner_names": '{"1000": "ada"}'},
        "new_facts": {"owner_names": '{"1000": "bob"}'},
    }
    outcome = reconciled(old, old, **sides)
    assert outcome.fact("mapped-owner").text == "owner 1000 ada, new 1000 bob"
    assert len(outcome.explained) == 10


@pytest.mark.parametrize(("most", "found"), [(12, 1), (11, 0)])
def test_a_mapping_has_at_least_half_of_its_owners_files(most: int, found: int) -> None:
    """Where one owner's files went to many, none of them is the owner's new number."""
    old = files(24, uid=1000)
    new = [*with_all(old[:most], uid=3001), *(one._replace(uid=4000 + n) for n, one in enumerate(old[most:]))]
    assert len(reconciled(old, new).systematic) == found


# ---- Modes


def moded(modes: Sequence[int], where: str = "d") -> list[Entry]:
    """Return a file for each mode."""
    return [one._replace(mode=mode) for one, mode in zip(files(len(modes), where), modes, strict=True)]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ([0o644, 0o755] * 6, [0o600, 0o700] * 6, "without 0055"),
        ([0o644, 0o664, 0o600] * 6, [0o664, 0o664, 0o620] * 6, "with 0020"),
        ([0o644] * 12, [0o660] * 12, "without 0004 and with 0020"),
        ([0o4755, 0o2755] * 6, [0o755] * 12, "without 6000"),
    ],
)
def test_bits_that_changed_everywhere_are_one_fact(old: list[int], new: list[int], words: str) -> None:
    """One mask over all modes, whatever they were before; what needs no change for it does not count."""
    outcome = reconciled(moded(old), moded(new))
    fact = outcome.fact("mode-mask")
    differing = sum(one != other for one, other in zip(old, new, strict=True))
    assert fact.text == f"modes of files are {words} on the new side"
    assert (fact.tally.entries, fact.exceptions) == (differing, 0)
    assert unexplained(outcome) == set()


def test_a_mask_has_exceptions() -> None:
    """A file that anybody may write now is not explained by a mask that took rights from all the others."""
    outcome = reconciled(moded([0o644] * 13), moded([0o600] * 12 + [0o777]))
    fact = outcome.fact("mode-mask")
    assert (fact.text, fact.tally.entries, fact.exceptions) == (
        "modes of files are without 0044 on the new side",
        12,
        1,
    )
    assert unexplained(outcome) == {"d/012"}


def test_folders_have_a_mask_of_their_own() -> None:
    """What a mount does to folders is told apart from what it does to files; ten of each make a fact."""
    folders = [folder(f"f{n:02}", mode=0o755) for n in range(10)]
    old, new = moded([0o644] * 10, "f00"), moded([0o600] * 10, "f00")
    outcome = reconciled([*folders, *old], [*with_all(folders, mode=0o2775), *new])
    assert [(one.text, one.tally.entries) for one in outcome.systematic] == [
        ("modes of folders are with 2020 on the new side", 10),
        ("modes of files are without 0044 on the new side", 10),
    ]
    assert unexplained(outcome) == set()


def test_modes_without_anything_in_common_are_no_fact() -> None:
    """Files that each changed in their own way are told one by one."""
    old = [0o644] * 12
    new = [0o640, 0o604, 0o444, 0o744, 0o654, 0o645, 0o664, 0o646, 0o1644, 0o2644, 0o4644, 0o000]
    assert reconciled(moded(old), moded(new)).systematic == ()


# ---- Attributes

ACL: Final = "system.posix_acl_access"
LISTED: Final = "user::rw-,user:1000:r--,group::r--,mask::rw-,other::---"


@pytest.mark.parametrize(
    ("before", "after", "facts", "text"),
    [
        ({"user.b": "1"}, {}, {}, "extended attributes: lost user.b"),
        ({}, {"user.b": "1"}, {}, "extended attributes: gained user.b"),
        ({ACL: LISTED}, {}, {}, "access control lists: lost system.posix_acl_access"),
        ({"user.DosStream.note:$DATA": "1"}, {}, {}, "alternate streams: lost user.DosStream.note:$DATA"),
        (
            {"user.Zone.Identifier": "1"},
            {},
            {"streams": "xattr", "file_system": "fuseblk"},
            "alternate streams: lost user.Zone.Identifier",
        ),
    ],
)
def test_attributes_that_all_lost_are_one_fact(
    before: dict[str, str], after: dict[str, str], facts: dict[str, str], text: str
) -> None:
    """What a copy does not take along is missing from all files at once."""
    old = files(12, xattrs=json.dumps(before))
    outcome = reconciled(old, with_all(old, xattrs=json.dumps(after)), old_facts=facts)
    assert (outcome.fact("attributes").text, outcome.fact("attributes").tally.entries) == (text, 12)
    assert unexplained(outcome) == set()


@pytest.mark.parametrize("name", ["user.note", ACL, "user.DosStream.note:$DATA"])
def test_values_that_changed_are_never_a_system(name: str) -> None:
    """A value is content: every one that changed is told by itself, though all changed."""
    old = files(12, xattrs=json.dumps({name: LISTED, "user.kept": "1"}))
    outcome = reconciled(old, with_all(old, xattrs=json.dumps({name: "user::r--", "user.kept": "1"})))
    assert outcome.systematic == ()
    assert len(unexplained(outcome)) == 12


def test_a_changed_value_behind_many_lost_names_is_told() -> None:
    """However many attributes a file lost, one whose value changed makes it no system."""
    lost = {f"user.some-long-name-{n}": "1" for n in range(12)}
    old = files(12, xattrs=json.dumps(lost | {"user.z": "1"}))
    outcome = reconciled(old, with_all(old, xattrs=json.dumps({"user.z": "2"})))
    assert "changed user.z" in outcome.at("d/000").reason
    assert len(unexplained(outcome)) == 12


def test_an_attribute_may_be_called_changed() -> None:
    """What an attribute is called plays no part in whether all lost it."""
    old = files(12, xattrs='{"user.last-changed": "1"}')
    assert kinds(reconciled(old, with_all(old, xattrs="{}"))) == ["attributes"]


# ---- Names


def test_names_that_were_all_decomposed_are_one_fact() -> None:
    """Every name in the other Unicode form is one line; a name that differs in another way is not among them."""
    old = [file(f"{NFC}{n:02}", str(n).encode()) for n in range(12)]
    new = [one._replace(path=unicodedata.normalize("NFD", one.path)) for one in old]
    outcome = reconciled([*old, file("Odd", b"odd")], [*new, file("odd", b"odd")])
    fact = outcome.fact("altered-names")
    assert fact.text == "names differ in Unicode form (NFC on old, NFD on new)"
    assert (fact.tally, fact.exceptions, fact.examples[0]) == ((12, 12, 14), 1, f"{NFC}00")
    assert unexplained(outcome) == {"Odd"}
    assert {found.severity for found in outcome.findings} == {Severity.ATTENTION}


def test_an_altered_name_that_differs_otherwise_too_is_told() -> None:
    """A name's fact does not cover the file's mode."""
    old = [file(f"{NFC}{n:02}", str(n).encode()) for n in range(12)]
    new = [one._replace(path=unicodedata.normalize("NFD", one.path)) for one in old]
    new[3] = new[3]._replace(mode=0o777)
    outcome = reconciled(old, new)
    assert outcome.fact("altered-names").tally.entries == 12
    assert unexplained(outcome) == {f"{NFC}03"}


# ---- Times of folders


def test_times_of_folders_are_noted_and_not_judged() -> None:
    """One line however many they are, with no finding, and every one of them counts as identical."""
    old = [folder(f"f{n}") for n in range(5)]
    new = later(old, 1)
    new[4] = new[4]._replace(mode=0o700)
    outcome = reconciled([*old, file("a")], [*new, file("a")])
    fact = outcome.fact("folder-times")
    assert (fact.tally, fact.examples) == ((4, 0, 0), ("f0", "f1", "f2"))
    assert "--compare directory-mtime" in fact.note
    # What differs otherwise has its finding, in which the time plays no part.
    assert [(found.old_path, found.fields) for found in outcome.findings] == [("f4", "mode")]
    assert outcome.accounts[Side.OLD][Class.IDENTICAL].entries == 5


def test_times_of_folders_are_findings_where_they_are_compared() -> None:
    """Whoever asks for them gets one each, and a shift of all of them is one fact."""
    old = [folder(f"f{n:02}") for n in range(12)]
    outcome = reconciled([*old, file("a")], [*later(old, 3600), file("a")], compare=frozenset({Field.DIRECTORY_MTIME}))
    assert {(found.cls, found.fields) for found in outcome.findings} == {(Class.METADATA_ONLY, "directory-mtime")}
    assert [(one.kind, one.text, one.tally.entries) for one in outcome.systematic] == [
        ("folder-times", "times of folders: +3600 s", 12)
    ]
    assert unexplained(outcome) == set()


def test_times_of_folders_can_be_left_out() -> None:
    """What somebody does not want to hear of is not counted either."""
    outcome = reconciled(
        [folder("f"), file("a")],
        [folder("f", mtime_ns=T0_NS + 1), file("a")],
        ignore=frozenset({Field.DIRECTORY_MTIME}),
    )
    assert outcome.systematic == ()


# ---- Hard links and holes


def linked(groups: int, names: int, size: int = 1000) -> list[Entry]:
    """Return groups of files of which each shares an inode."""
    return [
        file(f"{group:02}-{name}", str(group).encode(), inode=100 + group, nlink=names, size=size)
        for group in range(groups)
        for name in range(names)
    ]


def alone(entries: Iterable[Entry]) -> list[Entry]:
    """Return the same files, each with an inode of its own."""
    return [one._replace(nlink=1, inode=1000 + n) for n, one in enumerate(entries)]


def test_links_that_were_split_are_one_fact_with_what_they_will_take() -> None:
    """Four inodes with three names each become twelve: eight more contents are stored."""
    old = linked(groups=4, names=3)
    fact = reconciled(old, alone(old)).fact("hard-links")
    assert (fact.text, fact.tally.entries, fact.note) == (
        "names no longer share an inode",
        12,
        "8,000 bytes more are taken",
    )


def test_links_that_were_joined_are_one_fact_with_what_they_save() -> None:
    """The other way round: from now on a change of one changes all."""
    new = linked(groups=4, names=3)
    outcome = reconciled(alone(new), new)
    fact = outcome.fact("hard-links")
    assert (fact.text, fact.tally.entries, fact.note) == (
        "names share an inode now",
        12,
        "8,000 bytes less are taken",
    )
    assert {found.fields for found in outcome.findings} == {"hard-links"}


def test_links_are_followed_to_their_mapped_places() -> None:
    """With a map the names of one inode are looked for where the map puts them, and each gets its finding there."""
    old = [one._replace(path=f"in/{one.path}") for one in linked(groups=5, names=2)]
    new = alone(one._replace(path=f"out/{one.path[3:]}") for one in old)
    outcome = reconciled(old, new, maps=(PlaceMap("in", "out"),))
    assert outcome.fact("hard-links").note == "5,000 bytes more are taken"
    assert outcome.at("in/00-0").new_path == "out/00-0"
    moved = [one._replace(path=f"out/{one.path[3:]}") for one in old]
    assert reconciled(old, moved, maps=(PlaceMap("in", "out"),)).findings == ()


def test_a_group_that_was_split_in_two_grows_by_one_content() -> None:
    """Three names of which two still share are two contents where one was, and the third is told as well as the two."""
    old = linked(groups=1, names=3)
    new = [old[0]._replace(nlink=2), old[1]._replace(nlink=2), old[2]._replace(nlink=1, inode=7)]
    outcome = reconciled(old, new)
    assert [found.reason for found in outcome.findings] == [
        "same content; differs in hard-links (shared its inode with other names)"
    ] * 3
    assert outcome.systematic == ()


def test_links_that_still_share_under_other_numbers_are_identical() -> None:
    """Inode numbers are another file system's; only who shares one counts."""
    old = linked(groups=3, names=2)
    assert reconciled(old, [one._replace(inode=one.inode * 7, device=9) for one in old]).findings == ()


@pytest.mark.parametrize(
    ("full", "text"), [(Side.NEW, "holes of files were filled"), (Side.OLD, "files have holes now")]
)
def test_holes_that_were_filled_are_one_fact(full: Side, text: str) -> None:
    """The same bytes that take more room, or less."""
    sparse = files(10, size=4 * 2**20, allocated=0)
    sides = [sparse, with_all(sparse, allocated=4 * 2**20)]
    outcome = reconciled(*(sides if full is Side.NEW else reversed(sides)))
    fact = outcome.fact("sparse")
    assert (fact.text, fact.tally) == (text, (10, 10, 10 * 4 * 2**20))


# ---- What is explained


def test_several_facts_at_once_explain_what_differs_in_them_alone() -> None:
    """A file that was shifted and mapped is explained, and one whose mode changed besides is not."""
    old = files(40, uid=1000)
    new = with_all(later(old, 3600), uid=3001)
    new[0] = new[0]._replace(mode=0o777)
    new[1] = new[1]._replace(uid=5)
    outcome = reconciled(old, new)
    assert kinds(outcome) == ["shifted-times", "mapped-owner"]
    assert outcome.fact("shifted-times").tally.entries == 40
    assert (outcome.fact("mapped-owner").tally.entries, outcome.fact("mapped-owner").exceptions) == (39, 1)
    assert unexplained(outcome) == {"d/000", "d/001"}
    assert outcome.at("d/002").marks == "mtime +3600 s\nowner 1000 3001"


def test_losses_are_never_explained() -> None:
    """What is missing, extra or of another kind has nothing to do with what all the others have in common."""
    old = [*files(12), file("gone", b"gone"), file("kind", b"kind")]
    new = [*later(files(12), 3600), file("more", b"more"), folder("kind")]
    outcome = reconciled(old, new)
    assert unexplained(outcome) == {"gone", "kind", None}


def test_what_was_moved_counts_for_the_facts_too() -> None:
    """A relocated file with the same shift is among those that were shifted."""
    old = [*files(12), file("here", b"moved")]
    new = later([*files(12), file("there", b"moved")], 3600)
    outcome = reconciled(old, new)
    assert outcome.at("here").cls == Class.RELOCATED
    assert outcome.fact("shifted-times").tally.entries == 13
    assert unexplained(outcome) == set()


def test_examples_are_of_the_most_frequent_kind_in_path_order() -> None:
    """Three files that show the fact and as little else as the others do."""
    old = files(20)
    new = later(old, 3600)
    new[0] = new[0]._replace(mode=0o600)
    assert reconciled(old, new).fact("shifted-times").examples == ("d/001", "d/002", "d/003")


def test_examples_keep_names_that_are_not_utf_8() -> None:
    """An example's path is manifest text like any other."""
    old = [file(f"\\xff{n:02}", str(n).encode()) for n in range(10)]
    assert reconciled(old, later(old, 3600)).fact("shifted-times").examples[0] == "\\xff00"


# ---- Many combinations of marks


def test_combinations_beyond_the_limit_make_room_for_frequent_ones() -> None:
    """Memory does not grow with the tree: so many combinations are kept at most, and the frequent ones always."""
    found = reconciled([file("a")], [file("a", mode=0o600)]).at("a")
    marks = Marks()
    for number in range(MOST_COMBINATIONS * 2):
        marks.note(found._replace(marks=f"xattrs lost user.{number}"))
        marks.note(found._replace(marks="xattrs lost user.often"))
    assert len(marks.combinations) <= MOST_COMBINATIONS
    assert len(marks.single) <= MOST_COMBINATIONS
    assert marks.single["xattrs lost user.often"].entries == MOST_COMBINATIONS * 2
    assert marks.totals["xattrs"] == MOST_COMBINATIONS * 4


def test_a_fact_whose_entries_are_all_unlike_otherwise_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Room for combinations may be given to others; the count stays, and examples are then missing at worst."""
    monkeypatch.setattr(systematic, "MOST_COMBINATIONS", 6)
    odd = [one._replace(xattrs=f'{{"user.{n}": "1"}}') for n, one in enumerate(files(20, "a", uid=1000))]
    often = files(30, "b", mode=0o600) + files(30, "c", mode=0o640) + files(30, "d", mode=0o644)
    new = [one._replace(uid=3001, xattrs="{}") for one in odd] + with_all(often, mode=0o666)
    assert reconciled([*odd, *often], new).fact("mapped-owner").tally.entries == 20


@pytest.mark.parametrize("where", ["a", "z"], ids=["odd ones last", "odd ones first"])
def test_what_is_frequent_is_found_however_many_combinations_there_are(
    monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """A flood of differences of which no two are alike hides none that many have in common, and no part of it."""
    monkeypatch.setattr(systematic, "MOST_COMBINATIONS", 20)
    odd = [one._replace(xattrs=f'{{"user.{n}": "1"}}') for n, one in enumerate(files(30, "m", uid=1000))]
    old = [*odd, *files(20, where, uid=1000)]
    outcome = reconciled(old, [one._replace(uid=3001, xattrs=one.xattrs and "{}") for one in old])
    assert outcome.fact("mapped-owner").tally.entries == 50
    assert {f"{where}/{n:03}" for n in range(20)} <= {old for old, _ in outcome.explained}
