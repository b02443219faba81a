"""Which findings of a check its exceptions cover, and accepting more of them."""

from __future__ import annotations

from collections import Counter
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from verifier.classes import Cause
from verifier.decisions.exceptions import Acceptance, Exceptions, Wanted
from verifier.decisions.meaning import Meaning
from verifier.decisions.schema import OF_BOTH_SIDES, OF_FINDING, SAME
from verifier.errors import UsageProblem
from verifier.evidence import EXCEPTIONS_FILE, MANIFEST_FILES
from verifier.manifest.database import attach, database_errors, named
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import ACCEPTED, Findings, Tally
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

_ACCEPTABLE: Final = f"cause IS NOT '{Cause.NOT_REPEATED}'"
"""A reading that does not repeat makes every reading doubtful, and nobody can accept that for one file."""
SURVIVES: Final = ("its content is there as ", " copies arrived, one of them is ")
"""What the reason of a lost file says where its content is on the new side all the same
(`verifier.reconcile.classify`)."""


def _trouble(side: str) -> str:
    """Return SQL for why a side's content is not known, without what may vary; NULL where it is known."""
    kind = f"substr({side}.error, 1, instr({side}.error || ':', ':') - 1)"
    known = f"{side}.state IN ('proved', 'carried', 'contentless')"
    return f"CASE WHEN NOT {known} THEN {side}.state || ' ' || coalesce({kind}, '') END"


_OF_NAMES: Final = ("clutter", "missing", "kind-changed", "name-altered", "relocated", "extra")
"""Classes in which a folder's time says nothing: what was put into it since has findings of its own."""


def _time(side: str) -> str:
    """Return SQL for the time of a finding's entry, where that says anything."""
    classes = ", ".join(f"'{cls}'" for cls in _OF_NAMES)
    return f"CASE WHEN f.{side}_kind <> 'directory' OR f.class NOT IN ({classes}) THEN f.{side}_mtime_ns END"


_IN_ATTRIBUTES: Final = " OR ".join(f"instr(f.fields, '{field}')" for field in ("acl", "xattrs", "streams"))
_SOURCES: Final[Mapping[str, str]] = {
    **{name: f'f."{name}"' for name in SAME},
    **{f"{side}_mtime_ns": _time(side) for side in ("old", "new")},
    "survives": " OR ".join(f"instr(f.reason, '{words}') > 0" for words in SURVIVES),
    **{f"{side}_{what}": f"{side[0]}.{what}" for what in ("digest", "target") for side in ("old", "new")},
    # What changed in attributes is told by name: that the value changed again only the attributes themselves show.
    **{f"{side}_xattrs": f"CASE WHEN {_IN_ATTRIBUTES} THEN {side[0]}.xattrs END" for side in ("old", "new")},
    **{f"{side}_trouble": _trouble(side[0]) for side in ("old", "new")},
}
"""Where the columns of the record come from: a finding, and what both sides' manifests say."""
_RELATION: Final = {"survives": "<="}
"""How the record's column stands to what it is now, where that need not be the same: a copy may have come to light."""
_BOTH_SIDES: Final = """
LEFT JOIN old_side.entries o ON o.path = f.old_path LEFT JOIN new_side.entries n ON n.path = f.new_path
"""


_EXCEPTION: Final = "(SELECT exception FROM temp.accepted WHERE finding = id)"


@dataclass(frozen=True, slots=True)
class Covered:
    """An exception, and what it covers in a check's findings."""

    acceptance: Acceptance
    holds: bool
    """Whether it was in force at the moment that was asked for."""
    now: Tally
    """Of the findings; nothing where it does not hold."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What a pattern and a class select in a check's findings."""

    kinds: Mapping[str, int]
    """What is accepted, by the kind of the entry."""
    causes: Mapping[str, int]
    """The same by cause, where there is one."""
    covered: int
    """Findings that other exceptions cover already,"""
    not_repeated: int
    """and findings that cannot be accepted, because another reading showed something else."""


