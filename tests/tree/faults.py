"""A hold on a real tree in which chosen places misbehave: faults by path, not by call order."""

from __future__ import annotations

import functools
import os
from collections import Counter
from typing import TYPE_CHECKING

from verifier.tree.handle import DescriptorHandle

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    Action = Callable[[], None]


class FaultyHandle(DescriptorHandle):
    """A `DescriptorHandle` with actions before and after what is done at a path.

    An action is found by the operation (names, facts, target, open) and the path, "" for the root; it may raise, or
    change the tree.
    """

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.before: dict[tuple[str, str], Action] = {}
        self.after: dict[tuple[str, str], Action] = {}
        self.also_listed: dict[str, list[str]] = {}
        """Names that a folder's listing gives besides those that are there."""
        self.asked: Counter[tuple[str, str]] = Counter()

    def _around(self, operation: str, folder: Sequence[str], name: str, when: dict[tuple[str, str], Action]) -> None:
        path = "/".join((*folder, name) if name else folder)
        if when is self.before:
            self.asked[operation, path] += 1
        when.get((operation, path), _nothing)()

    def names(self, folder: Sequence[str]) -> list[tuple[str, bool]]:
        """List a folder; of the names that are added the listing does not say what they are."""
        self._around("names", folder, "", self.before)
        found = super().names(folder) + [(name, False) for name in self.also_listed.get("/".join(folder), [])]
        self._around("names", folder, "", self.after)
        return found

    def facts(self, folder: Sequence[str], name: str) -> os.stat_result:
        """Look at a name."""
        self._around("facts", folder, name, self.before)
        return super().facts(folder, name)

    def target(self, folder: Sequence[str], name: str) -> bytes:
        """Read a link."""
        self._around("target", folder, name, self.before)
        return super().target(folder, name)

    def open(self, folder: Sequence[str], name: str) -> int:
        """Open a file."""
        self._around("open", folder, name, self.before)
        return super().open(folder, name)

    def looker(self, folder: Sequence[str]) -> Callable[[str], os.stat_result]:
        """Return what looks at names of a folder, each as `facts` does; the folder itself must be there now."""
        super().looker(folder)
        return functools.partial(self.facts, folder)

    def opener(self, folder: Sequence[str]) -> Callable[[str], int]:
        """Return what opens files of a folder, each as `open` does; the folder itself must be there now."""
        super().opener(folder)
        return functools.partial(self.open, folder)


def _nothing() -> None:
    pass


def failing(number: int, times: int | None = None) -> Action:
    """Return an action that fails with an errno, for so many times; None for ever."""
    calls = 0

    def act() -> None:
        nonlocal calls
        calls += 1
        if times is None or calls <= times:
            raise OSError(number, os.strerror(number))

    return act


def once(act: Action) -> Action:
    """Return an action that acts the first time only."""
    done = False

    def act_once() -> None:
        nonlocal done
        if not done:
            done = True
            act()

    return act_once
