"""A reader: stands in one tree, does one task after another, and says what came of each.

Kept light: every reader process imports this module, and nothing of the command line.
"""

from __future__ import annotations

import os
import stat
import time
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from verifier.errors import RootUnavailable, ShareGone
from verifier.scan.task import Outcome, ReadTask, Task, VisitTask, Work, empty_outcome
from verifier.tree.cache import READ_AT_ONCE, PageCache
from verifier.tree.content import (
    BLOCK_BYTES,
    GONE,
    Expected,
    Manner,
    Reading,
    Stopped,
    Where,
    glance,
    held_still,
    read_file,
    xattrs_of,
)
from verifier.tree.digests import hasher
from verifier.tree.entry import BY_RULE, HEAD_BYTES, Kind, State, file_row
from verifier.tree.handle import TreeHandle, open_tree
from verifier.tree.names import for_system, parts_of, plain_text
from verifier.tree.trouble import Problem, errno_name, now_text
from verifier.tree.walk import Chunk, Gate, Names, Walk

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from verifier.manifest.earlier import Earlier, Known
    from verifier.rules.rule import RuleSet
    from verifier.scan.pace import Meter
    from verifier.tree.digests import Algorithm
    from verifier.tree.entry import FileRow
    from verifier.tree.share import Share


@dataclass(frozen=True, slots=True)
class ReaderSetup:
    """What every reader of a side is told once."""

    share: Share
    algorithm: Algorithm
    cross_mounts: bool = False
    rules: RuleSet | None = None
    """Whose do-not-descend rules keep the walk out of folders."""
    cold: bool = False
    """Drop a file's pages before it is read."""
    idle: bool = False
    """Read at the lowest priority of processor and disk."""
    resumed: Path | None = None
    """What the same scan had read before it was ended: its files keep their state."""
    reused: Path | None = None
    """An earlier scan's manifest: its files become carried."""


class Reader:
    """One reader; used by one thread.

    Args:
        setup: What every reader of the side is told.
        meter: Where this one counts.
    """

    def __init__(self, setup: ReaderSetup, meter: Meter) -> None:
        self.current = ""
        """Manifest text of what is being looked at or read now; for others to see."""
        self.setup = setup
        self.meter = meter
        self.cache = PageCache(cold=setup.cold)
        self._handle: TreeHandle | None = None
        self._hash_of = hasher(setup.algorithm)
        self.gate = Gate(setup.share, setup.cross_mounts, _skipping(setup.rules))
        self._resumed = _earlier(setup, setup.resumed)
        self._reused = _earlier(setup, setup.reused)
        self.looks_back = self._resumed is not None or self._reused is not None

    def do(self, task: Task) -> Outcome:
        """Do a task; a request to stop or the share's end leave the rest undone."""
        started = time.monotonic()
        outcome = empty_outcome()
        try:
            if isinstance(task, VisitTask):
                outcome = _Visit(self, task, outcome).run()
            else:
                self._read(task, outcome)
        except Stopped:
            pass
        except ShareGone as error:
            outcome = outcome._replace(gone=error.what)
        except OSError as error:
            outcome = outcome._replace(gone=f"{errno_name(error)} at the root")
        self.current = ""
        return outcome._replace(cold=self.cache.take_count(), seconds=time.monotonic() - started)

    def go_to(self, path: str) -> None:
        """Take note of what is looked at now."""
        self.current = path

    def close(self) -> None:
        """Let go of the tree and of earlier manifests."""
        self._let_go()
        for earlier in (self._resumed, self._reused):
            if earlier is not None:
                earlier.close()

    def handle(self) -> TreeHandle:
        """Return the hold on the tree, which is kept from one task to the next.

        Raises:
            OSError: If the root cannot be opened.
        """
        if self._handle is None:
            self._handle = open_tree(self.setup.share.root)
        return self._handle

    def _let_go(self) -> None:
        if self._handle is not None:
            self._handle.close()
            self._handle = None

    def _read(self, task: ReadTask, outcome: Outcome) -> None:
        now = now_text()
        folder_path: str | None = None
        folder: tuple[str, ...] = ()
        manner = Manner(self.setup.algorithm, self.cache, self.meter.add, task.threads)
        for path, size, mtime_ns, ctime_ns in task.files:
            self.current = path
            above, _, name = path.rpartition("/")
            if above != folder_path:
                folder_path, folder = above, parts_of(above)
            where = Where(self.handle(), folder, for_system(name))
            seen = glance(where, self._hash_of, manner) if size <= BLOCK_BYTES else None
            if seen is not None and seen.digest is not None and _is_as_listed(seen.facts, size, mtime_ns, ctime_ns):
                content = (_PROVED, None, seen.digest, None, seen.head, seen.xattrs, now)
                outcome.as_listed.append((*content, path))
            else:
                self._put(outcome, path, self._read_honestly(where, Expected(size, mtime_ns, ctime_ns), manner), now)
            self.meter.entries(1)

    def _read_honestly(self, where: Where, expected: Expected, manner: Manner) -> Reading:
        reading = read_file(where, expected, manner)
        if reading.error is not None and reading.error.endswith(GONE):
            # A folder that was moved and made anew is still held under its old name: let go and look once more.
            self._let_go()
            where = where._replace(handle=self.handle())
            reading = read_file(where, expected, manner)
        return reading

    @staticmethod
    def _put(outcome: Outcome, path: str, r: Reading, now: str) -> None:
        # SQLite takes an exact str four times as fast as an enum's member.
        content = (str(r.state), r.error, r.digest, r.segments, r.head, r.xattrs, now)
        if r.restat is None:
            outcome.as_listed.append((*content, path))
        else:
            outcome.changed.append((*content, *r.restat, path))
        if r.error is not None:
            outcome.problems.append(Problem(path, "read", r.error, r.attempts, now))

    def known(self, row: FileRow) -> tuple[Known, bool] | None:
        """Return what is known of a file's content without reading it, and whether this very scan had read it."""
        if self._resumed is not None and (found := self._resumed.find(row)) is not None:
            return found, found.state == _PROVED
        if self._reused is not None and (found := self._reused.find(row)) is not None:
            return found, False
        return None


