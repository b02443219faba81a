"""What tests of every package use: the surroundings a test needs, mounts, and another user's rights."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

import pytest
from hypothesis import HealthCheck, settings

from verifier import clock

if TYPE_CHECKING:
    from collections.abc import Iterator

NOBODY: Final = 65534
"""A user and a group without any rights; any number but 0 would do."""

# The same examples on every run and every machine: what fails in one place fails in all of them.
settings.register_profile(
    "suite", derandomize=True, deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("suite")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the switch that lets no real test be skipped."""
    parser.addoption("--real-must-run", action="store_true", help="fail a test marked real where it would be skipped")


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a test marked real, with the reason, where its surroundings are not there.

    ``@pytest.mark.real(root=True, mounts=True, programs=("strace",), paths=("/var/lib/dpkg",))``
    """
    for mark in item.iter_markers("real"):
        lacking = _lacking(**mark.kwargs)
        if lacking and item.config.getoption("--real-must-run"):
            pytest.fail(lacking)
        if lacking:
            pytest.skip(lacking)


def _lacking(
    *, root: bool = False, mounts: bool = False, programs: tuple[str, ...] = (), paths: tuple[str, ...] = ()
) -> str:
    if (root or mounts) and os.geteuid() != 0:
        return "needs root"
    for program in programs:
        if shutil.which(program) is None:
            return f"needs the program {program}"
    for path in paths:
        if not Path(path).exists():
            return f"needs {path}"
    return "needs the right to mount" if mounts and not _may_mount() else ""


@cache
def _may_mount() -> bool:
    with tempfile.TemporaryDirectory() as point:
        if subprocess.run(["mount", "-t", "tmpfs", "none", point], capture_output=True, check=False).returncode:
            return False
        subprocess.run(["umount", point], check=True)
    return True


class Mount(Protocol):
    """Mounts something, until the test ends."""

    def __call__(self, *arguments: str | bytes | Path) -> None:
        """Call mount(8); the last argument is the mount point."""


@pytest.fixture
def mount() -> Iterator[Mount]:
    """Return a function that mounts; what it mounted is unmounted in the opposite order."""
    points: list[str | bytes | Path] = []

    def mount_one(*arguments: str | bytes | Path) -> None:
        subprocess.run(["mount", *arguments], check=True)
        points.append(arguments[-1])

    yield mount_one
    for point in reversed(points):
        subprocess.run(["umount", "--lazy", point], check=True)


@pytest.fixture
def open_ground() -> Iterator[Path]:
    """Return a folder that every user can reach and write in, which `tmp_path` is not."""
    with tempfile.TemporaryDirectory() as made:
        place = Path(made)
        place.chmod(0o777)
        yield place
        for where, folders, _ in os.walk(place):
            for folder in folders:
                (Path(where) / folder).chmod(0o700)


@pytest.fixture
def clock_ahead() -> Iterator[None]:
    """Have this process think that it is a little later.

    A file that changed in the second in which it is read counts as still changing: tests need not wait for the next.
    Reader processes, which only larger trees get, do not know of it.
    """
    clock.set_source(lambda: datetime.now(UTC) + timedelta(seconds=5))
    yield
    clock.set_source(None)


@contextmanager
def without_rights() -> Iterator[None]:
    """Be another user than root for a while, so that permission bits mean something."""
    if os.geteuid() != 0:
        yield
        return
    import psutil  # noqa: F401, PLC0415  imported late elsewhere, when this user may not read where it lies

    os.setegid(NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)
