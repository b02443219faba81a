"""Everything that a report says, computed once from an evidence folder and shared by every form of it."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from blake3 import blake3

from verifier.classes import STANDS_IN_THE_WAY, Cause, Class, Phase, Side, VerdictKind
from verifier.decisions.checklist import checklist
from verifier.decisions.covering import Covered, cover
from verifier.decisions.signoff import Point, SignOff, read_signoff
from verifier.errors import NotAManifest
from verifier.evidence import file_digest
from verifier.manifest.database import database_errors, named
from verifier.manifest.merge import roots_of
from verifier.reconcile.findings import ACCEPTED, Findings, Systematic, Tally
from verifier.reconcile.phase import MEANINGS
from verifier.reconcile.recopy import TO_COPY
from verifier.report.parts import NOTED, TO_DECIDE, Cell, Part, added, count_cells, parts_of
from verifier.report.words import CAUTIONS, problem_line
from verifier.tree.names import shown
from verifier.verdict import Verdict, judge_again

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

WHOLE_FOLDERS: Final = 200
"""Folders of one fate that are known by name, of each class."""
GRAVEST: Final = 6
"""How many findings are named at most where there is little room."""


@dataclass(frozen=True, slots=True)
class SideFacts:
    """One side, as its manifest and its account tell."""

    side: Side
    facts: Mapping[str, str]
    """The manifest's facts."""
    totals: Mapping[str, int]
    """The manifest's counts, by the names of `verifier.manifest.totals.Totals`."""
    account: Mapping[Class, Tally]
    problems: tuple[Mapping[str, Any], ...] = ()
    """Errors that were met, counted by kind: see `verifier.manifest.store.ProblemKind`."""

    @property
    def whereabouts(self) -> str:
        """Where the side lies, as it may be shown; of several roots how many they are, and their labels."""
        roots = roots_of(self.facts)
        if "" in roots:
            return shown(roots[""])
        return f"{len(roots)} roots: {', '.join(map(shown, roots))}"

    @property
    def complete(self) -> bool:
        """Whether the scan reached its end."""
        return self.facts.get("complete") == "1"

    @property
    def balanced(self) -> bool:
        """Whether the classes account for every entry and byte."""
        entries = sum(tally.entries for tally in self.account.values())
        size = sum(tally.bytes for tally in self.account.values())
        return entries == self.totals["entries"] and size == self.totals["bytes"]


@dataclass(frozen=True, slots=True)
class RuleUse:
    """What one rule did in this run."""

    name: str
    what: str
    maker: str
    action: str
    entries: int
    old_bytes: int
    new_bytes: int
    decision: bool
    """Whether somebody has to decide by name about what it set aside."""


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder that has one fate as a whole."""

    cls: Class
    path: str
    """As it may be shown."""
    tally: Tally


@dataclass(frozen=True, slots=True)
class Named:
    """One of the gravest findings, or a folder of them."""

    what: str
    """Its cause, else its class."""
    path: str
    """As it may be shown."""
    entries: int = 0
    """Of a folder that has this fate as a whole, how many are in it."""


@dataclass(frozen=True, slots=True)
class ReportContext:
    """Everything that a report says."""

    evidence: Path
    report_id: str
    """Beginning of the findings file's BLAKE3, or of a digest over that and all exceptions: tells reports apart."""
    verdict: Verdict
    sides: Mapping[Side, SideFacts]
    classes: Mapping[Class, Tally]
    """Findings by class; identical pairs included."""
    causes: Mapping[str, int]
    parts: tuple[Part, ...]
    """Open findings by class and weight, heaviest first."""
    gravest: tuple[Named, ...]
    """What must be known by name, one of each kind before a second of any."""
    decisions: Mapping[str, Tally]
    """What each rule set aside that somebody has to decide about by name, and nobody has."""
    aside: Tally
    """What rules set aside about which nobody has to decide."""
    accepted: tuple[Covered, ...]
    """All exceptions on record."""
    accepted_findings: Tally
    """What they cover."""
    signoff: SignOff | None
    """Who signed, if somebody did."""
    run: Mapping[str, Any]
    """What the run was told and when: see `verifier.check`."""
    rules: tuple[RuleUse, ...]
    folders: tuple[Folder, ...]
    field_counts: tuple[tuple[str, int], ...]
    """Combinations of differing metadata fields, most frequent first."""
    systematic: tuple[Systematic, ...]
    """Differences that are one fact each."""
    to_copy: Tally
    """What is still to be copied again (`verifier.reconcile.recopy`)."""
    cautions: tuple[str, ...] = field(default=CAUTIONS)

    @property
    def phase(self) -> str:
        """How far the migration is, and what that means, in words; empty for a check by itself."""
        known = self.run.get("phase")
        if known is None:
            return ""
        stands_in = ", which stands as the old side here" if known == Phase.RETIRED else ""
        return f"{known}: {MEANINGS[Phase(known)]}{stands_in}"

    @property
    def exit_code(self) -> int:
        """The process's exit code."""
        return self.verdict.exit_code

    @property
    def checklist(self) -> tuple[Point, ...]:
        """What is asked before anything is wiped: as it was when somebody signed, else what is known without it."""
        return self.signoff.checklist if self.signoff else checklist(self)


