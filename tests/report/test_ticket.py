"""summary.md: what a ticket must say, in bounds, and inert whatever the names and texts in it are."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import example, given, settings

from tests.report.decided import AT, exception, signoff
from tests.report.evidence import one_of_each, written
from tests.report.markup import Page, words
from tests.report.renderers import RENDERERS, outside_code, pages
from tests.report.test_markdown import ACTIVE, HOSTILE
from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.decisions.exceptions import LONGEST_TEXT, Withdrawal
from verifier.reconcile.findings import Systematic, Tally
from verifier.report.context import GRAVEST, Named, ReportContext
from verifier.report.ticket import LINES, ticket
from verifier.report.words import ADVICE, CAUTIONS, HEADLINES, MEANINGS, MEANS, NOT_PROVED

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verifier.reconcile.findings import Finding

LARGEST_BYTES: Final = 60_000
MOST_LINES: Final = 200
OWN_TAGS: Final = {
    "h1",
    "h2",
    "p",
    "ul",
    "li",
    "strong",
    "code",
    "blockquote",
    "table",
    "thead",
    "tbody",
    "tr",
    "th",
    "td",
}


def context_of(found: Iterable[Finding] = (), **given: Any) -> ReportContext:
    """Return what a report says about findings; arguments as for `written`."""
    shared_memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(dir=shared_memory if shared_memory.is_dir() else None))
    try:
        with written(folder, found, **given) as (context, _):
            return context
    finally:
        shutil.rmtree(folder)


@cache
def everything() -> ReportContext:
    """Return a context in which there is something of every sort."""
    problem = {"operation": "open", "error": "EACCES", "entries": 3, "folder": "f", "attempts": 1}
    return with_text(context_of(one_of_each(), problems={Side.NEW: [problem]}), "text")


def with_text(context: ReportContext, text: str, times: int = 1) -> ReportContext:
    """Return a context with a text in every place that others write in, each sort of them so many times."""
    named = {"label": text, "root": text, "host": text, "fingerprint": text, "algorithm": text}
    named |= {"complete": "0", "interrupted": text}
    problem = {"operation": text, "error": text, "entries": 3, "folder": text, "attempts": 1}
    rules = [replace(use, name=f"{number}{text}", what=text) for number, use in enumerate(context.rules * times)]
    gone = Withdrawal(AT, text, text)
    return replace(
        context,
        verdict=replace(context.verdict, reasons=(text,) * times),
        sides={
            side: replace(facts, facts={**facts.facts, **named}, problems=(problem,) * times)
            for side, facts in context.sides.items()
        },
        gravest=(Named(Cause.SILENT, text), Named(Class.MISSING, text, 3), *[Named(Class.MISSING, text)] * times),
        decisions={use.name: Tally(1, 1, 100) for use in rules if use.decision},
        rules=tuple(rules),
        accepted=(
            exception(1, text, until=AT),
            exception(2, text, holds=False, until=AT),
            *(exception(n, text, holds=False, withdrawn=gone) for n in range(3, 3 + times)),
        ),
        accepted_findings=Tally(1, 1, 12),
        signoff=signoff(text),
        systematic=(Systematic("times", text, Tally(9, 9, 900), 2, (text,), text),) * times,
        run={
            **context.run,
            **dict.fromkeys(("tool", "started", "finished", "frozen_at", "live_since"), text),
            "not_compared": [[text, text]] * times,
        },
    )


def skeleton(page: Page) -> list[str]:
    """Return the elements of a rendered ticket but for code spans, in order."""
    return [element.tag for element in page.elements if element.tag != "code"]


def section(text: str, heading: str) -> str:
    """Return a section of a ticket's source, without its heading; empty where there is none."""
    _, _, rest = text.partition(f"\n## {heading}\n\n")
    return rest.partition("\n## ")[0].rstrip("\n")


# ---- What it says


