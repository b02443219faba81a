"""Reaching into a tree by directory descriptor, so that depth and swapped links cannot lead astray.

A path longer than PATH_MAX (4096 bytes, linux/limits.h) cannot be given to open(2) in one piece, and a path given in
one piece follows any component that was replaced by a link a moment ago. A `TreeHandle` opens one component at a time
relative to the one above, with O_NOFOLLOW, and keeps the chain of descriptors it stands on, so that moving to the
next folder of a walk costs one or two calls.

Everything is opened read-only; access times are left alone where the platform allows it (O_NOATIME: owner or
CAP_FOWNER, open(2)).
"""

from __future__ import annotations

import functools
import os
import stat
from itertools import islice
from typing import TYPE_CHECKING, Final, Protocol, Self

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

MAX_HELD_DESCRIPTORS: Final = 64
"""Directory descriptors kept open at once; deeper chains are re-opened on the way back up."""

_NOATIME: Final[int] = getattr(os, "O_NOATIME", 0)
_DIRECTORY_FLAGS: Final[int] = (
    os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
)
# O_NONBLOCK: a file that was replaced by a FIFO since it was listed must not hang the reader (open(2)).
_FILE_FLAGS: Final[int] = (
    os.O_RDONLY
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
)


class TreeHandle(Protocol):
    """A read-only hold on one tree. Folders are named by their components, as the operating system's strings."""

    def names(self, folder: Sequence[str]) -> list[tuple[str, bool]]:
        """Return the names in a folder, unordered, without ``.`` and ``..``.

        Beside each stands whether the listing itself says that it is a file (readdir(3), d_type): such a name may be
        opened without another look first.
        """

    def some_names(self, limit: int) -> list[str]:
        """Return the first names that a listing of the root gives, at most so many."""

    def facts(self, folder: Sequence[str], name: str) -> os.stat_result:
        """Return what lstat says about a name; an empty name is the folder itself."""

    def target(self, folder: Sequence[str], name: str) -> bytes:
        """Return the text of a link."""

    def open(self, folder: Sequence[str], name: str) -> int:
        """Open a file for reading and return its descriptor, which the caller closes."""

    def looker(self, folder: Sequence[str]) -> Callable[[str], os.stat_result]:
        """Return what looks at names of one folder as `facts` does, until the handle goes to another folder."""

    def opener(self, folder: Sequence[str]) -> Callable[[str], int]:
        """Return what opens files of one folder as `open` does, until the handle goes to another folder."""

    def directory_xattrs(self, folder: Sequence[str]) -> int | str | None:
        """Return what os.listxattr can be called with for a folder, or None where there is no such call."""

    def close(self) -> None:
        """Give every descriptor back."""

    def __enter__(self) -> Self: ...

    def __exit__(self, *_: object) -> None: ...


def open_tree(root: Path) -> TreeHandle:
    """Take hold of a tree's root.

    Raises:
        OSError: If the root cannot be opened as a directory.
    """
    by_descriptor = {os.open, os.stat, os.readlink} <= os.supports_dir_fd and os.scandir in os.supports_fd
    return DescriptorHandle(root) if by_descriptor else PathHandle(root)


