"""Listing: every name once, in a fixed order, and a stated outcome for whatever could not be listed."""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import without_rights
from tests.strategies import Folder, Link, every_path, lay_out, small_trees
from tests.tree.deep import MANY, NAME, DeepTree
from tests.tree.faults import FaultyHandle, failing, once
from tests.tree.listings import ROOT, Listing, list_tree, run
from verifier.errors import RootUnavailable, ShareGone
from verifier.tree import walk as module
from verifier.tree.content import Stopped
from verifier.tree.entry import Kind, State
from verifier.tree.handle import PathHandle, open_tree
from verifier.tree.names import to_bytes, to_text
from verifier.tree.share import Share
from verifier.tree.trouble import ATTEMPTS
from verifier.tree.walk import NAMES_A_STEP, NO_ANSWER, Gate, Names, Place, Walk

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Iterator

    from verifier.tree.entry import Entry

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


SILENT: Final = ("ENOTCONN", "EHOSTDOWN", "ETIMEDOUT", "ENETUNREACH", "ECONNRESET")
"""Errors of a share that does not answer (nfs(5), errno(3)): asked again before it counts as gone."""
PLACES: Final = [("names", ""), ("names", "folder"), ("facts", ""), ("facts", "folder"), ("facts", "folder/link"),
                 ("target", "folder/link")]  # fmt: skip


@pytest.fixture
def troubled(tmp_path: Path) -> FaultyHandle:
    """Return a hold on a small tree whose places can be made to fail."""
    return FaultyHandle(lay_out(tmp_path / "root", {b"file": b"", b"folder": {b"link": Link(b"file")}}))


@pytest.mark.parametrize(("operation", "path"), PLACES)
@pytest.mark.parametrize("name", [*SILENT, "ENODEV", "ENOLINK", "ENXIO"])
def test_a_share_that_goes_away_stops_the_walk(
    tmp_path: Path, troubled: FaultyHandle, operation: str, path: str, name: str
) -> None:
    """A dead mount (nfs(5), errno(3)) raises from wherever it shows: nothing unseen may count as missing."""
    troubled.before[operation, path] = failing(getattr(errno, name))
    with pytest.raises(ShareGone, match=name) as caught:
        list_tree(tmp_path / "root", troubled)
    assert (path or "the root") in str(caught.value)


@pytest.mark.parametrize(("operation", "path"), PLACES)
@pytest.mark.parametrize("name", SILENT)
def test_a_share_that_answers_again_was_not_gone(
    tmp_path: Path, troubled: FaultyHandle, operation: str, path: str, name: str
) -> None:
    """A server that is silent for a moment costs pauses, not the scan: everything is listed as if nothing had been."""
    expected = list_tree(tmp_path / "root")
    troubled.before[operation, path] = failing(getattr(errno, name), times=ATTEMPTS - 1)
    assert list_tree(tmp_path / "root", troubled).entries == expected.entries


def test_a_stale_root_is_a_share_that_is_gone(tmp_path: Path, troubled: FaultyHandle) -> None:
    """Where the root's own handle is stale nothing of the tree is behind it any more (nfs(5), ESTALE)."""
    troubled.before["names", ""] = failing(errno.ESTALE)
    with pytest.raises(ShareGone, match="ESTALE at the root"):
        list_tree(tmp_path / "root", troubled)


@pytest.mark.parametrize(("operation", "path"), [("names", "folder"), ("facts", "file"), ("target", "folder/link")])
def test_a_stale_name_is_one_name_that_changed(
    tmp_path: Path, troubled: FaultyHandle, operation: str, path: str
) -> None:
    """A file or folder that was replaced on the server is unsettled; the walk goes on and everything else is listed."""
    expected = list_tree(tmp_path / "root")
    troubled.before[operation, path] = failing(errno.ESTALE)
    found = list_tree(tmp_path / "root", troubled)
    assert found[path].state == State.UNSETTLED
    assert [(p.path, p.error) for p in found.problems] == [(path, "ESTALE")]
    for entry in found.entries:
        assert entry == expected[entry.path] or entry.path == path
    below = {"folder/link"} if path == "folder" else set()
    assert set(expected.paths) - set(found.paths) == below


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
    handle.before["names", "folder"] = failing(errno.EIO, times=1)
    found = list_tree(root, handle)
    assert found.paths == ["folder", "folder/file"]
    assert (found["folder"].state, found.problems) == (State.CONTENTLESS, [])


