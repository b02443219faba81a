"""report.html: complete, honest, bounded, and inert whatever the names in it are."""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
import tempfile
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.report.evidence import IDENTICAL, RULES, finding, one_of_each, page, written
from tests.report.markup import Element, Page, words
from tests.strategies import HOSTILE_NAMES, names
from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.evidence import FINDINGS_FILE
from verifier.reconcile.findings import Findings, Systematic, Tally
from verifier.report.context import build_context
from verifier.report.listing import INLINE_ROWS, LINE_BYTES, LONGEST_TEXT, may_be_shown
from verifier.report.page import DECISION_LINES, render_page
from verifier.report.words import ADVICE, CAUSES, CAUTIONS, HEADLINES, MEANINGS, MEANS, NOT_PROVED
from verifier.tree.names import shown, to_text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verifier.reconcile.findings import Finding

LARGEST_BYTES: Final = 3_000_000
MARKUP: Final = "\"'><script>alert(1)</script><img src=x onerror=alert(1)><a href=javascript:x>&amp;{{ 7*7 }}{% x %}"


def parsed(folder: Path, findings: Iterable[Finding] = (), **given: Any) -> Page:
    """Return the page about findings as a parser sees it."""
    return Page(page(folder, findings, **given))


def rows(source: Page, number: int) -> list[Element]:
    """Return the body rows of the findings that a section lists."""
    return [
        row
        for row in source.within(source.section(number), "tr")
        if any("list" in e.classes for e in row.inside) and any(e.tag == "tbody" for e in row.inside)
    ]


