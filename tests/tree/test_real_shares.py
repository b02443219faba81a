"""Real file systems of several types: what a share says that they hold is what they hold when it is tried."""

from __future__ import annotations

import os
import struct
import sys
import unicodedata
from contextlib import suppress
from pathlib import Path
from typing import Final

import pytest

from tests.faulty.mount import need_mfusepy
from tests.tree.folding import folding_mount
from tests.tree.images import EXT4, KINDS, Kind, a_kind, image_for, mounted, run
from verifier.tree.attributes import ACCESS_ACL, acl_text
from verifier.tree.probe import Streams, UnicodeForms
from verifier.tree.share import Share

COMPOSED: Final = unicodedata.normalize("NFC", "Gru\u0308\u00dfe")
DECOMPOSED: Final = unicodedata.normalize("NFD", COMPOSED)
# user::rw-,user:1000:r--,group::r--,mask::rw-,other::r-- in the form of linux/posix_acl_xattr.h.
NO_NUMBER: Final = 0xFFFFFFFF
ACL: Final = struct.pack(
    "<I" + "HHI" * 5, 2, 1, 6, NO_NUMBER, 2, 4, 1000, 4, 4, NO_NUMBER, 16, 6, NO_NUMBER, 32, 4, NO_NUMBER
)
MTIME_NS: Final = 1_700_000_001_234_567_891
TRIED: Final = ("case_sensitive", "unicode", "xattrs", "acls", "hard_links", "owners", "modes")


def fill(point: Path) -> None:
    """Write what the questions are asked of."""
    (point / "Name").write_bytes(b"letters")
    (point / COMPOSED).write_bytes(b"umlaut")
    (point / "tried").write_bytes(b"tried")


def outcome_of(path: Path) -> dict[str, object]:
    """Try on a file what a file system may or may not hold, and return what came of it."""
    found: dict[str, object] = {
        "case_sensitive": not (path.parent / "nAME").exists(),
        "unicode": UnicodeForms.SAME if (path.parent / DECOMPOSED).exists() else UnicodeForms.DISTINCT,
        "hard_links": True,
        "xattrs": True,
        "acls": True,
    }
    try:
        os.setxattr(path, "user.note", b"value")
        found["xattrs"] = "user.note" in os.listxattr(path)
    except OSError:
        found["xattrs"] = False
    try:
        os.link(path, path.with_name("second name"))
    except OSError:
        found["hard_links"] = False
    with suppress(OSError):
        os.chown(path, 1234, 1235)
    with suppress(OSError):
        path.chmod(0o641)
    facts = path.stat()
    found["owners"] = (facts.st_uid, facts.st_gid) == (1234, 1235)
    found["modes"] = facts.st_mode & 0o7777 == 0o641
    try:
        # Some programs take an ACL and do not keep it; some keep it and do not list it.
        os.setxattr(path, ACCESS_ACL, ACL)
        found["acls"] = ACCESS_ACL in os.listxattr(path) and os.getxattr(path, ACCESS_ACL) == ACL
    except OSError:
        found["acls"] = False
    return found


@pytest.mark.real(mounts=True, programs=("losetup",), paths=("/dev/loop-control",))
@pytest.mark.parametrize("kind", [a_kind(name) for name in KINDS])
def test_a_share_says_what_is_held_when_it_is_tried(kind: Kind, tmp_path: Path) -> None:
    """What it says it holds can be done there, what it says it does not hold cannot; times are as fine as it says."""
    image = image_for(kind, tmp_path)
    with mounted(kind, image) as point:
        fill(point)
        names = sorted(point.iterdir())
        share = Share.at(point)
        assert sorted(point.iterdir()) == names, "asking left something behind"
        said = share.facts()
        assert {name: said[name] for name in kind.facts} == kind.facts
        really = outcome_of(point / "tried")
        known = [name for name in TRIED if said[name] is not None and name not in kind.silent_on]
        assert {name: said[name] for name in known} == {name: really[name] for name in known}
        assert all(really[name] for name in kind.silent_on)
        os.utime(point / "tried", ns=(MTIME_NS, MTIME_NS))
        before = (point / "tried").stat()
        if not kind.make:
            return
    with mounted(kind, image) as point:
        kept = (point / "tried").stat()
        grain_ns = share.file_system.grain_ns
        assert abs(kept.st_mtime_ns - MTIME_NS) < max(grain_ns, 2)
        assert kept.st_mtime_ns % grain_ns == 0
        assert (kept.st_uid, kept.st_gid, kept.st_mode) == (before.st_uid, before.st_gid, before.st_mode)


