"""What the page lists: bounded, nothing left out uncounted, and no crowd that hides what matters."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.report.everything import largest
from tests.report.evidence import MARKUP, RULES, finding, one_of_each, page, parsed, wanted
from tests.report.markup import Page, words
from verifier.classes import Class, Side
from verifier.reconcile.folders import FolderSize, Ground
from verifier.report import cutting, drawing
from verifier.report.cutting import EXCEPTION_BYTES
from verifier.report.drawing import MOST_BLOCKS, MOST_SHELVES
from verifier.report.listing import (
    FIGURE_BYTES,
    FIGURES,
    INLINE_FOLDERS,
    INLINE_ROWS,
    LEFT_OUT_BYTES,
    LINE_BYTES,
    LONGEST_TEXT,
    RANGE_BYTES,
)
from verifier.report.words import MEANS
from verifier.tree.damage import MAX_RANGES, MERGE_BYTES, Damage

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from verifier.reconcile.findings import Finding

LARGEST_BYTES: Final = 3_000_000
T0_ODD: Final = 1_700_000_000_123_456_789
LARGE: Final = 2**57
"""A size whose words are as long as any,"""
LESS: Final = LARGE >> 11
"""and one of which many can be added up."""
REASON: Final = "why it is so"


def rest_of(report: Page, number: int) -> list[str]:
    """Return what a section says about findings that it does not list."""
    return [words(p.text) for p in report.within(report.section(number), "p") if p.classes == ["rest"]]


def test_a_folder_of_one_fate_is_one_line(tmp_path: Path) -> None:
    """What is in such a folder is not listed again, and every finding is in a line, a row or the remainder."""
    inside = [finding(Class.MISSING, f"lost/{n:03}", group_path="lost") for n in range(40)]
    folder = finding(Class.MISSING, "lost", group_path="lost", old_kind="directory")
    empty = finding(Class.MISSING, "empty", group_path="empty", old_kind="directory")
    report = parsed(tmp_path, [folder, *inside, empty, finding(Class.MISSING, "alone")])
    assert [report.cells(row) for row in report.rows(2, "folders")] == [["lost", "41 40 files", "4 kB"]]
    assert [report.within(row, "bdi")[0].text for row in report.rows(2, "rows")] == ["alone", "empty"]
    assert not rest_of(report, 2)


@pytest.mark.parametrize("crowd", [Class.EXTRA, Class.MISSING])
def test_what_is_left_out_is_counted(tmp_path: Path, crowd: Class) -> None:
    """Folder lines, rows and the remainder that the page names add up to the findings, class by class."""
    sides = (None, "{}") if crowd is Class.EXTRA else ("{}", None)
    findings = []
    for group in range(INLINE_FOLDERS + 30):
        for n in range(3):
            old, new = (side and side.format(f"f{group:03}/{n}") for side in sides)
            findings.append(finding(crowd, old, new, group_path=f"f{group:03}"))
    for n in range(INLINE_ROWS + 7):
        old, new = (side and side.format(f"x{n:04}") for side in sides)
        findings.append(finding(crowd, old, new))
    report = parsed(tmp_path, [*findings, finding(Class.MISSING if crowd is Class.EXTRA else Class.EXTRA)])
    number = 7 if crowd is Class.EXTRA else 2
    assert len(report.rows(number, "folders")) == INLINE_FOLDERS
    assert len(report.rows(number, "rows")) == INLINE_ROWS
    (rest,) = rest_of(report, number)
    assert rest.startswith(f"{30 * 3 + 7} more in differences.csv")


def test_a_crowd_of_one_class_hides_no_folder_of_another(tmp_path: Path) -> None:
    """The room for folder lines is each class's own: a small lost folder shows beside any number of large new ones."""
    crowd = [
        finding(Class.EXTRA, None, f"n{group:03}/{n}", group_path=f"n{group:03}", new_size=10**9)
        for group in range(INLINE_FOLDERS + 1)
        for n in range(2)
    ]
    lost = [finding(Class.MISSING, f"lost/{n}", group_path="lost", old_size=1) for n in range(2)]
    report = parsed(tmp_path, crowd + lost)
    assert [report.cells(row) for row in report.rows(2)] == [["lost", "2 2 files", "2 B"]]


