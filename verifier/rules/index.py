"""Patterns, arranged so that a name that none of them matches is dismissed at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import re
    from collections.abc import Iterable

    from verifier.rules.pattern import Pattern
    from verifier.rules.rule import Rule


class Match(NamedTuple):
    """A rule and the one of its patterns that matches a path, guards aside."""

    order: int
    """The rule's place in its set."""
    rule: Rule
    pattern: Pattern


class NameIndex:
    """Patterns of one component: by their whole name, else by the letter it begins with, else by its last."""

    __slots__ = ("_exact", "_final", "_first", "_others")

    def __init__(self) -> None:
        self._exact: dict[str, list[Match]] = {}
        self._first: dict[str, list[Match]] = {}
        self._final: dict[str, list[Match]] = {}
        self._others: list[Match] = []

    def add(self, match: Match) -> None:
        """Add a pattern."""
        pattern = match.pattern
        if pattern.folds:
            self._others.append(match)
        elif pattern.literal is not None:
            self._exact.setdefault(pattern.literal.lower(), []).append(match)
        elif pattern.prefix:
            _put(self._first, pattern.prefix[0], match)
        elif pattern.suffix:
            _put(self._final, pattern.suffix[-1], match)
        else:
            self._others.append(match)

    def may_match(self, name: str) -> bool:
        """Tell whether `find` could find anything; most names that nothing matches are told apart here."""
        return bool(name.lower() in self._exact or name[:1] in self._first or name[-1:] in self._final or self._others)

    def find(self, name: str) -> list[Match]:
        """Return the patterns that match a name."""
        return [
            match
            for matches in (
                self._exact.get(name.lower(), ()),
                self._first.get(name[:1], ()),
                self._final.get(name[-1:], ()),
                self._others,
            )
            for match in matches
            if match.pattern.matches_name(name)
        ]


class PathIndex:
    """Patterns of several components, as far as the folders down to one folder have matched them.

    Args:
        standing: Each pattern with the places of the components that may come next.
    """

    __slots__ = ("_advancing", "_otherwise", "_standing", "ends")

    def __init__(self, standing: Iterable[tuple[Match, frozenset[int]]]) -> None:
        self._standing = tuple((match, places) for match, places in standing if places)
        self.ends = tuple(match for match, places in self._standing if match.pattern.may_end(places))
        """Patterns that something directly in the folder may match with its name."""
        self._advancing: tuple[re.Pattern[str], ...] = tuple(
            {c: None for match, places in self._standing for c in match.pattern.advancing(places)}
        )
        self._otherwise: PathIndex | None = None

    @classmethod
    def at_root(cls, matches: Iterable[Match]) -> PathIndex:
        """Return the index of a tree's root."""
        return cls((match, match.pattern.start()) for match in matches)

    def below(self, folder: str) -> PathIndex:
        """Return the index of a folder in this one; most folders, whose name matches nothing, share theirs."""
        if any(component.fullmatch(folder) for component in self._advancing):
            return self._step(folder)
        if self._otherwise is None:
            step = self._step(folder)
            self._otherwise = self if step._standing == self._standing else step
        return self._otherwise

    def _step(self, folder: str) -> PathIndex:
        return PathIndex((match, match.pattern.step(places, folder)) for match, places in self._standing)


def _put(index: dict[str, list[Match]], letter: str, match: Match) -> None:
    letters = {letter.lower(), letter.upper()} if match.pattern.ignore_case else {letter}
    for each in sorted(letters):
        index.setdefault(each, []).append(match)