@pytest.mark.parametrize("kind", VerdictKind)
def test_the_verdict_comes_first_in_words(kind: VerdictKind) -> None:
    """The heading is the verdict, then what it means, then the reasons one by one."""
    context = context_of(kind=kind)
    lines = ticket(replace(context, verdict=replace(context.verdict, reasons=("one reason", "another")))).splitlines()
    assert lines[0] == f"# Verification of a moved file tree: {HEADLINES[kind].lower()}"
    assert lines[2].startswith(f"**{MEANINGS[kind]}** ")
    trusted = kind in (VerdictKind.TRUSTWORTHY, VerdictKind.WITH_EXCEPTIONS)
    assert lines[2].endswith("This rests on:" if trusted else "In the way:")
    assert lines[4:6] == ["- one reason", "- another"]


def test_what_must_be_known_before_any_number_comes_before_all_numbers() -> None:
    """Interrupted, only listed, digests that show no deceit: told as the page tells it, above the two sides."""
    facts = {
        Side.OLD: {"algorithm": "xxh3-128", "listing_only": "1"},
        Side.NEW: {"complete": "0", "interrupted": "the share @ garden went away"},
    }
    head = ticket(context_of(facts=facts)).partition("\n## ")[0]
    notes = [line.removeprefix("**Note first:** ") for line in head.splitlines() if line.startswith("**Note first")]
    assert notes == [
        "The old side was only listed: no file of it was read.",
        "The scan of the new side is incomplete: the share `@` garden went away.",
        "The digests show accidents, not deceit: with this algorithm somebody could make two files look alike.",
    ]
    assert "Note first" not in ticket(context_of())


def test_report_tool_and_times_are_named() -> None:
    """A ticket is found again from the report, and the report from the ticket."""
    context = context_of()
    (line,) = [line for line in ticket(context).splitlines() if line.startswith("Report ")]
    assert line == (
        f"Report `{context.report_id}`, made with `verifier 0.1.0` from 2024-03-04 05:00:00 UTC to "
        "2024-03-04 06:01:00 UTC. Exit code 0."
    )


def test_both_sides_are_told_with_what_was_read_of_them() -> None:
    """Where, which machine, how much, how much of it was read, the fingerprint, and that a scan is not finished."""
    facts = {Side.NEW: {"complete": "0", "interrupted": "the share went away", "fingerprint": ""}}
    totals = {Side.NEW: {"proved_files": 20, "carried_files": 7}}
    told = section(ticket(context_of(facts=facts, totals=totals)), "The two sides").splitlines()
    assert told[0] == (
        "- **Old:** `/srv/old`, label `old`, on `old-server`: 30 files, 5 kB (5,000 bytes), every file read. "
        f"Fingerprint (blake3) `{'0' * 64}`"
    )
    assert told[1] == (
        "- **New:** `/srv/new`, label `new`, on `new-server`: 30 files, 5 kB (5,000 bytes), 20 of them read, 7 not "
        "read now but known from an earlier scan. **Its scan is not complete.** Fingerprint (blake3) none"
    )


def test_a_side_that_was_only_listed_is_not_said_to_be_read() -> None:
    """Names and sizes are not content."""
    facts = {Side.OLD: {"listing_only": "1", "fingerprint": ""}}
    told = section(ticket(context_of(facts=facts)), "The two sides").splitlines()
    assert "30 files, 5 kB (5,000 bytes), none of them read. Fingerprint (blake3) none" in told[0]


def test_what_excuses_changes_and_what_went_wrong_is_told() -> None:
    """The times that make drift of a change, and errors with what to do about them."""
    problem = {"operation": "open", "error": "EACCES", "entries": 3, "folder": "accounts", "attempts": 1}
    context = context_of(problems={Side.OLD: [problem]}, frozen_at=AT, live_since=AT)
    told = section(ticket(context), "The two sides")
    assert "The old side was frozen at 2026-11-28 10:00:00 UTC. The new side is in use since 2026-11-28" in told
    assert "Errors that were met:\n\n- old: EACCES (open) on 3 entries under `accounts/`: run as a user who may" in told
    assert "frozen" not in ticket(context_of())
    assert "Errors" not in ticket(context_of())


