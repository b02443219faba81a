"""report.html: complete, honest, and readable by everybody."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import pytest

from tests.report.everything import damaged, flipped
from tests.report.evidence import IDENTICAL, MARKUP, RULES, finding, one_of_each, parsed, wanted, written
from tests.report.markup import Page, words
from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.reconcile.findings import Findings, Systematic, Tally
from verifier.reconcile.folders import FolderSize, Ground
from verifier.report.context import build_context
from verifier.report.drawing import FILL_WORDS, MOST_NAMED, Fill
from verifier.report.listing import INLINE_ROWS
from verifier.report.page import DECISION_LINES, PRINTED_ROWS, render_page
from verifier.report.words import ADVICE, CAUSES, CAUTIONS, HEADLINES, MEANINGS, MEANS, NOT_PROVED
from verifier.tree.names import to_text

if TYPE_CHECKING:
    from pathlib import Path

QUESTIONS: Final = range(1, 13)


def test_the_page_answers_twelve_questions_in_order(tmp_path: Path) -> None:
    """The headings are the questions, the overview links to each, and headings skip no level."""
    report = parsed(tmp_path, one_of_each())
    headings = report.all("h2")
    assert [h.attributes["id"] for h in headings] == [f"q{n}" for n in QUESTIONS]
    links = report.within(report.all("nav")[0], "a")
    assert [link.attributes["href"] for link in links] == [f"#q{n}" for n in QUESTIONS]
    assert all(words(heading.text).endswith(link.text) for heading, link in zip(headings, links, strict=True))
    assert all(report.answer(n) for n in QUESTIONS)
    levels = [int(e.tag[1]) for e in report.elements if re.fullmatch("h[1-6]", e.tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


@pytest.mark.parametrize("kind", VerdictKind)
def test_every_verdict_is_said_in_words(tmp_path: Path, kind: VerdictKind) -> None:
    """Title, frame, sign-off and every printed sheet say the verdict in the words of every other report."""
    report = parsed(tmp_path, kind=kind)
    (frame,) = report.all("div", "verdict")
    assert frame.classes == ["verdict", kind.value]
    assert report.all("p", "word")[0].text == HEADLINES[kind]
    assert MEANINGS[kind] in frame.text
    assert report.all("title")[0].text.startswith(f"{HEADLINES[kind]} ")
    assert f"“{HEADLINES[kind]}”" in report.section(12).text
    assert report.answer(1) == HEADLINES[kind]
    assert f'@top-right {{ content: "{HEADLINES[kind]}"; }}' in report.all("style")[0].text


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
    """One table has a row for every class, zeros included; its columns add up to what the scans counted."""
    findings = one_of_each()
    report = parsed(tmp_path, findings)
    (table,) = report.all("table", "account")
    body, foot = (
        [row for row in report.within(table, "tr") if row.inside[-1].tag == part] for part in ("tbody", "tfoot")
    )
    heads = [report.cells(row)[0] for row in body]
    assert heads == [f"{cls.value} {MEANS[cls]}" for cls in Class]
    lines = [[int(re.sub(r"\D", "", cell)) for cell in report.cells(row)[1:]] for row in body]
    assert len(foot) == 1
    name, *totals = report.cells(foot[0])
    assert name.startswith("Everything")
    assert [f"{sum(column):,}" for column in zip(*lines, strict=True)] == [re.sub("[^0-9,]", "", t) for t in totals]
    there = {
        side: [f for f in findings if (f.old_path if side is Side.OLD else f.new_path) is not None] for side in Side
    }
    assert totals[0::2] == [str(IDENTICAL.entries + len(there[side])) for side in Side]
    assert [row.classes for row, line in zip(body, lines, strict=True) if not any(line)] == []
    assert [h.text for h in report.within(table, "th") if h.attributes["scope"] == "colgroup"] == [
        "Old side",
        "New side",
    ]
    for side in Side:
        said = f"The {side} side is balanced: the lines above add up to everything that the scan counted."
        assert said in words(report.section(3).text)


def test_a_class_without_entries_stays_in_the_account(tmp_path: Path) -> None:
    """Nothing found is a line of zeros, not a line that is not there."""
    report = parsed(tmp_path)
    (table,) = report.all("table", "account")
    zero = [row for row in report.within(table, "tr") if "zero" in row.classes]
    assert len(zero) == len(Class) - 1
    assert all(report.cells(row)[1:] == ["0", "0 B", "0", "0 B"] for row in zero)


def test_the_balance_is_drawn_beside_the_account(tmp_path: Path) -> None:
    """Four bars stand above the table, each with words, pieces to scale that say their class, and a legend."""
    findings = [finding(Class.MISSING, f"m/{n:02}", old_size=2000) for n in range(10)]
    report = parsed(tmp_path, [*findings, finding(Class.UNREADABLE, "u", old_size=1)])
    (balance,) = report.all("div", "balance")
    assert balance.inside[-1] is report.section(3)
    assert [p.text for p in report.within(balance, "p") if "of" in p.classes] == [
        "old side, bytes",
        "new side, bytes",
        "old side, entries",
        "new side, entries",
    ]
    bars = [svg for svg in report.within(balance, "svg") if "drawn" in svg.classes]
    assert len(bars) == 4
    pieces = [(r.classes, r.attributes["x"], r.attributes["width"], r.text) for r in report.within(bars[0], "rect")]
    assert pieces == [
        (["same"], "0%", "19.999%", "identical"),
        (["way"], "19.999%", "79.997%", "missing"),
        (["open"], "99.996%", "0.004%", "unreadable"),
    ]
    (mark,) = report.within(bars[0], "path")
    assert mark.classes == ["mark", "open"]
    assert mark.inside[-1].attributes["x"] == "99.996%"
    (legend,) = [p for p in report.within(balance, "p") if "legend" in p.classes]
    assert [words(span.text) for span in report.within(legend, "span")] == list(FILL_WORDS.values())
    assert [r.classes for r in report.within(legend, "rect")] == [[fill.value] for fill in Fill]


def test_an_account_that_does_not_balance_is_not_passed_over(tmp_path: Path) -> None:
    """The page says first, in the overview and at the account that nothing in it can be relied on."""
    report = parsed(tmp_path, uncounted=1)
    assert "The account of the old side does not balance" in report.section(1).text
    assert "The old side is NOT BALANCED" in words(report.section(3).text)
    assert "The new side is balanced" in words(report.section(3).text)
    assert report.answer(3) == "The account does not balance"


@pytest.mark.parametrize("cls", [cls for cls in Class if cls not in (Class.IDENTICAL, Class.CLUTTER)])
def test_every_class_has_its_place_its_meaning_and_what_to_do(tmp_path: Path, cls: Class) -> None:
    """A finding stands under the question that its weight belongs to, with advice, path and reason."""
    found = finding(cls, "here/it is", None if cls is Class.MISSING else "here/it is", reason="because of that")
    report = parsed(tmp_path, [found])
    severity = Severity(found.severity)
    place = {Severity.BLOCKER: 2, Severity.INCONCLUSIVE: 2, Severity.ATTENTION: 5, Severity.NOTE: 7}[severity]
    for number in (2, 5, 7):
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
    table = [report.cells(row) for row in report.rows(2, "plain")]
    assert table == [[cause, "3", CAUSES[cause]] for cause in (Cause.ZERO_FILLED, Cause.SILENT)]


# ---- Where bytes differ


def test_a_damaged_file_shows_where_it_differs(tmp_path: Path) -> None:
    """A figure has the file's strip with the differing range, the facts in words, and the bytes of both sides."""
    report = parsed(tmp_path, [damaged(4660)])
    (figure,) = report.all("figure")
    assert figure.attributes["id"] == "f1"
    assert figure.inside[-1].classes == ["part"]
    (caption,) = report.within(figure, "figcaption")
    assert words(caption.text) == "Figure 1, silent: scan.tif"
    (strip,) = [svg for svg in report.within(figure, "svg") if "strip" in svg.classes]
    assert strip.attributes["aria-hidden"] == "true"
    whole, differs = report.within(strip, "rect")
    assert (whole.classes, whole.attributes["width"]) == (["same"], "100%")
    assert (differs.classes, differs.attributes["x"], differs.attributes["width"]) == (["differs"], "46.6%", "0.01%")
    (mark,) = report.within(strip, "path")
    assert mark.inside[-1].attributes["x"] == "46.6%"
    facts = {dt.text: dd.text for dt, dd in zip(report.within(figure, "dt"), report.within(figure, "dd"), strict=True)}
    assert facts == {
        "first": "byte 4,660 (0x1234)",
        "differing": "1 of 10,000 bytes that were compared",
        "range": "1 byte from 4,660",
    }
    (ends,) = [p for p in report.within(figure, "p") if "ends" in p.classes]
    assert words(ends.text) == "byte 0 10,000 bytes"
    (table,) = report.within(figure, "table")
    lines = [report.cells(row) for row in report.within(table, "tr")][1:]
    usual = " ".join(["07"] * 16)
    assert lines[:4] == [
        ["0000001224", "old", usual, "." * 16],
        ["0000001224", "new", usual, "." * 16],
        ["0000001234", "old", usual, "." * 16],
        ["0000001234", "new", usual.replace("07", "3c", 1), "<" + "." * 15],
    ]
    assert len(lines) == 6
    assert [u.text for u in report.within(table, "u")] == ["07", "3c"]