def test_the_page_answers_ten_questions_in_order(tmp_path: Path) -> None:
    """The headings are the questions, the overview links to each, and headings skip no level."""
    report = parsed(tmp_path, one_of_each())
    headings = report.all("h2")
    assert [h.attributes["id"] for h in headings] == [f"q{n}" for n in range(1, 11)]
    links = report.within(report.all("nav")[0], "a")
    assert [link.attributes["href"] for link in links] == [f"#q{n}" for n in range(1, 11)]
    assert all(words(heading.text).endswith(link.text) for heading, link in zip(headings, links, strict=True))
    levels = [int(e.tag[1]) for e in report.elements if re.fullmatch("h[1-6]", e.tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("kind", VerdictKind)
def test_every_verdict_is_said_in_words(tmp_path: Path, kind: VerdictKind) -> None:
    """Title, frame and sign-off say the verdict in the words of every other report, and so does the overview."""
    report = parsed(tmp_path, kind=kind)
    (frame,) = report.all("div", "verdict")
    assert frame.classes == ["verdict", kind.value]
    assert HEADLINES[kind] in frame.text
    assert MEANINGS[kind] in frame.text
    assert report.all("title")[0].text.startswith(HEADLINES[kind])
    assert f"“{HEADLINES[kind]}”" in report.section(10).text
    assert report.all("span", "answer")[0].text == HEADLINES[kind]


def test_the_verdict_gives_its_reasons(tmp_path: Path) -> None:
    """Each reason of the verdict is an item of a list beside it, and nothing else is."""
    with written(tmp_path, one_of_each()) as (context, store):
        report = Page(render_page(context, store))
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    (frame,) = report.all("div", "verdict")
    assert [item.text for item in report.within(frame, "li")] == list(context.verdict.reasons)


def test_both_sides_are_named_by_label_root_and_host(tmp_path: Path) -> None:
    """A reader sees which two trees the page is about, when it was made and with what."""
    facts = {Side.OLD: {"label": "archive", "root": "/mnt/a", "host": "alder"}}
    text = words(parsed(tmp_path, facts=facts).section(1).text)
    for said in ("archive", "/mnt/a", "alder", "new", "/srv/new", "new-server", "2024-03-04 06:01:00 UTC", "0.1.0"):
        assert said in text


def test_every_class_is_in_the_account_and_its_numbers_add_up(tmp_path: Path) -> None:
    """The account has a line for every class, zeros included; the lines of a side add up to its last one."""
    findings = one_of_each()
    report = parsed(tmp_path, findings)
    (table,) = report.all("table", "account")
    groups = [e for e in report.within(table, "th") if e.attributes.get("scope") == "rowgroup"]
    assert [group.text.split()[0] for group in groups] == [*(cls.value for cls in Class), "Everything"]
    assert all(MEANS[cls] in group.text for cls, group in zip(Class, groups, strict=False))
    counted: dict[str, list[list[int]]] = {"old": [], "new": [], "both": []}
    for row in report.within(table, "tr"):
        cells = [int(re.sub(r"\D", "", cell.text)) for cell in report.within(row, "td") if cell.text]
        if cells:
            (heading,) = report.within(row, "th")
            counted[heading.text].append(cells)
    assert not any(sum(cells) for cells in counted["both"])
    for side in Side:
        *lines, total = counted[side]
        assert [sum(column) for column in zip(*lines, strict=True)] == total
        there = [f for f in findings if (f.old_path if side is Side.OLD else f.new_path) is not None]
        assert total[0] == IDENTICAL.entries + len(there)
        assert f"The {side} side is balanced: every entry of this side is in exactly one class." in words(
            report.section(3).text
        )


def test_bars_are_drawn_to_scale(tmp_path: Path) -> None:
    """A bar's length is its entries as a share of the larger side, in percent."""
    report = parsed(tmp_path, [finding(Class.MISSING, f"m/{n:02}") for n in range(10)])
    (table,) = report.all("table", "account")
    widths = [rect.attributes["width"] for rect in report.within(table, "rect")]
    assert widths == ["80.000", "80.000", "20.000", "0.000", "100.000", "80.000"]


def test_an_account_that_does_not_balance_is_not_passed_over(tmp_path: Path) -> None:
    """The page says first, in the overview and at the account that nothing in it can be relied on."""
    report = parsed(tmp_path, uncounted=1)
    assert "The account of the old side does not balance" in report.section(1).text
    assert "The old side is NOT BALANCED" in words(report.section(3).text)
    assert "The new side is balanced" in words(report.section(3).text)
    assert report.all("span", "answer")[2].text == "The account does not balance"


@pytest.mark.parametrize("cls", [cls for cls in Class if cls not in (Class.IDENTICAL, Class.CLUTTER)])
def test_every_class_has_its_place_its_meaning_and_what_to_do(tmp_path: Path, cls: Class) -> None:
    """A finding stands under the question that its weight belongs to, with advice, path and reason."""
    found = finding(cls, "here/it is", None if cls is Class.MISSING else "here/it is", reason="because of that")
    report = parsed(tmp_path, [found])
    severity = Severity(found.severity)
    place = {Severity.BLOCKER: 2, Severity.INCONCLUSIVE: 2, Severity.ATTENTION: 4, Severity.NOTE: 6}[severity]
    for number in (2, 4, 6):
        text = words(report.section(number).text)
        for said in (MEANS[cls], ADVICE[cls], "here/it is", "because of that", "100 B", "2023-11-14 22:13:20Z"):
            assert (said in text) == (number == place), (number, said)


def test_causes_are_counted_and_explained(tmp_path: Path) -> None:
    """Every cause of changed content that occurs is named with its number and meaning; the others are not."""
    findings = [
        finding(Class.CONTENT_CHANGED, f"c/{cause}{n}", f"c/{cause}{n}", cause=cause.value)
        for cause in (Cause.SILENT, Cause.ZERO_FILLED)
        for n in range(3)
    ]
    report = parsed(tmp_path, findings)
    table = [report.cells(row) for row in rows(report, 2) if "plain" in row.inside[-2].classes]
    assert table == [[cause, "3", CAUSES[cause]] for cause in (Cause.ZERO_FILLED, Cause.SILENT)]


def test_a_folder_of_one_fate_is_one_line(tmp_path: Path) -> None:
    """What is in such a folder is not listed again, and every finding is in a line, a row or the remainder."""
    inside = [finding(Class.MISSING, f"lost/{n:03}", group_path="lost") for n in range(40)]
    folder = finding(Class.MISSING, "lost", group_path="lost", old_kind="directory")
    empty = finding(Class.MISSING, "empty", group_path="empty", old_kind="directory")
    report = parsed(tmp_path, [folder, *inside, empty, finding(Class.MISSING, "alone")])
    listed = [report.cells(row) for row in rows(report, 2)]
    assert listed[0] == ["lost", "4140 files", "4 kB"]
    assert [cells[0].split()[0] for cells in listed[1:]] == ["alone", "empty"]
    assert not [p for p in report.within(report.section(2), "p") if "rest" in p.classes]


@pytest.mark.parametrize("crowd", [Class.EXTRA, Class.MISSING])
def test_what_is_left_out_is_counted(tmp_path: Path, crowd: Class) -> None:
    """Folder lines, rows and the remainder that the page names add up to the findings, class by class."""
    sides = (None, "{}") if crowd is Class.EXTRA else ("{}", None)
    findings = []
    for group in range(INLINE_ROWS + 30):
        for n in range(3):
            old, new = (side and side.format(f"f{group:03}/{n}") for side in sides)
            findings.append(finding(crowd, old, new, group_path=f"f{group:03}"))
    for n in range(INLINE_ROWS + 7):
        old, new = (side and side.format(f"x{n:03}") for side in sides)
        findings.append(finding(crowd, old, new))
    report = parsed(tmp_path, [*findings, finding(Class.MISSING if crowd is Class.EXTRA else Class.EXTRA)])
    number = 6 if crowd is Class.EXTRA else 2
    assert len(rows(report, number)) == 2 * INLINE_ROWS
    (rest,) = [p for p in report.within(report.section(number), "p") if "rest" in p.classes]
    assert words(rest.text).startswith(f"{30 * 3 + 7} more in differences.csv")


def test_a_crowd_of_one_class_hides_no_folder_of_another(tmp_path: Path) -> None:
    """The room for folder lines is each class's own: a small lost folder shows beside any number of large new ones."""
    crowd = [
        finding(Class.EXTRA, None, f"n{group:03}/{n}", group_path=f"n{group:03}", new_size=10**9)
        for group in range(INLINE_ROWS + 1)
        for n in range(2)
    ]
    lost = [finding(Class.MISSING, f"lost/{n}", group_path="lost", old_size=1) for n in range(2)]
    report = parsed(tmp_path, crowd + lost)
    assert [report.cells(row) for row in rows(report, 2)] == [["lost", "22 files", "2 B"]]


@pytest.mark.slow
def test_the_page_stays_small_whatever_was_found(tmp_path: Path) -> None:
    """Twenty thousand findings, of which many have long names full of characters to escape, fit into 3 MB."""
    findings = []
    for n in range(2000):
        findings += one_of_each(f"{n:05}/" + MARKUP * (n % 40), reason=MARKUP * (n % 30))[:10]
    assert len(findings) == 20_000
    source = page(tmp_path, findings)
    assert 500_000 < len(source.encode()) < LARGEST_BYTES
    report = Page(source)
    for cls in (Class.MISSING, Class.CONTENT_CHANGED, Class.UNPROVEN):
        assert MEANS[cls] in report.section(2).text


def test_many_rules_do_not_make_the_page_large(tmp_path: Path) -> None:
    """Rules that ask for a decision share the page: each shows its count, and rows as far as they fit."""
    rules = {f"rule-{n:03}": RULES["bin"] for n in range(300)}
    findings = [
        finding(Class.CLUTTER, f"{name}/{n}/{'<&>' * 300}", rule=name, decision=True)
        for name in rules
        for n in range(6)
    ]
    source = page(tmp_path, findings, rules=rules)
    assert len(source.encode()) < LARGEST_BYTES
    assert all(f"{name}: bin with deleted files" in source for name in rules)


def test_markup_of_a_row_takes_no_more_than_is_reckoned(tmp_path: Path) -> None:
    """What the page's limits assume for the markup of one line is at least what the template writes."""
    full = {"cause": "zero-filled", "old_kind": "block-device", "new_kind": "block-device", "old_mtime_ns": T0_ODD}
    some = [finding(Class.CONTENT_CHANGED, f"o{n}", f"n{n}", **full) for n in range(11)]
    grouped = [finding(Class.RELOCATED, f"o{g}/{n}", f"n{g}/{n}", group_path=f"o{g}") for g in range(9) for n in "ab"]
    folders = [finding(Class.RELOCATED, f"o{g}", f"n{g}", group_path=f"o{g}") for g in range(9)]
    few = len(page(tmp_path / "few", some[:10]).encode())
    more = len(page(tmp_path / "more", some).encode())
    texts = len("o10") + len("n10") + len("why it is so")
    assert 200 < more - few <= LINE_BYTES + texts
    few = len(page(tmp_path / "few-folders", grouped[:16] + folders[:8]).encode())
    more = len(page(tmp_path / "more-folders", grouped + folders).encode())
    assert 100 < more - few <= LINE_BYTES + len("o8") + len("n8")


T0_ODD: Final = 1_700_000_000_123_456_789


def test_a_path_that_is_very_long_is_shortened_and_says_so(tmp_path: Path) -> None:
    """The page shows beginning and end of a path deeper than any screen, and how much is between them."""
    path = "a" * 1500 + "b" * 3000 + "c" * 1500
    text = words(parsed(tmp_path, [finding(Class.MISSING, path)]).section(2).text)
    assert f"[{6000 - LONGEST_TEXT:,} characters left out here]" in text
    assert "a" * 1200 in text
    assert "c" * 800 in text
    assert len(text) < 3500


def test_the_same_evidence_gives_the_same_bytes(tmp_path: Path) -> None:
    """Neither the clock nor the place where the evidence lies shows in the page."""
    first = page(tmp_path / "here", one_of_each())
    shutil.copytree(tmp_path / "here", tmp_path / "there")
    with Findings.open(tmp_path / "there" / FINDINGS_FILE) as store:
        second = render_page(build_context(tmp_path / "there", store), store)
    assert first == second
    assert str(tmp_path) not in first


def test_the_page_stands_alone(tmp_path: Path) -> None:
    """It refers to nothing outside itself, runs nothing, and its policy allows its own style sheet only."""
    source = page(tmp_path, one_of_each(MARKUP))
    report = Page(source)
    assert not {"script", "link", "img", "iframe", "object", "embed", "form", "base", "input"} & {
        element.tag for element in report.elements
    }
    for element in report.elements:
        for name, value in element.attributes.items():
            assert not name.startswith("on")
            assert name not in ("src", "srcset", "style", "action", "data", "ping", "xmlns")
            assert "//" not in value
            assert name != "href" or re.fullmatch("#q[0-9]+", value)
    (sheet,) = report.all("style")
    assert not re.search(r"url\(|@import|//|expression|</", sheet.text)
    policies = [m for m in report.all("meta") if m.attributes.get("http-equiv") == "Content-Security-Policy"]
    digest = base64.b64encode(hashlib.sha256(sheet.text.encode()).digest()).decode()
    assert [policy.attributes["content"] for policy in policies] == [
        f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    ]
    assert report.elements.index(policies[0]) < report.elements.index(sheet)
    assert source.startswith("<!DOCTYPE html>\n")
    assert report.all("html")[0].attributes == {"lang": "en"}
    assert {"charset": "utf-8"} in [m.attributes for m in report.all("meta")]
    assert {"name": "referrer", "content": "no-referrer"} in [m.attributes for m in report.all("meta")]


def with_hostile(text: str) -> dict[str, Any]:
    """Return arguments for a page in which everything that can come from outside is one text."""
    said = {"label": text, "root": text, "host": text, "platform": text, "file_system": text, "finished": text}
    return {
        "findings": one_of_each(text, reason=shown(text)),
        "facts": {
            Side.OLD: said,
            Side.NEW: said | {"algorithm": text, "complete": "0", "interrupted": text, "fingerprint": text},
        },
        "rules": {name: rule | {"what": text, "maker": text} for name, rule in RULES.items()},
        "tool": text,
        "maps": [text],
        "not_compared": [[text, text]],
        "compared": [text],
        "rule_files": [text],
    }


def skeleton_of(text: str) -> list[tuple[str, tuple[tuple[str, str], ...]]]:
    """Return the elements of such a page; the policy's digest goes with the report's id and is left out."""
    with tempfile.TemporaryDirectory() as folder:
        return Page(re.sub(r"sha256-[\w+/=]+", "", page(Path(folder), **with_hostile(text)))).skeleton


@cache
def plain_skeleton() -> list[tuple[str, tuple[tuple[str, str], ...]]]:
    """Return the elements of the page with harmless texts."""
    return skeleton_of("plain")


@given(st.one_of(names().map(to_text), st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)))
@example(MARKUP)
@example("]]><!-- --></style></title></textarea><plaintext>")
@example('=HYPERLINK("x")\n+1\t@x')
@example("\x1b]8;;x\x07\u202e\u2066\u200b\ufeff\x00")
def test_no_text_breaks_out_of_its_place(text: str) -> None:
    """Whatever a name, a label, a root, a reason or a rule says, the page has the same elements and attributes."""
    assert skeleton_of(text) == plain_skeleton()


@pytest.mark.parametrize("name", [*HOSTILE_NAMES, MARKUP.replace("/", "").encode()], ids=repr)
def test_a_hostile_name_is_shown_and_not_obeyed(tmp_path: Path, name: bytes) -> None:
    """A name stands on the page as it may be shown anywhere, whole, and kept apart from what is around it."""
    text = to_text(name)
    report = parsed(tmp_path, [finding(Class.MISSING, text)], facts={Side.OLD: {"root": text}})
    paths = [e for e in report.all("bdi", "path") if e.text == shown(text)]
    assert len(paths) == 3, "in the heading, in the table of both sides, and as a finding"
    assert all(e.attributes["dir"] == "ltr" for e in paths)


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=repr)
def test_nothing_on_the_page_is_invisible_or_active(tmp_path: Path, name: bytes) -> None:
    """Wherever a text comes from, no control, format or private-use character of it reaches the page."""
    everything = parsed(tmp_path, **with_hostile(to_text(name))).all("html")[0].text
    assert all(character.isprintable() or character in "\n\u00a0" for character in everything)