def test_every_part_in_the_way_has_its_count_its_meaning_and_what_to_do() -> None:
    """What blocks or leaves open is told part by part, with the causes of changed content."""
    context = context_of(one_of_each())
    told = section(ticket(context), "What stands in the way")
    parts = [part for part in context.parts if part.severity in (Severity.BLOCKER, Severity.INCONCLUSIVE)]
    assert len(parts) == 6
    for part in parts:
        assert f"- **{part.heading}: {part.count}**, {MEANS[part.cls]}. {ADVICE[part.cls]}" in told
    assert "  - silent: 1, same size and same time, other bytes" in told


def test_the_gravest_are_named_and_the_others_counted() -> None:
    """A folder of one fate is one line with its number; named and counted lines add up to all that is in the way."""
    told = section(ticket(context_of(one_of_each())), "What stands in the way")
    assert "\n- silent: `c/some/path`\n- missing: `g/some/path/` (2 entries)\n" in told
    # 8 findings stand in the way; two in the folder and five more are named.
    assert len([line for line in told.splitlines() if line.startswith(("- silent", "- missing"))]) == 3
    assert told.endswith("- besides, 1 entry in `differences.csv`")


def test_a_policy_that_weighed_is_named() -> None:
    """What is heavier or lighter than by default says so where it is told."""
    found = [finding._replace(severity="blocker") for finding in one_of_each() if finding.cls == "extra"]
    told = section(
        ticket(context_of(found, policy={"class": {"extra": "blocker"}, "field": {}})), "What stands in the way"
    )
    assert "- **Extra: 1 file, 100 B**" in told
    assert "Weighed as “blocker” by the policy in the rule files." in told


def test_what_needs_a_decision_is_told_by_the_name_of_the_rule() -> None:
    """Set aside and perhaps somebody's work; and what needs a look."""
    told = section(ticket(context_of(one_of_each())), "What needs a decision")
    assert "- `bin`, bin with deleted files: 1 file, 100 B on the old side" in told
    assert "- **Signs of use: 1 file, 100 B**" in told
    assert "- **Name altered: 1 file, 100 B**" in told
    assert "previews" not in told


def test_what_was_decided_asks_for_nothing_any_more() -> None:
    """A rule whose finds somebody accepted is told among those that set something aside, without the request."""
    context = context_of(one_of_each())
    told = section(ticket(context), "What rules set aside").splitlines()
    assert (
        told[0]
        == "- `bin`, bin with deleted files: 1 entry, 100 B on the old side, 0 B on the new side; **needs a decision**"
    )
    decided = section(ticket(replace(context, decisions={})), "What rules set aside").splitlines()
    assert decided == [told[0].partition(";")[0], *told[1:]]


def test_an_exception_is_told_with_who_why_and_what_it_covers() -> None:
    """What somebody accepted, by whom, why, until when, what it covered then and covers now; what holds comes first."""
    ended = exception(1, holds=False, pattern="maps/*", by="the archivist", because="redrawn", until=AT)
    gone = Withdrawal(AT, "the head gardener", "found again")
    context = replace(
        context_of(),
        accepted=(
            ended,
            exception(2, holds=False, pattern="seeds", withdrawn=gone),
            exception(3, pattern="labels/", by="the archivist", because="printed anew", until=AT),
        ),
        accepted_findings=Tally(1, 1, 12),
    )
    told = section(ticket(context), "What was accepted by name").splitlines()
    assert told[0] == "1 exception holds of 3 on record. Covered: 1 file, 12 B."
    then = "when it was accepted it covered 2 files, 24 B"
    by = "Accepted by the archivist, 2026-11-28 10:00:00 UTC, until 2026-11-28 10:00:00 UTC"
    assert told[2:5] == [
        f"- No. 3, `labels/`, missing, holds: now it covers 1 file, 12 B; {then}. {by}: printed anew",
        f"- No. 1, `maps/*`, missing, **does not hold any more**; {then}. {by}: redrawn",
        "- No. 2, `seeds`, missing, **withdrawn** by the head gardener, 2026-11-28 10:00:00 UTC (found again); "
        f"{then}. Accepted by text, 2026-11-28 10:00:00 UTC: text",
    ]


