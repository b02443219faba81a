"""One pair, or one entry that has no fellow, into one class, with cause and reason.

Pure judgement over facts that are given; the order of the questions is the contract's: the first yes wins.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verifier.classes import DEFAULT_SEVERITY, Cause, Class, Field, Severity, Side
from verifier.reconcile.findings import Finding
from verifier.reconcile.look import Seen
from verifier.rules.rule import Action, Policy
from verifier.tree.entry import Entry, Kind, State
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Callable

    from verifier.reconcile.compared import Comparison
    from verifier.rules.matcher import Claim


@dataclass(frozen=True, slots=True)
class Judgement:
    """The answer for one pair or entry."""

    cls: Class
    reason: str
    cause: Cause | None = None
    fields: tuple[Field, ...] = ()
    claim: Claim | None = None
    drift_side: Side | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """What judging needs besides the two entries."""

    comparison: Comparison
    policy: Policy
    frozen_at_ns: int | None = None
    live_since_ns: int | None = None
    look: Callable[[Entry, Entry], Seen] = lambda _old, _new: Seen(None)
    """Asked only about two files of which it is known that their content differs."""

    def same_place(self, old: Entry, new: Entry, claim: Claim | None) -> Judgement:
        """Judge two entries at one place of which at least one fact differs or is not known."""
        if claim is not None and claim.holds and claim.rule.action is not Action.KEEP:
            return Judgement(Class.CLUTTER, claim.why, claim=claim)
        if Kind.UNKNOWN in (old.kind, new.kind):
            return not_known(old, new) or Judgement(Class.UNREADABLE, "a side could not say what it is")
        if old.kind != new.kind:
            return Judgement(Class.KIND_CHANGED, f"a {old.kind} on the old side, a {new.kind} on the new", claim=claim)
        if old.kind == Kind.FILE:
            return self._two_files(old, new, claim)
        unknown = not_known(old, new)
        if unknown is not None:
            return unknown
        if old.target != new.target:
            what = "link targets" if old.kind == Kind.LINK else "device numbers"
            reason = f"{what} differ: {shown(old.target or '')} on the old side, {shown(new.target or '')} on the new"
            return self._changed(old, new, self._by_times(old, new), reason, claim)
        return self._metadata(old, new, claim)

    def _two_files(self, old: Entry, new: Entry, claim: Claim | None) -> Judgement:
        unknown = not_known(old, new)
        if unknown is not None and (old.size == new.size or State.UNSETTLED in (old.state, new.state)):
            return unknown
        if unknown is None and old.size == new.size and old.digest == new.digest:
            return self._metadata(old, new, claim)
        seen = self.look(old, new) if unknown is None else Seen(Cause.EMPTY if new.size == 0 else None)
        what = f"sizes differ, {old.size} bytes on the old side, {new.size} on the new"
        reason = what if old.size != new.size else "same size, other bytes"
        if seen.note:
            reason += f"; {seen.note}"
        return self._changed(old, new, seen.cause or self._by_times(old, new), reason, claim)

    def _by_times(self, old: Entry, new: Entry) -> Cause:
        if self._same_mtime(old, new):
            return Cause.SILENT if old.size == new.size else Cause.OTHER
        return Cause.STALE if new.mtime_ns < old.mtime_ns else Cause.NEWER

    def _same_mtime(self, old: Entry, new: Entry) -> bool:
        return abs(old.mtime_ns - new.mtime_ns) <= self.comparison.tolerance_ns

    def _changed(self, old: Entry, new: Entry, cause: Cause, reason: str, claim: Claim | None) -> Judgement:
        # Bytes that changed under an unchanged size and time are never expected, whatever the gates say.
        silent = old.size == new.size and self._same_mtime(old, new)
        if not silent and self._after(self.frozen_at_ns, old):
            return Judgement(
                Class.DRIFT,
                "changed on the old side after it was frozen: still to be copied",
                claim=claim,
                drift_side=Side.OLD,
            )
        if not silent and self._after(self.live_since_ns, new):
            return Judgement(
                Class.DRIFT,
                "changed on the new side since people work on it: expected",
                claim=claim,
                drift_side=Side.NEW,
            )
        return Judgement(Class.CONTENT_CHANGED, _with(claim, reason), cause, claim=claim)

    @staticmethod
    def _after(gate_ns: int | None, entry: Entry) -> bool:
        return gate_ns is not None and entry.mtime_ns > gate_ns

    def _metadata(self, old: Entry, new: Entry, claim: Claim | None) -> Judgement:
        fields = self.differing_fields(old, new)
        if not fields:
            return Judgement(Class.IDENTICAL, "")
        reason = "same content; differs in " + ", ".join(_field_text(field, old, new) for field in fields)
        return Judgement(Class.METADATA_ONLY, reason, fields=fields, claim=claim)

    def differing_fields(self, old: Entry, new: Entry) -> tuple[Field, ...]:
        """Return the compared metadata fields in which two entries of one kind differ."""
        compared = self.comparison.fields
        differs = {
            Field.MTIME: old.kind == Kind.FILE and not self._same_mtime(old, new),
            Field.MODE: old.kind != Kind.LINK and old.mode != new.mode,
            Field.OWNER: old.uid != new.uid,
            Field.GROUP: old.gid != new.gid,
            Field.XATTRS: None not in (old.xattrs, new.xattrs) and old.xattrs != new.xattrs,
        }
        return tuple(field for field in Field if field in compared and differs[field])

    def only_old(self, entry: Entry, claim: Claim | None, unseen: str | None, twin: str | None) -> Judgement:
        """Judge an entry of the old side that has no fellow anywhere.

        Args:
            entry: The entry.
            claim: What the rules say about it.
            unseen: Why the new side cannot be said not to have it, or None.
            twin: A path of the new side with nearly the same name and other content, or None.
        """
        early = self._one_sided(entry, claim, unseen, Side.NEW)
        if early is not None:
            return early
        if entry.state == State.UNSETTLED:
            return Judgement(Class.UNSETTLED, f"on the old side only, and {entry.error}", claim=claim)
        if entry.kind != Kind.DIRECTORY and self._after(self.frozen_at_ns, entry):
            reason = "appeared on the old side after it was frozen: still to be copied"
            return Judgement(Class.DRIFT, reason, claim=claim, drift_side=Side.OLD)
        reason = "not on the new side, under this name or another"
        if entry.kind == Kind.DIRECTORY:
            reason = "this folder is not on the new side"
        if not entry.content_known:
            reason += f"; its own content was not read ({entry.error or 'listed only'})"
        if twin:
            reason += f"; {shown(twin)} has nearly the same name and other content"
        return Judgement(Class.MISSING, _with(claim, reason), claim=claim)

    def only_new(self, entry: Entry, claim: Claim | None, unseen: str | None) -> Judgement:
        """Judge an entry of the new side that has no fellow anywhere; arguments as for `only_old`."""
        early = self._one_sided(entry, claim, unseen, Side.OLD)
        if early is not None:
            return early
        if entry.state in (State.UNREADABLE, State.UNSETTLED):
            cls = Class.UNREADABLE if entry.state == State.UNREADABLE else Class.UNSETTLED
            return Judgement(cls, f"on the new side only, and {entry.error}", claim=claim)
        if entry.kind != Kind.DIRECTORY and self._after(self.live_since_ns, entry):
            return Judgement(
                Class.DRIFT,
                "appeared on the new side since people work on it: expected",
                claim=claim,
                drift_side=Side.NEW,
            )
        return Judgement(Class.EXTRA, _with(claim, "on the new side only"), claim=claim)

    @staticmethod
    def _one_sided(entry: Entry, claim: Claim | None, unseen: str | None, other: Side) -> Judgement | None:
        if claim is not None and claim.holds and claim.rule.action is not Action.KEEP:
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
        usual = self.policy.classes.get(cls, DEFAULT_SEVERITY[cls])
        if cls is Class.METADATA_ONLY:
            weights = [self.policy.fields.get(field, usual) for field in judgement.fields]
            return min(weights, key=list(Severity).index)
        return usual

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
            ";".join(judgement.fields) or None,
            claim.rule.name if claim else None,
            None,
            asks,
            judgement.reason,
            judgement.drift_side,
        )


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


def _with(claim: Claim | None, reason: str) -> str:
    """Add why a rule does not apply, so that nobody wonders why clutter was counted as data."""
    return f"{reason}; {claim.why}" if claim is not None and not claim.holds else reason


def _field_text(field: Field, old: Entry, new: Entry) -> str:
    match field:
        case Field.MTIME:
            return f"mtime ({_duration(new.mtime_ns - old.mtime_ns)})"
        case Field.MODE:
            return f"mode ({old.mode:04o}, new {new.mode:04o})"
        case Field.OWNER:
            return f"owner ({old.uid}, new {new.uid})"
        case Field.GROUP:
            return f"group ({old.gid}, new {new.gid})"
        case Field.XATTRS:
            return "extended attributes"


def _duration(nanoseconds: int) -> str:
    """Say how much later or earlier the new side's time is."""
    direction = "later" if nanoseconds > 0 else "earlier"
    seconds = abs(nanoseconds) / 1e9
    for unit, length in (("days", 86400), ("h", 3600), ("min", 60)):
        if seconds >= length:
            return f"{seconds / length:.4g} {unit} {direction} on new"
    return f"{seconds:.4g} s {direction} on new"
