"""Real file systems of several types: what a share says that they hold is what they hold when it is tried."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import sys
import unicodedata
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from tests.faulty.mount import need_mfusepy
from tests.tree.folding import folding_mount
from verifier.tree.attributes import ACCESS_ACL, acl_text
from verifier.tree.probe import Streams, UnicodeForms
from verifier.tree.share import Share

if TYPE_CHECKING:
    from collections.abc import Iterator


IMAGE_BYTES: Final = 384 * 1024 * 1024
"""The smallest that all of them accept, with room: XFS wants 300 MiB (from memory). Sparse."""
COMPOSED: Final = unicodedata.normalize("NFC", "Gru\u0308\u00dfe")
DECOMPOSED: Final = unicodedata.normalize("NFD", COMPOSED)
# user::rw-,user:1000:r--,group::r--,mask::rw-,other::r-- in the form of linux/posix_acl_xattr.h.
NO_NUMBER: Final = 0xFFFFFFFF
ACL: Final = struct.pack(
    "<I" + "HHI" * 5, 2, 1, 6, NO_NUMBER, 2, 4, 1000, 4, 4, NO_NUMBER, 16, 6, NO_NUMBER, 32, 4, NO_NUMBER
)
MTIME_NS: Final = 1_700_000_001_234_567_891
TRIED: Final = ("case_sensitive", "unicode", "xattrs", "acls", "hard_links", "owners", "modes")


@dataclass(frozen=True, slots=True)
class Kind:
    """A file system, and what its share is to say."""

    make: tuple[str, ...]
    """The program that makes it on an image file, with its options; none for one in memory."""
    type_name: str
    """What mount(8) is told."""
    options: str = ""
    """Of the mount."""
    differs: tuple[tuple[str, object], ...] = ()
    """Facts that are other than those of a file system that holds everything."""
    silent_on: tuple[str, ...] = ()
    """Facts that the share must take for not there although they are, because nothing shows it."""

    @property
    def facts(self) -> dict[str, object]:
        """Return what the share is to say."""
        return {
            "case_sensitive": True, "unicode": UnicodeForms.DISTINCT, "xattrs": True, "acls": True,
            "streams": Streams.XATTR, "hard_links": True, "owners": True, "modes": True,
        } | dict(self.differs)  # fmt: skip


EXT4: Final = ("mkfs.ext4", "-q", "-F")
XFS: Final = ("mkfs.xfs", "-q")
BTRFS: Final = ("mkfs.btrfs", "-q")
NTFS: Final = ("mkfs.ntfs", "-F", "-Q", "-q")
MADE_UP: Final = (("owners", False), ("modes", False))
NO_STREAMS: Final = (("xattrs", False), ("acls", False), ("streams", Streams.NONE), *MADE_UP)
KINDS: Final = {
    "ext4": Kind(EXT4, "ext4"),
    "xfs": Kind(XFS, "xfs"),
    "btrfs": Kind(BTRFS, "btrfs"),
    "btrfs without ACLs": Kind(BTRFS, "btrfs", "noacl", (("acls", False),)),
    "tmpfs": Kind((), "tmpfs"),
    "ntfs": Kind(NTFS, "ntfs-3g", "", (("acls", False), *MADE_UP)),
    "ntfs with permissions": Kind(
        NTFS, "ntfs-3g", "permissions", (("acls", False), *MADE_UP), silent_on=("owners", "modes")
    ),
    "ntfs with ACLs": Kind(NTFS, "ntfs-3g", "acl", (("acls", None),)),
    "ntfs without streams": Kind(NTFS, "ntfs-3g", "streams_interface=none", NO_STREAMS),
    "ntfs with streams as files": Kind(NTFS, "ntfs-3g", "streams_interface=windows", NO_STREAMS),
    "ntfs without case": Kind(
        NTFS, "lowntfs-3g", "ignore_case", (("case_sensitive", False), ("acls", False), *MADE_UP)
    ),
    "exfat": Kind(
        ("mkfs.exfat",), "exfat-fuse", "", (("case_sensitive", False), ("hard_links", False), *NO_STREAMS)
    ),
}  # fmt: skip
HELPERS: Final = {"ntfs-3g": "mount.ntfs-3g", "lowntfs-3g": "mount.lowntfs-3g", "exfat-fuse": "mount.exfat-fuse"}


def a_kind(name: str) -> object:
    """Return a parameter that says which programs it needs."""
    kind = KINDS[name]
    programs = (*kind.make[:1], *([HELPERS[kind.type_name]] if kind.type_name in HELPERS else ()))
    return pytest.param(kind, id=name, marks=pytest.mark.real(programs=programs))


def run(*arguments: str | Path) -> str:
    """Run a program that has to succeed, and return what it says."""
    return subprocess.run(arguments, check=True, capture_output=True, text=True).stdout.strip()


def image_for(kind: Kind, folder: Path) -> Path:
    """Make an image file with an empty file system."""
    image = folder / "image"
    if kind.make:
        with image.open("wb") as sparse:
            sparse.truncate(IMAGE_BYTES)
        run(*kind.make, image)
    return image


@contextmanager
def mounted(kind: Kind, image: Path, options: str | None = None) -> Iterator[Path]:
    """Mount it for a while."""
    point = image.with_name("mounted")
    point.mkdir(exist_ok=True)
    given = kind.options if options is None else options
    loop = run("losetup", "--find", "--show", image) if kind.make else "none"
    try:
        # Helpers are called by themselves: mount(8) looks for them in one place only, and passes on what they are told.
        helper = shutil.which(HELPERS.get(kind.type_name, ""))
        how = (helper, loop, point) if helper else ("mount", "-t", kind.type_name, loop, point)
        run(*how, *(("-o", given) if given else ()))
        try:
            yield point
        finally:
            run("umount", point)
    finally:
        if kind.make:
            run("losetup", "--detach", loop)


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
