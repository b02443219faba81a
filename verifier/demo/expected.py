"""What a check of the sample trees must find, derived from the table and the two sides grown from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from verifier.classes import Cause, Class, Field, Side
from verifier.tree.names import parent_of

if TYPE_CHECKING:
    from verifier.demo.planting import Plant, Planting
    from verifier.demo.trees import Node, Tree

_ABOUT_METADATA: Final = (Class.METADATA_ONLY, Class.UNREADABLE)
"""Planted by a change of metadata: the fields say which."""


@dataclass(frozen=True, slots=True)
class PlantedDifference:
    """One finding that a check of the laid-out trees must come to."""

    cls: Class
    """Its class."""
    cause: Cause | None
    """Its cause, for changed content; None otherwise."""
    old_path: str | None
    """Manifest text; None where it is on the new side only."""
    new_path: str | None
    """Manifest text; None where it is on the old side only."""
    fields: tuple[Field, ...]
    """The metadata that differs, for class metadata-only; empty where another class says more."""
    rule: str | None
    """The rule that must claim it, for clutter; None otherwise."""
    plant: Plant
    """Where it comes from, with its story."""


def differences(planting: Planting, sides: dict[Side, Tree]) -> tuple[PlantedDifference, ...]:
    """Return every finding that the plants lead to, one an entry, in order of old path, then new path."""
    found: list[PlantedDifference] = []
    of_old, of_new = (entries_of(sides[side]) for side in Side)
    for plant in planting.plants:
        if plant.cls is Class.IDENTICAL:
            continue
        old, new = of_old.get(plant.path, {}), of_new.get(plant.path, {})
        # A plant's place may be another on each side: its entries meet by their paths below that place.
        for below in sorted(old.keys() | new.keys()):
            old_path, new_path = old.get(below), new.get(below)
            fields: tuple[Field, ...] = ()
            if plant.cls in _ABOUT_METADATA and old_path is not None and new_path is not None:
                fields = _fields(sides[Side.OLD].nodes[old_path], sides[Side.NEW].nodes[new_path])
                if not fields:
                    continue
            found.append(PlantedDifference(plant.cls, plant.cause, old_path, new_path, fields, plant.rule, plant))
    return tuple(sorted(found, key=lambda difference: (difference.old_path or "", difference.new_path or "")))


def entries_of(tree: Tree) -> dict[str, dict[str, str]]:
    """Return the entries that each plant accounts for on one side.

    Returns:
        The plant's path to its entries, each as its path below the plant's place (empty for the place itself)
        to its whole path. An entry belongs to the plant whose place is the nearest at or above it.
    """
    plant_at = {place: plant for plant, place in tree.places.items()}
    entries: dict[str, dict[str, str]] = {}
    for path in tree.nodes:
        place = path
        while place and place not in plant_at:
            place = parent_of(place)
        if place:
            entries.setdefault(plant_at[place], {})[path[len(place) :]] = path
    return entries


def _fields(old: Node, new: Node) -> tuple[Field, ...]:
    differs = {Field.MTIME: old.mtime_ns != new.mtime_ns, Field.MODE: old.mode != new.mode}
    return tuple(name for name, is_so in differs.items() if is_so)
