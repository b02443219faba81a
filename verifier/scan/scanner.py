"""Scanning one tree, or several at once, into manifests.

Two stages: the tree is listed into the manifest, then every file in it is read. Progress leaves as events; nothing
here prints. A scan that is stopped leaves a manifest that says it is incomplete.
"""

from __future__ import annotations

import os
import platform
import socket
import threading
import time
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from verifier.errors import Interrupted, RootUnavailable, ShareGone, UsageProblem
from verifier.manifest.database import named
from verifier.manifest.store import Manifest, ToRead, Totals
from verifier.scan.engine import Engine, automatic_readers, open_engine, reader_died
from verifier.scan.plan import batches
from verifier.scan.reader import ReadOutcome, ReadTask
from verifier.tree.digests import Algorithm
from verifier.tree.entry import BY_RULE
from verifier.tree.handle import open_tree
from verifier.tree.names import shown, to_text
from verifier.tree.share import Share
from verifier.tree.trouble import now_text
from verifier.tree.walk import walk
from verifier.version import TOOL

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from verifier.rules.model import RuleSet

COMMIT_EVERY_S: Final = 2.0
TELL_EVERY_S: Final = 0.2
QUEUED_PER_READER: Final = 3
"""Batches given out for each reader: one being read, the rest so that it never waits for the next."""


@dataclass(frozen=True, slots=True)
class ScanOptions:
    """How trees are scanned."""

    algorithm: Algorithm = Algorithm.BLAKE3
    listing_only: bool = False
    """List names and facts, read no content."""
    readers: int | None = None
    """Readers for each side; None lets `automatic_readers` choose."""
    cross_mounts: bool = False
    """Enter other file systems that are mounted inside the tree."""
    rules: RuleSet | None = None
    """Whose do-not-descend rules keep the scan out of folders; None enters every folder."""


@dataclass(frozen=True, slots=True)
class ScanRequest:
    """One tree to scan into one manifest."""

    label: str
    root: Path
    manifest: Path


@dataclass(frozen=True, slots=True)
class Progress:
    """How far one side is."""

    label: str
    stage: str
    """listing, reading, sealing, done."""
    entries: int = 0
    files: int = 0
    size_bytes: int = 0
    """Bytes that are to be read in all, as far as they are known."""
    files_done: int = 0
    bytes_done: int = 0
    problems: int = 0


@dataclass(frozen=True, slots=True)
class ScanOutcome:
    """What one side's scan came to."""

    label: str
    manifest: Path
    totals: Totals
    fingerprint: str
    interrupted: str
    """Why it ended early; empty for a complete scan."""


def check_request(request: ScanRequest) -> Share:
    """Look whether a scan could begin, and return its share.

    Raises:
        RootUnavailable: If the root is not there or may not be listed.
        UsageProblem: If the manifest would lie inside the tree: scanning never writes into a tree.
    """
    share = Share.at(request.root)
    if share.contains(request.manifest.parent):
        raise UsageProblem(
            f"{named(request.manifest)} lies inside {share.named}, and nothing is ever written into a tree",
            "put it somewhere else",
        )
    return share


def scan(
    request: ScanRequest,
    options: ScanOptions,
    on_progress: Callable[[Progress], None] = lambda _: None,
    stop: threading.Event | None = None,
) -> ScanOutcome:
    """Scan one tree into a new manifest.

    Args:
        request: What to scan, and where the manifest goes.
        options: How.
        on_progress: Called from this thread a few times a second.
        stop: Set by another thread to end the scan; the manifest then says that it is incomplete.

    Raises:
        RootUnavailable: If the root is not there, or may not be listed.
        UsageProblem: If the manifest is there already or lies inside the tree.
        EvidenceUnwritable: If the manifest cannot be written.
    """
    share = check_request(request)
    with Manifest.create(request.manifest) as manifest:
        return _Scan(request, options, share, manifest, on_progress, stop or threading.Event()).run()