def test_a_path_that_is_very_long_is_shortened_and_says_so(tmp_path: Path) -> None:
    """The page shows beginning and end of a path deeper than any screen, and how much is between them."""
    path = "a" * 1500 + "b" * 3000 + "c" * 1500
    text = words(parsed(tmp_path, [finding(Class.MISSING, path)]).section(2).text)
    assert f"[{6000 - LONGEST_TEXT:,} characters left out here]" in text
    assert "a" * 1200 in text
    assert "c" * 800 in text
    assert len(text) < 3500


def test_sizes_are_given_in_words_and_in_bytes(tmp_path: Path) -> None:
    """A size that is rounded stands beside its bytes, on each side, and what is no file says what it is."""
    findings = [
        finding(Class.CONTENT_CHANGED, "a", "a", old_size=999, new_size=1_234_567),
        finding(Class.KIND_CHANGED, "b", "b", new_kind="link"),
        finding(Class.MISSING, "c", old_kind="directory"),
    ]
    report = parsed(tmp_path, findings)
    when = "2023-11-14 22:13:20Z"
    assert [report.cells(row)[1:] for row in report.rows(2, "rows")] == [
        [f"folder {when}", "\u2013"],
        [f"999 B {when}", f"1.23 MB 1,234,567 B {when}"],
        [f"100 B {when}", f"link {when}"],
    ]


# ---- What the page takes


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


def growth(tmp_path: Path, one: Callable[[int], list[Finding]], **given: Any) -> int:
    """Return by how many bytes a page grows with the last of eleven."""
    few, more = ([found for n in range(10, 10 + number) for found in one(n)] for number in (10, 11))
    sizes = [len(page(tmp_path / name, found, **given).encode()) for name, found in (("few", few), ("more", more))]
    return sizes[1] - sizes[0]


def big(n: int, path: str = "o", other: str | None = "n", **changes: Any) -> Finding:
    """Return a finding of which everything but the texts is as long as it gets; paths end in two digits."""
    known: dict[str, Any] = {"cause": "zero-filled", "old_mtime_ns": T0_ODD, "new_mtime_ns": T0_ODD}
    known |= {"old_size": LARGE, "new_size": LARGE + 1}
    elsewhere = f"{path}{n}" if other is None else f"{other}{n}"
    return finding(Class.CONTENT_CHANGED, f"{path}{n}", elsewhere, **known | changes)


def damage(ranges: int) -> Damage:
    """Return a damage in a file as large as any, of which everything is as long as it gets."""
    stretches = tuple((LARGE - (MAX_RANGES + 1 - n) * 2 * MERGE_BYTES, MERGE_BYTES) for n in range(ranges))
    first = stretches[0][0]
    whole = (LARGE, LARGE + 1, LARGE)
    return Damage(first, ranges * MERGE_BYTES, stretches, True, True, True, *whole, first - 16, b"\xee" * 48, bytes(48))


def test_markup_of_a_row_takes_no_more_than_is_reckoned(tmp_path: Path) -> None:
    """What the page's limits assume for the markup of one line is at least what the template writes."""
    texts = len("o10") + len("n10") + len(REASON)
    assert 200 < growth(tmp_path / "files", lambda n: [big(n)]) <= LINE_BYTES + texts
    devices = {"old_kind": "char-device", "new_kind": "block-device"}
    assert 200 < growth(tmp_path / "devices", lambda n: [big(n, **devices)]) <= LINE_BYTES + texts
    longest = LONGEST_TEXT + 500
    cut = growth(tmp_path / "cut", lambda n: [big(n, "o" * longest, "n" * longest, reason="r" * longest)])
    assert 3 * LONGEST_TEXT < cut <= LINE_BYTES + 3 * (LONGEST_TEXT + LEFT_OUT_BYTES)

    def folder(n: int) -> list[Finding]:
        return [finding(Class.RELOCATED, f"o{n}{end}", f"n{n}{end}", group_path=f"o{n}") for end in ("", "/a", "/b")]

    assert 100 < growth(tmp_path / "folders", folder) <= LINE_BYTES + len("o10") + len("n10")


@pytest.mark.parametrize("ranges", [1, 2, 12, 13, MAX_RANGES])
def test_markup_of_a_figure_takes_no_more_than_is_reckoned(tmp_path: Path, ranges: int) -> None:
    """A figure and its ranges take no more than is assumed, beside the row that belongs to them."""
    known = damage(ranges)
    assert Damage.from_json(known.to_json()) == known
    without = growth(tmp_path / "without", lambda n: [big(n)])
    grown = growth(tmp_path / "with", lambda n: [big(n, damage=known.to_json())])
    row = len(' <a href="#f11">figure 11</a>')
    figure = grown - without - row
    assert without + row <= LINE_BYTES + len("o10") + len("n10") + len(REASON)
    assert 1000 < figure <= FIGURE_BYTES + RANGE_BYTES * ranges + len("o10") + len("n10")


