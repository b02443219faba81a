"""One evidence folder in every form: a number that stands in several of them is the same number in all.

What the table has row by row is counted again here, so that the other forms are held against something that none of
them computed.
"""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import (
    SECOND_NS,
    T0_NS,
    entry,
    file,
    folder,
    scratch,
    unread,
    with_parents,
    write_manifest,
)
from tests.report.markup import Element, Page, words
from tests.report.renderers import pages
from verifier.check import CheckRequest, check
from verifier.classes import Class, Severity, Side
from verifier.decisions.covering import accept, cover
from verifier.decisions.exceptions import Wanted
from verifier.evidence import FINDINGS_FILE, PAGE_FILE, SUMMARY_FILE, TABLE_FILE, TICKET_FILE
from verifier.reconcile.findings import Findings, Tally
from verifier.reconcile.recopy import to_recopy
from verifier.report.parts import counted
from verifier.report.terminal import summarise
from verifier.report.words import HEADLINES
from verifier.report.write import write_report
from verifier.rules.load import load_rules
from verifier.tree.entry import Kind, State
from verifier.verdict import PHRASES, count_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verifier.report.context import ReportContext
    from verifier.tree.entry import Entry

LATE_NS: Final = T0_NS + 90 * 86400 * SECOND_NS
FROZEN: Final = datetime.fromtimestamp(T0_NS // SECOND_NS + 86400, UTC)
AT: Final = datetime(2100, 1, 1, tzinfo=UTC)
"""When things are accepted: after every check that will ever run here."""
IN_THE_WAY: Final = (Severity.BLOCKER, Severity.INCONCLUSIVE)


def both_sides() -> tuple[list[Entry], list[Entry]]:
    """Return two sides in which every class shows, some of them more than once, with bytes that tell them apart."""
    hour_ns = 3600 * SECOND_NS
    shared = [file("same"), file("same too", b"more"), entry("pipe", Kind.FIFO)]
    old = [
        *shared,
        *(file(f"shifted/{n:02}", b"%d" % n * 7) for n in range(12)),
        *(file(f"gone/{n}", b"%d gone" % n) for n in range(3)),
        file("lost", b"lost"),
        file("let go", b"let it go"),
        file("silent", b"x" * 700),
        file("cut", b"0123456789"),
        file("zero", b"y" * 700),
        file("kind", b"kind"),
        file("moved", b"moved from here"),
        file("CASE", b"case"),
        file("mode", b"mode of it"),
        file("unread", b"unread"),
        file("moving", b"moving"),
        file("listed", b"listed only"),
        file("late", b"before", mtime_ns=LATE_NS),
        file("$RECYCLE.BIN/letter", b"dear"),
        file("Thumbs.db", bytes.fromhex("d0cf11e0a1b11ae1") + bytes(100)),
        file("~$text.docx", b"o" * 162),
    ]
    new = [
        *shared,
        *(file(f"shifted/{n:02}", b"%d" % n * 7, mtime_ns=T0_NS + hour_ns) for n in range(12)),
        file("silent", b"x" * 699 + b"z"),
        file("cut", b"01234"),
        file("zero", bytes(700)),
        folder("kind"),
        file("moved there", b"moved from here"),
        file("case", b"case"),
        file("mode", b"mode of it", mode=0o600),
        unread(file("unread", b"unread"), State.UNREADABLE, "EIO: read"),
        unread(file("moving", b"moving"), State.UNSETTLED, "changed while it was being read"),
        unread(file("listed", b"listed only")),
        file("late", b"after"),
        file("extra", b"an extra one"),
    ]
    return with_parents(old), with_parents(new)


@dataclass(frozen=True)
class Told:
    """The same evidence in every form."""

    context: ReportContext
    page: Page
    tickets: list[Page]
    source: str
    """Of the ticket."""
    summary: dict[str, Any]
    rows: list[dict[str, str]]
    screen: list[str]
    to_copy: int
    """Paths that `verifier recopy` lists."""

    def in_the_way(self) -> list[dict[str, str]]:
        """Return the table's rows that weigh most."""
        return [row for row in self.rows if row["severity"] in IN_THE_WAY]


@pytest.fixture(scope="module")
def told() -> Iterator[Told]:
    """Give a check of two sides with something of everything, of which one missing file was accepted."""
    with scratch() as base:
        for name, entries in zip(("o", "n"), both_sides(), strict=True):
            write_manifest(base / name, entries)
        proof = base / "proof"
        check(CheckRequest(base / "o", base / "n", proof, rules=load_rules(), frozen_at=FROZEN))
        with Findings.open(proof / FINDINGS_FILE) as findings:
            cover(findings, proof, AT)
            accept(proof, findings, Wanted("let go", Class.MISSING, "nobody needs it", "the archivist", AT, AT))
        with Findings.open(proof / FINDINGS_FILE) as findings:
            cover(findings, proof, AT)
            to_copy = len(list(to_recopy(findings, newer=False)))
        yield read(write_report(proof), to_copy)


def read(context: ReportContext, to_copy: int) -> Told:
    """Read every form of a report as somebody else would."""
    texts = {
        name: (context.evidence / name).read_bytes().decode()
        for name in (PAGE_FILE, SUMMARY_FILE, TABLE_FILE, TICKET_FILE)
    }
    return Told(
        context,
        Page(texts[PAGE_FILE].removeprefix("<!DOCTYPE html>")),
        pages(texts[TICKET_FILE]),
        texts[TICKET_FILE],
        json.loads(texts[SUMMARY_FILE]),
        list(csv.DictReader(texts[TABLE_FILE].splitlines(), strict=True)),
        [line.text for line in summarise(context)],
        to_copy,
    )


def number(text: str) -> int:
    """Return the number that a text is, but for its unit and what groups its digits."""
    return int(re.sub(r"\D", "", text))


def test_there_is_something_of_everything(told: Told) -> None:
    """The numbers below are no zeros: every class is there, and something decided, accepted and systematic."""
    assert {row["class"] for row in told.rows} == {cls.value for cls in Class} - {"identical"}
    assert told.summary["decisions"]
    assert told.summary["accepted"]
    assert told.summary["systematic"]
    assert len(told.summary["gravest"]) == 6


def test_verdict_reasons_and_number_of_the_report(told: Told) -> None:
    """One verdict, the same reasons in the same order, one id."""
    headline = HEADLINES[told.context.verdict.kind]
    reasons = told.summary["reasons"]
    assert told.summary["verdict"] == told.context.verdict.kind.value == "not-trustworthy"
    assert told.screen[0] == headline.upper()
    assert [line.strip() for line in told.screen[2 : 2 + len(reasons)]] == reasons
    (frame,) = told.page.all("div", "verdict")
    assert headline in frame.text
    assert [item.text for item in told.page.within(frame, "li")] == reasons
    assert told.page.all("span", "id")[0].text == told.summary["report_id"]
    for ticket in told.tickets:
        assert ticket.all("h1")[0].text.endswith(f": {headline.lower()}")
        assert [item.text for item in ticket.within(ticket.all("ul")[0], "li")] == reasons
        assert f"Report {told.summary['report_id']}, " in "".join(p.text for p in ticket.all("p"))


def test_the_account(told: Told) -> None:
    """Entries and bytes of each class and side: summary, page, ticket, and the table counted again."""
    account = {
        side: {cls: (tally["entries"], tally["bytes"]) for cls, tally in of_side["by_class"].items()}
        for side, of_side in told.summary["account"].items()
    }
    for side in Side:
        rows = [row for row in told.rows if row[f"{side}_path"]]
        entries = Counter(row["class"] for row in rows)
        assert {cls: count for cls, (count, _) in account[side].items() if cls != "identical"} == {
            cls.value: entries[cls] for cls in Class if cls is not Class.IDENTICAL
        }
        whole = told.summary["account"][side]
        assert tuple(map(sum, zip(*account[side].values(), strict=True))) == (whole["entries"], whole["bytes"])
    assert page_account(told.page) == account
    there = {cls.value for cls in Class if any(account[side][cls][0] for side in Side)}
    for ticket in told.tickets:
        lines = [ticket.cells(row) for row in ticket.within(ticket.all("table")[0], "tr")][1:]
        *classes, total = [(line[0], *map(number, line[1:5])) for line in lines]
        assert classes == [(cls.value, *account["old"][cls], *account["new"][cls]) for cls in Class if cls in there]
        sides = [told.summary["sides"][side] for side in Side]
        assert total == ("everything", *(side[key] for side in sides for key in ("entries", "bytes")))


def page_account(page: Page) -> dict[str, dict[str, tuple[int, int]]]:
    """Return the account that the page shows."""
    (table,) = page.all("table", "account")
    heads = [head for head in page.within(table, "th") if head.attributes["scope"] == "row"]
    lines = [page.cells(head.inside[-1]) for head in heads]
    counts = {line[0].split()[0]: [number(cell) for cell in line[1:]] for line in lines}
    return {
        side: {cls.value: (counts[cls][at], counts[cls][at + 1]) for cls in Class}
        for side, at in (("old", 0), ("new", 2))
    }


def answer(page: Page, question: str) -> Element:
    """Return the section of the page that answers a question, by a part of it."""
    (heading,) = [heading for heading in page.all("h2") if question in heading.text]
    return heading.inside[-1]


def test_each_side(told: Told) -> None:
    """Files, bytes, how many were read, fingerprint: summary, page, ticket, screen."""
    for side in Side:
        facts = told.summary["sides"][side]
        files, size = count_of(facts["files"], "file", "files"), f"{facts['bytes']:,} bytes"
        read = f"{facts['proved_files']:,} of them read"
        if facts["files"] == facts["proved_files"]:
            read = "every file read"
        for ticket in told.tickets:
            (line,) = [e.text for e in ticket.all("li") if e.text.startswith(f"{side.capitalize()}:")]
            assert all(said in line for said in (files, size, read, facts["fingerprint"], facts["root"]))
        (line,) = [line for line in told.screen if line.startswith(f"{side} ")]
        assert all(said in line for said in (files, read.replace(" of them", "")))
        checked = words(answer(told.page, "How was it checked?").text)
        assert facts["fingerprint"] in checked
        part = f"{facts['proved_files']:,} of {facts['files']:,}"
        assert (f"all {facts['files']:,}" if read == "every file read" else part) in checked
        overview = words(answer(told.page, "Can this copy be trusted?").text)
        assert f"{facts['bytes']:,}\u00a0B" in overview.replace(" B", "\u00a0B")


def test_what_stands_in_the_way(told: Told) -> None:
    """Each part has one count in page and ticket; parts and what was accepted make what the table weighs most."""
    by_class = Counter(row["class"] for row in told.in_the_way())
    accepted = told.summary["accepted_findings"]["entries"]
    assert accepted == 1
    by_class["missing"] -= accepted
    counts_of = {heading.text: told.page.within(heading.inside[-1], "b") for heading in told.page.all("h3")}
    in_page = {(heading, words(bold[0].text)) for heading, bold in counts_of.items() if bold}
    for ticket in told.tickets:
        bold = [e.text.partition(": ")[::2] for e in ticket.all("strong") if e.inside[-1].tag == "li"]
        parts = [(heading, count) for heading, count in bold if heading not in ("Old", "New") and count]
        assert set(parts) <= in_page
        counts = {heading.lower().replace(" ", "-"): number(count.split(" ")[0]) for heading, count in parts}
        assert {cls: counts[cls] for cls in by_class} == by_class


def test_the_gravest(told: Told) -> None:
    """The same names in the same order; with the others they are all that stands in the way."""
    gravest = told.summary["gravest"]
    paths = [f"{one['path']}/" if one["entries"] else one["path"] for one in gravest]
    on_screen = [line.split(maxsplit=2)[:2] for line in told.screen if re.match("  [a-z-]+ {2,}", line)]
    assert len(on_screen) >= 4
    assert on_screen == [[one["what"], path] for one, path in zip(gravest, paths, strict=True)][: len(on_screen)]
    open_findings = len(told.in_the_way()) - told.summary["accepted_findings"]["entries"]
    besides = open_findings - sum(one["entries"] or 1 for one in gravest)
    for ticket in told.tickets:
        texts = [e.text for e in ticket.all("li")]
        first = texts.index(f"{gravest[0]['what']}: {paths[0]}")
        shown = [text.partition(" (")[0] for text in texts[first : first + len(gravest)]]
        assert shown == [f"{one['what']}: {path}" for one, path in zip(gravest, paths, strict=True)]
        assert texts[first + len(gravest)] == f"besides, {besides} entries in differences.csv"


def test_decisions_and_what_rules_set_aside(told: Told) -> None:
    """By rule: summary, ticket, page, screen, and the table counted again."""
    by_rule = Counter(row["rule"] for row in told.rows if row["class"] == "clutter")
    assert {one["rule"]: one["entries"] for one in told.summary["rules"]["set_aside"]} == by_rule
    decisions = {rule: Tally(**tally) for rule, tally in told.summary["decisions"].items()}
    files = sum(tally.files for tally in decisions.values())
    assert f"{count_of(files, 'file', 'files')} set aside needs a decision by name: see the report" in told.screen
    assert f"{count_of(files, 'file', 'files')} set aside" in words(answer(told.page, "Can this copy").text)
    for ticket in told.tickets:
        texts = [e.text for e in ticket.all("li")]
        for rule, tally in decisions.items():
            assert any(text.startswith(f"{rule}, ") and f": {counted(tally)} on the old side" in text for text in texts)
        for rule, entries in by_rule.items():
            assert any(f": {count_of(entries, 'entry', 'entries')}, " in t for t in texts if t.startswith(f"{rule}, "))


def test_what_is_the_same_way_everywhere(told: Told) -> None:
    """Text and number of each systematic difference: summary, ticket, screen, page, and the table's last column."""
    for position, one in enumerate(told.summary["systematic"], 1):
        said = f"{one['text']}: {count_of(one['entries'], 'entry', 'entries')}"
        assert one["entries"] == sum(str(position) in row["systematic"].split(";") for row in told.rows)
        assert f"  {said}" in told.screen
        assert all(any(e.text.startswith(said) for e in ticket.all("li")) for ticket in told.tickets)
        assert any(
            one["text"] in row.text and told.page.cells(row)[1] == str(one["entries"])
            for row in told.page.within(answer(told.page, "What else differs?"), "tr")
        )


def test_what_is_only_counted_on_the_screen(told: Told) -> None:
    """The screen's counts of what is harmless are the summary's, which are the table's."""
    by_class = Counter(row["class"] for row in told.rows)
    screen = " ".join(told.screen)
    for cls in (Class.IDENTICAL, Class.RELOCATED, Class.METADATA_ONLY, Class.EXTRA, Class.DRIFT, Class.CLUTTER):
        entries = told.summary["classes"][cls]["entries"]
        assert cls is Class.IDENTICAL or entries == by_class[cls]
        assert f"{entries} {PHRASES[cls]}" in screen


def test_what_was_accepted(told: Told) -> None:
    """Who accepted what, and how much it covers: summary and ticket, and the verdict counts the others only."""
    (one,) = told.summary["accepted"]
    assert (one["by"], one["holds"], one["covered_now"]) == ("the archivist", True, told.summary["accepted_findings"])
    assert one["covered_then"] == one["covered_now"] == {"entries": 1, "files": 1, "bytes": 9}
    missing = sum(row["class"] == "missing" and row["old_path"] != "gone" for row in told.rows)
    assert f"{missing - 1} files and 1 folder missing" in told.summary["reasons"]
    for ticket in told.tickets:
        (line,) = [e.text for e in ticket.all("li") if e.text.startswith("No. 1, ")]
        covered = counted(Tally(**one["covered_now"]))
        assert (
            f"No. 1, let go, missing, holds: now it covers {covered}; when it was accepted it covered {covered}" in line
        )
        assert f"Accepted by {one['by']}, " in line
        assert f"covers {covered}" in words(answer(told.page, "what was accepted?").text)


def test_what_is_elsewhere(told: Told) -> None:
    """The ticket says how many rows the table has, and what has to be copied again as `recopy` lists it."""
    # `recopy` leaves a folder out where something in it is listed, and here there is no other.
    assert told.to_copy == told.summary["to_copy_again"]["files"]
    to_copy = counted(Tally(**told.summary["to_copy_again"]))
    assert f"To be copied again from the old side: {to_copy}." in words(answer(told.page, "in the way?").text)
    for ticket in told.tickets:
        text = words(" ".join(e.text for e in ticket.elements))
        assert f"every finding, {len(told.rows)} rows" in text
        assert f"Still to be copied again: {to_copy}" in text


def test_every_form_is_written_again_to_the_byte(told: Told) -> None:
    """The same evidence gives the same bytes in every form, exceptions included."""
    names = (PAGE_FILE, SUMMARY_FILE, TABLE_FILE, TICKET_FILE)
    before = {name: (told.context.evidence / name).read_bytes() for name in names}
    for name in names:
        (told.context.evidence / name).unlink()
    write_report(told.context.evidence)
    assert {name: (told.context.evidence / name).read_bytes() for name in names} == before
