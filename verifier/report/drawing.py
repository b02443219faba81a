"""What the page draws: the balance of both sides, and the folders with what was found in them, all to scale.

Nothing is said by a drawing alone: each has its words and numbers beside it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Final, NamedTuple

from markupsafe import escape

from verifier.classes import Class, Severity, Side
from verifier.errors import ManifestDamaged
from verifier.manifest.database import database_errors, named
from verifier.reconcile.findings import ACCEPTED, Findings, Tally
from verifier.reconcile.folders import FolderSize, Ground
from verifier.report.listing import may_be_shown, shortened
from verifier.tree.names import name_of, parent_of
from verifier.verdict import PHRASES, count_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from verifier.report.context import ReportContext

MOST_SHELVES: Final = 24
"""Folders that are drawn; the rest is summed up."""
MOST_BLOCKS: Final = 40
"""Folders inside one of them."""
MOST_NAMED: Final = 4
"""Folders inside one of them that are named for what was found there."""
SMALLEST: Final = 0.4
"""Share of a bar's length, in percent, below which a piece gets a mark of its own above the bar."""


class Fill(StrEnum):
    """How a piece is filled, the gravest first; the values are class names of the style sheet."""

    WAY = "way"
    OPEN = "open"
    LOOK = "look"
    NOTED = "noted"
    SAME = "same"


FILL_WORDS: Final = {
    Fill.WAY: "in the way",
    Fill.OPEN: "not known",
    Fill.LOOK: "needs a look",
    Fill.NOTED: "noted, accepted or set aside",
    Fill.SAME: "nothing found",
}
_OF_SEVERITY: Final = {
    Severity.BLOCKER: Fill.WAY,
    Severity.INCONCLUSIVE: Fill.OPEN,
    Severity.ATTENTION: Fill.LOOK,
    Severity.NOTE: Fill.NOTED,
    Severity.NONE: Fill.NOTED,
}
_GRAVE: Final = (Fill.WAY, Fill.OPEN)
NOTHING: Final = "nothing found"
FROM_ELSEWHERE: Final = "holds what lies elsewhere on the old side"
"""Of a folder that only the new side has: what is new in it would have been found."""
LONGEST_NAME: Final = 80
"""Characters of a folder's name in the drawing; lists have names in full."""
TITLES_BYTES: Final = 60_000
"""What the titles of all pieces may take; pieces have none where that is used up."""


class Piece(NamedTuple):
    """A piece of a bar; positions are percent of the bar's length."""

    begin: float
    length: float
    fill: Fill
    title: str

    @property
    def marked(self) -> bool:
        """Whether it matters and is too small to be seen."""
        return self.fill in _GRAVE and self.length < SMALLEST


@dataclass(frozen=True, slots=True)
class Bar:
    """One side of the balance."""

    side: Side
    by: str
    """What its length stands for."""
    pieces: tuple[Piece, ...]


def bars(context: ReportContext) -> tuple[Bar, ...]:
    """Draw both sides' accounts: bytes, and entries, each to one scale for both sides."""
    fills = _fills(context)
    drawn = []
    for by, number in (("bytes", 2), ("entries", 0)):
        whole = max(sum(tally[number] for tally in side.account.values()) for side in context.sides.values())
        drawn += [
            Bar(side, by, tuple(_pieces(((cls, facts.account[cls][number]) for cls in Class), fills, whole)))
            for side, facts in context.sides.items()
            if whole
        ]
    return tuple(drawn)


def _pieces(amounts: Iterable[tuple[Class, int]], fills: Mapping[Class, Fill], whole: int) -> Iterator[Piece]:
    done = 0
    for cls, amount in amounts:
        if amount:
            yield Piece(100 * done / whole, 100 * amount / whole, fills[cls], cls.value)
            done += amount