def build_context(
    evidence: Path, findings: Findings, signing: SignOff | None = None, as_of: datetime | None = None
) -> ReportContext:
    """Compute everything that a report says from an open findings file.

    Args:
        evidence: The folder it lies in.
        findings: The findings, with the run's facts; what exceptions cover is marked in them.
        signing: A sign-off that is being made; None takes the folder's own.
        as_of: When exceptions have to be in force, aware. None takes the moment of the sign-off, else that of the check
            or of the last decision about an exception: the same evidence gives the same context.

    Raises:
        NotAManifest: If the run's facts are not in it.
        ManifestDamaged: If exceptions or the sign-off are not what was written.
    """
    try:
        run = json.loads(findings.facts()["run"])
    except (KeyError, ValueError) as error:
        raise NotAManifest(
            f"{named(findings.path)} does not hold a finished check", "name a folder that `verifier check` wrote"
        ) from error
    signoff = signing or read_signoff(evidence)
    told = datetime.fromisoformat(signoff.at if signoff else run["finished"])
    accepted = cover(findings, evidence, as_of or told, or_later=as_of is None and signoff is None)
    sides = {
        side: SideFacts(
            side,
            run["sides"][side]["facts"],
            run["sides"][side]["totals"],
            findings.account(side),
            tuple(run["sides"][side]["problems"]),
        )
        for side in Side
    }
    with database_errors(findings.path):
        cells = count_cells(findings)
        folders = _folders(findings)
        uses = rule_uses(findings, run["rules"]["rules"])
        parts = parts_of(findings, cells, run["rules"]["policy"])
        gravest = _gravest(findings, cells, folders)
        to_decide = findings.tallies("rule", TO_DECIDE)
    return ReportContext(
        evidence,
        _report_id(findings, accepted),
        _verdict(findings, run, accepted),
        sides,
        _by_class(cells) | {Class.IDENTICAL: sides[Side.OLD].account[Class.IDENTICAL]},
        _by_cause(cells),
        parts,
        gravest,
        {use.name: to_decide[use.name] for use in uses if use.name in to_decide},
        added(c for c in cells if c.cls is Class.CLUTTER and c.severity in NOTED and not c.decision and not c.accepted),
        accepted,
        added(c for c in cells if c.accepted),
        signoff,
        run,
        uses,
        folders,
        tuple((row[0], int(row[1])) for row in findings.counts("fields") if row[0]),
        tuple(findings.systematic()),
        findings.tally(TO_COPY),
    )


def _report_id(findings: Findings, accepted: Sequence[Covered]) -> str:
    """Return the beginning of the findings file's BLAKE3; with exceptions, of a digest over it and all of them."""
    whole = file_digest(findings.path).digest()
    if accepted:
        record = json.dumps([asdict(one) for one in accepted], sort_keys=True)
        whole = blake3(whole + record.encode(errors="surrogatepass")).digest()
    return whole[:8].hex()


def _verdict(findings: Findings, run: Mapping[str, Any], accepted: Sequence[Covered]) -> Verdict:
    """Return the verdict as it was judged, or judge anew where exceptions cover something."""
    if not any(one.now.entries for one in accepted):
        return Verdict(VerdictKind(run["verdict"]["kind"]), tuple(run["verdict"]["reasons"]))
    return judge_again(findings, run)


def _by_class(cells: Sequence[Cell]) -> dict[Class, Tally]:
    return {cls: added(cell for cell in cells if cell.cls is cls) for cls in Class}


def _by_cause(cells: Sequence[Cell]) -> dict[str, int]:
    counts = {cause.value: added(c for c in cells if c.cause == cause).entries for cause in Cause}
    return {cause: number for cause, number in counts.items() if number}


