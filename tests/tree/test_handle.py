"""Reaching into a tree: deep, without following links, without losing descriptors, and always in the right folder."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from tests.conftest import without_rights
from tests.tree.deep import MANY, DeepTree
from verifier.tree.handle import MAX_HELD_DESCRIPTORS, DescriptorHandle, PathHandle, open_tree

if TYPE_CHECKING:
    from collections.abc import Callable

    from verifier.tree.handle import TreeHandle

HANDLES: Final[tuple[Callable[[Path], TreeHandle], ...]] = (DescriptorHandle, PathHandle)


def held_descriptors() -> int:
    """Count this process's open descriptors (proc(5))."""
    return len(list(Path("/proc/self/fd").iterdir()))


@pytest.fixture(params=HANDLES, ids=["by descriptor", "by path"])
def handle(request: pytest.FixtureRequest, tmp_path: Path) -> TreeHandle:
    """Return each kind of hold on a tree with one file of a name in three folders."""
    for folder in ("", "a", "a/b"):
        (tmp_path / folder).mkdir(exist_ok=True)
        (tmp_path / folder / "note").write_text(f"in {folder or 'the root'}")
    (tmp_path / "link").symlink_to("a")
    (tmp_path / "notelink").symlink_to("note")
    held: TreeHandle = request.param(tmp_path)
    return held


def content(handle: TreeHandle, *folder: str) -> str:
    """Read the file of a folder."""
    with os.fdopen(handle.open(folder, "note")) as file:
        return file.read()


def test_a_name_is_looked_up_in_its_own_folder(handle: TreeHandle) -> None:
    """Going up, down and aside, every look is in the folder that was named."""
    with handle:
        for folder in ((), ("a",), ("a", "b"), (), ("a", "b"), ("a",), ()):
            assert content(handle, *folder) == f"in {'/'.join(folder) or 'the root'}"
            assert handle.facts(folder, "note").st_size == len(f"in {'/'.join(folder) or 'the root'}")
        assert sorted(handle.names(())) == [("a", False), ("link", False), ("note", True), ("notelink", False)]


@pytest.mark.parametrize("gone", [("gone",), ("a", "gone"), ("a", "b", "gone")], ids="/".join)
@pytest.mark.parametrize("then", [(), ("a",), ("a", "b")], ids=lambda folder: "/".join(folder) or "the root")
def test_after_a_folder_that_is_gone_the_next_look_is_right(
    handle: TreeHandle, gone: tuple[str, ...], then: tuple[str, ...]
) -> None:
    """A folder that could not be entered must not leave the hold standing half-way: another file would be read."""
    with handle:
        with pytest.raises(FileNotFoundError):
            handle.facts(gone, "note")
        assert content(handle, *then) == f"in {'/'.join(then) or 'the root'}"


def test_an_opener_opens_files_of_its_folder(handle: TreeHandle) -> None:
    """What is asked of one folder many times is asked of that folder, and nothing else is read in its stead."""
    with handle:
        for folder in ((), ("a",), ("a", "b"), ("a",)):
            open_name = handle.opener(folder)
            for _ in range(2):
                with os.fdopen(open_name("note")) as file:
                    assert file.read() == f"in {'/'.join(folder) or 'the root'}"
            with pytest.raises(FileNotFoundError):
                open_name("gone")


def test_a_looker_looks_in_its_folder(handle: TreeHandle) -> None:
    """A look that is made many times in one folder says what a single look says, and follows no link."""
    with handle:
        for folder in ((), ("a",), ("a", "b"), ("a",)):
            looks = handle.looker(folder)
            assert looks("note") == handle.facts(folder, "note")
            with pytest.raises(FileNotFoundError):
                looks("gone")
        assert stat.S_ISLNK(handle.looker(())("link").st_mode)


def test_an_opener_of_a_folder_that_is_gone_opens_nothing(handle: TreeHandle) -> None:
    """A folder that vanished has no files: an error, at the latest when one is opened."""
    with handle, pytest.raises(FileNotFoundError):
        handle.opener(("gone",))("note")


def test_the_same_components_mean_the_same_folder(handle: TreeHandle) -> None:
    """Whether a caller uses one tuple again or makes an equal one, the look is in the folder that it names."""
    with handle:
        folder = ("a", "b")
        assert content(handle, *folder) == content(handle, *folder)
        assert handle.facts(folder, "note") == handle.facts(("a", "b"), "note") != handle.facts(("a",), "note")
        assert handle.facts(folder, "note") == handle.facts(folder, "note")


