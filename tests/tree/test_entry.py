"""What is known about one name, and what the numbers in it are held to."""

from __future__ import annotations

import os
import socket
import stat
from typing import TYPE_CHECKING

import pytest

from tests.tree.listings import list_tree
from verifier.tree.entry import Entry, Kind, State, entry_from, int64, kind_of, time64

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("bits", "kind"),
    [
        (stat.S_IFREG, Kind.FILE),
        (stat.S_IFDIR, Kind.DIRECTORY),
        (stat.S_IFLNK, Kind.LINK),
        (stat.S_IFIFO, Kind.FIFO),
        (stat.S_IFSOCK, Kind.SOCKET),
        (stat.S_IFCHR, Kind.CHAR_DEVICE),
        (stat.S_IFBLK, Kind.BLOCK_DEVICE),
        (0o130000, Kind.UNKNOWN),
    ],
    ids=lambda value: value if isinstance(value, Kind) else "",
)
def test_kinds_are_those_of_inode7(bits: int, kind: Kind) -> None:
    """Each file type of inode(7) has a kind; permission bits do not matter, anything else is unknown."""
    assert kind_of(bits | 0o7777) is kind


@pytest.mark.parametrize(
    ("value", "held"),
    [(0, 0), (2**63 - 1, 2**63 - 1), (2**63, -(2**63)), (2**64 - 1, -1)],
    ids=["zero", "largest signed", "smallest that wraps", "all bits"],
)
def test_unsigned_numbers_wrap_and_stay_distinct(value: int, held: int) -> None:
    """Inode and device numbers are unsigned 64-bit; SQLite's integers are signed (SQLite documentation, datatypes)."""
    assert int64(value) == held
    assert held % 2**64 == value


@pytest.mark.parametrize("year_ns", [0, -1, 2**63 - 1, -(2**63) + 1, 1_700_000_000_123_456_789])
def test_times_within_64_bits_are_kept_to_the_nanosecond(year_ns: int) -> None:
    """No float comes in between, and times before 1970 are times as well."""
    assert time64(year_ns) == year_ns


@pytest.mark.parametrize("sign", [1, -1], ids=["future", "past"])
def test_times_beyond_64_bits_are_clamped(sign: int) -> None:
    """ext4 holds times up to 2446 (ext4/inodes.rst), which is past 2262: clamped, not wrapped into another century."""
    year_2446_ns = 15_032_385_535 * 10**9
    assert time64(sign * year_2446_ns) == sign * (2**63 - 1)


def test_a_file_is_recorded_as_lstat_says(tmp_path: Path) -> None:
    """Size, storage, times, mode, owner, names, device and inode are those of lstat(2)."""
    file = tmp_path / "file"
    file.write_bytes(b"12345")
    file.chmod(0o4751)
    os.utime(file, ns=(0, -1_000_000_001))
    facts = file.lstat()
    entry = list_tree(tmp_path)["file"]
    assert (entry.kind, entry.state, entry.size) == (Kind.FILE, State.LISTED, 5)
    assert (entry.allocated, entry.mtime_ns, entry.ctime_ns) == (
        facts.st_blocks * 512,
        -1_000_000_001,
        facts.st_ctime_ns,
    )
    assert (entry.mode, entry.uid, entry.gid, entry.nlink) == (0o4751, facts.st_uid, facts.st_gid, 1)
    assert (entry.device, entry.inode) == (facts.st_dev, facts.st_ino)
    assert (entry.target, entry.xattrs, entry.head, entry.digest, entry.segments) == (None,) * 5


def test_a_directory_has_no_size(tmp_path: Path) -> None:
    """A directory's own size tells how its file system stores names, so it must not count as data."""
    (tmp_path / "folder").mkdir()
    entry = list_tree(tmp_path)["folder"]
    assert (entry.kind, entry.size, entry.state) == (Kind.DIRECTORY, 0, State.CONTENTLESS)


def test_a_link_is_its_target(tmp_path: Path) -> None:
    """A link's size and content are its target's text, invalid UTF-8 and all."""
    os.symlink(b"../n\xffwhere\n", tmp_path / "link")  # noqa: PTH211  Path takes no bytes
    entry = list_tree(tmp_path)["link"]
    assert (entry.kind, entry.size, entry.target) == (Kind.LINK, 11, "../n\\xffwhere\n")
    assert entry.content_known


def test_a_fifo_and_a_socket_are_recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Special files are entries of their kind, without content that could be unknown."""
    os.mkfifo(tmp_path / "fifo")
    monkeypatch.chdir(tmp_path)  # a socket's address holds 108 bytes (unix(7))
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket")
        found = list_tree(tmp_path)
    for name, kind in (("fifo", Kind.FIFO), ("socket", Kind.SOCKET)):
        assert (found[name].kind, found[name].state, found[name].size) == (kind, State.CONTENTLESS, 0)


@pytest.mark.real(root=True)
def test_devices_are_recorded_with_their_numbers(tmp_path: Path) -> None:
    """A device node is its kind and its major and minor number (mknod(2))."""
    os.mknod(tmp_path / "char", stat.S_IFCHR | 0o600, os.makedev(1, 3))
    os.mknod(tmp_path / "block", stat.S_IFBLK | 0o600, os.makedev(7, 300))
    found = list_tree(tmp_path)
    assert (found["char"].kind, found["char"].target) == (Kind.CHAR_DEVICE, "1:3")
    assert (found["block"].kind, found["block"].target) == (Kind.BLOCK_DEVICE, "7:300")


@pytest.mark.parametrize(
    ("state", "known"),
    [
        (State.PROVED, True),
        (State.CARRIED, True),
        (State.CONTENTLESS, True),
        (State.LISTED, False),
        (State.UNREADABLE, False),
        (State.UNSETTLED, False),
    ],
)
def test_only_what_was_read_counts_as_known(tmp_path: Path, state: State, known: bool) -> None:
    """Fail closed: a state is known by being on the list, never by not being an error."""
    entry = entry_from("name", None, tmp_path.lstat(), None)._replace(state=state.value)
    assert entry.content_known is known
    assert not Entry(*entry)._replace(state="something new").content_known