def test_a_row_and_its_figure_refer_to_each_other(tmp_path: Path) -> None:
    """Rows name the figure that shows where they differ, figures are numbered through the page."""
    findings = [damaged(n, f"scan-{n}.tif") for n in (1, 2)]
    findings.append(damaged(3, "later.tif", severity="attention"))
    findings.append(damaged(4, "unlocated.tif", damage=None))
    report = parsed(tmp_path, findings)
    links = {
        report.within(row, "bdi")[0].text: report.within(row, "a")[0].attributes["href"]
        for number in (2, 5)
        for row in report.rows(number, "rows")
        if report.within(row, "a")
    }
    assert links == {"scan-1.tif": "#f1", "scan-2.tif": "#f2", "later.tif": "#f3"}
    captions = {f.attributes["id"]: words(report.within(f, "figcaption")[0].text) for f in report.all("figure")}
    assert captions == {f"f{n}": f"Figure {n}, silent: {name}" for n, name in enumerate(links, 1)}


@pytest.mark.parametrize(
    ("cause", "size", "said"),
    [
        ("truncated", 25, "The new file ends at byte 25: 75 bytes of the old one are not there, and up to there both"),
        ("empty", 0, "The new file ends at byte 0: 100 bytes of the old one are not there."),
    ],
)
def test_a_file_that_ends_early_shows_what_is_gone(tmp_path: Path, cause: str, size: int, said: str) -> None:
    """A cut file needs no bytes to be drawn: its sizes say what is not there."""
    report = parsed(tmp_path, [finding(Class.CONTENT_CHANGED, "c", "c", cause=cause, new_size=size)])
    (figure,) = report.all("figure")
    (strip,) = report.within(figure, "svg")
    assert [(r.classes, r.attributes["width"]) for r in report.within(strip, "rect")] == [
        (["same"], "100%"),
        (["gone"], f"{100 - size}%"),
    ]
    assert said in words(figure.text)
    assert not report.within(figure, "table")