def test_an_exception_that_covers_nothing_says_so() -> None:
    """An exception under which nothing is found any more is a fact, not a file of no bytes."""
    context = replace(context_of(), accepted=(replace(exception(), now=Tally()),))
    told = section(ticket(context), "What was accepted by name")
    assert "Covered: nothing." in told
    assert "holds: now it covers nothing; when it was accepted it covered 2 files, 24 B" in told


def test_a_sign_off_says_who_when_and_despite_what() -> None:
    """Despite is bold and on its own line, the statement is quoted, and the verdict that was signed is named."""
    context = context_of(kind=VerdictKind.NOT_TRUSTWORTHY)
    signed = signoff(
        report_id=context.report_id,
        by="the archivist",
        role="head of the herbarium",
        key="",
        despite="the old disks fail",
        statement="We keep both.",
        host="desk",
    )
    told = section(ticket(replace(context, signoff=signed)), "Sign-off").split("\n\n")
    assert told[0] == (
        "Signed by **the archivist** (head of the herbarium), 2026-11-28 10:00:00 UTC, on `desk`, without a key: "
        "“Not trustworthy”."
    )
    assert told[1] == "**Signed despite this verdict, because:** the old disks fail"
    assert told[2] == "> We keep both."
    assert len(told) == 3
    (page, _) = pages(ticket(replace(context, signoff=signed)))
    assert words(page.all("blockquote")[0].text) == "We keep both."


def test_a_sign_off_for_another_report_is_not_passed_over() -> None:
    """Findings that were replaced after somebody signed are not what was signed."""
    context = context_of()
    told = section(ticket(replace(context, signoff=signoff(report_id="0123456789abcdef"))), "Sign-off")
    assert "**It was given for report `0123456789abcdef`, and this is another one.**" in told
    assert "## Sign-off" not in ticket(context)


def test_a_whole_statement_is_told() -> None:
    """As much as a sign-off takes is shown, despite and statement alike."""
    longest = "word " * (LONGEST_TEXT // 5 - 1) + "end"
    told = section(ticket(replace(context_of(), signoff=signoff(despite=longest, statement=longest))), "Sign-off")
    assert told.count(" word end") == 2


def test_the_account_is_a_table_of_what_is_there() -> None:
    """Classes with entries on either side, and the total as the scans counted it; both renderers see a table."""
    found = [one for one in one_of_each() if one.cls in ("missing", "extra")]
    for page in pages(ticket(context_of(found))):
        (table,) = page.all("table")
        rows = [page.cells(row)[:-1] for row in page.within(table, "tr")]
        assert rows == [
            ["Class", "Old: entries", "Old: bytes", "New: entries", "New: bytes"],
            ["identical", "40", "5,000", "40", "5,000"],
            ["missing", "3", "200", "0", "0"],
            ["extra", "0", "0", "1", "100"],
            ["everything", "43", "5,200", "41", "5,100"],
        ]


def test_an_account_that_does_not_balance_is_not_passed_over() -> None:
    """Numbers that do not add up are the first thing to know about them."""
    told = section(ticket(context_of(uncounted=1)), "Where everything went")
    assert told.startswith("**The account of the old side does not balance. Rely on nothing here.**")
    assert "Every entry" not in told


def test_the_limits_and_the_cautions_are_whole() -> None:
    """Who only has the ticket reads them there; what was not compared is named with its reason."""
    text = ticket(context_of())
    assert section(text, "What this does not prove").splitlines() == [f"- {limit}" for limit in NOT_PROVED]
    assert section(text, "Before anything is wiped").splitlines() == [f"- {caution}" for caution in CAUTIONS]
    assert section(text, "What was not compared").strip() == "- `ctime`: set by the system"


def test_a_clean_copy_is_told_in_few_lines() -> None:
    """Good news has no empty sections."""
    text = ticket(context_of(not_compared=[]))
    assert [line for line in text.splitlines() if line.startswith("## ")] == [
        "## The two sides",
        "## Where everything went",
        "## What this does not prove",
        "## Before anything is wiped",
        "## Where the rest is",
    ]
    assert len(text.splitlines()) < 50


def test_the_rest_is_named_with_its_amount() -> None:
    """Where every finding is, how many there are, and what lists those that have to be copied again."""
    told = section(ticket(context_of(one_of_each())), "Where the rest is")
    assert "- `differences.csv`: every finding, 16 rows" in told
    assert "Still to be copied again: 5 entries, 4 of them files, 400 B." in told
    assert "`verifier recopy`" in told
    assert "recopy" not in ticket(context_of())


def test_the_same_context_gives_the_same_text_without_its_place() -> None:
    """A ticket does not hang on where the evidence lies."""
    context = everything()
    assert ticket(replace(context, evidence=Path("/elsewhere"))) == ticket(context)


# ---- Bounds


@pytest.mark.parametrize(
    "text", ["word " * 900, "`" * 2100, "` " * 1100, "\U0001f33f" * 2100, "\u202e" * 300, "\\|" * 1100, "@a " * 900]
)
def test_it_is_never_longer_than_a_tracker_takes(text: str) -> None:
    """Too many of everything, with the longest texts: 200 lines and 60 kB at most, and what is left out is counted."""
    context = with_text(everything(), text, 2 * LINES + 1)
    # Every part that there is in a second weight, which few policies bring about.
    told = ticket(replace(context, parts=(*context.parts, *context.parts)))
    assert len(told.encode()) <= LARGEST_BYTES
    assert len(told.splitlines()) <= MOST_LINES
    assert told.count("\n- and ") == 8


def test_what_is_left_out_is_counted() -> None:
    """Shown and counted make all, in every list."""
    text = ticket(with_text(everything(), "text", 30))
    counted = [line for line in text.splitlines() if line.startswith("- and ")]
    rules = 30 * len(everything().rules)
    assert counted == [
        f"- and {30 - 2 * LINES} more in `summary.json`",
        f"- and {60 - LINES} more in `report.html`",
        f"- and {32 - LINES} more of these in `differences.csv`",
        f"- and {30 - LINES} more in `report.html`",
        f"- and {32 - LINES} more in `summary.json`",
        f"- and {30 - LINES} more in `summary.json`",
        f"- and {rules - LINES} more rules in `summary.json`",
        f"- and {30 - LINES} more in `summary.json`",
    ]


def test_all_of_the_gravest_find_room() -> None:
    """The few that a context names are all named, also with the longest of usual paths."""
    assert GRAVEST <= LINES
    context = replace(everything(), gravest=(Named(Cause.SILENT, "x" * 5000),) * GRAVEST)
    assert section(ticket(context), "What stands in the way").count("\n- silent: ") == GRAVEST


# ---- Inert


@settings(max_examples=20)  # each renders the whole ticket twice
@given(HOSTILE)
@example("</li></ul><h1>Trustworthy</h1>")
@example("text\n\n# Trustworthy\n\n- [x] checked")
@example("| a | b |\n|---|---|")
def test_whatever_stands_in_it_the_ticket_keeps_its_shape(text: str) -> None:
    """Names, labels, reasons and statements of any characters: the elements are the ticket's own, none more or less."""
    told = ticket(with_text(everything(), text))
    for page, usual in zip(pages(told), _usual(), strict=True):
        assert skeleton(page) == usual
        assert {element.tag for element in page.elements} == OWN_TAGS
        assert all(set(element.attributes) <= {"style", "align"} for element in page.elements)
    for searched in outside_code(told):
        assert not ACTIVE.search(searched)


@cache
def _usual() -> list[list[str]]:
    return [skeleton(page) for page in pages(ticket(everything()))]


def test_the_shape_has_every_element_of_the_ticket() -> None:
    """What the shape is held against shows every sort of thing, so that nothing is held against nothing."""
    assert len(RENDERERS) == 2
    for page in pages(ticket(everything())):
        assert {element.tag for element in page.elements} == OWN_TAGS
    headings = [line for line in ticket(everything()).splitlines() if line.startswith("## ")]
    assert len(headings) == 12
