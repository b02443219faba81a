"""What the page says about decisions: what asks for one, what was accepted, and who signed."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.report.evidence import FINISHED, POINTS, RULES, finding, one_of_each, page, parsed, wanted, written
from tests.report.markup import Element, Page, words
from verifier.classes import Class, VerdictKind
from verifier.decisions.exceptions import Exceptions, Withdrawal
from verifier.evidence import EXCEPTIONS_FILE, FINDINGS_FILE
from verifier.reconcile.findings import Findings
from verifier.report.context import build_context
from verifier.report.page import DECISION_LINES, render_page
from verifier.report.words import HEADLINES, LOOKED_WORDS

if TYPE_CHECKING:
    from pathlib import Path

LATER: Final = FINISHED + timedelta(days=30)
BEARS: Final = (VerdictKind.TRUSTWORTHY, VerdictKind.WITH_EXCEPTIONS)


# ---- Set aside


def test_what_was_set_aside_is_counted_by_rule(tmp_path: Path) -> None:
    """Each rule that claimed something says what it is, who makes it, what was done, how many entries and bytes."""
    findings = [finding(Class.CLUTTER, f"p/{n}", rule="previews", old_size=600) for n in range(3)]
    report = parsed(tmp_path, findings)
    said = "previewspreview cache; made by a desktop; action: set-aside"
    assert report.cells(report.rows(6)[0]) == [said, "3", "1.8 kB", "0 B"]
    text = words(report.section(6).text)
    assert "standard" in text
    assert "d" * 64 in text
    assert "no class and no field was weighed differently" in text
    assert report.answer(6) == "3 entries"


def test_what_was_set_aside_without_a_decision_is_listed(tmp_path: Path) -> None:
    """What a rule set aside and nobody has to decide about can be looked at by name, folded away."""
    findings = [finding(Class.CLUTTER, f"p/{n}", rule="previews") for n in range(2)]
    findings.append(finding(Class.CLUTTER, "bin/x", rule="bin", decision=True))
    report = parsed(tmp_path, findings)
    (fold,) = report.within(report.section(6), "details")
    assert [e.text for e in report.within(fold, "bdi")] == ["p/0", "p/1"]
    assert "without asking for a decision: 2 files, 200 B" in words(report.section(6).text)


def test_a_folder_that_no_rule_lets_be_entered_is_marked(tmp_path: Path) -> None:
    """Of a folder that was not entered the page says that its content is not known."""
    rules = {"snapshots": RULES["previews"] | {"action": "do-not-descend"}}
    found = finding(Class.CLUTTER, "s", rule="snapshots", old_kind="directory")
    assert "it is not known what is in it" in parsed(tmp_path, [found], rules=rules).section(6).text


def test_decisions_are_asked_for_rule_by_rule(tmp_path: Path) -> None:
    """A rule that asks for a decision shows its count and bytes on the old side and what it set aside by name."""
    findings = [finding(Class.CLUTTER, f"bin/{n}", rule="bin", decision=True) for n in range(3)]
    findings += [finding(Class.CLUTTER, "bin/empty", rule="bin", old_size=0)]
    report = parsed(tmp_path, findings)
    text = words(report.section(5).text)
    assert "3 files, 300 B on the old side; made by a desktop" in text
    assert names_in(report, report.section(5)) == ["bin/0", "bin/1", "bin/2"]
    assert report.answer(5) == "3 files set aside"


def names_in(report: Page, element: Element) -> list[str]:
    """Return the paths of the findings that are listed in an element."""
    return [
        report.within(row, "bdi")[0].text
        for row in report.within(element, "tr")
        if any("rows" in e.classes for e in row.inside) and row.inside[-1].tag == "tbody"
    ]


def test_signs_of_use_are_asked_about(tmp_path: Path) -> None:
    """What a rule only reports stands among what needs a look, under a heading of its own."""
    found = finding(Class.CLUTTER, "~$x.docx", rule="open-sign", severity="attention")
    report = parsed(tmp_path, [found])
    assert [h.text for h in report.within(report.section(5), "h3")] == ["Signs of use"]
    assert "~$x.docx" in report.section(5).text
    assert "~$x.docx" not in report.section(6).text


def test_what_needs_a_decision_is_not_listed_again_as_a_look(tmp_path: Path) -> None:
    """Where a policy makes everything set aside need a look, what has its own line for a decision stands only there."""
    aside = {"rule": "bin", "severity": "attention"}
    findings = [
        finding(Class.CLUTTER, "bin/full", decision=True, **aside),
        finding(Class.CLUTTER, "bin/empty", old_size=0, **aside),
    ]
    report = parsed(tmp_path, findings, policy={"class": {"clutter": "attention"}, "field": {}})
    assert names_in(report, report.section(5)) == ["bin/full", "bin/empty"]


# ---- Accepted by name


def exceptions_on(report: Page) -> list[Element]:
    """Return the exceptions that a page tells, in order."""
    return report.all("section", "exception")


def test_an_exception_says_who_accepted_what_and_why(tmp_path: Path) -> None:
    """An exception in force names its finding, its author, its reason, its end and its digest; the finding stays."""
    findings = [finding(Class.MISSING, f"rotten/{n}") for n in range(2)]
    accepted = wanted("rotten/", because="water damage, 1987", by="A Curator", until=LATER)
    report = parsed(tmp_path, findings, exceptions=[accepted])
    (told,) = exceptions_on(report)
    with Exceptions.open(tmp_path / EXCEPTIONS_FILE) as store:
        (record,) = store.all()
    text = words(told.text)
    for said in (
        "Exception 1: missing, rotten/",
        "water damage, 1987",
        "Accepted by A Curator, 2024-03-04 06:01:00 UTC, until 2024-04-03 06:01:00 UTC.",
        "It covered 2 files, 200 B when it was given, and covers 2 files, 200 B here.",
        f"Digest of what it covers: {record.digest}.",
    ):
        assert said in text, said
    assert names_in(report, told) == ["rotten/0", "rotten/1"]
    assert report.answer(1) == HEADLINES[VerdictKind.WITH_EXCEPTIONS]
    assert report.answer(2) == "Nothing"
    assert report.answer(5) == "2 accepted by name"
    assert "but for what somebody accepted by name (question 5)" in report.section(2).text
    assert not names_in(report, report.section(2))
    (account,) = report.all("table", "account")
    assert [words(c).split()[0] for c in report.cells(report.within(account, "tr")[4])[:2]] == ["missing", "2"]


def test_what_no_exception_covers_stays_in_the_way(tmp_path: Path) -> None:
    """An exception takes only its own findings out of the verdict."""
    findings = [finding(Class.MISSING, "rotten/0"), finding(Class.MISSING, "lost")]
    report = parsed(tmp_path, findings, exceptions=[wanted("rotten/")])
    assert report.answer(1) == HEADLINES[VerdictKind.NOT_TRUSTWORTHY]
    assert names_in(report, report.section(2)) == ["lost"]
    assert report.answer(5) == "1 accepted by name"


def test_an_exception_that_ended_is_told_as_ended(tmp_path: Path) -> None:
    """What was accepted for a time and is over covers nothing, says so, and its findings are in the way again."""
    until = FINISHED - timedelta(days=1)
    report = parsed(tmp_path, [finding(Class.MISSING, "rotten")], exceptions=[wanted("rotten", until=until)])
    (told,) = exceptions_on(report)
    assert "Ended 2024-03-03 06:01:00 UTC. Accepted by A Curator" in words(told.text)
    assert "here" not in told.text
    assert not report.within(told, "table")
    assert names_in(report, report.section(2)) == ["rotten"]
    assert report.answer(5) == "Nothing"


def test_an_exception_that_was_withdrawn_is_told_with_who_and_why(tmp_path: Path) -> None:
    """A withdrawn exception stays on the page, with who withdrew it, when and why; the next one has its own number."""
    report = parsed(
        tmp_path,
        [finding(Class.MISSING, "rotten"), finding(Class.EXTRA, None, "more")],
        exceptions=[wanted("rotten"), wanted("more", Class.EXTRA)],
        withdrawn={1: Withdrawal("2024-03-04T07:00:00+00:00", "C Keeper", "a copy was found")},
    )
    first, second = exceptions_on(report)
    assert "Withdrawn by C Keeper, 2024-03-04 07:00:00 UTC: a copy was found." in words(first.text)
    assert not report.within(first, "table")
    assert "Withdrawn" not in second.text
    assert names_in(report, second) == ["more"]
    assert names_in(report, report.section(2)) == ["rotten"]


def test_an_exception_that_covers_nothing_here_says_so(tmp_path: Path) -> None:
    """Two exceptions never cover one finding, and one taken along to a check without its findings covers nothing."""
    (tmp_path / "first").mkdir()
    page(tmp_path / "first", [finding(Class.MISSING, "rotten")], exceptions=[wanted("rotten")])
    page(tmp_path / "next", [finding(Class.MISSING, "x")], exceptions=[wanted("x")])
    (tmp_path / "first" / EXCEPTIONS_FILE).replace(tmp_path / "next" / EXCEPTIONS_FILE)
    with Findings.open(tmp_path / "next" / FINDINGS_FILE) as store:
        report = Page(render_page(build_context(tmp_path / "next", store), store))
    (told,) = exceptions_on(report)
    assert "It covered 1 file, 100 B when it was given, and covers nothing here." in words(told.text)
    assert not report.within(told, "table")


# ---- The sign-off


def test_the_block_to_sign_names_what_is_signed(tmp_path: Path) -> None:
    """It holds the report's id, both fingerprints, a line for each decision, and room for everything by hand."""
    with written(tmp_path, one_of_each()) as (context, store):
        report = Page(render_page(context, store))
    block = report.section(12)
    text = words(block.text)
    for said in (context.report_id, "0" * 64, "f" * 64, "Name", "Role", "Date", "Signature", "Decision and conditions"):
        assert said in text, said
    (table,) = report.within(block, "table")
    assert [th.text for th in report.within(table, "th") if th.attributes["scope"] == "row"] == ["bin"]
    assert "1 file, 100 B" in text
    assert report.answer(12) == "Nobody yet"


