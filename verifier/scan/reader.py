"""A reader: stands in one tree, does one task after another, and says what came of each.

Kept light: every reader process imports this module, and nothing of the command line.
"""

from __future__ import annotations

import os
import stat
import time
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier.errors import CannotRun, RootUnavailable, ShareGone
from verifier.manifest.seal import run_digest
from verifier.manifest.totals import count
from verifier.scan.task import Outcome, ReadTask, RunTask, Shared, Task, VisitTask, Work, empty_outcome
from verifier.tree.cache import PageCache
from verifier.tree.content import (
    BLOCK_BYTES,
    GONE,
    Expected,
    Manner,
    Reading,
    Stopped,
    Where,
    glance,
    read_file,
    xattrs_of,
)
from verifier.tree.digests import hasher
from verifier.tree.entry import BY_RULE, HEAD_BYTES, INT64_MAX, KIND_BITS, NO_BLOCKS, OWN_COLUMNS, Kind, State, file_row
from verifier.tree.handle import TreeHandle, open_tree
from verifier.tree.names import for_system, parts_of, plain_text, raw_of, to_text
from verifier.tree.trouble import Problem, errno_name, now_text
from verifier.tree.walk import Chunk, Gate, Names, Walk

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from verifier.manifest.earlier import Earlier, Known
    from verifier.manifest.store import Row
    from verifier.rules.rule import RuleSet
    from verifier.scan.pace import Meter
    from verifier.tree.digests import Algorithm
    from verifier.tree.entry import FileRow
    from verifier.tree.share import Share