def _fills(context: ReportContext) -> dict[Class, Fill]:
    """Return how each class is filled: by what weighs most among its open findings."""
    fills = dict.fromkeys(Class, Fill.NOTED) | {Class.IDENTICAL: Fill.SAME}
    for part in reversed(context.parts):
        fills[part.cls] = _OF_SEVERITY[part.severity]
    return fills


@dataclass(slots=True)
class _Found:
    """What was found in one folder."""

    fill: Fill = Fill.SAME
    counts: dict[Class, int] = field(default_factory=lambda: defaultdict(int))

    def add(self, fill: Fill, cls: Class, number: int) -> None:
        self.fill = min(self.fill, fill, key=list(Fill).index)
        self.counts[cls] += number

    def merge(self, other: _Found) -> None:
        """Take what was found elsewhere as found here, too."""
        for cls, number in other.counts.items():
            self.add(other.fill, cls, number)

    @property
    def words(self) -> str:
        order = sorted(Class, key=lambda cls: cls is Class.CLUTTER)
        told = [_counted(self.counts[cls], PHRASES[cls]) for cls in order if self.counts.get(cls)]
        return ", ".join(told) or NOTHING


def _counted(number: int, phrase: str) -> str:
    """Return a number with what it counts; with a noun where the phrase says something of it."""
    return f"{count_of(number, 'entry', 'entries')} {phrase}" if phrase.startswith("that") else f"{number:,} {phrase}"


@dataclass(frozen=True, slots=True)
class Shelf:
    """A folder, drawn as a bar of what is in it."""

    name: str
    """As it may be shown."""
    tally: Tally
    """Of everything in it and itself, as what was found in it is counted."""
    only_new: bool
    words: str
    """What was found in it."""
    grave: tuple[str, ...]
    """The folders in it in which something in the way was found, and what."""
    pieces: tuple[Piece, ...]
    """Of it, by the bytes of what is in it."""
    height: int
    """Of the bar, CSS pixels: two more for every factor of ten in bytes."""


@dataclass(frozen=True, slots=True)
class Picture:
    """Where the differences are."""

    base: str
    """The folder in which everything lies, as it may be shown; empty for the root."""
    shelves: tuple[Shelf, ...]
    """Largest first."""
    left_out: int
    """Folders beside them that are not drawn."""
    elsewhere: str
    """What was found in them, and in no folder."""


def picture(findings: Findings) -> Picture | None:
    """Draw the folders by size, shaded by what was found in them; None where their sizes were not recorded.

    Raises:
        ManifestDamaged: If the sizes are not what was written.
    """
    recorded = findings.facts().get("ground")
    if recorded is None:
        return None
    try:
        ground = Ground.from_json(recorded)
    except ValueError as error:
        raise ManifestDamaged(f"{named(findings.path)} was changed ({error})", "check again") from error
    depth = ground.base.count("/") + 1 if ground.base else 0
    tops = [one for one in ground.folders if one.path.count("/") == depth]
    below: dict[str, list[FolderSize]] = defaultdict(list)
    for one in ground.folders:
        if one.path.count("/") > depth:
            below[parent_of(one.path)].append(one)
    found = _found(findings, ground)
    kept = _gravest_first(tops, found)
    drawn = sorted(kept[:MOST_SHELVES], key=lambda one: (-one.bytes, -one.entries, one.path))
    elsewhere = found[""]
    for one in kept[MOST_SHELVES:]:
        elsewhere.merge(found[one.path])
    shelves = [_shelf(one, below[one.path], found) for one in drawn]
    left_out = len(tops) - len(drawn) + ground.others
    return Picture(may_be_shown(ground.base), tuple(_titled(shelves)), left_out, elsewhere.words)


def _gravest_first(folders: Iterable[FolderSize], found: Mapping[str, _Found]) -> list[FolderSize]:
    """Return folders in which something is in the way first, and the largest of both first."""
    return sorted(folders, key=lambda one: (found[one.path].fill not in _GRAVE, -one.bytes, one.path))


