"""One entry's whole story: what both sides hold, what it was classed as and why, and where its bytes differ."""

from __future__ import annotations

import os
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier.classes import Class, Side
from verifier.errors import UsageProblem
from verifier.evidence import FINDINGS_FILE, MANIFEST_FILES
from verifier.manifest.database import named
from verifier.manifest.merge import roots_of
from verifier.manifest.store import Manifest
from verifier.reconcile.compared import names_by_number
from verifier.reconcile.findings import Findings
from verifier.reconcile.options import PlaceMap, place_of
from verifier.report.amounts import time_text
from verifier.report.context import build_context
from verifier.report.damages import bytes_of, facts_of, ranges_of
from verifier.report.terminal import Line
from verifier.tree.birth import birth_ns
from verifier.tree.damage import Damage
from verifier.tree.entry import Kind, State
from verifier.tree.names import parts_of, shown, to_bytes, to_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from verifier.reconcile.findings import Finding
    from verifier.report.context import ReportContext
    from verifier.tree.entry import Entry

STRIP: Final = 60
"""Cells in which a file is drawn."""
_NAME: Final = 11


@dataclass(frozen=True, slots=True)
class _Held:
    """What one side has."""

    side: Side
    entry: Entry
    facts: Mapping[str, str]


def story(evidence: Path, path: str) -> list[Line]:
    """Tell one entry's story, line by line, with nothing in it that a terminal would act on.

    Args:
        evidence: The folder of a finished check.
        path: The entry's path on either side, relative to its root or below it, as it is typed.

    Raises:
        NotAManifest: If the folder does not hold a finished check.
        UsageProblem: If neither side has such an entry.
    """
    with Findings.open(evidence / FINDINGS_FILE) as findings:
        context = build_context(evidence, findings)
        wanted = _relative(to_text(os.fsencode(path)), context)
        found = list(findings.stream("old_path = ? OR new_path = ?", (wanted, wanted)))
    manifests = {side: evidence / name for side, name in MANIFEST_FILES.items()}
    with Manifest.open(manifests[Side.OLD]) as old, Manifest.open(manifests[Side.NEW]) as new:
        sides = {Side.OLD: old, Side.NEW: new}
        facts = {side: manifest.facts() for side, manifest in sides.items()}
        pairs: list[tuple[str | None, str | None, Finding | None]] = [(f.old_path, f.new_path, f) for f in found]
        if not any(wanted == old_path for old_path, _, _ in pairs) and old.entry(wanted) is not None:
            places = tuple(PlaceMap(*one) for one in context.run["places"])
            pairs.insert(0, (wanted, place_of(wanted, places), None))
        if not pairs:
            raise UsageProblem(
                f"neither side has {shown(wanted)}", f"give a path as differences.csv in {named(evidence)} has it"
            )
        lines: list[Line] = []
        for old_path, new_path, finding in pairs:
            held = [
                _Held(side, entry, facts[side])
                for side, place in ((Side.OLD, old_path), (Side.NEW, new_path))
                if place is not None and (entry := sides[side].entry(place)) is not None
            ]
            lines += [Line(""), *_told(finding, held)] if lines else _told(finding, held)
    return lines


def _relative(path: str, context: ReportContext) -> str:
    """Return a path relative to its root, if it was given whole."""
    for side in context.sides.values():
        for label, root in roots_of(side.facts).items():
            above = f"{root.rstrip('/')}/"
            if path.startswith(above):
                return f"{label}/{path.removeprefix(above)}".strip("/")
    return path.removeprefix("./").strip("/")


def _told(finding: Finding | None, held: Sequence[_Held]) -> list[Line]:
    paths = list(dict.fromkeys(one.entry.path for one in held))
    lines = [Line(" -> ".join(map(shown, paths)), "strong")]
    if finding is None:
        lines.append(Line(f"{Class.IDENTICAL}: same place, same content, compared metadata agree", "good"))
    else:
        what = finding.cls + (f" ({finding.cause})" if finding.cause else "")
        lines += [Line(f"{what}, {finding.severity}", "plain"), *_row("why", [finding.reason])]
        if finding.rule:
            lines += _row("rule", [finding.rule])
        if finding.group_path:
            lines += _row("as part of", [f"{finding.group_path}/"])
    lines += [Line(""), *_facts(held)]
    if finding is not None and finding.damage:
        lines += [Line(""), *_damage(finding.damage)]
    return lines


def _row(name: str, values: Iterable[str]) -> list[Line]:
    return [Line(f"  {name if not number else '':<{_NAME}} {shown(value)}") for number, value in enumerate(values)]


