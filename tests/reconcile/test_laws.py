"""What holds for any two trees: order, sides, maps and clocks change what they are about, and nothing else."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING, Any, Final

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import (
    SECOND_NS,
    T0_NS,
    entry,
    file,
    folder,
    link,
    reconcile_files,
    reconciled,
    scratch,
    unlisted,
    unread,
    with_parents,
    write_manifest,
)
from verifier.classes import Cause, Class, Side
from verifier.reconcile.options import PlaceMap, ReconcileOptions, place_of
from verifier.rules.load import load_rules
from verifier.tree.entry import Entry, Kind, State

if TYPE_CHECKING:
    from tests.reconcile.trees import Outcome

HOUR_NS: Final = 3600 * SECOND_NS
SHIPPED: Final = load_rules()
OLE2: Final = bytes.fromhex("d0cf11e0a1b11ae1")
"""How a compound file begins; from memory."""
PATHS: Final = st.sampled_from(
    [
        "a", "A", "b", "c", "a/x", "a/X", "a/y", "b/x", "b/y/x", "b/y/z", "b/Thumbs.db", "c/Thumbs.db",
        "\u00e9/x", "e\u0301/x", "a:", "a\uf03a", "\\xff", "$RECYCLE.BIN/x",
    ]
)  # fmt: skip
CONTENTS: Final = st.sampled_from([b"", b"1", b"2", b"3", b"12", OLE2])
METADATA: Final[st.SearchStrategy[dict[str, Any]]] = st.fixed_dictionaries(
    {"mtime_ns": st.sampled_from([T0_NS, T0_NS, T0_NS + SECOND_NS, T0_NS - 5 * SECOND_NS])},
    optional={
        "mode": st.sampled_from([0o600, 0o644]),
        "uid": st.sampled_from([1000, 3001]),
        "xattrs": st.sampled_from([None, "{}", '{"user.a": "1"}', '{"user.a": null}', "{"]),
        "inode": st.integers(1, 3),
        "nlink": st.just(2),
    },
)


@st.composite
def sides(draw: st.DrawFn, *, known: bool) -> list[Entry]:
    """Return a side of few names and contents, so that everything meets everything; known: every content is known."""
    side: dict[str, Entry] = {}
    for path in sorted(draw(st.sets(PATHS, min_size=1, max_size=9))):
        above = path
        while "/" in above:
            above = above.rpartition("/")[0]
            side.setdefault(above, folder(above))
        if any(side[path[:at]].kind != Kind.DIRECTORY for at in range(len(path)) if path[at] == "/"):
            continue
        read = file(path, draw(CONTENTS))._replace(**draw(METADATA))
        kinds = [
            read,
            read,
            read,
            read,
            folder(path, mtime_ns=draw(st.integers(0, 1))),
            link(path, "t"),
            link(path, "u"),
        ]
        kinds += [] if known else [
            unread(read), unread(read, State.UNREADABLE, "EIO: read"), unread(read, State.UNSETTLED, "moves"),
            unlisted(path), entry(path, Kind.FIFO),
            entry(path, Kind.UNKNOWN, state=State.UNREADABLE.value, error="EIO: stat"),
        ]  # fmt: skip
        side[path] = draw(st.sampled_from(kinds))
    return list(side.values())


def anchors(**changes: Any) -> list[Entry]:
    """Return files that are alike on both sides but for these changes: enough of them to make a system."""
    return [file(f"zz/{n:02}", b"anchor %d" % n)._replace(**changes) for n in range(12)]


def later(entries: list[Entry], nanoseconds: int = HOUR_NS) -> list[Entry]:
    """Return the same side with the times of its files moved."""
    return [one._replace(mtime_ns=one.mtime_ns + nanoseconds) if one.kind == Kind.FILE else one for one in entries]


@settings(max_examples=6)
@given(old=sides(known=False), new=sides(known=False), seed=st.integers(0, 2**16))
def test_the_order_of_rows_plays_no_part(old: list[Entry], new: list[Entry], seed: int) -> None:
    """The same entries, written in any order, give the same findings, facts and list of what to copy again."""
    chance = random.Random(seed)
    rows = [with_parents([*old, *anchors(uid=1000)]), with_parents([*later(new), *later(anchors(uid=3001))])]
    outcomes = []
    for _ in range(2):
        with scratch() as base:
            places = [write_manifest(base / str(n), one) for n, one in enumerate(rows)]
            outcomes.append(reconcile_files(places, ReconcileOptions(SHIPPED)))
        for one in rows:
            chance.shuffle(one)
    assert outcomes[0] == outcomes[1]


def no_folders(outcome: Outcome, cls: Class, side: Side) -> tuple[int, int]:
    """Count what a class has on a side but for folders: entries, and bytes of files."""
    found = [
        (one.old_kind, one.old_size) if side is Side.OLD else (one.new_kind, one.new_size)
        for one in outcome.findings
        if one.cls == cls
    ]
    there = [(kind, size) for kind, size in found if kind not in (None, Kind.DIRECTORY)]
    return len(there), sum(size or 0 for kind, size in there if kind == Kind.FILE)


SAME: Final = (
    Class.CONTENT_CHANGED,
    Class.KIND_CHANGED,
    Class.METADATA_ONLY,
    Class.RELOCATED,
    Class.NAME_ALTERED,
)


@settings(max_examples=8)
@given(old=sides(known=True), new=sides(known=True))
def test_seen_from_the_other_side_what_is_missing_is_extra(old: list[Entry], new: list[Entry]) -> None:
    """Swapped, missing and extra change places in number and bytes, and everything else stays what it was.

    Folders are left out of the one-sided classes: one whose content went to several places is gone on purpose seen from
    the old side, and just new seen from the other.
    """
    forth, back = reconciled(old, new), reconciled(new, old)
    for side, other in ((Side.OLD, Side.NEW), (Side.NEW, Side.OLD)):
        assert forth.accounts[side][Class.IDENTICAL] == back.accounts[other][Class.IDENTICAL]
        for cls in SAME:
            assert no_folders(forth, cls, side) == no_folders(back, cls, other), cls
    assert no_folders(forth, Class.MISSING, Side.OLD) == no_folders(back, Class.EXTRA, Side.NEW)
    assert no_folders(forth, Class.EXTRA, Side.NEW) == no_folders(back, Class.MISSING, Side.OLD)


TOPS: Final = ("a", "b", "c", "d e", "\u00e9", "=")
"""Folders at the top, which a map renames; one cannot be written in a map."""


@st.composite
def mapped_trees(draw: st.DrawFn, *, unique: bool) -> tuple[list[Entry], list[Entry], tuple[PlaceMap, ...]]:
    """Return a tree, what became of it, and maps that give some of its folders each other's names, or new ones."""
    tops = draw(st.lists(st.sampled_from(TOPS[:-1]), min_size=1, max_size=4, unique=True))
    names = draw(st.permutations([*tops, "new", "x/y"]))[: len(tops)]
    old, new = {}, {}
    for number in range(draw(st.integers(2, 9))):
        above = f"{draw(st.sampled_from(tops))}/{draw(st.sampled_from(['', 'p/', 'p/q/', 'r/']))}"
        content = draw(st.sampled_from([b"same", b"%d" % number])) if not unique else b"%d" % number
        before = file(f"{above}{number}", content)
        old[before.path] = before
        what = draw(st.sampled_from(["stays", "stays", "lost", "rotten", "renamed", "moved", "moded", "elsewhere"]))
        after = {
            "stays": before,
            "rotten": file(before.path, b"!" * len(content)),
            "renamed": before._replace(path=f"{before.path}.x"),
            "moved": before._replace(path=f"{tops[0]}/moved/{number}"),
            "moded": before._replace(mode=0o600),
            "elsewhere": before._replace(path=f"{tops[-1]}/{number}"),
        }.get(what)
        if after is not None:
            new[after.path] = after
    kept = [folder(top) for top in tops]
    maps = tuple(PlaceMap(top, name) for top, name in zip(tops, names, strict=True))
    return with_parents([*old.values(), *kept]), with_parents([*new.values(), *kept]), maps


