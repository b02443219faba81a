"""A share: a root, and what its file system can and cannot hold.

What a file system really stores decides what can be compared: FAT has 2 s times and no owners, an SMB mount shows
modes that the mount made up. The facts come from the mount table (psutil) and from read-only looks at the root.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Final

from verifier.errors import RootUnavailable
from verifier.tree.handle import open_tree
from verifier.tree.names import shown, to_text
from verifier.tree.trouble import errno_name

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

SECOND_NS: Final = 1_000_000_000


@dataclass(frozen=True, slots=True)
class FileSystem:
    """What one type of file system holds."""

    grain_ns: int = 1
    """Step of modification times, nanoseconds."""
    owners: bool = True
    """Whether owner and group are stored, rather than made up by the mount."""
    modes: bool = True
    """Whether permission bits are stored, rather than made up by the mount."""
    inodes: bool = True
    """Whether an inode number, on its device, names one file for certain."""
    nested_devices: bool = False
    """Whether folders of one file system may show other device numbers without being mount points."""


# Sources: Win32 documentation, File Times (FAT 2 s); exFAT specification 7.4.5-7.4.10 (10 ms); MS-FSCC 2.1.1 (NTFS
# and SMB 100 ns); inode(7) (ext2, ext3 1 s); TN1150 (HFS+ 1 s); ECMA-119 (ISO 9660 1 s); mount.cifs(8) (owner and
# mode of an SMB mount come from mount options; inode numbers may be made up). fuse.sshfs 1 s: from memory, the SFTP
# protocol version in use carries whole seconds. fuseblk is how ntfs-3g shows itself on Linux.
_SMB: Final = FileSystem(grain_ns=100, owners=False, modes=False, inodes=False)
_NTFS: Final = FileSystem(grain_ns=100, owners=False, modes=False, inodes=False)
_FAT: Final = FileSystem(grain_ns=2 * SECOND_NS, owners=False, modes=False, inodes=False)
_FUSE: Final = FileSystem(inodes=False)
FILE_SYSTEMS: Final[dict[str, FileSystem]] = {
    "vfat": _FAT,
    "msdos": _FAT,
    "fat": _FAT,
    "fat32": _FAT,
    "exfat": FileSystem(grain_ns=10_000_000, owners=False, modes=False, inodes=False),
    "ntfs": _NTFS,
    "ntfs3": _NTFS,
    "ufsd": _NTFS,
    "fuseblk": _NTFS,
    "cifs": _SMB,
    "smb3": _SMB,
    "smbfs": _SMB,
    "hfs": FileSystem(grain_ns=SECOND_NS),
    "hfsplus": FileSystem(grain_ns=SECOND_NS),
    "ext2": FileSystem(grain_ns=SECOND_NS),
    "ext3": FileSystem(grain_ns=SECOND_NS),
    "iso9660": FileSystem(grain_ns=SECOND_NS),
    "fuse.sshfs": FileSystem(grain_ns=SECOND_NS, inodes=False),
    "btrfs": FileSystem(nested_devices=True),
}


LOCAL: Final = frozenset(
    {"ext2", "ext3", "ext4", "xfs", "btrfs", "tmpfs", "ramfs", "zfs", "apfs", "hfs", "overlay", "squashfs", "f2fs"}
)
"""Types of file systems that this system itself keeps on its own disks or in its memory."""


@dataclass(frozen=True, slots=True)
class Share:
    """A root that was found to be there, and what is known about where it lies."""

    root: Path
    """Absolute and resolved."""
    device: int
    inode: int
    type_name: str
    """The file system's type as the mount table names it; ``unknown`` where it does not."""
    file_system: FileSystem
    case_sensitive: bool | None
    """Whether two names may differ by letter case alone; None where nothing in the root shows it."""
    mounts_below: frozenset[str]
    """Manifest texts of the mount points inside the tree."""
    mount_source: str = ""
    """What is mounted there, as the mount table names it: a device, a server's share; empty where it does not say."""

    @classmethod
    def at(cls, root: Path) -> Share:
        """Look at a root and return it as a share.

        Raises:
            RootUnavailable: If it is not there, is not a directory or may not be listed.
        """
        named = shown(to_text(os.fsencode(root)))
        try:
            resolved = root.resolve(strict=True)
            facts = resolved.stat()
            with open_tree(resolved) as handle:
                some_names = handle.some_names(200)
        except NotADirectoryError as error:
            raise RootUnavailable(f"{named} is not a directory", "name the folder to check") from error
        except FileNotFoundError as error:
            raise RootUnavailable(f"{named} is not there", "is the share mounted, and the path right?") from error
        except RuntimeError as error:  # how pathlib reports a loop of links before Python 3.13
            raise RootUnavailable(f"{named} is a loop of links", "name the folder itself") from error
        except OSError as error:
            hint = "run as a user who may read it" if isinstance(error, PermissionError) else "is the share healthy?"
            raise RootUnavailable(f"{named} cannot be listed ({errno_name(error)})", hint) from error
        type_name, source, mounts = mounted_at(resolved)
        file_system = FILE_SYSTEMS.get(type_name.lower())
        if file_system is None:
            file_system = _FUSE if type_name.lower().startswith("fuse") else FileSystem()
        return cls(
            resolved,
            facts.st_dev,
            facts.st_ino,
            type_name,
            file_system,
            _case_sensitive(resolved, some_names),
            mounts,
            source,
        )

    @property
    def local(self) -> bool:
        """Whether reading never waits for another machine or another program, as far as the type tells."""
        return self.is_local(self.type_name)

    @staticmethod
    def is_local(type_name: str) -> bool:
        """Tell whether file systems of a type never wait for another machine or another program."""
        return type_name.lower() in LOCAL

    @property
    def named(self) -> str:
        """The root as it may be shown."""
        return shown(to_text(os.fsencode(self.root)))

    def is_empty(self) -> bool:
        """Tell whether the root holds no name at all, as the mount point of an unmounted share does."""
        with open_tree(self.root) as handle:
            return not handle.some_names(1)

    def is_mount(self, path: str, device: int, above: int) -> bool:
        """Tell whether another file system begins at a folder.

        Args:
            path: The folder's manifest text.
            device: Its device number.
            above: Its parent's device number.
        """
        return path in self.mounts_below or (device != above and not self.file_system.nested_devices)

    def contains(self, place: Path) -> bool:
        """Tell whether a place, or what exists of its way, lies in this tree, whatever name leads there."""
        if any((step.st_dev, step.st_ino) == (self.device, self.inode) for _, step in _way_up(place)):
            return True
        # A bind mount shows a folder of the tree elsewhere: compare where both lie on their file system.
        mine = _place_on_device(self.root)
        theirs = next((_place_on_device(step) for step, _ in _way_up(place)), None)
        return mine is not None and theirs is not None and mine[0] == theirs[0] and theirs[1].is_relative_to(mine[1])


