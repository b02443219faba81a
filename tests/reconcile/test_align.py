"""The join: what has a fellow at its place, what is left, and where maps expect things."""

from __future__ import annotations

import itertools
import random
from typing import Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import (
    SECOND_NS,
    T0_NS,
    Node,
    compared,
    entry,
    file,
    folder,
    link,
    plant,
    reconcile_files,
    reconciled,
    scratch,
    with_parents,
    write_manifest,
)
from verifier.classes import Class, Field, Side
from verifier.errors import AlgorithmMismatch, UsageProblem
from verifier.reconcile.options import PlaceMap, ReconcileOptions, check_maps
from verifier.tree.digests import Algorithm
from verifier.tree.entry import Entry, Kind

MAP: Final = PlaceMap.parse


def test_one_of_everything_against_itself_is_identical() -> None:
    """Files, folders, links, pipes, sockets and devices that agree are identical, each counted in its kind."""
    side = [
        file("a/file", b"x" * 10),
        file("a/empty", b""),
        link("a/link", "file"),
        entry("a/pipe", Kind.FIFO),
        entry("a/socket", Kind.SOCKET),
        entry("a/null", Kind.CHAR_DEVICE, target="1:3"),
        entry("a/disk", Kind.BLOCK_DEVICE, target="8:1"),
    ]
    outcome = reconciled(side, side)
    assert outcome.findings == ()
    assert outcome.accounts[Side.OLD][Class.IDENTICAL] == (8, 2, 10)


def test_every_class_is_in_both_accounts() -> None:
    """An account names every class, the empty ones too."""
    outcome = reconciled([file("a")], [file("a")])
    for side in Side:
        assert list(outcome.accounts[side]) == list(Class)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"mtime_ns": T0_NS + SECOND_NS}, Field.MTIME),
        ({"mode": 0o600}, Field.MODE),
        ({"uid": 7}, Field.OWNER),
        ({"gid": 7}, Field.GROUP),
        ({"xattrs": '{"user.a": "00"}'}, Field.XATTRS),
    ],
    ids=lambda value: value.value if isinstance(value, Field) else "",
)
def test_each_metadata_field_alone_makes_a_difference(changes: dict[str, Any], field: Field) -> None:
    """The join and the judgement agree on what identical means: one field that differs is one field that is named."""
    old = file("a", xattrs='{"user.a": "ff"}')
    outcome = reconciled([old], [old._replace(**changes)])
    assert (outcome.at("a").cls, outcome.at("a").fields) == (Class.METADATA_ONLY, field.value)


def test_all_metadata_fields_at_once_are_listed_in_order() -> None:
    """Fields are listed in one fixed order, joined by semicolons."""
    old = file("a", xattrs="{}")
    new = old._replace(mtime_ns=T0_NS - SECOND_NS, mode=0, uid=1, gid=1, xattrs='{"user.a": "00"}')
    assert reconciled([old], [new]).at("a").fields == "mtime;mode;owner;group;xattrs"


def test_times_of_folders_and_links_and_modes_of_links_are_not_compared() -> None:
    """What moves with every change inside, or has no effect, is no difference."""
    late = T0_NS + 99 * SECOND_NS
    old = [folder("d"), link("l", "x"), entry("p", Kind.FIFO)]
    new = [folder("d", mtime_ns=late), link("l", "x", mtime_ns=late, mode=0o755), entry("p", Kind.FIFO, mtime_ns=late)]
    assert reconciled(old, new).findings == ()


def test_extended_attributes_that_a_side_could_not_read_are_no_difference() -> None:
    """Only attributes that were read on both sides are compared."""
    old = file("a", xattrs='{"user.a": "00"}')
    assert reconciled([old], [old._replace(xattrs=None)]).findings == ()


def test_what_is_of_the_scan_and_not_of_the_tree_is_not_compared() -> None:
    """Inode and device numbers, link counts, storage taken and ctime never make a difference."""
    old = file("a")
    new = old._replace(inode=99, device=99, nlink=3, allocated=0, ctime_ns=1, read_at="2030-01-01T00:00:00+00:00")
    assert reconciled([old], [new]).findings == ()


def test_hard_links_that_became_copies_are_all_found() -> None:
    """Each name of an inode is an entry of its own; a copy that gave each its own inode has lost no content."""
    names = ["one", "two", "three"]
    old = [file(name, nlink=3, inode=5) for name in names]
    new = [file(name, nlink=1, inode=number) for number, name in enumerate(names)]
    outcome = reconciled(old, new)
    assert {(found.cls, found.fields) for found in outcome.findings} == {(Class.METADATA_ONLY, Field.HARD_LINKS)}
    assert len(outcome.findings) == 3
    lost = reconciled(old, new[:2])
    assert lost.of(Class.MISSING) == [("three", None)]


