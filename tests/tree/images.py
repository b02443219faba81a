"""Real file systems on image files: which there are for tests, how they are made, and how they are mounted."""

from __future__ import annotations

import shutil
import subprocess
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pytest

from verifier.tree.probe import Streams, UnicodeForms

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

IMAGE_BYTES: Final = 384 * 1024 * 1024
"""The smallest that all of them accept, with room: XFS wants 300 MiB (from memory). Sparse."""


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
HELPERS: Final = {
    "ntfs-3g": "mount.ntfs-3g",
    "lowntfs-3g": "mount.lowntfs-3g",
    "exfat-fuse": "mount.exfat-fuse",
    "fusefat": "fusefat",
}
"""Types that a program mounts which is called by itself."""


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