def cover(findings: Findings, evidence: Path, as_of: datetime, *, or_later: bool = False) -> tuple[Covered, ...]:
    """Mark in open findings what the evidence folder's exceptions cover, and say what each of them does.

    Args:
        findings: Of this evidence folder; `verifier.reconcile.findings.ACCEPTED` then tells what is covered.
        evidence: The folder, with the manifests of both sides.
        as_of: The moment at which an exception has to hold; aware.
        or_later: Take the moment at which the last exception was accepted or withdrawn, where that is later.

    Raises:
        NotAManifest: If the record is something else.
        ManifestDamaged: If the record, or a manifest, is not what was written.
    """
    path = evidence / EXCEPTIONS_FILE
    if not path.exists():
        return ()
    with Exceptions.open(path) as store:
        known = store.all()
    if or_later:
        as_of = max([as_of, *(one.decided_at for one in known)])
    holding = [one for one in known if one.in_force(as_of)]
    mark(findings, evidence, holding)
    tallies = findings.tallies(_EXCEPTION, ACCEPTED)
    numbers = {one.number for one in holding}
    return tuple(Covered(one, one.number in numbers, tallies.get(one.number, Tally())) for one in known)


def mark(findings: Findings, evidence: Path, holding: Sequence[Acceptance]) -> None:
    """Mark in open findings what some exceptions of an evidence folder cover.

    Args:
        findings: Made of the manifests in this folder.
        evidence: The folder.
        holding: The exceptions. One covers nothing that its own class and pattern do not mean, whatever its rows say.
    """
    findings.nothing_accepted()
    if not holding:
        return
    classes = {one.number: one.cls for one in holding}
    meanings = {one.number: Meaning(one.pattern) for one in holding}

    def means(number: int, cls: str, *places: str | None) -> bool:
        meaning = meanings[number]
        return cls == classes[number] and (meaning.means(*places[:2]) or meaning.means(*places[2:]))

    of_finding, of_both_sides = (
        " AND ".join(f'c."{name}" {_RELATION.get(name, "IS")} ({_SOURCES[name]})' for name in names)
        for names in (OF_FINDING, OF_BOTH_SIDES)
    )
    numbers = ", ".join(map(str, classes))
    with _beside(findings, evidence, exceptions=evidence / EXCEPTIONS_FILE):
        findings.connection.create_function("means", 6, means)
        # From the findings to the record, which has an index over the paths.
        findings.connection.execute(
            f"""
            INSERT OR IGNORE INTO temp.accepted
            SELECT f.id, c.exception FROM main.findings f CROSS JOIN exceptions.covered c ON {of_finding} {_BOTH_SIDES}
            WHERE c.exception IN ({numbers}) AND f.{_ACCEPTABLE} AND {of_both_sides}
            AND means(c.exception, f.class, f.old_path, f.old_kind, f.new_path, f.new_kind) ORDER BY c.exception
            """  # noqa: S608
        )


def ended_since(accepted: Iterable[Covered], now: datetime) -> list[str]:
    """Return a line for each exception that held at the moment that was asked for and has ended since.

    Args:
        accepted: What `cover` said.
        now: A later moment, aware.
    """
    return [
        f"exception {one.acceptance.number} ended on {one.acceptance.until}: a sign-off will not count it"
        for one in accepted
        if one.holds and not one.acceptance.in_force(now)
    ]


@contextmanager
def _beside(findings: Findings, evidence: Path, **more: Path) -> Iterator[None]:
    """Attach the manifests of an evidence folder, and more, to open findings, and let temporary tables be written."""
    manifests = {side: evidence / name for side, name in MANIFEST_FILES.items()}
    for path in manifests.values():
        Manifest.open(path).close()  # refuses what is none
    files = {f"{side}_side": path for side, path in manifests.items()} | more
    connection = findings.connection
    with database_errors(findings.path):
        for name, path in files.items():
            attach(connection, name, path)
        connection.execute("PRAGMA query_only = OFF")
    try:
        with database_errors(findings.path):
            yield
    finally:
        connection.execute("PRAGMA query_only = ON")
        for name in files:
            connection.execute(f"DETACH DATABASE {name}")


