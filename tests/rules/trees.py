"""A tree in memory for rules to look at, and rules built in one line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verifier.rules.guards import Candidate
from verifier.rules.rule import Action, Guards, Rule, RuleSet
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from collections.abc import Iterable


class Tree:
    """Surroundings made of a list of paths; the folders above them are there as well.

    Args:
        paths: Paths of files and, with a slash at the end, of directories.
        unlisted: Directories that were not listed.
    """

    def __init__(self, *paths: str, unlisted: Iterable[str] = ()) -> None:
        self.asked: list[str] = []
        self._unlisted = frozenset(unlisted)
        self._kinds: dict[str, Kind] = {}
        for path in paths:
            bare = path.removesuffix("/")
            self._kinds[bare] = Kind.DIRECTORY if path.endswith("/") else Kind.FILE
            while "/" in bare:
                bare = bare.rpartition("/")[0]
                self._kinds[bare] = Kind.DIRECTORY

    def exists(self, path: str) -> bool:
        """Tell whether the path was given, or is above one that was."""
        self.asked.append(path)
        return path in self._kinds

    def is_empty(self, path: str) -> bool | None:
        """Tell whether nothing below the path was given."""
        self.asked.append(path)
        if path in self._unlisted:
            return None
        return not any(other.startswith(f"{path}/") for other in self._kinds)

    def candidate(self, path: str) -> Candidate | None:
        """Return the path with its kind, if it is there."""
        self.asked.append(path)
        return Candidate(path, self._kinds[path], 0, None) if path in self._kinds else None


def file(path: str, size: int | None = 100, head: bytes | None = b"") -> Candidate:
    """Return a file."""
    return Candidate(path, Kind.FILE, size, head)


def directory(path: str) -> Candidate:
    """Return a directory."""
    return Candidate(path, Kind.DIRECTORY, 0, None)


def rule(
    pattern: str | tuple[str, ...],
    action: Action = Action.SET_ASIDE,
    *,
    name: str = "",
    ignore_case: bool = False,
    with_contents: bool = True,
    guards: Guards | None = None,
) -> Rule:
    """Return a rule; its name is its pattern unless it has one."""
    patterns = (pattern,) if isinstance(pattern, str) else pattern
    return Rule(
        name or patterns[0],
        patterns,
        "cache",
        "somebody",
        action,
        "invented",
        ignore_case=ignore_case,
        with_contents=with_contents,
        guards=guards or Guards(),
    )


def rules(*each: Rule) -> RuleSet:
    """Return a set of rules."""
    return RuleSet(each)
