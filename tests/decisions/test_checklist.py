"""The checklist before anything is wiped: what was seen, what is open, and what only a person can know."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.report.evidence import one_of_each, written
from verifier.decisions.checklist import (
    COPIED,
    DECIDED,
    FRESH_EVIDENCE,
    TEXTS,
    UNCHANGED,
    Relisted,
    age_text,
    checklist,
)
from verifier.decisions.signoff import Looked, Point
from verifier.reconcile.findings import Tally

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

ENDED: Final = datetime(2026, 11, 20, 12, tzinfo=UTC)


@dataclass(frozen=True)
class Check:
    """A finished check, as far as the checklist asks."""

    run: Mapping[str, Any]
    to_copy: Tally = field(default_factory=Tally)
    decisions: Mapping[str, Tally] = field(default_factory=dict)


def ended(finished: object = ENDED.isoformat(), *read: str | None) -> Check:
    """Return a check that ended at a time, with the oldest reading of each side."""
    totals = [{"oldest_read": one} for one in read or ("2026-11-20T09:30:00+00:00", "2026-11-20T09:00:00+00:00")]
    sides = {side: {"totals": one} for side, one in zip(("old", "new"), totals, strict=True)}
    return Check({"finished": finished, "sides": sides})


def point(text: str, *arguments: Any) -> Point:
    """Return one point of a checklist."""
    return next(one for one in checklist(*arguments) if one.text == text)


def test_every_report_asks_the_same_in_the_same_order(tmp_path: Path) -> None:
    """Signed or not: a report that nobody signed has the same points."""
    with written(tmp_path, one_of_each()) as (context, _):
        unsigned = checklist(context)
        signed = checklist(context, datetime.now(UTC))
    assert tuple(one.text for one in unsigned) == tuple(one.text for one in signed) == TEXTS
    assert len(set(TEXTS)) == 8
    assert all(text.endswith("?") for text in TEXTS)
    assert all(one.told.endswith((".", "?")) for one in (*unsigned, *signed))


def test_an_unsigned_report_says_the_same_whenever_it_is_written(tmp_path: Path) -> None:
    """The same evidence gives the same bytes, so nothing in it depends on the clock."""
    with written(tmp_path) as (context, _):
        first = checklist(context)
        assert checklist(context) == first
    fresh = next(one for one in first if one.text == FRESH_EVIDENCE)
    assert fresh.looked is Looked.PERSON
    assert fresh.told.startswith(
        "The check ended 2024-03-04 06:01 UTC, the oldest reading that counts is of 2024-03-04 05:30 UTC."
    )


@pytest.mark.parametrize(
    ("age", "looked", "told"),
    [
        (timedelta(minutes=5), Looked.SEEN, "The check ended less than an hour ago, the oldest reading that counts is"),
        (timedelta(hours=30), Looked.SEEN, "ended 30 hours ago, the oldest reading that counts is 33 hours old."),
        (timedelta(days=7), Looked.SEEN, "ended 7 days ago"),
        (timedelta(days=7, seconds=1), Looked.OPEN, "After more than 7 days (common practice) check again"),
        (timedelta(days=400), Looked.OPEN, "ended 400 days ago"),
        (timedelta(hours=-2), Looked.OPEN, "The check ended after now, 2026-11-20 12:00 UTC: is a clock wrong?"),
    ],
)
def test_evidence_is_fresh_for_seven_days(age: timedelta, looked: Looked, told: str) -> None:
    """From the end of the check; the oldest reading is told beside it, for what was carried over."""
    found = point(FRESH_EVIDENCE, ended(), ENDED + age)
    assert found.looked is looked
    assert told in found.told


def test_the_oldest_reading_is_that_of_either_side() -> None:
    """What was carried over from a year ago is a year old."""
    old = ended(ENDED.isoformat(), "2026-11-20T09:00:00+00:00", "2025-11-20T12:00:00+00:00")
    assert point(FRESH_EVIDENCE, old, ENDED + timedelta(hours=1)).told == (
        "The check ended 1 hour ago, the oldest reading that counts is 365 days old."
    )


def test_where_nothing_was_read_that_is_said() -> None:
    """A listing has no oldest reading."""
    assert point(FRESH_EVIDENCE, ended(ENDED.isoformat(), None, None), ENDED).told.endswith("ago, no file was read.")


@pytest.mark.parametrize("finished", [None, "", "yesterday", "2026-11-20T12:00:00", 5])
def test_an_end_that_is_not_recorded_is_nobody_s_seen(finished: object) -> None:
    """Evidence from elsewhere may say anything, and no age is made of it."""
    found = point(FRESH_EVIDENCE, ended(finished), ENDED)
    assert found.looked is Looked.PERSON
    assert "at a time that is not recorded" in found.told


def relisted(**changes: Any) -> Relisted:
    """Return what came of listing an old side again."""
    return Relisted("2026-11-21T08:00:00+00:00", "/srv/old", 1_000_000, 0, 0, 0, 0, ctimes=True)._replace(**changes)


def test_an_old_side_that_nobody_looked_at_is_a_person_s_to_know() -> None:
    """With the advice how to look."""
    found = point(UNCHANGED, ended())
    assert found.looked is Looked.PERSON
    assert "verifier signoff --recheck-old" in found.told


def test_an_old_side_that_is_what_it_was_is_seen() -> None:
    """With when, where, how much, and what was compared."""
    assert point(UNCHANGED, ended(), ENDED, relisted()) == Point(
        UNCHANGED,
        Looked.SEEN,
        "Listed again 2026-11-21T08:00:00+00:00, /srv/old: 1,000,000 entries; names, kinds, sizes, times and change "
        "times are what they were. Content was not read again.",
    )
    assert "names, kinds, sizes and times are what" in point(UNCHANGED, ended(), ENDED, relisted(ctimes=False)).told


def test_an_old_side_that_changed_is_open() -> None:
    """With counts and a few names."""
    found = point(UNCHANGED, ended(), ENDED, relisted(gone=1, added=2000, unlisted=3, examples=("a (gone)", "b (new)")))
    assert found.looked is Looked.OPEN
    assert found.told.endswith("compared. 1 gone, 2,000 new, 3 not listed now: a (gone), b (new).")


@pytest.mark.parametrize("what", ["gone", "added", "changed", "unlisted"])
def test_anything_that_is_not_what_it_was_counts(what: str) -> None:
    """What could not be listed is no change, and is not unchanged either."""
    found = relisted(**{what: 1})
    assert not found.unchanged
    assert found.changes == (what != "unlisted")
    assert relisted().unchanged


def test_what_is_still_to_be_copied_is_open() -> None:
    """With how much, and what lists it."""
    assert point(COPIED, ended()).looked is Looked.SEEN
    found = point(COPIED, Check(ended().run, Tally(3, 2, 1_234_567)))
    assert (found.looked, "3 entries (2 files, 1,234,567 bytes): verifier recopy lists" in found.told) == (
        Looked.OPEN,
        True,
    )


def test_decisions_that_are_open_are_named_by_rule() -> None:
    """A few, and how many more; a rule's name is from a file that anybody may write."""
    assert point(DECIDED, ended()).looked is Looked.SEEN
    decisions = {f"rule-{n}": Tally(n, n, n) for n in range(1, 6)}
    found = point(DECIDED, Check(ended().run, decisions={"\x1b[2J": Tally(1, 1, 1)} | decisions))
    assert found.looked is Looked.OPEN
    assert found.told == r"Still to be decided: \x1b[2J: 1 entry, rule-1: 1 entry, rule-2: 2 entries, 3 more rules."


@pytest.mark.parametrize(
    ("age", "text"),
    [
        (timedelta(minutes=59), "less than an hour"),
        (timedelta(hours=1), "1 hour"),
        (timedelta(hours=47, minutes=59), "47 hours"),
        (timedelta(hours=48), "2 days"),
        (timedelta(days=2000), "2,000 days"),
    ],
)
def test_ages_in_words(age: timedelta, text: str) -> None:
    """Whole days; hours where it is less than two days."""
    assert age_text(age) == text
