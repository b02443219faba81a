"""One pair, or one entry that has no fellow, into one class, with cause and reason.

Pure judgement over facts that are given; the order of the questions is the contract's: the first yes wins.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from verifier.classes import DEFAULT_FIELD_SEVERITY, DEFAULT_SEVERITY, Cause, Class, Field, Phase, Severity, Side
from verifier.reconcile.arrival import NOT_HELD, Since
from verifier.reconcile.findings import Finding
from verifier.reconcile.look import SUSPECT, Seen
from verifier.reconcile.metadata import Difference, differences, marks_of
from verifier.reconcile.phase import WORKED_ON, usual_severity
from verifier.rules.rule import Action, Policy
from verifier.tree.entry import KIND_WORDS, Entry, Kind, State
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verifier.reconcile.compared import Comparison
    from verifier.reconcile.decay import Decay
    from verifier.rules.matcher import Claim


_HEAVIEST_FIRST: Final = list(Severity)


@dataclass(frozen=True, slots=True)
class Judgement:
    """The answer for one pair or entry."""

    cls: Class
    reason: str
    cause: Cause | None = None
    differs: tuple[Difference, ...] = ()
    """Metadata, and for an altered name the way in which it is."""
    claim: Claim | None = None
    drift_side: Side | None = None
    damage: str | None = None
    """Where content differs, as `verifier.tree.damage` writes it."""
    weight: Severity | None = None
    """What it weighs where that is not what its class weighs."""


@dataclass(frozen=True, slots=True)
class History:
    """What is known of an entry, or of a pair, from before."""

    decays: Mapping[Side, Decay] = field(default_factory=dict)
    """On which sides the bytes changed though nothing wrote them."""
    since: Since = NOT_HELD
    """What became of the new side's file since it had arrived."""

    @property
    def told(self) -> str:
        """The decays, as part of a sentence."""
        return "; ".join(decay.told(side) for side, decay in self.decays.items())

    @property
    def steady(self) -> bool:
        """Whether the changed bytes of a side came again when they were read again, as far as that was asked."""
        return any(decay.repeats is not False for decay in self.decays.values())