def _facts(held: Sequence[_Held]) -> Iterator[Line]:
    """Yield each fact once where both sides agree, else side by side."""
    told = {one.side: dict(_of_side(one)) for one in held}
    for name in dict.fromkeys(name for facts in told.values() for name in facts):
        values = {side: facts.get(name, "not there") for side, facts in told.items()}
        if len(held) == len(Side) and len(set(values.values())) == 1:
            yield from _row(name, [f"{next(iter(values.values()))}"])
        else:
            yield from _row(name, [f"{side.value}: {value}" for side, value in values.items()])


def _of_side(one: _Held) -> Iterator[tuple[str, str]]:
    entry, facts = one.entry, one.facts
    yield "kind", entry.kind
    yield "size", f"{entry.size:,} bytes"
    if entry.allocated is not None:
        yield "allocated", f"{entry.allocated:,} bytes"
    yield "mtime", time_text(entry.mtime_ns)
    yield "ctime", time_text(entry.ctime_ns)
    if (made := _made(one)) is not None:
        yield "made", f"{time_text(made)} (for information)"
    yield "mode", f"{entry.mode:04o}"
    for name, number, names in (("owner", entry.uid, "owner_names"), ("group", entry.gid, "group_names")):
        yield name, _with_name(number, facts.get(names))
    yield "names", f"{entry.nlink} of inode {entry.inode}, device {entry.device}"
    if entry.target is not None:
        yield "target", entry.target
    if entry.xattrs not in (None, "{}"):
        yield "attributes", entry.xattrs or ""
    if entry.head is not None:
        yield "begins with", entry.head.hex(" ")
    if entry.digest is not None:
        yield facts.get("algorithm", "digest"), entry.digest.hex()
    if entry.segments:
        yield "segments", f"{len(entry.segments) // 16} digests of 64 MiB each"
    yield "content", _STATES.get(entry.state, entry.state) + (f": {entry.error}" if entry.error else "")
    if entry.read_at:
        yield "read at", entry.read_at


_STATES: Final = {
    State.PROVED.value: "read in this scan",
    State.CARRIED.value: "known from an earlier scan, unchanged since by size and times",
    State.LISTED.value: "not read",
    State.CONTENTLESS.value: "none to read",
}


def _with_name(number: int, names: str | None) -> str:
    name = names_by_number(names).get(number)
    return f"{number} ({name})" if name else str(number)


def _made(one: _Held) -> int | None:
    """Return when the file was made, if its tree can be reached from here and says so."""
    if one.facts.get("host") != socket.gethostname() or one.entry.kind not in (Kind.FILE, Kind.DIRECTORY):
        return None
    try:
        return birth_ns(place_on_disk(one.facts, one.entry.path))
    except (OSError, ValueError):
        return None


def place_on_disk(facts: Mapping[str, str], path: str) -> Path:
    """Return where an entry lies, from a manifest's facts; of several roots, below that of its label.

    Raises:
        ValueError: If the path is none that a scan writes.
    """
    roots = roots_of(facts)
    label = ""
    if label not in roots:
        label, _, path = path.partition("/")
    root = roots.get(label, "")
    return Path(os.fsdecode(to_bytes(root)), *parts_of(path))


def _damage(text: str) -> list[Line]:
    try:
        damage = Damage.from_json(text)
    except ValueError:
        return [Line("  where it differs cannot be read from the evidence", "unsure")]
    lines = [Line("Where the bytes differ", "strong")]
    for name, told in facts_of(damage):
        lines += _row(name, [told])
    lines += _row("ranges", ranges_of(damage))
    lines += _row("map", [f"[{_strip(damage)}]  # differs"])
    for side in Side:
        for at, row in enumerate(one for one in bytes_of(damage) if one.side is side):
            name = f"{side.value} bytes" if not at else ""
            digits = " ".join(cell for cell, _ in row.cells)
            lines.append(Line(f"  {name:<{_NAME}} {row.offset:010x}  {digits:<47}  {row.text}"))
    return lines


def _strip(damage: Damage) -> str:
    """Draw a file from its beginning to its end: which parts of it differ, which were not compared or are not there."""
    size = max(damage.old_size, damage.new_size, 1)
    cells = ["." if (number + 1) * size <= damage.compared_bytes * STRIP else "-" for number in range(STRIP)]
    for offset, length in damage.ranges:
        first, last = offset * STRIP // size, (offset + length - 1) * STRIP // size
        cells[first : last + 1] = "#" * (last + 1 - first)
    return "".join(cells)
