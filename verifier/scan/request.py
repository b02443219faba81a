"""What a scan is told, and what it comes to."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verifier.scan.plan import Reread
from verifier.tree.digests import Algorithm

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.classes import Side
    from verifier.manifest.totals import Totals
    from verifier.rules.rule import RuleSet


@dataclass(frozen=True, slots=True)
class ScanOptions:
    """How trees are scanned."""

    algorithm: Algorithm = Algorithm.BLAKE3
    listing_only: bool = False
    """List names and facts, read no content."""
    readers: int | None = None
    """Readers for each device; None finds the number by trying."""
    cross_mounts: bool = False
    """Enter other file systems that are mounted inside the tree."""
    rules: RuleSet | None = None
    """Whose do-not-descend rules keep the scan out of folders; None enters every folder."""
    limit_rate: int | None = None
    """Bytes a second that all readers of a side may read together."""
    idle: bool = False
    """Read at the lowest priority of processor and disk."""
    cold: bool = False
    """Drop a file's pages from memory before it is read."""
    reread: Reread = field(default_factory=Reread)
    """Which files are read again although the reused manifest knows them unchanged."""
    stall_after_s: float = 60.0
    """A read that has not moved for so long hangs."""
    until: float | None = None
    """Of `time.monotonic`: nothing is listed or read after it. What is to be read again then stays as it was known;
    before all the rest is read the scan ends as interrupted."""
    barred_in: Path | None = None
    """A finished manifest of the same tree: folders that a rule kept its scan out of are not entered, and no others."""
    sample: Path | None = None
    """Read the files of this sample only (`verifier.manifest.sample`). It has to be there when all sides are listed and
    have met: each waits for that."""


@dataclass(frozen=True, slots=True)
class ScanRequest:
    """One tree to scan into one manifest."""

    label: str
    root: Path
    manifest: Path
    reuse: Path | None = None
    """A complete manifest of the same root, whose digests are carried over where nothing changed."""
    finished_too: bool = False
    """Go on from a complete manifest in the same place, too: its run as a whole was not complete."""
    reread: Reread | None = None
    """Which files of this tree are read again; None for what the options say."""
    distrust: tuple[str, ...] = ()
    """Files that are read whatever the reused manifest knows of them, as manifest text."""
    side: Side | None = None
    """Which side of a sample this tree is; needed with one."""
    below: str = ""
    """The folder of that side that this tree is, where it is one of several; its label."""


@dataclass(frozen=True, slots=True)
class ScanOutcome:
    """What one side's scan came to."""

    label: str
    manifest: Path
    totals: Totals
    fingerprint: str
    interrupted: str
    """Why it ended early; empty for a complete scan."""
    readers: int = 0
    """How many readers did best."""
