"""Random trees on disk: every planted change is found with its class and cause, and nothing else is."""

from __future__ import annotations

import filecmp
import os
import re
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.reconcile.changes import FROZEN_AT_NS, LIVE_SINCE_NS, SECTOR, Change, Pair, content, flipped, pairs
from tests.reconcile.trees import SECOND_NS, T0_NS, Node, compared, plant, scratch
from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.reconcile.options import PlaceMap
from verifier.rules.load import load_rules
from verifier.tree.entry import Kind
from verifier.tree.names import to_text

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from tests.reconcile.trees import Outcome

GATES: Final[dict[str, Any]] = {"frozen_at_ns": FROZEN_AT_NS, "live_since_ns": LIVE_SINCE_NS}
RULES: Final = load_rules()


def planted(old: Mapping[bytes, Node], new: Mapping[bytes, Node], **options: Any) -> Outcome:
    """Plant both sides, scan them and reconcile."""
    with scratch() as base:
        roots = plant(base / "old", old), plant(base / "new", new)
        return compared(*roots, **options)


def found(outcome: Outcome) -> dict[tuple[str | None, str | None], tuple[str, str | None]]:
    """Return class and cause of every finding by its paths."""
    return {(one.old_path, one.new_path): (one.cls, one.cause) for one in outcome.findings}


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(pair=pairs())
def test_several_changes_at_once_are_each_found_and_nothing_else(pair: Pair) -> None:
    """What was planted is found with its class and cause, whatever else happened around it."""
    outcome = planted(pair.old, pair.new, rules=RULES, **GATES)
    assert found(outcome) == pair.expected


@pytest.mark.parametrize("change", list(Change), ids=lambda change: change.name.lower())
@settings(max_examples=3, deadline=None)
@given(data=st.data())
def test_each_change_alone_gives_its_class_and_cause(change: Change, data: st.DataObject) -> None:
    """Every class that a file can come to, and every cause, is reached by the change that defines it."""
    pair = data.draw(pairs([change], most=2))
    outcome = planted(pair.old, pair.new, **GATES)
    assert found(outcome) == pair.expected
    if change is not Change.NONE:
        assert (change.cls, change.cause) in {(one.cls, one.cause) for one in outcome.findings}


def test_every_cause_is_planted_somewhere() -> None:
    """No cause can be added to the contract without a change here that brings it about, but one.

    That a reading does not repeat needs a medium that gives other bytes the second time; trees on a disk do not.
    """
    assert {change.cause for change in Change} == {None, *Cause} - {Cause.NOT_REPEATED}


@settings(max_examples=20, deadline=None)
@given(pair=pairs())
def test_a_tree_against_itself_is_identical(pair: Pair) -> None:
    """A tree is identical to itself in every entry, and trustworthy wherever it holds a file."""
    with scratch() as base:
        root = plant(base / "tree", pair.old)
        outcome = compared(root, root)
    assert outcome.findings == ()
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY


@settings(max_examples=20, deadline=None)
@given(pair=pairs())
def test_an_exact_copy_is_trustworthy(pair: Pair) -> None:
    """The same tree made a second time, with its times and modes, is found identical."""
    outcome = planted(pair.old, pair.old)
    assert outcome.findings == ()
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY


def zero_run(data: bytes, at: int) -> int:
    """Return the length of the run of zeros around a place, 0 where there is none."""
    if data[at]:
        return 0
    left, right = at, at
    while left > 0 and not data[left - 1]:
        left -= 1
    while right < len(data) and not data[right]:
        right += 1
    return right - left


BLOBS: Final = st.one_of(
    st.binary(min_size=1, max_size=40),
    st.sampled_from([b"\1", b"\0\1", bytes(600), bytes(300) + b"\1" + bytes(300), b"\2" * 513, bytes(511) + b"\1"]),
)


@settings(max_examples=40, deadline=None)
@given(
    blobs=st.lists(BLOBS, min_size=1, max_size=4),
    which=st.integers(0, 3),
    at=st.integers(0, 2**16),
    bit=st.integers(0, 7),
)
@example(blobs=[b"\1"], which=0, at=0, bit=0)
@example(blobs=[bytes(511) + b"\1"], which=0, at=511, bit=0)
@example(blobs=[bytes(510) + b"\1" + b"\2" * 9], which=0, at=510, bit=0)
def test_one_flipped_bit_is_always_found(blobs: list[bytes], which: int, at: int, bit: int) -> None:
    """One bit at a random place, with size and time as before, is a silent change.

    Unless the bit was the last one that was set in a long run of zeros, or in the whole file: that is zero-filled by
    definition, and comes before silent.
    """
    old = {f"{number}.bin".encode(): Node(blob) for number, blob in enumerate(blobs)}
    name = sorted(old)[which % len(old)]
    before = old[name].data
    after = flipped(before, at % len(before), bit)
    run = zero_run(after, at % len(before))
    cause = Cause.ZERO_FILLED if run and run >= min(SECTOR, len(after)) else Cause.SILENT
    outcome = planted(old, {**old, name: Node(after)})
    assert found(outcome) == {(name.decode(), name.decode()): (Class.CONTENT_CHANGED, cause)}
    assert outcome.findings[0].severity == Severity.BLOCKER
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


# ---- An outside reference: os.walk and filecmp of Python's standard library