def test_hard_links_on_disk_and_their_copies_differ_in_nothing_else() -> None:
    """A tree with hard links, copied by a program that knows none, has the same names with the same content."""
    with scratch() as base:
        for side in ("old", "new"):
            plant(base / side, {b"one": Node(b"shared"), b"d/keep": Node(b"own")})
        (base / "old" / "d" / "two").hardlink_to(base / "old" / "one")
        plant(base / "new", {b"d/two": Node(b"shared")})
        outcome = compared(base / "old", base / "new")
        assert {(found.old_path, found.fields) for found in outcome.findings} == {
            ("one", Field.HARD_LINKS),
            ("d/two", Field.HARD_LINKS),
        }
        (base / "new" / "d" / "two").unlink()
        assert compared(base / "old", base / "new").of(Class.MISSING) == [("d/two", None)]


def test_names_that_sort_around_the_separator_do_not_disturb_the_join() -> None:
    """`a-b`, `a/b`, `a0b` and `a.b` lie around `a/` in every order; none is taken for what is in `a`."""
    side = [file(path, path.encode()) for path in ("a/b", "a-b", "a0b", "a.b", "a0", "a\u00e9", "ab/c")]
    assert reconciled(side, side).findings == ()
    outcome = reconciled(side, [one for one in side if not one.path.startswith("a/")])
    assert outcome.of(Class.MISSING) == [("a", None), ("a/b", None)]


def test_paths_are_compared_by_bytes() -> None:
    """Names that differ only in case or in Unicode form are two names, also side by side in one folder."""
    side = [file(path, path.encode()) for path in ("n", "N", "\u00e9", "e\u0301", "\\xe9", "\\\\xe9")]
    assert reconciled(side, side).findings == ()


@settings(max_examples=8, deadline=None)
@given(
    names=st.lists(st.sampled_from("abcdefgh"), min_size=2, max_size=8, unique=True),
    seed=st.integers(0, 2**16),
    mapped=st.booleans(),
)
def test_the_order_of_rows_changes_nothing(tmp_path_factory: Any, names: list[str], seed: int, mapped: bool) -> None:
    """The same entries, written in any order, give the same findings in the same order."""
    chance = random.Random(seed)
    contents = [b"", b"1", b"2"]
    old = with_parents(file(f"{chance.choice('xy')}/{name}", chance.choice(contents)) for name in names)
    new = with_parents(file(f"{chance.choice('xyz')}/{name.upper()}", chance.choice(contents)) for name in names)
    base = tmp_path_factory.mktemp("order")
    outcomes = []
    for turn in range(2):
        for side in (old, new):
            chance.shuffle(side)
        places = [base / f"{turn}-{side}" for side in Side]
        for place, entries in zip(places, (old, new), strict=True):
            write_manifest(place, entries)
        outcome = reconcile_files(places, ReconcileOptions(maps=(MAP("x=z"),) if mapped else ()))
        outcomes.append((outcome.findings, outcome.accounts))
    assert outcomes[0] == outcomes[1]


# ---- What cannot be compared


def test_manifests_of_different_algorithms_are_refused() -> None:
    """Digests of two algorithms say nothing about each other; the message names both and how to scan again."""
    with pytest.raises(AlgorithmMismatch) as caught:
        reconciled(
            [file("a")],
            [file("a", algorithm=Algorithm.SHA256)],
            new_facts={"algorithm": "sha256"},
        )
    assert "blake3" in str(caught.value)
    assert "--algorithm blake3 or sha256" in str(caught.value)


def test_an_algorithm_that_is_not_known_is_refused() -> None:
    """Two manifests that agree on something unheard of are not compared."""
    facts = {"algorithm": "sum-of-bytes"}
    with pytest.raises(AlgorithmMismatch, match="sum-of-bytes"):
        reconciled([file("a")], [file("a")], old_facts=facts, new_facts=facts)


# ---- Maps


def places(old: list[Entry], new: list[Entry], *maps: str) -> dict[tuple[str | None, str | None], str]:
    """Reconcile under maps and return the class of every finding that is about a file or a link."""
    outcome = reconciled(old, new, maps=tuple(MAP(one) for one in maps))
    of_folders = {
        (one.old_path, one.new_path) for one in outcome.findings if Kind.DIRECTORY in (one.old_kind, one.new_kind)
    }
    return {paths: cls for paths, cls in outcome.classes.items() if paths not in of_folders}


