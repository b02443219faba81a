"""Kinds of file systems to which the original is copied, by what tool, and what a check of a faithful copy may say."""

from __future__ import annotations

import os
import shutil
import subprocess
import unicodedata
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Final

from tests.check.original import (
    BEFORE_1970_NS,
    BEFORE_1980_NS,
    CLERK,
    CLUTTER,
    FOLDER_VIEW,
    HOLES,
    NEW_CLUTTER,
    NOTED,
    NOTED_FOLDER,
    PHOTOGRAPHER,
    SECOND_NAMES,
    SET_GID_FOLDER,
    SET_UID,
    SHARED,
    SHARED_FOLDER,
    Without,
    places_in,
)
from tests.tree.images import EXT4, KINDS, Kind, run
from verifier.classes import Cause, Class, Field

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

Fields = frozenset[Field]
Noted = dict[str, Fields]
"""Fields in which a path differs, and has to."""
Facts = list[tuple[str, int]]
"""Systematic differences: what kind, and of how many entries."""
Paths = tuple[str | None, str | None]
Told = tuple[str, str | None, Fields]
"""A finding's class, cause and fields."""
EVERY: Final = frozenset(Field) - {Field.DIRECTORY_MTIME}


@dataclass(frozen=True, slots=True)
class Tree:
    """What lies in the original but for clutter: its paths."""

    files: tuple[str, ...]
    folders: tuple[str, ...]
    links: tuple[str, ...]
    owned: Mapping[tuple[int, int], tuple[str, ...]]
    """By owner and group."""

    @classmethod
    def at(cls, root: Path) -> Tree:
        """Look at it."""
        paths: dict[str, list[str]] = {"file": [], "folder": [], "link": []}
        owned: dict[tuple[int, int], list[str]] = {CLERK: [], PHOTOGRAPHER: []}
        for place in places_in(root):
            path, facts = str(place.relative_to(root)), place.lstat()
            if path in CLUTTER:
                continue
            paths["link" if place.is_symlink() else "folder" if place.is_dir() else "file"].append(path)
            owned[facts.st_uid, facts.st_gid].append(path)
        files, folders, links = (tuple(found) for found in paths.values())
        return cls(files, folders, links, {owner: tuple(found) for owner, found in owned.items()})

    @property
    def paths(self) -> tuple[str, ...]:
        """Everything."""
        return (*self.files, *self.folders, *self.links)


def nothing(_: Tree) -> Noted:
    """Return what differs where everything is held."""
    return {}


def together(*parts: tuple[Iterable[str], Iterable[Field]]) -> Noted:
    """Return the fields of each path, from paths that have fields in common."""
    found: Noted = {}
    for paths, fields in parts:
        for path in paths:
            found[path] = found.get(path, frozenset()) | frozenset(fields)
    return found


@dataclass(frozen=True, slots=True)
class FalseAlarms:
    """What is said today of a faithful copy, and should not be."""

    why: str
    """Why not."""
    findings: Mapping[Paths, Told]
    """The findings."""
    facts: tuple[tuple[str, int], ...] = ()
    """Systematic differences made of them."""


def unchanged(path: str) -> str:
    """Return a name that is kept."""
    return path


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A target, and what has to be said of a faithful copy there."""

    kind: Kind
    copy: Callable[[Path, Path], None]
    """The tool: from, to a folder that is not there yet."""
    read_only: str = "ro"
    """Mount options while it is checked; what is in memory stays mounted as it is."""
    zones: tuple[str, str] = ("UTC0", "UTC0")
    """Where the machine thought it was when the copy was written, and thinks it is when it is read: TZ, tzset(3)."""
    back: bool = False
    """The copy is the old side, and what is checked is a copy of it on ext4."""
    without: frozenset[Without] = frozenset()
    """What the target has no way to hold, so that a copy without it would not be faithful."""
    renamed: Callable[[str], str] = unchanged
    """A path's text on the new side."""
    not_compared: Mapping[Field, str] = field(default_factory=dict)
    """What cannot be compared, and the reason."""
    noted: Callable[[Tree], Noted] = nothing
    """What differs because the target, or the tool, does not hold it."""
    everywhere: Callable[[Tree], Facts] = lambda _: []
    """What has to be said as one fact, and of how many entries."""
    carried: Fields = EVERY
    """Fields in which a fault can be told from what the tool did."""
    attributes: Field = Field.XATTRS
    """What a lost attribute is told as."""
    flip: Cause = Cause.SILENT
    """What a flipped bit is told as, which hangs on the times."""
    programs: tuple[str, ...] = ()
    """What the copy needs that is not everywhere."""
    alarms: FalseAlarms | None = None
    """What is said wrongly there, if anything is."""


