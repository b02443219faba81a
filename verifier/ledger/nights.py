"""Entries of a ledger as the history tells them: in local time, in words, and with where the evidence is."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from datetime import date, datetime
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from markupsafe import escape

from verifier.classes import Phase, VerdictKind
from verifier.errors import LedgerDamaged
from verifier.evidence import PAGE_FILE
from verifier.ledger.places import RUN_NAME, RUNS
from verifier.ledger.record import Outcome, PhaseRecord, RunRecord
from verifier.ledger.standing import JUDGED, Standing, meaning_of
from verifier.report.listing import may_be_shown
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from verifier.ledger.record import LedgerEntry, SideRecord

LONGEST_HEADLINE: Final = 400
"""Characters of one text that are shown; of a longer one its beginning and its end."""
LONGEST_WORDS: Final = 160
"""The same for what a day of the calendar says."""
LONGEST_NAME: Final = 80
LEDGER_TO_DO: Final = "see `verifier ledger check`"


@dataclass(frozen=True, slots=True)
class Night:
    """A run."""

    number: int
    """Of its entry in the ledger."""
    record: RunRecord
    began: datetime
    """In local time."""
    took_s: float | None
    """None where nobody saw its end."""
    there: bool
    """Whether its evidence is still there."""
    removed_after_days: int | None = None
    """How old its evidence was when it was due to be removed; None where it never was."""
    misdated: bool = False
    """Whether the clock was wrong: it lies after the page's own day, or out of the order of the others."""

    @property
    def standing(self) -> Standing:
        """What it came to."""
        if self.record.outcome is not Outcome.FINISHED:
            return Standing(self.record.outcome.value)
        standing = Standing((self.record.verdict or VerdictKind.INCONCLUSIVE).value)
        goes_on = self.record.phase is Phase.COPYING and not self.worse
        unproved = (Standing.NOT_TRUSTWORTHY, Standing.INCONCLUSIVE)
        return Standing.STILL_COPYING if goes_on and standing in unproved else standing

    @property
    def day(self) -> date:
        """The local day on which it began."""
        return self.began.date()

    @property
    def problems(self) -> int:
        """Entries that stand in the way or need a look."""
        return self.worse + self.record.news.known

    @property
    def worse(self) -> int:
        """Those among them that are new, or worse than the night before."""
        return self.record.news.new + self.record.news.worse

    @property
    def frame(self) -> str:
        """How what it came to is framed: as its verdict, or like what is inconclusive."""
        verdict = self.record.verdict if self.standing in JUDGED else None
        return (verdict or VerdictKind.INCONCLUSIVE).value

    @property
    def headline(self) -> str:
        """What is new, or why it did not finish, as it may be shown; empty where nothing is said."""
        return cut((self.record.news.headline or next(iter(self.record.reasons), "")).strip(), LONGEST_HEADLINE)

    @property
    def meaning(self) -> str:
        """What it came to, in a sentence."""
        return meaning_of(self.standing, self.record.phase)

    @property
    def page(self) -> str:
        """Where its report is, relative to the ledger; empty where it is not."""
        is_led_to = self.there and RUN_NAME.fullmatch(self.record.run)
        return f"{RUNS}/{self.record.run}/{PAGE_FILE}" if is_led_to else ""

    @property
    def kept(self) -> str:
        """What became of its evidence, where there is no report to go to."""
        if self.record.outcome is not Outcome.FINISHED or not self.record.evidence:
            return "none"
        if self.removed_after_days is None:
            return "not found"
        return f"removed after {count_of(self.removed_after_days, 'day', 'days')}"


@dataclass(frozen=True, slots=True)
class Step:
    """A step from one phase to the next."""

    record: PhaseRecord
    at: datetime
    """In local time."""

    @property
    def day(self) -> date:
        """The local day on which it was taken."""
        return self.at.date()

    @property
    def words(self) -> str:
        """What was said, and by whom."""
        record = self.record
        before = "the job begins" if record.before is None else f"until then {record.before}"
        if record.before is record.phase:
            before = f"held from here on against {cut(record.baseline, LONGEST_NAME)}"
        despite = f", all the same: {cut(record.despite, LONGEST_NAME)}" if record.despite else ""
        return f"Phase {record.phase}, {before}; said by {cut(record.by, LONGEST_NAME) or 'nobody'}{despite}"