def _way_up(place: Path) -> Iterator[tuple[Path, os.stat_result]]:
    """Yield what exists of a place's way to the root of all, nearest first."""
    try:
        resolved = place.resolve()
    except (OSError, RuntimeError):  # a loop of links; RuntimeError before Python 3.13
        resolved = Path(os.path.abspath(place))
    for step in (resolved, *resolved.parents):
        try:
            yield step, step.stat()
        except OSError:
            continue


def _place_on_device(path: Path) -> tuple[str, PurePosixPath] | None:
    """Return a folder's device and its path on it, from proc(5) mountinfo; None where the system does not say."""
    try:
        lines = Path("/proc/self/mountinfo").read_bytes().splitlines()
    except OSError:
        return None
    found: tuple[str, PurePosixPath] | None = None
    longest = -1
    for line in lines:
        _, _, device, inner, point, *_ = (_unescaped(field) for field in line.split(b" "))
        if path.is_relative_to(point) and len(Path(point).parts) >= longest:
            longest = len(Path(point).parts)
            found = device, PurePosixPath(inner) / path.relative_to(point).as_posix()
    return found


def _unescaped(field: bytes) -> str:
    """Undo the octal escapes of the mount table: space, tab, newline and backslash."""
    return os.fsdecode(re.sub(rb"\\([0-7]{3})", lambda match: bytes([int(match[1], 8)]), field))


def mounted_at(root: Path) -> tuple[str, str, frozenset[str]]:
    """Return the type of the file system under a root, what is mounted there, and the mount points inside it."""
    import psutil  # noqa: PLC0415  costs 20 ms that --help should not pay

    type_name, source, longest = "unknown", "", -1
    below = set()
    for mount in psutil.disk_partitions(all=True):
        point = Path(mount.mountpoint)
        if root.is_relative_to(point):
            # The last mount over one point is the one that shows.
            if len(point.parts) >= longest:
                type_name, longest = mount.fstype or "unknown", len(point.parts)
                source = shown(to_text(os.fsencode(mount.device)))
        elif point.is_relative_to(root):
            below.add(to_text(os.fsencode(point.relative_to(root).as_posix())))
    return type_name, source, frozenset(below)


def _case_sensitive(root: Path, names: Iterable[str]) -> bool | None:
    """Ask for existing names in the other letter case; read-only, so it says None where no name has a letter."""
    known = set(names)
    for name in known:
        swapped = name.swapcase()
        if swapped == name or swapped in known or swapped.swapcase() != name:
            continue
        try:
            return not os.path.samestat((root / swapped).lstat(), (root / name).lstat())
        except FileNotFoundError:
            return True
        except OSError:
            continue
    return None
