"""What is done next: which folders are visited together, which files are read in one batch, what is read again."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from verifier.tree.walk import Place

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from verifier.manifest.store import Manifest, ToRead

BATCH_FILES: Final = 512
BATCH_BYTES: Final = 8 * 1024 * 1024
"""A batch ends when it has this many files or bytes; a larger file is a batch of its own."""
PAGE_FILES: Final = 4096
VISIT_ENTRIES: Final = 1000
"""A visit hands over after about so many entries,"""
VISIT_S: Final = 0.25
"""or after so long, so that what it left can be shared out."""
REMEMBERED_FOLDERS: Final = 4096
"""Folders that wait are held in memory up to so many; the manifest remembers the rest."""
LEAST_FILES: Final = 8
FAST_S: Final = 0.1
SLOW_S: Final = 0.4


class Frontier:
    """What of a tree is still to be visited. The manifest remembers the folders that do not fit here."""

    def __init__(self, manifest: Manifest) -> None:
        self._manifest = manifest
        self._places: deque[Place] = deque([Place("")])
        self._out: dict[str, int] = {}
        self._forgot = False

    def next(self, readers: int) -> tuple[Place, ...]:
        """Return what to visit next, so much that all readers get some; nothing when nothing waits."""
        if not self._places and self._forgot:
            self._refill()
        if not self._places:
            return ()
        wanted = max(1, min(32, len(self._places) // max(1, readers * 2)))
        taken = [self._places.popleft()]
        if taken[0].names is None:
            while len(taken) < wanted and self._places and self._places[0].names is None:
                taken.append(self._places.popleft())
        for place in taken:
            self._out[place.path] = self._out.get(place.path, 0) + 1
        return tuple(taken)

    def done(self, places: Iterable[Place]) -> None:
        """Say that what was returned by `next` has been visited, and its rows are written."""
        for place in places:
            left = self._out.get(place.path, 1) - 1
            if left:
                self._out[place.path] = left
            else:
                self._out.pop(place.path, None)

    def add(self, places: Iterable[Place], names_a_task: int) -> None:
        """Add what a visit left; its folders have rows that say that they wait."""
        for place in places:
            if place.names is not None:
                for begin in range(0, len(place.names), names_a_task):
                    self._places.appendleft(Place(place.path, place.names[begin : begin + names_a_task]))
            elif len(self._places) < REMEMBERED_FOLDERS:
                self._places.append(place)
            else:
                self._forgot = True

    def _refill(self) -> None:
        # What is out still waits by its row. Fewer than were asked for are all there are.
        limit = REMEMBERED_FOLDERS + len(self._out)
        found = self._manifest.waiting(limit)
        self._places.extend(Place(path) for path in found if path not in self._out)
        self._forgot = len(found) == limit


class BatchSize:
    """How many small files make a batch: so many that it takes a fraction of a second, wherever they lie."""

    def __init__(self) -> None:
        self.files = LEAST_FILES * 8

    def learn(self, files: int, seconds: float) -> None:
        """Take note of how long a batch took."""
        if seconds > SLOW_S:
            self.files = max(LEAST_FILES, min(self.files, files) // 2)
        elif seconds < FAST_S and files >= self.files // 2:
            self.files = min(BATCH_FILES, self.files * 2)


def batches(manifest: Manifest, size: BatchSize, *, links_once: bool) -> Iterator[tuple[ToRead, ...]]:
    """Cut the files that are still to be read into batches, in path order.

    Rows may be written between two batches; what was given out once is not given out again.
    """
    after = ""
    while page := manifest.to_read(after, PAGE_FILES, links_once=links_once):
        after = page[-1][0]
        yield from cut(page, lambda: size.files)


def cut(files: Iterable[ToRead], most: Callable[[], int] = lambda: BATCH_FILES) -> Iterator[tuple[ToRead, ...]]:
    """Cut files into batches, keeping their order.

    Args:
        files: The files.
        most: Asked how many files a batch may have now.
    """
    batch: list[ToRead] = []
    size = 0
    for file in files:
        file_bytes = file[1]
        if batch and (len(batch) >= most() or size + file_bytes > BATCH_BYTES):
            yield tuple(batch)
            batch, size = [], 0
        batch.append(file)
        size += file_bytes
    if batch:
        yield tuple(batch)


@dataclass(frozen=True, slots=True)
class Reread:
    """Which files are read again although they have not changed since they were read."""

    older_than: timedelta | None = None
    """Those that were read longer ago than this; None for none, zero for all."""
    budget_bytes: int | None = None
    """So much is read again at most,"""
    budget_s: float | None = None
    """or for so long, the longest unread first."""
    is_aim: bool = False
    """Whether the bytes are what is to be reached: the last file may go beyond them, so that one which is larger than
    all of them has its turn."""
    fits: Callable[[int], bool] | None = None
    """Tells whether a file of so many bytes can be read in the time that is left; others are passed over."""

    def before(self, now: datetime) -> str | None:
        """Return the time before which a file must have been read to be read again, as manifests write times."""
        if self.older_than is None:
            return None
        if not self.older_than:
            return "9999"
        try:
            return (now.astimezone(UTC) - self.older_than).isoformat(timespec="seconds")
        except OverflowError:  # longer ago than there are dates
            return ""


def rereads(manifest: Manifest, before: str, policy: Reread, size: BatchSize) -> Iterator[tuple[ToRead, ...]]:
    """Cut the files that are to be read again into batches, the longest unread first, within the budget in bytes.

    Args:
        manifest: With the carried files in it.
        before: Only files that were read before this time.
        policy: With the budget.
        size: How many files make a batch.
    """
    after = ("", "")
    left = policy.budget_bytes
    spent = False
    while not spent and (page := manifest.to_reread(after, before, PAGE_FILES)):
        after = (page[-1][0], page[-1][1])
        wanted: list[ToRead] = []
        for _, path, file_bytes, mtime_ns, ctime_ns in page:
            if policy.fits is not None and not policy.fits(file_bytes):
                continue
            if left is not None:
                # An aim is reached by the file that goes beyond it; of a limit nothing may be left over.
                spent = file_bytes > 0 and (left <= 0 if policy.is_aim else left < file_bytes)
                if spent:
                    break
                left -= file_bytes
            wanted.append((path, file_bytes, mtime_ns, ctime_ns))
        yield from cut(wanted, lambda: size.files)