def told(entries: Iterable[LedgerEntry], there: Collection[str], today: date) -> tuple[Night | Step, ...]:
    """Return what a ledger remembers, in its order.

    Args:
        entries: The ledger's, from the first to the last.
        there: Runs whose evidence is still there.
        today: The day on which that is asked.

    Raises:
        LedgerDamaged: If something else stands where a time belongs.
    """
    kept = tuple(entries)
    ends: dict[str, datetime] = {}
    for record in (entry.record for entry in kept):
        if isinstance(record, RunRecord) and record.pruned:
            ends.update(dict.fromkeys(record.pruned, local(record.finished or record.started)))
    known = frozenset(there)
    all_told = [
        _night(entry.number, entry.record, known, ends)
        if isinstance(entry.record, RunRecord)
        else Step(entry.record, local(entry.record.at))
        for entry in kept
    ]
    dated = _in_order([one for one in all_told if isinstance(one, Night) and one.day <= today])
    return tuple(
        replace(one, misdated=True) if isinstance(one, Night) and one.number not in dated else one for one in all_told
    )


def _in_order(nights: Sequence[Night]) -> frozenset[int]:
    """Return the numbers of the longest series of runs of which none lies on a day before the one before it.

    One night with a wrong clock would stretch a year's axis to fifty; the many are believed, wherever it stands.
    """
    days: list[date] = []
    ends: list[int] = []  # of the series so long that end on these days, the last run's place
    before: list[int] = []
    for place, night in enumerate(nights):
        length = bisect_right(days, night.day)
        before.append(ends[length - 1] if length else -1)
        days[length : length + 1] = [night.day]
        ends[length : length + 1] = [place]
    place, numbers = ends[-1] if ends else -1, []
    while place >= 0:
        numbers.append(nights[place].number)
        place = before[place]
    return frozenset(numbers)


def _night(number: int, record: RunRecord, there: frozenset[str], ends: dict[str, datetime]) -> Night:
    began = local(record.started)
    seen = record.outcome is not Outcome.KILLED and record.finished
    end = ends.get(record.run)
    return Night(
        number,
        record,
        began,
        max(0.0, (local(record.finished) - began).total_seconds()) if seen else None,
        record.run in there,
        None if end is None else max(0, (end - began).days),
    )


def local(text: str) -> datetime:
    """Return an instant of the ledger in this machine's zone, as that was at the time.

    Raises:
        LedgerDamaged: If it is no instant.
    """
    try:
        instant = datetime.fromisoformat(text)
        if instant.tzinfo is None:
            raise ValueError("without zone")
        return instant.astimezone()
    except (ValueError, OverflowError, OSError) as error:
        raise LedgerDamaged(
            f"the ledger says “{cut(text, LONGEST_NAME)}” where a time belongs ({error})", LEDGER_TO_DO
        ) from error


@lru_cache(maxsize=1024)
def cut(text: str, longest: int) -> str:
    """Return a text as it may be shown; of one that is too long, its beginning and its end.

    Args:
        text: The text.
        longest: Characters that are kept at most; fewer where they take more than twice as many bytes on a page.
    """
    kept = min(len(text), longest)
    while True:
        tail = 0 if kept == len(text) else kept // 4
        start, end = may_be_shown(text[: kept - tail]), may_be_shown(text[len(text) - tail :])
        size = len(escape(start + end).encode())
        if size <= 2 * longest:
            break
        kept = min(kept - 1, kept * 2 * longest // size)
    return start if kept == len(text) else f"{start} [{len(text) - kept:,} characters left out here] {end}"


def day_text(day: date) -> str:
    """Return a day as people write it, such as ``Tue 1 Dec 2026``."""
    return f"{day:%a} {day.day} {day:%b} {day.year}"


def time_text(instant: datetime) -> str:
    """Return the time of day with its distance from UTC, such as ``03:30 +01:00``."""
    clock, offset = f"{instant:%H:%M}", f"{instant:%z}"
    return f"{clock} {offset[:3]}:{offset[3:5]}"


def share(side: SideRecord) -> Fraction | None:
    """Return how much of a side's bytes were read within the promised time, 0 to 1; None where it has no bytes."""
    return min(Fraction(1), Fraction(side.fresh_bytes, side.bytes)) if side.bytes > 0 else None


def share_text(part: Fraction | None) -> str:
    """Return a share in percent, cut and never rounded: 100 only where nothing is lacking, 0 only where all is."""
    if part is None:
        return "no bytes"
    if part == 1:
        return "100 %"
    tenths = int(part * 1000)
    return "under 0.1 %" if part > 0 and not tenths else f"{tenths / 10:.1f} %"
