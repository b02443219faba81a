"""One side's scan: the loop that gives out tasks, writes what comes of them, and keeps an eye on everything else."""

from __future__ import annotations

import json
import os
import platform
import socket
import time
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Final

from verifier import clock
from verifier.clock import now_text
from verifier.errors import Interrupted, RootUnavailable, ShareGone, WindowEnded
from verifier.manifest.database import named
from verifier.manifest.sample import SampleFile
from verifier.manifest.seal import fingerprint
from verifier.manifest.store import Manifest
from verifier.manifest.totals import Totals
from verifier.scan.budget import SideWork
from verifier.scan.engine import Engine, InlineEngine, PoolEngine, UnderWay, automatic_processes
from verifier.scan.guard import CheckAside, look_at
from verifier.scan.plan import VISIT_ENTRIES, VISIT_S, BatchSize, Frontier, batches, rereads
from verifier.scan.progress import Progress, Speed
from verifier.scan.reader import AT_ROOT, ReaderSetup
from verifier.scan.request import ScanOptions, ScanOutcome, ScanRequest
from verifier.scan.resume import before_of
from verifier.scan.task import Outcome, ReadTask, RunTask, Task, VisitTask
from verifier.tree.accounts import group_names, owner_names
from verifier.tree.cache import ColdCount
from verifier.tree.entry import State
from verifier.tree.names import shown, to_text
from verifier.tree.trouble import MEDIUM, Problem
from verifier.version import TOOL

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, Iterator, Mapping

    from verifier.manifest.seal import Run
    from verifier.manifest.store import Row, ToRead
    from verifier.scan.budget import Budget
    from verifier.scan.meeting import Meeting
    from verifier.tree.share import Share

COMMIT_EVERY_S: Final = 2.0
"""What was read is lost at most for so long when the scan is killed."""
TELL_EVERY_S: Final = 0.2
LOOK_EVERY_S: Final = 1.0
READ_WHILE_LISTING_S: Final = 60.0
"""Small files are read while they are listed for so long; then the listing comes first."""
INLINE_ENTRIES: Final = 400
INLINE_BYTES: Final = 64 * 1024 * 1024
"""So much of a tree on a local file system is scanned without starting reader processes."""
LARGE_BYTES: Final = 4 * 1024 * 1024
"""Where the files of such a tree are at least so large on average, threads read them as well as processes."""
MEDIUM_IN_A_ROW: Final = 20
"""After so many files in a row that the medium could not give, it is asked for one that it gave before."""
WINDOW_ENDED: Final = "the time window ended"
_MEDIUM_GONE: Final = f"{MEDIUM_IN_A_ROW} files in a row could not be read (EIO), nor one that could be read before"


class EngineKind(Enum):
    """Where the readers are."""

    INLINE = "inline"
    """In the scan's own thread."""
    THREADS = "threads"
    """In threads of this process."""
    PROCESSES = "processes"


@dataclass(frozen=True, slots=True)
class Company:
    """What a scan shares with the other sides."""

    budget: Budget
    side: int
    meeting: Meeting