@pytest.mark.parametrize(
    ("map_text", "old", "new"),
    [
        ("scans=archive/scans", "scans/a/b", "archive/scans/a/b"),
        ("archive/scans=scans", "archive/scans/b", "scans/b"),
        ("=x", "a/b", "x/a/b"),
        ("x=", "x/a/b", "a/b"),
        ("a=a/b", "a/c", "a/b/c"),
        ("a/=b/", "a/c", "b/c"),
        ("a.txt=b/c.txt", "a.txt", "b/c.txt"),
        ("\u00e9=e", "\u00e9/x", "e/x"),
        ("a\\b=c", "a\\\\b/x", "c/x"),
    ],
)
def test_a_map_says_where_data_is_expected(map_text: str, old: str, new: str) -> None:
    """What lay below the old prefix is identical where it lies below the new one."""
    assert places([file(old, b"1")], [file(new, b"1")], map_text) == {}


def test_a_map_moves_whole_components_only() -> None:
    """A prefix is a folder: `scan` does not move `scans`."""
    assert (
        places([file("scans/a", b"1"), file("scan/a", b"2")], [file("scans/a", b"1"), file("x/a", b"2")], "scan=x")
        == {}
    )


def test_the_longest_prefix_wins() -> None:
    """Of several maps that fit, the most exact one counts, whatever their order."""
    old = [file("a/b/c", b"1"), file("a/d", b"2"), file("e", b"3")]
    new = [file("y/c", b"1"), file("x/d", b"2"), file("z/e", b"3")]
    for order in itertools.permutations(["a=x", "a/b=y", "=z"]):
        assert places(old, new, *order) == {}


def test_a_folder_that_is_only_mapped_away_is_not_lost() -> None:
    """The old folder itself is gone by intention, as far as what it held is where the map says."""
    outcome = reconciled([file("a/b/c", b"1")], [file("x/c", b"1")], maps=(MAP("a/b=x"),))
    assert outcome.of(Class.MISSING) == []
    assert outcome.of(Class.CONTENT_CHANGED) == []


def test_mapped_content_that_is_not_there_is_missing() -> None:
    """A map excuses no loss."""
    old = [file("a/b", b"1"), file("a/c", b"2")]
    assert places(old, [file("x/b", b"1")], "a=x") == {("a/c", None): Class.MISSING}


def test_mapped_content_that_changed_is_changed() -> None:
    """A map excuses no damage."""
    assert places([file("a/b", b"1")], [file("x/b", b"2")], "a=x") == {("a/b", "x/b"): Class.CONTENT_CHANGED}


def test_data_that_stayed_where_a_map_took_it_from_is_found_all_the_same() -> None:
    """What was left at its old place is relocated against the map, not lost."""
    assert places([file("a/b", b"1")], [file("a/b", b"1")], "a=x") == {("a/b", "a/b"): Class.RELOCATED}


def test_two_folders_merged_into_one() -> None:
    """Both come to one place; what does not collide is identical."""
    old = [file("a/one", b"1"), file("b/two", b"2")]
    assert places(old, [file("c/one", b"1"), file("c/two", b"2")], "a=c", "b=c") == {}


def test_merged_names_that_collide_need_a_place_each() -> None:
    """Of two files that come to one place the first is there; the other is found by content, or missing."""
    old = [file("a/same", b"1"), file("b/same", b"2")]
    found = places(old, [file("c/same", b"1"), file("c/same (2)", b"2")], "a=c", "b=c")
    assert found == {("b/same", "c/same (2)"): Class.RELOCATED}
    assert places(old, [file("c/same", b"1")], "a=c", "b=c") == {("b/same", None): Class.MISSING}


def test_merged_duplicates_are_counted() -> None:
    """Two files of one name and content need two places: one new file cannot stand for both."""
    old = [file("a/same", b"1"), file("b/same", b"1")]
    assert places(old, [file("c/same", b"1")], "a=c", "b=c") == {("b/same", None): Class.MISSING}


def test_a_map_into_a_folder_that_is_there_anyway() -> None:
    """Mapped and unmapped data may share a folder."""
    old = [file("a/one", b"1"), file("c/two", b"2")]
    assert places(old, [file("c/one", b"1"), file("c/two", b"2")], "a=c") == {}


def test_two_places_for_one_folder_are_refused() -> None:
    """A folder cannot be expected at two places, however it is spelt."""
    for texts in (("a=b", "a=c"), ("a=b", "a/=c"), ("=b", "=c")):
        with pytest.raises(UsageProblem, match="two places"):
            check_maps([MAP(text) for text in texts])
        with pytest.raises(UsageProblem, match="two places"):
            reconciled([file("a/x")], [file("b/x")], maps=tuple(MAP(text) for text in texts))


@pytest.mark.parametrize(
    "text", ["", "a", "=", "/=/", "a=b=c", "/a=b", "a=/b", "a=../b", "..=b", "a/./b=c", "a//b=c", "a= /b"]
)
def test_a_map_that_cannot_be_meant_is_refused(text: str) -> None:
    """A map names two places below two roots; the message says how it is written."""
    with pytest.raises(UsageProblem, match="OLD_PREFIX=NEW_PREFIX"):
        MAP(text)