def test_a_text_that_cannot_be_encoded_is_shown_all_the_same(tmp_path: Path) -> None:
    """A lone surrogate, which only a file that was tampered with can hold, does not stop the report."""
    source = page(tmp_path, facts={Side.OLD: {"root": "/srv/\ud800"}})
    assert "/srv/\\ud800" in source
    assert source.encode()
    assert may_be_shown("\udcff") == "\\udcff"


def test_nothing_in_the_way_is_said(tmp_path: Path) -> None:
    """Where nothing stands in the way, needs a decision or differs, the page says so and leaves no empty section."""
    report = parsed(tmp_path)
    assert "Nothing that was found stands in the way." in report.section(2).text
    assert "Nothing was found that somebody has to look at" in report.section(4).text
    assert "No rule claimed anything." in report.section(5).text
    assert "Nothing else was found." in report.section(6).text
    assert [report.all("span", "answer")[n].text for n in (1, 3, 4, 5)] == ["Nothing"] * 4
    assert not report.all("p", "warning")


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"complete": "0", "interrupted": "the share went away"}, "scan of the old side is incomplete: the share went"),
        ({"complete": "0", "interrupted": ""}, "scan of the old side is incomplete: it was ended from outside"),
        ({"listing_only": "1"}, "old side was only listed: no file of it was read"),
    ],
    ids=["interrupted", "killed", "listed only"],
)
def test_a_run_that_proves_less_says_so_first(tmp_path: Path, facts: dict[str, str], said: str) -> None:
    """An unfinished or listing-only scan is said at the verdict, as standing in the way, and where it was checked."""
    report = parsed(tmp_path, facts={Side.OLD: facts})
    assert any(said in words(warning.text) for warning in report.all("p", "warning"))
    assert said in words(report.section(2).text)
    assert "Nothing that was found stands in the way" not in report.section(2).text
    assert ("NOT COMPLETE" in report.section(7).text) == ("complete" in facts)
    assert ("LISTED ONLY" in report.section(7).text) == ("listing_only" in facts)
    assert report.all("span", "answer")[1].text == "The run itself"


