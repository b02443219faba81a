"""A whole listing in memory, for tests to look at."""

from __future__ import annotations

import heapq
from contextlib import closing
from dataclasses import dataclass, field
from itertools import islice
from typing import TYPE_CHECKING

from verifier.tree.entry import Entry, Kind, State
from verifier.tree.handle import open_tree
from verifier.tree.names import to_bytes
from verifier.tree.share import Share
from verifier.tree.walk import Chunk, Gate, Place, Walk

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from verifier.tree.entry import FileRow
    from verifier.tree.handle import TreeHandle
    from verifier.tree.trouble import Problem
    from verifier.tree.walk import Taker

ROOT = Place("")
"""The whole tree."""


def entry_of(row: FileRow) -> Entry:
    """Return the entry that a plain file's short row stands for."""
    path, *facts = row
    nothing = (None, None, None, None, None)
    return Entry._make((path, None, Kind.FILE.value, *facts, *nothing, State.LISTED.value, None, None))


@dataclass(slots=True)
class Listing:
    """What one walk or several came to."""

    entries: list[Entry] = field(default_factory=list)
    """In the order they were met, those of one step by path: a step hands plain files on apart from the others."""
    problems: list[Problem] = field(default_factory=list)
    step_sizes: list[int] = field(default_factory=list)

    @property
    def paths(self) -> list[str]:
        """The paths in walk order."""
        return [entry.path for entry in self.entries]

    @property
    def final(self) -> dict[str, Entry]:
        """What is known of each path in the end: a folder that waited has a later entry in its place."""
        return {entry.path: entry for entry in self.entries}

    def take(self, chunk: Chunk) -> None:
        """Add a piece. Two orders are merged, not sorted: where either is wrong, so is what comes of it."""
        files = [entry_of(row) for row in chunk.files]
        self.entries += heapq.merge(files, chunk.entries, key=lambda entry: to_bytes(entry.path))
        self.problems += chunk.problems
        self.step_sizes.append(chunk.size)

    def __getitem__(self, path: str) -> Entry:
        (found,) = [entry for entry in self.entries if entry.path == path]
        return found


def run(walk: Walk, places: Sequence[Place], into: Listing, most_steps: int | None = None) -> list[Place]:
    """Run a walk for so many steps at most, add what it gave, and return what it left."""
    with closing(walk.run(places)) as steps:
        for _ in islice(steps, most_steps):
            into.take(walk.chunk)
            walk.chunk = Chunk()
    rest = walk.rest()
    into.take(walk.chunk)
    return rest


def list_tree(
    root: Path,
    handle: TreeHandle | None = None,
    *,
    places: Sequence[Place] = (ROOT,),
    cross_mounts: bool = False,
    skip: Callable[[str], str | None] = lambda _: None,
    avoid: frozenset[str] = frozenset(),
    on_folder: Callable[[str], None] = lambda _: None,
    take: Taker | None = None,
) -> Listing:
    """Walk a tree to its end, through a given hold or one of its own, which is closed."""
    found = Listing()
    share = Share.at(root)
    with handle or open_tree(share.root) as held:
        rest = run(Walk(held, Gate(share, cross_mounts, skip, avoid, on_folder), take), places, found)
    assert not rest, "a walk that ended left something"
    return found