def scan_all(
    requests: Sequence[ScanRequest],
    options: ScanOptions,
    on_progress: Callable[[Progress], None] = lambda _: None,
) -> list[ScanOutcome]:
    """Scan several trees at once, each with its own readers, and return their outcomes in order.

    Ctrl-C (KeyboardInterrupt) in the calling thread ends every scan in good order. A side whose share went away ends
    early on its own; the others go on. `on_progress` is called from several threads.

    Raises:
        VerifierError: As `scan`; the other sides are stopped first.
    """
    for request in requests:
        check_request(request)
    stop = threading.Event()
    with ThreadPoolExecutor(len(requests), thread_name_prefix="scan") as sides:
        futures = [sides.submit(scan, request, options, on_progress, stop) for request in requests]
        try:
            _wait_for(futures, stop)
        except BaseException:
            # Whatever came, and wherever it came between two waits: no side may go on unseen.
            stop.set()
            raise
    return [future.result() for future in futures]


def _wait_for(futures: Sequence[Future[ScanOutcome]], stop: threading.Event) -> None:
    waiting = set(futures)
    while waiting:
        try:
            done, waiting = wait(waiting, timeout=TELL_EVERY_S, return_when=FIRST_COMPLETED)
        except KeyboardInterrupt:
            stop.set()
            continue
        if any(future.exception() for future in done):
            stop.set()