class DescriptorHandle:
    """A `TreeHandle` that goes by descriptors: Linux, macOS and other POSIX systems."""

    def __init__(self, root: Path) -> None:
        self._chain: list[str] = []
        # The descriptor of each component of the chain, the root's first; None where it was given back early.
        # The root itself may be reached through a link: it is what the user named.
        self._descriptors: list[int | None] = [
            _open_sparing_atime(root, _DIRECTORY_FLAGS & ~getattr(os, "O_NOFOLLOW", 0), None)
        ]
        self._last: Sequence[str] | None = None

    def _at(self, folder: Sequence[str]) -> int:
        # Callers ask for one folder many times in a row, with the same tuple: nothing to compare then.
        if folder is self._last and (found := self._descriptors[-1]) is not None:
            return found
        self._last = None
        found = self._move(folder)
        self._last = folder
        return found

    def _move(self, folder: Sequence[str]) -> int:
        shared = 0
        for ours, wanted in zip(self._chain, folder, strict=False):
            if ours != wanted:
                break
            shared += 1
        self._leave_below(shared)
        for name in folder[shared:]:
            self._descend(name)
        if (found := self._descriptors[-1]) is not None:
            return found
        return self._reopen()

    def _leave_below(self, depth: int) -> None:
        while len(self._chain) > depth:
            self._chain.pop()
            if (descriptor := self._descriptors.pop()) is not None:
                os.close(descriptor)

    def _descend(self, name: str) -> None:
        above = self._descriptors[-1]
        if above is None:
            above = self._reopen()
        self._descriptors.append(_open_sparing_atime(name, _DIRECTORY_FLAGS, above))
        self._chain.append(name)
        self._give_back_early(len(self._chain) - MAX_HELD_DESCRIPTORS)

    def _give_back_early(self, position: int) -> None:
        # Position 0 is the root, which is never given back: everything else can be reached from it again.
        if position > 0 and (early := self._descriptors[position]) is not None:
            os.close(early)
            self._descriptors[position] = None

    def _reopen(self) -> int:
        """Open the chain's last folder again, from the nearest descriptor still held."""
        position = max(n for n, held in enumerate(self._descriptors) if held is not None)
        current = self._descriptors[position]
        assert current is not None
        for n in range(position, len(self._chain)):
            try:
                below = _open_sparing_atime(self._chain[n], _DIRECTORY_FLAGS, current)
            finally:
                if n > position:
                    os.close(current)
            current = below
        self._descriptors[-1] = current
        return current

    def names(self, folder: Sequence[str]) -> list[tuple[str, bool]]:
        with os.scandir(self._at(folder)) as listing:
            return [(item.name, _is_file(item)) for item in listing]

    def some_names(self, limit: int) -> list[str]:
        with os.scandir(self._at(())) as listing:
            return [item.name for item in islice(listing, limit)]

    def facts(self, folder: Sequence[str], name: str) -> os.stat_result:
        at = self._at(folder)
        return os.stat(name, dir_fd=at, follow_symlinks=False) if name else os.fstat(at)

    def target(self, folder: Sequence[str], name: str) -> bytes:
        return os.fsencode(os.readlink(name, dir_fd=self._at(folder)))

    def open(self, folder: Sequence[str], name: str) -> int:
        return _open_sparing_atime(name, _FILE_FLAGS, self._at(folder))

    def looker(self, folder: Sequence[str]) -> Callable[[str], os.stat_result]:
        return functools.partial(os.stat, dir_fd=self._at(folder), follow_symlinks=False)

    def opener(self, folder: Sequence[str]) -> Callable[[str], int]:
        at, sparing = self._at(folder), _FILE_FLAGS | _NOATIME

        def open_name(name: str) -> int:
            try:
                return os.open(name, sparing, dir_fd=at)
            except PermissionError:
                return _open_sparing_atime(name, _FILE_FLAGS, at)

        return open_name

    def directory_xattrs(self, folder: Sequence[str]) -> int | str | None:
        return self._at(folder) if hasattr(os, "listxattr") else None

    def close(self) -> None:
        for descriptor in self._descriptors:
            if descriptor is not None:
                os.close(descriptor)
        self._descriptors.clear()
        self._last = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class PathHandle:
    """A `TreeHandle` that goes by whole paths, where a platform has no descriptor-relative calls (Windows)."""

    def __init__(self, root: Path) -> None:
        absolute = os.path.abspath(root)
        # The \\?\ prefix lifts MAX_PATH (Win32 documentation, Naming Files); a network path has its own form.
        if os.name == "nt" and not absolute.startswith("\\\\?\\"):
            absolute = "\\\\?\\UNC" + absolute[1:] if absolute.startswith("\\\\") else "\\\\?\\" + absolute
        self._root = absolute
        os.scandir(absolute).close()

    def _at(self, folder: Sequence[str]) -> str:
        return os.path.join(self._root, *folder)

    def names(self, folder: Sequence[str]) -> list[tuple[str, bool]]:
        with os.scandir(self._at(folder)) as listing:
            return [(item.name, _is_file(item)) for item in listing]

    def some_names(self, limit: int) -> list[str]:
        with os.scandir(self._root) as listing:
            return [item.name for item in islice(listing, limit)]

    def facts(self, folder: Sequence[str], name: str) -> os.stat_result:
        return os.lstat(os.path.join(self._at(folder), name) if name else self._at(folder))

    def target(self, folder: Sequence[str], name: str) -> bytes:
        return os.fsencode(os.readlink(os.path.join(self._at(folder), name)))

    def open(self, folder: Sequence[str], name: str) -> int:
        path = os.path.join(self._at(folder), name)
        if not hasattr(os, "O_NOFOLLOW") and stat.S_ISLNK(os.lstat(path).st_mode):
            raise FileNotFoundError(f"became a link: {path}")
        return os.open(path, _FILE_FLAGS)

    def looker(self, folder: Sequence[str]) -> Callable[[str], os.stat_result]:
        return functools.partial(self.facts, folder)

    def opener(self, folder: Sequence[str]) -> Callable[[str], int]:
        return functools.partial(self.open, folder)

    def directory_xattrs(self, folder: Sequence[str]) -> int | str | None:
        return self._at(folder) if hasattr(os, "listxattr") else None

    def close(self) -> None:
        """Do nothing: no descriptor is held."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _is_file(item: os.DirEntry[str]) -> bool:
    try:
        return item.is_file(follow_symlinks=False)
    except OSError:  # the listing does not say, and a look failed: whoever looks again will meet the error
        return False


def _open_sparing_atime(name: str | Path, flags: int, above: int | None) -> int:
    if _NOATIME:
        try:
            return os.open(name, flags | _NOATIME, dir_fd=above)
        except PermissionError:
            # EPERM: O_NOATIME is for the owner and CAP_FOWNER only. EACCES comes again below.
            pass
    return os.open(name, flags, dir_fd=above)