def test_without_bytes_a_figure_says_what_would_show_them(tmp_path: Path) -> None:
    """Where only digests of segments are known the figure has no bytes, and says how to get them."""
    known = '{"first":0,"differing":null,"ranges":[[0,100]],"merged":false,"zeros":null,"zero_run":false,'
    known += '"sizes":[200,200],"compared":200,"near":0,"old_near":"","new_near":""}'
    report = parsed(tmp_path, [damaged(0, size=200, damage=known)])
    (figure,) = report.all("figure")
    assert not report.within(figure, "table")
    assert "Only digests of whole segments are known here" in figure.text


@pytest.mark.parametrize("text", ["", "{}", "null", "[" * 5000, '{"first": 1}'])
def test_a_damage_that_nobody_wrote_draws_nothing(tmp_path: Path, text: str) -> None:
    """What an altered evidence file says of a damage is left out; the finding itself is not."""
    report = parsed(tmp_path, [damaged(0, damage=text)])
    assert not report.all("figure")
    assert "scan.tif" in report.section(2).text


# ---- Where the differences are


def test_folders_are_drawn_with_what_was_found_in_them(tmp_path: Path) -> None:
    """Each folder has its name, its size, what was found in words, the folders in the way by name, and a bar."""
    sizes = [FolderSize("t", Side.OLD, 12, 10, 4_000_000), FolderSize("made", Side.NEW, 1, 1, 10)]
    sizes += [FolderSize(f"t/s{n}", Side.OLD, 2, 2, 500_000) for n in range(MOST_NAMED + 3)]
    findings = [finding(Class.MISSING, f"t/s{n}/lost") for n in range(MOST_NAMED + 2)]
    findings += [finding(Class.EXTRA, None, "made/x"), finding(Class.UNSETTLED, "beside")]
    ground = Ground("", tuple(sorted(sizes)), 7)
    report = parsed(tmp_path, findings, ground=ground)
    (shelves,) = report.all("ol", "shelves")
    assert shelves.inside[-1] is report.section(4)
    items = [li for li in report.within(shelves, "li") if li.inside[-1] is shelves]
    heads = [words(report.within(li, "p")[0].text) for li in items]
    assert heads == ["t/ 4 MB, 13 entries", "made/ 10 B, 2 entries on the new side"]
    assert report.within(items[0], "p")[1].text == f"{MOST_NAMED + 2} missing"
    named = [li.text for li in report.within(items[0], "li")]
    assert named == [*(f"s{n}: 1 missing" for n in range(MOST_NAMED)), "and 2 folders more"]
    (drawn,) = report.within(items[0], "svg")
    pieces = [(r.classes, r.attributes["x"], r.attributes["width"]) for r in report.within(drawn, "rect")]
    assert pieces == [
        *((["way"], f"{12.5 * n:g}%", "12.5%") for n in range(MOST_NAMED + 2)),
        (["same"], f"{12.5 * (MOST_NAMED + 2):g}%", "12.5%"),
        (["same"], f"{12.5 * (MOST_NAMED + 3):g}%", f"{100 - 12.5 * (MOST_NAMED + 3):g}%"),
    ]
    assert drawn.attributes["height"] == str(6 + 2 * 6 + 8)
    text = words(report.section(4).text)
    assert "7 more folders are not drawn." in text
    assert "In no folder that is drawn: 1 entry that changed while being read." in text
    assert report.answer(4) == "In 2 of 2 folders that are drawn"


