"""Types of file systems: what each can hold, and what mount options change in that."""

from __future__ import annotations

from dataclasses import replace

import pytest

from verifier.tree.file_system import FILE_SYSTEMS, FileSystem, file_system_of, is_fuse

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
    assert file_system_of(type_name).grain_ns == grain_ns


@pytest.mark.parametrize("type_name", ["vfat", "exfat", "ntfs3", "fuseblk", "cifs", "smb3"])
def test_what_a_mount_makes_up_is_not_compared(type_name: str) -> None:
    """Owner and mode of a FAT or SMB mount come from mount options (mount.cifs(8), vfat.rst): they are not data."""
    found = file_system_of(type_name)
    assert (found.owners, found.modes, found.inodes) == (False, False, False)


@pytest.mark.parametrize("type_name", ["ext4", "xfs", "tmpfs", "overlay", "never heard of"])
def test_an_unknown_file_system_is_taken_at_its_word(type_name: str) -> None:
    """What the table does not know holds everything to the nanosecond, as ext4 and XFS do."""
    assert type_name not in FILE_SYSTEMS
    assert file_system_of(type_name) == FileSystem()
    assert FileSystem() == FileSystem(
        1, owners=True, modes=True, inodes=True, nested_devices=False, hard_links=True, compresses=False, streams=True
    )


@pytest.mark.parametrize("type_name", ["fuse", "fuse.anything", "FUSE.Anything"])
def test_a_program_may_number_files_as_it_likes(type_name: str) -> None:
    """The library numbers paths anew as the kernel comes to know them, by default (mount.fuse3(8), remember)."""
    assert is_fuse(type_name)
    assert not file_system_of(type_name).inodes
    assert not is_fuse("ext4")


@pytest.mark.parametrize(
    ("type_name", "hard_links"),
    [("vfat", False), ("msdos", False), ("exfat", False), ("hfs", False),
     ("ntfs3", True), ("ext4", True), ("cifs", True), ("nfs4", True), ("hfsplus", True)],
)  # fmt: skip
def test_a_type_can_hold_several_names_of_one_file_or_not(type_name: str, hard_links: bool) -> None:
    """Win32 documentation, File System Functionality Comparison: no hard links on FAT and exFAT; Linux hfs.rst."""
    assert file_system_of(type_name).hard_links is hard_links


@pytest.mark.parametrize(
    ("type_name", "streams"),
    [("vfat", False), ("exfat", False), ("ext4", True), ("nfs4", True), ("fuseblk", True),
     ("ntfs3", None), ("cifs", None), ("hfsplus", None)],
)  # fmt: skip
def test_streams_are_seen_as_attributes_or_not_or_nobody_knows(type_name: str, streams: bool | None) -> None:
    """Functionality Comparison: none on FAT, exFAT; vfs_streams_xattr(8): on a Samba server; ntfs-3g(8): its default.

    What ntfs3.rst and mount.cifs(8) do not speak of is not known.
    """
    assert file_system_of(type_name).streams is streams


@pytest.mark.parametrize(
    ("type_name", "compresses"),
    [("zfs", True), ("ntfs3", True), ("fuseblk", True), ("f2fs", True), ("nfs", True), ("cifs", True),
     ("ext4", False), ("xfs", False), ("btrfs", False), ("vfat", False)],
)  # fmt: skip
def test_little_space_means_holes_only_where_nothing_is_compressed(type_name: str, compresses: bool) -> None:
    """zfsprops(7), Functionality Comparison, f2fs.rst; a server may keep its files on any of them."""
    assert file_system_of(type_name).compresses is compresses


CIFS = "rw,relatime,vers=3.1.1,cache=strict,uid=0,noforceuid,gid=0,noforcegid,addr=192.0.2.1,file_mode=0755"
"""What every SMB mount has in the mount table (Linux, fs/smb/client, cifs_show_options): uid= stands there always."""


@pytest.mark.parametrize("type_name", ["cifs", "smb3"])
@pytest.mark.parametrize(
    ("options", "owners", "modes"),
    [
        (f"{CIFS},nounix,serverino", False, False),
        (f"{CIFS},unix,serverino", True, True),
        (f"{CIFS},posix,posixpaths", True, True),
        (f"{CIFS.replace('noforceuid', 'forceuid')},unix", False, True),
        (f"{CIFS.replace('noforcegid', 'forcegid')},posix", False, True),
        (f"{CIFS},nounix,cifsacl", False, True),
        (f"{CIFS},nounix,username=unix,domain=posix", False, False),
    ],
    ids=["no extensions", "unix", "posix", "forceuid", "forcegid", "cifsacl", "a user called unix"],
)
def test_an_smb_mount_says_whose_owner_and_mode_it_shows(
    type_name: str, options: str, owners: bool, modes: bool
) -> None:
    """mount.cifs(8), "File and directory ownership and permissions" and "CIFS/NTFS ACL ... mapping".

    With the extensions the server gives uid, gid and mode; forceuid and forcegid overrule it; cifsacl gives the mode
    of the server's ACL, and an owner that is silently the mount's own where it cannot be mapped.
    """
    found = file_system_of(type_name, options)
    assert (found.owners, found.modes) == (owners, modes)
    assert replace(found, owners=False, modes=False) == FILE_SYSTEMS[type_name]


@pytest.mark.parametrize(
    ("type_name", "options", "owners", "modes"),
    [
        ("iso9660", "ro,relatime,nojoliet,check=s,map=n,blocksize=2048", True, True),
        ("iso9660", "ro,uid=1000,blocksize=2048", False, True),
        ("iso9660", "ro,norock,blocksize=2048", False, False),
        ("iso9660", "ro,overriderockperm,fmode=444", True, False),
        ("udf", "ro,relatime,utf8", True, True),
        ("udf", "rw,gid=7", False, True),
        ("udf", "rw,umask=22", True, False),
        ("affs", "rw,setuid=5,mode=644", False, False),
        ("hfs", "rw", False, False),
        ("vfat", "rw,uid=1000,umask=022", False, False),
        ("ntfs3", "rw,uid=1000,acl", False, False),
        ("ext4", "rw,relatime,resuid=5", True, True),
        ("tmpfs", "rw,size=100k,mode=700,uid=1000", True, True),
    ],
)
def test_options_that_give_all_files_one_owner_or_mode_are_told(
    type_name: str, options: str, owners: bool, modes: bool
) -> None:
    """mount(8), the options of each type; uid= of tmpfs is the root folder's alone (tmpfs(5))."""
    found = file_system_of(type_name, options)
    assert (found.owners, found.modes) == (owners, modes)