def _shelf(top: FolderSize, below: Iterable[FolderSize], found: Mapping[str, _Found]) -> Shelf:
    kept = _gravest_first(below, found)
    inner = sorted(kept[:MOST_BLOCKS], key=lambda one: one.path)
    others = found[f"{top.path}/"]
    for one in kept[MOST_BLOCKS:]:
        others.merge(found[one.path])
    amounts = [(one.bytes, found[one.path], _name(one.path)) for one in inner]
    amounts.append((max(0, top.bytes - sum(one.bytes for one in inner)), others, "everything else"))
    told = [(size, its.fill, f"{name}: {its.words}") for size, its, name in amounts]
    grave = tuple(title for _, fill, title in told if fill in _GRAVE)
    only_new = top.side is Side.NEW
    words = found[top.path].words
    if only_new and words == NOTHING:
        words = FROM_ELSEWHERE
    tally = Tally(top.entries + 1, top.files, top.bytes)
    height = 6 + 2 * math.floor(math.log10(max(1, top.bytes)))
    return Shelf(_name(top.path), tally, only_new, words, grave, tuple(_blocks(told, top.bytes)), height)


def _blocks(told: Iterable[tuple[int, Fill, str]], whole: int) -> Iterator[Piece]:
    done = 0
    for size, fill, title in told:
        if size or fill in _GRAVE:
            yield Piece(100 * done / max(1, whole), 100 * size / max(1, whole), fill, title)
            done += size


def _name(path: str) -> str:
    start, left_out, end = shortened(name_of(path), LONGEST_NAME, LONGEST_NAME // 2)
    return f"{start} [{left_out} characters left out here] {end}" if left_out else start


def _titled(shelves: Iterable[Shelf]) -> Iterator[Shelf]:
    """Take the titles from pieces for which there is no room."""
    left = TITLES_BYTES
    for shelf in shelves:
        pieces = []
        for piece in shelf.pieces:
            left -= len(escape(piece.title).encode())
            pieces.append(piece if left >= 0 else piece._replace(title=""))
        yield replace(shelf, pieces=tuple(pieces))


def _found(findings: Findings, ground: Ground) -> Mapping[str, _Found]:
    """Count what was found in each measured folder.

    Under a folder's path and a slash is what lies in it and in none of the measured folders further down; under the
    empty path what lies in no measured folder at all.
    """
    known = {one.path for one in ground.folders}
    depth = ground.base.count("/") + 1 if ground.base else 0
    counts: dict[tuple[tuple[str, ...], str, str, int], int] = defaultdict(int)
    folder: str | None = None
    places: tuple[str, ...] = ()
    with database_errors(findings.path):
        # Most neighbours lie in one folder, and are placed together: a million rows take 2 s here, and 7 s by SQL.
        for path, is_folder, cls, severity, accepted in findings.connection.execute(_PLACES):
            its = path if is_folder else path.rpartition("/")[0]
            if its != folder:
                folder, places = its, _places(its, known, depth)
            counts[places, cls, severity, accepted] += 1
    found: dict[str, _Found] = defaultdict(_Found)
    for (places, cls, severity, accepted), number in counts.items():
        fill = Fill.NOTED if accepted else _OF_SEVERITY[Severity(severity)]
        for place in places:
            found[place].add(fill, Class(cls), number)
    return found


def _places(folder: str, known: set[str], depth: int) -> tuple[str, ...]:
    """Return under which names a folder's own entries are counted; `depth` is that of the base."""
    parts = folder.split("/", depth + 2)
    top = "/".join(parts[: depth + 1])
    if len(parts) <= depth or top not in known:
        return ("",)
    inner = "/".join(parts[: depth + 2])
    return (top, inner if len(parts) > depth + 1 and inner in known else f"{top}/")


_PLACES: Final = f"""
SELECT coalesce(old_path, new_path), coalesce(old_kind, new_kind) = 'directory', "class", severity, {ACCEPTED}
FROM findings ORDER BY id
"""  # noqa: S608