def test_a_verdict_without_findings_gives_the_run_as_reason(tmp_path: Path) -> None:
    """An inconclusive verdict that no finding explains is explained by the verdict's own reasons."""
    report = parsed(tmp_path, kind=VerdictKind.INCONCLUSIVE)
    assert "The run itself does" in report.section(2).text


@pytest.mark.parametrize(
    ("algorithm", "said", "warned"),
    [
        ("blake3", "even if somebody wanted to deceive", False),
        ("sha256", "even if somebody wanted to deceive", False),
        ("xxh3-128", "finds accidents, not deceit", True),
        ("unheard-of", "is not known", False),
    ],
)
def test_whether_the_algorithm_resists_forgery_is_said(tmp_path: Path, algorithm: str, said: str, warned: bool) -> None:
    """The page names the algorithm and whether equal digests mean equal content against somebody who deceives."""
    report = parsed(tmp_path, facts={side: {"algorithm": algorithm} for side in Side})
    text = words(report.section(7).text)
    assert algorithm in text
    assert said in text
    assert any("accidents, not deceit" in w.text for w in report.all("p", "warning")) == warned


def test_how_it_was_checked_leaves_nothing_out(tmp_path: Path) -> None:
    """Coverage, fields, tolerance, maps, gates, times, file systems and fingerprints are all there."""
    report = parsed(
        tmp_path,
        tolerance_ns=2 * 10**9,
        maps=["scans=archive/scans"],
        frozen_at="2024-03-01T18:00:00+01:00",
        trees_seen=False,
        facts={Side.NEW: {"file_system": "exfat", "cross_mounts": "1"}},
    )
    text = words(report.section(7).text)
    for said in (
        "all 30",
        "all 5,000 B",
        "mode, mtime",
        "up to a difference of 2 s",
        "ctime: set by the system",
        "scans=archive/scans",
        "2024-03-01 18:00:00 UTC+01:00",
        "not given: a change on the new side is never excused",
        "ext4",
        "exfat",
        "entered",
        "2024-03-04 05:00:00 UTC",
        "0" * 64,
        "f" * 64,
        "Not both trees could be reached",
    ):
        assert said in text, said


