"""Types of file systems, and what each of them holds: a table, and what mount options change in it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Collection

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
    """Whether an inode number, on its device, names one file for certain, so that its names can be told."""
    nested_devices: bool = False
    """Whether folders of one file system may show other device numbers without being mount points."""
    hard_links: bool = True
    """Whether one file can have several names."""
    compresses: bool = False
    """Whether the space taken says nothing about holes: the type may compress, and then shows less space for files that
    have none, or it shows what a server says, whose own may."""
    streams: bool | None = True
    """Whether alternate data streams, where there are any, are seen as extended attributes; None where that is not
    known."""


# Sources. Times: Win32 documentation, File Times (FAT 2 s); exFAT specification 7.4.5-7.4.10 (10 ms); MS-FSCC 2.1.1
# (NTFS and SMB 100 ns); inode(7) (ext2, ext3 1 s); TN1150 (HFS+ 1 s); ECMA-119 (ISO 9660 1 s). fuse.sshfs 1 s: from
# memory, the SFTP protocol version in use carries whole seconds. squashfs 1 s: Linux squashfs.rst, 32-bit time stamps.
# Owners, modes, inode numbers: mount.cifs(8) (from mount options; numbers may be made up); mount(8), fat and hfs (the
# same); ntfs-3g(8) (all files are the mounting user's and anybody's to write, by default).
# Hard links and streams: Win32 documentation, File System Functionality Comparison (neither on FAT and exFAT); Linux
# hfs.rst (no hard links). A Samba server keeps streams in user.DosStream.* attributes of its own file system, whichever
# that is (vfs_streams_xattr(8)). ntfs-3g shows every stream NAME as an attribute user.NAME unless it is mounted with
# streams_interface=none or windows (ntfs-3g(8); 2022.10.3 was seen to do so). The attributes that the kernel's NTFS
# drivers and its SMB client show are others (ntfs3.rst and mount.cifs(8) do not speak of streams).
# Compression: zfsprops(7); File System Functionality Comparison (NTFS); Linux f2fs.rst, erofs.rst; bcachefs, APFS and
# HFS+ from memory. btrfs and squashfs compress, too, but st_blocks counts what their files hold uncompressed (seen with
# Linux 6.18).
_REMOTE: Final = FileSystem(compresses=True)
_SMB: Final = FileSystem(grain_ns=100, owners=False, modes=False, inodes=False, compresses=True, streams=None)
_NTFS_BY_FUSE: Final = FileSystem(grain_ns=100, owners=False, modes=False, inodes=False, compresses=True)
_NTFS: Final = replace(_NTFS_BY_FUSE, streams=None)
_FAT: Final = FileSystem(2 * SECOND_NS, owners=False, modes=False, inodes=False, hard_links=False, streams=False)
_EXFAT: Final = replace(_FAT, grain_ns=10_000_000)
_FUSE: Final = FileSystem(inodes=False, compresses=True)
_PACKED: Final = FileSystem(compresses=True)
FILE_SYSTEMS: Final[dict[str, FileSystem]] = {
    "vfat": _FAT,
    "msdos": _FAT,
    "fat": _FAT,
    "fat32": _FAT,
    "exfat": _EXFAT,
    "ntfs": _NTFS,
    "ntfs3": _NTFS,
    "ufsd": _NTFS,
    # A program's file system on a block device: ntfs-3g, unless a probe says that it is none, and then most likely
    # exFAT, which holds less of everything.
    "fuseblk": _NTFS_BY_FUSE,
    "cifs": _SMB,
    "smb3": _SMB,
    "smbfs": _SMB,
    "hfs": FileSystem(SECOND_NS, owners=False, modes=False, hard_links=False, streams=None),
    "hfsplus": FileSystem(SECOND_NS, compresses=True, streams=None),
    "apfs": FileSystem(compresses=True, streams=None),
    "ext2": FileSystem(SECOND_NS),
    "ext3": FileSystem(SECOND_NS),
    "iso9660": FileSystem(SECOND_NS),
    "fuse.sshfs": replace(_FUSE, grain_ns=SECOND_NS),
    "btrfs": FileSystem(nested_devices=True),
    "squashfs": FileSystem(SECOND_NS),
    "zfs": _PACKED,
    "bcachefs": _PACKED,
    "f2fs": _PACKED,
    "erofs": _PACKED,
    "nfs": _REMOTE,
    "nfs3": _REMOTE,
    "nfs4": _REMOTE,
    "9p": _REMOTE,
    "virtiofs": _REMOTE,
    "ceph": _REMOTE,
    "afs": _REMOTE,
}
NOT_NTFS: Final = replace(_EXFAT, grain_ns=SECOND_NS)
"""What a ``fuseblk`` file system is taken for that is not NTFS; exfat-fuse 1.3.0 was seen to keep whole seconds."""

LOCAL: Final = frozenset(
    {"ext2", "ext3", "ext4", "xfs", "btrfs", "tmpfs", "ramfs", "zfs", "apfs", "hfs", "overlay", "squashfs", "f2fs"}
)
"""Types of file systems that this system itself keeps on its own disks or in its memory."""


class _Overruled(NamedTuple):
    """Mount options that give every file the same owner, or the same mode, whatever is stored."""

    owners: frozenset[str]
    modes: frozenset[str]


# mount(8): "Mount options for iso9660", "for udf", "for affs". FAT, NTFS and HFS have such options too; there nothing
# else is ever shown.
_OVERRULED: Final = {
    "iso9660": _Overruled(frozenset({"uid", "gid", "norock"}), frozenset({"norock", "overriderockperm"})),
    "udf": _Overruled(frozenset({"uid", "gid"}), frozenset({"mode", "dmode", "umask"})),
    "affs": _Overruled(frozenset({"setuid", "setgid"}), frozenset({"mode"})),
}


def is_fuse(type_name: str) -> bool:
    """Tell whether a program answers for file systems of a type (mount.fuse3(8))."""
    return type_name.lower().startswith("fuse")


def file_system_of(type_name: str, options: str = "") -> FileSystem:
    """Return what a mounted file system holds, by its type and by its mount options as the mount table has them.

    A type that is not known is taken at its word: it holds everything, to the nanosecond.
    """
    kind = type_name.lower()
    found = FILE_SYSTEMS.get(kind)
    if found is None:
        found = _FUSE if is_fuse(kind) else FileSystem()
    given = {option.partition("=")[0] for option in options.split(",")}
    if found is _SMB:
        return _smb(given)
    if (overruled := _OVERRULED.get(kind)) is not None:
        return replace(found, owners=not overruled.owners & given, modes=not overruled.modes & given)
    return found


def _smb(given: Collection[str]) -> FileSystem:
    """Return what an SMB mount holds.

    Source: mount.cifs(8), "File and directory ownership and permissions": with the Unix extensions owner, group and
    mode are the server's, unless forceuid or forcegid overrule the owner. With cifsacl the mode comes from the server's
    ACL; the owner too, but where names cannot be mapped it is silently the mount's own, so it is not to be relied upon.
    The mount table has ``unix`` or ``posix`` only where the server agreed (Linux, fs/smb/client, cifs_show_options).
    """
    if "unix" in given or "posix" in given:
        return replace(_SMB, owners="forceuid" not in given and "forcegid" not in given, modes=True)
    return replace(_SMB, modes="cifsacl" in given)
