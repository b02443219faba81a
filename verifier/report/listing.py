"""Findings as the page lists them: folders of one fate on one line, then rows, never more than a page can hold.

What is left out is always counted, so that lines, rows and remainder add up to what was found.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

from markupsafe import escape

from verifier.classes import Cause
from verifier.reconcile.findings import Finding, Findings, Tally
from verifier.report.amounts import size_text, time_text
from verifier.tree.damage import Damage
from verifier.tree.entry import KIND_WORDS, Kind
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterator

INLINE_ROWS: Final = 1000
"""Findings of one list that the page shows itself; the rest is in the CSV beside it."""
INLINE_FOLDERS: Final = 200
"""Folders of one fate of one list."""
LISTED_BYTES: Final = 2_100_000
"""What all lists of a page may take, with their markup."""
LIST_BYTES: Final = 550_000
"""What one list may take of that, so that long names in one class do not crowd out the next."""
FIGURES: Final = 100
"""Files of which the page shows where they differ,"""
FIGURES_BYTES: Final = 250_000
"""and what that may take."""
LONGEST_TEXT: Final = 2000
"""Characters of one path that are shown; trees can be deeper than any page is wide."""
LINE_BYTES: Final = 380
"""At least what the markup around one line takes; a test holds it against the template."""
LEFT_OUT_BYTES: Final = 70
"""At least what it takes to say that a text is cut; the same test, and for the next two another."""
FIGURE_BYTES: Final = 3000
"""At least what the markup of one figure takes,"""
RANGE_BYTES: Final = 200
"""and of each range in it."""
_TAIL: Final = 800


class Text(NamedTuple):
    """A text that may be shown; of one that is too long, its beginning and its end."""

    start: str
    left_out: int = 0
    """Characters between the two."""
    end: str = ""


class OneSide(NamedTuple):
    """What a row says about one side."""

    what: str
    """Size of a file, else the kind."""
    exact: str
    """The size in bytes where `what` rounds it, else the empty text."""
    when: str
    """Of the last change; empty where it is not known."""


@dataclass(frozen=True, slots=True)
class Row:
    """One finding."""

    cause: str
    path: Text
    """On the old side, or on the new one if it is only there."""
    elsewhere: Text | None
    """On the new side, where that is another place."""
    old: OneSide | None
    new: OneSide | None
    reason: Text
    figure: int = 0
    """Number of the figure that shows where it differs; 0 for none."""


@dataclass(frozen=True, slots=True)
class FolderLine:
    """A folder that has one fate as a whole."""

    path: Text
    elsewhere: Text | None
    tally: Tally


@dataclass(frozen=True, slots=True)
class Listing:
    """What the page shows of some findings."""

    folders: tuple[FolderLine, ...]
    rows: tuple[Row, ...]
    rest: int
    """Findings that are in none of the lines above."""


class Figure(NamedTuple):
    """Where one file differs."""

    number: int
    """From 1 on."""
    path: Text
    elsewhere: Text | None
    cause: str
    sizes: tuple[int, int]
    """Of the old and the new file, bytes."""
    damage: Damage | None
    """None for a file that ends early and is the same up to there."""


_Line = TypeVar("_Line", Row, FolderLine)


class Lister:
    """Makes the lists of one page, from its top to its bottom, until the page is full."""

    def __init__(self, findings: Findings) -> None:
        self._findings = findings
        self._left = LISTED_BYTES
        self._left_for_figures = FIGURES_BYTES
        self._numbers: dict[tuple[str | None, str | None], int] = {}

    def figures(self, where: str, parameters: tuple[object, ...]) -> tuple[Figure, ...]:
        """Show where the first of some findings differ; rows that are listed afterwards refer to them.

        Args:
            where: An SQL condition over the table's columns, from this package's code only.
            parameters: Its values.
        """
        taken: list[Figure] = []
        located = f"({where}) AND (damage IS NOT NULL OR cause IN ('{Cause.TRUNCATED}', '{Cause.EMPTY}'))"
        for found in self._findings.stream(located, parameters, FIGURES):
            with suppress(ValueError):  # what nobody wrote is not shown; its row is
                figure = _figure(found, len(self._numbers) + 1)
                ranges = len(figure.damage.ranges) if figure.damage else 0
                self._left_for_figures -= FIGURE_BYTES + RANGE_BYTES * ranges + _cost(figure)
                if self._left_for_figures < 0:
                    break
                taken.append(figure)
                self._numbers[found.old_path, found.new_path] = figure.number
        return tuple(taken)

    def by_folder(self, where: str, parameters: tuple[object, ...], total: int) -> Listing:
        """List the findings that a condition selects: folders of one fate first, then what is in none.

        Args:
            where: An SQL condition over the table's columns, from this package's code only.
            parameters: Its values.
            total: How many it selects.
        """
        in_groups = f"group_path IN (SELECT group_path {_grouped(where)})"
        alone = f"({where}) AND (group_path IS NULL OR NOT {in_groups})"
        folders = self._fitting(_folders(self._findings, where, parameters))
        rows = self._fitting(self._row(found) for found in self._findings.stream(alone, parameters * 2, INLINE_ROWS))
        return Listing(folders, rows, total - len(rows) - sum(folder.tally.entries for folder in folders))

    def one_by_one(self, where: str, parameters: tuple[object, ...], total: int, limit: int) -> Listing:
        """List the first of the findings that a condition selects, each by its own name; see `by_folder`."""
        rows = self._fitting(self._row(found) for found in self._findings.stream(where, parameters, limit))
        return Listing((), rows, total - len(rows))

    def _row(self, f: Finding) -> Row:
        path, elsewhere = _places(f)
        return Row(
            f.cause or "",
            path,
            elsewhere,
            _one_side(f.old_kind, f.old_size, f.old_mtime_ns),
            _one_side(f.new_kind, f.new_size, f.new_mtime_ns),
            _text(f.reason),
            self._numbers.get((f.old_path, f.new_path), 0),
        )

    def _fitting(self, lines: Iterator[_Line]) -> tuple[_Line, ...]:
        """Take lines as long as there is room on the page."""
        room = min(self._left, LIST_BYTES)
        taken: list[_Line] = []
        for line in lines:
            cost = _cost(line)
            if cost > room:
                break
            room -= cost
            self._left -= cost
            taken.append(line)
        return tuple(taken)


def may_be_shown(value: object) -> str:
    """Return any text as it may be shown, lone surrogates of a tampered file included."""
    return shown(str(value).encode(errors="backslashreplace").decode())


def shortened(text: object, longest: int, tail: int) -> Text:
    """Return a text as it may be shown; of one that is too long, its beginning and its end.

    Args:
        text: The text.
        longest: Characters that are shown at most,
        tail: and so many of them are its last ones.
    """
    whole = may_be_shown(text)
    if len(whole) <= longest:
        return Text(whole)
    return Text(whole[: longest - tail], len(whole) - longest, whole[-tail:])


def _grouped(where: str) -> str:
    return f"FROM findings WHERE ({where}) AND group_path IS NOT NULL GROUP BY group_path HAVING count(*) > 1"


def _folders(findings: Findings, where: str, parameters: tuple[object, ...]) -> Iterator[FolderLine]:
    query = f"""
        SELECT group_path, max(CASE WHEN old_path = group_path THEN new_path END), count(*),
               sum(coalesce(old_kind, new_kind) = 'file'),
               coalesce(sum(CASE WHEN coalesce(old_kind, new_kind) = 'file' THEN coalesce(old_size, new_size) END), 0)
        {_grouped(where)} ORDER BY 5 DESC, 3 DESC, 1 LIMIT ?
    """
    for path, elsewhere, *counts in findings.connection.execute(query, (*parameters, INLINE_FOLDERS)):
        moved = None if elsewhere in (None, path) else _text(elsewhere)
        yield FolderLine(_text(path), moved, Tally(*counts))


def _places(f: Finding) -> tuple[Text, Text | None]:
    """Return where a finding is, on the old side if it is there, and where on the new side if that is elsewhere."""
    path = f.old_path if f.old_path is not None else f.new_path
    return _text(path or ""), None if f.new_path in (None, path) else _text(f.new_path or "")


def _figure(f: Finding, number: int) -> Figure:
    damage = None if f.damage is None else Damage.from_json(f.damage)
    return Figure(number, *_places(f), f.cause or "", (f.old_size or 0, f.new_size or 0), damage)


def _one_side(kind: str | None, size: int | None, mtime_ns: int | None) -> OneSide | None:
    if kind is None:
        return None
    when = time_text(mtime_ns).replace("T", " ", 1)
    if kind != Kind.FILE or size is None:
        return OneSide(may_be_shown(KIND_WORDS.get(kind, kind)), "", when)
    return OneSide(size_text(size), f"{size:,}\u00a0B" if size >= 1000 else "", when)


def _text(text: str) -> Text:
    return shortened(text, LONGEST_TEXT, _TAIL)


def _cost(line: Row | FolderLine | Figure) -> int:
    texts = (line.path, line.elsewhere, line.reason if isinstance(line, Row) else None)
    return LINE_BYTES + sum(_text_cost(text) for text in texts if text is not None)


def _text_cost(text: Text) -> int:
    return len(escape(text.start + text.end).encode()) + (LEFT_OUT_BYTES if text.left_out else 0)
