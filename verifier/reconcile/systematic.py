"""Differences that are one fact: a clock that was an hour off, an owner with another number, names decomposed.

Each becomes one line with its count, its bytes, examples and its exceptions; every entry keeps its own finding. Never
for content: a shift of all times excuses no byte, it only tells that two times an hour apart are one time.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from functools import reduce
from typing import TYPE_CHECKING, Final

from verifier.classes import Field
from verifier.reconcile.findings import Systematic, Tally
from verifier.reconcile.metadata import QUARTER_NS, duration

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Mapping

    from verifier.reconcile.compared import Comparison, Names
    from verifier.reconcile.findings import Finding, Findings

LEAST: Final = 10
"""Fewer entries are listed one by one; common practice, no source."""
SHARE: Final = 0.5
"""A systematic difference has at least so much of what differs in its field; common practice, no source."""
SHIFT_SHARE: Final = 0.1
"""Summer and winter may be shifted differently: shifts count that each have so much, and together `SHARE`."""
KEPT_SHARE: Final = 0.9
"""Where so many files of one content have other times, times were not kept; common practice, no source."""
MOST_COMBINATIONS: Final = 10_000
"""Combinations of marks that are counted; what is systematic is among the frequent ones."""
EXAMPLES: Final = 3
NAME: Final = "name"


def shifts_ns(connection: sqlite3.Connection, comparison: Comparison) -> tuple[int, ...]:
    """Return what was added to the times of most files whose time differs, most frequent first.

    Multiples of 900 s, of files at their place whose content is the same (``apart``).
    """
    tolerance = comparison.tolerance_ns
    # Where times are not compared, what differs in nothing else was not set apart.
    source = "apart" if Field.MTIME in comparison.fields else _EVERY_PAIR
    quarters = f"CAST(round(delta_ns / {float(QUARTER_NS)}) AS INTEGER)"
    connection.execute(
        f"""
        CREATE TEMP TABLE shifts AS
        SELECT CASE WHEN delta_ns - {quarters} * {QUARTER_NS} BETWEEN -{tolerance} AND {tolerance}
                    THEN {quarters} ELSE 0 END AS quarters, count(*) AS number
        FROM {source} WHERE kind = 'file' AND delta_ns NOT BETWEEN -{tolerance} AND {tolerance} GROUP BY 1
        """  # noqa: S608
    )
    (total,) = connection.execute("SELECT coalesce(sum(number), 0) FROM shifts").fetchone()
    found = connection.execute(
        "SELECT quarters, number FROM shifts WHERE quarters <> 0 AND number >= ?"
        " ORDER BY number DESC, quarters LIMIT 10",
        (max(LEAST, total * SHIFT_SHARE),),
    ).fetchall()
    if sum(number for _, number in found) < total * SHARE:
        return ()
    return tuple(quarters * QUARTER_NS for quarters, _ in found)


_EVERY_PAIR: Final = """
(SELECT n.kind AS kind, n.mtime_ns - o.mtime_ns AS delta_ns
 FROM new.entries AS n JOIN placed AS o ON o.place = n.path WHERE n.digest = o.digest)