# ---- Tools


def cp_archive(source: Path, target: Path) -> None:
    """Copy with all that cp(1) can keep."""
    run("cp", "-a", f"{source}/.", target)


def cp_plain(source: Path, target: Path) -> None:
    """Copy as people do who know one option."""
    subprocess.run(["cp", "-r", f"{source}/.", target], check=True, umask=0o022)


def cp_times(source: Path, target: Path) -> None:
    """Copy contents and times, where nothing else is held; without holes, which not every program can make."""
    run("cp", "-r", "--preserve=timestamps", "--sparse=never", f"{source}/.", target)


def tar_all(source: Path, target: Path) -> None:
    """Copy through an archive with attributes, ACLs and holes."""
    everything = ("--xattrs", "--xattrs-include=*", "--acls")
    _tar(source, target, (*everything, "--format=posix", "--sparse"), everything)


def tar_plain(source: Path, target: Path) -> None:
    """Copy through an archive of the form that tar(1) writes by default on most systems, with whole seconds."""
    _tar(source, target, ("--format=gnu",), ())


def _tar(source: Path, target: Path, packing: tuple[str, ...], unpacking: tuple[str, ...]) -> None:
    target.mkdir()
    pack = ("tar", "-C", str(source), *packing, "-cf", "-", ".")
    unpack = ("tar", "-C", str(target), *unpacking, "--warning=no-timestamp", "-xpf", "-")
    with subprocess.Popen(pack, stdout=subprocess.PIPE) as packer:
        subprocess.run(unpack, stdin=packer.stdout, check=True)
    assert packer.returncode == 0


def squash(source: Path, image: Path) -> None:
    """Pack into an image; it says of every ACL that it cannot be packed."""
    run("mksquashfs", source, image, "-noappend", "-no-progress", "-quiet")


def renaming(copy: Callable[[Path, Path], None], rename: Callable[[str], str], source: Path, target: Path) -> None:
    """Copy, from a copy with other names, for targets that refuse the names of the original."""
    staged = source.with_name(f"{source.name} under other names")
    cp_archive(source, staged)
    rename_all(staged, rename)
    copy(staged, target)
    shutil.rmtree(staged)


def rename_all(root: Path, rename: Callable[[str], str]) -> None:
    """Give everything in a tree another name; folders keep their times."""
    for place in reversed(places_in(root)):
        name = rename(place.name)
        if name != place.name:
            above = place.parent.stat()
            place.rename(place.with_name(name))
            os.utime(place.parent, ns=(above.st_atime_ns, above.st_mtime_ns))


def shifted(source: Path, target: Path) -> None:
    """Copy, and let every file's time be an hour later."""
    cp_archive(source, target)
    seen = set()
    for place in places_in(target):
        facts = place.lstat()
        if place.is_file() and not place.is_symlink() and facts.st_ino not in seen:
            os.utime(place, ns=(facts.st_atime_ns, facts.st_mtime_ns + 3600 * 10**9))
            seen.add(facts.st_ino)


def folding(source: Path, target: Path) -> None:
    """Copy into a folder that tells neither letter case nor Unicode forms apart."""
    target.mkdir()
    run("chattr", "+F", target)
    cp_archive(source, target)


# Linux cifs_unicode.h, and Samba's map for macOS: characters that stand in for reserved ones.
RESERVED_CHARACTERS: Final = '"*:<>?\\|'
ADDED_CODE: Final = {ord(c): chr(0xF000 + ord(c)) for c in RESERVED_CHARACTERS}
FIXED_LIST: Final = {ord(c): chr(0xF020 + n) for n, c in enumerate(RESERVED_CHARACTERS)}


def with_added_code(name: str) -> str:
    """Put U+F000 plus its code in a reserved character's place."""
    return name.translate(ADDED_CODE)


def from_fixed_list(name: str) -> str:
    """Put U+F020 to U+F027 in a reserved character's place."""
    return name.translate(FIXED_LIST)


def decomposed(name: str) -> str:
    """Write a name as HFS+ does, near enough: in NFD (UAX #15)."""
    return unicodedata.normalize("NFD", name)


# ---- What is to be said