@pytest.mark.parametrize("kind", VerdictKind)
def test_accepting_is_offered_only_where_the_verdict_bears_it(tmp_path: Path, kind: VerdictKind) -> None:
    """Under a verdict that is not trustworthy the block warns and has no line to accept the copy."""
    report = parsed(tmp_path, kind=kind)
    choices = [item.text.strip() for item in report.within(report.all("ul", "choices")[0], "li")]
    assert ("The copy is accepted." in choices) == (kind in BEARS)
    assert ("does not support wiping the old side" in report.section(12).text) != (kind in BEARS)


def test_more_decisions_than_fit_are_summed_up(tmp_path: Path) -> None:
    """The block has lines for the largest decisions and one for all others, so that no byte is without a line."""
    rules = {f"rule-{n:02}": RULES["bin"] for n in range(DECISION_LINES + 3)}
    findings = [
        finding(Class.CLUTTER, f"{name}/x", rule=name, decision=True, old_size=100 - n) for n, name in enumerate(rules)
    ]
    report = parsed(tmp_path, findings, rules=rules)
    (table,) = report.within(report.section(12), "table")
    lines = [report.cells(row)[:2] for row in report.within(table, "tr")][1:]
    assert len(lines) == DECISION_LINES + 1
    assert lines[0] == ["rule-00", "1 file, 100 B"]
    left = sum(100 - n for n in range(DECISION_LINES, DECISION_LINES + 3))
    assert lines[-1] == ["All other rules of question 5, on a sheet of their own", f"3 files, {left} B"]


