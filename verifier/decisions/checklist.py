"""What has to be asked before anything is wiped: the points, in order, and what this tool can say about each.

A report that nobody has signed shows the same points as a sign-off; only what is said about them differs.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Protocol

from verifier.classes import Side
from verifier.decisions.signoff import Looked, Point
from verifier.tree.names import shown
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verifier.reconcile.findings import Tally

FRESH: Final = timedelta(days=7)
"""Evidence is fresh for so long after the check ended. Common practice, no source."""
FRESH_ENOUGH: Final = f"After more than {FRESH.days} days (common practice) check again before anything is wiped."
MOST_NAMED: Final = 3
"""Rules and paths that are named at most."""

SECOND_COPY: Final = "Is there a second verified copy, in another place?"
FRESH_EVIDENCE: Final = "Is the evidence fresh?"
UNCHANGED: Final = "Is the old side what it was when it was checked?"
OUTSIDE: Final = "Has somebody looked at snapshots, permissions in use, shares and open programs?"
COPIED: Final = "Is everything copied that was still to be copied?"
DECIDED: Final = "Is everything decided by name that was set aside and may be somebody's work?"
RETENTION: Final = "Do retention duties and local rules allow it?"
ADMINISTRATOR: Final = "Does the administrator who is responsible for this data agree?"
TEXTS: Final = (SECOND_COPY, FRESH_EVIDENCE, UNCHANGED, OUTSIDE, COPIED, DECIDED, RETENTION, ADMINISTRATOR)
"""All points, in the order in which they are asked."""


class Checked(Protocol):
    """A finished check, as far as the checklist asks (`verifier.report.context.ReportContext` is one)."""

    @property
    def run(self) -> Mapping[str, Any]:
        """What the run was told and when."""

    @property
    def to_copy(self) -> Tally:
        """What is still to be copied again."""

    @property
    def decisions(self) -> Mapping[str, Tally]:
        """By rule, what was set aside and is still to be decided by name."""


class Relisted(NamedTuple):
    """What came of listing the old side again (`verifier.signoff.recheck`)."""

    at: str
    """When, ISO 8601 with zone."""
    where: str
    """The root, as it may be shown; where that is another place than the one checked, it says so."""
    entries: int
    """How many names it has now."""
    gone: int
    added: int
    changed: int
    """Of another kind, size, time or link target."""
    unlisted: int
    """Names of which it cannot be said, because a folder could not be listed to its end now."""
    ctimes: bool
    """Whether change times, which nobody can set, were compared as well."""
    examples: tuple[str, ...] = ()
    """A few of them, as they may be shown, each with what became of it."""

    @property
    def changes(self) -> int:
        """How many names are not what they were."""
        return self.gone + self.added + self.changed

    @property
    def unchanged(self) -> bool:
        """Whether everything was seen, and is what it was."""
        return not self.changes and not self.unlisted

    @property
    def differences(self) -> str:
        """What differs, in words."""
        counts = (
            (self.changed, "changed"),
            (self.gone, "gone"),
            (self.added, "new"),
            (self.unlisted, "not listed now"),
        )
        told = ", ".join(f"{number:,} {what}" for number, what in counts if number)
        return f"{told}: {', '.join(self.examples)}" if self.examples else told


def checklist(checked: Checked, now: datetime | None = None, relisted: Relisted | None = None) -> tuple[Point, ...]:
    """Return all points, with what is known about each.

    Args:
        checked: The check.
        now: The moment of the sign-off, aware; None where nobody signs, and ages are left to the reader.
        relisted: What came of listing the old side again, if that was done.
    """
    return (
        Point(SECOND_COPY, Looked.PERSON, "One that was never read to its end is not a verified copy."),
        _freshness(checked.run, now),
        _unchanged(relisted),
        Point(
            OUTSIDE,
            Looked.PERSON,
            "None of that was proved here: snapshots go with the old side, rights and shares are set up anew, and what "
            "a program holds open may not be on the disk yet.",
        ),
        _copied(checked.to_copy),
        _decided(checked.decisions),
        Point(RETENTION, Looked.PERSON, "Some data must be kept for years, and some must not be: ask who knows."),
        Point(ADMINISTRATOR, Looked.PERSON, "By word, and better in writing: wiping is final."),
    )


def _freshness(run: Mapping[str, Any], now: datetime | None) -> Point:
    finished = _instant(run.get("finished"))
    oldest = min(filter(None, (_oldest_reading(run, side) for side in Side)), default=None)
    if now is None or finished is None:
        read = f"the oldest reading that counts is of {_date(oldest)}" if oldest else "no file was read"
        return Point(FRESH_EVIDENCE, Looked.PERSON, f"The check ended {_date(finished)}, {read}. {FRESH_ENOUGH}")
    age = now - finished
    told = f"The check ended {age_text(age)} ago"
    told += f", the oldest reading that counts is {age_text(now - oldest)} old." if oldest else ", no file was read."
    if age < timedelta(0):
        return Point(FRESH_EVIDENCE, Looked.OPEN, f"The check ended after now, {_date(finished)}: is a clock wrong?")
    if age <= FRESH:
        return Point(FRESH_EVIDENCE, Looked.SEEN, told)
    return Point(FRESH_EVIDENCE, Looked.OPEN, f"{told} {FRESH_ENOUGH}")


def _unchanged(relisted: Relisted | None) -> Point:
    if relisted is None:
        return Point(
            UNCHANGED,
            Looked.PERSON,
            "Not looked at since. If anybody could write there, let verifier signoff --recheck-old list it again.",
        )
    compared = "names, kinds, sizes, times and change times" if relisted.ctimes else "names, kinds, sizes and times"
    told = f"Listed again {relisted.at}, {relisted.where}: {count_of(relisted.entries, 'entry', 'entries')}; {compared}"
    if relisted.unchanged:
        return Point(UNCHANGED, Looked.SEEN, f"{told} are what they were. Content was not read again.")
    return Point(UNCHANGED, Looked.OPEN, f"{told} compared. {relisted.differences}.")


def _copied(to_copy: Tally) -> Point:
    if not to_copy.entries:
        return Point(COPIED, Looked.SEEN, "Nothing is missing, damaged, or was changed there after it was frozen.")
    entries = count_of(to_copy.entries, "entry", "entries")
    files = count_of(to_copy.files, "file", "files")
    told = f"{entries} ({files}, {to_copy.bytes:,} bytes): verifier recopy lists them. Copy these, then check again."
    return Point(COPIED, Looked.OPEN, told)


def _decided(decisions: Mapping[str, Tally]) -> Point:
    if not decisions:
        return Point(DECIDED, Looked.SEEN, "Nothing is left to decide about.")
    told = [f"{shown(name)}: {count_of(tally.entries, 'entry', 'entries')}" for name, tally in decisions.items()]
    more = [f"{len(told) - MOST_NAMED} more rules"] if len(told) > MOST_NAMED else []
    return Point(DECIDED, Looked.OPEN, f"Still to be decided: {', '.join([*told[:MOST_NAMED], *more])}.")


def _oldest_reading(run: Mapping[str, Any], side: Side) -> datetime | None:
    return _instant(run["sides"][side]["totals"].get("oldest_read"))


def _instant(text: object) -> datetime | None:
    try:
        instant = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return instant if instant.tzinfo is not None else None


def _date(instant: datetime | None) -> str:
    return "at a time that is not recorded" if instant is None else f"{instant:%Y-%m-%d %H:%M} {instant.tzname()}"


def age_text(age: timedelta) -> str:
    """Return an age in whole days, in hours where it is less than two days."""
    hours = int(age / timedelta(hours=1))
    if hours < 1:
        return "less than an hour"
    return count_of(hours, "hour", "hours") if hours < 48 else count_of(hours // 24, "day", "days")