@settings(max_examples=10)
@given(trees=mapped_trees(unique=True))
def test_a_map_and_a_tree_that_was_moved_by_it_change_nothing(
    trees: tuple[list[Entry], list[Entry], tuple[PlaceMap, ...]],
) -> None:
    """With a map the mapped place is the right place: the findings are those of the tree that was not moved."""
    old, new, maps = trees
    plain = reconciled(old, new)
    moved = [one._replace(path=place_of(one.path, maps)) for one in new]
    mapped = reconciled(old, moved, maps=maps)
    # The folder above a mapped place that is two levels deep was nobody's.
    expected = sorted(_told(one, maps) for one in plain.findings)
    assert sorted(_told(one, ()) for one in mapped.findings if one.new_path != "x" or one.old_path) == expected


def _told(found: Any, maps: tuple[PlaceMap, ...]) -> tuple[str, ...]:
    """Return all of a finding that a map does not change, with the new path where the map puts it."""
    new_path = None if found.new_path is None else place_of(found.new_path, maps)
    parts = (found.cls, found.cause, found.severity, found.old_path, new_path, found.fields, found.marks)
    return tuple(map(str, parts))


@settings(max_examples=8)
@given(trees=mapped_trees(unique=False))
def test_a_map_changes_no_count(trees: tuple[list[Entry], list[Entry], tuple[PlaceMap, ...]]) -> None:
    """Also where copies could each be another's, as many files are identical, moved, changed and lost."""
    old, new, maps = trees
    plain = reconciled(old, new)
    mapped = reconciled(old, [one._replace(path=place_of(one.path, maps)) for one in new], maps=maps)
    for side in Side:
        for cls in Class:
            ours, theirs = plain.accounts[side][cls], mapped.accounts[side][cls]
            assert (ours.files, ours.bytes) == (theirs.files, theirs.bytes), cls