def test_some_names_are_few_however_many_there_are(tmp_path: Path) -> None:
    """A first look at a root with a million names must not list them all."""
    for n in range(20):
        (tmp_path / str(n)).touch()
    for kind in HANDLES:
        with kind(tmp_path) as held:
            assert len(set(held.some_names(7))) == 7
            assert len(held.some_names(100)) == 20


def test_a_listing_says_what_is_a_file(tmp_path: Path) -> None:
    """Only what the listing itself calls a file may be opened without a look: never a FIFO, a folder or a link."""
    (tmp_path / "file").touch()
    (tmp_path / "folder").mkdir()
    (tmp_path / "link to a file").symlink_to("file")
    (tmp_path / "link to nothing").symlink_to("nothing")
    os.mkfifo(tmp_path / "fifo")
    for kind in HANDLES:
        with kind(tmp_path) as held:
            assert {name for name, is_file in held.names(()) if is_file} == {"file"}


@pytest.mark.real(root=True)
def test_a_file_of_somebody_else_is_opened_all_the_same(open_ground: Path) -> None:
    """Leaving access times alone is for owners (open(2), O_NOATIME): whoever is not may still read."""
    (open_ground / "file").write_text("for all")
    (open_ground / "file").chmod(0o644)
    (open_ground / "secret").write_text("for nobody")
    (open_ground / "secret").chmod(0o600)
    with without_rights(), open_tree(open_ground) as held:
        for open_name in (lambda name: held.open((), name), held.opener(())):
            with os.fdopen(open_name("file")) as file:
                assert file.read() == "for all"
            with pytest.raises(PermissionError):
                open_name("secret")


def test_links_are_not_followed(handle: TreeHandle) -> None:
    """A link is a name with a target; its target's content is not reached through it."""
    with handle:
        assert handle.target((), "link") == b"a"
        assert handle.facts((), "link").st_size == 1
        with pytest.raises(OSError, match="notelink"):
            handle.open((), "notelink")
        with pytest.raises(OSError, match="notelink"):
            handle.opener(())("notelink")


def test_a_folder_that_became_a_link_is_not_entered(tmp_path: Path) -> None:
    """Whoever swaps a folder for a link during a scan leads nobody out of the tree (openat(2), O_NOFOLLOW)."""
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret").touch()
    root = tmp_path / "root"
    root.mkdir()
    with DescriptorHandle(root) as handle:
        (root / "folder").symlink_to(outside)
        with pytest.raises(NotADirectoryError):
            handle.names(("folder",))
        with pytest.raises(NotADirectoryError):
            handle.open(("folder",), "secret")


def test_the_root_may_be_a_link(tmp_path: Path) -> None:
    """The root itself is what the user named, through a link or not."""
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "file").touch()
    (tmp_path / "link").symlink_to("real")
    with open_tree(tmp_path / "link") as handle:
        assert handle.names(()) == [("file", True)]


def test_nothing_is_opened_for_writing(tmp_path: Path) -> None:
    """A descriptor of the tree cannot write: the kernel would refuse it."""
    (tmp_path / "file").write_text("kept")
    with open_tree(tmp_path) as handle:
        descriptor = handle.open((), "file")
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.write(descriptor, b"changed")
        os.close(descriptor)
    assert (tmp_path / "file").read_text() == "kept"


@pytest.mark.real(paths=("/proc/self/fd",))
def test_descriptors_are_bounded_and_given_back(deep_tree: DeepTree) -> None:
    """A tree deeper than the limit costs the limit, and nothing once it is closed."""
    before = held_descriptors()
    with DescriptorHandle(deep_tree.root) as handle:
        most = 0
        for depth in (*range(1, MANY), *range(MANY - 1, 0, -1), MANY - 1, 1, 0):
            assert sorted(name for name, _ in handle.names(deep_tree.folder(depth))) == deep_tree.names(depth)
            most = max(most, held_descriptors() - before)
    # The root, the limit, and one while going down; scandir works on a duplicate that is closed by then.
    assert MAX_HELD_DESCRIPTORS <= most <= MAX_HELD_DESCRIPTORS + 2
    assert held_descriptors() == before


@pytest.mark.real(paths=("/proc/self/fd",))
def test_no_descriptor_is_lost_where_the_way_is_cut(deep_tree: DeepTree) -> None:
    """A folder that vanishes above a deep one costs errors, not descriptors, or a long scan would run out of them."""
    with DescriptorHandle(deep_tree.root) as handle:
        handle.names(deep_tree.folder(MANY - 1))
        deep_tree.cut(MANY // 8)
        held = []
        for depth in range(MANY // 4, MANY // 8, -1):
            with pytest.raises(FileNotFoundError):
                handle.names(deep_tree.folder(depth))
            held.append(held_descriptors())
        assert max(held) == held[0]
