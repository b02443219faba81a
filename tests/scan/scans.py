"""Scans for tests: one call, in this process, and a look at what came of it."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from verifier.manifest.store import Manifest
from verifier.scan.engine import InlineEngine
from verifier.scan.scanner import ScanOptions, ScanOutcome, ScanRequest, scan
from verifier.tree.trouble import Problem

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable
    from pathlib import Path

    from verifier.scan.reader import ReaderSetup
    from verifier.scan.scanner import Progress
    from verifier.tree.entry import Entry


def scan_tree(
    root: Path,
    manifest: Path,
    options: ScanOptions | None = None,
    on_progress: Callable[[Progress], None] = lambda _: None,
    stop: threading.Event | None = None,
    *,
    reuse: Path | None = None,
    finished_too: bool = False,
) -> ScanOutcome:
    """Scan a tree into a manifest, under the label "old"."""
    request = ScanRequest("old", root, manifest, reuse, finished_too)
    return scan(request, options or ScanOptions(), on_progress, stop)


class Crash(Exception):
    """A scan that ends in the middle, without anybody to put things in order."""


def crash_at(reached: Callable[[Progress], bool]) -> Callable[[Progress], None]:
    """Return what crashes a scan as soon as it has come so far."""

    def look(progress: Progress) -> None:
        if reached(progress):
            raise Crash

    return look


class Here:
    """An engine of this process, in the place of one of several processes: what is asked of it is done at once."""

    def __init__(self, setup: ReaderSetup, rate: int | None) -> None:
        self._inline = InlineEngine(setup, rate, lambda: False)

    def __getattr__(self, name: str) -> Any:
        """Do as an engine of this process does."""
        return getattr(self._inline, name)


@dataclass(slots=True)
class Engines:
    """Opens an engine of this process in any other's place, and remembers what was asked for."""

    asked: list[str] = field(default_factory=list)
    """For each of them whether it was to have threads or processes."""

    def __call__(self, setup: ReaderSetup, rate: int | None, *, at_home: bool) -> Here:
        """Open one."""
        self.asked.append("threads" if at_home else "processes")
        return Here(setup, rate)


def entries_of(manifest: Path) -> dict[str, Entry]:
    """Return every entry of a manifest by its path, in order."""
    with Manifest.open(manifest) as opened:
        return {entry.path: entry for entry in opened.entries()}


def facts_of(manifest: Path) -> dict[str, str]:
    """Return a manifest's facts."""
    with Manifest.open(manifest) as opened:
        return opened.facts()


def problems_of(manifest: Path) -> list[Problem]:
    """Return the problems that a manifest holds."""
    with Manifest.open(manifest) as opened:
        return [Problem(*row) for row in opened.connection.execute("SELECT * FROM problems")]


def edit(manifest: Path, statement: str, *values: object) -> None:
    """Change what a manifest says, as no scan does."""
    with closing(sqlite3.connect(manifest)) as plain, plain:
        assert plain.execute(statement, values).rowcount > 0, "nothing was there to be changed"


def reseal(manifest: Path) -> None:
    """Give a manifest the fingerprint of the rows that it has now."""
    with Manifest.open(manifest) as opened:
        fingerprint = opened.seal()
    edit(manifest, "UPDATE facts SET value = ? WHERE key = 'fingerprint'", fingerprint)


def let_the_second_pass() -> None:
    """Wait until the clock shows another second than that in which files were made: those count as still changing."""
    now = int(time.time())
    while int(time.time()) == now:
        time.sleep(0.02)


def iso_time(seconds: float) -> str:
    """Return an instant, in seconds since 1970, as manifests write it."""
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="seconds")