@dataclass(slots=True)
class SideScan:
    """One side's scan under way; used by one thread."""

    request: ScanRequest
    options: ScanOptions
    share: Share
    company: Company
    manifest: Manifest
    on_progress: Callable[[Progress], None]
    stop: threading.Event
    before: Mapping[str, str] | None
    """Facts of the scan that this one goes on with."""
    reused_holds: CheckAside | None = None
    """The check of the reused manifest against its own fingerprint, which goes on beside the reading."""
    listed: bool = False
    sampled: bool = False
    """Whether only files of a sample are read."""
    stage: str = "listing"
    entries: int = 0
    files: int = 0
    size_bytes: int = 0
    files_done: int = 0
    carried_files: int = 0
    problems: int = 0
    bytes_before: int = 0
    """Bytes read by engines that are closed,"""
    names_before: int = 0
    """names that they looked at,"""
    processor_before: float = 0.0
    """and seconds of processor time that they took."""
    root_unsettled: bool = False
    engine: Engine | None = None
    readers: int = 1
    speed: Speed = field(default_factory=Speed)
    batch_size: BatchSize = field(default_factory=BatchSize)
    cold: list[int] = field(default_factory=lambda: [0, 0, 0, 0])
    avoid: set[str] = field(default_factory=set)
    """Paths at which a reader hung."""
    stalled_at: int = -1
    """What had been read when a reader last hung."""
    in_a_row: int = 0
    probe: ReadTask | None = None
    """Reads a file again that could be read before, to see whether the medium still gives anything."""
    again: list[Task] = field(default_factory=list)
    """Tasks that come before all others."""
    longest: UnderWay | None = None
    totals: Totals | None = None
    """What the manifest holds, once it has been counted."""
    owners: set[tuple[int, int]] = field(default_factory=set)
    """Owners and groups of all that it holds, known then as well."""
    told_at: float = 0.0
    looked_at: float = 0.0
    began: float = field(default_factory=time.monotonic)
    committed_at: float = field(default_factory=time.monotonic)

    def run(self) -> ScanOutcome:
        """Scan to the end, or as far as it goes, and say how far that was."""
        interrupted = sealed = ""
        self.manifest.set_facts(**self._first_facts())
        try:
            self._list()
            if self.files and self.request.reuse is not None:
                # Something changed, so the fingerprints will differ: hold the reused manifest against its own now.
                self.reused_holds = CheckAside(self.request.reuse)
            if not self.options.listing_only:
                self._meet_for_sample()
                self._read()
                self._read_again()
            self._check_still_there()
            if self.root_unsettled:
                raise Interrupted("the root changed while it was being listed, on every attempt: names may be missing")
            sealed = self._seal()
            self._hold_reused(sealed)
        except ShareGone as error:
            interrupted = f"the share went away: {error.what}"
        except Interrupted as error:
            interrupted = error.what
        finally:
            self._let_readers_go()
            if self.reused_holds is not None:
                self.reused_holds.end()
        return self._finish(interrupted, sealed)

    def _hold_reused(self, sealed: str) -> None:
        """Hold the reused manifest against its fingerprint, before anything is said that rests on it.

        Where nothing changed, this scan's fingerprint is that of the reused manifest, and says that its rows are those
        that were sealed: no other look is needed.

        Raises:
            ManifestDamaged: If it is not what was written.
        """
        if self.request.reuse is None:
            return
        with Manifest.open(self.request.reuse) as reused:
            if sealed and reused.facts().get("fingerprint") == sealed:
                return
        if self.reused_holds is None:
            self.reused_holds = CheckAside(self.request.reuse)
        self.reused_holds.wait(self._pulse)

    def _first_facts(self) -> dict[str, object]:
        options, share = self.options, self.share
        rules = options.rules
        before = self.before or {}
        return {
            "format": "verifier/manifest",
            "version": 1,
            "tool": TOOL,
            "label": shown(to_text(os.fsencode(self.request.label))),
            "host": socket.gethostname(),
            "platform": platform.platform(terse=True),
            **share.facts(),
            "algorithm": options.algorithm,
            "listing_only": options.listing_only,
            "sampled": options.sample is not None,
            "cross_mounts": options.cross_mounts,
            "rules": "" if rules is None else rules.digest,
            "started": before.get("started") or now_text(),
            "resumed": int(before.get("resumed") or 0) + 1 if before else 0,
            "reused": "" if self.request.reuse is None else named(self.request.reuse),
            "asked_cold": options.cold,
            "finished": None,
            "owner_names": None,
            "group_names": None,
            "listed": False,
            "complete": False,
            "fingerprint": None,
        }

    # Listing

    def _list(self) -> None:
        frontier = Frontier(self.manifest)
        setup = self._setup()
        known = ((State.PROVED.value, setup.resumed), (State.CARRIED.value, setup.reused))
        earlier = {state: path for state, path in known if path is not None}
        for state, path in earlier.items():
            self.manifest.attach(state, path)
        # With a limited rate even a little takes a while, and this thread has to tell how it goes.
        inline = self.share.local and self.options.limit_rate is None
        self._open(EngineKind.INLINE if inline else EngineKind.PROCESSES)
        self._run(lambda: self._next_visit(frontier), lambda task, outcome: self._visited(frontier, task, outcome))
        for state in earlier:
            self.manifest.detach(state)
        self.manifest.set_facts(listed=True)
        self.listed = True
        self._distrust()
        self.company.meeting.listed()
        self._pulse()

    def _distrust(self) -> None:
        """Have files read although they were carried over."""
        files, size = self.manifest.distrust(self.request.distrust)
        self.files += files
        self.size_bytes += size
        self.carried_files -= files

    def _next_visit(self, frontier: Frontier) -> Task | None:
        places = frontier.next(self.readers)
        if not places:
            return None
        lists = self.options.listing_only or self.options.sample is not None
        until = 0.0 if lists else self.began + READ_WHILE_LISTING_S
        most = INLINE_ENTRIES if self.entries == 0 and self.share.local else VISIT_ENTRIES
        return VisitTask(places, until, most, VISIT_S, tuple(self.avoid))

    def _visited(self, frontier: Frontier, task: Task, outcome: Outcome) -> None:
        assert isinstance(task, VisitTask)
        self._record_visit(outcome)
        a_second = outcome.entries_seen / max(outcome.seconds, 1e-3)
        frontier.add(outcome.rest, max(16, min(VISIT_ENTRIES, int(a_second * VISIT_S))))
        frontier.done(task.places)
        if outcome.rest and self._is_inline():
            self._open(EngineKind.PROCESSES)

    def _record_visit(self, outcome: Outcome) -> None:
        manifest, work = self.manifest, outcome.work
        manifest.add_listed(outcome.listed)
        manifest.add_known(State.PROVED.value, outcome.proved)
        manifest.add_known(State.CARRIED.value, outcome.carried)
        for state, common, width, values in outcome.shared:
            manifest.add_shared(state, common, width, values)
        for one in outcome.unchanged:
            manifest.add_unchanged(*one)
        manifest.add(outcome.entries, outcome.problems)
        self.entries += outcome.entries_seen
        # A folder that waits has a row now and will have another in its place.
        self.entries -= sum(1 for row in outcome.entries if row[2] == "directory" and _waits(row))
        self.files += work.files
        self.size_bytes += work.size_bytes
        self.files_done += work.files_done
        self.carried_files += work.carried_files
        self.problems += len(outcome.problems)
        self.root_unsettled |= any(p.path == "" and p.operation == "list" for p in outcome.problems)

    # Reading

    def _meet_for_sample(self) -> None:
        """Wait until the sample is drawn from the listings of all sides, and limit the reading to it.

        Raises:
            Interrupted: If another side was not listed to its end, so that there is none.
        """
        if self.options.sample is None:
            return
        self.stage = "waiting"
        self._tell(always=True)
        company = self.company
        company.budget.leave(company.side)
        company.meeting.attend(self.manifest)
        company.budget.come_back(company.side)
        self._pulse()
        if not self.options.sample.exists():
            raise Interrupted("no sample was drawn, because the other side was not listed to its end")
        with SampleFile.open(self.options.sample) as sample:
            self.sampled = sample.facts().get("everything") != "1"
        self.manifest.set_facts(sampled=self.sampled)
        if self.sampled:
            assert self.request.side is not None
            self.manifest.limit_reading(self.options.sample, self.request.side, self.request.below)

    def _read(self) -> None:
        self.stage = "reading"
        if self.sampled:
            self._read_sample()
        elif self.files > self.files_done:  # otherwise everything was read while it was listed
            self._read_files()

    def _read_sample(self) -> None:
        self._read_files()
        left, _ = self.manifest.left_to_read(links_once=False)
        self.manifest.lift_limit()
        if left:
            raise Interrupted(f"{left:,} files of the sample were left out of the reading: a defect of this program")

    def _read_files(self) -> None:
        # A sample may hold any name of an inode, so each is read by itself.
        once = self.share.file_system.inodes and not self.sampled
        left, size = self.manifest.left_to_read(links_once=once)
        self.files, self.size_bytes = self.files_done + left, self._bytes_done() + size
        self.speed.begin(self.files_done, self._bytes_done())
        if self._is_inline() and size > INLINE_BYTES:
            large = size >= left * LARGE_BYTES
            self._open(EngineKind.THREADS if large else EngineKind.PROCESSES)
        # What shares an inode is read under its first name; what then differs after all is read by itself.
        if once:
            self._read_all(batches(self.manifest, self.batch_size, links_once=True), self._was_read)
            self.manifest.share_readings_of_links()
        self._read_all(batches(self.manifest, self.batch_size, links_once=False), self._was_read)

    def _read_again(self) -> None:
        """Read files again that were carried over, the longest unread first, as far as the policy says."""
        policy = self.request.reread or self.options.reread
        before = policy.before(clock.now())
        if self.request.reuse is None or before is None:
            return
        self.stage = "reading again"
        self.manifest.order_carried()
        files, size = self.manifest.carried_before(before)
        within = 1.0 if policy.budget_bytes is None or not size else min(1.0, policy.budget_bytes / size)
        self.files += round(files * within)
        self.size_bytes += round(size * within)
        until = None if policy.budget_s is None else time.monotonic() + policy.budget_s
        wanted = rereads(self.manifest, before, policy, self.batch_size)
        in_time = (batch for batch in wanted if until is None or time.monotonic() < until)
        try:
            self._read_all(in_time, self._was_read_again)
        except WindowEnded:
            self._give_back(self._was_read_again)
        self.manifest.forget_order()

    def _give_back(self, done: Callable[[Task, Outcome], None]) -> None:
        """Let the readers leave off what they are at, and keep what they have read to its end."""
        assert self.engine is not None
        kind = EngineKind.INLINE if self._is_inline() else EngineKind.PROCESSES
        for task, outcome in self.engine.close():
            done(task, outcome)
        self.again.clear()
        self._open(kind)

    def _read_all(self, wanted: Iterator[tuple[ToRead, ...]], done: Callable[[Task, Outcome], None]) -> None:
        ahead: list[tuple[ToRead, ...]] = []

        def next_read() -> Task | None:
            # One batch is looked at ahead: the last large files get the processors that nobody else needs.
            while len(ahead) < 2 and (batch := next(wanted, None)) is not None:
                ahead.append(batch)
            if not ahead:
                return None
            assert self.engine is not None
            files = ahead.pop(0)
            busy = self.engine.under_way + 1 + len(ahead)
            return ReadTask(files, max(1, automatic_processes() // busy) if len(files) == 1 else 1)

        self._run(next_read, done)

    def _was_read(self, task: Task, outcome: Outcome) -> None:
        assert isinstance(task, ReadTask)
        if task is self.probe:
            self.probe = None
            if not any(row[0] == State.PROVED for row in (*outcome.as_listed, *outcome.changed)):
                raise ShareGone(_MEDIUM_GONE)
            return
        self.manifest.record(outcome.as_listed, outcome.changed)
        self.manifest.add((), outcome.problems)
        self.files_done += outcome.files_read
        self.problems += len(outcome.problems)
        self.batch_size.learn(len(task.files), outcome.seconds)
        self._notice_medium(task, outcome)

    def _was_read_again(self, task: Task, outcome: Outcome) -> None:
        """Record, and say where content is another although size and times are what they were."""
        assert isinstance(task, ReadTask)
        paths = [str(row[-1]) for row in outcome.as_listed if row[0] == State.PROVED]
        was = self.manifest.digests(paths)
        for row in outcome.as_listed:
            path = str(row[-1])
            if row[0] == State.PROVED and was.get(path) != row[2]:
                outcome.problems.append(
                    Problem(path, "read again", "content changed, size and times did not", 1, now_text())
                )
        self._was_read(task, outcome)

    def _notice_medium(self, task: ReadTask, outcome: Outcome) -> None:
        """Count files in a row that the medium could not give; after many, ask it for one that it gave before.

        Raises:
            ShareGone: If it never gave any.
        """
        # An empty file can be read from a medium that gives nothing.
        empty = {path for path, size, *_ in task.files if not size}
        for row in (*outcome.as_listed, *outcome.changed):
            if row[0] == State.PROVED and row[-1] not in empty:
                self.in_a_row = 0
            elif str(row[1]).partition(":")[0] in MEDIUM:
                self.in_a_row += 1
        if self.in_a_row < MEDIUM_IN_A_ROW:
            return
        self.in_a_row = 0
        could = self.manifest.one_read()
        if could is None:
            raise ShareGone(_MEDIUM_GONE)
        self.probe = ReadTask((could,), cold=True)
        self.again.append(self.probe)

    # The engine

    def _setup(self) -> ReaderSetup:
        options = self.options
        before = before_of(self.request.manifest)
        return ReaderSetup(
            self.share,
            options.algorithm,
            options.cross_mounts,
            options.rules,
            options.cold,
            options.idle,
            before if self.before is not None and before.exists() else None,
            self.request.reuse,
            options.barred_in,
        )

    def _open(self, kind: EngineKind) -> None:
        if self.engine is not None:
            self.bytes_before += self.engine.counts.bytes()
            self.names_before += self.engine.counts.entries()
            self.processor_before += self.engine.processor_s()
            self.engine.close()
        setup, rate = self._setup(), self.options.limit_rate
        if kind is EngineKind.INLINE:
            self.engine = InlineEngine(setup, rate, self.stop.is_set)
        else:
            self.engine = PoolEngine(setup, rate, at_home=kind is EngineKind.THREADS)
        self._share_readers()

    def _is_inline(self) -> bool:
        return isinstance(self.engine, InlineEngine)

    def _share_readers(self) -> None:
        assert self.engine is not None
        counts = self.engine.counts
        names = counts.entries()
        done = self._bytes_done()
        work = SideWork(done, names + self.names_before, done >> 20, self.processor_before + self.engine.processor_s())
        self.readers = self.company.budget.share(self.company.side, work)
        # The tree is read by as many as it can stand; the manifest is sealed by as many as there are processors.
        self.engine.set_readers(automatic_processes() if self.stage == "sealing" else self.readers)

    def _bytes_done(self) -> int:
        return self.bytes_before + (self.engine.counts.bytes() if self.engine else 0)

    def _run(self, next_task: Callable[[], Task | None], done: Callable[[Task, Outcome], None]) -> None:
        """Give out tasks and take their outcomes until there are none left."""
        while True:
            engine = self.engine
            assert engine is not None
            while engine.has_room() and (task := self.again.pop() if self.again else next_task()) is not None:
                engine.submit(task)
            if not engine.under_way and self.readers:
                return
            gone = ""
            for task, outcome in engine.wait(TELL_EVERY_S):
                self._add_cold(outcome.cold)
                done(task, outcome)
                gone = gone or outcome.gone
            self._pulse()
            if gone:
                raise ShareGone(gone)

    def _add_cold(self, count: ColdCount) -> None:
        if any(count):
            self.cold = [ours + more for ours, more in zip(self.cold, count, strict=True)]

    def _pulse(self) -> None:
        """Do what is due from time to time.

        Raises:
            Interrupted: If somebody asked the scan to stop.
            ShareGone: If nothing moves any more.
        """
        if self.stop.is_set():
            raise Interrupted("stopped before the end")
        now = time.monotonic()
        if self.options.until is not None and now >= self.options.until and self.stage not in ("sealing", "done"):
            raise WindowEnded(WINDOW_ENDED)
        if now - self.committed_at >= COMMIT_EVERY_S:
            self.manifest.commit()
            self.committed_at = now
        if self.company.meeting.due:
            self.company.meeting.attend(None if self.stage == "sealing" else self.manifest)
        if self.engine is not None:
            self._share_readers()
        if self.reused_holds is not None:
            self.reused_holds.raise_if_not()
        self._tell()
        if now - self.looked_at >= LOOK_EVERY_S:
            self.looked_at = now
            self._look_for_stalls()

    def _look_for_stalls(self) -> None:
        assert self.engine is not None
        under_way = self.engine.look()
        self.longest = under_way[0] if under_way else None
        if self.longest is not None and self.longest.seconds >= self.options.stall_after_s:
            self._give_up(self.longest)

    def _give_up(self, hanging: UnderWay) -> None:
        """Give a reader up that hangs, and the path that it hangs at; the rest of its tasks is done again.

        Raises:
            ShareGone: If nothing was read since the last time: then it is not that one file.
        """
        assert self.engine is not None
        path, seconds = hanging.path, self.options.stall_after_s
        error = f"no answer for {seconds:g} s: read"
        self.manifest.add((), [Problem("" if path == AT_ROOT else path, "read", error, 1, now_text())])
        self.problems += 1
        moved = self._bytes_done() + self.engine.counts.entries()
        tasks = self.engine.abandon(hanging.reader)
        if moved == self.stalled_at or path == AT_ROOT:
            raise ShareGone(f"no answer for {seconds:g} s, at {'the root' if path == AT_ROOT else shown(path)}")
        self.stalled_at = moved
        self.avoid.add(path)
        for task in tasks:
            if isinstance(task, VisitTask):
                self.again.append(task._replace(avoid=tuple(self.avoid)))
                continue
            if isinstance(task, RunTask):
                self.again.append(task)
                continue
            files = tuple(file for file in task.files if file[0] != path)
            if len(files) < len(task.files):
                row = (State.UNREADABLE.value, error, None, None, None, None, now_text(), path)
                self.manifest.record([row], [])
                self.files_done += 1
            if files:
                self.again.append(ReadTask(files, task.threads))

    def _let_readers_go(self) -> None:
        """Stop what still runs at its next block and keep what it has proved until then."""
        if self.engine is None:
            return
        for task, outcome in self.engine.close():
            if isinstance(task, VisitTask):
                self._record_visit(outcome)
            elif isinstance(task, ReadTask):
                self.manifest.record(outcome.as_listed, outcome.changed)
                self.manifest.add((), outcome.problems)

    # The end

    def _check_still_there(self) -> None:
        """Hold the root against what it was at the start: a share that was swapped proves nothing."""
        try:
            now = look_at(self.request.root, self.options.stall_after_s)
        except RootUnavailable as error:
            raise ShareGone(error.what) from error
        if (now.device, now.inode) != (self.share.device, self.share.inode):
            raise ShareGone(f"{self.share.named} is another folder or file system than at the start")
        if (now.type_name, now.mount_source) != (self.share.type_name, self.share.mount_source):
            raise ShareGone(f"{self.share.named} is another mount than at the start")

    def _seal(self) -> str:
        """Return the fingerprint, and count what the manifest holds; done by all readers together."""
        self.stage = "sealing"
        self._tell(always=True)
        # Where nothing was read there is nothing to vouch for, and nobody signs a listing.
        sealed = not self.options.listing_only
        self.manifest.let_read()
        runs = self.manifest.runs()
        path = str(self.request.manifest.absolute())
        tasks = iter([RunTask(path, run, sealed) for run in runs])
        found: dict[Run, Outcome] = {}

        def done(task: Task, outcome: Outcome) -> None:
            assert isinstance(task, RunTask)
            found[task.run] = outcome

        self._run(lambda: next(tasks, None), done)
        self.manifest.hold_again()
        self.totals = Totals()
        for outcome in found.values():
            self.totals = self.totals.plus(outcome.totals)
            self.owners.update(outcome.owners)
        return fingerprint(self.options.algorithm.value, (found[run].run_digest for run in runs)) if sealed else ""

    def _finish(self, interrupted: str, sealed: str) -> ScanOutcome:
        self.manifest.commit()
        totals = self.totals if self.totals is not None and not interrupted else self.manifest.totals()
        if not interrupted and totals.unread and not (self.options.listing_only or self.sampled):
            interrupted, sealed = f"{totals.unread:,} files were left out of the reading: a defect of this program", ""
        if not interrupted:
            # All that it holds is in the manifest by now. Before the manifest says that it is complete: ended between
            # the two, the next start goes on from the manifest itself.
            before_of(self.request.manifest).unlink(missing_ok=True)
        readers = 1 if self._is_inline() else self.company.budget.settled_on
        self.manifest.set_facts(
            finished=now_text(),
            interrupted=interrupted,
            complete=not interrupted,
            fingerprint=sealed,
            readers=readers,
            oldest_read=totals.oldest_read,
            bytes_read=self._bytes_done(),
            **({} if interrupted else self._names()),
            **dict(zip(ColdCount._fields, self.cold, strict=True)),
        )
        self.stage = "done"
        self._tell(always=True)
        return ScanOutcome(self.request.label, self.request.manifest, totals, sealed, interrupted, readers)

    def _names(self) -> dict[str, str]:
        """Return what this host calls the owners and groups of all entries: JSON, by their numbers as text."""
        owners = owner_names({uid for uid, _ in self.owners})
        groups = group_names({gid for _, gid in self.owners})
        return {
            "owner_names": json.dumps(owners, ensure_ascii=False),
            "group_names": json.dumps(groups, ensure_ascii=False),
        }

    def _tell(self, *, always: bool = False) -> None:
        now = time.monotonic()
        if not always and now - self.told_at < TELL_EVERY_S:
            return
        self.told_at = now
        done = self._bytes_done()
        longest = self.longest
        self.on_progress(
            Progress(
                self.request.label,
                self.stage,
                self.entries,
                self.files,
                self.size_bytes,
                self.files_done,
                done,
                self.carried_files,
                self.problems,
                self.speed.rate(done),
                self.speed.seconds_left(self.files, self.size_bytes, self.files_done, done),
                self.speed.measured_s,
                "" if longest is None else longest.path,
                0.0 if longest is None else longest.seconds,
                self.readers,
            )
        )


def _waits(row: Row) -> bool:
    """Tell whether a folder's row says that it is still to be entered."""
    return row[18] == State.LISTED.value and row[19] is None
