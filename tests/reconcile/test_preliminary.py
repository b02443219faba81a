"""The preliminary account: what names and sizes say, counted again with os.walk and lstat."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING, Final, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import FOLDER, Node, file, folder, plant, scratch, unread, with_parents, write_manifest
from tests.strategies import lay_out, small_trees
from verifier.classes import Side
from verifier.errors import ManifestDamaged
from verifier.reconcile.findings import Tally
from verifier.reconcile.options import PlaceMap
from verifier.reconcile.preliminary import Preliminary, preliminary
from verifier.scan.scanner import ScanOptions, ScanRequest, scan
from verifier.tree.entry import Kind, State
from verifier.tree.names import to_text

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from tests.strategies import Folder

Maps = tuple[tuple[str, str], ...]
"""Prefixes of the old side and where they are on the new one."""


class Seen(NamedTuple):
    """What lstat says about a name."""

    kind: int
    """The type bits of its mode."""
    size: int


def walked(root: Path) -> dict[str, Seen]:
    """Return everything below a root, in the order of its names, without any of this project's walking."""
    found = {}
    for where, folders, files in os.walk(os.fsencode(root)):
        for name in (*folders, *files):
            place = os.path.join(where, name)  # noqa: PTH118  Path takes no bytes
            facts = os.lstat(place)
            path = to_text(os.path.relpath(place, os.fsencode(root)))
            found[path] = Seen(stat.S_IFMT(facts.st_mode), facts.st_size)
    return dict(sorted(found.items(), key=lambda item: item[0].encode()))


def place_in(path: str, maps: Maps) -> str:
    """Follow the map with the most names in its prefix that fits."""
    names = path.split("/")
    for depth in range(len(names), -1, -1):
        for old, new in maps:
            if (old.split("/") if old else []) == names[:depth]:
                return "/".join([*(new.split("/") if new else []), *names[depth:]])
    return path


def counted(seen: Iterable[Seen]) -> Tally:
    """Count entries, files and the bytes of files."""
    held = list(seen)
    sizes = [one.size for one in held if one.kind == stat.S_IFREG]
    return Tally(len(held), len(sizes), sum(sizes))


def recounted(old: dict[str, Seen], new: dict[str, Seen], maps: Maps = ()) -> Preliminary:
    """Compute the account of two listings of which nothing was read."""
    by_place: dict[str, Seen] = {}
    homeless = []
    for path, seen in old.items():
        place = place_in(path, maps)
        if place in by_place:
            homeless.append(seen)
        else:
            by_place[place] = seen
    pairs = [(seen, new[place]) for place, seen in by_place.items() if place in new]
    files = [(ours, theirs) for ours, theirs in pairs if ours.kind == theirs.kind == stat.S_IFREG]
    sides = {Side.OLD: old, Side.NEW: new}
    return Preliminary(
        {side: counted(listing.values()) for side, listing in sides.items()},
        {
            side: counted(seen for seen in listing.values() if seen.kind == stat.S_IFREG)
            for side, listing in sides.items()
        },
        counted([*homeless, *(seen for place, seen in by_place.items() if place not in new)]),
        counted(seen for path, seen in new.items() if path not in by_place),
        counted(ours for ours, theirs in files if ours.size != theirs.size),
        counted(ours for ours, theirs in pairs if ours.kind != theirs.kind),
        counted(ours for ours, theirs in files if ours.size == theirs.size),
    )


def of_trees(base: Path, maps: Maps = ()) -> Preliminary:
    """List the trees ``old`` and ``new`` below a folder, and return the account."""
    manifests = [base / f"{side}.m" for side in Side]
    for side, manifest in zip(Side, manifests, strict=True):
        scan(ScanRequest(side, base / side, manifest), ScanOptions(listing_only=True, readers=1))
    return preliminary(manifests[0], manifests[1], [PlaceMap(*one) for one in maps])


OLD: Final = {
    b"same": Node(b"same"),
    b"grown": Node(b"1"),
    b"gone/a": Node(b"22"),
    b"gone/b": Node(b"333"),
    b"kind": Node(b"4444"),
    b"link": Node(b"same", Kind.LINK),
    b"scans/x": Node(b"55555"),
    b"scans/y": Node(b"666666"),
    b"more/x": Node(b"7777777"),
    b"\xff": Node(b"88888888"),
    b"pipe": Node(kind=Kind.FIFO),
}
NEW: Final = {
    b"same": Node(b"emas"),
    b"grown": Node(b"1" * 9),
    b"kind": FOLDER,
    b"link": Node(b"elsewhere", Kind.LINK),
    b"archive/scans/x": Node(b"55555"),
    b"archive/scans/y": Node(b"6"),
    b"\xff": Node(b"88888888"),
    b"pipe": Node(kind=Kind.FIFO),
    b"made": Node(b"new"),
}
MAPS: Final[dict[str, Maps]] = {
    "none": (),
    "one folder": (("scans", "archive/scans"),),
    "the longest prefix wins": (("scans", "lost"), ("scans/x", "archive/scans/x")),
    "two folders become one": (("scans", "archive/scans"), ("more", "archive/scans")),
    "everything goes deeper": (("", "archive"),),
    "a folder comes up": (("gone", ""),),
    "a file's name": (("grown", "made"),),
    "a prefix of a name is none": (("scan", "archive/scan"),),
    "nothing of it is there": (("nowhere", "anywhere"),),
}


