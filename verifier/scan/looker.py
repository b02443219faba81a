"""A looker: reads both files of a pair once more, honestly, and says what was seen.

Kept light: the processes that look import this module, and nothing of the command line.
"""

from __future__ import annotations

import errno
import os
import stat
from collections import Counter
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Final

from verifier.classes import Side
from verifier.scan.pace import SLICE_S
from verifier.tree.cache import SMALL_BYTES, drop, resident
from verifier.tree.comparison import AHEAD_FROM, Comparison, How, OpenFile, Relation, Unread, compare
from verifier.tree.content import SEGMENT_BYTES
from verifier.tree.damage import DIGEST_BYTES, Range, differing_segments
from verifier.tree.entry import time64
from verifier.tree.handle import TreeHandle, open_tree
from verifier.tree.names import for_system, name_of, parent_of, parts_of
from verifier.tree.sight import Recorded, Request, Sight, SightOutcome
from verifier.tree.trouble import MEDIUM, Trouble, errno_name, patiently, trouble_of

if TYPE_CHECKING:
    import threading
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from verifier.scan.pace import Meter

DEAD_AFTER: Final = 20
"""So many files in a row that the medium cannot give are one medium that is dead."""


@dataclass(slots=True)
class Roots:
    """The roots under which files are looked at, and which of them turned out to be gone. Shared by threads."""

    places: Mapping[str, Path]
    """Their folders by label."""
    gone: dict[str, str] = field(default_factory=dict)
    """Why nothing more is read there."""
    medium_errors: Counter[str] = field(default_factory=Counter)
    """How many files in a row the medium could not give."""


class _Unseen(Exception):
    """A pair cannot be compared; carries the sight."""

    def __init__(self, outcome: SightOutcome, side: Side, error: str) -> None:
        super().__init__(error)
        self.sight = Sight(outcome, side, error)


class Looker:
    """Looks at one pair after the other; used by one thread.

    Args:
        roots: Where files lie; shared with other lookers.
        meter: Where this one counts.
        turn: Held while a large pair is read: two of them at once would only have the disks seek, and the memory fill.
    """

    def __init__(self, roots: Roots, meter: Meter, turn: threading.Lock) -> None:
        self._roots = roots
        self._meter = meter
        self._turn = turn
        self._handles: dict[str, TreeHandle] = {}

    def close(self) -> None:
        """Let go of all roots."""
        for handle in self._handles.values():
            handle.close()
        self._handles.clear()

    def look(self, request: Request) -> Sight:
        """Read both files of a pair once more, and say what was seen. Writes nothing, follows no link.

        Raises:
            Stopped: If somebody asked to stop.
        """
        self._meter.entries(1)
        try:
            return self._look(request)
        except _Unseen as unseen:
            return unseen.sight

    def _look(self, request: Request) -> Sight:
        sides = ((Side.OLD, request.old), (Side.NEW, request.new))
        within = _segments_to_read(request)
        with ExitStack() as stack:
            files: list[OpenFile] = []
            before: list[os.stat_result] = []
            for side, recorded in sides:
                descriptor = self._open(side, recorded)
                stack.callback(os.close, descriptor)
                before.append(self._facts(side, recorded, descriptor))
                _check_as_recorded(side, recorded, before[-1])
                files.append(OpenFile(descriptor, recorded.size))
            cold = [_go_cold(file) for file in files]
            how = How(request.algorithm, within, request.zero_run, request.early_stop)
            try:
                with self._in_turn(how, files):
                    found = compare(files[0], files[1], how, self._count)
            except Unread as unread:
                recorded = request.old if unread.side is Side.OLD else request.new
                raise self._unread(unread.side, recorded, unread.error) from unread
            finally:
                _leave_as_found(files, cold)
            for (side, recorded), file, facts in zip(sides, files, before, strict=True):
                _check_held_still(side, facts, self._facts(side, recorded, file.descriptor))
                self._roots.medium_errors[recorded.root] = 0
        same = found.relation is Relation.EQUAL
        return Sight(
            SightOutcome.NOT_REPEATED if same else SightOutcome.CONFIRMED,
            relation=found.relation,
            damage=found.damage,
            unsteady=_unsteady(request, within, found),
            cold=all(cold),
        )

    def _count(self, size_bytes: int) -> None:
        if size_bytes:
            self._meter.add(size_bytes)
        else:
            self._meter.beat()

    @contextmanager
    def _in_turn(self, how: How, files: list[OpenFile]) -> Iterator[None]:
        """Wait until no other large pair is read, if this one is large."""
        least = min(file.size for file in files)
        amount = least if how.within is None else sum(length for _, length in how.within)
        if how.early_stop or amount < AHEAD_FROM:
            yield
            return
        while not self._turn.acquire(timeout=SLICE_S):
            self._meter.beat()
        try:
            yield
        finally:
            self._turn.release()

    def _open(self, side: Side, recorded: Recorded) -> int:
        root = recorded.root
        if gone := self._roots.gone.get(root):
            raise _Unseen(SightOutcome.UNREADABLE, side, gone)
        try:
            folder, name = parts_of(parent_of(recorded.path)), for_system(name_of(recorded.path))
        except ValueError as error:
            raise _Unseen(SightOutcome.UNREADABLE, side, str(error)) from error
        for last in (False, True):
            handle = self._handle(side, root)
            try:
                return patiently(partial(handle.open, folder, name), self._meter.beat)
            except OSError as error:
                if trouble_of(error) is Trouble.RACE and not last:
                    # A folder that was moved and made anew is still held under its old name: look once more.
                    self._let_go(root)
                    continue
                if error.errno in (errno.ENXIO, errno.ELOOP) and _is_other_kind(handle, folder, name):
                    raise _Unseen(SightOutcome.CHANGED_SINCE, side, NO_FILE) from error
                raise self._failed(side, root, error, "open") from error
        raise AssertionError

    def _handle(self, side: Side, root: str) -> TreeHandle:
        """Return the hold on a root, which is kept from one pair to the next."""
        if root not in self._handles:
            try:
                self._handles[root] = patiently(lambda: open_tree(self._roots.places[root]), self._meter.beat)
            except OSError as error:
                self._roots.gone[root] = f"{errno_name(error)} at the root"
                raise _Unseen(SightOutcome.UNREADABLE, side, self._roots.gone[root]) from error
        return self._handles[root]

    def _let_go(self, root: str) -> None:
        if (handle := self._handles.pop(root, None)) is not None:
            handle.close()

    def _facts(self, side: Side, recorded: Recorded, descriptor: int) -> os.stat_result:
        try:
            return patiently(partial(os.fstat, descriptor), self._meter.beat)
        except OSError as error:
            raise self._failed(side, recorded.root, error, "stat") from error

    def _unread(self, side: Side, recorded: Recorded, error: OSError | None) -> _Unseen:
        if error is None:
            return _Unseen(SightOutcome.CHANGED_SINCE, side, IN_MOTION)
        return self._failed(side, recorded.root, error, "read")

    def _failed(self, side: Side, root: str, error: OSError, operation: str) -> _Unseen:
        """Return what an error makes of a pair, and remember a root that is gone."""
        trouble, text = trouble_of(error), f"{errno_name(error)}: {operation}"
        if trouble is Trouble.RACE:
            return _Unseen(SightOutcome.CHANGED_SINCE, side, f"{text}, gone since it was scanned")
        if errno_name(error) in MEDIUM:
            self._roots.medium_errors[root] += 1
        if trouble in (Trouble.SHARE_GONE, Trouble.SHARE_SILENT) or self._roots.medium_errors[root] >= DEAD_AFTER:
            self._roots.gone[root] = text
        return _Unseen(SightOutcome.UNREADABLE, side, text)