def test_the_questions_before_wiping_are_asked_until_somebody_signs(tmp_path: Path) -> None:
    """An unsigned page asks each question with a box to tick and what is known; a signed one asks no more."""
    with written(tmp_path, one_of_each()) as (context, store):
        report = Page(render_page(context, store))
    asked = [report.cells(row) for row in report.rows(11, "points")]
    assert len(asked) >= 7
    assert asked == [[f"{p.text} {p.told}", LOOKED_WORDS[p.looked]] for p in context.checklist]
    assert all(len(report.within(row, "span")) == 1 for row in report.rows(11, "points"))
    assert not report.rows(12, "points")
    signed = signed_page(tmp_path / "signed")
    assert not signed.rows(11, "points")
    assert len(signed.rows(12, "points")) == len(POINTS)


def signed_page(folder: Path, **changes: Any) -> Page:
    """Return the page of a good check that somebody signed."""
    return parsed(folder, one_of_each()[-2:-1], signing={"checklist": POINTS} | changes)


def test_a_signed_report_shows_the_record(tmp_path: Path) -> None:
    """Who, as what, when, where, the statement, fingerprints and every point are there; no line is left to sign."""
    report = signed_page(tmp_path, statement="I have read this report.\nThe old side may go.", key="SHA256:abc")
    block = report.section(12)
    text = words(block.text)
    for said in (
        "B Gardener",
        "keeper of the herbarium",
        "2024-03-05 09:00:00 UTC",
        "on garden-desk",
        "0" * 64,
        "f" * 64,
        "Signed with the OpenSSH key SHA256:abc.",
        "verifier signoff --check",
    ):
        assert said in text, said
    lines = [p.text for p in report.within(block, "p")]
    assert "I have read this report." in lines
    assert "The old side may go." in lines
    points = [report.cells(row) for row in report.rows(12, "points")]
    assert points == [[f"{p.text} {p.told}", LOOKED_WORDS[p.looked]] for p in POINTS]
    assert not report.all("p", "blank")
    assert not report.all("span", "box")
    assert report.answer(12) == "Signed by B Gardener"
    (frame,) = report.all("div", "verdict")
    assert "Signed by B Gardener, keeper of the herbarium, 2024-03-05 09:00:00 UTC" in words(frame.text)
    assert not report.all("div", "despite")