def made_up(side: str, type_name: str) -> dict[Field, str]:
    """Return why rights are not compared where the mount makes them up (ntfs-3g(8): by default)."""
    why = f"made up by the mount, not stored on {side} ({type_name})"
    return dict.fromkeys((Field.MODE, Field.OWNER, Field.GROUP), why)


def ntfs_3g(side: str) -> dict[Field, str]:
    """Return what is not compared where ntfs-3g shows NTFS with its default options."""
    return made_up(side, "fuseblk") | {
        Field.ACL: f"not held on {side} (fuseblk)",
        Field.HARD_LINKS: f"cannot be seen on {side} (fuseblk), whose inode numbers are not relied on",
        Field.SPARSE: f"the space taken says nothing about holes on {side} (fuseblk), which compresses",
    }


def half_a_second(_: Tree) -> Noted:
    """Return the one file whose time ntfs-3g does not give back: of a time before 1970 it shows no fraction.

    ntfs-3g 2022.10.3, include/ntfs-3g/ntfstime.h: ntfs2timespec cuts towards zero and drops a negative rest. The other
    time before 1970 has a fraction of 7 ns, which is less than NTFS holds.
    """
    return together((list(BEFORE_1970_NS)[:1], [Field.MTIME]))


def altered(renamed: Callable[[str], str]) -> Callable[[Tree], Facts]:
    """Return the one fact that so many names are altered."""
    return lambda tree: [("altered-names", sum(renamed(path) != path for path in tree.paths))]


def mapped(tree: Tree) -> Facts:
    """Return the facts that both owners and both groups became root, everywhere."""
    return [(kind, len(paths)) for paths in tree.owned.values() for kind in ("mapped-owner", "mapped-group")]


def by_plain_copy(tree: Tree) -> Noted:
    """Return what a copy loses that keeps only contents, links, holes, and modes as the umask lets it."""
    return together(
        (tree.paths, [Field.OWNER, Field.GROUP]),
        (tree.files, [Field.MTIME]),
        # The group's bits of a file with an ACL show its mask (acl(5)), and the umask takes the right to write.
        (SHARED, [Field.MODE, Field.ACL]),
        ([SHARED_FOLDER], [Field.ACL]),
        ([SET_UID, SET_GID_FOLDER], [Field.MODE]),
        ((*NOTED, NOTED_FOLDER), [Field.XATTRS]),
        ((*SECOND_NAMES, *SECOND_NAMES.values()), [Field.HARD_LINKS]),
    )


def by_plain_archive(_: Tree) -> Noted:
    """Return what an archive does not keep; that its times are whole seconds shows in all of them."""
    return together(
        ((*SHARED, SHARED_FOLDER), [Field.ACL]), ((*NOTED, NOTED_FOLDER), [Field.XATTRS]), ([HOLES], [Field.SPARSE])
    )


def by_fat(tree: Tree) -> Noted:
    """Return what FAT does not hold, where the mount's type does not tell that it is FAT."""
    return together((tree.paths, [Field.OWNER, Field.GROUP, Field.MODE]), (tree.files, [Field.MTIME]))


def notes(*fields: Field) -> Told:
    """Return what is told of a file that differs in nothing but fields."""
    return (Class.METADATA_ONLY, None, frozenset(fields))