NO_HISTORY: Final = History()


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What is known about an entry of the old side that has no fellow."""

    unseen: str | None = None
    """Why the new side cannot be said not to have it."""
    twin: str | None = None
    """A path of the new side with nearly the same name and other content."""
    survives: str | None = None
    """A path of the new side with the same content."""
    arrived: int = 0
    """How many files of the new side have the content,"""
    copies: int = 0
    """and how many of the old side."""
    had_arrived: str | None = None
    """Where it was on the new side when people began to work there."""


@dataclass(frozen=True, slots=True)
class Bench:
    """What judging needs besides the two entries."""

    comparison: Comparison
    policy: Policy
    frozen_at_ns: int | None = None
    live_since_ns: int | None = None
    shifts_ns: tuple[int, ...] = ()
    """What was added to the times of most files: a time that differs by it is the same time."""
    phase: Phase | None = None
    """How far the migration is; None for a check by itself."""

    def same_place(  # noqa: PLR0913, PLR0917  what is known of a pair, from five places
        self,
        old: Entry,
        new: Entry,
        claim: Claim | None,
        seen: Seen | None = None,
        relinked: str | None = None,
        history: History = NO_HISTORY,
    ) -> Judgement:
        """Judge two entries at one place of which at least one fact differs or is not known.

        Args:
            old: The old side's entry.
            new: The new side's.
            claim: The rules' word on both.
            seen: What a second look showed, where `needs_look` asks for one.
            relinked: How the structure of its hard links changed, if it did.
            history: What is known of it from before.
        """
        judgement = self._same_place(old, new, claim, seen, relinked, history)
        return decayed(judgement, history, claim) if history.decays else judgement

    def _same_place(  # noqa: PLR0913, PLR0917
        self,
        old: Entry,
        new: Entry,
        claim: Claim | None,
        seen: Seen | None,
        relinked: str | None,
        history: History,
    ) -> Judgement:
        if claim is not None and claim.sets_aside and not self._is_silent(old, new):
            return Judgement(Class.CLUTTER, claim.why, claim=claim)
        if Kind.UNKNOWN in (old.kind, new.kind):
            return not_known(old, new) or Judgement(Class.UNREADABLE, "a side could not say what it is")
        if old.kind != new.kind:
            was, now = (KIND_WORDS.get(entry.kind, entry.kind) for entry in (old, new))
            return Judgement(Class.KIND_CHANGED, f"a {was} on the old side, a {now} on the new", claim=claim)
        if old.kind == Kind.FILE:
            return self._two_files(old, new, claim, seen, relinked, history)
        unknown = not_known(old, new)
        if unknown is not None:
            return unknown
        if old.target != new.target:
            what = "link targets" if old.kind == Kind.LINK else "device numbers"
            reason = f"{what} differ: {shown(old.target or '')} on the old side, {shown(new.target or '')} on the new"
            return self._changed(old, new, Seen(self._by_times(old, new)), reason, claim)
        return self._metadata(old, new, claim, relinked)

    def needs_look(self, old: Entry, new: Entry, claim: Claim | None) -> bool:
        """Tell whether a pair is to be reported as changed content, so that it has to be looked at again first."""
        if not (old.kind == new.kind == Kind.FILE and old.content_known and new.content_known):
            return False
        if old.size == new.size and old.digest == new.digest:
            return False
        set_aside = claim is not None and claim.sets_aside
        return self._is_silent(old, new) or not (set_aside or self._drift(old, new))

    def _is_silent(self, old: Entry, new: Entry) -> bool:
        """Tell whether bytes changed under an unchanged size and time, which no rule and no gate excuses."""
        if not (old.kind == new.kind == Kind.FILE and old.content_known and new.content_known):
            return False
        return old.size == new.size and old.digest != new.digest and self._same_mtime(old, new)

    def _two_files(  # noqa: PLR0913, PLR0917
        self,
        old: Entry,
        new: Entry,
        claim: Claim | None,
        seen: Seen | None,
        relinked: str | None,
        history: History,
    ) -> Judgement:
        unknown = not_known(old, new)
        if unknown is not None and (old.size == new.size or State.UNSETTLED in (old.state, new.state)):
            return unknown
        if unknown is None and old.size == new.size and old.digest == new.digest:
            return self._metadata(old, new, claim, relinked)
        if seen is None:
            seen = Seen(Cause.EMPTY if new.size == 0 else None)
        what = f"sizes differ, {old.size} bytes on the old side, {new.size} on the new"
        reason = what if old.size != new.size else "same size, other bytes"
        if claim is not None and claim.sets_aside and self._is_silent(old, new):
            reason += f" under an unchanged time, which rule {claim.rule.name} may not set aside"
        if seen.note:
            reason += f"; {seen.note}"
        judgement = self._changed(old, new, seen, reason, claim)
        return self._since_it_arrived(judgement, history.since, claim)

    def _since_it_arrived(self, judgement: Judgement, since: Since, claim: Claim | None) -> Judgement:
        """Take into account that a file had arrived whole and was written since, where people work on the new side.

        What decayed has the ctime that it had, so nothing that was not written is excused.
        """
        changed = judgement.cls is Class.CONTENT_CHANGED and judgement.cause is not Cause.NOT_REPEATED
        if not (changed and self.phase in WORKED_ON and since.whole and since.written):
            return judgement
        if judgement.cause is not Cause.SILENT:
            reason = "changed on the new side since it had arrived whole: expected"
            return Judgement(Class.DRIFT, reason, claim=claim, drift_side=Side.NEW)
        reason = (
            f"{judgement.reason}; it had arrived whole, and either somebody wrote it and put its time back, or it was "
            "damaged before something else about it changed"
        )
        return replace(judgement, reason=reason, weight=Severity.ATTENTION)

    def _by_times(self, old: Entry, new: Entry) -> Cause:
        if self._same_mtime(old, new):
            return Cause.SILENT if old.size == new.size else Cause.OTHER
        # Of a time that was shifted like most others what it was before counts.
        shift_ns = self.shifts_ns[0] if self.shifts_ns else 0
        return Cause.STALE if new.mtime_ns - shift_ns < old.mtime_ns else Cause.NEWER

    def _same_mtime(self, old: Entry, new: Entry) -> bool:
        delta_ns, tolerance_ns = new.mtime_ns - old.mtime_ns, self.comparison.tolerance_ns
        return any(abs(delta_ns - shift_ns) <= tolerance_ns for shift_ns in (0, *self.shifts_ns))

    def _changed(self, old: Entry, new: Entry, seen: Seen, reason: str, claim: Claim | None) -> Judgement:
        cause = seen.cause or self._by_times(old, new)
        drift = None if cause is Cause.NOT_REPEATED else self._drift(old, new)
        if drift is Side.OLD:
            why = "changed on the old side after it was frozen: still to be copied"
            return Judgement(Class.DRIFT, why, claim=claim, drift_side=drift)
        if drift is Side.NEW:
            why = "changed on the new side since people work on it: expected"
            return Judgement(Class.DRIFT, why, claim=claim, drift_side=drift)
        return Judgement(Class.CONTENT_CHANGED, _with(claim, reason), cause, claim=claim, damage=seen.damage)

    def _drift(self, old: Entry, new: Entry) -> Side | None:
        """Return the side whose later change explains that content differs."""
        # Bytes that changed under an unchanged size and time are never expected, whatever the gates say.
        if old.size == new.size and self._same_mtime(old, new):
            return None
        if self._after(self.frozen_at_ns, old, Side.OLD):
            return Side.OLD
        return Side.NEW if self._after(self.live_since_ns, new, Side.NEW) else None

    def _after(self, gate_ns: int | None, entry: Entry, side: Side) -> bool:
        """Tell whether an entry was changed after a gate, whichever side's clock was the one that was off."""
        if gate_ns is None:
            return False
        sign = 1 if side is Side.OLD else -1
        return min(entry.mtime_ns + sign * shift_ns for shift_ns in (0, *self.shifts_ns)) > gate_ns

    def _metadata(self, old: Entry, new: Entry, claim: Claim | None, relinked: str | None) -> Judgement:
        found = differences(old, new, self.comparison, relinked)
        if not found:
            return Judgement(Class.IDENTICAL, "")
        reason = "same content; differs in " + ", ".join(one.text for one in found)
        return Judgement(Class.METADATA_ONLY, reason, differs=tuple(found), claim=claim)

    def differs(self, old: Entry, new: Entry) -> tuple[Difference, ...]:
        """Return how the metadata of two entries of one kind differs that are not at the same place."""
        return tuple(differences(old, new, self.comparison))

    def only_old(
        self, entry: Entry, claim: Claim | None, elsewhere: Elsewhere, history: History = NO_HISTORY
    ) -> Judgement:
        """Judge an entry of the old side that has no fellow anywhere.

        Args:
            entry: The entry.
            claim: What the rules say about it.
            elsewhere: What else is known about it.
            history: What is known of it from before.
        """
        judgement = self._only_old(entry, claim, elsewhere)
        if not history.decays:
            return judgement
        if judgement.cls is Class.MISSING:
            return replace(judgement, reason=f"{judgement.reason}; {history.told}")
        return decayed(judgement, history, claim)

    def _only_old(self, entry: Entry, claim: Claim | None, elsewhere: Elsewhere) -> Judgement:
        early = self._one_sided(entry, claim, elsewhere.unseen, Side.NEW)
        if early is not None:
            return early
        if entry.state == State.UNSETTLED:
            return Judgement(Class.UNSETTLED, f"on the old side only, and {entry.error}", claim=claim)
        if entry.kind != Kind.DIRECTORY and self._after(self.frozen_at_ns, entry, Side.OLD):
            reason = "appeared on the old side after it was frozen: still to be copied"
            return Judgement(Class.DRIFT, reason, claim=claim, drift_side=Side.OLD)
        if elsewhere.had_arrived is not None and self.phase in WORKED_ON:
            reason = f"had arrived, at {shown(elsewhere.had_arrived)}, and was removed from the new side since"
            return Judgement(Class.DRIFT, reason, claim=claim, drift_side=Side.NEW)
        reason = "not on the new side, under this name or another"
        if entry.kind == Kind.DIRECTORY:
            reason = "this folder is not on the new side"
        if elsewhere.survives is not None:
            reason = f"not on the new side under this name; {_copies_text(elsewhere)}"
        if not entry.content_known:
            reason += f"; its own content was not read ({entry.error or 'listed only'})"
        if elsewhere.twin:
            reason += f"; {shown(elsewhere.twin)} has nearly the same name and other content"
        return Judgement(Class.MISSING, _with(claim, reason), claim=claim)

    def only_new(
        self, entry: Entry, claim: Claim | None, unseen: str | None, history: History = NO_HISTORY
    ) -> Judgement:
        """Judge an entry of the new side that has no fellow anywhere.

        Args:
            entry: The entry.
            claim: What the rules say about it.
            unseen: Why the old side cannot be said not to have it, or None.
            history: What is known of it from before.
        """
        judgement = self._only_new(entry, claim, unseen)
        return decayed(judgement, history, claim) if history.decays else judgement

    def _only_new(self, entry: Entry, claim: Claim | None, unseen: str | None) -> Judgement:
        early = self._one_sided(entry, claim, unseen, Side.OLD)
        if early is not None:
            return early
        if entry.state in (State.UNREADABLE, State.UNSETTLED):
            cls = Class.UNREADABLE if entry.state == State.UNREADABLE else Class.UNSETTLED
            return Judgement(cls, f"on the new side only, and {entry.error}", claim=claim)
        if entry.kind != Kind.DIRECTORY and self._after(self.live_since_ns, entry, Side.NEW):
            return Judgement(
                Class.DRIFT,
                "appeared on the new side since people work on it: expected",
                claim=claim,
                drift_side=Side.NEW,
            )
        return Judgement(Class.EXTRA, _with(claim, "on the new side only"), claim=claim)

    @staticmethod
    def _one_sided(entry: Entry, claim: Claim | None, unseen: str | None, other: Side) -> Judgement | None:
        if claim is not None and claim.sets_aside:
            return Judgement(Class.CLUTTER, claim.why, claim=claim)
        if unseen is not None:
            return Judgement(Class.UNREADABLE, f"whether the {other} side has it is not known: {unseen}", claim=claim)
        if entry.kind == Kind.DIRECTORY and entry.state == State.LISTED:
            return Judgement(Class.UNREADABLE, entry.error or "not entered", claim=claim)
        return None

    def severity(self, judgement: Judgement) -> Severity:
        """Weigh a judgement: the policy's word for its class or fields, else the default."""
        cls, claim = judgement.cls, judgement.claim
        if cls is Class.CLUTTER and claim is not None and claim.rule.action is Action.REPORT:
            return Severity.ATTENTION
        if judgement.cause is Cause.NOT_REPEATED:
            return Severity.INCONCLUSIVE
        in_phase = usual_severity(self.phase, cls, judgement.cause, judgement.drift_side)
        usual = self.policy.classes.get(cls, judgement.weight or in_phase or DEFAULT_SEVERITY[cls])
        if cls is Class.METADATA_ONLY:
            fields = [one.field for one in judgement.differs if one.field is not None]
            return min((self._field_severity(field, usual) for field in fields), key=_HEAVIEST_FIRST.index)
        return usual

    def _field_severity(self, field: Field, usual: Severity) -> Severity:
        """Weigh a metadata field: the policy's word for it, else for the class, else the default."""
        shipped = usual if Class.METADATA_ONLY in self.policy.classes else DEFAULT_FIELD_SEVERITY.get(field, usual)
        return self.policy.fields.get(field, shipped)

    def finding(self, judgement: Judgement, old: Entry | None, new: Entry | None) -> Finding:
        """Write a judgement down."""
        claim = judgement.claim
        asks = (
            judgement.cls is Class.CLUTTER
            and claim is not None
            and claim.rule.decision
            and old is not None
            and old.kind == Kind.FILE
            and old.size > 0
        )
        return Finding(
            judgement.cls.value,
            judgement.cause.value if judgement.cause else None,
            self.severity(judgement).value,
            old.path if old else None,
            new.path if new else None,
            old.kind if old else None,
            new.kind if new else None,
            old.size if old else None,
            new.size if new else None,
            old.mtime_ns if old else None,
            new.mtime_ns if new else None,
            ";".join(one.field for one in judgement.differs if one.field is not None) or None,
            claim.rule.name if claim else None,
            None,
            asks,
            judgement.reason,
            judgement.drift_side,
            marks_of(judgement.differs),
            judgement.damage,
        )


