"""How much lies in which folder near the top: what is measured, and that a walk over the entries says the same."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.reconcile.trees import file, folder, link, scratch, unlisted, with_parents, write_manifest
from verifier.classes import Side
from verifier.reconcile import folders
from verifier.reconcile.findings import Tally
from verifier.reconcile.folders import DEEPEST, MOST_BELOW, MOST_FOLDERS, FolderSize, Ground, ground_of
from verifier.tree.entry import Entry, Kind
from verifier.tree.names import to_text

if TYPE_CHECKING:
    from collections.abc import Iterable

LAST: Final = "\U0010ffff"
"""The name that sorts after every other."""


def ground(old: Iterable[Entry], new: Iterable[Entry] | None = None) -> Ground:
    """Return what is measured of two sides; without the second one both are alike. Folders above are added."""
    old = with_parents(old)
    sides = {Side.OLD: old, Side.NEW: old if new is None else with_parents(new)}
    with scratch() as base:
        return ground_of({side: write_manifest(base / side, entries) for side, entries in sides.items()})


def sizes(measured: Ground) -> dict[str, tuple[str, int, int, int]]:
    """Return the measured folders' numbers by path."""
    return {one.path: (one.side.value, *one[2:]) for one in measured.folders}


def test_two_levels_are_measured_with_everything_below() -> None:
    """A folder counts what lies in it at any depth, itself left out; what lies deeper has no number of its own."""
    tree = [
        file("a/1", b"1"),
        file("a/b/2", b"22"),
        file("a/b/c/d/3", b"333"),
        link("a/b/c/link", "a long target"),
        folder("empty"),
        file("top", b"4444"),
    ]
    measured = ground(tree)
    assert measured.base == ""
    assert sizes(measured) == {"a": ("old", 7, 3, 6), "a/b": ("old", 5, 2, 5), "empty": ("old", 0, 0, 0)}
    assert measured.others == 0


def test_neighbours_that_share_a_beginning_are_kept_apart() -> None:
    """Names that sort between a folder and what lies in it belong to the folder beside it."""
    names = ["a", "a!", "a-b", "a.b", "a/a", "a0", "ab", "a b"]
    measured = ground([file(f"{name}/x", b"1" * n) for n, name in enumerate(names, 1)])
    expected = {name: n for n, name in enumerate(names, 1)}
    expected["a"] += expected["a/a"]
    assert {path: numbers[3] for path, numbers in sizes(measured).items()} == expected


@pytest.mark.parametrize(
    ("paths", "base"),
    [
        (["data/a/1", "data/b/1"], "data"),
        (["data/scans/a/1", "data/scans/b/1"], "data/scans"),
        (["data/scans/a/1", "data/note"], "data"),
        (["data/scans/a/1", "note"], ""),
        (["data/a/1", "data!/b/1"], ""),
        (["data/a/1", "data0"], ""),
        (["data/a/1", f"{LAST}/b/1"], ""),
        (["data/1", "data/2"], ""),
        (["data/scans/1"], "data"),
        (["1"], ""),
    ],
)
def test_the_base_is_where_folders_branch(paths: list[str], base: str) -> None:
    """Folders that are alone are gone down, to the last that has folders in it; a neighbour of any name ends that."""
    measured = ground([file(path) for path in paths])
    assert measured.base == base
    inside = {path for path in sizes(measured) if path.count("/") == (base.count("/") + 1 if base else 0)}
    assert inside == {
        "/".join(path.split("/")[: base.count("/") + 2 if base else 1])
        for path in paths
        if (path.count("/") > (base.count("/") + 1 if base else 0))
    }


def test_a_chain_is_not_gone_down_for_ever() -> None:
    """Folders in folders end the search for one that branches, and what lies there is measured all the same."""
    measured = ground([file("/".join("x" * (DEEPEST + 5)))])
    assert measured.base == "/".join("x" * DEEPEST)
    assert len(measured.folders) == 2


