"""Reconciling two manifests: the order of the steps, and the findings they write."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import islice
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.classes import Class, Side
from verifier.errors import AlgorithmMismatch
from verifier.manifest.database import database_errors, named
from verifier.manifest.store import Manifest
from verifier.reconcile import align, pair
from verifier.reconcile.account import settle
from verifier.reconcile.arrival import NOT_HELD, attach_baseline, note_arrivals, since_arrival
from verifier.reconcile.classify import NO_HISTORY, Bench, Elsewhere, History, Judgement, decayed, not_known
from verifier.reconcile.compared import Comparison
from verifier.reconcile.decay import any_decays, confirm, decay_of, note_decays, set_decays_apart
from verifier.reconcile.findings import Finding, Findings, Tally
from verifier.reconcile.group import group_folders
from verifier.reconcile.look import ManifestLook
from verifier.reconcile.metadata import Difference
from verifier.reconcile.options import check_fields, check_maps, place_of
from verifier.reconcile.steps import cut_step_ns
from verifier.reconcile.surroundings import ManifestSurroundings, candidate_of
from verifier.reconcile.survey import Survey
from verifier.reconcile.systematic import NAME, Marks, shifts_ns, write_systematic
from verifier.rules.guards import Candidate
from verifier.rules.matcher import Claim, Matcher
from verifier.tree.digests import Algorithm
from verifier.tree.entry import Entry, Kind
from verifier.tree.names import StandIns, alteration, comparison_form, inside, parent_of, shown

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from verifier.reconcile.look import Look
    from verifier.reconcile.options import ReconcileOptions

_PAGE: Final = 2000


@dataclass(frozen=True, slots=True)
class Reconciled:
    """What a reconciliation came to; the findings themselves are in the file."""

    findings: Path
    accounts: Mapping[Side, Mapping[Class, Tally]]
    comparison: Comparison


def reconcile(old: Path, new: Path, findings: Path, options: ReconcileOptions) -> Reconciled:
    """Reconcile two manifests into a findings file.

    Args:
        old: The old side's manifest.
        new: The new side's.
        findings: Where the findings go; must be free.
        options: Rules, maps, gates, and who looks again at what differs.

    Raises:
        UsageProblem: If a file is not a manifest, or the two cannot be compared.
        ManifestDamaged: If a manifest is not what was written.
        AccountUnbalanced: If entries were lost on the way: a defect of this program.
    """
    check_maps(options.maps)
    check_fields(options.compare, options.ignore)
    with Manifest.open(old) as manifest_old, Manifest.open(new) as manifest_new:
        facts = {Side.OLD: manifest_old.facts(), Side.NEW: manifest_new.facts()}
    _check_comparable(old, new, facts)
    comparison = Comparison.between(
        facts[Side.OLD],
        facts[Side.NEW],
        options.compare,
        options.ignore,
        options.rules.tolerance.mtime_ns,
    )
    with Findings.create(findings) as store, database_errors(findings):
        align.attach(store.connection, old, new)
        algorithm = Algorithm(facts[Side.OLD]["algorithm"])
        look = options.look or ManifestLook(algorithm)
        with Survey(old, new, unmet=not options.maps) as survey:
            run = _Run(store, options, comparison, Matcher(options.rules), look, survey, facts)
            accounts = run.run()
        store.commit()
    return Reconciled(findings, accounts, run.comparison)


def _check_comparable(old: Path, new: Path, facts: Mapping[Side, Mapping[str, str]]) -> None:
    ours, theirs = facts[Side.OLD].get("algorithm", ""), facts[Side.NEW].get("algorithm", "")
    if ours != theirs:
        raise AlgorithmMismatch(
            f"{named(old)} was made with {ours}, {named(new)} with {theirs}",
            f"scan one side again with --algorithm {ours} or {theirs}, so that both agree",
        )
    if ours not in list(Algorithm):
        raise AlgorithmMismatch(f"{named(old)} was made with {ours!r}, which this program does not know", "scan again")


@dataclass(slots=True)
class _Run:
    """One reconciliation under way."""

    store: Findings
    options: ReconcileOptions
    comparison: Comparison
    matcher: Matcher
    look: Look
    survey: Survey
    facts: Mapping[Side, Mapping[str, str]]
    """Of both manifests."""
    bench: Bench = field(init=False)
    """Known once it is known what was done to all times."""
    marks: Marks = field(default_factory=Marks)
    decays: bool = False
    """Whether anything decayed."""
    identical: Tally = field(default_factory=Tally)
    """Pairs that counted as different at first, and are not."""

    @property
    def connection(self) -> sqlite3.Connection:
        return self.store.connection

    def run(self) -> Mapping[Side, Mapping[Class, Tally]]:
        connection = self.connection
        align.place_old(connection, self.options.maps)
        self._set_apart()
        self._note_decays()
        if self.options.baseline is not None:
            attach_baseline(connection, self.options.baseline)
        options, shifts = self.options, shifts_ns(connection, self.comparison)
        gates = (options.frozen_at_ns, options.live_since_ns)
        self.bench = Bench(self.comparison, options.rules.policy, *gates, shifts, options.phase)
        self._write(self._same_place())
        align.fill_left(connection, None if self.options.maps else self.survey.unmet())
        for side in Side:
            self._claim_left(side)
        form = pair.pair_left(connection, mapped=bool(self.options.maps))
        pair.note_copies(connection, None if self.options.maps else self.survey.survivors())
        if self.options.baseline is not None:
            note_arrivals(connection)
        self._mark_unseen(form)
        self._write(self._left_old())
        self._write(self._left_new())
        connection.execute("CREATE INDEX findings_by_path ON findings (coalesce(old_path, ''), coalesce(new_path, ''))")
        connection.execute('CREATE INDEX findings_by_class ON findings ("class", severity)')
        group_folders(self.store)
        held = {side: count.tally for side, count in self.survey.counts().items()}
        identical = align.identical_of(connection, held[Side.NEW]).plus(self.identical)
        write_systematic(self.store, self.marks, self.comparison, identical.files)
        return settle(self.store, identical, held)

    def _set_apart(self) -> None:
        """Set apart what differs; once more with a wider tolerance where the first time shows that times were cut."""
        align.set_apart(self.connection, self.comparison)
        step_ns = cut_step_ns(self.connection, self.comparison)
        if step_ns > self.comparison.tolerance_ns:
            self.comparison = replace(self.comparison, tolerance_ns=step_ns)
            align.undo_apart(self.connection)
            align.set_apart(self.connection, self.comparison)

    def _note_decays(self) -> None:
        """Find what decayed on a side since it was last read, and set it apart whatever the other side holds."""
        if self.options.past is None:
            return
        grains_ns = {side: int(self.facts[side].get("grain_ns") or 1) for side in Side}
        note_decays(self.connection, self.options.past, grains_ns)
        self.decays = any_decays(self.connection)
        if self.decays:
            confirm(self.connection, self.look)
            set_decays_apart(self.connection)

    def _history(self, old: Entry | None, new: Entry | None) -> History:
        """Return what is known from before of an entry, or of a pair."""
        decays = {}
        if self.decays:
            sides = ((Side.OLD, old), (Side.NEW, new))
            found = {side: decay_of(self.connection, side, entry.path) for side, entry in sides if entry is not None}
            decays = {side: decay for side, decay in found.items() if decay is not None}
        since = NOT_HELD
        if self.options.baseline is not None and old is not None and new is not None and new.kind == Kind.FILE:
            since = since_arrival(self.connection, old, new)
        return History(decays, since) if decays or any(since) else NO_HISTORY

    def _write(self, findings: Iterator[Finding]) -> None:
        while batch := list(islice(findings, _PAGE)):
            for finding in batch:
                self.marks.note(finding)
            self.store.add(batch)

    def _same_place(self) -> Iterator[Finding]:
        around = {side: ManifestSurroundings(self.connection, side) for side in Side}
        pairs = align.differing(self.connection)
        while page := list(islice(pairs, _PAGE)):
            claims = [self._claim_pair(old, new, around) for old, new, _ in page]
            wanted = [
                number
                for number, ((old, new, _), claim) in enumerate(zip(page, claims, strict=True))
                if self.bench.needs_look(old, new, claim)
            ]
            seen = dict(zip(wanted, self.look.at([page[number][:2] for number in wanted]), strict=True))
            for number, ((old, new, relinked), claim) in enumerate(zip(page, claims, strict=True)):
                history = self._history(old, new)
                judgement = self.bench.same_place(old, new, claim, seen.get(number), relinked, history)
                if judgement.cls is Class.IDENTICAL:
                    self.identical = self.identical.plus(Tally.of(old.kind, old.size))
                else:
                    yield self.bench.finding(judgement, old, new)

    def _claim_pair(self, old: Entry, new: Entry, around: Mapping[Side, ManifestSurroundings]) -> Claim | None:
        """Return the rules' word on a pair: a claim holds only where it holds for both sides."""
        ours = self.matcher.claim(candidate_of(old), around[Side.OLD])
        theirs = self.matcher.claim(candidate_of(new), around[Side.NEW])
        if ours is None or theirs is None:
            return None
        return next((claim for claim in (ours, theirs) if not claim.holds), ours)

    def _claim_left(self, side: Side) -> None:
        """Ask the rules about every entry that is left on one side."""
        around = ManifestSurroundings(self.connection, side)
        after = ""
        query = f"SELECT path, kind, size, head FROM left_{side} WHERE path > ? ORDER BY path LIMIT {_PAGE}"  # noqa: S608
        update = f"UPDATE left_{side} SET claimed = 1 WHERE path = ?"  # noqa: S608
        while page := self.connection.execute(query, (after,)).fetchall():
            after = page[-1][0]
            claims = ((row[0], self.matcher.claim(Candidate(*row), around)) for row in page)
            self.connection.executemany(update, [(path,) for path, claim in claims if claim and claim.sets_aside])

    def _mark_unseen(self, form: str) -> None:
        """Note for what is left below a folder that the other side could not list that its absence is not shown.

        The other side's folder may have an altered name, so it is looked for under its comparison form too.
        """
        scheme = StandIns.ADDED_CODE if form == "form_a" else StandIns.FIXED_LIST
        for side, other in ((Side.OLD, Side.NEW), (Side.NEW, Side.OLD)):
            for folder, reason in self._unlisted(other):
                if folder == "":
                    self.connection.execute(
                        f"UPDATE left_{side} SET unseen = ? WHERE unseen IS NULL",  # noqa: S608
                        (reason,),
                    )
                    continue
                place = place_of(folder, self.options.maps) if other is Side.OLD else folder
                for column, text in (("place", place), (form, comparison_form(place, scheme))):
                    self.connection.execute(
                        f"UPDATE left_{side} SET unseen = ?"  # noqa: S608
                        f" WHERE unseen IS NULL AND {column} > ? AND {column} < ?",
                        (reason, *inside(text)),
                    )

    def _unlisted(self, side: Side) -> Iterator[tuple[str, str]]:
        """Yield the folders of which a side cannot say what they hold, with the reason; the root is the empty text."""
        if self.facts[side].get("listed") != "1":
            yield "", "its listing did not reach the end"
        root = self.connection.execute(
            f"SELECT error FROM {side}.problems WHERE path = '' AND operation = 'list' LIMIT 1"  # noqa: S608
        ).fetchone()
        if root is not None:
            yield "", f"the root was not listed ({root[0]})"
        if self.survey.counts()[side].unlisted:
            rows = self.connection.execute(
                f"SELECT path, error FROM {side}.entries WHERE kind = 'directory' AND state <> 'contentless'"  # noqa: S608
            )
            for path, error in rows:
                yield path, f"{shown(path)} was not listed ({error})"

    def _left_old(self) -> Iterator[Finding]:
        around = ManifestSurroundings(self.connection, Side.OLD)
        for entry, left, partner in self._left(Side.OLD):
            if left.how is not None:
                yield self._paired(entry, partner, left)
                continue
            claim = self.matcher.claim(candidate_of(entry), around)
            arrived, copies = left.arrived or 0, left.copies or 0
            elsewhere = Elsewhere(left.unseen, left.twin, left.survives, arrived, copies, left.had_arrived)
            judgement = self.bench.only_old(entry, claim, elsewhere, self._history(entry, None))
            yield self.bench.finding(judgement, entry, None)

    def _left_new(self) -> Iterator[Finding]:
        around = ManifestSurroundings(self.connection, Side.NEW)
        for entry, left, _ in self._left(Side.NEW):
            claim = self.matcher.claim(candidate_of(entry), around)
            judgement = self.bench.only_new(entry, claim, left.unseen, self._history(None, entry))
            yield self.bench.finding(judgement, None, entry)

    def _left(self, side: Side) -> Iterator[tuple[Entry, _Left, Entry | None]]:
        """Yield what is left on a side, in path order, each pair once: with the old side's entry."""
        width = len(Entry._fields)
        columns = ", ".join(f"{one}.{column}" for one in "ep" for column in Entry._fields)
        fellow = "LEFT JOIN new.entries AS p ON p.path = l.partner"
        if side is Side.NEW:
            columns, fellow = ", ".join(f"e.{column}" for column in Entry._fields), "WHERE l.partner IS NULL"
        query = f"""
            SELECT {", ".join(f"l.{column}" for column in _LEFT)}, {columns}
            FROM left_{side} AS l CROSS JOIN {side}.entries AS e ON e.path = l.path {fellow} ORDER BY l.path
        """  # noqa: S608
        own, begin = len(_LEFT), len(_LEFT) + width
        for row in self.connection.execute(query):
            paired = Entry(*row[begin:]) if row[begin : begin + 1] not in ((), (None,)) else None
            yield Entry(*row[own:begin]), _Left(*row[:own]), paired

    def _paired(self, old: Entry, new: Entry | None, left: _Left) -> Finding:
        """Judge an entry that was found under another name or at another place."""
        if old.kind == Kind.DIRECTORY and (unknown := not_known(old, new or old)) is not None:
            return self.bench.finding(unknown, old, new)
        match left.how:
            case pair.ALTERED:
                assert new is not None
                judgement = self._altered(old, new, left.place or old.path)
            case pair.ALTERED_DAMAGED:
                assert new is not None
                (seen,) = self.look.at([(old, new)])
                way = alteration(left.place or old.path, new.path)
                seen = replace(seen, note="; ".join(part for part in (f"its name differs in {way}", seen.note) if part))
                judgement = self.bench.same_place(old, new, None, seen)
            case pair.RELOCATED:
                assert new is not None
                what = "what it held is there" if old.kind == Kind.DIRECTORY else "same content"
                judgement = Judgement(
                    Class.RELOCATED, f"{what}, at {shown(new.path)}", differs=self.bench.differs(old, new)
                )
            case pair.DISSOLVED:
                judgement = Judgement(Class.RELOCATED, "the folder is gone, and everything in it is at other places")
            case _:
                assert new is not None
                reason = f"{shown(new.path)} could be it by name and size, but not both were read"
                judgement = Judgement(Class.UNPROVEN, reason)
        if (history := self._history(old, new)).decays:
            judgement = decayed(judgement, history, None)
        return self.bench.finding(judgement, old, new)

    def _altered(self, old: Entry, new: Entry, place: str) -> Judgement:
        own_name = parent_of(place) == parent_of(new.path)
        where = "its name" if own_name else "the name of a folder above it"
        way = alteration(place, new.path)
        name = Difference(None, way, f"{NAME} {way}")
        reason = f"same content; {where} differs in {way}"
        return Judgement(Class.NAME_ALTERED, reason, differs=(name, *self.bench.differs(old, new)))


class _Left(NamedTuple):
    """What is known of an entry that has no fellow at its place."""

    place: str | None
    how: str | None
    unseen: str | None
    twin: str | None
    survives: str | None
    arrived: int | None
    copies: int | None
    had_arrived: str | None


_LEFT: Final = _Left._fields
