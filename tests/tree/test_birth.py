"""When a file was made."""

from __future__ import annotations

import ctypes
import os
import subprocess
import time
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from verifier.tree import birth
from verifier.tree.birth import birth_ns

if TYPE_CHECKING:
    from pathlib import Path


def test_the_structure_is_that_of_the_kernel() -> None:
    """linux/stat.h: struct statx has 256 bytes, and the birth time stands behind the access time, at byte 80."""
    assert ctypes.sizeof(birth._Statx) == 256
    assert birth._Statx.stx_btime.offset == 0x50
    assert ctypes.sizeof(birth._Timestamp) == 16


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Return a file on a file system that keeps birth times."""
    place = tmp_path / "file"
    place.write_bytes(b"made")
    if birth_ns(place) is None:
        pytest.skip("this system does not say when a file was made")
    return place


def test_a_file_was_made_when_it_was_made(file: Path) -> None:
    """What is written, and times that are set, do not move it; a path and a descriptor say the same."""
    made = birth_ns(file)
    assert made is not None
    assert abs(made - time.time_ns()) < 60 * 10**9
    file.write_bytes(b"changed")
    os.utime(file, ns=(1, 1))
    with file.open("rb") as opened:
        assert birth_ns(opened.fileno()) == birth_ns(file) == birth_ns(str(file)) == birth_ns(bytes(file)) == made


def test_a_link_is_not_followed(file: Path) -> None:
    """A link has a birth of its own, and one that leads nowhere has, too."""
    link = file.with_name("link")
    time.sleep(0.02)
    link.symlink_to("nowhere")
    made, file_made = birth_ns(link), birth_ns(file)
    assert made is not None
    assert file_made is not None
    assert made > file_made


@pytest.mark.real(programs=("stat",))
@pytest.mark.parametrize("kind", ["file", "folder", "link"])
def test_it_is_what_stat_says(tmp_path: Path, kind: str) -> None:
    """Held against the system's own program (coreutils stat, %W: seconds since 1970; 0 where not known)."""
    place = tmp_path / kind
    if kind == "file":
        place.touch()
    elif kind == "folder":
        place.mkdir()
    else:
        place.symlink_to("nowhere")
    said = subprocess.run(["stat", "-c", "%.9W", place], check=True, capture_output=True, text=True).stdout
    seconds, _, fraction = said.strip().partition(".")
    told = int(seconds) * 10**9 + int(fraction)
    assert birth_ns(place) == (told or None)
    assert told, "the file system under the tests keeps none: nothing was tested"


def test_what_is_not_there_is_an_error_and_not_unknown(tmp_path: Path) -> None:
    """The caller learns why: the path and the errno are those of the system."""
    with pytest.raises(FileNotFoundError) as caught:
        birth_ns(tmp_path / "gone")
    assert caught.value.filename == str(tmp_path / "gone")
    with pytest.raises(OSError, match="Bad file descriptor"):
        birth_ns(2**20)
    with pytest.raises(ValueError, match="null byte"):
        birth_ns(f"{tmp_path}\0gone")


def test_a_file_system_that_keeps_none_says_none() -> None:
    """The mask says which fields were filled in (statx(2)): zeros are no time in 1970. Seen in /proc."""
    assert birth_ns("/proc/self/status") is None


@pytest.mark.parametrize(
    ("facts", "made"),
    [
        (SimpleNamespace(st_birthtime_ns=1_700_000_000_123_456_789, st_birthtime=1.0), 1_700_000_000_123_456_789),
        (SimpleNamespace(st_birthtime=1_700_000_000.123457), 1_700_000_000_123_457_000),
        (SimpleNamespace(st_birthtime=-1.5), -1_500_000_000),
        (SimpleNamespace(), None),
    ],
    ids=["nanoseconds", "seconds", "before 1970", "nothing"],
)
def test_where_python_knows_it_python_is_asked(facts: os.stat_result, made: int | None) -> None:
    """Os documentation, stat_result: st_birthtime_ns on Windows, st_birthtime in seconds on macOS and BSD."""
    assert birth._from(facts) == made


def test_a_library_without_the_call_says_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """An old C library, or one that never had it: not known."""
    if hasattr(os.stat_result, "st_birthtime"):
        pytest.skip("Python itself knows it here")
    monkeypatch.setattr(birth, "_statx", lambda: None)
    assert birth_ns(tmp_path) is None