FEW_NAMES: Final = st.sampled_from([b"a", b"b", b"A", b"c/a", b"c/b", b"d/a", b"d/e/a", b"d/e/\xff"])
FEW_CONTENTS: Final = st.sampled_from([b"", b"1", b"2", b"12", bytes(600), b"1" + bytes(599)])
FEW_NODES: Final = st.builds(Node, FEW_CONTENTS, mtime_ns=st.sampled_from([T0_NS, T0_NS + SECOND_NS]))
TREES: Final = st.dictionaries(FEW_NAMES, FEW_NODES, min_size=1)


def walked(root: Path) -> set[bytes]:
    """Return the relative paths of all files, as bytes."""
    base = os.fsencode(root)
    return {os.path.relpath(where + b"/" + name, base) for where, _, files in os.walk(base) for name in files}


@settings(max_examples=40, deadline=None)
@given(old=TREES, new=TREES)
def test_a_naive_comparison_agrees(old: dict[bytes, Node], new: dict[bytes, Node]) -> None:
    """What filecmp finds equal, different and one-sided is what the reconciler says, whatever it pairs besides.

    The reference: os.walk and filecmp.cmp(shallow=False), Python's standard library.
    """
    with scratch() as base:
        roots = plant(base / "old", old), plant(base / "new", new)
        ours, theirs = walked(roots[0]), walked(roots[1])
        filecmp.clear_cache()
        equal = {
            name
            for name in ours & theirs
            if filecmp.cmp(roots[0] / os.fsdecode(name), roots[1] / os.fsdecode(name), shallow=False)
        }
        outcome = compared(*roots)
    of_files = [one for one in outcome.findings if Kind.FILE in (one.old_kind, one.new_kind)]
    same_place = {one.old_path: one.cls for one in of_files if one.old_path == one.new_path}
    changed = {path for path, cls in same_place.items() if cls == Class.CONTENT_CHANGED}
    assert changed == {to_text(name) for name in (ours & theirs) - equal}
    assert set(same_place.values()) <= {Class.CONTENT_CHANGED, Class.METADATA_ONLY}
    assert {to_text(name) for name in equal} >= set(same_place) - changed
    elsewhere = [one for one in of_files if one.old_path != one.new_path]
    assert {one.old_path for one in elsewhere} - {None} == {to_text(name) for name in ours - theirs}
    assert {one.new_path for one in elsewhere} - {None} == {to_text(name) for name in theirs - ours}
    for one in elsewhere:
        assert (one.cls in (Class.RELOCATED, Class.NAME_ALTERED)) == (None not in (one.old_path, one.new_path))
        if one.old_path is not None and one.new_path is not None:
            contents = [
                side[re.sub(rb"\\xff", b"\xff", path.encode())].data
                for side, path in ((old, one.old_path), (new, one.new_path))
            ]
            assert contents[0] == contents[1]


@settings(max_examples=15, deadline=None)
@given(old=TREES, new=TREES)
def test_swapping_the_sides_mirrors_what_is_missing_and_what_is_extra(
    old: dict[bytes, Node], new: dict[bytes, Node]
) -> None:
    """Seen from the other side, missing files are extra, extra ones missing, and changed ones stay changed.

    Folders are left out: one whose content went to several places is gone on purpose seen from the old side, and just
    new seen from the other.
    """
    forth, back = planted(old, new), planted(new, old)

    def files(outcome: Outcome, cls: Class) -> set[tuple[str | None, str | None]]:
        of_files = (one for one in outcome.findings if Kind.FILE in (one.old_kind, one.new_kind))
        return {(one.old_path, one.new_path) for one in of_files if one.cls == cls}

    def mirrored(pairs_: set[tuple[str | None, str | None]]) -> set[tuple[str | None, str | None]]:
        return {(theirs, ours) for ours, theirs in pairs_}

    assert files(back, Class.EXTRA) == mirrored(files(forth, Class.MISSING))
    assert files(back, Class.MISSING) == mirrored(files(forth, Class.EXTRA))
    for cls in (Class.CONTENT_CHANGED, Class.KIND_CHANGED, Class.METADATA_ONLY):
        assert files(back, cls) == mirrored(files(forth, cls))


PARTS: Final = st.sampled_from(["a", "b", "c d", "\u00e9", "x-y", "100%"])
PREFIXES: Final = st.lists(PARTS, min_size=1, max_size=3).map("/".join)


@settings(max_examples=20, deadline=None)
@given(
    moved=st.dictionaries(PREFIXES, st.integers(3, 60), min_size=1, max_size=4),
    stays=st.dictionaries(PREFIXES, st.integers(3, 60), max_size=3),
    old_prefix=PREFIXES,
    new_prefix=PREFIXES,
)
def test_a_map_and_data_moved_accordingly_are_identical(
    moved: dict[str, int], stays: dict[str, int], old_prefix: str, new_prefix: str
) -> None:
    """What lies where the map expects it is identical, and what the map does not name stays where it was."""
    old: dict[bytes, Node] = {}
    new: dict[bytes, Node] = {}
    for number, (path, size) in enumerate(moved.items()):
        node = Node(content(number, size))
        old[f"{old_prefix}/{path}.t".encode()] = new[f"{new_prefix}/{path}.t".encode()] = node
    for number, (path, size) in enumerate(stays.items(), 100):
        old[f"0/{path}.t".encode()] = new[f"0/{path}.t".encode()] = Node(content(number, size))
    outcome = planted(old, new, maps=(PlaceMap(old_prefix, new_prefix),))
    assert [one for one in outcome.findings if Kind.FILE in (one.old_kind, one.new_kind)] == []
    assert outcome.accounts[Side.OLD][Class.IDENTICAL].files == len(old)
    # Folders above the data may be left over or new; nothing that was there is said to be lost.
    assert outcome.of(Class.MISSING) == []
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY
