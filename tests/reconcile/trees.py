"""Trees made by hand, on disk or straight into manifests, and what a reconciliation makes of two of them.

Every reconciliation that goes through here is also held against its manifests: each entry counted exactly once, the
account recounted from the rows.
"""

from __future__ import annotations

import os
import tempfile
from collections import Counter
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from verifier.classes import Class, Side
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import EXPLAINED, Finding, Findings, Systematic, Tally
from verifier.reconcile.look import NEW_ROOT, OLD_ROOT, TreeLook
from verifier.reconcile.options import ReconcileOptions
from verifier.reconcile.reconciler import reconcile
from verifier.reconcile.recopy import to_recopy
from verifier.scan.scanner import ScanOptions, ScanRequest, scan
from verifier.scan.second import SecondLook
from verifier.tree.digests import Algorithm, new_hash
from verifier.tree.entry import HEAD_BYTES, Entry, Kind, State
from verifier.tree.names import is_utf8, to_bytes
from verifier.verdict import Verdict, judge

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from verifier.reconcile.compared import Comparison
    from verifier.rules.rule import RuleSet
    from verifier.tree.trouble import Problem

SECOND_NS: Final = 1_000_000_000
T0_NS: Final = 1_600_000_000 * SECOND_NS
"""When everything was last changed unless a test says otherwise."""
FACTS: Final[dict[str, object]] = {
    "format": "verifier/manifest",
    "version": 1,
    "tool": "verifier 0",
    "label": "side",
    "root": "/srv/side",
    "host": "somewhere",
    "platform": "Linux",
    "file_system": "ext4",
    "grain_ns": 1,
    "owners": True,
    "modes": True,
    "case_sensitive": True,
    "algorithm": "blake3",
    "listing_only": False,
    "cross_mounts": False,
    "rules": "",
    "started": "2026-11-20T20:00:00+00:00",
    "finished": "2026-11-20T21:00:00+00:00",
    "listed": True,
    "complete": True,
    "interrupted": "",
}
"""What a scan of an ordinary Linux file system writes."""


_MEMORY: Final = "/dev/shm"


@contextmanager
def scratch() -> Iterator[Path]:
    """Give a folder for a moment, in memory where Linux offers that: a database on a disk waits for the disk."""
    in_memory = os.access(_MEMORY, os.W_OK)
    with tempfile.TemporaryDirectory(dir=_MEMORY if in_memory else None) as made:
        yield Path(made)


def entry(path: str, kind: Kind, **facts: Any) -> Entry:
    """Return an entry without content; `facts` are its columns."""
    raw = to_bytes(path)
    blank = Entry(
        path,
        None if is_utf8(raw) else raw,
        kind.value,
        *(0, 0, T0_NS, T0_NS, 0o755, 0, 0, 1, 7, 0),
        *(None, None, None, None, None),
        State.CONTENTLESS.value,
        None,
        None,
    )
    return blank._replace(**facts)


def file(path: str, data: bytes = b"content", algorithm: Algorithm = Algorithm.BLAKE3, **facts: Any) -> Entry:
    """Return a file that was read and held this."""
    read = entry(
        path,
        Kind.FILE,
        size=len(data),
        allocated=len(data),
        mode=0o644,
        head=data[:HEAD_BYTES],
        digest=new_hash(algorithm, data).digest(),
        state=State.PROVED.value,
        read_at="2026-11-20T20:30:00+00:00",
    )
    return read._replace(**facts)


def folder(path: str, **facts: Any) -> Entry:
    """Return a folder that was listed."""
    return entry(path, Kind.DIRECTORY, **facts)


def link(path: str, target: str, **facts: Any) -> Entry:
    """Return a link."""
    return entry(path, Kind.LINK, target=target, size=len(to_bytes(target)), mode=0o777)._replace(**facts)


def unread(known: Entry, state: State = State.LISTED, error: str | None = None, **facts: Any) -> Entry:
    """Return an entry as it is where its content is not known."""
    nothing: dict[str, Any] = {"digest": None, "head": None, "segments": None, "xattrs": None, "read_at": None}
    return known._replace(state=state.value, error=error, **nothing, **facts)


def unlisted(path: str, error: str = "EACCES: list", state: State = State.UNREADABLE) -> Entry:
    """Return a folder that could not be listed, or was not entered."""
    return folder(path, state=state.value, error=error)


