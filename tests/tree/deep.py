"""A tree deeper than a path can say, made and removed folder by folder."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final, Self

if TYPE_CHECKING:
    from pathlib import Path

MANY: Final = 300
"""Levels."""
NAME: Final = "level" * 12
"""60 characters: from level 68 on the path is longer than PATH_MAX (4096 with its NUL, linux/limits.h)."""


class DeepTree:
    """A chain of `MANY` folders below a root; in each but the last lie the next one, a file and an empty folder.

    A context manager: at the end everything is removed, by descriptor, since no path could name it.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        root.mkdir()
        self._descriptors = [os.open(root, os.O_RDONLY)]
        for depth in range(MANY):
            self._fill(depth)

    def _fill(self, depth: int) -> None:
        above = self._descriptors[-1]
        os.close(os.open("file", os.O_WRONLY | os.O_CREAT, dir_fd=above))
        if depth < MANY - 1:
            os.mkdir("zero", dir_fd=above)
            os.mkdir(NAME, dir_fd=above)
            self._descriptors.append(os.open(NAME, os.O_RDONLY, dir_fd=above))

    def folder(self, depth: int) -> tuple[str, ...]:
        """Return the components of a level's folder; the root is level 0."""
        return (NAME,) * depth

    def names(self, depth: int) -> list[str]:
        """Return the sorted names in a level's folder."""
        return sorted(["file", NAME, "zero"] if depth < MANY - 1 else ["file"])

    def cut(self, depth: int) -> None:
        """Give a level another name, so that nothing below it is found again by path."""
        above = self._descriptors[depth - 1]
        os.rename(NAME, f"{NAME}-moved", src_dir_fd=above, dst_dir_fd=above)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Remove everything, from the bottom up."""
        for descriptor in reversed(self._descriptors):
            for name in os.listdir(descriptor):  # noqa: PTH208  Path takes no descriptor
                if name == "file":
                    os.unlink(name, dir_fd=descriptor)
                else:
                    os.rmdir(name, dir_fd=descriptor)
            os.close(descriptor)
        self.root.rmdir()
