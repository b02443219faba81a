"""The mount table: what is mounted under a root and inside it, and where a folder lies on its device."""

from __future__ import annotations

import os
import re
from pathlib import Path, PurePosixPath
from typing import NamedTuple

from verifier.tree.names import shown, to_text


class Mounted(NamedTuple):
    """What the mount table says about the place of a root."""

    type_name: str
    """The file system's type; ``unknown`` where the table does not name it."""
    source: str
    """What is mounted there: a device, a server's share; as it may be shown, empty where the table does not say."""
    options: str
    """With which options, separated by commas; as they may be shown."""
    below: frozenset[str]
    """Manifest texts of the mount points inside the root."""


def mounted_at(root: Path) -> Mounted:
    """Look a root up by its name alone, which touches no file system."""
    import psutil  # noqa: PLC0415  costs 20 ms that --help should not pay

    type_name, source, options, longest = "unknown", "", "", -1
    below = set()
    for mount in psutil.disk_partitions(all=True):
        point = Path(mount.mountpoint)
        if root.is_relative_to(point):
            # The last mount over one point is the one that shows.
            if len(point.parts) >= longest:
                type_name, longest = mount.fstype or "unknown", len(point.parts)
                source, options = _shown(mount.device), _shown(mount.opts)
        elif point.is_relative_to(root):
            below.add(to_text(os.fsencode(point.relative_to(root).as_posix())))
    return Mounted(type_name, source, options, frozenset(below))


def _shown(text: str) -> str:
    return shown(to_text(os.fsencode(text)))


def place_on_device(path: Path) -> tuple[str, PurePosixPath] | None:
    """Return a folder's device and its path on it, from proc(5) mountinfo; None where the system does not say."""
    try:
        lines = Path("/proc/self/mountinfo").read_bytes().splitlines()
    except OSError:
        return None
    found: tuple[str, PurePosixPath] | None = None
    longest = -1
    for line in lines:
        _, _, device, inner, point, *_ = (_unescaped(field) for field in line.split(b" "))
        if path.is_relative_to(point) and len(Path(point).parts) >= longest:
            longest = len(Path(point).parts)
            found = device, PurePosixPath(inner) / path.relative_to(point).as_posix()
    return found


def _unescaped(field: bytes) -> str:
    """Undo the octal escapes of the mount table: space, tab, newline and backslash."""
    return os.fsdecode(re.sub(rb"\\([0-7]{3})", lambda match: bytes([int(match[1], 8)]), field))
