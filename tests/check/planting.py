"""Faults that are planted on a copy, and as what each has to be found."""

from __future__ import annotations

import os
import shutil
import subprocess
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tests.check.original import (
    DAY_NS,
    HOLES,
    LINKS,
    LOST_FOLDER,
    NOTE,
    NOTED,
    PLANS,
    SECOND_NAMES,
    SECOND_NS,
    SHARED,
    Without,
)
from verifier.classes import Cause, Class, Field
from verifier.tree.attributes import ACCESS_ACL

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

FOUND_AGAIN: Final = "shared/found again.txt"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault."""

    path: str
    """Of the old side; without anything that a target alters."""
    plant: Callable[[Path, Path], None]
    """Given the place on the new side, and that on the old one."""
    cls: Class
    cause: Cause | None = None
    field: Field | None = None
    """The field in which it differs, where metadata is all."""
    moved_to: str = ""
    also: tuple[str, ...] = ()
    """Further paths on which it shows."""
    without: Without | None = None
    """What has to be in the tree."""


@contextmanager
def under_the_same_time(place: Path) -> Iterator[None]:
    """Let a file have the times afterwards that it had before, as damage does."""
    facts = place.lstat()
    yield
    os.utime(place, ns=(facts.st_atime_ns, facts.st_mtime_ns), follow_symlinks=False)


def overwrite(place: Path, offset: int, data: bytes) -> None:
    """Put other bytes into the middle of a file."""
    with under_the_same_time(place), place.open("r+b") as file:
        file.seek(offset)
        file.write(data)


def flip_a_bit(place: Path, _: Path) -> None:
    """Flip one bit."""
    overwrite(place, 2000, bytes([place.read_bytes()[2000] ^ 0x10]))


def fill_with_zeros(place: Path, _: Path) -> None:
    """Lose a stretch in the middle."""
    overwrite(place, 1024, bytes(1024))


def cut(place: Path, _: Path) -> None:
    """Lose the end."""
    with under_the_same_time(place):
        os.truncate(place, 2500)


def empty(place: Path, _: Path) -> None:
    """Lose everything but the name."""
    with under_the_same_time(place):
        os.truncate(place, 0)


def bring_back_an_older_version(place: Path, original: Path) -> None:
    """Be another text, of an earlier day; in whole seconds, as an earlier run of any tool may have left it."""
    place.write_bytes(b"a first draft of what is there now\n" * 100)
    time_ns = (original.stat().st_mtime_ns - 100 * DAY_NS) // SECOND_NS * SECOND_NS
    os.utime(place, ns=(time_ns, time_ns))


def lose(place: Path, _: Path) -> None:
    """Not be there."""
    if place.is_dir():
        shutil.rmtree(place)
    else:
        place.unlink()


def move(place: Path, _: Path) -> None:
    """Lie elsewhere, under another name."""
    place.rename(place.parents[1] / FOUND_AGAIN)


def point_elsewhere(place: Path, _: Path) -> None:
    """Be a link to something else."""
    with under_the_same_time(place):
        target = str(place.readlink())
        place.unlink()
        place.symlink_to(target[:-1] + "d")


def lose_the_attribute(place: Path, _: Path) -> None:
    """Have no attribute any more; on NTFS, no stream."""
    os.removexattr(place, NOTE)


def lose_the_acl(place: Path, _: Path) -> None:
    """Have nothing but the mode any more."""
    os.removexattr(place, ACCESS_ACL)


def open_to_others(place: Path, _: Path) -> None:
    """Have another mode."""
    place.chmod(place.stat().st_mode ^ 0o002)


def give_to_another(place: Path, _: Path) -> None:
    """Have another owner."""
    os.chown(place, 4242, -1)


def split(place: Path, _: Path) -> None:
    """Be a file of its own, with all that the other name has."""
    other = place.with_name("a copy")
    subprocess.run(["cp", "-a", place, other], check=True)
    other.replace(place)


def fill_the_holes(place: Path, _: Path) -> None:
    """Have every zero written."""
    data = place.read_bytes()
    with under_the_same_time(place):
        place.write_bytes(data)


_CHANGED: Final = Class.CONTENT_CHANGED
FAULTS: Final = (
    Fault(PLANS[0], flip_a_bit, _CHANGED, Cause.SILENT),
    Fault(PLANS[1], cut, _CHANGED, Cause.TRUNCATED),
    Fault(PLANS[2], empty, _CHANGED, Cause.EMPTY),
    Fault(PLANS[3], fill_with_zeros, _CHANGED, Cause.ZERO_FILLED),
    Fault(PLANS[4], bring_back_an_older_version, _CHANGED, Cause.STALE),
    Fault(PLANS[5], lose, Class.MISSING),
    Fault(LOST_FOLDER, lose, Class.MISSING),
    Fault(PLANS[6], move, Class.RELOCATED, moved_to=FOUND_AGAIN),
    Fault(next(reversed(LINKS)), point_elsewhere, _CHANGED, Cause.SILENT, without=Without.LINKS),
    Fault(NOTED[3], lose_the_attribute, Class.METADATA_ONLY, field=Field.XATTRS),
    Fault(SHARED[3], lose_the_acl, Class.METADATA_ONLY, field=Field.ACL),
    Fault(PLANS[7], open_to_others, Class.METADATA_ONLY, field=Field.MODE),
    Fault(PLANS[8], give_to_another, Class.METADATA_ONLY, field=Field.OWNER),
    Fault(
        next(iter(SECOND_NAMES)),
        split,
        Class.METADATA_ONLY,
        field=Field.HARD_LINKS,
        also=(next(iter(SECOND_NAMES.values())),),
    ),
    Fault(HOLES, fill_the_holes, Class.METADATA_ONLY, field=Field.SPARSE),
)
"""Every one on another path."""
