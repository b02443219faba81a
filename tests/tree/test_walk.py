"""Listing: every name once, in a fixed order, and a stated outcome for whatever could not be listed."""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings

from tests.conftest import without_rights
from tests.strategies import Folder, Link, every_path, lay_out, small_trees
from tests.tree.deep import MANY, NAME, DeepTree
from tests.tree.faults import FaultyHandle, failing, once
from tests.tree.listings import list_tree
from verifier.errors import RootUnavailable, ShareGone
from verifier.tree.entry import Kind, State
from verifier.tree.handle import PathHandle
from verifier.tree.names import to_text
from verifier.tree.walk import ATTEMPTS, CHUNK_ENTRIES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

TREE: Folder = {
    b"b": b"",
    b"a": {b"z": b"", b"Z": b"", b"sub": {b"x": b""}},
    b"B": {b"inner": b""},
    b"a-file": b"",
    "\u00e9".encode(): {},
    b"\xff": b"",
    b"link": Link(b"a"),
}


def in_order(tree: Folder, above: bytes = b"") -> Iterator[bytes]:
    """Say the walk's order in another way: a folder's other names by bytes, then each sub-folder and what is in it."""
    folders = {name: node for name, node in tree.items() if isinstance(node, dict)}
    yield from (above + name for name in sorted(set(tree) - set(folders)))
    for name, below in sorted(folders.items()):
        yield above + name
        yield from in_order(below, above + name + b"/")


@given(tree=small_trees())
@settings(max_examples=40)
def test_every_name_is_listed_once_in_a_fixed_order(tree: Folder) -> None:
    """Whatever the names are, each is in the listing exactly once, and the order follows from their bytes."""
    with tempfile.TemporaryDirectory() as place:
        found = list_tree(lay_out(Path(place) / "root", tree))
    assert found.paths == [to_text(path) for path in in_order(tree)]
    assert found.problems == []
    assert all(entry.content_known or entry.kind == Kind.FILE for entry in found.entries)


@given(tree=small_trees())
@settings(max_examples=20)
def test_both_ways_of_reaching_into_a_tree_see_the_same(tree: Folder) -> None:
    """What a platform without descriptor-relative calls lists is what the others list."""
    with tempfile.TemporaryDirectory() as place:
        root = lay_out(Path(place) / "root", tree)
        assert list_tree(root, PathHandle(root)) == list_tree(root)


@given(tree=small_trees())
@settings(max_examples=20)
def test_raw_bytes_are_kept_where_the_path_is_not_utf8(tree: Folder) -> None:
    """Below a folder whose name is not UTF-8 every path has its bytes; elsewhere the text says it all."""
    with tempfile.TemporaryDirectory() as place:
        found = list_tree(lay_out(Path(place) / "root", tree))
    for raw, _ in every_path(tree):
        try:
            raw.decode()
        except UnicodeDecodeError:
            assert found[to_text(raw)].raw == raw
        else:
            assert found[to_text(raw)].raw is None


def test_the_order_is_the_one_that_is_promised(tmp_path: Path) -> None:
    """The order written out once, so that the rule and the other way of saying it cannot both drift."""
    assert list_tree(lay_out(tmp_path / "root", TREE)).paths == [
        "a-file", "b", "link", "\\xff", "B", "B/inner", "a", "a/Z", "a/z", "a/sub", "a/sub/x", "\u00e9",
    ]  # fmt: skip


# ---- Links


@pytest.mark.parametrize("target", ["link", ".", "..", "/", "folder", "gone", "x" * 4095], ids=lambda t: t[:9])
def test_links_are_never_followed(tmp_path: Path, target: str) -> None:
    """Loops, links to folders and out of the tree, dangling links: each is one entry with its target."""
    root = lay_out(tmp_path / "root", {b"folder": {b"file": b""}})
    (root / "link").symlink_to(target)
    found = list_tree(root)
    assert found.paths == ["link", "folder", "folder/file"]
    assert (found["link"].kind, found["link"].target) == (Kind.LINK, target)


def test_nothing_but_files_is_ever_opened(tmp_path: Path) -> None:
    """A walk opens folders and nothing else: opening a FIFO would block, opening a device may do anything (open(2))."""
    root = lay_out(tmp_path / "root", TREE)
    os.mkfifo(root / "fifo")
    with FaultyHandle(root) as handle:
        list_tree(root, handle)
        assert not [path for operation, path in handle.asked if operation == "open"]