def with_parents(entries: Iterable[Entry]) -> list[Entry]:
    """Add the folders above that are not among the entries."""
    given = {one.path: one for one in entries}
    for path in list(given):
        above = path
        while "/" in above:
            above = above.rpartition("/")[0]
            given.setdefault(above, folder(above))
    return [given[path] for path in sorted(given)]


def write_manifest(place: Path, entries: Sequence[Entry], problems: Sequence[Problem] = (), **facts: object) -> Path:
    """Write a manifest of exactly these entries; sealed if its facts say that it is complete."""
    with Manifest.create(place) as manifest:
        manifest.add(entries, problems)
        manifest.set_facts(**{**FACTS, **facts})
        manifest.set_facts(fingerprint=manifest.seal() if manifest.facts()["complete"] == "1" else "")
    return place


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a reconciliation came to."""

    findings: tuple[Finding, ...]
    accounts: Mapping[Side, Mapping[Class, Tally]]
    comparison: Comparison
    verdict: Verdict
    systematic: tuple[Systematic, ...] = ()
    """Differences that are one fact each."""
    explained: frozenset[tuple[str | None, str | None]] = frozenset()
    """Old and new path of the findings that differ in systematic ways only."""
    to_copy: tuple[bytes, ...] = ()
    """What has to be copied again."""

    @property
    def classes(self) -> dict[tuple[str | None, str | None], str]:
        """Every finding's class, by old and new path."""
        return {(found.old_path, found.new_path): found.cls for found in self.findings}

    def at(self, path: str) -> Finding:
        """Return the one finding of a path of the old side; of the new side where no finding has it on the old."""
        found = [one for one in self.findings if one.old_path == path]
        found = found or [one for one in self.findings if one.new_path == path]
        assert len(found) == 1, f"{len(found)} findings at {path!r}"
        return found[0]

    def fact(self, kind: str) -> Systematic:
        """Return the one systematic difference of a kind."""
        found = [one for one in self.systematic if one.kind == kind]
        assert len(found) == 1, f"{len(found)} systematic differences of kind {kind!r}: {self.systematic}"
        return found[0]

    def is_explained(self, path: str) -> bool:
        """Tell whether what `at` returns differs in systematic ways only."""
        found = self.at(path)
        return (found.old_path, found.new_path) in self.explained

    def of(self, cls: Class) -> list[tuple[str | None, str | None]]:
        """Return the paths of all findings of a class."""
        return [(found.old_path, found.new_path) for found in self.findings if found.cls == cls]


def reconcile_files(manifests: Sequence[Path], options: ReconcileOptions | None = None) -> Outcome:
    """Reconcile the old side's manifest and the new side's, and hold the result against them."""
    old, new = manifests
    with scratch() as base:
        place = base / "findings.sqlite"
        reconciled = reconcile(old, new, place, options or ReconcileOptions())
        incomplete = {}
        for side, path in ((Side.OLD, old), (Side.NEW, new)):
            with Manifest.open(path) as manifest:
                if manifest.facts()["complete"] != "1":
                    incomplete[side] = "it was stopped"
        with Findings.open(place) as store:
            findings = tuple(store.stream())
            explained = frozenset((one.old_path, one.new_path) for one in store.stream(EXPLAINED))
            systematic, to_copy = tuple(store.systematic()), tuple(to_recopy(store))
            stored = {side: store.account(side) for side in Side}
            verdict = judge(store, reconciled.accounts, incomplete)
    assert stored == reconciled.accounts
    for side, path in ((Side.OLD, old), (Side.NEW, new)):
        _hold_against(path, side, findings, reconciled.accounts[side])
    assert reconciled.accounts[Side.OLD][Class.IDENTICAL] == reconciled.accounts[Side.NEW][Class.IDENTICAL]
    return Outcome(findings, reconciled.accounts, reconciled.comparison, verdict, systematic, explained, to_copy)