@pytest.mark.parametrize(
    ("tolerance_ns", "said"),
    [(0, "only to the nanosecond"), (1000, "1 µs"), (10_000_000, "10 ms"), (10**9, "1 s"), (1500, "1500 ns")],
)
def test_the_tolerance_of_times_is_said_in_its_unit(tmp_path: Path, tolerance_ns: int, said: str) -> None:
    """The largest difference of two times that counts as none is given exactly."""
    assert said in parsed(tmp_path, tolerance_ns=tolerance_ns).section(7).text


def test_a_partly_read_side_shows_how_much_was_read(tmp_path: Path) -> None:
    """Coverage is files and bytes read of those there, never a percentage that rounds up to all."""
    report = parsed(tmp_path, facts={Side.OLD: {"listing_only": "1"}})
    lines = [report.cells(row) for row in report.within(report.section(7), "tr")]
    assert ["Files read to their end", "0 of 30", "all 30"] in lines
    assert ["Bytes read", "0 B of 5,000 B", "all 5,000 B"] in lines
    assert ["Listed, not read", "30", "0"] in lines


def answer(report: Page, row: str) -> list[str]:
    """Return what a row of the seventh question says about the old and about the new side."""
    found = [report.cells(line) for line in report.within(report.section(7), "tr")]
    ((_, *sides),) = [cells for cells in found if cells[0] == row]
    return sides


