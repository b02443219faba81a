"""A botanical garden's file servers on real file systems, the people who work there, and a clock on the wall."""

from __future__ import annotations

import os
import subprocess
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from tests.tree.images import run
from verifier import clock

if TYPE_CHECKING:
    import random
    from collections.abc import Iterator
    from pathlib import Path

ZONE: Final = "Europe/Berlin"
"""Changes its clocks twice a year."""
BEFORE_S: Final = 1_600_000_000
"""When the old server's files were last changed."""


class Wall:
    """A clock on the wall, for this process: it stands until it is set, and runs on from there."""

    def __init__(self, first: datetime) -> None:
        self._day = first
        self._set_at = time.monotonic()

    def now(self) -> datetime:
        """Return the moment that it shows."""
        return self._day + timedelta(seconds=time.monotonic() - self._set_at)

    def set(self, moment: datetime) -> None:
        """Set it."""
        self._day = moment.astimezone(UTC)
        self._set_at = time.monotonic()

    def night(self, first: datetime, number: int, hour: int = 2, minute: int = 30) -> None:
        """Set it to a time of day on the n-th day after the first; one that is left out is taken as cron takes it."""
        day = (first + timedelta(days=number)).date()
        local = datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZoneInfo(ZONE))
        self.set(local)


@contextmanager
def at_the_wall(first: datetime) -> Iterator[Wall]:
    """Have this process live by a clock on the wall of a garden in `ZONE`."""
    wall, zone = Wall(first.astimezone(UTC)), os.environ.get("TZ")
    os.environ["TZ"] = ZONE
    time.tzset()
    clock.set_source(wall.now)
    try:
        yield wall
    finally:
        clock.set_source(None)
        if zone is None:
            del os.environ["TZ"]
        else:
            os.environ["TZ"] = zone
        time.tzset()


@dataclass(slots=True)
class Disk:
    """A file system on an image file, which can be unmounted, filled, and damaged where nobody sees it."""

    image: Path
    point: Path
    loop: str = ""

    @classmethod
    @contextmanager
    def made(cls, folder: Path, name: str, size_bytes: int) -> Iterator[Disk]:
        """Make one, mounted, until the block ends."""
        disk = cls(folder / f"{name}.image", folder / name)
        disk.point.mkdir()
        with disk.image.open("wb") as sparse:
            sparse.truncate(size_bytes)
        run("mkfs.ext4", "-q", "-F", "-m", "0", "-O", "^has_journal", disk.image)
        disk.loop = run("losetup", "--find", "--show", disk.image)
        try:
            disk.mount()
            yield disk
        finally:
            disk.unmount()
            run("losetup", "--detach", disk.loop)

    def mount(self) -> None:
        """Mount it."""
        run("mount", "-t", "ext4", self.loop, self.point)

    def unmount(self) -> None:
        """Unmount it, if it is mounted."""
        subprocess.run(["umount", self.point], check=False, capture_output=True)

    def decay(self, content: bytes) -> None:
        """Flip a bit of a file's content on the medium: the only place on it that holds this."""
        os.sync()
        raw = self.image.read_bytes()
        assert raw.count(content) == 1, f"the medium holds it {raw.count(content)} times"
        place = raw.index(content) + len(content) // 2
        with self.image.open("r+b") as file:
            file.seek(place)
            file.write(bytes([raw[place] ^ 1]))
            file.flush()
            os.fsync(file.fileno())
        self.unmount()  # nothing of it may be left in memory
        self.mount()


@dataclass(slots=True)
class People:
    """Who work on the new server: they edit, add, sort, remove, and leave litter behind."""

    root: Path
    chance: random.Random
    untouched: frozenset[str]
    """What nobody touches."""
    made: int = 0
    names: list[str] = field(default_factory=list)

    def work(self, moment: datetime) -> None:
        """Do a day's work; everything gets this time."""
        files = sorted(str(path.relative_to(self.root)) for path in self.root.rglob("*") if path.is_file())
        theirs = [name for name in files if name not in self.untouched and not name.startswith("lost+found")]
        for name in self.chance.sample(theirs, min(2, len(theirs))):
            self._write(name, f"{name} edited {moment.isoformat()}\n" * 3, moment)
        for _ in range(self.chance.randrange(3)):
            self.made += 1
            self._write(f"notes/{moment:%Y-%m}/plot {self.made}.txt", f"plot {self.made} of {moment.date()}\n", moment)
        if self.chance.random() < 0.4 and len(theirs) > 40:
            (self.root / self.chance.choice(theirs)).unlink()
        if self.chance.random() < 0.2 and len(theirs) > 40:
            name = self.chance.choice(theirs)
            if (self.root / name).exists():
                place = self.root / "sorted" / f"{moment:%Y%m%d} {name.rpartition('/')[2]}"
                place.parent.mkdir(exist_ok=True)
                (self.root / name).rename(place)
        if self.chance.random() < 0.3:
            self._write("scans/.DS_Store", "\0\0\0\1Bud1litter", moment)
        if self.chance.random() < 0.2:
            self._write("notes/~$season.docx", "\x08keeper" + "\0" * 155, moment)

    def _write(self, name: str, text: str, moment: datetime) -> None:
        place = self.root / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text)
        os.utime(place, (moment.timestamp(), moment.timestamp()))


def lay_out(root: Path, files: int) -> dict[str, bytes]:
    """Fill an old server with scans and notes, and return what each holds."""
    held = {}
    for number in range(files):
        folder = ("scans", "notes", "labels")[number % 3]
        content = b"herbarium sheet %06d " % number * (20 + number % 50)
        held[f"{folder}/{number:04d}"] = content
        place = root / folder / f"{number:04d}"
        place.parent.mkdir(exist_ok=True)
        place.write_bytes(content)
        os.utime(place, (BEFORE_S + number, BEFORE_S + number))
    return held