def test_an_input_error_that_stays_is_a_finding(tmp_path: Path) -> None:
    """EIO on every attempt: the folder is unreadable with its error, how often it was asked, and the walk goes on."""
    root = lay_out(tmp_path / "root", {b"bad": {b"file": b""}, b"good": {b"file": b""}})
    handle = FaultyHandle(root)
    handle.before["names", "bad"] = failing(errno.EIO)
    found = list_tree(root, handle)
    assert found.paths == ["bad", "good", "good/file"]
    assert (found["bad"].state, found["bad"].error) == (State.UNREADABLE, "EIO: list")
    assert [(p.path, p.error, p.attempts) for p in found.problems] == [("bad", "EIO", handle.asked["names", "bad"])]


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
    # A file's first look may be the quick one, which counts as none.
    assert found.problems[0].attempts in (handle.asked["facts", path], handle.asked["facts", path] - 1)
    assert found.problems[0].attempts > 1


def test_a_link_that_cannot_be_read_is_a_finding(tmp_path: Path) -> None:
    """A link without its target is unreadable, not a link to nothing."""
    root = lay_out(tmp_path / "root", {b"link": Link(b"x")})
    handle = FaultyHandle(root)
    handle.before["target", "link"] = failing(errno.EIO)
    found = list_tree(root, handle)
    assert found["link"].state == State.UNREADABLE
    assert [(p.path, p.operation, p.error) for p in found.problems] == [("link", "link", "EIO")]


# ---- Choices and steps


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
def test_steps_are_bounded(tmp_path: Path, kind: str) -> None:
    """A listing can be left, stored, stopped and shown after a few names, however large a folder is."""
    names = [str(n).encode() for n in range(NAMES_A_STEP * 20 + 5)]
    found = list_tree(lay_out(tmp_path / "root", {name: b"" if kind == "files" else {} for name in names}))
    assert len(found.paths) == len(names)
    assert max(found.step_sizes) <= NAMES_A_STEP + 1


def test_a_step_says_how_much_there_is(tmp_path: Path) -> None:
    """Whoever takes a walk's steps knows from each how many entries wait to be fetched."""
    root = lay_out(tmp_path / "root", {str(n).encode(): b"" for n in range(40)} | {b"folder": {b"x": Link(b"y")}})
    with open_tree(root) as held:
        walk = Walk(held, Gate(Share.at(root)))
        told = [(size, walk.chunk.size) for size in walk.run([ROOT])]
    assert [size for size, _ in told] == [there for _, there in told] == [16, 32, 40, 42]


def test_an_empty_tree_has_no_entries(tmp_path: Path) -> None:
    """The root is not an entry: an empty tree gives nothing, and no problem either."""
    found = list_tree(lay_out(tmp_path / "root", {}))
    assert (found.entries, found.problems) == ([], [])


# ---- Left and taken up


def relay(root: Path, cuts: list[int]) -> Listing:
    """List a tree with one walk after the other, each left after so many steps, the last one at its end."""
    found = Listing()
    rest = [ROOT]
    for steps in cuts:
        with open_tree(root) as held:
            rest = run(Walk(held, Gate(Share.at(root))), rest, found, steps)
    with open_tree(root) as held:
        assert run(Walk(held, Gate(Share.at(root))), rest, found) == []
    return found


def waits(entry: Entry) -> bool:
    """Tell whether an entry only says that its folder is still to be entered."""
    return (entry.kind, entry.state, entry.error) == (Kind.DIRECTORY, State.LISTED, None)


@given(tree=small_trees(), names_a_step=st.integers(1, 3), cuts=st.lists(st.integers(1, 6), max_size=8))
@settings(max_examples=80)
def test_a_walk_that_is_left_and_taken_up_lists_the_same(tree: Folder, names_a_step: int, cuts: list[int]) -> None:
    """Wherever walks are left, what each leaves and the next takes up comes to what one undisturbed walk gives."""
    with tempfile.TemporaryDirectory() as place, pytest.MonkeyPatch.context() as patch:
        root = lay_out(Path(place) / "root", tree)
        whole = list_tree(root)
        patch.setattr(module, "NAMES_A_STEP", names_a_step)
        found = relay(root, cuts)
    assert found.final == whole.final
    assert found.problems == whole.problems == []
    assert sorted(entry.path for entry in found.entries if not waits(entry)) == sorted(whole.paths)


