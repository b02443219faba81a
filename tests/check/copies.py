"""A copy of the original on a real file system, and what a check says of it."""

from __future__ import annotations

import os
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from unittest.mock import patch

from tests.check.original import FOLDER_VIEW_DATA, NEW_CLUTTER, SECOND_NS, THUMBNAILS, write_original
from tests.check.places import Noted, Paths, Place, Told, Tree, cp_archive, squash
from tests.reconcile.trees import scratch
from tests.tree.images import image_for, mounted
from verifier import load_rules
from verifier.check import CheckRequest, check
from verifier.classes import Field
from verifier.evidence import FINDINGS_FILE
from verifier.reconcile.findings import Findings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.check.planting import Fault
    from verifier.reconcile.findings import Finding
    from verifier.report.context import ReportContext

NO_FIELDS: Final = frozenset[Field]()
LATER_NS: Final = 1_750_000_000 * SECOND_NS
"""When a desktop left something in the copy. A whole second: where only the copied times show that they were cut,
another file's time is not to hide it."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check came to."""

    context: ReportContext
    findings: tuple[Finding, ...]

    @property
    def told(self) -> dict[Paths, Told]:
        """Every finding, by both its paths."""
        return {(one.old_path, one.new_path): (one.cls, one.cause, _fields(one)) for one in self.findings}


def _fields(finding: Finding) -> frozenset[Field]:
    return frozenset(map(Field, finding.fields.split(";"))) if finding.fields else NO_FIELDS


def checked(old: Path, new: Path) -> Checked:
    """Check a copy, as the command does by default."""
    with scratch() as base:
        context = check(CheckRequest(old, new, base / "evidence", load_rules()))
        with Findings.open(base / "evidence" / FINDINGS_FILE) as store:
            return Checked(context, tuple(store.stream()))


class Copy:
    """A copy of the original at a place.

    Args:
        place: Where.
        ground: A folder on ext4 for this copy alone.
        base: A folder for the image and the mount point.
        stay: Whatever stays mounted until the copy is done with.
    """

    def __init__(self, place: Place, ground: Path, base: Path, stay: ExitStack) -> None:
        self.place = place
        self._original, self._staged = ground / "original", ground / "staged"
        self._image = base / "image"
        self._point: Path | None = None
        write_original(self._original, place.without)
        self.tree = Tree.at(self._original)
        self._copy(stay)
        self.faithful = self.check()

    @property
    def noted(self) -> Noted:
        """Fields in which paths differ that nothing was done to."""
        return self.place.noted(self.tree)

    @property
    def _packed(self) -> bool:
        return self.place.copy is squash

    def _copy(self, stay: ExitStack) -> None:
        if self._packed:
            cp_archive(self._original, self._staged)
            litter(self._staged)
            self._pack()
            return
        image_for(self.place.kind, self._image.parent)
        if not self.place.kind.make:
            self._point = stay.enter_context(mounted(self.place.kind, self._image))
        with self._to_write() as point:
            self.place.copy(self._original, point / "copy")
            if not self.place.back:
                litter(point / "copy")
        if self.place.back:
            with self._to_read() as point:
                cp_archive(point / "copy", self._staged)
            litter(self._staged)

    def _pack(self) -> None:
        self._image.unlink(missing_ok=True)
        self.place.copy(self._staged, self._image)

    # Taken away and mounted again between writing and reading: programs show a time as they were told it, until it
    # comes from the disk.
    def _to_write(self) -> AbstractContextManager[Path]:
        return self._mounted(None, self.place.zones[0])

    def _to_read(self) -> AbstractContextManager[Path]:
        return self._mounted(self.place.read_only, self.place.zones[1])

    @contextmanager
    def _mounted(self, options: str | None, zone: str) -> Iterator[Path]:
        if self._point is not None:
            yield self._point
            return
        with patch.dict(os.environ, TZ=zone), mounted(self.place.kind, self._image, options) as point:
            yield point

    def check(self) -> Checked:
        """Check what is there now."""
        with self._to_read() as point:
            there = point if self._packed else point / "copy"
            return checked(there, self._staged) if self.place.back else checked(self._original, there)

    def damage(self, faults: list[Fault]) -> None:
        """Plant faults on the new side."""
        if self._packed or self.place.back:
            self._plant(faults, self._staged)
        else:
            with self._to_write() as point:
                self._plant(faults, point / "copy")
        if self._packed:
            self._pack()

    def _plant(self, faults: list[Fault], root: Path) -> None:
        for fault in faults:
            fault.plant(root / fault.path, self._original / fault.path)


def litter(root: Path) -> None:
    """Do what a desktop does in passing: take away one cache of thumbnails, and leave one folder's view."""
    (root / THUMBNAILS).unlink()
    (root / NEW_CLUTTER).write_bytes(FOLDER_VIEW_DATA)
    os.utime(root / NEW_CLUTTER, ns=(LATER_NS, LATER_NS))
