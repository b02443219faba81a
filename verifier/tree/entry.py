"""What is known about one name: `Entry`, its `Kind` and the `State` of its content."""

from __future__ import annotations

import os
import stat
from enum import StrEnum
from typing import Final, NamedTuple

BY_RULE: Final = "not entered: rule "
"""How the error of a folder begins that a rule keeps a scan out of; the rule's name follows."""
HEAD_BYTES: Final = 16
"""How much of a file's beginning a manifest keeps."""
INT64_MAX: Final = 2**63 - 1
NO_BLOCKS: Final = not hasattr(os.stat_result, "st_blocks")


class Kind(StrEnum):
    """What a name stands for. Only a file has content that is read."""

    FILE = "file"
    DIRECTORY = "directory"
    LINK = "link"
    FIFO = "fifo"
    SOCKET = "socket"
    CHAR_DEVICE = "char-device"
    BLOCK_DEVICE = "block-device"
    UNKNOWN = "unknown"


KIND_WORDS: Final[dict[str, str]] = {
    Kind.DIRECTORY: "folder",
    Kind.CHAR_DEVICE: "character device",
    Kind.BLOCK_DEVICE: "block device",
    Kind.UNKNOWN: "unknown kind",
}
"""How people call a kind, where that is not its own word."""


class State(StrEnum):
    """How much is known about an entry's content.

    For a directory the content is its list of names: `CONTENTLESS` when it was listed, `LISTED` when only its own
    name is known because it was not entered, `UNREADABLE` when listing failed, `UNSETTLED` when it kept changing.
    """

    PROVED = "proved"
    CARRIED = "carried"
    LISTED = "listed"
    UNREADABLE = "unreadable"
    UNSETTLED = "unsettled"
    CONTENTLESS = "contentless"


_KINDS: Final = {
    stat.S_IFREG: Kind.FILE,
    stat.S_IFDIR: Kind.DIRECTORY,
    stat.S_IFLNK: Kind.LINK,
    stat.S_IFIFO: Kind.FIFO,
    stat.S_IFSOCK: Kind.SOCKET,
    stat.S_IFCHR: Kind.CHAR_DEVICE,
    stat.S_IFBLK: Kind.BLOCK_DEVICE,
}
KIND_BITS: Final = 0o170000
_DEVICES: Final = (Kind.CHAR_DEVICE.value, Kind.BLOCK_DEVICE.value)
_LISTED: Final = State.LISTED.value
_CONTENTLESS: Final = State.CONTENTLESS.value


class Entry(NamedTuple):
    """One row of a manifest's ``entries`` table, in column order.

    A named tuple rather than a dataclass because it is the row: a million of them go to SQLite unconverted.
    """

    path: str
    """Relative to the root, ``/``-separated, as manifest text (see `verifier.tree.names`)."""
    raw: bytes | None
    """The path's bytes, only where they are not valid UTF-8."""
    kind: str
    """A `Kind`, as its text."""
    size: int
    """Bytes of a file, length of a link's target; 0 for every other kind."""
    allocated: int | None
    """Bytes of storage taken (512-byte blocks times 512); None where the platform does not say."""
    mtime_ns: int
    """Last change of content, nanoseconds since 1970-01-01 UTC; held to 64 bits (years 1677 to 2262)."""
    ctime_ns: int
    """Last change of content or inode, same unit. Never compared across machines."""
    mode: int
    """Permission bits, including set-uid, set-gid and sticky; without the kind's bits."""
    uid: int
    gid: int
    nlink: int
    """Number of names the inode has."""
    device: int
    """Identifies the file system, on this host, while it is mounted."""
    inode: int
    """Identifies the file on its file system."""
    target: str | None
    """A link's target as manifest text; ``major:minor`` of a device; None otherwise."""
    xattrs: str | None
    """Extended attributes as JSON (`verifier.tree.attributes`); None where they were not read or do not exist."""
    head: bytes | None
    """The first 16 bytes of a file that was read; fewer where it is shorter."""
    digest: bytes | None
    """The content's digest under the manifest's algorithm."""
    segments: bytes | None
    """XXH3-128 of each 64 MiB of a larger file, 16 bytes each, in order."""
    state: str
    """A `State`, as its text."""
    error: str | None
    """Why the content is not known: an errno name and what was being done."""
    read_at: str | None
    """When the content was read, ISO 8601, UTC."""

    @property
    def content_known(self) -> bool:
        """Whether the content counts as known: read, carried over, or there is none to read."""
        return self.state in _KNOWN and (self.kind != Kind.FILE or self.digest is not None)