@pytest.mark.real(mounts=True, programs=("losetup", "mkfs.ntfs", "mount.ntfs-3g"), paths=("/dev/loop-control",))
def test_ntfs_shows_streams_as_attributes_by_default(tmp_path: Path) -> None:
    """A stream that was written as Windows does, ``file:stream``, is the attribute user.stream (ntfs-3g(8))."""
    kind = KINDS["ntfs"]
    image = image_for(kind, tmp_path)
    with mounted(kind, image, "streams_interface=windows") as point:
        (point / "song").write_bytes(b"tune")
        (point / "song:Zone.Identifier").write_bytes(b"from afar")
        assert [path.name for path in point.iterdir()] == ["song"]
        assert Share.at(point).held.streams is Streams.NONE
    with mounted(kind, image) as point:
        assert Share.at(point).held.streams is Streams.XATTR
        assert os.listxattr(point / "song") == ["user.Zone.Identifier"]
        assert os.getxattr(point / "song", "user.Zone.Identifier") == b"from afar"


@pytest.mark.real(mounts=True, paths=("/dev/loop-control",))
@pytest.mark.parametrize(
    ("kind", "options", "compresses"),
    [
        pytest.param(KINDS["btrfs"], "compress-force=zlib", False, marks=pytest.mark.real(programs=("mkfs.btrfs",))),
        pytest.param(KINDS["ntfs"], "", True, marks=pytest.mark.real(programs=("mkfs.ntfs", "mount.ntfs-3g"))),
    ],
    ids=["btrfs", "ntfs"],
)
def test_little_space_means_holes_unless_it_is_said_that_it_does_not(
    kind: Kind, options: str, compresses: bool, tmp_path: Path
) -> None:
    """A file without holes that compresses well takes less space than its size on the one, and not on the other."""
    with mounted(kind, image_for(kind, tmp_path), options) as point:
        folder = point / "folder"
        folder.mkdir()
        if kind.type_name == "ntfs-3g":
            attributes = int.from_bytes(os.getxattr(folder, "system.ntfs_attrib"), sys.byteorder)
            compressed = attributes | 0x800  # ntfs3.rst: compressed; new names in the folder are, too
            os.setxattr(folder, "system.ntfs_attrib", compressed.to_bytes(4, sys.byteorder))
        size = 1_000_000
        (folder / "dense").write_bytes(b"abc\n" * (size // 4))
        with (folder / "holes").open("wb") as holes:
            holes.truncate(size)
        run("sync", "--file-system", point)
        assert Share.at(point).file_system.compresses is compresses
        assert ((folder / "dense").stat().st_blocks * 512 < size * 0.9) is compresses
        assert (folder / "holes").stat().st_blocks * 512 < size * 0.1


@pytest.mark.real(mounts=True, programs=("losetup", "mkfs.ntfs", "mount.ntfs-3g"), paths=("/dev/loop-control",))
def test_an_acl_of_ntfs_is_read_where_it_is_asked_for(tmp_path: Path) -> None:
    """ntfs-3g gives an ACL that it does not list: a scan cannot see it, so nothing is claimed."""
    kind = KINDS["ntfs with ACLs"]
    with mounted(kind, image_for(kind, tmp_path)) as point:
        (point / "file").touch()
        os.setxattr(point / "file", ACCESS_ACL, ACL)
        assert acl_text(os.getxattr(point / "file", ACCESS_ACL)) == acl_text(ACL)
        assert os.listxattr(point / "file") == []
        assert Share.at(point).held.acls is None


@pytest.mark.real(mounts=True, paths=("/dev/fuse",))
def test_a_mount_that_folds_names_is_told(pytestconfig: pytest.Config, tmp_path: Path) -> None:
    """Letter case and Unicode forms are not told apart, as on HFS+, and the same file has another number each time."""
    need_mfusepy(pytestconfig)
    (tmp_path / "source").mkdir()
    fill(tmp_path / "source")
    point = tmp_path / "point"
    point.mkdir()
    with folding_mount(tmp_path / "source", point):
        assert (point / "nAME").lstat().st_ino != (point / "Name").lstat().st_ino
        share = Share.at(point)
        assert (share.type_name, share.case_sensitive) == ("fuse.folding", False)
        assert share.held.unicode is UnicodeForms.SAME
        assert (share.held.xattrs, share.held.acls) == (False, False)


FOLDS: Final = Path("/sys/fs/ext4/features/casefold").exists()
"""Whether this system's ext4 has folders that fold names (CONFIG_UNICODE)."""


@pytest.mark.real(mounts=True, programs=("mkfs.ext4", "chattr"), paths=("/dev/loop-control",))
@pytest.mark.parametrize("kind", [Kind((*EXT4, "-O", "casefold", "-E", "encoding=utf8"), "ext4")] if FOLDS else [])
def test_each_folder_of_ext4_may_fold_names_or_not(kind: Kind, tmp_path: Path) -> None:
    """The answer is that of the folder that is the root (chattr(1), F)."""
    with mounted(kind, image_for(kind, tmp_path)) as point:
        folder = point / "folds"
        folder.mkdir()
        run("chattr", "+F", folder)
        for place in (point, folder):
            fill(place)
        assert (Share.at(point).case_sensitive, Share.at(point).held.unicode) == (True, UnicodeForms.DISTINCT)
        assert (Share.at(folder).case_sensitive, Share.at(folder).held.unicode) == (False, UnicodeForms.SAME)