def test_figures_take_no_more_than_their_share(tmp_path: Path) -> None:
    """The first damaged files have figures, as many as fit; all have their rows."""
    some = [
        big(n, other=None, old_size=LESS, new_size=LESS, damage=damage(1).to_json())
        for n in range(10, 10 + FIGURES + 5)
    ]
    report = parsed(tmp_path / "some", some)
    assert 50 < len(report.all("figure")) <= FIGURES
    assert len(report.rows(2, "rows")) == len(some)
    worse = [
        big(n, other=None, old_size=LESS, new_size=LESS, damage=damage(MAX_RANGES).to_json())
        for n in range(10, 10 + FIGURES)
    ]
    assert 10 < len(parsed(tmp_path / "worse", worse).all("figure")) < 30


def test_markup_of_an_exception_takes_no_more_than_is_reckoned(tmp_path: Path) -> None:
    """What is assumed for what is said of one exception, its rows left out, is at least what the template writes."""
    findings = [finding(Class.MISSING, f"m{n:02}", old_size=LARGE + 1) for n in range(12)]
    exceptions = [wanted(f"m{n:02}", until=wanted("").at.replace(year=2030)) for n in range(11)]
    few, more = (
        len(page(tmp_path / str(number), findings, exceptions=exceptions[:number]).encode()) for number in (10, 11)
    )
    texts = sum(map(len, ("m00", exceptions[0].because, exceptions[0].by)))
    assert more - few > 500
    # The row leaves the list of what is in the way, and stands in that of the exception, which is a table more.
    assert more - few <= EXCEPTION_BYTES + texts


def test_more_exceptions_than_fit_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of many exceptions those in force are told before those that ended, in their order, and the others counted."""
    monkeypatch.setattr(cutting, "EXCEPTIONS_BYTES", 4 * (EXCEPTION_BYTES + 60))
    findings = [finding(Class.MISSING, f"m{n}") for n in range(8)]
    ended = wanted("").at.replace(year=2020)
    exceptions = [wanted(f"m{n}", until=ended if n in (1, 3) else None) for n in range(8)]
    report = parsed(tmp_path, findings, exceptions=exceptions)
    heads = [words(h.text) for h in report.within(report.section(5), "h4")]
    assert heads == [f"Exception {n}: missing, m{n - 1}" for n in (1, 3, 5, 6)]
    assert rest_of(report, 5) == [
        "4 more exceptions are on record; verifier accept with this report's folder lists them."
    ]
    monkeypatch.setattr(cutting, "EXCEPTIONS_BYTES", 1)
    one = parsed(tmp_path / "one", findings, exceptions=exceptions)
    assert len(one.within(one.section(5), "h4")) == 1


def test_a_picture_of_long_names_does_not_make_the_page_large(tmp_path: Path) -> None:
    """As many folders as are drawn, all in the way, with names as long and as hostile as they get, stay small."""
    sizes, findings = [], []
    for top in range(MOST_SHELVES):
        name = f"{top:02}" + '"' * 253
        sizes.append(FolderSize(name, Side.OLD, 10**6, 10**6, 10**15))
        for inner in range(MOST_BLOCKS + 1):
            path = f"{name}/{inner:02}" + "<" * 253
            sizes.append(FolderSize(path, Side.OLD, 10**6, 10**6, 1))
            findings.append(finding(Class.MISSING, f"{path}/x"))
    empty = len(page(tmp_path / "without", findings).encode())
    drawn = len(page(tmp_path / "with", findings, ground=Ground("", tuple(sorted(sizes)))).encode())
    assert drawing.TITLES_BYTES < drawn - empty < 450_000


@pytest.mark.slow
def test_the_largest_page_of_all_stays_small(tmp_path: Path) -> None:
    """With every list full, and as many figures, folders, rules and exceptions as a page has, it is below 3 MB."""
    source = page(tmp_path, **largest())
    assert 2_000_000 < len(source.encode()) < LARGEST_BYTES
    assert len(Page(source).all("figure")) > 20
