"""Mounts that should be there: what fstab(5) has, and the mount table does not."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Final

FSTAB: Final = Path("/etc/fstab")


def not_mounted(root: Path, table: Path = FSTAB) -> Path | None:
    """Return the mount point at or above a root that is to be mounted and is not; None if all is as it should be.

    What lies in such a folder is not the share, but what somebody copied there by mistake.

    Args:
        root: Absolute and resolved.
        table: The file that says what is to be mounted; where it cannot be read, nothing is known.
    """
    import psutil  # noqa: PLC0415  costs 20 ms that --help should not pay

    try:
        lines = table.read_bytes().splitlines()
    except OSError:
        return None
    points = {Path("/")}
    for line in lines:
        fields = line.split()
        if len(fields) > 1 and not fields[0].startswith(b"#"):
            points.add(Path(os.fsdecode(re.sub(rb"\\([0-7]{3})", _character, fields[1]))))
    nearest = max((point for point in points if root.is_relative_to(point)), key=lambda point: len(point.parts))
    mounted = {Path(mount.mountpoint) for mount in psutil.disk_partitions(all=True)}
    return None if nearest == Path("/") or nearest in mounted else nearest


def _character(match: re.Match[bytes]) -> bytes:
    """Undo an octal escape, with which the table writes a space."""
    return bytes([int(match[1], 8) & 0xFF])