def test_every_number_of_a_small_pair(tmp_path: Path) -> None:
    """Counted by hand: what is not there, what is new, other sizes, other kinds, and what only reading can tell."""
    plant(tmp_path / "old", OLD)
    plant(tmp_path / "new", NEW)
    assert of_trees(tmp_path) == Preliminary(
        {Side.OLD: Tally(14, 9, 40), Side.NEW: Tally(11, 6, 30)},
        {Side.OLD: Tally(9, 9, 40), Side.NEW: Tally(6, 6, 30)},
        not_at_their_place=Tally(8, 5, 23),
        new_only=Tally(5, 3, 9),
        other_size=Tally(1, 1, 1),
        other_kind=Tally(1, 1, 4),
        same_size=Tally(2, 2, 12),
    )


@pytest.mark.parametrize("maps", MAPS.values(), ids=MAPS.keys())
def test_a_map_moves_what_a_walk_moves(tmp_path: Path, maps: Maps) -> None:
    """With maps each entry is looked for where it is expected; where two come to one place the second has none."""
    plant(tmp_path / "old", OLD)
    plant(tmp_path / "new", NEW)
    assert of_trees(tmp_path, maps) == recounted(walked(tmp_path / "old"), walked(tmp_path / "new"), maps)


@given(
    shared=small_trees(),
    old=small_trees(),
    new=small_trees(),
    maps=st.sampled_from([(), (("s", "n/s"),), (("s", "s/s"), ("s/s", "")), (("s", "n"), ("o", "n"))]),
)
@settings(max_examples=25)
def test_any_two_trees_are_counted_as_a_walk_counts_them(shared: Folder, old: Folder, new: Folder, maps: Maps) -> None:
    """Whatever the names are, and wherever the maps lead."""
    with scratch() as base:
        lay_out(base / "old", {b"s": shared, b"o": old})
        lay_out(base / "new", {b"s": shared, b"n": new | {b"s": shared}})
        assert of_trees(base, maps) == recounted(walked(base / "old"), walked(base / "new"), maps)


def test_each_side_adds_up(tmp_path: Path) -> None:
    """What is at its place, of whatever kind and size, and what is not, is all there is."""
    plant(tmp_path / "old", OLD)
    plant(tmp_path / "new", NEW)
    account = of_trees(tmp_path)
    both = account.listed[Side.OLD].entries - account.not_at_their_place.entries
    assert both == account.listed[Side.NEW].entries - account.new_only.entries == 6
    assert account.same_size.files + account.other_size.files <= both


def test_what_is_known_already_need_not_be_read(tmp_path: Path) -> None:
    """Read while listing, carried over, or not to be read at all: only listed files are still to read."""
    old = [
        file("read", b"1"),
        file("carried", b"22", state=State.CARRIED.value),
        unread(file("open", b"333")),
        unread(file("closed", b"4444"), State.UNREADABLE, "EACCES: open"),
        folder("waits", state=State.LISTED.value),
    ]
    manifests = [write_manifest(tmp_path / "o", old), write_manifest(tmp_path / "n", [unread(file("open", b"333"))])]
    account = preliminary(manifests[0], manifests[1])
    assert account.to_read == {Side.OLD: Tally(1, 1, 3), Side.NEW: Tally(1, 1, 3)}
    assert account.listed[Side.OLD] == Tally(5, 4, 10)


def test_nothing_is_written(tmp_path: Path) -> None:
    """The account is made while scans go on: it may not change a byte of what they write, nor leave anything."""
    entries = with_parents([file("a/b", b"1"), file("c", b"2")])
    manifests = [write_manifest(tmp_path / name, entries) for name in ("o", "n")]
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    preliminary(manifests[0], manifests[1], [PlaceMap("a", "c")])
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_damaged_manifest_is_one_line(tmp_path: Path) -> None:
    """What cannot be read is told as damage, with its name."""
    manifests = [write_manifest(tmp_path / name, [file("a")]) for name in ("o", "n")]
    data = manifests[1].read_bytes()
    manifests[1].write_bytes(data[:4096] + b"\xa5" * (len(data) - 4096))
    with pytest.raises(ManifestDamaged):
        preliminary(manifests[0], manifests[1])