_KNOWN: Final = frozenset({State.PROVED, State.CARRIED, State.CONTENTLESS})


def kind_of(mode: int) -> Kind:
    """Return the kind that an ``st_mode`` names."""
    return _KINDS.get(stat.S_IFMT(mode), Kind.UNKNOWN)


def int64(value: int) -> int:
    """Hold a number to SQLite's signed 64 bits.

    Unsigned 64-bit inode and device numbers wrap (they stay distinct); nothing else in an entry can be that large
    but a time stamp far outside any real file's, which `time64` clamps instead.
    """
    return value if value <= INT64_MAX else value - 2**64


def time64(value_ns: int) -> int:
    """Clamp a time in nanoseconds to signed 64 bits (XFS and ext4 can hold years past 2262)."""
    if -INT64_MAX <= value_ns <= INT64_MAX:
        return value_ns
    return INT64_MAX if value_ns > 0 else -INT64_MAX


FileRow = tuple[str, int, int | None, int, int, int, int, int, int, int, int]
"""A plain file as it was listed, in short form: path, size, allocated, mtime_ns, ctime_ns, mode, uid, gid, nlink,
device, inode. Everything else of its `Entry` follows from that."""
FILE_COLUMNS: Final = (
    "path",
    "size",
    "allocated",
    "mtime_ns",
    "ctime_ns",
    "mode",
    "uid",
    "gid",
    "nlink",
    "device",
    "inode",
)


OWN_COLUMNS: Final = ("path", "size", "allocated", "mtime_ns", "ctime_ns", "inode", "head", "digest")
"""What plain files that otherwise have all in common still have of their own; listed files do without the last two."""


def fits(mtime_ns: int, ctime_ns: int, device: int, inode: int) -> bool:
    """Tell whether an entry can hold these numbers as they are: in 64 bits, with a sign."""
    return (
        -INT64_MAX <= mtime_ns <= INT64_MAX
        and -INT64_MAX <= ctime_ns <= INT64_MAX
        and device <= INT64_MAX
        and inode <= INT64_MAX
    )


def file_row(path: str, facts: os.stat_result) -> FileRow:
    """Return a plain file's row; `facts` is what lstat, or fstat of the open file, said."""
    mtime_ns, ctime_ns, device, inode = facts.st_mtime_ns, facts.st_ctime_ns, facts.st_dev, facts.st_ino
    if not fits(mtime_ns, ctime_ns, device, inode):
        mtime_ns, ctime_ns, device, inode = time64(mtime_ns), time64(ctime_ns), int64(device), int64(inode)
    return (
        path,
        facts.st_size,
        None if NO_BLOCKS else facts.st_blocks * 512,
        mtime_ns,
        ctime_ns,
        facts.st_mode & 0o7777,
        facts.st_uid,
        facts.st_gid,
        facts.st_nlink,
        device,
        inode,
    )


def entry_from(path: str, raw: bytes | None, facts: os.stat_result, target: str | None) -> Entry:
    """Build the entry of a name that was listed and not read.

    Args:
        path: The path's manifest text.
        raw: Its bytes where they are not UTF-8.
        facts: What lstat said; nothing is followed.
        target: A link's target text, if it is one.
    """
    mode = facts.st_mode
    kind = _KINDS.get(mode & KIND_BITS, Kind.UNKNOWN).value
    is_file = kind == "file"
    if kind in _DEVICES:
        target = f"{os.major(facts.st_rdev)}:{os.minor(facts.st_rdev)}"
    return tuple.__new__(  # half the cost of the class's own constructor, for every name of a tree
        Entry,
        (
            path,
            raw,
            kind,
            # A directory's own size says how its file system stores names, not what it holds.
            facts.st_size if is_file or kind == "link" else 0,
            None if NO_BLOCKS else facts.st_blocks * 512,
            time64(facts.st_mtime_ns),
            time64(facts.st_ctime_ns),
            mode & 0o7777,
            facts.st_uid,
            facts.st_gid,
            facts.st_nlink,
            int64(facts.st_dev),
            int64(facts.st_ino),
            target,
            None,
            None,
            None,
            None,
            _LISTED if is_file else _CONTENTLESS,
            None,
            None,
        ),
    )