def _hold_against(path: Path, side: Side, findings: tuple[Finding, ...], account: Mapping[Class, Tally]) -> None:
    """Recount one side's account from its manifest, one entry at a time, without the help of SQL."""
    with Manifest.open(path) as manifest:
        entries = {one.path: one for one in manifest.entries()}
    entered: Counter[str] = Counter()
    files: Counter[str] = Counter()
    sizes: Counter[str] = Counter()
    classes = {}
    for found in findings:
        where = found.old_path if side is Side.OLD else found.new_path
        if where is None:
            continue
        assert where not in classes, f"{where!r} is counted twice"
        held = entries[where]
        told = (
            (found.old_kind, found.old_size, found.old_mtime_ns)
            if side is Side.OLD
            else (found.new_kind, found.new_size, found.new_mtime_ns)
        )
        assert told == (held.kind, held.size, held.mtime_ns)
        assert found.cls != Class.IDENTICAL
        classes[where] = found.cls
    for where, held in entries.items():
        cls = classes.get(where, Class.IDENTICAL.value)
        entered[cls] += 1
        if held.kind == Kind.FILE:
            files[cls] += 1
            sizes[cls] += held.size
    assert {cls: Tally(entered[cls], files[cls], sizes[cls]) for cls in Class} == account


def reconciled(
    old: Iterable[Entry],
    new: Iterable[Entry],
    *,
    old_facts: Mapping[str, object] | None = None,
    new_facts: Mapping[str, object] | None = None,
    old_problems: Sequence[Problem] = (),
    new_problems: Sequence[Problem] = (),
    **options: Any,
) -> Outcome:
    """Reconcile two sides given as entries; folders above them are added, `options` are `ReconcileOptions`."""
    with scratch() as base:
        places = [base / side for side in Side]
        write_manifest(places[0], with_parents(old), old_problems, **(old_facts or {}))
        write_manifest(places[1], with_parents(new), new_problems, **(new_facts or {}))
        return reconcile_files(places, ReconcileOptions(**options))


# ---- On disk


@dataclass(frozen=True, slots=True)
class Node:
    """Something to be planted on disk."""

    data: bytes = b""
    """A file's content, a link's target."""
    kind: Kind = Kind.FILE
    mtime_ns: int = T0_NS
    mode: int = 0o644

    def moved_to(self, mtime_ns: int) -> Node:
        """Return the same with another time."""
        return Node(self.data, self.kind, mtime_ns, self.mode)


FOLDER: Final = Node(kind=Kind.DIRECTORY, mode=0o755)


def plant(root: Path, nodes: Mapping[bytes, Node]) -> Path:
    """Make a tree; keys are paths relative to the root, folders above them are made as they are needed."""
    root.mkdir(parents=True, exist_ok=True)
    for path in sorted(nodes):
        node = nodes[path]
        where = root / os.fsdecode(path)
        where.parent.mkdir(parents=True, exist_ok=True)
        match node.kind:
            case Kind.DIRECTORY:
                where.mkdir(exist_ok=True)
            case Kind.LINK:
                where.symlink_to(os.fsdecode(node.data))
                os.utime(where, ns=(T0_NS, node.mtime_ns), follow_symlinks=False)
                continue
            case Kind.FIFO:
                os.mkfifo(where)
            case _:
                where.write_bytes(node.data)
        where.chmod(node.mode)
        os.utime(where, ns=(T0_NS, node.mtime_ns))
    return root


def scan_tree(root: Path, manifest: Path, rules: RuleSet | None = None) -> Path:
    """Scan a tree on disk into a manifest."""
    outcome = scan(ScanRequest(root.name, root, manifest), ScanOptions(readers=1, rules=rules))
    assert not outcome.interrupted
    return manifest


def compared(old: Path, new: Path, **options: Any) -> Outcome:
    """Scan two trees and reconcile them, with both at hand; `options` are `ReconcileOptions`."""
    rules = options.get("rules")
    with scratch() as base:
        manifests = [scan_tree(root, base / side, rules) for root, side in ((old, "old"), (new, "new"))]
        with looking_at(old, new) as look:
            return reconcile_files(manifests, ReconcileOptions(look=look, **options))


@contextmanager
def looking_at(old: Path, new: Path) -> Iterator[TreeLook]:
    """Give what reads files of both trees again that differ."""
    roots = {OLD_ROOT: old, NEW_ROOT: new}
    with SecondLook(roots) as second:
        yield TreeLook(second, roots, Algorithm.BLAKE3)


def snapshot(root: Path) -> list[tuple[str, int, int, int, int, int]]:
    """Return everything about a tree that writing into it would change, the root itself included."""
    found = []
    for where, folders, files in os.walk(root):
        for name in (".", *folders, *files):
            place = Path(where) / name
            facts = place.lstat()
            numbers = (facts.st_mode, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns, facts.st_ino)
            found.append((str(place), *numbers))
    return sorted(found)