LOWER_CLUTTER: Final = FalseAlarms(
    "a rule that minds letter case does not know its clutter where the target shows all names in lower case",
    {(None, path.lower()): (Class.EXTRA, None, frozenset()) for path in (FOLDER_VIEW, NEW_CLUTTER)},
)
FUSEFAT: Final = Kind(("mkfs.vfat",), "fusefat", "rw+")
SQUASHFS: Final = Kind(("mksquashfs",), "squashfs")
FOLDING_EXT4: Final = Kind((*EXT4, "-O", "casefold", "-E", "encoding=utf8"), "ext4")
NO_TWINS: Final = frozenset({Without.TWINS})
PLACES: Final = {
    "ntfs": Place(
        kind=KINDS["ntfs"],
        copy=partial(renaming, cp_archive, from_fixed_list),
        renamed=from_fixed_list,
        not_compared=ntfs_3g("new"),
        noted=half_a_second,
        everywhere=altered(from_fixed_list),
        carried=frozenset({Field.STREAMS}),
        attributes=Field.STREAMS,
    ),
    "back from ntfs": Place(
        kind=KINDS["ntfs"],
        copy=cp_archive,
        back=True,
        not_compared=ntfs_3g("old"),
        carried=frozenset({Field.STREAMS}),
        attributes=Field.STREAMS,
    ),
    "ntfs without case": Place(
        kind=KINDS["ntfs without case"],
        copy=cp_archive,
        read_only="ro,ignore_case",
        without=NO_TWINS,
        renamed=str.lower,  # lowntfs-3g(8): with ignore_case all names are shown in lower case
        not_compared=ntfs_3g("new"),
        noted=half_a_second,
        everywhere=altered(str.lower),
        carried=frozenset({Field.STREAMS}),
        attributes=Field.STREAMS,
        alarms=LOWER_CLUTTER,
    ),
    "exfat": Place(
        kind=KINDS["exfat"],
        copy=partial(renaming, cp_times, with_added_code),
        without=NO_TWINS | {Without.LINKS},
        renamed=with_added_code,
        not_compared=made_up("new", "fuseblk")
        | {
            Field.ACL: "not held on new (fuseblk)",
            Field.XATTRS: "not held on new (fuseblk)",
            Field.STREAMS: "not held, or not shown on new (fuseblk)",
            Field.HARD_LINKS: "not held on new (fuseblk)",
            Field.SPARSE: "not held on new (fuseblk)",
        },
        # exFAT 7.4.8: years count from 1980. The last second before it is within the tolerance.
        noted=lambda _: together(((*BEFORE_1970_NS, *list(BEFORE_1980_NS)[:1]), [Field.MTIME])),
        everywhere=altered(with_added_code),
        carried=frozenset(),
    ),
    "fat in another zone": Place(
        kind=FUSEFAT,
        copy=cp_times,
        zones=("UTC0", "CET-1"),
        without=frozenset(Without),
        not_compared={
            Field.ACL: "not held on new (fuse.fusefat)",
            Field.XATTRS: "not held on new (fuse.fusefat)",
            Field.STREAMS: "not held, or not shown on new (fuse.fusefat)",
            Field.HARD_LINKS: "cannot be seen on new (fuse.fusefat), whose inode numbers are not relied on",
            Field.SPARSE: "the space taken says nothing about holes on new (fuse.fusefat), which compresses",
        },
        noted=by_fat,
        everywhere=lambda tree: [
            *mapped(tree),
            ("shifted-times", len(tree.files)),
            ("mode-mask", len(tree.files)),
            ("mode-mask", len(tree.folders)),
        ],
        carried=frozenset(),
    ),
    "squashfs": Place(
        kind=SQUASHFS,
        copy=squash,
        not_compared={Field.ACL: "not held on new (squashfs)"},  # Linux squashfs.rst: no ACL support
        # squashfs_fs.h: mtime has 32 bits, without a sign.
        noted=lambda _: together((BEFORE_1970_NS, [Field.MTIME])),
        carried=EVERY - {Field.ACL, Field.SPARSE},
    ),
    "xfs": Place(kind=KINDS["xfs"], copy=cp_archive),
    "btrfs": Place(kind=KINDS["btrfs"], copy=tar_all),
    "tmpfs": Place(kind=KINDS["tmpfs"], copy=cp_archive),
    "tmpfs by plain tar": Place(
        kind=KINDS["tmpfs"],
        copy=tar_plain,
        noted=by_plain_archive,
        everywhere=lambda _: [("attributes", len(SHARED)), ("attributes", len(NOTED) + 1)],
        carried=EVERY - {Field.ACL, Field.XATTRS, Field.SPARSE},
    ),
    "ext4 by cp -r": Place(
        kind=KINDS["ext4"],
        copy=cp_plain,
        noted=by_plain_copy,
        everywhere=lambda tree: [
            *mapped(tree),
            ("times-not-kept", len(tree.files)),
            ("mode-mask", len(SHARED) + 1),
            ("attributes", len(SHARED)),
            ("attributes", len(NOTED) + 1),
        ],
        carried=frozenset({Field.MODE, Field.SPARSE}),
        flip=Cause.NEWER,
    ),
    "ext4 in nfd": Place(
        kind=KINDS["ext4"],
        copy=partial(renaming, cp_archive, decomposed),
        renamed=decomposed,
        everywhere=altered(decomposed),
    ),
    "ext4 an hour off": Place(
        kind=KINDS["ext4"],
        copy=shifted,
        noted=lambda tree: together((tree.files, [Field.MTIME])),
        everywhere=lambda tree: [("shifted-times", len(tree.files))],
    ),
    "ext4 without case": Place(kind=FOLDING_EXT4, copy=folding, without=NO_TWINS, programs=("chattr",)),
}