def test_what_is_known_from_before_is_not_shown_as_read(tmp_path: Path) -> None:
    """Carried files stand in a row of their own, with the oldest reading, and the overview does not say `read`."""
    since = {"proved_files": 20, "proved_bytes": 3000, "carried_files": 10, "carried_bytes": 2000}
    report = parsed(tmp_path, totals={Side.OLD: {**since, "oldest_read": "2023-12-24T18:00:00+00:00"}})
    assert answer(report, "Files read to their end") == ["20 of 30", "all 30"]
    assert answer(report, "Not read now, known from an earlier scan") == ["10 of 30", "0 of 30"]
    assert answer(report, "Oldest reading that counts") == ["2023-12-24 18:00:00 UTC", "2024-03-04 05:30:00 UTC"]
    overview = report.all("span", "answer")[6].text
    assert overview == "Every file known on both sides, not all read now on the old side"
    assert report.all("span", "answer")[6].text != parsed(tmp_path / "all").all("span", "answer")[6].text


def test_an_oldest_reading_that_is_not_there_is_not_made_up(tmp_path: Path) -> None:
    """Where nothing was read there is no age of evidence."""
    report = parsed(tmp_path, facts={Side.OLD: {"listing_only": "1"}})
    assert answer(report, "Oldest reading that counts")[0] == "not recorded"


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({}, "not asked for: what was in memory may have answered"),
        ({"asked_cold": "1", "cold_files": "1200", "warm_files": "0"}, "yes: 1,200 files, none with a page left"),
        ({"asked_cold": "1", "cold_files": "7", "warm_files": "1"}, "NOT ALL: 1 file of 8 still had pages in memory"),
        ({"asked_cold": "1", "cold_files": "0", "warm_files": "9"}, "NOT ALL: 9 files of 9 still had pages in memory"),
    ],
    ids=["not asked", "all cold", "one warm", "all warm"],
)
def test_whether_it_was_read_cold_is_said(tmp_path: Path, facts: dict[str, str], said: str) -> None:
    """Dropping pages is only a request to the system: the page says what came of it, and never more."""
    _, new = answer(parsed(tmp_path, facts={Side.NEW: facts}), "Read cold, past this machine's memory")
    assert new.startswith(said)


def test_a_cold_run_that_could_not_be_seen_claims_nothing(tmp_path: Path) -> None:
    """Where no file was seen to be out of memory, asked for or not, the page does not answer yes."""
    facts = {"asked_cold": "1", "cold_files": "0", "warm_files": "0"}
    _, new = answer(parsed(tmp_path, facts={Side.NEW: facts}), "Read cold, past this machine's memory")
    assert not new.startswith("yes")


def test_errors_that_were_met_are_told_by_kind(tmp_path: Path) -> None:
    """Each kind is a line with its side, its count, its folder and what to do; a hostile folder is text."""
    kinds = [
        {"operation": "open", "error": "EACCES", "entries": 312, "folder": "accounts", "attempts": 1},
        {"operation": "read", "error": "EIO", "entries": 1, "folder": to_text(MARKUP.encode()), "attempts": 3},
    ]
    report = parsed(tmp_path, problems={Side.NEW: kinds})
    text = words(report.section(7).text)
    assert "new side: EACCES (open) on 312 entries under accounts/: run as a user who may read them" in text
    assert "new side: EIO (read) on 1 entry under" in text
    assert "after 3 attempts" in text
    assert not report.all("script")
    assert not report.all("img")
    assert "Errors that were met" in words(parsed(tmp_path / "none").section(7).text)


def test_what_was_set_aside_is_counted_by_rule(tmp_path: Path) -> None:
    """Each rule that claimed something says what it is, who makes it, what was done, how many entries and bytes."""
    findings = [finding(Class.CLUTTER, f"p/{n}", rule="previews", old_size=600) for n in range(3)]
    report = parsed(tmp_path, findings)
    said = "previewspreview cache; made by a desktop; action: set-aside"
    assert report.cells(rows(report, 5)[0]) == [said, "3", "1.8 kB", "0 B"]
    text = words(report.section(5).text)
    assert "standard" in text
    assert "d" * 64 in text
    assert "no class and no field was weighed differently" in text


def test_a_folder_that_no_rule_lets_be_entered_is_marked(tmp_path: Path) -> None:
    """Of a folder that was not entered the page says that its content is not known."""
    rules = {"snapshots": RULES["previews"] | {"action": "do-not-descend"}}
    found = finding(Class.CLUTTER, "s", rule="snapshots", old_kind="directory")
    assert "it is not known what is in it" in parsed(tmp_path, [found], rules=rules).section(5).text


def test_decisions_are_asked_for_rule_by_rule(tmp_path: Path) -> None:
    """A rule that asks for a decision shows its count and bytes on the old side and what it set aside by name."""
    findings = [finding(Class.CLUTTER, f"bin/{n}", rule="bin", decision=True) for n in range(3)]
    findings += [finding(Class.CLUTTER, "bin/empty", rule="bin", old_size=0)]
    report = parsed(tmp_path, findings)
    text = words(report.section(4).text)
    assert "3 files, 300 B on the old side; made by a desktop" in text
    assert [report.cells(row)[0].split()[0] for row in rows(report, 4)] == ["bin/0", "bin/1", "bin/2"]
    assert report.all("span", "answer")[3].text == "3 files set aside"


