"""Which of several copies of one content became which: by the closest name and folder."""

from __future__ import annotations

from difflib import SequenceMatcher
from typing import TYPE_CHECKING, Final

from verifier.tree.names import name_of, parent_of

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_COPIES: Final = 24
"""Copies of both sides together that are compared each with each; it costs 20 µs for every two of them."""


def closest(old: Sequence[str], new: Sequence[str]) -> list[tuple[str, str]]:
    """Pair paths one to one, the closest two first; as many pairs as the shorter side has paths.

    Args:
        old: Paths of the old side, all of one content.
        new: Paths of the new side with the same content.
    """
    if not old or not new:
        return []
    ranked = sorted((_distance(one, other), one, other) for one in old for other in new)
    free = [set(old), set(new)]
    pairs = []
    for _, one, other in ranked:
        if one in free[0] and other in free[1]:
            free[0].remove(one)
            free[1].remove(other)
            pairs.append((one, other))
    return pairs


def _distance(old: str, new: str) -> tuple[int, bool, float, int]:
    """Return how far two paths are from each other: the end of a path tells more than its beginning."""
    ours, theirs = old.split("/"), new.split("/")
    same_folder = parent_of(old) == parent_of(new)
    alike = SequenceMatcher(None, name_of(old), name_of(new), autojunk=False).ratio()
    return -_shared(ours[::-1], theirs[::-1]), not same_folder, -alike, -_shared(ours, theirs)


def _shared(ours: Sequence[str], theirs: Sequence[str]) -> int:
    """Count the components that two sequences begin with alike."""
    number = 0
    for one, other in zip(ours, theirs, strict=False):
        if one != other:
            break
        number += 1
    return number