WORTH_SHARING: Final = 8
"""Files that have some facts in common are gathered from so many on: handing a value over to the scan and to SQLite
costs 0.4 µs, for every row, and a statement of its own 20 µs."""
AT_ROOT: Final = "."
"""How the root is called where an empty text means nothing at all."""


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
        self.hash_of = hasher(setup.algorithm)
        self.gate = Gate(setup.share, setup.cross_mounts, _skipping(setup.rules))
        self._resumed = _earlier(setup, setup.resumed, _PROVED)
        self._reused = _earlier(setup, setup.reused, _PROVED, _CARRIED)
        self.looks_back = self._resumed is not None or self._reused is not None

    def do(self, task: Task) -> Outcome:
        """Do a task; a request to stop or the share's end leave the rest undone."""
        started = time.monotonic()
        outcome = empty_outcome()
        self.cache.cold = self.setup.cold or (isinstance(task, ReadTask) and task.cold)
        try:
            if isinstance(task, VisitTask):
                outcome = _Visit(self, task, outcome).run()
            elif isinstance(task, RunTask):
                outcome = _run_of(task, outcome)
            else:
                self._read(task, outcome)
        except Stopped:
            pass
        except ShareGone as error:
            outcome = outcome._replace(gone=error.what)
        except CannotRun:
            raise  # an earlier manifest that cannot be read says nothing about the share
        except OSError as error:
            outcome = outcome._replace(gone=f"{errno_name(error)} at the root")
        self.current = ""
        return outcome._replace(cold=self.cache.take_count(), seconds=time.monotonic() - started)

    def go_to(self, path: str) -> None:
        """Take note of what is looked at now."""
        self.current = path or AT_ROOT

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
        manner = Manner(self.setup.algorithm, self.cache, self.meter.add, task.threads, self.meter.beat)
        for path, size, mtime_ns, ctime_ns in task.files:
            self.current = path
            above, _, name = path.rpartition("/")
            if above != folder_path:
                folder_path, folder = above, parts_of(above)
            where = Where(self.handle(), folder, for_system(name))
            seen = glance(where, self.hash_of, manner) if size <= BLOCK_BYTES else None
            if seen is not None and seen.digest is not None and _is_as_listed(seen.facts, size, mtime_ns, ctime_ns):
                content = (_PROVED, None, seen.digest, None, seen.head, seen.xattrs, now)
                outcome.as_listed.append((*content, path))
                self.cache.count(size)
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

    def known(self, rows: Sequence[FileRow]) -> list[tuple[str, Known] | None]:
        """Return for each file what is known of its content without reading it, and in what state that is.

        Args:
            rows: Files of one folder in path order.
        """
        found: list[tuple[str, Known] | None] = [None] * len(rows)
        for state, earlier in ((_CARRIED, self._reused), (_PROVED, self._resumed)):
            if earlier is not None:
                found = [
                    before if known is None else (state, known)
                    for before, known in zip(found, earlier.find(rows), strict=True)
                ]
        return found


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
        self._hash_of = reader.hash_of
        self._once = setup.share.file_system.inodes
        self._looks_back = reader.looks_back
        self._reading = task.read_until > 0
        self._now = now_text()
        self._read = 0
        self._read_bytes = 0
        self._groups: dict[tuple[str, Row, str | None, str], list[object]] = {}
        self._last_facts: Row = ()
        self._last_xattrs: str | None = None
        self._last_group: list[object] = []
        self._read_small, self._add, self._cold = reader.cache.read_small, reader.meter.add, reader.cache.cold
        self._known = 0
        self._known_bytes = 0

    def run(self) -> Outcome:
        task, outcome, meter = self._task, self._outcome, self._reader.meter
        started = time.monotonic()
        gate = replace(self._reader.gate, avoid=frozenset(task.avoid), on_folder=self._reader.go_to, beat=meter.beat)
        walk = Walk(self._handle, gate, self._take if self._reading or self._looks_back else None)
        gone = ""
        counted = 0
        with closing(walk.run(task.places)) as steps:
            try:
                for walked in steps:
                    size = walked + len(outcome.listed) + self._read + self._known
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
        work = self._work(chunk)
        gathered = self._gathered()
        return outcome._replace(
            listed=_gather_listed(chunk.files, gathered),
            shared=gathered,
            entries=[*outcome.entries, *chunk.entries],
            problems=chunk.problems,
            rest=rest,
            work=work,
            gone=gone,
        )

    def _work(self, chunk: Chunk) -> Work:
        read = self._read
        others = [entry.size for entry in chunk.entries if entry.kind == _FILE and entry.state == _LISTED]
        return Work(
            len(chunk.files) + len(others) + read,
            sum(row[1] for row in chunk.files) + sum(others) + self._read_bytes,
            read,
            self._known,
            self._known_bytes,
        )

    def _take(self, folder: tuple[str, ...], prefix: str, names: Names) -> Names:
        """Deal with plain files: take over what is known, else read what is small, else list."""
        if not self._looks_back:
            return self._read_some(folder, prefix, names) if self._reading else names
        left, plain, rows = self._look_at(folder, prefix, names)
        if not rows:
            return left
        unknown: Names = []
        for item, row, known in zip(plain, rows, self._reader.known(rows), strict=True):
            if known is not None:
                self._take_over(row, *known)
            elif self._reading:
                unknown.append(item)
            else:
                self._outcome.listed.append(row)
        return left + self._read_some(folder, prefix, unknown) if unknown else left

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

    def _read_some(self, folder: tuple[str, ...], prefix: str, names: Names) -> Names:
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
        reader, read_one, close = self._reader, self._read_one, os.close
        left: Names = []
        for item in names:
            name, is_file = item
            text = plain_text(name) if is_file else None
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
                if not read_one(path, descriptor):
                    left.append(item)
            except OSError:
                left.append(item)
            finally:
                close(descriptor)
        return left

    def _read_one(self, path: str, descriptor: int) -> bool:
        before = os.fstat(descriptor)
        mode, size = before.st_mode, before.st_size
        if mode & KIND_BITS != stat.S_IFREG:
            return False
        if size > BLOCK_BYTES or (self._once and before.st_nlink > 1):
            self._outcome.listed.append(file_row(path, before))
            return True
        data = self._read_small(descriptor, size)
        self._add(size)
        digest = self._hash_of(data).digest()
        xattrs = xattrs_of(descriptor)
        mtime_ns, ctime_ns, inode = before.st_mtime_ns, before.st_ctime_ns, before.st_ino
        after = os.fstat(descriptor)
        if not (len(data) == size == after.st_size and mtime_ns == after.st_mtime_ns and ctime_ns == after.st_ctime_ns):
            self._outcome.listed.append(file_row(path, before))
            return True
        if self._cold:
            self._reader.cache.count(size)
        self._read += 1
        self._read_bytes += size
        head = bytes(data[:HEAD_BYTES])
        if not (not NO_BLOCKS and -INT64_MAX < mtime_ns < INT64_MAX and ctime_ns < INT64_MAX and inode < INT64_MAX):
            self._outcome.proved.append((*file_row(path, before), xattrs, head, digest, self._now))
            return True
        # Gathered here by what files of one folder mostly share: a row that is built again later costs 2 µs more.
        facts = (mode & 0o7777, before.st_uid, before.st_gid, before.st_nlink, before.st_dev)
        if facts != self._last_facts or xattrs != self._last_xattrs:
            self._last_group = self._group(_PROVED, facts, xattrs, self._now)
            self._last_facts, self._last_xattrs = facts, xattrs
        self._last_group += (path, size, before.st_blocks * 512, mtime_ns, ctime_ns, inode, head, digest)
        return True

    def _group(self, state: str, facts: Row, xattrs: str | None, read_at: str) -> list[object]:
        """Return the flat list that gathers files which share all this."""
        return self._groups.setdefault((state, facts, xattrs, read_at), [])

    def _gathered(self) -> list[Shared]:
        """Return what was gathered, but for groups so small that a statement of their own is not worth it."""
        found: list[Shared] = []
        width = len(OWN_COLUMNS)
        for (state, facts, xattrs, read_at), values in self._groups.items():
            if len(values) >= WORTH_SHARING * width:
                found.append((state, (*facts, xattrs, read_at), width, values))
                continue
            single = self._outcome.proved if state == _PROVED else self._outcome.carried
            for begin in range(0, len(values), width):
                row = values[begin : begin + width]
                single.append((*row[:5], *facts, row[5], xattrs, *row[6:], read_at))
        return found

    def _take_over_odd(self, path: str, facts: os.stat_result) -> bool:
        """Take over what is known of a file whose path has its bytes beside it; False where nothing is."""
        row = file_row(path, facts)
        (known,) = self._reader.known([row])
        if known is None:
            return False
        self._known += 1
        self._known_bytes += row[1]
        self._outcome.entries.append(_whole(row, raw_of(path), *known))
        return True

    def _take_over(self, row: FileRow, state: str, known: Known) -> None:
        self._known += 1
        self._known_bytes += row[1]
        if known.segments is None:
            group = self._group(state, row[5:10], known.xattrs, known.read_at)
            group += (*row[:5], row[10], known.head, known.digest)
            return
        self._outcome.entries.append(_whole(row, None, state, known))