@given(tree=small_trees(), names_a_step=st.integers(1, 3), steps=st.integers(1, 3), chance=st.randoms())
@settings(max_examples=40)
def test_what_a_walk_leaves_can_be_shared_out(
    tree: Folder, names_a_step: int, steps: int, chance: random.Random
) -> None:
    """Each place that is left is work of its own: in any order, by whoever, cut up again, it comes to the same."""
    with tempfile.TemporaryDirectory() as place, pytest.MonkeyPatch.context() as patch:
        root = lay_out(Path(place) / "root", tree)
        whole = list_tree(root)
        patch.setattr(module, "NAMES_A_STEP", names_a_step)
        found, waiting = Listing(), [ROOT]
        gate = Gate(Share.at(root))
        while waiting:
            some = [waiting.pop(chance.randrange(len(waiting)))]
            with open_tree(root) as held:
                left = run(Walk(held, gate), some, found, steps)
            for one in left:
                cut = chance.randrange(len(one.names or ()) + 1)
                if one.names and cut:
                    waiting.append(Place(one.path, one.names[cut:]))
                    one = Place(one.path, one.names[:cut])  # noqa: PLW2901  the rest of it is somebody else's
                waiting.append(one)
    assert found.final == whole.final
    assert sorted(entry.path for entry in found.entries if not waits(entry)) == sorted(whole.paths)


def test_what_a_walk_leaves_has_rows_that_say_so(tmp_path: Path) -> None:
    """A folder that waits is in the listing, so that a scan that is ended then has it; and what is left is in order."""
    tree: Folder = {f"file {n:02}".encode(): b"" for n in range(20)}
    root = lay_out(tmp_path / "root", tree | {b"a": {b"x": b""}, b"b": {}, b"z": {}})
    found = Listing()
    with open_tree(root) as held:
        rest = run(Walk(held, Gate(Share.at(root))), [ROOT], found, 1)
    assert [place.path for place in rest] == ["", "a", "b"]
    assert rest[0].names == [(f"file {n}", True) for n in range(14, 20)] + [("z", False)]
    assert [place.names for place in rest[1:]] == [None, None]
    assert {entry.path for entry in found.entries if waits(entry)} == {"a", "b"}
    assert len(found.paths) == len(set(found.paths)) == 16


def test_a_walk_that_was_never_begun_leaves_everything(tmp_path: Path) -> None:
    """A walk that is left before its first step has all of its work still to do."""
    root = lay_out(tmp_path / "root", TREE)
    with open_tree(root) as held:
        assert run(Walk(held, Gate(Share.at(root))), [ROOT], Listing(), 0) == [ROOT]


@pytest.mark.parametrize("operation", ["names", "facts"])
def test_what_a_walk_could_not_enter_is_left(tmp_path: Path, operation: str) -> None:
    """Where the share goes away, the folder it went away at is among what is left, not forgotten."""
    root = lay_out(tmp_path / "root", {b"a": {}, b"b": {}, b"file": b""})
    handle = FaultyHandle(root)
    asked = {"names": failing(errno.ENODEV), "facts": after_first(failing(errno.ENODEV))}[operation]
    handle.before[operation, "a"] = asked
    walk = Walk(handle, Gate(Share.at(root)))
    with handle, pytest.raises(ShareGone):
        list(walk.run([ROOT]))
    assert {place.path for place in walk.rest()} == {"a", "b"}
    assert {entry.path for entry in walk.chunk.entries} == {"a", "b"}


def test_names_whose_folder_could_not_be_asked_are_left(tmp_path: Path) -> None:
    """The same for a folder whose remaining names another walk had left."""
    root = lay_out(tmp_path / "root", {b"a": {b"x": b"", b"y": b""}})
    handle = FaultyHandle(root)
    handle.before["facts", "a"] = failing(errno.ENODEV)
    places = [Place("a", [("x", True), ("y", True)])]
    walk = Walk(handle, Gate(Share.at(root)))
    with handle, pytest.raises(ShareGone):
        list(walk.run(places))
    assert walk.rest() == places