"""


@dataclass(slots=True)
class Marks:
    """Counts findings by their marks while they are written."""

    combinations: dict[str, Tally] = field(default_factory=dict)
    single: dict[str, Tally] = field(default_factory=dict)
    """What each mark came to."""
    totals: Counter[str] = field(default_factory=Counter)
    """Findings that differ in each respect: a field, or `NAME`."""

    def note(self, finding: Finding) -> None:
        """Count one finding."""
        marks = finding.marks
        if marks is None:
            return
        self.totals.update({mark.partition(" ")[0] for mark in marks.split("\n")})
        one = Tally.of(finding.old_kind or finding.new_kind, finding.old_size)
        _count(self.combinations, marks, one)
        for mark in marks.split("\n"):
            _count(self.single, mark, one)


def _count(tallies: dict[str, Tally], name: str, one: Tally) -> None:
    """Count a finding under a name; makes room for it, because what is systematic is among the frequent ones."""
    if name not in tallies and len(tallies) >= MOST_COMBINATIONS:
        for rare, _ in sorted(tallies.items(), key=lambda item: item[1].entries)[: MOST_COMBINATIONS // 2]:
            del tallies[rare]
    tallies[name] = tallies.get(name, Tally()).plus(one)


@dataclass(frozen=True, slots=True)
class _Fact:
    """A systematic difference, before its examples are known."""

    kind: str
    text: str
    marks: frozenset[str]
    of_field: int
    """Entries that differ in what the fact is about, whether in its way or not."""
    note: str = ""


def write_systematic(store: Findings, marks: Marks, comparison: Comparison, identical_files: int) -> None:
    """Find the systematic differences among the findings, and write them beside them.

    Args:
        store: All findings.
        marks: Their marks, counted.
        comparison: What was compared.
        identical_files: How many files differ in nothing.
    """
    by_mark = marks.single
    facts = [
        *_shifted(by_mark, marks.totals[Field.MTIME], identical_files),
        *_owners(by_mark, Field.OWNER, comparison.owners),
        *_owners(by_mark, Field.GROUP, comparison.groups),
        *_modes(by_mark),
        *_alike(by_mark, marks.totals),
        *_links(store.connection, by_mark),
    ]
    accepted = {mark: number for number, fact in enumerate(facts, 1) for mark in fact.marks}
    store.set_systematic(
        [*(_whole(store, marks, by_mark, fact) for fact in facts), *_folder_times(store.connection)],
        [(text, [accepted.get(mark) for mark in text.split("\n")]) for text in marks.combinations],
    )


def _whole(store: Findings, marks: Marks, by_mark: Mapping[str, Tally], fact: _Fact) -> Systematic:
    total = reduce(Tally.plus, (by_mark[mark] for mark in fact.marks))
    frequent = max(
        (text for text in marks.combinations if not fact.marks.isdisjoint(text.split("\n"))),
        key=lambda text: marks.combinations[text].entries,
        default=None,  # where no two entries that have the mark are alike otherwise, room was needed for others
    )
    examples = store.connection.execute(
        "SELECT coalesce(old_path, new_path) FROM findings WHERE marks = ? ORDER BY id LIMIT ?", (frequent, EXAMPLES)
    ).fetchall()
    paths = tuple(path for (path,) in examples)
    return Systematic(fact.kind, fact.text, total, max(0, fact.of_field - total.entries), paths, fact.note)


def _of(by_mark: Mapping[str, Tally], name: str) -> dict[str, int]:
    """Return the entries of each mark of a field, the field's name alone included."""
    return {mark: found.entries for mark, found in by_mark.items() if mark == name or mark.startswith(f"{name} ")}


def _shifted(by_mark: Mapping[str, Tally], total: int, identical_files: int) -> Iterator[_Fact]:
    """Find shifts by the same measure as `shifts_ns`, files at other places included; or that no time was kept."""
    of_field = _of(by_mark, Field.MTIME)
    least = max(LEAST, total * SHIFT_SHARE)
    found = {mark: entries for mark, entries in of_field.items() if mark != Field.MTIME and entries >= least}
    if sum(found.values()) >= max(1, total * SHARE):
        others = total - sum(found.values())
        for mark, entries in sorted(found.items(), key=lambda one: (-one[1], one[0])):
            seconds = int(mark.split(" ")[1])
            text = f"times of files are {duration(seconds * 10**9)} on the new side"
            # What is no shift at all is an exception to each of them.
            yield _Fact("shifted-times", text, frozenset({mark}), entries + others)
    elif total >= max(LEAST, (total + identical_files) * KEPT_SHARE):
        text = "times of files are others on the new side: they were not kept"
        yield _Fact("times-not-kept", text, frozenset(of_field), total)


def _owners(by_mark: Mapping[str, Tally], which: Field, names: Names) -> Iterator[_Fact]:
    by_old: dict[int, Counter[int]] = defaultdict(Counter)
    for mark, entries in _of(by_mark, which).items():
        old, new = map(int, mark.split(" ")[1:])
        by_old[old][new] += entries
    for old, became in sorted(by_old.items()):
        ((new, entries),) = became.most_common(1)
        total = became.total()
        if entries >= LEAST and entries >= total * SHARE:
            text = f"{which} {names.told(old, new)}"
            yield _Fact(f"mapped-{which}", text, frozenset({f"{which} {old} {new}"}), total)


