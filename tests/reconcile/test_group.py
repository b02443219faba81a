"""Folders that have one fate as a whole: one name for everything in them, and everything else told by itself."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import Outcome, file, folder, reconciled
from verifier.classes import Class, Side
from verifier.reconcile.options import PlaceMap
from verifier.rules.load import load_rules
from verifier.tree.names import parent_of

if TYPE_CHECKING:
    from verifier.tree.entry import Entry

KEEP: Final = file("keep", b"keep")
SHIPPED: Final = load_rules()
OLE2: Final = bytes.fromhex("d0cf11e0a1b11ae1")
"""How a compound file begins; from memory."""


def many(where: str, number: int, first: int = 0) -> list[Entry]:
    """Return files in a folder, each with content of its own."""
    return [file(f"{where}/{n}", str(n).encode()) for n in range(first, first + number)]


def groups(outcome: Outcome, cls: Class) -> dict[str | None, str | None]:
    """Return the group of every finding of a class, by its path on the old side, else on the new."""
    return {one.old_path or one.new_path: one.group_path for one in outcome.findings if one.cls == cls}


def test_a_folder_that_moved_is_one_line_but_for_what_did_not_go_with_it() -> None:
    """A file that went elsewhere and one that was lost are not hidden in the line of their folder."""
    old = [*many("a", 5), file("a/else", b"e"), file("a/lost", b"l"), file("a/sub/s", b"s"), file("b/t", b"t")]
    new = [*many("x/y", 5), file("b/else", b"e"), file("x/y/sub/s", b"s"), file("b/t", b"t")]
    outcome = reconciled(old, new)
    assert groups(outcome, Class.RELOCATED) == {
        **{f"a/{n}": "a" for n in range(5)},
        "a": "a",
        "a/sub": "a",
        "a/sub/s": "a",
        "a/else": None,
    }
    assert groups(outcome, Class.MISSING) == {"a/lost": None}
    assert groups(outcome, Class.EXTRA) == {"x": "x"}


def test_a_file_that_was_renamed_in_its_moved_folder_is_told_by_itself() -> None:
    """The folder's line says where everything went; what has another name there did not go where it says."""
    outcome = reconciled(many("a", 5), [*many("x", 4), file("x/renamed", b"4")])
    assert groups(outcome, Class.RELOCATED)["a/4"] is None
    assert groups(outcome, Class.RELOCATED)["a/3"] == "a"


def test_a_folder_that_was_split_goes_with_the_larger_part() -> None:
    """One line for what went with the folder, and one each for what went to the other place."""
    outcome = reconciled(many("a", 6), [*many("x", 4), *many("y", 2, first=4)])
    assert outcome.at("a").new_path == "x"
    assert groups(outcome, Class.RELOCATED) == {
        "a": "a",
        **{f"a/{n}": "a" for n in range(4)},
        "a/4": None,
        "a/5": None,
    }
    assert groups(outcome, Class.EXTRA) == {"y": "y"}


def test_a_folder_inside_that_went_elsewhere_is_its_own_line() -> None:
    """Two folders that were one in the other and were moved apart are two lines."""
    old = [*many("a", 4), *many("a/b", 4, first=10), *many("a/b/c", 4, first=20)]
    new = [*many("x", 4), *many("z/y", 4, first=10), *many("z/y/c", 4, first=20)]
    found = groups(reconciled(old, new), Class.RELOCATED)
    assert {found[f"a/{n}"] for n in range(4)} == {"a"}
    assert {group for path, group in found.items() if path and path.startswith("a/b")} == {"a/b"}


def test_a_folder_that_was_dissolved_has_the_line_and_its_files_are_in_it() -> None:
    """What went from one folder to several that were there before is one fact: the folder is no more."""
    old = [*many("a", 4), folder("b"), folder("c")]
    new = [*many("b", 2), *many("c", 2, first=2)]
    outcome = reconciled(old, new)
    assert (outcome.at("a").cls, outcome.at("a").new_path) == (Class.RELOCATED, None)
    assert set(groups(outcome, Class.RELOCATED).values()) == {"a"}


def test_a_folder_in_a_dissolved_one_that_moved_as_a_whole_keeps_its_line() -> None:
    """The line of a folder that went somewhere says more than that of one that is no more."""
    old = [*many("a", 2), *many("a/b", 3, first=10), folder("c"), folder("d")]
    new = [*many("c", 1), *many("d", 1, first=1), *many("d/b", 3, first=10)]
    found = groups(reconciled(old, new), Class.RELOCATED)
    assert {found[path] for path in ("a", "a/0", "a/1")} == {"a"}
    assert {found[path] for path in ("a/b", "a/b/10", "a/b/12")} == {"a/b"}


def test_a_folder_under_an_altered_name_is_one_line_but_for_what_is_altered_besides() -> None:
    """Everything in it is under the altered name; a file whose own name was altered too is told by itself."""
    composed = "\u00e9"
    decomposed = unicodedata.normalize("NFD", composed)
    old = [*many(composed, 3), file(f"{composed}/Own", b"own"), KEEP]
    new = [*many(decomposed, 3), file(f"{decomposed}/own", b"own"), KEEP]
    found = groups(reconciled(old, new), Class.NAME_ALTERED)
    assert found == {composed: composed, **{f"{composed}/{n}": composed for n in range(3)}, f"{composed}/Own": None}


