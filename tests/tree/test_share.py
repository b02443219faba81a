"""Shares: a root that is there, and what its file system can hold."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from tests.conftest import without_rights
from tests.strategies import lay_out
from verifier.errors import RootUnavailable
from verifier.tree.share import FILE_SYSTEMS, FileSystem, Share, _case_sensitive

# Win32 documentation, File Times: FAT 2 s. exFAT specification, 7.4.5 to 7.4.10: 10 ms. MS-FSCC 2.1.1: NTFS and SMB
# 100 ns. inode(7): ext2 and ext3 1 s. TN1150: HFS+ 1 s. ECMA-119: ISO 9660 1 s.
GRAINS = {
    "vfat": 2_000_000_000,
    "msdos": 2_000_000_000,
    "exfat": 10_000_000,
    "ntfs": 100,
    "ntfs3": 100,
    "fuseblk": 100,
    "cifs": 100,
    "smb3": 100,
    "ext2": 1_000_000_000,
    "ext3": 1_000_000_000,
    "hfsplus": 1_000_000_000,
    "iso9660": 1_000_000_000,
}


@pytest.mark.parametrize(("type_name", "grain_ns"), GRAINS.items(), ids=GRAINS.keys())
def test_a_file_system_holds_times_as_finely_as_documented(type_name: str, grain_ns: int) -> None:
    """The step of modification times decides what difference is one."""
    assert FILE_SYSTEMS[type_name].grain_ns == grain_ns


@pytest.mark.parametrize("type_name", ["vfat", "exfat", "ntfs3", "fuseblk", "cifs", "smb3"])
def test_what_a_mount_makes_up_is_not_compared(type_name: str) -> None:
    """Owner and mode of a FAT or SMB mount come from mount options (mount.cifs(8), vfat.rst): they are not data."""
    found = FILE_SYSTEMS[type_name]
    assert (found.owners, found.modes, found.inodes) == (False, False, False)


def test_an_unknown_file_system_is_taken_at_its_word() -> None:
    """What the table does not know holds everything to the nanosecond, as ext4, XFS and ZFS do."""
    assert not {"ext4", "xfs", "zfs", "tmpfs", "nfs4"} & set(FILE_SYSTEMS)
    assert FileSystem() == FileSystem(1, owners=True, modes=True, inodes=True, nested_devices=False)


def test_a_share_is_its_resolved_root(tmp_path: Path) -> None:
    """The root is absolute and without links, and known by its device and inode."""
    root = lay_out(tmp_path / "root", {})
    (tmp_path / "link").symlink_to("root")
    share = Share.at(tmp_path / "link")
    assert share.root == root.resolve()
    assert (share.device, share.inode) == (root.stat().st_dev, root.stat().st_ino)
    assert share.type_name not in ("", "unknown")


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


# ---- Letter case


def test_letter_case_is_asked_of_existing_names(tmp_path: Path) -> None:
    """Where names have letters the question has an answer, and asking leaves nothing behind."""
    root = lay_out(tmp_path / "root", {b"Name": b"", b"123": b""})
    share = Share.at(root)
    assert share.case_sensitive is not (root / "nAME").exists()
    assert sorted(p.name for p in root.iterdir()) == ["123", "Name"]


def test_both_cases_side_by_side_leave_the_question_open(tmp_path: Path) -> None:
    """Two names that differ by case alone say nothing the probe could use, and must not be taken for one."""
    root = lay_out(tmp_path / "root", {b"name": b"1", b"NAME": b"2"})
    if len(list(root.iterdir())) == 2:
        assert Share.at(root).case_sensitive is not False


@pytest.mark.parametrize("names", [(), ("123", "4.5"), ("\u4e2d",)], ids=["none", "digits", "no case"])
def test_without_letters_nothing_is_claimed(tmp_path: Path, names: tuple[str, ...]) -> None:
    """No name with a letter, no answer: nothing is created to find out."""
    assert Share.at(lay_out(tmp_path / "root", {name.encode(): b"" for name in names})).case_sensitive is None


def test_a_file_found_under_its_other_case_means_insensitive(tmp_path: Path) -> None:
    """A second name of the same inode stands for a file system that folds case, which this one does not."""
    (tmp_path / "Name").touch()
    os.link(tmp_path / "Name", tmp_path / "nAME")
    assert _case_sensitive(tmp_path, ["Name"]) is False
