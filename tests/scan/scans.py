"""Scans for tests: one call, in this process, and a look at what came of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verifier.manifest.store import Manifest
from verifier.scan.scanner import ScanOptions, ScanOutcome, ScanRequest, scan

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable
    from pathlib import Path

    from verifier.scan.scanner import Progress
    from verifier.tree.entry import Entry
    from verifier.tree.trouble import Problem


def scan_tree(
    root: Path,
    manifest: Path,
    options: ScanOptions | None = None,
    on_progress: Callable[[Progress], None] = lambda _: None,
    stop: threading.Event | None = None,
) -> ScanOutcome:
    """Scan a tree into a manifest, under the label "old"."""
    return scan(ScanRequest("old", root, manifest), options or ScanOptions(), on_progress, stop)


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
    from verifier.tree.trouble import Problem  # noqa: PLC0415  a name for rows, needed here only

    with Manifest.open(manifest) as opened:
        return [Problem(*row) for row in opened.connection.execute("SELECT * FROM problems")]