def test_a_folder_that_could_not_be_listed_is_one_of_nothing() -> None:
    """Where nothing is known of a folder's inside it has its place and no bytes."""
    assert sizes(ground([unlisted("locked"), file("open/1", b"1")])) == {
        "locked": ("old", 0, 0, 0),
        "open": ("old", 1, 1, 1),
    }


def test_what_only_the_new_side_has_is_measured_there() -> None:
    """A folder of both sides has the old side's numbers; one that is only new, or stands for a file, has the new's."""
    old = [file("both/1", b"1"), file("was a file", b"1")]
    new = [file("both/1", b"333"), file("both/new/1", b"22"), file("only/b/1", b"4444"), file("was a file/1", b"55555")]
    assert sizes(ground(old, new)) == {
        "both": ("old", 1, 1, 1),
        "only": ("new", 2, 1, 4),
        "only/b": ("new", 1, 1, 4),
        "was a file": ("new", 1, 1, 5),
    }


def test_new_folders_outside_the_base_are_not_measured() -> None:
    """The base is the old side's: what the new side has beside it lies in no folder that is measured."""
    old = [file("data/a/1"), file("data/b/1")]
    measured = ground(old, [*old, file("data/c/1", b"1"), file("beside/1")])
    assert measured.base == "data"
    assert sizes(measured)["data/c"] == ("new", 1, 1, 1)
    assert not [path for path in sizes(measured) if path.startswith("beside")]


def test_of_many_folders_the_largest_are_kept_and_the_others_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """The answer stays small; no folder of the old side is taken for one of the new because it was not kept."""
    monkeypatch.setattr(folders, "MOST_FOLDERS", 3)
    monkeypatch.setattr(folders, "MOST_BELOW", 2)
    tops = [file(f"t{n}/1", b"1" * n) for n in range(1, 8)]
    below = [file(f"t9/s{n}/1", b"1" * n) for n in range(1, 5)]
    measured = ground(tops + below, [*tops, *below, file("new/1")])
    assert [one.path for one in measured.folders] == ["new", "t6", "t7", "t9", "t9/s3", "t9/s4"]
    assert [one.path for one in measured.folders if one.side is Side.NEW] == ["new"]
    assert measured.others == 5
    measured = ground([file("t1/1")], [file("t1/1"), *(file(f"n{n}/1", b"1" * n) for n in range(5))])
    assert [one.path for one in measured.folders] == ["n2", "n3", "n4", "t1"]
    assert measured.others == 2


def test_a_tree_without_folders_has_no_ground() -> None:
    """Files alone give no folder to draw."""
    assert ground([file("1"), link("2", "1")]) == Ground("", ())


_NAMES: Final = st.sampled_from(["a", "b", "a!", "a0", "A", "\u00e9", "\\xff", LAST, "\\\\", "%", "_", " ", "\n", "'"])
_TREES: Final = st.dictionaries(
    st.lists(_NAMES, min_size=1, max_size=5).map("/".join), st.integers(0, 9), min_size=1, max_size=14
)


def tree_of(drawn: dict[str, int]) -> list[Entry]:
    """Return a tree of files of these sizes; a path that something lies under becomes a folder."""
    above = {path.rsplit("/", n)[0] for path in drawn for n in range(1, path.count("/") + 1)}
    return with_parents(folder(p) if p in above or not n else file(p, b"." * n) for p, n in sorted(drawn.items()))


def walked(entries: Iterable[Entry], path: str) -> Tally:
    """Count what lies below a folder by its path's parts, one entry after the other."""
    parts = path.split("/")
    below = [e for e in entries if e.path.split("/")[: len(parts)] == parts and e.path != path]
    return Tally(len(below), sum(e.kind == Kind.FILE for e in below), sum(e.size for e in below if e.kind == Kind.FILE))