MAPS: Final = st.sampled_from([(), ("a=b",), ("a=b", "b=a"), ("b=q/r",), ("zz=zy",), ("=deep",), ("b/y=a",)])
GATES: Final = st.sampled_from([{}, {"frozen_at_ns": T0_NS}, {"live_since_ns": T0_NS + HOUR_NS}, {"frozen_at_ns": 0}])


@settings(max_examples=14)
@given(old=sides(known=False), new=sides(known=False), maps=MAPS, gates=GATES)
def test_the_account_balances_with_everything_at_once(
    old: list[Entry], new: list[Entry], maps: tuple[str, ...], gates: dict[str, int]
) -> None:
    """Clutter, maps, gates, altered names, hard links, a shift and a mapping: every entry is counted exactly once.

    The recount is in `reconcile_files`. What is explained differs in metadata or in its name alone, and a fact counts
    the findings that show it.
    """
    places = tuple(PlaceMap.parse(one) for one in maps)
    moved = later([one._replace(path=place_of(one.path, places)) for one in anchors(uid=3001)])
    outcome = reconciled([*old, *anchors(uid=1000)], [*later(new), *moved], maps=places, rules=SHIPPED, **gates)  # type: ignore[arg-type]
    by_paths = {(one.old_path, one.new_path): one for one in outcome.findings}
    for paths in outcome.explained:
        assert by_paths[paths].cls in (Class.METADATA_ONLY, Class.NAME_ALTERED, Class.RELOCATED)
    marks = [mark for one in outcome.findings for mark in (one.marks or "").split("\n")]
    assert outcome.fact("shifted-times").tally.entries == marks.count("mtime +3600 s") >= 12
    owner = next(one for one in outcome.systematic if one.text == "owner 1000, new 3001")
    assert owner.tally.entries == marks.count("owner 1000 3001") >= 12


@settings(max_examples=9)
@given(old=sides(known=False), new=sides(known=False))
def test_a_shift_changes_no_class_but_makes_identical_files_metadata_only(old: list[Entry], new: list[Entry]) -> None:
    """The same pair with all new times an hour later: nothing more is wrong, and nothing less; silent stays silent."""
    plain = reconciled([*old, *anchors()], [*new, *anchors()])
    shifted = reconciled([*old, *anchors()], later([*new, *anchors()]))
    before, after = plain.classes, shifted.classes
    assert {paths: after[paths] for paths in before} == before
    more = [one for one in shifted.findings if (one.old_path, one.new_path) not in before]
    assert {(one.cls, one.fields) for one in more} == {(Class.METADATA_ONLY, "mtime")}
    assert {(one.old_path, one.new_path) for one in more} <= shifted.explained
    silent = [
        {one.old_path for one in outcome.findings if one.cause == Cause.SILENT and one.old_kind == Kind.FILE}
        for outcome in (plain, shifted)
    ]
    assert silent[0] == silent[1]
    assert plain.verdict.kind is shifted.verdict.kind