NO_FILE: Final = "no longer a file since it was scanned"
IN_MOTION: Final = "changed while it was being read"


def _is_other_kind(handle: TreeHandle, folder: tuple[str, ...], name: str) -> bool:
    try:
        return not stat.S_ISREG(handle.facts(folder, name).st_mode)
    except OSError:
        return False


def _check_as_recorded(side: Side, recorded: Recorded, facts: os.stat_result) -> None:
    if not stat.S_ISREG(facts.st_mode):
        raise _Unseen(SightOutcome.CHANGED_SINCE, side, NO_FILE)
    if facts.st_size != recorded.size:
        error = f"{facts.st_size} bytes now, {recorded.size} when it was scanned"
        raise _Unseen(SightOutcome.CHANGED_SINCE, side, error)
    if time64(facts.st_mtime_ns) != recorded.mtime_ns:
        raise _Unseen(SightOutcome.CHANGED_SINCE, side, "another modification time than when it was scanned")


def _check_held_still(side: Side, before: os.stat_result, after: os.stat_result) -> None:
    if (before.st_size, before.st_mtime_ns, before.st_ctime_ns) != (
        after.st_size, after.st_mtime_ns, after.st_ctime_ns,
    ):  # fmt: skip
        raise _Unseen(SightOutcome.CHANGED_SINCE, side, IN_MOTION)


def _go_cold(file: OpenFile) -> bool:
    """Drop a file's pages, and tell whether they are gone."""
    drop(file.descriptor, 0, 0)
    return not any(resident(file.descriptor, file.size))


def _leave_as_found(files: list[OpenFile], cold: list[bool]) -> None:
    """Drop what was not in memory before; of larger files it is dropped on the way."""
    for file, was_cold in zip(files, cold, strict=True):
        if was_cold and file.size <= SMALL_BYTES:
            drop(file.descriptor, 0, 0)


def _segments_to_read(request: Request) -> tuple[Range, ...] | None:
    """Return the segments that differ, where those alone have to be read."""
    old, new = request.old, request.new
    if old.segments is None or new.segments is None or old.size != new.size:
        return None
    try:
        found = differing_segments(old.segments, new.segments, old.size, new.size)
    except ValueError:  # a manifest that was tampered with
        return None
    return tuple(found) or None


def _unsteady(request: Request, within: tuple[Range, ...] | None, found: Comparison) -> tuple[Side, ...]:
    """Return the sides whose bytes are not those that were recorded, as far as they were read."""
    sides = (
        (Side.OLD, request.old, found.old_digest, found.old_pieces),
        (Side.NEW, request.new, found.new_digest, found.new_pieces),
    )
    return tuple(
        side
        for side, recorded, digest, pieces in sides
        if (digest is not None and recorded.digest is not None and digest != recorded.digest)
        or any(
            piece != _segment_digest(recorded, offset) for (offset, _), piece in zip(within or (), pieces, strict=False)
        )
    )


def _segment_digest(recorded: Recorded, offset: int) -> bytes:
    at = offset // SEGMENT_BYTES * DIGEST_BYTES
    return (recorded.segments or b"")[at : at + DIGEST_BYTES]