@given(_TREES, _TREES)
@example({"a/b/a": 1}, {LAST: 0})
@example({f"a/{LAST}/a": 1, f"a/{LAST}!": 0}, {f"{LAST}{LAST}": 0})
def test_every_size_is_what_a_walk_says(old_drawn: dict[str, int], new_drawn: dict[str, int]) -> None:
    """Whatever the names: the base is where everything lies, and every folder near it has the sum of what is in it."""
    old, new = tree_of(old_drawn), tree_of(new_drawn)
    measured = ground(old, new)
    there = {e.path for e in old if e.kind == Kind.DIRECTORY}
    depth = len(measured.base.split("/")) if measured.base else 0
    for n in range(depth):
        alone = "/".join(measured.base.split("/")[: n + 1])
        assert {e.path for e in old if e.path.count("/") == n} == {alone}
    near = {
        one.path: (side, *walked(entries, one.path))
        for side, entries in ((Side.OLD, old), (Side.NEW, new))
        for one in entries
        if one.kind == Kind.DIRECTORY and (side is Side.OLD or _only_new(one.path, depth, there))
        if depth <= one.path.count("/") <= depth + 1 and (not depth or one.path.startswith(f"{measured.base}/"))
    }
    assert {one.path: (one.side, *one[2:]) for one in measured.folders} == near
    assert [one.path for one in measured.folders] == sorted(near)


def _only_new(path: str, depth: int, there: set[str]) -> bool:
    return "/".join(path.split("/")[: depth + 1]) not in there


@given(st.lists(st.tuples(st.text(st.characters(exclude_categories=["Cs"])), st.sampled_from(Side))), st.integers(0))
def test_what_is_recorded_comes_back(named: list[tuple[str, Side]], others: int) -> None:
    """The text in the evidence says the same again, whatever the names are."""
    measured = Ground("a", tuple(FolderSize(path, side, 1, 2, others) for path, side in named), others)
    assert Ground.from_json(measured.to_json()) == measured


def test_bytes_that_are_no_text_come_back(tmp_path: object) -> None:
    """A folder whose name is not UTF-8 is recorded as a manifest has it."""
    name = to_text(b"\xff\xfe")
    measured = ground([file(f"{name}/1")])
    assert [one.path for one in Ground.from_json(measured.to_json()).folders] == [name]


WRITTEN: Final[dict[str, Any]] = {"base": "", "folders": [["a", "old", 1, 1, 1]], "others": 0}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        "[" * 100_000,
        "{}",
        json.dumps(WRITTEN | {"base": None}),
        json.dumps(WRITTEN | {"base": "\ud800"}),
        json.dumps(WRITTEN | {"others": -1}),
        json.dumps(WRITTEN | {"others": True}),
        json.dumps(WRITTEN | {"folders": 1}),
        json.dumps(WRITTEN | {"folders": ["a"]}),
        json.dumps(WRITTEN | {"folders": [["a", "old", 1, 1]]}),
        json.dumps(WRITTEN | {"folders": [["a", "old", 1, 1, 1, 1]]}),
        json.dumps(WRITTEN | {"folders": [["a", "both", 1, 1, 1]]}),
        json.dumps(WRITTEN | {"folders": [[1, "old", 1, 1, 1]]}),
        json.dumps(WRITTEN | {"folders": [["\udc80", "old", 1, 1, 1]]}),
        json.dumps(WRITTEN | {"folders": [["a", "old", 1, 1, -1]]}),
        json.dumps(WRITTEN | {"folders": [["a", "old", 1, 1.5, 1]]}),
        json.dumps(WRITTEN | {"folders": [["a", "old", "1", 1, 1]]}),
    ],
    ids=range(20),
)
def test_what_nobody_wrote_is_refused(text: str) -> None:
    """An altered record is an error that can be caught, never a picture with made-up sizes."""
    assert Ground.from_json(json.dumps(WRITTEN)).folders
    with pytest.raises(ValueError):
        Ground.from_json(text)


def test_the_limits_keep_the_answer_small() -> None:
    """What is recorded for the picture stays a few thousand lines, whatever the tree is."""
    assert 2 * MOST_FOLDERS * (1 + MOST_BELOW) < 50_000