_UNSEEN_CAUSES: Final = (Cause.SILENT, Cause.ZERO_FILLED, Cause.TRUNCATED, Cause.EMPTY, Cause.NOT_REPEATED)
_GRAVITY: Final[tuple[tuple[Class, Cause | None], ...]] = (
    *((Class.CONTENT_CHANGED, cause) for cause in _UNSEEN_CAUSES),
    (Class.MISSING, None),
    *((Class.CONTENT_CHANGED, cause) for cause in (Cause.OTHER, Cause.STALE, Cause.NEWER)),
    (Class.KIND_CHANGED, None),
    (Class.UNREADABLE, None),
    (Class.UNSETTLED, None),
)
"""What comes first: damage, because it cannot be seen from outside."""


def _gravest(findings: Findings, cells: Sequence[Cell], folders: Sequence[Folder]) -> tuple[Named, ...]:
    """Name the gravest open findings, a few."""
    there = {(c.cls, c.cause) for c in cells if c.severity in STANDS_IN_THE_WAY and not c.accepted}
    queues = [
        _grave(findings, folders, cls, cause)
        for cls, cause in _GRAVITY
        if any(one is cls and cause in (None, its) for one, its in there)
    ]
    found: list[Named] = []
    # One of each kind before a second of any, so that a flood of one does not hide the others.
    while any(queues) and len(found) < GRAVEST:
        found += [queue.pop(0) for queue in queues if queue]
    return tuple(found[:GRAVEST])


def _grave(findings: Findings, folders: Sequence[Folder], cls: Class, cause: Cause | None) -> list[Named]:
    """Return the first findings of a kind, whole folders before single entries."""
    name = cause or cls
    whole = [Named(name, f.path, f.tally.entries) for f in folders if f.cls is cls and cause is None]
    where = f"""
        "class" = ? AND severity IN (?, ?) AND cause IS ? AND NOT {ACCEPTED} AND (
            group_path IS NULL OR group_path NOT IN (
                SELECT group_path FROM findings WHERE "class" = ? AND group_path IS NOT NULL AND NOT {ACCEPTED}
                GROUP BY group_path HAVING count(*) > 1))
    """  # noqa: S608
    alone = findings.stream(where, (cls.value, *STANDS_IN_THE_WAY, cause, cls.value), GRAVEST)
    return [*whole, *(Named(name, shown(f.old_path or f.new_path or "")) for f in alone)]


def rule_uses(findings: Findings, known: Mapping[str, Mapping[str, Any]]) -> tuple[RuleUse, ...]:
    """Return what each rule set aside, the most bytes first; `known` is the run's own list of rules."""
    rows = findings.connection.execute(
        """
        SELECT rule, count(*), coalesce(sum(CASE WHEN old_kind = 'file' THEN old_size END), 0),
               coalesce(sum(CASE WHEN new_kind = 'file' THEN new_size END), 0), max(decision)
        FROM findings WHERE "class" = 'clutter' GROUP BY rule
        """
    ).fetchall()
    uses = [
        RuleUse(
            name,
            known[name]["what"],
            known[name]["maker"],
            known[name]["action"],
            entries,
            old_bytes,
            new_bytes,
            bool(decision),
        )
        for name, entries, old_bytes, new_bytes, decision in rows
    ]
    return tuple(sorted(uses, key=lambda use: (-use.old_bytes, -use.new_bytes, -use.entries, use.name)))


def _folders(findings: Findings) -> tuple[Folder, ...]:
    """Return the largest whole folders of each class, largest first."""
    rows = findings.connection.execute(
        f"""
        SELECT * FROM (
            SELECT *, row_number() OVER (PARTITION BY "class" ORDER BY bytes DESC, entries DESC, group_path) AS turn
            FROM (
                SELECT "class", group_path, count(*) AS entries,
                       sum(coalesce(old_kind, new_kind) = 'file') AS files,
                       coalesce(sum(CASE WHEN coalesce(old_kind, new_kind) = 'file'
                                         THEN coalesce(old_size, new_size) END), 0) AS bytes
                FROM findings WHERE group_path IS NOT NULL AND NOT {ACCEPTED}
                GROUP BY "class", group_path HAVING count(*) > 1
            )
        ) WHERE turn <= ? ORDER BY bytes DESC, entries DESC, group_path
        """,  # noqa: S608
        (WHOLE_FOLDERS,),
    )
    return tuple(Folder(Class(row[0]), shown(row[1]), Tally(*row[2:5])) for row in rows)


def problem_lines(context: ReportContext) -> list[str]:
    """Return a line for each kind of error that was met on either side: what, how often, where, what to do."""
    return [f"{side.side}: {problem_line(**problem)}" for side in context.sides.values() for problem in side.problems]