def decayed(judgement: Judgement, history: History, claim: Claim | None) -> Judgement:
    """Judge an entry whose bytes decayed, by what it would be otherwise.

    Nothing excuses it: no rule, no gate, and not that both sides agree. What could not be read tonight stays that.
    """
    if judgement.cls in (Class.UNREADABLE, Class.UNSETTLED, Class.UNPROVEN):
        return replace(judgement, reason=f"{judgement.reason}; {history.told}")
    if judgement.cls is Class.CONTENT_CHANGED:
        cause = judgement.cause if judgement.cause in _SHOWN_BY_CONTENT else Cause.SILENT
        return replace(judgement, reason=f"{judgement.reason}; {history.told}", cause=cause, weight=None)
    if not history.steady:
        reason = f"{history.told}; read again they were others once more: {SUSPECT}"
        return Judgement(Class.CONTENT_CHANGED, reason, Cause.NOT_REPEATED, claim=claim)
    return Judgement(Class.CONTENT_CHANGED, history.told, Cause.SILENT, claim=claim)


_SHOWN_BY_CONTENT: Final = (Cause.EMPTY, Cause.TRUNCATED, Cause.ZERO_FILLED, Cause.NOT_REPEATED)


def not_known(old: Entry, new: Entry) -> Judgement | None:
    """Return the judgement for a pair of which a side's content is not known; None where both are."""
    sides = [(side, entry) for side, entry in ((Side.OLD, old), (Side.NEW, new)) if not entry.content_known]
    if not sides:
        return None
    states = {entry.state for _, entry in sides}
    told = "; ".join(f"{side} side: {entry.error or 'listed only, not read'}" for side, entry in sides)
    if State.UNREADABLE in states or (old.kind == Kind.DIRECTORY and State.LISTED in states):
        return Judgement(Class.UNREADABLE, told)
    if State.UNSETTLED in states:
        return Judgement(Class.UNSETTLED, told)
    return Judgement(Class.UNPROVEN, told)


def _copies_text(elsewhere: Elsewhere) -> str:
    """Say what became of the other copies of a lost file's content."""
    survives = shown(elsewhere.survives or "")
    if elsewhere.arrived < elsewhere.copies:
        return f"{elsewhere.arrived} of {elsewhere.copies} copies arrived, one of them is {survives}"
    return f"its content is there as {survives}"


def _with(claim: Claim | None, reason: str) -> str:
    """Add why a rule does not apply, so that nobody wonders why clutter was counted as data."""
    return f"{reason}; {claim.why}" if claim is not None and not claim.holds else reason
