"""Which of several copies of one content became which: by the closest name and folder."""

from __future__ import annotations

from difflib import SequenceMatcher
from typing import TYPE_CHECKING, Final

from verifier.tree.names import name_of, parent_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

MOST_COPIES: Final = 24
"""Copies of both sides together that are compared each with each; it costs 20 µs for every two of them."""


def closest(old: Mapping[str, str], new: Mapping[str, str]) -> list[tuple[str, str]]:
    """Pair paths one to one, the closest two first; as many pairs as the shorter side has paths.

    Args:
        old: Paths of the old side, all of one content, each with its place on the new side.
        new: Paths of the new side with the same content, each with itself.
    """
    if not old or not new:
        return []
    ranked = sorted(
        (_distance(place, other_place), one, other) for one, place in old.items() for other, other_place in new.items()
    )
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
    # The measure depends on which of two texts comes first; neither side does.
    first, second = sorted((name_of(old), name_of(new)))
    alike = SequenceMatcher(None, first, second, autojunk=False).ratio()
    return -_shared(ours[::-1], theirs[::-1]), not same_folder, -alike, -_shared(ours, theirs)


def _shared(ours: Sequence[str], theirs: Sequence[str]) -> int:
    """Count the components that two sequences begin with alike."""
    number = 0
    for one, other in zip(ours, theirs, strict=False):
        if one != other:
            break
        number += 1
    return number
