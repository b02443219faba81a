"""Mount points inside a tree: reported, and entered only when asked to."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from tests.strategies import lay_out
from tests.tree.listings import list_tree
from verifier.tree.entry import Kind, State
from verifier.tree.names import to_text
from verifier.tree.share import Share
from verifier.tree.walk import Place

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Mount

REASON = "a mount point: not entered without --cross-mounts"


@pytest.mark.real(mounts=True)
@pytest.mark.parametrize("how", ["another file system", "the same file system"])
def test_a_mount_point_is_reported_and_crossed_only_when_asked(tmp_path: Path, mount: Mount, how: str) -> None:
    """A mounted folder, even of the same device (a bind mount), is another tree: it is said, not silently entered."""
    root = lay_out(tmp_path / "root", {b"here": b"", b"sub": {b"mnt": {}}})
    if how == "another file system":
        mount("-t", "tmpfs", "none", root / "sub" / "mnt")
    else:
        mount("--bind", lay_out(tmp_path / "elsewhere", {}), root / "sub" / "mnt")
    (root / "sub" / "mnt" / "there").touch()
    found = list_tree(root)
    assert found.paths == ["here", "sub", "sub/mnt"]
    assert (found["sub/mnt"].kind, found["sub/mnt"].state) == (Kind.DIRECTORY, State.LISTED)
    assert found["sub/mnt"].error == REASON
    crossed = list_tree(root, cross_mounts=True)
    assert crossed.paths == ["here", "sub", "sub/mnt", "sub/mnt/there"]
    assert crossed["sub/mnt"].state == State.CONTENTLESS


@pytest.mark.real(mounts=True)
@pytest.mark.parametrize("how", ["another file system", "the same file system"])
def test_a_mount_point_is_told_when_a_folder_is_finished_by_another_reader(
    tmp_path: Path, mount: Mount, how: str
) -> None:
    """Who takes up names of a folder, without having listed it, keeps out of other file systems all the same."""
    root = lay_out(tmp_path / "root", {b"sub": {b"mnt": {}}})
    if how == "another file system":
        mount("-t", "tmpfs", "none", root / "sub" / "mnt")
    else:
        mount("--bind", lay_out(tmp_path / "elsewhere", {}), root / "sub" / "mnt")
    (root / "sub" / "mnt" / "there").touch()
    rest = [Place("sub", [("mnt", False)])]
    found = list_tree(root, places=rest)
    assert [(e.path, e.state, e.error) for e in found.entries] == [("sub/mnt", State.LISTED, REASON)]
    assert list_tree(root, places=rest, cross_mounts=True).paths == ["sub/mnt", "sub/mnt/there"]


@pytest.mark.real(mounts=True)
@pytest.mark.parametrize("name", [b"with space", b"tab\there", b"line\nfeed", b"back\\slash", b"hash#", b"\xff\xfe"])
def test_a_mount_point_may_have_any_name(tmp_path: Path, mount: Mount, name: bytes) -> None:
    """The mount table writes blanks and backslashes as octal escapes (fstab(5)): the point is found nevertheless."""
    root = lay_out(tmp_path / "root", {name: {}})
    mount("--bind", lay_out(tmp_path / "elsewhere", {b"there": b""}), os.path.join(os.fsencode(root), name))  # noqa: PTH118
    assert Share.at(root).mounts_below == {to_text(name)}
    found = list_tree(root)
    assert found.paths == [to_text(name)]
    assert found[to_text(name)].error == REASON


@pytest.mark.real(mounts=True)
def test_a_mount_that_appears_after_the_start_is_seen_by_its_device(tmp_path: Path, mount: Mount) -> None:
    """What is not in the mount table that was read at the start still has another device number (stat(2))."""
    root = lay_out(tmp_path / "root", {b"late": {}})
    share = Share.at(root)
    mount("-t", "tmpfs", "none", root / "late")
    assert not share.mounts_below
    assert share.is_mount("late", (root / "late").stat().st_dev, root.stat().st_dev)


@pytest.mark.real(mounts=True)
def test_the_type_is_that_of_the_mount_that_shows(tmp_path: Path, mount: Mount) -> None:
    """Of several mounts over one another the last one is what a scan reads (mount_namespaces(7))."""
    (tmp_path / "point").mkdir()
    assert Share.at(tmp_path / "point").type_name != "tmpfs"
    mount("--bind", lay_out(tmp_path / "elsewhere", {}), tmp_path / "point")
    before = Share.at(tmp_path / "point")
    mount("-t", "tmpfs", "second source", tmp_path / "point")
    (tmp_path / "point" / "below").mkdir()
    for place in (tmp_path / "point", tmp_path / "point" / "below"):
        assert (Share.at(place).type_name, Share.at(place).mount_source) == ("tmpfs", "second source")
    assert Share.at(tmp_path / "point").mounts_below == frozenset()
    assert (before.mount_source, before.device) != ("second source", Share.at(tmp_path / "point").device)


@pytest.mark.real(mounts=True)
def test_a_tree_contains_what_a_bind_mount_of_its_root_shows(tmp_path: Path, mount: Mount) -> None:
    """The root under a second name is still the tree: nothing may be written there."""
    root = lay_out(tmp_path / "root", {b"sub": {}})
    (tmp_path / "view").mkdir()
    mount("--bind", root, tmp_path / "view")
    for place in ("view", "view/sub", "view/sub/not yet there"):
        assert Share.at(root).contains(tmp_path / place)
    assert not Share.at(root).contains(tmp_path)


@pytest.mark.real(mounts=True)
def test_a_tree_contains_what_a_bind_mount_of_its_folder_shows(tmp_path: Path, mount: Mount) -> None:
    """A folder of the tree that is mounted elsewhere is still in the tree: evidence there would be a new name in it."""
    root = lay_out(tmp_path / "root", {b"sub": {b"deeper": {}}})
    (tmp_path / "view").mkdir()
    mount("--bind", root / "sub", tmp_path / "view")
    for place in ("view", "view/deeper", "view/deeper/not yet there"):
        assert Share.at(root).contains(tmp_path / place), place


@pytest.mark.real(mounts=True)
def test_a_file_system_mounted_inside_is_not_the_tree_it_is_mounted_in(tmp_path: Path, mount: Mount) -> None:
    """A place on a mount inside the tree is reached through the tree: it counts as inside, crossed or not."""
    root = lay_out(tmp_path / "root", {b"mnt": {}})
    mount("-t", "tmpfs", "none", root / "mnt")
    assert Share.at(root).contains(root / "mnt" / "evidence")
    assert not Share.at(root / "mnt").contains(root)


@pytest.mark.real(mounts=True)
def test_the_options_are_those_of_the_mount_that_shows(tmp_path: Path, mount: Mount) -> None:
    """A folder is described by the mount that it lies on, the last of several, whatever stands in its options."""
    point = tmp_path / "point"
    point.mkdir()
    mount("-t", "tmpfs", "-o", "noexec,mode=700", "none", point)
    assert {"noexec", "mode=700"} <= set(Share.at(point).mount_options.split(","))
    mount("-t", "tmpfs", "-o", "nosuid", "none", point)
    (point / "below").mkdir()
    options = Share.at(point / "below").mount_options.split(",")
    assert "nosuid" in options
    assert not {"noexec", "mode=700"} & set(options)


@pytest.mark.real(mounts=True)
def test_options_are_kept_as_they_may_be_shown(tmp_path: Path, mount: Mount) -> None:
    """The mount table gives any bytes that a user gave: an overlay's folders stand in its options."""
    lower, other, point = (tmp_path / name for name in ("lower\x1b[31m", "other", "point"))
    for folder in (lower, other, point):
        folder.mkdir()
    mount("-t", "overlay", "-o", f"lowerdir={lower}:{other}", "none", point)
    share = Share.at(point)
    assert share.mount_options.isprintable()
    assert r"lower\x1b[31m" in share.mount_options
    assert share.type_name == "overlay"