_PROVED: Final = State.PROVED.value
_CARRIED: Final = State.CARRIED.value
_LISTED: Final = State.LISTED.value
_FILE: Final = Kind.FILE.value


def _is_as_listed(facts: os.stat_result, size: int, mtime_ns: int, ctime_ns: int) -> bool:
    return facts.st_size == size and facts.st_mtime_ns == mtime_ns and facts.st_ctime_ns == ctime_ns


class _Visit:
    """One `VisitTask` under way."""

    def __init__(self, reader: Reader, task: VisitTask, outcome: Outcome) -> None:
        setup = reader.setup
        self._reader = reader
        self._task = task
        self._outcome = outcome
        self._handle = reader.handle()
        self._hash_of = hasher(setup.algorithm)
        self._once = setup.share.file_system.inodes
        self._looks_back = reader.looks_back
        self._reading = task.read_until > 0
        self._now = now_text()
        self._read_bytes = 0
        self._carried_bytes = 0
        self._kept = 0
        self._whole = 0

    def run(self) -> Outcome:
        task, outcome, meter = self._task, self._outcome, self._reader.meter
        started = time.monotonic()
        gate = replace(self._reader.gate, avoid=frozenset(task.avoid), on_folder=self._reader.go_to)
        walk = Walk(self._handle, gate, self._take if self._reading or self._looks_back else None)
        gone = ""
        counted = 0
        with closing(walk.run(task.places)) as steps:
            try:
                for walked in steps:
                    size = walked + len(outcome.listed) + len(outcome.proved) + len(outcome.carried)
                    meter.entries(size - counted)
                    counted = size
                    now = time.monotonic()
                    self._reading = now < task.read_until
                    if size >= task.most_entries or now - started >= task.most_seconds:
                        break
            except Stopped:
                pass
            except (ShareGone, RootUnavailable) as error:
                gone = error.what
        rest = walk.rest()
        chunk = walk.chunk
        chunk.files += outcome.listed
        return outcome._replace(
            listed=chunk.files,
            entries=[*outcome.entries, *chunk.entries],
            problems=chunk.problems,
            rest=rest,
            work=self._work(chunk),
            gone=gone,
        )

    def _work(self, chunk: Chunk) -> Work:
        read = len(self._outcome.proved) - self._kept
        others = [entry.size for entry in chunk.entries if entry.kind == _FILE and entry.state == _LISTED]
        return Work(
            len(chunk.files) + len(others) + read,
            sum(row[1] for row in chunk.files) + sum(others) + self._read_bytes,
            read,
            len(self._outcome.carried) + self._kept + self._whole,
            self._carried_bytes,
        )

    def _take(self, folder: tuple[str, ...], prefix: str, names: Names) -> Names:
        """Deal with plain files: take over what is known, else read what is small, else list."""
        if not self._looks_back:
            return self._read_some(folder, prefix, names) if self._reading else names
        left: Names = []
        unknown: Names = []
        for item in names:
            name, is_file = item
            text = plain_text(name) if is_file and "\\" not in prefix else None
            facts = None if text is None else self._facts(folder, name)
            if text is None or facts is None:
                left.append(item)
                continue
            row = file_row(prefix + text, facts)
            if (known := self._reader.known(row)) is not None:
                self._take_over(row, *known)
            elif self._reading:
                unknown.append(item)
            else:
                self._outcome.listed.append(row)
        return left + self._read_some(folder, prefix, unknown) if unknown else left

    def _read_some(self, folder: tuple[str, ...], prefix: str, names: Names) -> Names:
        """Read files of one folder that are small and hold still, list the others, and return what is no plain file.

        The hot path of every scan of many files: one loop, in as few steps as an honest reading takes. Whatever is not
        as usual goes the long way (`verifier.tree.content.read_file`).
        """
        reader, outcome = self._reader, self._outcome
        add, cache, hash_of, once, now = reader.meter.add, reader.cache, self._hash_of, self._once, self._now
        left: Names = []
        if "\\" in prefix:
            return names
        try:
            open_name = self._handle.opener(folder)
        except OSError:
            return names
        room = cache.at_once
        for item in names:
            name, is_file = item
            text = plain_text(name) if is_file else None
            if text is None:
                left.append(item)
                continue
            path = prefix + text
            reader.current = path
            try:
                descriptor = open_name(name)
            except OSError:
                left.append(item)
                continue
            digest = None
            try:
                before = os.fstat(descriptor)
                size = before.st_size
                if not stat.S_ISREG(before.st_mode):
                    left.append(item)
                    continue
                if size <= BLOCK_BYTES and not (once and before.st_nlink > 1):
                    got = -1
                    if room is not None:
                        with suppress(OSError):  # not in memory, or such reads are not known here
                            got = os.preadv(descriptor, (room,), 0, READ_AT_ONCE)
                    if room is not None and got == size:
                        data = room[:size]
                    else:
                        data = cache.read_small(descriptor, size)
                        room = cache.at_once
                    add(size)
                    head, digest = bytes(data[:HEAD_BYTES]), hash_of(data).digest()
                    xattrs = xattrs_of(descriptor)
                    if not held_still(before, os.fstat(descriptor), len(data)):
                        digest = None
            except OSError:
                left.append(item)
                continue
            finally:
                os.close(descriptor)
            row = file_row(path, before)
            if digest is None:
                outcome.listed.append(row)
            else:
                outcome.proved.append((*row, xattrs, head, digest, now))
                self._read_bytes += size
        return left

    def _facts(self, folder: Sequence[str], name: str) -> os.stat_result | None:
        try:
            facts = self._handle.facts(folder, name)
        except OSError:
            return None
        return facts if stat.S_ISREG(facts.st_mode) else None

    def _take_over(self, row: FileRow, known: Known, kept: bool) -> None:
        outcome = self._outcome
        self._carried_bytes += row[1]
        if known.segments is None:
            rows = outcome.proved if kept else outcome.carried
            rows.append((*row, known.xattrs, known.head, known.digest, known.read_at))
            self._kept += kept
            return
        path, *facts = row
        content = (known.xattrs, known.head, known.digest, known.segments)
        state = _PROVED if kept else _CARRIED
        outcome.entries.append((path, None, _FILE, *facts, None, *content, state, None, known.read_at))
        self._whole += 1


def _earlier(setup: ReaderSetup, path: Path | None) -> Earlier | None:
    if path is None:
        return None
    from verifier.manifest.earlier import Earlier  # noqa: PLC0415  most readers never look back

    file_system = setup.share.file_system
    return Earlier(path, inodes=file_system.inodes, grain_ns=file_system.grain_ns)


def _skipping(rules: RuleSet | None) -> Callable[[str], str | None]:
    """Return what a walk asks before it enters a folder."""
    if rules is None:
        return lambda _: None
    from verifier.rules.matcher import Matcher  # noqa: PLC0415  compiles patterns; only scans with rules need it

    matcher = Matcher(rules)

    def reason(path: str) -> str | None:
        rule = matcher.descend(path)
        return None if rule is None else f"{BY_RULE}{rule.name}"

    return reason
