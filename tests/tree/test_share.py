"""Shares: a root that is there, and what its file system can hold."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from tests.conftest import without_rights
from tests.strategies import lay_out
from verifier.errors import RootUnavailable
from verifier.tree.attributes import xattrs_of
from verifier.tree.file_system import FILE_SYSTEMS, FileSystem
from verifier.tree.share import Share


def test_a_share_is_its_resolved_root(tmp_path: Path) -> None:
    """The root is absolute and without links, and known by its device and inode."""
    root = lay_out(tmp_path / "root", {})
    (tmp_path / "link").symlink_to("root")
    share = Share.at(tmp_path / "link")
    assert share.root == root.resolve()
    assert (share.device, share.inode) == (root.stat().st_dev, root.stat().st_ino)
    assert share.type_name not in ("", "unknown")


def test_a_share_knows_its_root_as_an_entry_would_be_known(tmp_path: Path) -> None:
    """Mode without the kind's bits, owner, group, time and extended attributes of the root folder itself."""
    root = lay_out(tmp_path / "root", {b"inside": {}})
    root.chmod(0o1700)
    os.utime(root, ns=(5, 1_600_000_000_123_456_789))
    facts = root.stat()
    own = Share.at(root).own
    assert own[:4] == (0o1700, facts.st_uid, facts.st_gid, 1_600_000_000_123_456_789)
    assert own.xattrs == xattrs_of(str(root))


def test_a_relative_root_is_made_absolute(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Readers in other processes need the whole path."""
    lay_out(tmp_path / "root", {})
    monkeypatch.chdir(tmp_path)
    assert Share.at(Path("root")).root == (tmp_path / "root").resolve()


@pytest.mark.parametrize(
    ("type_name", "local"),
    [("ext4", True), ("XFS", True), ("btrfs", True), ("tmpfs", True), ("zfs", True), ("nfs", False), ("nfs4", False),
     ("cifs", False), ("smb3", False), ("fuse.sshfs", False), ("fuseblk", False), ("9p", False), ("unknown", False)],
)  # fmt: skip
def test_only_what_waits_for_nobody_else_is_local(tmp_path: Path, type_name: str, local: bool) -> None:
    """A network's or another program's file system may hang; so may what is not known (fail closed)."""
    assert replace(Share.at(tmp_path), type_name=type_name).local is local


# ---- Roots that cannot be used


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("missing", "missing is not there"),
        ("file", "file is not a directory"),
        ("dangling", "dangling is not there"),
        ("file/below", "below is not a directory"),
        ("loop", "loop"),
        ("loop/below", "loop"),
        ("x" * 300, "ENAMETOOLONG"),
    ],
    ids=lambda value: value[:12],
)
def test_a_root_that_cannot_be_used_is_one_line(tmp_path: Path, name: str, says: str) -> None:
    """Whatever is wrong with a root: one line that names it, exit code 4, no traceback."""
    (tmp_path / "file").touch()
    (tmp_path / "dangling").symlink_to("nowhere")
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(RootUnavailable) as caught:
        Share.at(tmp_path / name)
    assert says in str(caught.value)
    assert str(caught.value).isprintable()
    assert caught.value.exit_code == 4


def test_a_root_that_may_not_be_listed_says_so(open_ground: Path) -> None:
    """No permission at the root: the reason and what to do, not an empty tree."""
    root = lay_out(open_ground / "root", {b"file": b""})
    root.chmod(0o000 if os.geteuid() != 0 else 0o700)
    with without_rights(), pytest.raises(RootUnavailable, match="EACCES") as caught:
        Share.at(root)
    assert "run as a user who may read it" in str(caught.value)


def test_a_root_with_a_hostile_name_is_shown_escaped(tmp_path: Path) -> None:
    """The message of a root that is not there cannot act on a terminal."""
    with pytest.raises(RootUnavailable) as caught:
        Share.at(tmp_path / os.fsdecode(b"\x1b[31m\n\xff"))
    assert r"\x1b[31m\x0a\xff is not there" in str(caught.value)


def test_an_empty_root_is_told(tmp_path: Path) -> None:
    """An unmounted share shows its empty mount point: nothing in it is not success."""
    assert Share.at(lay_out(tmp_path / "empty", {})).is_empty()
    assert not Share.at(lay_out(tmp_path / "full", {b".hidden": b""})).is_empty()


# ---- Inside or outside


def test_a_tree_contains_what_lies_in_it_under_any_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Through links, dots and relative paths, there or not yet there: inside is inside."""
    root = lay_out(tmp_path / "root", {b"sub": {b"deeper": {}}})
    (tmp_path / "way").symlink_to("root/sub")
    monkeypatch.chdir(root / "sub")
    share = Share.at(root)
    inside = ["root", "root/sub", "root/not/yet/there", "way", "way/evidence", "way/../x", "other/../root/x"]
    for place in (*(tmp_path / name for name in inside), Path(), Path("evidence"), Path("..")):
        assert share.contains(place), place


def test_a_tree_does_not_contain_what_lies_beside_it(tmp_path: Path) -> None:
    """A longer name with the same beginning, the folder above, a link in the tree that leads out: outside."""
    root = lay_out(tmp_path / "root", {b"sub": {}})
    lay_out(tmp_path / "root-evidence", {})
    (root / "out").symlink_to(tmp_path / "root-evidence")
    share = Share.at(root)
    for name in ("root-evidence", "root-evidence/x", ".", "root/..", "root/out/evidence"):
        assert not share.contains(tmp_path / name), name


def test_a_looping_place_is_an_answer_not_a_traceback(tmp_path: Path) -> None:
    """A place that leads in circles cannot be written to: asking about it must not crash."""
    (tmp_path / "loop").symlink_to("loop")
    assert not Share.at(lay_out(tmp_path / "root", {})).contains(tmp_path / "loop" / "evidence")


def test_mount_points_are_told_by_table_and_by_device(tmp_path: Path) -> None:
    """A folder is a mount point where the table says so or its device is another, except where devices nest."""
    known = Share.at(tmp_path)
    share = Share(known.root, 1, 2, "any", FileSystem(), True, frozenset({"a/mnt"}))
    assert share.is_mount("a/mnt", 1, 1)
    assert share.is_mount("b", 9, 1)
    assert not share.is_mount("b", 1, 1)
    nested = Share(known.root, 1, 2, "btrfs", FILE_SYSTEMS["btrfs"], True, frozenset({"a/mnt"}))
    assert nested.is_mount("a/mnt", 9, 1)
    assert not nested.is_mount("subvolume", 9, 1)
