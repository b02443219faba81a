"""What a reconciliation is told: maps, time gates, and where the trees are, if they can be reached."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from verifier.errors import UsageProblem
from verifier.rules.rule import RuleSet
from verifier.tree.names import to_text

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from pathlib import Path

    from verifier.classes import Field, Phase
    from verifier.reconcile.decay import Past
    from verifier.reconcile.look import Look


@dataclass(frozen=True, slots=True)
class PlaceMap:
    """What lay below one folder of the old side is expected below another of the new side."""

    old: str
    """A folder of the old side, relative to its root, as manifest text; the root is the empty text."""
    new: str

    @classmethod
    def parse(cls, text: str) -> PlaceMap:
        """Read ``OLD_PREFIX=NEW_PREFIX``, both relative to their roots, ``/``-separated.

        Raises:
            UsageProblem: If there is not exactly one ``=``, or a prefix is absolute or climbs out of its root.
        """
        hint = "write --map OLD_PREFIX=NEW_PREFIX, both relative to their roots, such as --map scans=archive/scans"
        # What comes from a command line may hold any byte; from here on it is manifest text.
        text = to_text(os.fsencode(text))
        if text.count("=") != 1:
            raise UsageProblem(f"--map {text!r} does not have exactly one '='", hint)
        old, new = (side.strip().removesuffix("/") for side in text.split("="))
        for prefix in (old, new):
            if prefix.startswith("/") or any(part in ("", ".", "..") for part in prefix.split("/") if prefix):
                raise UsageProblem(f"--map {text!r}: {prefix!r} is not a path below a root", hint)
        if not old and not new:
            raise UsageProblem(f"--map {text!r} maps nothing", hint)
        return cls(old, new)

    def __str__(self) -> str:
        return f"{self.old or '.'}={self.new or '.'}"


def place_of(path: str, maps: Sequence[PlaceMap]) -> str:
    """Return where an entry of the old side is expected on the new side: the longest prefix that fits moves it."""
    best: PlaceMap | None = None
    for one in maps:
        fits = not one.old or path == one.old or path.startswith(f"{one.old}/")
        if fits and (best is None or len(one.old) > len(best.old)):
            best = one
    if best is None:
        return path
    rest = path[len(best.old) :].removeprefix("/")
    return f"{best.new}/{rest}".strip("/")


def check_maps(maps: Sequence[PlaceMap]) -> None:
    """Refuse two maps for one old folder.

    Raises:
        UsageProblem: If there are such.
    """
    seen: dict[str, PlaceMap] = {}
    for one in maps:
        if (other := seen.setdefault(one.old, one)) is not one:
            raise UsageProblem(
                f"{one.old or '.'!r} is mapped to two places: {other.new or '.'!r} and {one.new or '.'!r}", "keep one"
            )


def instant_ns(instant: datetime) -> int:
    """Return an aware instant in nanoseconds since 1970-01-01 UTC."""
    since = instant - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86400 + since.seconds) * 10**9 + since.microseconds * 1000


def check_fields(compare: Collection[Field], ignore: Collection[Field]) -> None:
    """Refuse a field that is to be compared and to be ignored.

    Raises:
        UsageProblem: If there is one.
    """
    if both := sorted(set(compare) & set(ignore)):
        raise UsageProblem(f"{both[0]} is to be compared and to be ignored", "keep one of the two")


@dataclass(frozen=True, slots=True)
class ReconcileOptions:
    """How two manifests are reconciled."""

    rules: RuleSet = field(default_factory=RuleSet)
    maps: tuple[PlaceMap, ...] = ()
    frozen_at_ns: int | None = None
    """When the old side was meant to stop changing, nanoseconds since 1970-01-01 UTC."""
    live_since_ns: int | None = None
    """When people began to work on the new side, same unit."""
    compare: frozenset[Field] = frozenset()
    """Metadata fields to compare although a side may make them up, or they are only counted otherwise."""
    ignore: frozenset[Field] = frozenset()
    """Metadata fields to leave out."""
    look: Look | None = None
    """Who looks again at files whose contents differ; None for the manifests alone."""
    phase: Phase | None = None
    """How far the migration is; None for a check by itself."""
    past: Past | None = None
    """What is known of both sides from before, to find what decayed."""
    baseline: Path | None = None
    """A manifest of the new side that says what had arrived when people began to work there."""