def test_the_folder_in_which_all_lies_is_named(tmp_path: Path) -> None:
    """Where everything lies in one folder the page says which, and counts only folders with findings as touched."""
    sizes = tuple(FolderSize(f"data/{name}", side, 1, 1, 1) for name, side in (("a", Side.OLD), ("b", Side.NEW)))
    report = parsed(tmp_path, ground=Ground("data", sizes))
    assert "Everything lies in data/" in words(report.section(4).text)
    assert report.answer(4) == "In none of the 2 folders that are drawn"


def test_without_folders_or_sizes_the_page_says_so(tmp_path: Path) -> None:
    """A tree of files alone, or evidence without sizes, has words in place of a picture, and no empty list."""
    flat = parsed(tmp_path / "flat", [finding(Class.MISSING, "m")], ground=Ground("", ()))
    assert not flat.all("ol", "shelves")
    assert "In no folder that is drawn: 1 missing." in words(flat.section(4).text)
    unknown = parsed(tmp_path / "unknown")
    assert "The sizes of folders were not recorded" in unknown.section(4).text
    assert (flat.answer(4), unknown.answer(4)) == ("There are no folders", "Not recorded")


# ---- What stands in the way of trust


def test_nothing_in_the_way_is_said(tmp_path: Path) -> None:
    """Where nothing stands in the way, needs a decision or differs, the page says so and leaves no empty section."""
    report = parsed(tmp_path)
    assert "Nothing that was found stands in the way." in report.section(2).text
    assert "Nothing was found that somebody has to look at" in report.section(5).text
    assert "No rule claimed anything." in report.section(6).text
    assert "Nothing else was found." in report.section(7).text
    assert [report.answer(n) for n in (2, 5, 6, 7)] == ["Nothing"] * 4
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
    assert ("NOT COMPLETE" in report.section(9).text) == ("complete" in facts)
    assert ("LISTED ONLY" in report.section(9).text) == ("listing_only" in facts)
    assert report.answer(2) == "The run itself"
    assert report.answer(9) in ("The scan did not end on the old side", "Not every file was read on the old side")


def test_a_reading_that_does_not_repeat_is_said_first(tmp_path: Path) -> None:
    """Where a file was read differently twice, the page warns before any number that all readings are in doubt."""
    found = [finding(Class.CONTENT_CHANGED, f"c{n}", f"c{n}", cause=Cause.NOT_REPEATED.value) for n in range(2)]
    (warning,) = parsed(tmp_path, found).all("p", "warning")[:1]
    assert "2 files that were read differently at two readings" in warning.text


def test_a_verdict_without_findings_gives_the_run_as_reason(tmp_path: Path) -> None:
    """An inconclusive verdict that no finding explains is explained by the verdict's own reasons."""
    report = parsed(tmp_path, kind=VerdictKind.INCONCLUSIVE)
    assert "The run itself does" in report.section(2).text