def after_first(act: Callable[[], None]) -> Callable[[], None]:
    """Return an action that acts from the second time on."""
    calls = 0

    def act_later() -> None:
        nonlocal calls
        calls += 1
        if calls > 1:
            act()

    return act_later


@pytest.mark.parametrize(
    ("become", "state", "error"),
    [
        ("nothing", State.UNSETTLED, "ENOENT: list, gone since it was listed"),
        ("a file", State.UNSETTLED, "ENOTDIR: list, gone since it was listed"),
        ("a link", State.UNSETTLED, "ENOTDIR: list, gone since it was listed"),
        ("another folder", State.CONTENTLESS, None),
    ],
)
def test_a_folder_that_changed_before_the_next_reader_entered_it(
    tmp_path: Path, become: str, state: State, error: str | None
) -> None:
    """A folder is entered by its path, later: what is there by then is said, never what was there before."""
    root = lay_out(tmp_path / "root", {b"a": {b"old": b""}})
    outside = lay_out(tmp_path / "outside", {b"secret": b""})
    found = Listing()
    gate = Gate(Share.at(root))
    with open_tree(root) as held:
        rest = run(Walk(held, gate), [ROOT], found, 1)
    assert rest == [Place("a")]
    (root / "a").rename(tmp_path / "away")
    if become == "a file":
        (root / "a").touch()
    elif become == "a link":
        (root / "a").symlink_to(outside)
    elif become == "another folder":
        lay_out(root / "a", {b"new": b""})
    with open_tree(root) as held:
        assert run(Walk(held, gate), rest, found) == []
    assert (found.final["a"].state, found.final["a"].error) == (state, error)
    assert set(found.final) == ({"a", "a/new"} if become == "another folder" else {"a"})
    if become == "another folder":
        assert found.final["a"].inode == (root / "a").stat().st_ino


# ---- Files that are dealt with on the way


class Taking:
    """Takes every plain file whose name does not begin with ``not``, and remembers what it was asked."""

    def __init__(self) -> None:
        self.taken: list[str] = []
        self.asked: list[tuple[tuple[str, ...], str]] = []

    def __call__(self, folder: tuple[str, ...], prefix: str, names: Names) -> Names:
        """Take some names and return the others."""
        self.asked.append((folder, prefix))
        taken = [name for name, is_file in names if is_file and not name.startswith("not")]
        self.taken += [prefix + to_text(os.fsencode(name)) for name in taken]
        return [item for item in names if item[0] not in taken]


@given(tree=small_trees())
@settings(max_examples=30)
def test_what_is_taken_and_what_is_listed_is_everything_once(tree: Folder) -> None:
    """Between whoever reads on the way and the listing no name is lost and none is there twice."""
    taking = Taking()
    with tempfile.TemporaryDirectory() as place:
        root = lay_out(Path(place) / "root", tree)
        found, whole = list_tree(root, take=taking), list_tree(root)
    assert sorted(found.paths + taking.taken) == sorted(whole.paths)
    for folder, prefix in taking.asked:
        assert b"".join(os.fsencode(name) + b"/" for name in folder) == to_bytes(prefix)


def test_a_taker_that_stops_leaves_its_names(tmp_path: Path) -> None:
    """Whoever asks to stop while files are read on the way leaves them, and all that follows, for the next one."""
    root = lay_out(tmp_path / "root", {f"{n:02}".encode(): b"" for n in range(NAMES_A_STEP + 4)} | {b"folder": {}})
    calls = 0

    def stopping(folder: tuple[str, ...], prefix: str, names: Names) -> Names:
        nonlocal calls
        calls += 1
        if calls == 2:
            raise Stopped
        return names

    with open_tree(root) as held:
        walk = Walk(held, Gate(Share.at(root)), stopping)
        with pytest.raises(Stopped):
            list(walk.run([ROOT]))
        (rest,) = walk.rest()
    assert rest.path == ""
    assert [name for name, _ in rest.names or ()] == ["16", "17", "18", "19", "folder"]
    assert [row[0] for row in walk.chunk.files] == [f"{n:02}" for n in range(NAMES_A_STEP)]