@dataclass(slots=True)
class _Scan:
    """One scan under way."""

    request: ScanRequest
    options: ScanOptions
    share: Share
    manifest: Manifest
    on_progress: Callable[[Progress], None]
    stop: threading.Event
    entries: int = 0
    files: int = 0
    size_bytes: int = 0
    files_done: int = 0
    problems: int = 0
    root_unsettled: bool = False
    engine: Engine | None = None
    pending: set[Future[Any]] = field(default_factory=set)
    told_at: float = 0.0
    committed_at: float = field(default_factory=time.monotonic)

    def run(self) -> ScanOutcome:
        interrupted = ""
        self.manifest.set_facts(**self._first_facts())
        try:
            self._list()
            if not self.options.listing_only:
                self._read()
            self._check_still_there()
            if self.root_unsettled:
                raise Interrupted("the root changed while it was being listed, on every attempt: names may be missing")
        except ShareGone as error:
            interrupted = f"the share went away: {error.what}"
        except Interrupted as error:
            interrupted = error.what
        finally:
            self._let_readers_go()
        return self._finish(interrupted)

    def _first_facts(self) -> dict[str, object]:
        options, share = self.options, self.share
        rules = options.rules
        return {
            "format": "verifier/manifest",
            "version": 1,
            "tool": TOOL,
            "label": shown(to_text(os.fsencode(self.request.label))),
            "root": share.named,
            "host": socket.gethostname(),
            "platform": platform.platform(terse=True),
            "file_system": share.type_name,
            "grain_ns": share.file_system.grain_ns,
            "owners": share.file_system.owners,
            "modes": share.file_system.modes,
            "case_sensitive": "" if share.case_sensitive is None else share.case_sensitive,
            "algorithm": options.algorithm,
            "listing_only": options.listing_only,
            "cross_mounts": options.cross_mounts,
            "rules": "" if rules is None else rules.digest,
            "started": now_text(),
            "finished": None,
            "listed": False,
            "complete": False,
            "fingerprint": None,
        }

    def _list(self) -> None:
        skip = _skipping(self.options.rules)
        with open_tree(self.share.root) as handle:
            for chunk in walk(handle, self.share, cross_mounts=self.options.cross_mounts, skip=skip):
                self.manifest.add(chunk.entries, chunk.problems)
                self.entries += len(chunk.entries)
                self.problems += len(chunk.problems)
                self.root_unsettled |= any(p.path == "" and p.operation == "list" for p in chunk.problems)
                sizes = [entry.size for entry in chunk.entries if entry.kind == "file"]
                self.files += len(sizes)
                self.size_bytes += sum(sizes)
                self._commit_when_due()
                self._tell("listing")
                self._raise_if_stopped()
        self.manifest.set_facts(listed=True)

    def _read(self) -> None:
        readers = self.options.readers or automatic_readers()
        self.engine = open_engine(self.files, self.size_bytes, readers, self.stop.is_set)
        # What shares an inode is read under its first name; what then differs after all is read by itself.
        if self.share.file_system.inodes:
            self._read_all(links_once=True)
            self.manifest.share_readings_of_links()
        self._read_all(links_once=False)

    def _read_all(self, *, links_once: bool) -> None:
        assert self.engine is not None
        for batch in batches(self.manifest, links_once=links_once):
            self._submit(batch)
            while len(self.pending) >= self.engine.readers * QUEUED_PER_READER:
                self._collect()
        while self.pending:
            self._collect()

    def _submit(self, files: tuple[ToRead, ...]) -> None:
        assert self.engine is not None
        task = ReadTask(str(self.share.root), self.options.algorithm, files)
        self.pending.add(self.engine.submit(task))

    def _collect(self) -> None:
        """Write what is done; what is not stays pending."""
        assert self.engine is not None
        self._raise_if_stopped()
        done, self.pending = wait(self.pending, timeout=TELL_EVERY_S, return_when=FIRST_COMPLETED)
        gone = ""
        for future in done:
            try:
                outcome = self.engine.outcome(future)
            except BrokenProcessPool as error:
                # Ctrl-C reaches readers that are just starting, too: then it was no accident.
                if self.stop.wait(TELL_EVERY_S * 2):
                    self._raise_if_stopped()
                raise reader_died() from error
            self._record(outcome)
            gone = gone or outcome.gone
        self._commit_when_due()
        self._tell("reading")
        if gone:
            raise ShareGone(gone)

    def _let_readers_go(self) -> None:
        """Stop what still runs at its next block and keep what it has proved until then."""
        if self.engine is None:
            return
        self.engine.meter.request_stop()
        done = wait(self.pending).done
        self.engine.close()
        for future in done:
            if not future.cancelled() and future.exception() is None:
                self._record(self.engine.outcome(future))

    def _record(self, outcome: ReadOutcome) -> None:
        self.manifest.record(outcome.as_listed, outcome.changed)
        self.manifest.add((), outcome.problems)
        self.files_done += outcome.files
        self.problems += len(outcome.problems)

    def _commit_when_due(self) -> None:
        now = time.monotonic()
        if now - self.committed_at >= COMMIT_EVERY_S:
            self.manifest.commit()
            self.committed_at = now

    def _raise_if_stopped(self) -> None:
        if self.stop.is_set():
            raise Interrupted("stopped before the end")

    def _check_still_there(self) -> None:
        """Hold the root against what it was at the start: a share that was swapped proves nothing."""
        try:
            now = Share.at(self.request.root)
        except RootUnavailable as error:
            raise ShareGone(error.what) from error
        if (now.device, now.inode) != (self.share.device, self.share.inode):
            raise ShareGone(f"{self.share.named} is another folder or file system than at the start")

    def _finish(self, interrupted: str) -> ScanOutcome:
        self._tell("sealing", always=True)
        self.manifest.commit()
        fingerprint = "" if interrupted else self.manifest.seal()
        self.manifest.set_facts(
            finished=now_text(),
            interrupted=interrupted,
            complete=not interrupted,
            fingerprint=fingerprint,
            readers=self.engine.readers if self.engine else 0,
            bytes_read=self.engine.meter.total() if self.engine else 0,
        )
        self._tell("done", always=True)
        totals = self.manifest.totals()
        return ScanOutcome(self.request.label, self.request.manifest, totals, fingerprint, interrupted)

    def _tell(self, stage: str, *, always: bool = False) -> None:
        now = time.monotonic()
        if not always and now - self.told_at < TELL_EVERY_S:
            return
        self.told_at = now
        done = self.engine.meter.total() if self.engine else 0
        self.on_progress(
            Progress(
                self.request.label,
                stage,
                self.entries,
                self.files,
                self.size_bytes,
                self.files_done,
                done,
                self.problems,
            )
        )


def _skipping(rules: RuleSet | None) -> Callable[[str], str | None]:
    """Return what `walk` asks before it enters a folder."""
    if rules is None:
        return lambda _: None
    from verifier.rules.matcher import Matcher  # noqa: PLC0415  compiles patterns; only scans with rules need it

    matcher = Matcher(rules)

    def reason(path: str) -> str | None:
        rule = matcher.descend(path)
        return None if rule is None else f"{BY_RULE}{rule.name}"

    return reason