# ---- What was compared, and how


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
    assert algorithm in words(report.section(9).text)
    assert said in words(report.section(8).text)
    assert any("accidents, not deceit" in w.text for w in report.all("p", "warning")) == warned


def test_what_was_compared_leaves_nothing_out(tmp_path: Path) -> None:
    """Fields, what was left out and why, tolerance, maps and gates are all there."""
    report = parsed(
        tmp_path,
        tolerance_ns=2 * 10**9,
        maps=["scans=archive/scans"],
        frozen_at="2024-03-01T18:00:00+01:00",
    )
    text = words(report.section(8).text)
    for said in (
        "mode, mtime",
        "up to a difference of 2 s",
        "ctime: set by the system",
        "scans=archive/scans",
        "2024-03-01 18:00:00 UTC+01:00",
        "not given: a change on the new side is never excused",
    ):
        assert said in text, said
    assert report.answer(8) == "Content, kind, names, mode, mtime"


def test_how_it_was_checked_leaves_nothing_out(tmp_path: Path) -> None:
    """Coverage, times, file systems, fingerprints and the second look are all there."""
    report = parsed(tmp_path, trees_seen=False, facts={Side.NEW: {"file_system": "exfat", "cross_mounts": "1"}})
    text = words(report.section(9).text)
    for said in (
        "all 30",
        "all 5,000 B",
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
    assert said in parsed(tmp_path, tolerance_ns=tolerance_ns).section(8).text


def reading(report: Page, row: str) -> list[str]:
    """Return what a row of the ninth question says about the old and about the new side."""
    found = [report.cells(line) for line in report.within(report.section(9), "tr")]
    ((_, *sides),) = [cells for cells in found if cells[0] == row]
    return sides


def test_a_partly_read_side_shows_how_much_was_read(tmp_path: Path) -> None:
    """Coverage is files and bytes read of those there, never a percentage that rounds up to all."""
    report = parsed(tmp_path, facts={Side.OLD: {"listing_only": "1"}})
    assert reading(report, "Files read to their end") == ["0 of 30", "all 30"]
    assert reading(report, "Bytes read") == ["0 B of 5,000 B", "all 5,000 B"]
    assert reading(report, "Listed, not read") == ["30", "0"]
    assert report.answer(9) == "Not every file was read on the old side"


def test_what_is_known_from_before_is_not_shown_as_read(tmp_path: Path) -> None:
    """Carried files stand in a row of their own, with the oldest reading, and the overview does not say `read`."""
    since = {"proved_files": 20, "proved_bytes": 3000, "carried_files": 10, "carried_bytes": 2000}
    report = parsed(tmp_path, totals={Side.OLD: {**since, "oldest_read": "2023-12-24T18:00:00+00:00"}})
    assert reading(report, "Files read to their end") == ["20 of 30", "all 30"]
    assert reading(report, "Not read now, known from an earlier scan") == ["10 of 30", "0 of 30"]
    assert reading(report, "Oldest reading that counts") == ["2023-12-24 18:00:00 UTC", "2024-03-04 05:30:00 UTC"]
    assert report.answer(9) == "Every file known on both sides, not all read now on the old side"
    assert parsed(tmp_path / "all").answer(9) == "Every file read on both sides"


def test_an_oldest_reading_that_is_not_there_is_not_made_up(tmp_path: Path) -> None:
    """Where nothing was read there is no age of evidence."""
    report = parsed(tmp_path, facts={Side.OLD: {"listing_only": "1"}})
    assert reading(report, "Oldest reading that counts")[0] == "not recorded"


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
    _, new = reading(parsed(tmp_path, facts={Side.NEW: facts}), "Read cold, past this machine's memory")
    assert new.startswith(said)


def test_a_cold_run_that_could_not_be_seen_claims_nothing(tmp_path: Path) -> None:
    """Where no file was seen to be out of memory, asked for or not, the page does not answer yes."""
    facts = {"asked_cold": "1", "cold_files": "0", "warm_files": "0"}
    _, new = reading(parsed(tmp_path, facts={Side.NEW: facts}), "Read cold, past this machine's memory")
    assert not new.startswith("yes")


def test_errors_that_were_met_are_told_by_kind(tmp_path: Path) -> None:
    """Each kind is a line with its side, its count, its folder and what to do; a hostile folder is text."""
    kinds = [
        {"operation": "open", "error": "EACCES", "entries": 312, "folder": "accounts", "attempts": 1},
        {"operation": "read", "error": "EIO", "entries": 1, "folder": to_text(MARKUP.encode()), "attempts": 3},
    ]
    report = parsed(tmp_path, problems={Side.NEW: kinds})
    text = words(report.section(9).text)
    assert "new side: EACCES (open) on 312 entries under accounts/: run as a user who may read them" in text
    assert "new side: EIO (read) on 1 entry under" in text
    assert "after 3 attempts" in text
    assert len(report.all("script")) == 1
    assert not report.all("img")
    assert "Errors that were met" in words(parsed(tmp_path / "none").section(9).text)


# ---- Weights, notes, limits


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
    assert "Weighed as “attention” by the policy" in words(report.section(5).text)
    assert "Weighed as" not in report.section(7).text
    weights = [report.cells(row) for row in report.rows(6, "plain")]
    assert weights == [["class extra", "blocker"], ["field mode", "attention"]]
    assert "no class and no field was weighed differently" not in words(report.section(6).text)


def test_findings_that_a_policy_weighs_as_nothing_are_listed_still(tmp_path: Path) -> None:
    """No weight makes a finding vanish: what weighs nothing stands among what else differs."""
    found = finding(Class.EXTRA, None, "new/one", severity="none")
    report = parsed(tmp_path, [found], policy={"class": {"extra": "none"}, "field": {}})
    assert "new/one" in report.section(7).text


def test_notes_are_counted_and_can_be_folded(tmp_path: Path) -> None:
    """Only what is noted, set aside or accepted can be folded, is open until a script folds it, and is counted."""
    report = parsed(tmp_path, one_of_each())
    assert [h.text for h in report.within(report.section(7), "h3")] == ["Relocated", "Metadata only", "Extra", "Drift"]
    folds = report.within(report.section(7), "details")
    assert len(folds) == 4
    assert all("open" in fold.attributes for fold in report.all("details"))
    findings = report.rows(7, "rows")
    assert len(findings) == 4
    assert all(any(e.tag == "details" for e in row.inside) for row in findings)
    for number in set(QUESTIONS) - {6, 7}:
        assert not report.within(report.section(number), "details")
    assert ["mtime, mode", "1"] in [report.cells(row) for row in report.rows(7, "plain")]


def test_what_is_explained_is_counted_and_not_listed(tmp_path: Path) -> None:
    """What differs in systematic ways only is one line of question 7; the rest is listed below it."""
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
        report = Page(render_page(build_context(tmp_path, store), store))
    section = report.section(7).text
    assert "times of files are 1 h later" in section
    assert "12 of them differ in nothing but what is the same way everywhere" in words(section)
    assert "t/other" in section
    assert "t/11" not in section
    assert report.answer(7) == "The same way everywhere, metadata only"


def test_limits_and_cautions_are_whole(tmp_path: Path) -> None:
    """Every limit of the proof and every caution stands on every page, also on a good one."""
    report = parsed(tmp_path)
    assert [item.text for item in report.within(report.section(10), "li")] == list(NOT_PROVED)
    text = report.section(11).text
    assert all(caution in text for caution in CAUTIONS)


# ---- For eyes and without them


def test_tables_can_be_read_without_eyes(tmp_path: Path) -> None:
    """Every table has a caption, every heading cell a scope, every drawing is hidden where words say the same."""
    ground = Ground("", (FolderSize("m", Side.OLD, 1, 1, 1),))
    report = parsed(tmp_path, [*one_of_each(), damaged(1)], ground=ground)
    for table in report.all("table"):
        assert len(report.within(table, "caption")) == 1
    assert all(th.attributes.get("scope") in ("col", "row", "colgroup") for th in report.all("th"))
    drawings = [svg for svg in report.all("svg") if not any(outer.tag == "svg" for outer in svg.inside)]
    assert len(drawings) > 10
    assert all(svg.attributes.get("aria-hidden") == "true" for svg in drawings)


def test_every_control_of_the_search_has_a_name(tmp_path: Path) -> None:
    """Each field has a label that is tied to it, each button words, and the whole is a search that stays hidden."""
    report = parsed(tmp_path)
    (form,) = report.all("form")
    assert form.attributes["role"] == "search"
    assert form.attributes["aria-label"]
    assert "hidden" in form.attributes
    fields = {e.attributes["id"] for tag in ("input", "select") for e in report.within(form, tag)}
    assert {label.attributes["for"] for label in report.within(form, "label")} == fields
    assert len(fields) == 2
    buttons = report.within(form, "button")
    assert len(buttons) == 3
    assert all(button.text and button.attributes["type"] == "button" for button in buttons)


def full_pages(folder: Path) -> list[Page]:
    """Return pages that have between them everything that a page can have."""
    rules = {f"rule-{n:02}": RULES["bin"] for n in range(DECISION_LINES + 3)}
    ground = Ground("", (FolderSize("m", Side.OLD, 1, 1, 1), FolderSize("m/some", Side.OLD, 1, 1, 1)), 1)
    everything = [*one_of_each(), damaged(1), finding(Class.MISSING, "m/some/other")]
    everything.append(finding(Class.CONTENT_CHANGED, "cut", "cut", cause="empty", new_size=0))
    everything.append(damaged(2, "longer", damage=flipped(2, 10_000, compared_bytes=50).to_json()))
    pages = [parsed(folder / kind, everything, kind=kind, ground=ground) for kind in VerdictKind]
    many = [finding(Class.MISSING, f"{n}") for n in range(INLINE_ROWS + 1)]
    pages.append(parsed(folder / "many", many, rules=rules, facts={Side.OLD: {"complete": "0"}}))
    aside = [finding(Class.CLUTTER, name, rule=name, decision=True) for name in rules]
    pages.append(parsed(folder / "aside", aside, rules=rules))
    signing = {"despite": "it has to go " * 80, "role": "keeper"}
    pages.append(parsed(folder / "signed", everything, exceptions=[wanted("m/")], signing=signing))
    return pages


def test_the_style_sheet_the_script_and_the_page_know_the_same_classes(tmp_path: Path) -> None:
    """Every class that a page or its script uses has a rule, and every class that has a rule is used."""
    pages = full_pages(tmp_path)
    sheet, script = pages[0].all("style")[0].text, pages[0].all("script")[0].text
    selectors = re.sub(r"\{[^{}]*\}", "{}", sheet)
    styled = set(re.findall(r"\.([a-z][a-z-]*)", selectors))
    used = {cls for report in pages for element in report.elements for cls in element.classes}
    used |= set(re.findall(r'className: "([\w -]+)"', script)) | set(re.findall(r'classList\.\w+\("([\w-]+)"', script))
    assert used == styled


def test_the_style_sheet_the_script_and_the_page_know_the_same_ids(tmp_path: Path) -> None:
    """Every id that the sheet or the script asks for is there, once, on every page."""
    for report in full_pages(tmp_path):
        ids = [e.attributes["id"] for e in report.elements if "id" in e.attributes]
        assert len(ids) == len(set(ids))
        sheet, script = report.all("style")[0].text, report.all("script")[0].text
        selectors = re.sub(r"\{[^{}]*\}", "{}", sheet)
        asked = set(re.findall(r"#([a-z][\w-]*)", selectors)) | set(re.findall(r"url\(#([\w-]+)\)", sheet))
        asked |= set(re.findall(r'"(f-\w+)"', script)) | set(re.findall(r'getElementById\("([\w-]+)"\)', script))
        assert len(asked) >= 10
        assert asked <= set(ids)
        for element in report.elements:
            for name in ("for", "aria-labelledby", "aria-describedby"):
                assert set(element.attributes.get(name, "").split()) <= set(ids)
            assert element.attributes.get("href", "#q1").removeprefix("#") in ids


def test_the_style_sheet_prints_as_many_rows_as_the_page_says(tmp_path: Path) -> None:
    """The number of rows that are printed stands in the sheet and in the words below a list, and is the same."""
    sheet = parsed(tmp_path / "sheet").all("style")[0].text
    assert f".rows tbody tr:nth-child(n + {PRINTED_ROWS + 1}) {{ display: none; }}" in sheet
    for number in (PRINTED_ROWS, PRINTED_ROWS + 1):
        findings = [finding(Class.MISSING, f"{n:03}") for n in range(number)]
        notes = parsed(tmp_path / f"{number}", findings).all("p", "on-paper")
        said = f"Printed are the first {PRINTED_ROWS} of these rows; the page itself has {number}."
        assert [words(note.text) for note in notes] == ([said] if number > PRINTED_ROWS else [])


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
