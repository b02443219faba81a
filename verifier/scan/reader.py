"""A reader: stands in one tree, does one task after another, and says what came of each.

Kept light: every reader process imports this module, and nothing of the command line.
"""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier.clock import now_text
from verifier.errors import CannotRun, ShareGone
from verifier.manifest.earlier import Barred, Earlier, Some
from verifier.manifest.seal import run_digest
from verifier.manifest.totals import count, owners_of
from verifier.scan.gathering import CARRIED, PROVED
from verifier.scan.task import Outcome, ReadTask, RunTask, Task, VisitTask, empty_outcome
from verifier.scan.visit import Visit
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
)
from verifier.tree.digests import digester
from verifier.tree.entry import BY_RULE
from verifier.tree.handle import TreeHandle, open_tree
from verifier.tree.names import for_system, parts_of
from verifier.tree.trouble import Problem, errno_name
from verifier.tree.walk import Gate

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Sequence

    from verifier.manifest.earlier import Known, Limits
    from verifier.rules.matcher import Matcher
    from verifier.rules.rule import RuleSet
    from verifier.scan.pace import Meter
    from verifier.tree.digests import Algorithm
    from verifier.tree.entry import FileRow
    from verifier.tree.share import Share


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
    barred_in: Path | None = None
    """A finished manifest: what a rule kept its scan out of is not entered; `rules` are then not asked."""


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
        self.digest_of = digester(setup.algorithm)
        self._barred = None if setup.barred_in is None else Barred(setup.barred_in)
        skip = _skipping(setup.rules) if self._barred is None else self._barred.reason
        self.gate = Gate(setup.share, setup.cross_mounts, skip)
        self._resumed = _earlier(setup, setup.resumed, PROVED)
        self._reused = _earlier(setup, setup.reused, CARRIED)
        self.looks_back = self._resumed is not None or self._reused is not None

    def do(self, task: Task) -> Outcome:
        """Do a task; a request to stop or the share's end leave the rest undone."""
        started = time.monotonic()
        outcome = empty_outcome()
        self.cache.cold = self.setup.cold or (isinstance(task, ReadTask) and task.cold)
        try:
            if isinstance(task, VisitTask):
                outcome = Visit(self, task, outcome).run()
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
        for earlier in (self._resumed, self._reused, self._barred):
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
            seen = glance(where, self.digest_of, manner) if size <= BLOCK_BYTES else None
            if seen is not None and seen.digest is not None and _is_as_listed(seen.facts, size, mtime_ns, ctime_ns):
                content = (PROVED, None, seen.digest, None, seen.head, seen.xattrs, now)
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

    def all_unchanged(self, rows: Sequence[FileRow]) -> tuple[str, Limits] | None:
        """Return how some files can be taken over at once; None where each is to be looked at by itself.

        Args:
            rows: Neighbouring files of one folder in path order.

        Returns:
            In what state, and within which limits of time.
        """
        # What the same scan had read goes before what an earlier one knows, so that must know nothing of these.
        for state, earlier in ((PROVED, self._resumed), (CARRIED, self._reused)):
            if earlier is not None and (found := earlier.as_they_are(rows)) is not Some.NONE:
                return (state, earlier.limits) if found is Some.ALL else None
        return None

    def known(self, rows: Sequence[FileRow]) -> list[tuple[str, Known] | None]:
        """Return for each file what is known of its content without reading it, and in what state that is.

        Args:
            rows: Files of one folder in path order.
        """
        found: list[tuple[str, Known] | None] = [None] * len(rows)
        for state, earlier in ((CARRIED, self._reused), (PROVED, self._resumed)):
            if earlier is not None:
                found = [
                    before if known is None else (state, known)
                    for before, known in zip(found, earlier.find(rows), strict=True)
                ]
        return found


def _is_as_listed(facts: os.stat_result, size: int, mtime_ns: int, ctime_ns: int) -> bool:
    return facts.st_size == size and facts.st_mtime_ns == mtime_ns and facts.st_ctime_ns == ctime_ns


def _run_of(task: RunTask, outcome: Outcome) -> Outcome:
    from verifier.manifest.database import database_errors, open_read_only  # noqa: PLC0415  at the end, once

    path = Path(task.manifest)
    with database_errors(path), closing(open_read_only(path)) as connection:
        digest = run_digest(connection, task.run) if task.sealed else b""
        totals, owners = count(connection, task.run), owners_of(connection, task.run)
        return outcome._replace(run_digest=digest, totals=totals, owners=owners)


def _earlier(setup: ReaderSetup, path: Path | None, state: str) -> Earlier | None:
    if path is None:
        return None
    file_system = setup.share.file_system
    return Earlier(path, inodes=file_system.inodes, grain_ns=file_system.grain_ns, state=state)


def _skipping(rules: RuleSet | None) -> Callable[[str], str | None]:
    """Return what a walk asks before it enters a folder."""
    if rules is None:
        return lambda _: None
    matcher: Matcher | None = None

    def reason(path: str) -> str | None:
        nonlocal matcher
        if matcher is None:  # 30 ms, which a tree without folders need not wait for
            from verifier.rules.matcher import Matcher  # noqa: PLC0415

            matcher = Matcher(rules)
        rule = matcher.descend(path)
        return None if rule is None else f"{BY_RULE}{rule.name}"

    return reason