# ---- Depth


def test_paths_longer_than_the_system_takes_are_listed(deep_tree: DeepTree) -> None:
    """300 levels of 60 characters make paths of 18,000 bytes; open(2) takes 4,095 (linux/limits.h)."""
    with pytest.raises(OSError, match="File name too long"):
        deep_tree.root.joinpath(*deep_tree.folder(MANY - 1)).stat()
    found = list_tree(deep_tree.root)
    assert found.problems == []
    expected = []
    for depth in range(MANY):
        folder = "/".join([NAME] * depth)
        expected += [folder] * bool(folder)
        expected += [f"{folder}/{name}".removeprefix("/") for name in deep_tree.names(depth) if name != NAME]
    assert sorted(found.paths) == sorted(expected)


# ---- What may not be looked at


@pytest.mark.parametrize(("mode", "listed"), [(0o000, False), (0o311, False), (0o700, True)], ids=oct)
def test_a_folder_that_may_not_be_listed_is_a_finding(open_ground: Path, mode: int, listed: bool) -> None:
    """It is there with its error, its siblings are listed, and nobody takes it for empty."""
    root = lay_out(open_ground / "root", {b"closed": {b"file": b""}, b"open": {b"file": b""}})
    if os.geteuid() == 0:
        os.chown(root / "closed", 65534, 65534)
    (root / "closed").chmod(mode)
    with without_rights():
        found = list_tree(root)
    assert "open/file" in found.paths
    assert ("closed/file" in found.paths) is listed
    if not listed:
        assert (found["closed"].state, found["closed"].error) == (State.UNREADABLE, "EACCES: list")
        assert [(p.path, p.operation, p.error) for p in found.problems] == [("closed", "list", "EACCES")]


def test_names_that_may_not_be_looked_at_are_listed(open_ground: Path) -> None:
    """A folder that may be listed but not searched gives names without facts: each is an unreadable entry."""
    root = lay_out(open_ground / "root", {b"closed": {b"one": b"", b"two": b""}})
    (root / "closed").chmod(0o744)
    if os.geteuid() != 0:
        (root / "closed").chmod(0o400)
    with without_rights():
        found = list_tree(root)
    for path in ("closed/one", "closed/two"):
        assert (found[path].kind, found[path].state) == (Kind.UNKNOWN, State.UNREADABLE)
        assert found[path].error == "EACCES: stat"
    assert [p.path for p in found.problems] == ["closed/one", "closed/two"]


# ---- What changes under the walk


def test_a_name_that_vanishes_is_still_listed(tmp_path: Path) -> None:
    """A name that the listing returned is in the manifest, though it is gone when it is looked at."""
    root = lay_out(tmp_path / "root", {b"folder": {b"gone": b"", b"kept": b""}})
    handle = FaultyHandle(root)
    handle.before["facts", "folder/gone"] = (root / "folder" / "gone").unlink
    found = list_tree(root, handle)
    assert found.paths == ["folder", "folder/gone", "folder/kept"]
    assert (found["folder/gone"].kind, found["folder/gone"].state) == (Kind.UNKNOWN, State.UNSETTLED)
    assert [(p.path, p.operation, p.error) for p in found.problems] == [("folder/gone", "stat", "ENOENT")]


def test_a_folder_that_vanishes_is_unsettled(tmp_path: Path) -> None:
    """A folder that is gone before it is entered is neither empty nor fine."""
    root = lay_out(tmp_path / "root", {b"gone": {}, b"kept": {}})
    handle = FaultyHandle(root)
    handle.before["facts", "kept"] = once((root / "gone").rmdir)
    found = list_tree(root, handle)
    assert found.paths == ["gone", "kept"]
    assert found["gone"].state == State.UNSETTLED
    assert [(p.path, p.operation, p.error) for p in found.problems] == [("gone", "list", "ENOENT")]


def test_a_folder_that_becomes_a_link_is_not_followed(tmp_path: Path) -> None:
    """Between its listing and its turn a folder is swapped for a link to somewhere else: nothing there is listed."""
    outside = lay_out(tmp_path / "outside", {b"secret": b""})
    root = lay_out(tmp_path / "root", {b"a": {}, b"swapped": {b"file": b""}})
    handle = FaultyHandle(root)

    def swap() -> None:
        (root / "swapped").rename(tmp_path / "away")
        (root / "swapped").symlink_to(outside)

    handle.before["names", "a"] = once(swap)
    found = list_tree(root, handle)
    assert found.paths == ["a", "swapped"]
    assert found["swapped"].state == State.UNSETTLED


