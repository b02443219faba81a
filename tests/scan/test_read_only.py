"""The promise that nothing in either tree is created, changed, renamed, touched or locked."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from tests.scan.command import COMMAND, ENVIRONMENT
from tests.scan.traced import MOVING, OPENING, Call, traced
from tests.strategies import Folder, Link, lay_out
from verifier.scan.side import INLINE_ENTRIES

if TYPE_CHECKING:
    from collections.abc import Iterator

LONG_AGO_NS: Final = 10**18
TREE: Final[Folder] = {
    **{f"file-{n:03}".encode(): b"content" for n in range(INLINE_ENTRIES + 50)},
    b"large": b"x" * 3_000_000,
    b"folder": {b"inner": b"content", b"empty": {}, b"deeper": {b"file": b"content"}},
    b"link": Link(b"folder"),
    b"way out": Link(b".."),
}


@dataclass(slots=True)
class Checked:
    """One real check of two trees, and everything that was seen of it."""

    trees: tuple[Path, Path]
    exit_code: int = -1
    calls: list[Call] = field(default_factory=list)
    touched: dict[Path, int] = field(default_factory=dict)
    """Access times that are not what they were, by place."""
    changed: list[Path] = field(default_factory=list)
    """Places whose other facts are not what they were."""


def special_files(root: Path) -> None:
    """Add what must never be opened."""
    os.mkfifo(root / "fifo")
    here = Path.cwd()
    os.chdir(root)  # a socket's address holds 108 bytes (unix(7))
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket")
    os.chdir(here)


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    """Check two equal trees of enough files for reader processes to start, under strace where there is one."""
    place = tmp_path_factory.mktemp("checked").resolve()
    old = lay_out(place / "old", TREE)
    special_files(old)
    new = place / "new"
    subprocess.run(["cp", "-a", old, new], check=True)
    places = [found for root in (old, new) for found in (root, *root.rglob("*")) if not found.is_symlink()]
    for found in places:
        # An access time before the last change is moved by any plain reading, even where the mount spares others
        # (mount(8), relatime).
        os.utime(found, ns=(LONG_AGO_NS - 1, LONG_AGO_NS))
    before = {found: found.lstat() for found in places}
    result = Checked((old, new))
    command: list[str | Path] = [
        *COMMAND,
        "check",
        old,
        new,
        "--evidence",
        place / "evidence",
        "--quiet",
        "--readers",
        "2",
    ]
    if shutil.which("strace"):
        result.exit_code, result.calls = traced(command, place / "log", ENVIRONMENT, place)
    else:
        result.exit_code = subprocess.run(command, env=ENVIRONMENT, capture_output=True, check=False).returncode
    for found, facts in before.items():
        now = found.lstat()
        if now.st_atime_ns != facts.st_atime_ns:
            result.touched[found] = now.st_atime_ns
        if (now.st_mtime_ns, now.st_ctime_ns, now.st_size, now.st_mode, now.st_nlink) != (
            facts.st_mtime_ns, facts.st_ctime_ns, facts.st_size, facts.st_mode, facts.st_nlink,
        ):  # fmt: skip
            result.changed.append(found)
    return result


@pytest.fixture
def atimes_move(tmp_path: Path) -> None:
    """Skip where access times stay as they are whatever is read (mount(8), noatime)."""
    probe = tmp_path / "probe"
    probe.write_bytes(b"x")
    os.utime(probe, ns=(LONG_AGO_NS - 1, LONG_AGO_NS))
    probe.read_bytes()
    if probe.stat().st_atime_ns == LONG_AGO_NS - 1:
        pytest.skip("access times do not move on this file system")


def test_the_check_ran(checked: Checked) -> None:
    """Two equal trees are trustworthy; otherwise nothing below would prove anything."""
    assert checked.exit_code == 0


def test_no_fact_of_any_place_changed(checked: Checked) -> None:
    """Times, sizes, modes and numbers of names are after the check what they were before it."""
    assert checked.changed == []


@pytest.mark.usefixtures("atimes_move")
def test_access_times_of_files_are_left_alone(checked: Checked) -> None:
    """Reading every byte of a file leaves its access time (O_NOATIME, open(2))."""
    assert not [place for place in checked.touched if place.is_file()]


@pytest.mark.usefixtures("atimes_move")
def test_access_times_of_folders_are_left_alone(checked: Checked) -> None:
    """Listing a folder leaves its access time."""
    assert not [place for place in checked.touched if place.is_dir() and place not in checked.trees]


@pytest.mark.usefixtures("atimes_move")
def test_the_access_time_of_the_root_is_left_alone(checked: Checked) -> None:
    """The root is part of the tree."""
    assert not [place for place in checked.touched if place in checked.trees]


@pytest.mark.real(programs=("strace",))
def test_no_call_that_writes_names_a_tree(checked: Checked) -> None:
    """Of everything that all processes asked of the kernel, nothing could change or lock a place in a tree."""
    assert [call for call in checked.calls if call.changes and call.names(checked.trees)] == []


@pytest.mark.real(programs=("strace",))
def test_every_file_was_opened_by_readers_without_following(checked: Checked) -> None:
    """The trace shows the work itself: each file opened, in reader processes, and no link followed on the way."""
    opened = [call for call in checked.calls if call.name in OPENING and call.names(checked.trees)]
    seen = {path for call in opened for path in call.paths}
    for tree in checked.trees:
        assert {str(tree / os.fsdecode(name)) for name, node in TREE.items() if isinstance(node, bytes)} <= seen
    assert len({call.pid for call in opened}) > 2
    inside = tuple(f"{tree}/" for tree in checked.trees)
    below = [call for call in opened if any(path.startswith(inside) for path in call.paths)]
    assert len(below) > len(checked.trees) * INLINE_ENTRIES
    assert not [call for call in below if "O_NOFOLLOW" not in call.text]


@pytest.mark.real(programs=("strace",))
def test_no_process_moved_into_a_tree(checked: Checked) -> None:
    """A process that stands in a tree keeps it from being unmounted."""
    assert not [call for call in checked.calls if call.name in MOVING and call.names(checked.trees)]


@pytest.mark.real(programs=("strace",))
@pytest.mark.parametrize("name", ["fifo", "socket", "link", "way out"])
def test_nothing_but_files_and_folders_was_opened(checked: Checked, name: str) -> None:
    """No FIFO, no socket, no link appears in any call that opens (fifo(7): it would wait for a writer)."""
    places = {str(tree / name) for tree in checked.trees}
    assert not [call for call in checked.calls if call.name in OPENING and call.paths & places]


# ---- That the trace would have shown it

SINS: Final = {
    "opening to write": "os.open('tree/file', os.O_WRONLY)",
    "opening to read and write": "os.open('file', os.O_RDWR, dir_fd=tree)",
    "creating": "os.open('new', os.O_CREAT | os.O_RDONLY, dir_fd=tree)",
    "emptying": "os.open('file', os.O_RDONLY | os.O_TRUNC, dir_fd=tree)",
    "touching": "os.utime('tree/file')",
    "touching by descriptor": "os.utime(os.open('tree/file', os.O_RDONLY), ns=(1, 1))",
    "removing": "os.unlink('file', dir_fd=tree)",
    "renaming": "os.rename('file', 'new', src_dir_fd=tree, dst_dir_fd=tree)",
    "moving in": "os.rename('outside', 'new', dst_dir_fd=tree)",
    "linking": "os.link('outside', os.path.abspath('tree/new'))",
    "making a folder": "os.mkdir('new', dir_fd=tree)",
    "making a link": "os.symlink('x', 'new', dir_fd=tree)",
    "making a FIFO": "os.mkfifo('new', dir_fd=tree)",
    "changing a mode": "os.chmod('file', 0o600, dir_fd=tree)",
    "changing an owner": "os.chown('file', -1, -1, dir_fd=tree)",
    "cutting": "os.truncate('tree/file', 0)",
    "adding an attribute": "os.setxattr('tree/file', 'user.x', b'')",
    "locking": "fcntl.flock(os.open('tree/file', os.O_RDONLY), fcntl.LOCK_SH)",
    "locking a range": "fcntl.lockf(os.open('tree/file', os.O_RDONLY), fcntl.LOCK_SH)",
}


@pytest.fixture(scope="module")
def sinned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[list[Call]]]:
    """Do each of the things that must not be done, and yield what the trace shows of each."""
    place = tmp_path_factory.mktemp("sinned").resolve()
    script = ["import fcntl, os, shutil"]
    for n, sin in enumerate(SINS.values()):
        script += [
            f"os.makedirs('{n}/tree'); os.chdir('{n}')",
            "open('outside', 'w').close(); open('tree/file', 'w').close(); tree = os.open('tree', os.O_RDONLY)",
            "open('../begins', 'w').close()",
            "try:",
            f"    {sin}",
            "except OSError: pass",
            "open('../ends', 'w').close()",
            "os.chdir('..')",
        ]
    (place / "script.py").write_text("\n".join(script))
    exit_code, calls = traced([sys.executable, place / "script.py"], place / "log", ENVIRONMENT, place)
    assert exit_code == 0
    found: list[list[Call]] = []
    for call in calls:
        if call.paths & {str(place / "begins"), str(place / "ends")}:
            found.append([])
        elif found:
            found[-1].append(call)
    yield found[::2]


@pytest.mark.real(programs=("strace",))
@pytest.mark.parametrize("number", range(len(SINS)), ids=SINS.keys())
def test_the_trace_would_have_shown(sinned: list[list[Call]], number: int) -> None:
    """Each way to change or lock something in a tree is recognised by the test that must find none."""
    assert len(sinned) == len(SINS)
    assert [call for call in sinned[number] if call.changes and any("/tree" in path for path in call.paths)]