def test_signs_of_use_are_asked_about(tmp_path: Path) -> None:
    """What a rule only reports stands among what needs a look, under a heading of its own."""
    found = finding(Class.CLUTTER, "~$x.docx", rule="open-sign", severity="attention")
    report = parsed(tmp_path, [found])
    assert [h.text for h in report.within(report.section(4), "h3")] == ["Signs of use"]
    assert "~$x.docx" in report.section(4).text
    assert "~$x.docx" not in report.section(5).text


def test_what_needs_a_decision_is_not_listed_again_as_a_look(tmp_path: Path) -> None:
    """Where a policy makes everything set aside need a look, what has its own line for a decision stands only there."""
    aside = {"rule": "bin", "severity": "attention"}
    findings = [
        finding(Class.CLUTTER, "bin/full", decision=True, **aside),
        finding(Class.CLUTTER, "bin/empty", old_size=0, **aside),
    ]
    report = parsed(tmp_path, findings, policy={"class": {"clutter": "attention"}, "field": {}})
    listed = [report.cells(row)[0].split()[0] for row in rows(report, 4)]
    assert listed == ["bin/full", "bin/empty"]


def test_a_policy_is_shown_and_moves_what_it_weighs(tmp_path: Path) -> None:
    """What a rule file weighs otherwise stands under the question of its new weight, and the page says so."""
    policy = {"class": {"extra": "blocker"}, "field": {"mode": "attention"}}
    findings = [
        finding(Class.EXTRA, None, "new/one", severity="blocker"),
        finding(Class.METADATA_ONLY, "a", "a", severity="attention", fields="mode"),
        finding(Class.METADATA_ONLY, "b", "b", fields="mtime"),
    ]
    report = parsed(tmp_path, findings, policy=policy)
    assert "Weighed as “blocker” by the policy" in words(report.section(2).text)
    assert "Weighed as “attention” by the policy" in words(report.section(4).text)
    assert "Weighed as" not in report.section(6).text
    weights = [report.cells(row) for row in rows(report, 5)]
    assert weights == [["class extra", "blocker"], ["field mode", "attention"]]
    assert "no class and no field was weighed differently" not in words(report.section(5).text)


def test_findings_that_a_policy_weighs_as_nothing_are_listed_still(tmp_path: Path) -> None:
    """No weight makes a finding vanish: what weighs nothing stands among what else differs."""
    found = finding(Class.EXTRA, None, "new/one", severity="none")
    report = parsed(tmp_path, [found], policy={"class": {"extra": "none"}, "field": {}})
    assert "new/one" in report.section(6).text


def test_notes_are_counted_and_folded(tmp_path: Path) -> None:
    """What is only noted shows its count openly and its rows on demand; nothing in the way is ever folded."""
    report = parsed(tmp_path, one_of_each())
    assert [h.text for h in report.within(report.section(6), "h3")] == ["Relocated", "Metadata only", "Extra", "Drift"]
    assert len(report.within(report.section(6), "details")) == 4
    findings = [row for row in rows(report, 6) if "plain" not in row.inside[-2].classes]
    assert findings
    assert all(any(e.tag == "details" for e in row.inside) for row in findings)
    for number in (1, 2, 3, 4, 7, 8, 9, 10):
        assert not report.within(report.section(number), "details")
    assert ["mtime, mode", "1"] in [report.cells(row) for row in rows(report, 6)]


def test_limits_and_cautions_are_whole(tmp_path: Path) -> None:
    """Every limit of the proof and every caution stands on every page, also on a good one."""
    report = parsed(tmp_path)
    assert [item.text for item in report.within(report.section(8), "li")] == list(NOT_PROVED)
    assert [item.text for item in report.within(report.section(9), "li")] == list(CAUTIONS)


def test_the_sign_off_block_names_what_is_signed(tmp_path: Path) -> None:
    """It holds the report's id, both fingerprints, a line for each decision, and room for everything by hand."""
    with written(tmp_path, one_of_each()) as (context, store):
        report = Page(render_page(context, store))
    block = report.section(10)
    text = words(block.text)
    for said in (context.report_id, "0" * 64, "f" * 64, "Name", "Role", "Date", "Signature", "Decision and conditions"):
        assert said in text, said
    (table,) = report.within(block, "table")
    assert [th.text for th in report.within(table, "th") if th.attributes["scope"] == "row"] == ["bin"]
    assert "1 file, 100 B" in text


