"""A second look at two files whose contents differ, before that is said: does it repeat, how do they differ, and where.

The look decides among the causes that need content: empty, truncated, zero-filled, not repeated. It never decides
whether contents differ; the digests did that. Without the trees first bytes and segment digests tell what they can.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from verifier.classes import Cause, Class, Side
from verifier.tree.comparison import Relation
from verifier.tree.content import SEGMENT_BYTES
from verifier.tree.damage import ZERO_RUN_BYTES, Damage, from_segments
from verifier.tree.digests import Algorithm, new_hash
from verifier.tree.entry import HEAD_BYTES
from verifier.tree.sight import Recorded, Request, Sight, SightOutcome

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    from verifier.reconcile.findings import Findings
    from verifier.tree.entry import Entry

SUSPECT: Final = "suspect memory, cable or controller"
_BY_LOOK: Final = (Cause.EMPTY, Cause.TRUNCATED, Cause.ZERO_FILLED, Cause.NOT_REPEATED)


@dataclass(frozen=True, slots=True)
class Seen:
    """What a look found."""

    cause: Cause | None
    """The cause, where the look can tell it."""
    note: str = ""
    """What a person should know besides, as part of a sentence."""
    damage: str | None = None
    """Where they differ, as `Damage.to_json` writes it."""


class Look(Protocol):
    """Looks at pairs of files whose contents differ."""

    def at(self, pairs: Sequence[tuple[Entry, Entry]]) -> list[Seen]:
        """Say how they differ, pair by pair."""

    def repeats(self, side: Side, entries: Sequence[Entry]) -> list[bool | None]:
        """Say of files of one side whether they read as they were recorded; None where that cannot be told."""


class Second(Protocol):
    """Reads pairs of files again."""

    def look(self, requests: Sequence[Request]) -> list[Sight]:
        """Return what was seen of each, in order; nothing is raised for a file."""


class ManifestLook:
    """A look at the manifests alone.

    Args:
        algorithm: Of their digests.
    """

    def __init__(self, algorithm: Algorithm) -> None:
        self._algorithm = algorithm

    def at(self, pairs: Sequence[tuple[Entry, Entry]]) -> list[Seen]:
        """Say how they differ, pair by pair, as far as that can be told."""
        return [self._one(old, new) for old, new in pairs]

    def repeats(self, side: Side, entries: Sequence[Entry]) -> list[bool | None]:  # noqa: ARG002  it reads nothing
        """Say of none whether it reads as it was recorded."""
        return [None] * len(entries)

    def _one(self, old: Entry, new: Entry) -> Seen:
        if new.size == 0 and old.size > 0:
            return Seen(Cause.EMPTY)
        damage = _by_segments(old, new)
        cause = self._cause(old, new, damage)
        if damage is None:
            return Seen(cause)
        where = f"in {_counted(len(damage.ranges), 'range')} of whole 64 MiB segments"
        return Seen(cause, f"it differs from byte {damage.first_offset:,} on, {where}", damage.to_json())

    def _cause(self, old: Entry, new: Entry, damage: Damage | None) -> Cause | None:
        if new.size < old.size:
            whole = new.head if new.size <= HEAD_BYTES else None
            if whole is not None and old.head is not None and old.head.startswith(whole):
                return Cause.TRUNCATED
            whole_segments = new.segments if new.size % SEGMENT_BYTES == 0 else None
            if whole_segments and old.segments and old.segments.startswith(whole_segments):
                return Cause.TRUNCATED
            return None
        if damage is not None and damage.zero_filled:
            return Cause.ZERO_FILLED
        if new.size == old.size and new.head == bytes(HEAD_BYTES) and new.size <= SEGMENT_BYTES:
            all_zero = new_hash(self._algorithm, bytes(new.size)).digest()
            return Cause.ZERO_FILLED if new.digest == all_zero else None
        return None


def _by_segments(old: Entry, new: Entry) -> Damage | None:
    if not old.segments or not new.segments:
        return None
    try:
        return from_segments(old.segments, new.segments, old.size, new.size)
    except ValueError:  # a manifest with other digests than its sizes ask for
        return None


class TreeLook:
    """A look at the files themselves, and where that fails at the manifests.

    Args:
        second: Who reads them.
        roots: The roots that it knows: `OLD_ROOT`, `NEW_ROOT`, and of several new roots `new_root_of` each label.
        algorithm: Of the manifests' digests.
        zero_run_bytes: From how many zeros on a run of them tells of a hole.
        on_look: Told how many pairs were looked at so far.
    """

    def __init__(
        self,
        second: Second,
        roots: Collection[str],
        algorithm: Algorithm,
        zero_run_bytes: int = ZERO_RUN_BYTES,
        on_look: Callable[[int], None] = lambda _: None,
    ) -> None:
        self._second = second
        self._roots = roots
        self._algorithm = algorithm
        self._zero_run = zero_run_bytes
        self._on_look = on_look
        self._looked = 0
        self._manifests = ManifestLook(algorithm)

    def at(self, pairs: Sequence[tuple[Entry, Entry]]) -> list[Seen]:
        """Read the files again and say how they differ, pair by pair."""
        seen = self._manifests.at(pairs)
        wanted = {number: request for number, pair in enumerate(pairs) if (request := self._request(*pair)) is not None}
        if not wanted:
            return seen
        self._on_look(self._looked)
        sights = self._second.look(list(wanted.values()))
        self._looked += len(sights)
        for number, sight in zip(wanted, sights, strict=True):
            seen[number] = _seen(sight, seen[number])
        return seen

    def repeats(self, side: Side, entries: Sequence[Entry]) -> list[bool | None]:
        """Read files of one side again, and say whether they read as they were recorded."""
        found: list[bool | None] = [None] * len(entries)
        wanted: dict[int, Request] = {}
        for number, entry in enumerate(entries):
            recorded = self._recorded(side, entry)
            if recorded is not None and entry.content_known:
                wanted[number] = Request(recorded, recorded, self._algorithm)  # one file, twice: equal, if it is steady
        for number, sight in zip(wanted, self._second.look(list(wanted.values())), strict=True):
            if sight.outcome in (SightOutcome.NOT_REPEATED, SightOutcome.CONFIRMED):
                found[number] = sight.outcome is SightOutcome.NOT_REPEATED and not sight.unsteady
        return found

    def _recorded(self, side: Side, entry: Entry) -> Recorded | None:
        """Return what was recorded of a file, under the root that it lies in; None where that cannot be reached."""
        root, path = side.value, entry.path
        if side is Side.NEW and NEW_ROOT not in self._roots:
            label, _, path = path.partition("/")
            root = new_root_of(label)
        return Recorded.of(root, entry._replace(path=path)) if root in self._roots else None

    def _request(self, old: Entry, new: Entry) -> Request | None:
        """Return what to look at; None where a file is empty, or its tree cannot be reached."""
        if new.size == 0 or old.size == 0:
            return None
        ours, theirs = self._recorded(Side.OLD, old), self._recorded(Side.NEW, new)
        if ours is None or theirs is None:
            return None
        # Of a later version everything after the first change may be elsewhere: its further bytes say nothing.
        early_stop = old.size != new.size and old.mtime_ns != new.mtime_ns
        return Request(ours, theirs, self._algorithm, early_stop, self._zero_run)


OLD_ROOT: Final = Side.OLD.value
NEW_ROOT: Final = Side.NEW.value


def new_root_of(label: str) -> str:
    """Return by which name a look knows one of several new roots."""
    return f"{NEW_ROOT}/{label}"


def _seen(sight: Sight, otherwise: Seen) -> Seen:
    """Return what a sight says; `otherwise` is what the manifests say, for where there is none."""
    unsteady = " and ".join(f"the {side} side" for side in sight.unsteady)
    side = f"the {sight.side} side" if sight.side else "a side"
    match sight.outcome:
        case SightOutcome.NOT_REPEATED:
            whose = f"; what was read first of {unsteady} did not come again" if unsteady else ""
            return Seen(Cause.NOT_REPEATED, f"reading both again showed no difference{whose}: {SUSPECT}")
        case SightOutcome.CONFIRMED:
            cause, note = _confirmed(sight)
            if unsteady:
                note += f"; what was read first of {unsteady} did not come again: {SUSPECT}"
            return Seen(cause, note, None if sight.damage is None else sight.damage.to_json())
        case SightOutcome.CHANGED_SINCE:
            note = f"not confirmed: {side} changed since it was read"
        case SightOutcome.UNREADABLE:
            note = f"not confirmed: {side} could not be read again ({sight.error})"
        case SightOutcome.NO_ANSWER:
            note = "not confirmed: no answer when it was to be read again"
    return Seen(otherwise.cause, note, otherwise.damage)


def _confirmed(sight: Sight) -> tuple[Cause | None, str]:
    if sight.relation is Relation.NEW_IS_PREFIX:
        return Cause.TRUNCATED, "read again, the new one ends early, and is the same up to there"
    if sight.relation is Relation.OLD_IS_PREFIX:
        return None, "read again, the new one goes on where the old one ends"
    damage = sight.damage
    if damage is None:
        return None, "read again, they differ"
    note = f"read again, they differ from byte {damage.first_offset:,} on"
    if damage.complete and damage.differing_bytes is not None:
        note += f", {_counted(damage.differing_bytes, 'byte')} in {_counted(len(damage.ranges), 'range')}"
    if damage.zeros and damage.complete:
        note += ", where the new one has zeros"
    return (Cause.ZERO_FILLED if damage.zero_filled else None), note


def _counted(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


class RecordedLook:
    """What was seen in a finished check, for reconciling its manifests once more.

    Args:
        findings: Of that check, open.
        algorithm: Of its manifests' digests.
    """

    def __init__(self, findings: Findings, algorithm: Algorithm) -> None:
        self._findings = findings
        self._manifests = ManifestLook(algorithm)

    def at(self, pairs: Sequence[tuple[Entry, Entry]]) -> list[Seen]:
        """Say how they differed then, pair by pair."""
        return [self._one(old, new) for old, new in pairs]

    def repeats(self, side: Side, entries: Sequence[Entry]) -> list[bool | None]:  # noqa: ARG002  it reads nothing
        """Say of none whether it reads as it was recorded."""
        return [None] * len(entries)

    def _one(self, old: Entry, new: Entry) -> Seen:
        where = '"class" = ? AND old_path = ? AND new_path = ?'
        for found in self._findings.stream(where, (Class.CONTENT_CHANGED.value, old.path, new.path), 1):
            cause = Cause(found.cause) if found.cause else None
            return Seen(cause if cause in _BY_LOOK else None, damage=found.damage)
        return self._manifests.at([(old, new)])[0]