def _whole(row: FileRow, raw: bytes | None, state: str, known: Known) -> Row:
    """Return a file's whole entry."""
    path, *facts = row
    content = (known.xattrs, known.head, known.digest, known.segments)
    return (path, raw, _FILE, *facts, None, *content, state, None, known.read_at)


def _gather_listed(rows: list[FileRow], gathered: list[Shared]) -> list[FileRow]:
    """Gather listed files in the same way, and return those that are left."""
    groups: dict[Row, list[FileRow]] = {}
    for row in rows:
        groups.setdefault(row[5:10], []).append(row)
    left: list[FileRow] = []
    for facts, members in groups.items():
        if len(members) < WORTH_SHARING:
            left += members
            continue
        values: list[object] = []
        for row in members:
            values += row[:5]
            values.append(row[10])
        gathered.append((_LISTED, (*facts, None, None), len(OWN_COLUMNS) - 2, values))
    return left


def _run_of(task: RunTask, outcome: Outcome) -> Outcome:
    from verifier.manifest.database import database_errors, open_read_only  # noqa: PLC0415  at the end, once

    path = Path(task.manifest)
    with database_errors(path), closing(open_read_only(path)) as connection:
        digest = run_digest(connection, task.run) if task.sealed else b""
        return outcome._replace(run_digest=digest, totals=count(connection, task.run))


def _earlier(setup: ReaderSetup, path: Path | None, *states: str) -> Earlier | None:
    if path is None:
        return None
    from verifier.manifest.earlier import Earlier  # noqa: PLC0415  most readers never look back

    file_system = setup.share.file_system
    return Earlier(path, inodes=file_system.inodes, grain_ns=file_system.grain_ns, states=frozenset(states))


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