def accept(evidence: Path, findings: Findings, wanted: Wanted) -> tuple[Acceptance, Choice]:
    """Record an exception that covers what a pattern and a class select now and no other exception covers.

    Args:
        evidence: The folder; whoever calls holds it.
        findings: Its findings, with what is accepted marked (`cover`).
        wanted: The exception.

    Raises:
        UsageProblem: If the pattern has no meaning, or nothing is selected.
        EvidenceUnwritable: If the record cannot be written.
    """
    meaning = Meaning(wanted.pattern)
    with _beside(findings, evidence):
        choice = _choose(findings, wanted, meaning)
        if not choice.kinds:
            raise UsageProblem(*_nothing(evidence, wanted, choice))
        names = ", ".join(_SOURCES[name] for name in SAME)
        rows = f"""
            SELECT {names} FROM temp.chosen CROSS JOIN main.findings f ON f.id = finding {_BOTH_SIDES}
            WHERE NOT left_out ORDER BY f.id
        """  # noqa: S608
        # Closed, or a failure in between would leave what is attached in use.
        with closing(_stream(findings, rows)) as found, Exceptions.change(evidence / EXCEPTIONS_FILE) as store:
            recorded = store.record(wanted, found)
    return recorded, choice


def _stream(findings: Findings, query: str) -> Generator[tuple[object, ...], None, None]:
    with database_errors(findings.path):  # what is damaged there is not the record's fault
        yield from findings.connection.execute(query)


_COVERED: Final = 1
_NOT_REPEATED: Final = 2


def _choose(findings: Findings, wanted: Wanted, meaning: Meaning) -> Choice:
    """Note the findings that are asked for in a temporary table, and why some of them are left out."""
    connection = findings.connection
    connection.execute("DROP TABLE IF EXISTS temp.chosen")
    connection.execute("CREATE TEMP TABLE chosen (finding INTEGER PRIMARY KEY, left_out INTEGER NOT NULL)")
    left_out = f"CASE WHEN NOT {_ACCEPTABLE} THEN {_NOT_REPEATED} WHEN {ACCEPTED} THEN {_COVERED} ELSE 0 END"
    query = f"SELECT id, {left_out}, old_path, old_kind, new_path, new_kind FROM findings WHERE class = ? ORDER BY id"  # noqa: S608
    with closing(connection.execute(query, (wanted.cls.value,))) as rows:
        chosen = ((row[0], row[1]) for row in rows if meaning.means(*row[2:4]) or meaning.means(*row[4:6]))
        connection.executemany("INSERT INTO chosen VALUES (?, ?)", chosen)
    kinds: Counter[str] = Counter()
    causes: Counter[str] = Counter()
    without: Counter[int] = Counter()
    for why, kind, cause, number in connection.execute(
        """
        SELECT left_out, coalesce(old_kind, new_kind), cause, count(*)
        FROM temp.chosen CROSS JOIN findings ON id = finding GROUP BY 1, 2, 3
        """
    ):
        without[why] += number
        if not why:
            kinds[kind] += number
            causes.update({} if cause is None else {cause: number})
    return Choice(kinds, causes, without[_COVERED], without[_NOT_REPEATED])


def _nothing(evidence: Path, wanted: Wanted, choice: Choice) -> tuple[str, str]:
    """Say that nothing is left to accept, and what to do."""
    what = f"nothing open of class {wanted.cls} matches {shown(wanted.pattern)}"
    if choice.not_repeated:
        return (
            f"{what} but {choice.not_repeated:,} that did not repeat",
            "such a reading cannot be accepted: check again",
        )
    if choice.covered:
        return f"{what}, and {choice.covered:,} accepted already", f"see `verifier accept {named(evidence)}`"
    return what, f"differences.csv in {named(evidence)} has every path and class"