def test_a_sign_off_without_a_key_or_a_role_claims_none(tmp_path: Path) -> None:
    """What proves who signed, and as what, is said only where it was given."""
    report = signed_page(tmp_path, role="", key="")
    text = words(report.section(12).text)
    assert "No key signed this" in text
    assert "OpenSSH key" not in text
    assert "Signed by B Gardener, 2024-03-05" in words(report.all("div", "verdict")[0].text)
    lines = [words(p.text) for p in report.within(report.section(12), "p")]
    assert "2024-03-05 09:00:00 UTC, on garden-desk" in lines


def test_what_was_signed_despite_stands_large_beside_the_verdict(tmp_path: Path) -> None:
    """A copy that was taken although it cannot be trusted says why, in large letters, where the verdict stands."""
    report = parsed(tmp_path, one_of_each(), signing={"despite": "the old disks are failing"})
    (despite,) = report.all("div", "despite")
    assert despite.inside[-1] is report.section(1)
    assert words(despite.text) == "Signed despite this verdict: the old disks are failing"
    (large,) = report.within(despite, "p")[1:]
    assert large.classes == ["large"]
    assert "Despite this verdict: the old disks are failing" in words(report.section(12).text)
    frame = report.all("div", "verdict")[0]
    order = report.elements.index
    assert order(frame) < order(despite) < order(report.all("nav")[0])


def test_exceptions_in_force_are_counted_at_the_sign_off(tmp_path: Path) -> None:
    """A sign-off says how many exceptions it rests on, and is judged at its own moment."""
    findings = [finding(Class.MISSING, "rotten")]
    until = FINISHED + timedelta(hours=1)
    given: dict[str, Any] = {"exceptions": [wanted("rotten", until=until)]}
    in_time = {"at": FINISHED.isoformat(), "exceptions": ({"number": 1},)}
    report = parsed(tmp_path / "in time", findings, signing=in_time, **given)
    assert "1 exception was in force (question 5)." in words(report.section(12).text)
    assert report.answer(1) == HEADLINES[VerdictKind.WITH_EXCEPTIONS]
    late = parsed(tmp_path / "late", findings, signing={"at": LATER.isoformat()}, **given)
    assert "in force" not in late.section(12).text
    assert late.answer(1) == HEADLINES[VerdictKind.NOT_TRUSTWORTHY]