def _modes(by_mark: Mapping[str, Tally]) -> Iterator[_Fact]:
    """Find, for files and for folders, bits that were set or cleared everywhere."""
    by_kind: dict[str, Counter[tuple[int, int]]] = defaultdict(Counter)
    for mark, entries in _of(by_mark, Field.MODE).items():
        _, kind, old, new = mark.split(" ")
        by_kind[kind][int(old, 8), int(new, 8)] += entries
    for kind, pairs in sorted(by_kind.items()):
        total = pairs.total()
        cleared, added = _mask(pairs)
        fitting = {pair: entries for pair, entries in pairs.items() if (pair[0] & ~cleared) | added == pair[1]}
        if sum(fitting.values()) >= max(LEAST, total * SHARE):
            what = [f"{word} {bits:04o}" for word, bits in (("without", cleared), ("with", added)) if bits]
            noun = {"file": "files", "directory": "folders"}.get(kind, f"entries of kind {kind}")
            marks = frozenset(f"{Field.MODE} {kind} {old:04o} {new:04o}" for old, new in fitting)
            yield _Fact("mode-mask", f"modes of {noun} are {' and '.join(what)} on the new side", marks, total)


def _mask(pairs: Counter[tuple[int, int]]) -> tuple[int, int]:
    """Return the bits that were mostly cleared, and those that were mostly set, where they could be."""
    cleared = added = 0
    for bit in (1 << place for place in range(12)):
        was_set = Counter[bool]()
        was_clear = Counter[bool]()
        for (old, new), entries in pairs.items():
            (was_set if old & bit else was_clear)[bool(new & bit)] += entries
        if was_set[False] > was_set[True]:
            cleared |= bit
        if was_clear[True] > was_clear[False]:
            added |= bit
    return cleared, added


def _alike(by_mark: Mapping[str, Tally], totals: Mapping[str, int]) -> Iterator[_Fact]:
    """Find names altered in one way, attributes that all lost, folders' times where they are compared."""
    for name, kind, said in (
        (NAME, "altered-names", "names differ in"),
        (Field.ACL, "attributes", "access control lists:"),
        (Field.XATTRS, "attributes", "extended attributes:"),
        (Field.STREAMS, "attributes", "alternate streams:"),
        (Field.DIRECTORY_MTIME, "folder-times", "times of folders:"),
    ):
        for mark, entries in _of(by_mark, name).items():
            way = mark.removeprefix(name).strip()
            # Values that changed are content: their mark says nothing more than the field, and each is told by itself.
            if name == Field.DIRECTORY_MTIME:
                way = way or "others on the new side"
            if way and entries >= max(LEAST, totals[name] * SHARE):
                yield _Fact(kind, f"{said} {way}", frozenset({mark}), totals[name])


def _links(connection: sqlite3.Connection, by_mark: Mapping[str, Tally]) -> Iterator[_Fact]:
    for name, ways in (
        (Field.HARD_LINKS, {"split": "names no longer share an inode", "joined": "names share an inode now"}),
        (Field.SPARSE, {"filled": "holes of files were filled", "hollow": "files have holes now"}),
    ):
        for way, text in ways.items():
            mark = f"{name} {way}"
            if mark in by_mark and by_mark[mark].entries >= LEAST:
                entries = by_mark[mark].entries
                note = _growth(connection, way) if name is Field.HARD_LINKS else ""
                yield _Fact(name.value, text, frozenset({mark}), entries, note)


def _growth(connection: sqlite3.Connection, way: str) -> str:
    (growth,) = connection.execute("SELECT sum(growth) FROM relinked WHERE how = ?", (way,)).fetchone()
    return f"{growth:,} bytes {'more' if way == 'split' else 'less'} are taken"


def _folder_times(connection: sqlite3.Connection) -> Iterator[Systematic]:
    """Count the folders that are identical but for their time, which is noted and not judged."""
    (number,) = connection.execute("SELECT count(*) FROM apart WHERE noted").fetchone()
    if number:
        examples = connection.execute("SELECT old_path FROM apart WHERE noted ORDER BY rowid LIMIT ?", (EXAMPLES,))
        paths = tuple(path for (path,) in examples)
        text, note = (
            "times of folders differ, and nothing else of them",
            "not judged: --compare directory-mtime judges it",
        )
        yield Systematic("folder-times", text, Tally(number), 0, paths, note)
