"""The trees that are measured: made once, then kept in a folder.

All content and names are random with a fixed seed, so they are the same everywhere and cannot be compressed.
"""

from __future__ import annotations

import os
import random
import shutil
import time
from base64 import b32encode
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MIB: Final = 1024 * 1024
SMALL_FILES: Final = 200_000
SMALL_BYTES: Final = 5000
"""On average; sizes fall off exponentially, as those of real files do."""
LARGE_FILES: Final = 8
LARGE_BYTES: Final = 256 * MIB
SINGLE_BYTES: Final = 2048 * MIB
FAR_FILES: Final = 4000
FAR_FOLDERS: Final = 40
FEW_ENTRIES: Final = 100_000
MANY_ENTRIES: Final = 1_000_000
NAMES_A_FOLDER: Final = 50
FOLDERS_A_FOLDER: Final = 100
MIXED_SMALL: Final = 180_000
MIXED_LARGE: Final = 24
MIXED_BYTES: Final = 64 * MIB
FULL_FOLDER: Final = 1000


@dataclass(frozen=True, slots=True)
class Trees:
    """The trees, in a folder.

    Args:
        folder: Where they lie, and where manifests may be written.
        scale: Share of the full sizes, to see quickly whether everything runs.
    """

    folder: Path
    scale: float = 1.0

    def scaled(self, number: int) -> int:
        """Return a number of files or bytes at this scale."""
        return max(1, round(number * self.scale))

    def small(self) -> Path:
        """Return many small files."""
        return self._made("small", lambda root: write_small(root, self.scaled(SMALL_FILES)))

    def copy_of_small(self) -> Path:
        """Return the same once more, with the same times."""

        def write(root: Path) -> None:
            shutil.copytree(self.small(), root, dirs_exist_ok=True)

        return self._made("small-copy", write)

    def large(self) -> Path:
        """Return a few large files."""
        return self._made("large", lambda root: write_large(root, LARGE_FILES, self.scaled(LARGE_BYTES)))

    def single(self) -> Path:
        """Return a folder with one very large file."""
        return self._made("single", lambda root: write_large(root, 1, self.scaled(SINGLE_BYTES)))

    def almost_empty(self) -> Path:
        """Return a folder with one empty file."""
        return self._made("almost-empty", lambda root: (root / "empty").touch())

    def far(self) -> Path:
        """Return a few thousand small files in a few dozen folders."""
        return self._made(
            "far", lambda root: write_small(root, self.scaled(FAR_FILES), max(1, self.scaled(FAR_FILES) // FAR_FOLDERS))
        )

    def named(self, entries: int) -> Path:
        """Return so many files that hold next to nothing, with long names, in a great many folders."""
        number = self.scaled(entries)
        return self._made(f"named-{number}", lambda root: write_named(root, number))

    def mixed(self) -> Path:
        """Return many small files and some large ones."""

        def write(root: Path) -> None:
            write_small(root / "small", self.scaled(MIXED_SMALL))
            write_large(root / "large", MIXED_LARGE, self.scaled(MIXED_BYTES))

        return self._made("mixed", write)

    def manifest(self, name: str) -> Path:
        """Return a place for a manifest."""
        return self.folder / f"{name}.manifest.sqlite"

    def _made(self, name: str, write: Callable[[Path], None]) -> Path:
        root = self.folder / name
        if root.exists():
            return root
        print(f"writing {root} ...", flush=True)
        partial = root.with_name(f"{name}.partial")
        shutil.rmtree(partial, ignore_errors=True)
        partial.mkdir(parents=True)
        write(partial)
        os.sync()  # writing back must not fall into what is measured
        time.sleep(2)  # a file of this very second may still change within one tick of the clock, so none reuses it
        return partial.rename(root)


def write_small(root: Path, number: int, in_folder: int = FULL_FOLDER) -> None:
    """Write small files, so many in each folder."""
    rng = random.Random(5)
    data = rng.randbytes(MIB)
    folder = root
    for count in range(number):
        if count % in_folder == 0:
            folder = root / f"d{count // in_folder // 20}" / f"e{count // in_folder}"
            folder.mkdir(parents=True)
        start = rng.randrange(MIB // 2)
        size = int(rng.expovariate(1 / SMALL_BYTES))
        (folder / f"f{count % in_folder:03}").write_bytes(data[start : start + size])


def write_large(root: Path, number: int, size_bytes: int) -> None:
    """Write large files of random bytes."""
    root.mkdir(exist_ok=True)
    for count in range(number):
        with (root / f"large-{count}").open("wb") as file:
            for written in range(0, size_bytes, MIB):
                file.write(os.urandom(min(MIB, size_bytes - written)))


def write_named(root: Path, number: int) -> None:
    """Write files of a few bytes whose names are long and have nothing in common."""
    rng = random.Random(7)

    def name(length: int) -> str:
        return b32encode(rng.randbytes(length)).decode().lower()

    folder = root
    for count in range(number):
        if count % (NAMES_A_FOLDER * FOLDERS_A_FOLDER) == 0:
            above = root / name(10)
        if count % NAMES_A_FOLDER == 0:
            folder = above / name(10)
            folder.mkdir(parents=True)
        descriptor = os.open(folder / name(25), os.O_WRONLY | os.O_CREAT | os.O_EXCL)
        os.write(descriptor, rng.randbytes(count % 24))
        os.close(descriptor)