def touching(folder: Path) -> Callable[[], None]:
    """Return an action that adds a name to a folder and gives it another time, however coarse the clock."""
    calls = 0

    def add() -> None:
        nonlocal calls
        calls += 1
        (folder / f"new-{calls}").touch()
        os.utime(folder, ns=(calls, calls))

    return add


def test_a_folder_that_changes_while_it_is_listed_is_listed_again(tmp_path: Path) -> None:
    """What was added during the first look is in the second one, and the folder counts as listed."""
    root = lay_out(tmp_path / "root", {b"busy": {b"old": b""}})
    handle = FaultyHandle(root)
    handle.after["names", "busy"] = once(touching(root / "busy"))
    found = list_tree(root, handle)
    assert found.paths == ["busy", "busy/new-1", "busy/old"]
    assert found["busy"].state == State.CONTENTLESS
    assert found.problems == []


def test_a_folder_that_never_stops_changing_is_unsettled(tmp_path: Path) -> None:
    """A folder that changed during every look is listed as far as it was seen, and says so."""
    root = lay_out(tmp_path / "root", {b"busy": {b"old": b""}})
    handle = FaultyHandle(root)
    handle.after["names", "busy"] = touching(root / "busy")
    found = list_tree(root, handle)
    assert (found["busy"].state, found["busy"].error) == (State.UNSETTLED, "changed while it was being listed")
    assert "busy/old" in found.paths
    assert handle.asked["names", "busy"] == ATTEMPTS
    assert [(p.path, p.error) for p in found.problems] == [("busy", "changed while listing")]


def test_a_name_that_is_listed_twice_is_one_entry_and_a_problem(tmp_path: Path) -> None:
    """A server that gives a name twice must not make two entries of it, nor hide that it did."""
    root = lay_out(tmp_path / "root", {b"folder": {b"one": b"", b"two": b""}})
    handle = FaultyHandle(root)
    handle.also_listed["folder"] = ["two", "one", "two"]
    found = list_tree(root, handle)
    assert found.paths == ["folder", "folder/one", "folder/two"]
    assert [(p.path, p.error) for p in found.problems] == [("folder", "3 names listed twice")]


# ---- Errors


@pytest.mark.parametrize("operation", ["names", "facts", "target"])
@pytest.mark.parametrize("path", ["", "folder", "folder/link"], ids=["the root", "a folder", "a name"])
@pytest.mark.parametrize("name", ["ESTALE", "ENOTCONN", "EHOSTDOWN", "ETIMEDOUT", "ENETUNREACH", "ENODEV"])
def test_a_share_that_goes_away_stops_the_walk(tmp_path: Path, operation: str, path: str, name: str) -> None:
    """A dead mount (nfs(5), errno(3)) raises from wherever it shows: nothing unseen may count as missing."""
    if operation == "names" and path == "folder/link":
        path = "folder"
    if operation == "target":
        path = "folder/link"
    root = lay_out(tmp_path / "root", {b"file": b"", b"folder": {b"link": Link(b"file")}})
    handle = FaultyHandle(root)
    handle.before[operation, path] = failing(getattr(errno, name))
    with pytest.raises(ShareGone, match=name) as caught:
        list_tree(root, handle)
    assert (path or "the root") in str(caught.value)


@pytest.mark.parametrize("name", ["EACCES", "EIO", "ENOENT", "EMFILE"])
def test_a_root_that_cannot_be_listed_is_no_empty_tree(tmp_path: Path, name: str) -> None:
    """Whatever the error is, a root without a listing ends the scan."""
    handle = FaultyHandle(lay_out(tmp_path / "root", {}))
    handle.before["names", ""] = failing(getattr(errno, name))
    with pytest.raises(RootUnavailable, match=name):
        list_tree(tmp_path / "root", handle)


def test_an_input_error_that_passes_is_forgotten(tmp_path: Path) -> None:
    """EIO once is a hiccup: the folder is listed and fine."""
    root = lay_out(tmp_path / "root", {b"folder": {b"file": b""}})
    handle = FaultyHandle(root)
    handle.before["names", "folder"] = failing(errno.EIO, times=ATTEMPTS - 1)
    found = list_tree(root, handle)
    assert found.paths == ["folder", "folder/file"]
    assert (found["folder"].state, found.problems) == (State.CONTENTLESS, [])


