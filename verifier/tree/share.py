"""A share: a root, and what its file system can and cannot hold.

What a file system really stores decides what can be compared: FAT has 2 s times and no owners, an SMB mount shows
modes that the mount made up. The facts come from the mount table (psutil) and from read-only looks at the root.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.errors import RootUnavailable
from verifier.tree.attributes import xattrs_of
from verifier.tree.entry import time64
from verifier.tree.file_system import LOCAL, FileSystem, file_system_of
from verifier.tree.handle import open_tree
from verifier.tree.mount_table import mounted_at, place_on_device
from verifier.tree.names import shown, to_text
from verifier.tree.probe import NOTHING_KNOWN, Held, Root, case_sensitive, probe
from verifier.tree.trouble import errno_name

if TYPE_CHECKING:
    from collections.abc import Iterator

NAMES_ASKED: Final = 200
"""Of so many names of a root at most other forms are asked for."""


class RootFacts(NamedTuple):
    """What is known about a root folder itself, which has no entry among those of its tree."""

    mode: int = 0
    """Permission bits, as in an entry."""
    uid: int = 0
    gid: int = 0
    mtime_ns: int = 0
    xattrs: str | None = None
    """As in an entry."""


@dataclass(frozen=True, slots=True)
class Share:
    """A root that was found to be there, and what is known about where it lies."""

    root: Path
    """Absolute and resolved."""
    device: int
    inode: int
    type_name: str
    """The file system's type as the mount table names it; ``unknown`` where it does not."""
    file_system: FileSystem
    case_sensitive: bool | None
    """Whether two names may differ by letter case alone; None where nothing in the root shows it."""
    mounts_below: frozenset[str]
    """Manifest texts of the mount points inside the tree."""
    mount_source: str = ""
    """What is mounted there, as the mount table names it: a device, a server's share; empty where it does not say."""
    mount_options: str = ""
    """With which options, as the mount table has them, separated by commas."""
    held: Held = NOTHING_KNOWN
    """What the root itself says that it holds beside content."""
    own: RootFacts = field(default_factory=RootFacts)
    """Of the root itself, when it was looked at."""

    @classmethod
    def at(cls, root: Path) -> Share:
        """Look at a root and return it as a share.

        Raises:
            RootUnavailable: If it is not there, is not a directory or may not be listed.
        """
        named = shown(to_text(os.fsencode(root)))
        try:
            resolved = root.resolve(strict=True)
            facts = resolved.stat()
            with open_tree(resolved) as handle:
                names = handle.some_names(NAMES_ASKED)
                itself = handle.directory_xattrs(())
                xattrs = None if itself is None else xattrs_of(itself)
        except NotADirectoryError as error:
            raise RootUnavailable(f"{named} is not a directory", "name the folder to check") from error
        except FileNotFoundError as error:
            raise RootUnavailable(f"{named} is not there", "is the share mounted, and the path right?") from error
        except RuntimeError as error:  # how pathlib reports a loop of links before Python 3.13
            raise RootUnavailable(f"{named} is a loop of links", "name the folder itself") from error
        except OSError as error:
            hint = "run as a user who may read it" if isinstance(error, PermissionError) else "is the share healthy?"
            raise RootUnavailable(f"{named} cannot be listed ({errno_name(error)})", hint) from error
        type_name, source, options, below = mounted_at(resolved)
        asked = Root(resolved, names, all_names=len(names) < NAMES_ASKED)
        held, file_system = probe(asked, type_name, file_system_of(type_name, options))
        return cls(
            resolved,
            facts.st_dev,
            facts.st_ino,
            type_name,
            file_system,
            case_sensitive(asked),
            below,
            source,
            options,
            held,
            RootFacts(facts.st_mode & 0o7777, facts.st_uid, facts.st_gid, time64(facts.st_mtime_ns), xattrs),
        )

    def facts(self) -> dict[str, object]:
        """Return what a manifest keeps of it, by its name there; None is what is not known."""
        file_system, held = self.file_system, self.held
        return {
            "root": self.named,
            "file_system": self.type_name,
            "mount_source": self.mount_source,
            "mount_options": self.mount_options,
            "grain_ns": file_system.grain_ns,
            "owners": file_system.owners,
            "modes": file_system.modes,
            "inodes": file_system.inodes,
            "hard_links": file_system.hard_links,
            "compresses": file_system.compresses,
            "case_sensitive": self.case_sensitive,
            "unicode": held.unicode,
            "xattrs": held.xattrs,
            "acls": held.acls,
            "streams": held.streams,
            **{f"root_{name}": value for name, value in self.own._asdict().items()},
        }

    @property
    def local(self) -> bool:
        """Whether reading never waits for another machine or another program, as far as the type tells."""
        return self.is_local(self.type_name)

    @staticmethod
    def is_local(type_name: str) -> bool:
        """Tell whether file systems of a type never wait for another machine or another program."""
        return type_name.lower() in LOCAL

    @property
    def named(self) -> str:
        """The root as it may be shown."""
        return shown(to_text(os.fsencode(self.root)))

    def is_empty(self) -> bool:
        """Tell whether the root holds no name at all, as the mount point of an unmounted share does."""
        with open_tree(self.root) as handle:
            return not handle.some_names(1)

    def is_mount(self, path: str, device: int, above: int) -> bool:
        """Tell whether another file system begins at a folder.

        Args:
            path: The folder's manifest text.
            device: Its device number.
            above: Its parent's device number.
        """
        return path in self.mounts_below or (device != above and not self.file_system.nested_devices)

    def contains(self, place: Path) -> bool:
        """Tell whether a place, or what exists of its way, lies in this tree, whatever name leads there."""
        if any((step.st_dev, step.st_ino) == (self.device, self.inode) for _, step in _way_up(place)):
            return True
        # A bind mount shows a folder of the tree elsewhere: compare where both lie on their file system.
        mine = place_on_device(self.root)
        theirs = next((place_on_device(step) for step, _ in _way_up(place)), None)
        return mine is not None and theirs is not None and mine[0] == theirs[0] and theirs[1].is_relative_to(mine[1])


def _way_up(place: Path) -> Iterator[tuple[Path, os.stat_result]]:
    """Yield what exists of a place's way to the root of all, nearest first."""
    try:
        resolved = place.resolve()
    except (OSError, RuntimeError):  # a loop of links; RuntimeError before Python 3.13
        resolved = Path(os.path.abspath(place))
    for step in (resolved, *resolved.parents):
        try:
            yield step, step.stat()
        except OSError:
            continue
