"""One `VisitTask` under way: a walk that deals with plain files on its way, in as few steps as that honestly takes."""

from __future__ import annotations

import os
import stat
import time
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from verifier.clock import now_text
from verifier.errors import RootUnavailable, ShareGone
from verifier.manifest.earlier import Known
from verifier.scan.gathering import LISTED, PROVED, Gathering
from verifier.scan.task import Outcome, Unchanged, VisitTask, Work
from verifier.tree.attributes import xattrs_of
from verifier.tree.content import BLOCK_BYTES, Stopped
from verifier.tree.entry import HEAD_BYTES, KIND_BITS, NO_BLOCKS, Kind, file_row, fits
from verifier.tree.names import plain_text, raw_of, to_text
from verifier.tree.walk import NAMES_A_STEP, Chunk, Names, Walk

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verifier.manifest.store import Row
    from verifier.scan.gathering import Common
    from verifier.scan.reader import Reader
    from verifier.tree.entry import FileRow

MOST_NAMES_A_STEP: Final = 128
QUICK_STEP_S: Final = 0.005
"""A walk that takes less for a step takes larger ones,"""
SLOW_STEP_S: Final = 0.05
"""and one that takes more begins small again: between two steps it can be left."""
COUNT_BYTES: Final = 64 * 1024
"""Small files are counted, and a limited rate is kept, after so many bytes or eight files."""
_FILE: Final = Kind.FILE.value
_NOTHING: Final[Common] = (-1, -1, -1, -1, -1)