@pytest.mark.parametrize("side", list(Side))
def test_clutter_is_grouped_on_the_side_that_has_it(side: Side) -> None:
    """A bin is one line, whichever side it is on, and a cache beside it has none."""
    clutter = [file("d/$RECYCLE.BIN/S-1/$R1.txt", b"r"), file("d/Thumbs.db", OLE2), KEEP]
    rest = [folder("d"), KEEP]
    sides = [clutter, rest] if side is Side.OLD else [rest, clutter]
    assert groups(reconciled(*sides, rules=SHIPPED), Class.CLUTTER) == {
        "d/$RECYCLE.BIN": "d/$RECYCLE.BIN",
        "d/$RECYCLE.BIN/S-1": "d/$RECYCLE.BIN",
        "d/$RECYCLE.BIN/S-1/$R1.txt": "d/$RECYCLE.BIN",
        "d/Thumbs.db": None,
    }


def test_clutter_in_a_lost_folder_is_no_part_of_the_loss() -> None:
    """A lost folder's line counts what is lost, and what was set aside in it is counted as set aside."""
    outcome = reconciled([*many("a", 2), file("a/Thumbs.db", OLE2), KEEP], [KEEP], rules=SHIPPED)
    assert groups(outcome, Class.MISSING) == {"a": "a", "a/0": "a", "a/1": "a"}
    assert groups(outcome, Class.CLUTTER) == {"a/Thumbs.db": None}


def test_neighbours_in_the_order_of_paths_are_not_inside() -> None:
    """Names that begin with a folder's name, or sort right behind it, are other names."""
    outcome = reconciled([*many("a", 1), file("a-b"), file("a.b"), file("a0"), file("a!")], [KEEP])
    found = groups(outcome, Class.MISSING)
    assert {path for path, group in found.items() if group == "a"} == {"a", "a/0"}
    moved = reconciled(
        [*many("a", 3), file("a0", b"n"), file("aa", b"m")], [*many("x", 3), file("x0", b"n"), file("xa", b"m")]
    )
    assert {path for path, group in groups(moved, Class.RELOCATED).items() if group == "a"} == {
        "a",
        "a/0",
        "a/1",
        "a/2",
    }


def test_names_of_several_bytes_are_measured_in_characters() -> None:
    """A folder's new place is cut off its files' paths by characters, whatever they take."""
    outcome = reconciled(many("\U0001f33f\u6f22", 3), many("x/\u05d0\u00e9\U0001f33f", 3))
    assert set(groups(outcome, Class.RELOCATED).values()) == {"\U0001f33f\u6f22"}


def test_a_folder_of_which_nearly_everything_was_lost_is_a_lost_folder() -> None:
    """Nine of ten files are gone: that is one line of nine files, and no sentence says that what it held is there."""
    outcome = reconciled([*many("a", 10), KEEP], [file("x/0", b"0"), KEEP])
    assert "what it held is there" not in outcome.at("a").reason
    assert set(groups(outcome, Class.MISSING).values()) == {"a"}


@pytest.mark.parametrize(
    "maps",
    [
        (),
        (PlaceMap("a", "b"),),
    ],
    ids=["no map", "mapped"],
)
def test_a_lost_folder_that_held_nothing_but_clutter_is_lost(maps: tuple[PlaceMap, ...]) -> None:
    """A map says where a folder is expected; it does not make one that is not there a folder that moved."""
    outcome = reconciled([file("a/Thumbs.db", OLE2), KEEP], [KEEP], rules=SHIPPED, maps=maps)
    assert outcome.classes == {("a", None): Class.MISSING, ("a/Thumbs.db", None): Class.CLUTTER}


MOVES: Final = st.lists(st.sampled_from(["a", "a/b", "x", "x/b", None]), min_size=4, max_size=12)


@settings(max_examples=8)
@given(moves=MOVES)
def test_a_group_is_a_folder_with_a_finding_of_the_same_class_above_it(moves: list[str | None]) -> None:
    """Whatever was moved where: a group names a folder of the same fate that holds the entry, the topmost there is.

    And where the folder went to another place, the entry went with it.
    """
    old = [file(f"{'a' if n % 3 else 'a/b'}/{n}", str(n).encode()) for n in range(len(moves))]
    new = [file(f"{where}/{n}", str(n).encode()) for n, where in enumerate(moves) if where is not None]
    outcome = reconciled([*old, KEEP], [*new, KEEP])
    by_path = {(one.cls, one.old_path or one.new_path): one for one in outcome.findings}
    for one in outcome.findings:
        path = one.old_path or one.new_path or ""
        if one.group_path is None:
            assert "directory" not in (one.old_kind, one.new_kind)
            continue
        head = by_path[one.cls, one.group_path]
        assert "directory" in (head.old_kind, head.new_kind)
        assert head.group_path == one.group_path
        assert path == one.group_path or path.startswith(f"{one.group_path}/")
        if one.cls in (Class.MISSING, Class.EXTRA):
            assert (one.cls, parent_of(one.group_path)) not in by_path
        if head.old_path and head.new_path:
            assert one.new_path == f"{head.new_path}{path[len(one.group_path) :]}"
