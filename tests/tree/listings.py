"""A whole listing in memory, for tests to look at."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verifier.tree.handle import open_tree
from verifier.tree.share import Share
from verifier.tree.walk import walk

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from verifier.tree.entry import Entry
    from verifier.tree.handle import TreeHandle
    from verifier.tree.trouble import Problem


@dataclass(slots=True)
class Listing:
    """What a walk yielded."""

    entries: list[Entry] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    chunk_sizes: list[int] = field(default_factory=list)

    @property
    def paths(self) -> list[str]:
        """The paths in walk order."""
        return [entry.path for entry in self.entries]

    def __getitem__(self, path: str) -> Entry:
        (found,) = [entry for entry in self.entries if entry.path == path]
        return found


def list_tree(
    root: Path,
    handle: TreeHandle | None = None,
    *,
    cross_mounts: bool = False,
    skip: Callable[[str], str | None] = lambda _: None,
) -> Listing:
    """Walk a tree to its end, through a given hold or one of its own, which is closed."""
    found = Listing()
    share = Share.at(root)
    with handle or open_tree(share.root) as held:
        for chunk in walk(held, share, cross_mounts=cross_mounts, skip=skip):
            found.entries += chunk.entries
            found.problems += chunk.problems
            found.chunk_sizes.append(len(chunk.entries))
    return found