# ---- Where a reader hung


AVOIDED: Folder = {b"a": {b"hung": b"", b"fine": b""}, b"b": {b"below": b""}, b"c": {b"x": b""}}


def test_a_path_where_a_reader_hung_is_not_touched(tmp_path: Path) -> None:
    """A file and a folder at which a read hung are given up, and said to be; nothing else suffers."""
    root = lay_out(tmp_path / "root", AVOIDED)
    handle = FaultyHandle(root)
    for operation in ("facts", "names", "open"):
        handle.before[operation, "a/hung"] = failing(errno.ENODEV)
        if operation != "facts":
            handle.before[operation, "b"] = failing(errno.ENODEV)
    found = list_tree(root, handle, avoid=frozenset({"a/hung", "b"}))
    assert sorted(found.paths) == ["a", "a/fine", "a/hung", "b", "c", "c/x"]
    assert (found["a/hung"].state, found["a/hung"].error) == (State.UNREADABLE, f"{NO_ANSWER}: read")
    assert found["b"].state == State.UNREADABLE
    assert (found["b"].error or "").startswith(NO_ANSWER)
    assert all(handle.asked[operation, path] == 0 for operation in ("names", "open") for path in ("a/hung", "b"))
    assert handle.asked["facts", "a/hung"] == 0


def test_a_folder_that_is_handed_over_and_hung_is_not_touched(tmp_path: Path) -> None:
    """The same where the folder is the work itself: an unreadable folder, and no look at it."""
    handle = FaultyHandle(lay_out(tmp_path / "root", AVOIDED))
    found = list_tree(tmp_path / "root", handle, places=[Place("b"), Place("c")], avoid=frozenset({"b"}))
    assert sorted(found.paths) == ["b", "c", "c/x"]
    assert (found["b"].kind, found["b"].state) == (Kind.DIRECTORY, State.UNREADABLE)
    assert (found["b"].error or "").startswith(NO_ANSWER)
    assert not [key for key in handle.asked if key[1] == "b"]


def test_names_of_a_folder_that_hung_are_not_touched(tmp_path: Path) -> None:
    """The same where names of a folder were left, at which the next reader then hung: they are given up with it."""
    handle = FaultyHandle(lay_out(tmp_path / "root", AVOIDED))
    found = list_tree(tmp_path / "root", handle, places=[Place("b", [("below", True)])], avoid=frozenset({"b"}))
    assert not [key for key in handle.asked if key[1].startswith("b")]
    assert (found["b/below"].state, (found["b/below"].error or "").startswith(NO_ANSWER)) == (State.UNREADABLE, True)


def test_a_root_that_hung_is_no_entry(tmp_path: Path) -> None:
    """The root has no entry, also where it does not answer: a row without a path would belong to nothing."""
    root = lay_out(tmp_path / "root", AVOIDED)
    found = Listing()
    with suppress(RootUnavailable, ShareGone):
        found = list_tree(root, avoid=frozenset({""}))
    assert "" not in found.paths


@pytest.mark.parametrize("place", [Place("c"), Place("c", [("x", True)])], ids=["to list", "to go on with"])
def test_every_folder_is_announced_before_it_is_asked(tmp_path: Path, place: Place) -> None:
    """A watchdog can only name what hangs if it is told before: of each folder, also of one whose names are left."""
    root = lay_out(tmp_path / "root", AVOIDED)
    handle = FaultyHandle(root)
    told: list[str] = []
    early: list[str] = []
    for operation in ("facts", "names"):
        handle.before[operation, "c"] = lambda: early.append("c") if "c" not in told else None
    list_tree(root, handle, places=[place], on_folder=told.append)
    assert (told, early) == (["c"], [])


def test_a_walk_changes_nothing(tmp_path: Path) -> None:
    """Listing leaves every name, time and mode as it was."""
    root = lay_out(tmp_path / "root", TREE)
    before = {p: _facts(p) for p in root.rglob("*")}
    list_tree(root)
    assert {p: _facts(p) for p in root.rglob("*")} == before


def _facts(path: Path) -> tuple[int, ...]:
    facts = path.lstat()
    return facts.st_mtime_ns, facts.st_ctime_ns, facts.st_nlink, stat.S_IMODE(facts.st_mode), facts.st_size