def test_an_input_error_that_stays_is_a_finding(tmp_path: Path) -> None:
    """EIO on every attempt: the folder is unreadable with its error, and the walk goes on."""
    root = lay_out(tmp_path / "root", {b"bad": {b"file": b""}, b"good": {b"file": b""}})
    handle = FaultyHandle(root)
    handle.before["names", "bad"] = failing(errno.EIO)
    found = list_tree(root, handle)
    assert found.paths == ["bad", "good", "good/file"]
    assert (found["bad"].state, found["bad"].error) == (State.UNREADABLE, "EIO: list")
    assert [(p.path, p.error, p.attempts) for p in found.problems] == [("bad", "EIO", ATTEMPTS)]


@pytest.mark.parametrize("path", ["file", "link", "folder"])
def test_a_name_whose_facts_cannot_be_had_is_a_finding(tmp_path: Path, path: str) -> None:
    """EIO at one name leaves it unreadable and of unknown kind; every other name is as it would have been."""
    root = lay_out(tmp_path / "root", {b"file": b"", b"link": Link(b"x"), b"folder": {}, b"other": b""})
    handle = FaultyHandle(root)
    handle.before["facts", path] = failing(errno.EIO)
    found = list_tree(root, handle)
    assert sorted(found.paths) == ["file", "folder", "link", "other"]
    assert (found[path].kind, found[path].state, found[path].error) == (Kind.UNKNOWN, State.UNREADABLE, "EIO: stat")
    assert [(p.path, p.operation) for p in found.problems] == [(path, "stat")]


def test_a_link_that_cannot_be_read_is_a_finding(tmp_path: Path) -> None:
    """A link without its target is unreadable, not a link to nothing."""
    root = lay_out(tmp_path / "root", {b"link": Link(b"x")})
    handle = FaultyHandle(root)
    handle.before["target", "link"] = failing(errno.EIO)
    found = list_tree(root, handle)
    assert found["link"].state == State.UNREADABLE
    assert len(found.problems) == 1


# ---- Choices and chunks


def test_a_folder_that_is_not_entered_says_why(tmp_path: Path) -> None:
    """A rule may keep the walk out of a folder; the folder itself is listed with the rule's reason."""
    root = lay_out(tmp_path / "root", {b"a": {b"skip": {b"x": b""}, b"take": {b"x": b""}}})
    asked: list[str] = []

    def skip(path: str) -> str | None:
        asked.append(path)
        return "by choice" if path.endswith("skip") else None

    found = list_tree(root, skip=skip)
    assert found.paths == ["a", "a/skip", "a/take", "a/take/x"]
    assert (found["a/skip"].state, found["a/skip"].error) == (State.LISTED, "by choice")
    assert asked == ["a", "a/skip", "a/take"]


@pytest.mark.parametrize("kind", ["files", "empty folders"])
def test_chunks_are_bounded(tmp_path: Path, kind: str) -> None:
    """A listing is handed on in pieces, so that it can be stored, stopped and shown while it goes on."""
    names = [str(n).encode() for n in range(CHUNK_ENTRIES * 2 + 500)]
    root = lay_out(tmp_path / "root", {name: b"" if kind == "files" else {} for name in names})
    found = list_tree(root)
    assert len(found.paths) == len(names)
    assert max(found.chunk_sizes) <= CHUNK_ENTRIES + 1


def test_an_empty_tree_has_no_entries(tmp_path: Path) -> None:
    """The root is not an entry: an empty tree gives nothing, and no problem either."""
    found = list_tree(lay_out(tmp_path / "root", {}))
    assert (found.entries, found.problems) == ([], [])


def test_a_walk_changes_nothing(tmp_path: Path) -> None:
    """Listing leaves every name, time and mode as it was."""
    root = lay_out(tmp_path / "root", TREE)
    before = {p: _facts(p) for p in root.rglob("*")}
    list_tree(root)
    assert {p: _facts(p) for p in root.rglob("*")} == before


def _facts(path: Path) -> tuple[int, ...]:
    facts = path.lstat()
    return facts.st_mtime_ns, facts.st_ctime_ns, facts.st_nlink, stat.S_IMODE(facts.st_mode), facts.st_size