class Visit:
    """One `VisitTask` under way.

    Args:
        reader: Who does it.
        task: What to do.
        outcome: To be filled.
    """

    def __init__(self, reader: Reader, task: VisitTask, outcome: Outcome) -> None:
        self._reader = reader
        self._task = task
        self._outcome = outcome
        self._handle = reader.handle()
        self._once = reader.setup.share.file_system.inodes
        self._reading = task.read_until > 0
        self._now = now_text()
        self._gathering = Gathering()
        self._read = 0
        self._read_bytes = 0
        self._known = 0
        self._known_bytes = 0
        self._met = 0
        """Plain files that were dealt with here."""

    def run(self) -> Outcome:
        """Visit until there is nothing left, or as long as the task says."""
        task, meter = self._task, self._reader.meter
        last = started = time.monotonic()
        gate = replace(self._reader.gate, avoid=frozenset(task.avoid), on_folder=self._reader.go_to, beat=meter.beat)
        walk = Walk(self._handle, gate, self._take)
        gone = ""
        counted = 0
        with closing(walk.run(task.places)) as steps:
            try:
                for walked in steps:
                    size = walked + self._met
                    meter.entries(size - counted)
                    counted = size
                    now = time.monotonic()
                    self._reading = now < task.read_until
                    full = size >= task.most_entries and not 0 < walk.left <= task.most_entries // 8
                    if full or now - started >= task.most_seconds:
                        break
                    step = walk.names_a_step
                    if now - last < QUICK_STEP_S:
                        step = min(step * 2, MOST_NAMES_A_STEP)
                    elif now - last > SLOW_STEP_S:
                        step = NAMES_A_STEP
                    walk.names_a_step = min(step, max(task.most_entries - size, NAMES_A_STEP))
                    last = now
            except Stopped:
                pass
            except (ShareGone, RootUnavailable) as error:
                gone = error.what
        rest = walk.rest()
        return self._finished(walk.chunk)._replace(rest=rest, gone=gone)

    def _finished(self, chunk: Chunk) -> Outcome:
        outcome, listed = self._outcome, self._gathering.listed()
        others = [entry.size for entry in chunk.entries if entry.kind == _FILE and entry.state == LISTED]
        others += [row[1] for row in chunk.files]
        work = Work(
            listed.files + len(others) + self._read,
            listed.size_bytes + sum(others) + self._read_bytes,
            self._read,
            self._known,
            self._known_bytes,
        )
        outcome.listed.extend(chunk.files)
        outcome.entries.extend(chunk.entries)
        shared = self._gathering.hand_over(outcome)
        return outcome._replace(shared=shared, problems=chunk.problems, work=work)

    def _take(self, folder: tuple[str, ...], prefix: str, names: Names) -> Names:
        """Deal with plain files: take over what is known, else read what is small, else list."""
        if not self._reader.looks_back:
            return self._read_some(folder, prefix, names) if self._reading else self._list_some(folder, prefix, names)
        left, plain, rows = self._look_at(folder, prefix, names)
        if not rows or self._all_unchanged(rows):
            return left
        unknown: Names = []
        for item, row, known in zip(plain, rows, self._reader.known(rows), strict=True):
            if known is not None:
                self._take_over(row, *known)
            elif self._reading:
                unknown.append(item)
            else:
                self._met += 1
                self._gathering.add(LISTED, row)
        return left + self._read_some(folder, prefix, unknown) if unknown else left

    # Known from an earlier manifest

    def _look_at(self, folder: tuple[str, ...], prefix: str, names: Names) -> tuple[Names, Names, list[FileRow]]:
        """Return the names that are no plain files, and those that are, with their rows; odd ones are taken over."""
        left: Names = []
        plain: Names = []
        rows: list[FileRow] = []
        try:
            look = self._handle.looker(folder)
        except OSError:
            return names, plain, rows
        odd = "\\" in prefix
        for item in names:
            name, is_file = item
            if not is_file:
                left.append(item)
                continue
            try:
                facts = look(name)
            except OSError:
                left.append(item)
                continue
            text = None if odd else plain_text(name)
            if facts.st_mode & KIND_BITS != stat.S_IFREG:
                left.append(item)
            elif text is not None:
                plain.append(item)
                rows.append(file_row(prefix + text, facts))
            elif not self._take_over_odd(prefix + to_text(os.fsencode(name)), facts):
                left.append(item)
        return left, plain, rows

    def _all_unchanged(self, rows: Sequence[FileRow]) -> bool:
        """Take over neighbours at once, if an earlier manifest knows all of them as they are."""
        found = self._reader.all_unchanged(rows)
        if found is None:
            return False
        state, limits = found
        between = (rows[0][0], rows[-1][0], *limits)
        self._outcome.unchanged.append(Unchanged(state, between, rows[0][9], len(rows)))
        self._count_known(rows)
        return True

    def _count_known(self, rows: Sequence[FileRow]) -> None:
        self._met += len(rows)
        self._known += len(rows)
        self._known_bytes += sum(row[1] for row in rows)

    def _take_over_odd(self, path: str, facts: os.stat_result) -> bool:
        """Take over what is known of a file whose path has its bytes beside it; False where nothing is."""
        row = file_row(path, facts)
        (known,) = self._reader.known([row])
        if known is None:
            return False
        self._count_known([row])
        self._outcome.entries.append(_whole(row, raw_of(path), *known))
        return True

    def _take_over(self, row: FileRow, state: str, known: Known) -> None:
        self._count_known([row])
        if known.segments is None:
            self._gathering.add(state, row, known)
        else:
            self._outcome.entries.append(_whole(row, None, state, known))

    # Listing and reading

    def _list_some(self, folder: tuple[str, ...], prefix: str, names: Names) -> Names:
        """List plain files of one folder, and return what is none."""
        if "\\" in prefix:
            return names
        try:
            look = self._handle.looker(folder)
        except OSError:
            return names
        left: Names = []
        gathering, common, group = self._gathering, _NOTHING, []
        for item in names:
            name, is_file = item
            text = (name if name.isascii() and "\\" not in name else plain_text(name)) if is_file else None
            if text is None:
                left.append(item)
                continue
            try:
                facts = look(name)
            except OSError:
                left.append(item)
                continue
            mode, mtime_ns, ctime_ns = facts.st_mode, facts.st_mtime_ns, facts.st_ctime_ns
            device, inode = facts.st_dev, facts.st_ino
            if mode & KIND_BITS != stat.S_IFREG:
                left.append(item)
                continue
            if NO_BLOCKS or not fits(mtime_ns, ctime_ns, device, inode):
                gathering.add(LISTED, file_row(prefix + text, facts))
                continue
            shared = (mode & 0o7777, facts.st_uid, facts.st_gid, facts.st_nlink, device)
            if shared != common:
                common, group = shared, gathering.group(LISTED, shared)
            group += (prefix + text, facts.st_size, facts.st_blocks * 512, mtime_ns, ctime_ns, inode)
        self._met += len(names) - len(left)
        return left

    def _read_some(  # noqa: PLR0912, PLR0915  a call for every file costs more than length does
        self, folder: tuple[str, ...], prefix: str, names: Names
    ) -> Names:
        """Read files of one folder that are small and hold still, list the others, and return what is no plain file.

        The hot path of every scan of many files: in as few steps as an honest reading takes. Whatever is not as usual
        goes the long way (`verifier.tree.content.read_file`).
        """
        if "\\" in prefix:
            return names
        try:
            open_name = self._handle.opener(folder)
        except OSError:
            return names
        reader, gathering, now = self._reader, self._gathering, self._now
        read_small, digest_of, add = reader.cache.read_small, reader.digest_of, reader.meter.add
        cold, once, fstat, close = reader.cache.cold, self._once, os.fstat, os.close
        left: Names = []
        common, shared_xattrs, group = _NOTHING, None, []
        uncounted = read = read_bytes = 0
        for item in names:
            name, is_file = item
            text = (name if name.isascii() and "\\" not in name else plain_text(name)) if is_file else None
            if text is None:
                left.append(item)
                continue
            reader.current = path = prefix + text
            try:
                descriptor = open_name(name)
            except OSError:
                left.append(item)
                continue
            try:
                before = fstat(descriptor)
                mode, size = before.st_mode, before.st_size
                if mode & KIND_BITS != stat.S_IFREG:
                    left.append(item)
                    continue
                if size > BLOCK_BYTES or (once and before.st_nlink > 1):
                    gathering.add(LISTED, file_row(path, before))
                    continue
                data = read_small(descriptor, size)
                digest = digest_of(data)
                xattrs = xattrs_of(descriptor)
                after = fstat(descriptor)
            except OSError:
                left.append(item)
                continue
            finally:
                close(descriptor)
            uncounted += size
            if uncounted >= COUNT_BYTES or not read & 7:
                add(uncounted)
                uncounted = 0
            mtime_ns, ctime_ns, device, inode = before.st_mtime_ns, before.st_ctime_ns, before.st_dev, before.st_ino
            if (
                not (len(data) == size == after.st_size and mtime_ns == after.st_mtime_ns)
                or ctime_ns != after.st_ctime_ns
            ):
                gathering.add(LISTED, file_row(path, before))
                continue
            if cold:
                reader.cache.count(size)
            read += 1
            read_bytes += size
            head = bytes(data[:HEAD_BYTES])
            if NO_BLOCKS or not fits(mtime_ns, ctime_ns, device, inode):
                gathering.add(PROVED, file_row(path, before), Known(digest, None, head, xattrs, now))
                continue
            shared = (mode & 0o7777, before.st_uid, before.st_gid, before.st_nlink, device)
            if shared != common or xattrs != shared_xattrs:
                group = gathering.group(PROVED, shared, xattrs, now)
                common, shared_xattrs = shared, xattrs
            group += (path, size, before.st_blocks * 512, mtime_ns, ctime_ns, inode, head, digest)
        if uncounted:
            add(uncounted)
        self._read += read
        self._read_bytes += read_bytes
        self._met += len(names) - len(left)
        return left


def _whole(row: FileRow, raw: bytes | None, state: str, known: Known) -> Row:
    """Return a file's whole entry."""
    path, *facts = row
    content = (known.xattrs, known.head, known.digest, known.segments)
    return (path, raw, _FILE, *facts, None, *content, state, None, known.read_at)