@pytest.mark.parametrize("kind", VerdictKind)
def test_accepting_is_offered_only_where_the_verdict_bears_it(tmp_path: Path, kind: VerdictKind) -> None:
    """Under a verdict that is not trustworthy the block warns and has no line to accept the copy."""
    report = parsed(tmp_path, kind=kind)
    choices = [item.text.strip() for item in report.within(report.all("ul", "choices")[0], "li")]
    bears = kind in (VerdictKind.TRUSTWORTHY, VerdictKind.WITH_EXCEPTIONS)
    assert ("The copy is accepted." in choices) == bears
    assert ("does not support wiping the old side" in report.section(10).text) != bears


def test_more_decisions_than_fit_are_summed_up(tmp_path: Path) -> None:
    """The block has lines for the largest decisions and one for all others, so that no byte is without a line."""
    rules = {f"rule-{n:02}": RULES["bin"] for n in range(DECISION_LINES + 3)}
    findings = [
        finding(Class.CLUTTER, f"{name}/x", rule=name, decision=True, old_size=100 - n) for n, name in enumerate(rules)
    ]
    report = parsed(tmp_path, findings, rules=rules)
    (table,) = report.within(report.section(10), "table")
    lines = [report.cells(row)[:2] for row in report.within(table, "tr")][1:]
    assert len(lines) == DECISION_LINES + 1
    assert lines[0] == ["rule-00", "1 file, 100 B"]
    left = sum(100 - n for n in range(DECISION_LINES, DECISION_LINES + 3))
    assert lines[-1] == ["All other rules of question 4, on a sheet of their own", f"3 files, {left} B"]


def test_tables_can_be_read_without_eyes(tmp_path: Path) -> None:
    """Every table has a caption, every heading cell a scope, every graphic is hidden where numbers say the same."""
    report = parsed(tmp_path, one_of_each())
    for table in report.all("table"):
        assert len(report.within(table, "caption")) == 1
    assert all(th.attributes.get("scope") in ("col", "row", "rowgroup") for th in report.all("th"))
    assert all(svg.attributes.get("aria-hidden") == "true" for svg in report.all("svg"))
    ids = [e.attributes["id"] for e in report.elements if "id" in e.attributes]
    assert len(ids) == len(set(ids))


def test_the_style_sheet_and_the_page_know_the_same_classes(tmp_path: Path) -> None:
    """Every class that a page uses has a rule, and every class that has a rule is used by some page."""
    rules = {f"rule-{n:02}": RULES["bin"] for n in range(DECISION_LINES + 3)}
    pages = [parsed(tmp_path / kind, one_of_each(), kind=kind) for kind in VerdictKind]
    many = [finding(Class.MISSING, f"{n}") for n in range(INLINE_ROWS + 1)]
    pages.append(parsed(tmp_path / "many", many, rules=rules, facts={Side.OLD: {"complete": "0"}}))
    sheet = pages[0].all("style")[0].text
    selectors = re.sub(r"\{[^{}]*\}", "{}", sheet)
    styled = set(re.findall(r"\.([a-z][a-z-]*)", selectors))
    used = {cls for report in pages for element in report.elements for cls in element.classes}
    assert used == styled


def _schemes(sheet: str) -> dict[str, dict[str, str]]:
    light, dark = re.findall(r":root \{([^}]*)\}", sheet)
    return {
        scheme: dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", text))
        for scheme, text in (("light", light), ("dark", dark))
    }


def _contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours as WCAG 2.1 defines it (formula from memory)."""

    def luminance(colour: str) -> float:
        channels = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_has_enough_contrast(tmp_path: Path, scheme: str) -> None:
    """Every colour of text reaches 4.5 to 1 on both grounds, which WCAG 2.1 asks for at level AA (from memory)."""
    colours = _schemes(parsed(tmp_path).all("style")[0].text)[scheme]
    grounds = {colours.pop("paper"), colours.pop("tint")}
    colours.pop("line")
    assert len(colours) >= 6
    for name, colour in colours.items():
        for ground in grounds:
            assert _contrast(colour, ground) >= 4.5, (name, ground)


def test_what_is_explained_is_counted_and_not_listed(tmp_path: Path) -> None:
    """What differs in systematic ways only is one line of question 6; the rest is listed below it."""
    marks = "mtime +3600 s"
    findings = [finding(Class.METADATA_ONLY, f"t/{n}", f"t/{n}", fields="mtime", marks=marks) for n in range(12)]
    findings.append(finding(Class.METADATA_ONLY, "t/other", "t/other", fields="mode"))
    fact = Systematic("shifted-times", "times of files are 1 h later", Tally(12, 12, 1200), 0, ("t/0",))
    with written(tmp_path, findings) as (_, store):
        place = store.path
    with Findings.reopen(place) as store:
        store.set_systematic([fact], [(marks, [1])])
        store.commit()
    with Findings.open(place) as store:
        section = Page(render_page(build_context(tmp_path, store), store)).section(6).text
    assert "times of files are 1 h later" in section
    assert "12 of them differ in nothing but what is the same way everywhere" in words(section)
    assert "t/other" in section
    assert "t/11" not in section
