"""Plain files of one visit, gathered by the facts that they share, so that those are handed over once.

Handing a value over to the scan and to SQLite costs 0.4 µs, for every row. Files of one folder mostly have mode, owner,
number of names, device, attributes and time of reading in common.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.tree.entry import OWN_COLUMNS, State

if TYPE_CHECKING:
    from verifier.manifest.earlier import Known
    from verifier.manifest.store import Row
    from verifier.scan.task import Outcome, Shared
    from verifier.tree.entry import FileRow

WORTH_SHARING: Final = 8
"""Files are gathered from so many on: a statement of their own takes 20 µs."""
WIDTH: Final = len(OWN_COLUMNS)
LISTED_WIDTH: Final = WIDTH - 2
PROVED: Final = State.PROVED.value
CARRIED: Final = State.CARRIED.value
LISTED: Final = State.LISTED.value

Common = tuple[int, int, int, int, int]
"""Mode, uid, gid, nlink, device."""


class Listed(NamedTuple):
    """How many files were listed and not read, and their bytes."""

    files: int
    size_bytes: int


class Gathering:
    """Files by what they share. Whoever adds many keeps the list that `group` gave, and adds to it."""

    def __init__(self) -> None:
        self._groups: dict[tuple[str, Common, str | None, str | None], list[object]] = {}

    def group(self, state: str, common: Common, xattrs: str | None = None, read_at: str | None = None) -> list[object]:
        """Return the flat list of what files that share all this have of their own.

        Args:
            state: Of all of them. A listed file has the first `LISTED_WIDTH` of `OWN_COLUMNS`, any other all.
            common: What they share,
            xattrs: and this,
            read_at: and this.
        """
        return self._groups.setdefault((state, common, xattrs, read_at), [])

    def add(self, state: str, row: FileRow, known: Known | None = None) -> None:
        """Add one plain file.

        Args:
            state: Its state.
            row: Its facts.
            known: Its content, which is without segments; None where it is listed only.
        """
        if known is None:
            self.group(state, row[5:10]).extend((*row[:5], row[10]))
        else:
            group = self.group(state, row[5:10], known.xattrs, known.read_at)
            group += (*row[:5], row[10], known.head, known.digest)

    def listed(self) -> Listed:
        """Count the listed files."""
        groups = [values for (state, *_), values in self._groups.items() if state == LISTED]
        sizes = (sum(values[1::LISTED_WIDTH]) for values in groups)  # type: ignore[arg-type]
        return Listed(sum(len(values) // LISTED_WIDTH for values in groups), sum(sizes))

    def hand_over(self, outcome: Outcome) -> list[Shared]:
        """Return what was gathered; groups too small for it go into the outcome's lists row by row."""
        found: list[Shared] = []
        for (state, common, xattrs, read_at), values in self._groups.items():
            width = LISTED_WIDTH if state == LISTED else WIDTH
            if len(values) >= WORTH_SHARING * width:
                found.append((state, (*common, xattrs, read_at), width, values))
                continue
            for begin in range(0, len(values), width):
                row = values[begin : begin + width]
                facts: Row = (*row[:5], *common, row[5])
                if state == LISTED:
                    outcome.listed.append(facts)  # type: ignore[arg-type]
                else:
                    single = outcome.proved if state == PROVED else outcome.carried
                    single.append((*facts, xattrs, *row[6:], read_at))
        return found
