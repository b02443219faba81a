"""report.html on paper: every sheet says where it belongs, nothing is cut or folded away, and one sheet is to sign."""

from __future__ import annotations

import re
import shutil
import subprocess
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.report.browser import ARGUMENTS, opened
from tests.report.everything import ASKING, ENDLESS, SIGNED, damaged, everything
from tests.report.evidence import FINISHED, finding, one_of_each, wanted
from verifier.classes import Class, VerdictKind
from verifier.decisions.checklist import TEXTS
from verifier.decisions.signoff import Looked, Point
from verifier.report.page import DECISION_LINES, PRINTED_ROWS
from verifier.report.words import CAUTIONS, HEADLINES

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from playwright.sync_api import Browser

    from tests.report.browser import Opened

pytestmark = pytest.mark.real(programs=("chromium", "pdftotext", "pdfinfo"))

PROSE: Final = "The field notes of the old garden were bound by hand, and some pages are lost for good. " * 30


def printed(seen: Opened, pdf: Path) -> list[str]:
    """Print a page that is open, and return the text of each sheet."""
    seen.page.pdf(path=pdf, prefer_css_page_size=True)
    return sheets_of(pdf)


def sheets_of(pdf: Path) -> list[str]:
    """Return the text of each sheet of a printed page."""
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    return text.split("\f")[:-1]


def report_id(place: Path) -> str:
    """Return the id of the report in a file."""
    found = re.search(r"verification report (\w+)</title>", place.read_text("utf-8"))
    assert found
    return found[1]


def check_margins(sheets: Sequence[str], place: Path, headline: str) -> None:
    """Hold that every sheet says what it belongs to, which one it is, and the verdict, in the margins."""
    assert len(sheets) > 1
    for number, sheet in enumerate(sheets, 1):
        lines = [line for line in sheet.splitlines() if line.strip()]
        assert lines[0].split() == f"Verification of a moved file tree {headline}".split()
        assert lines[-1].split() == f"Report {report_id(place)} {number} of {len(sheets)}".split()


@pytest.mark.parametrize("kind", VerdictKind)
def test_every_sheet_says_where_it_belongs(
    browser: Browser, written: Callable[..., Path], tmp_path: Path, kind: VerdictKind
) -> None:
    """A loose sheet names its report, its number of how many, and the verdict; the first one says it at length."""
    findings = [*one_of_each(), *(finding(Class.EXTRA, None, f"more/{n:03}") for n in range(60))]
    place = written(f"kind-{kind}", findings=findings, kind=kind)
    with opened(browser, place) as seen:
        sheets = printed(seen, tmp_path / "page.pdf")
    check_margins(sheets, place, HEADLINES[kind])
    assert sheets[0].count(HEADLINES[kind]) >= 2
    told = subprocess.run(["pdfinfo", tmp_path / "page.pdf"], capture_output=True, text=True, check=True).stdout
    assert "(A4)" in told
    assert CAUTIONS[0][:40] in "".join(sheets)


def test_a_browser_prints_the_same_from_a_command(written: Callable[..., Path], tmp_path: Path) -> None:
    """Printed without a window, margins, rows and sign-off are the same: nothing depends on how it is printed."""
    place = written("everything", **everything(kind=VerdictKind.NOT_TRUSTWORTHY))
    pdf = tmp_path / "page.pdf"
    profile = f"--user-data-dir={tmp_path / 'profile'}"
    options = ("--headless", *ARGUMENTS, profile, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    program = shutil.which("chromium")
    assert program
    subprocess.run([program, *options, place.as_uri()], capture_output=True, check=True, timeout=120)
    sheets = sheets_of(pdf)
    check_margins(sheets, place, HEADLINES[VerdictKind.NOT_TRUSTWORTHY])
    assert "Who signs for it?" in sheets[-1]
    assert re.search(rf"more/{PRINTED_ROWS - 2:03}\b", "".join(sheets))


# ---- The lists


def rows(number: int, cls: Class, name: str) -> list[Any]:
    """Return findings of which each has a first and a last word of its own, and a few lines between them."""
    old, new = (None, "{}") if cls is Class.EXTRA else ("{}", None)
    return [
        finding(
            cls,
            old and old.format(f"{name}first{n:03}/{PROSE[: n % 7 * 40]}"),
            new and new.format(f"{name}first{n:03}/{PROSE[: n % 7 * 40]}"),
            reason=f"{PROSE[: n % 5 * 90]} {name}last{n:03}",
        )
        for n in range(number)
    ]


@pytest.fixture(scope="module")
def listed(written: Callable[..., Path]) -> Path:
    """Return a page with a list in the way, a longer one that is folded, and folders, rows and figures to be cut."""
    findings = rows(PRINTED_ROWS + 30, Class.MISSING, "lost") + rows(PRINTED_ROWS + 30, Class.EXTRA, "made")
    findings += [finding(Class.RELOCATED, f"from{n:03}/x", f"to{n:03}/x", reason="") for n in range(5)]
    for n in range(70):
        findings += [
            finding(Class.DRIFT, f"group{n:03}/{m}", f"group{n:03}/{m}", group_path=f"group{n:03}") for m in "ab"
        ]
    findings += [damaged(n * 100, f"scan{n:02}.tif") for n in range(8)]
    return written("listed", findings=findings)


def sheet_with(sheets: Sequence[str], word: str) -> int:
    """Return the number of the one sheet on which a word stands."""
    found = [number for number, sheet in enumerate(sheets) if re.search(rf"\b{word}\b", sheet)]
    assert len(found) == 1, (word, found)
    return found[0]


def test_the_first_rows_are_printed_whole_whatever_the_screen_showed(
    browser: Browser, listed: Path, tmp_path: Path
) -> None:
    """Of each list the first rows are on paper and the paper says so, folded, searched and cut as the screen may be."""
    with opened(browser, listed) as seen:
        plain = printed(seen, tmp_path / "plain.pdf")
        assert seen.page.locator("details[open]").count() == 0
        seen.page.fill("#f-words", "no such row")
        searched = printed(seen, tmp_path / "searched.pdf")
    text = "\n".join(plain)
    for name in ("lost", "made"):
        there = sorted(set(re.findall(rf"{name}first(\d\d\d)", text)))
        assert there == [f"{n:03}" for n in range(PRINTED_ROWS)]
        assert there == sorted(re.findall(rf"{name}last(\d\d\d)", text))
    said = f"Printed are the first {PRINTED_ROWS} of these rows; the page itself has {PRINTED_ROWS + 30}."
    assert " ".join(text.split()).count(said) == 2
    assert [f"group{n:03}" for n in range(70)] == sorted(set(re.findall(r"group\d\d\d", text)))
    assert "no row fits" not in text
    for control in ("Search the lists", "Clear", "Show ", "All of them", "The first of them"):
        assert control not in text, control
    assert searched == plain


def test_no_row_and_no_figure_is_cut(browser: Browser, listed: Path, tmp_path: Path) -> None:
    """A row is on one sheet from its first word to its last, a figure from its caption to its last byte."""
    with opened(browser, listed) as seen:
        sheets = printed(seen, tmp_path / "page.pdf")
    broken = 0
    for name in ("lost", "made"):
        on = [sheet_with(sheets, f"{name}first{n:03}") for n in range(PRINTED_ROWS)]
        assert on == [sheet_with(sheets, f"{name}last{n:03}") for n in range(PRINTED_ROWS)]
        broken += len(set(on)) - 1
    assert broken >= 3
    for number in range(1, 9):
        (sheet,) = [sheet for sheet in sheets if f"Figure {number}, silent" in sheet]
        assert f"{(number - 1) * 100 + 16:010x}" in sheet


def test_headings_stay_with_what_follows(browser: Browser, listed: Path, tmp_path: Path) -> None:
    """No sheet ends with a heading, the words above a list, or the head of a table; a table that goes on repeats it."""
    with opened(browser, listed) as seen:
        sheets = printed(seen, tmp_path / "page.pdf")
    head = "Path, and why it is here"
    for sheet in sheets:
        last = [line.strip() for line in sheet.splitlines() if line.strip()][-2]
        assert not last.startswith((head, "One by one", "Folders, each", "What to do", "Where the bytes differ")), last
        assert not re.match(r"\d+ +[A-Z].*\?$", last), last
    for name in ("lost", "made"):
        on = {sheet_with(sheets, f"{name}first{n:03}") for n in range(PRINTED_ROWS)}
        assert all(head in sheets[number] for number in on)


def test_what_has_to_be_seen_at_once_is_on_one_sheet(
    browser: Browser, written: Callable[..., Path], tmp_path: Path
) -> None:
    """The account with every class in it, the balance, and what to ask before wiping are each on one sheet."""
    with opened(browser, written("everything", **everything(kind=VerdictKind.NOT_TRUSTWORTHY))) as seen:
        sheets = printed(seen, tmp_path / "page.pdf")
    (sheet,) = [sheet for sheet in sheets if "The account of both sides" in sheet]
    assert all(cls.value in sheet for cls in Class)
    assert "Everything" in sheet
    (sheet,) = [sheet for sheet in sheets if "Ask before anything is wiped" in sheet]
    assert all(question[:40] in " ".join(sheet.split()) for question in TEXTS)
    (sheet,) = [sheet for sheet in sheets if "old side, bytes" in sheet]
    assert "new side, entries" in sheet
    assert "nothing found" in sheet


# ---- The sign-off


@pytest.mark.parametrize("kind", [VerdictKind.TRUSTWORTHY, VerdictKind.NOT_TRUSTWORTHY])
def test_the_block_to_sign_is_one_sheet(
    browser: Browser, written: Callable[..., Path], tmp_path: Path, kind: VerdictKind
) -> None:
    """With as many decisions as it can have, the block to sign fills the last sheet and nothing else is on it."""
    findings = [finding(Class.CLUTTER, name, rule=name, decision=True) for name in ASKING]
    with opened(browser, written(f"asking-{kind}", findings=findings, rules=ASKING, kind=kind)) as seen:
        sheets = printed(seen, tmp_path / "page.pdf")
    assert "Who signs for it?" in sheets[-1]
    assert sheets[-1].count("Signature") == 2
    assert all(name in sheets[-1] for name in list(ASKING)[:DECISION_LINES])
    assert "What comes before wiping?" not in sheets[-1]


LONG_POINTS: Final = tuple(Point(text, Looked.OPEN, PROSE[:170]) for text in TEXTS)


@pytest.mark.parametrize(
    "longest",
    [
        {},
        {
            "checklist": LONG_POINTS,
            "by": PROSE[:200],
            "role": PROSE[:200],
            "statement": PROSE[:2000],
            "despite": PROSE[:2000],
        },
        {
            "checklist": LONG_POINTS,
            "by": ENDLESS[:200],
            "role": ENDLESS[:200],
            "statement": SIGNED["statement"],
            "despite": ENDLESS,
        },
        {
            "checklist": LONG_POINTS,
            "statement": "\n".join(["I have read every page of this report."] * 25),
            "despite": PROSE[:600],
        },
    ],
    ids=["usual", "longest", "endless", "many lines"],
)
def test_the_record_of_a_sign_off_is_one_sheet(
    browser: Browser,
    written: Callable[..., Path],
    tmp_path: Path,
    longest: dict[str, Any],
    request: pytest.FixtureRequest,
) -> None:
    """With words as long as they may be, and all points of the checklist, it is the last sheet and nothing else."""
    signing = {"key": f"SHA256:{'k' * 43}", "exceptions": ({"number": 1},), **longest}
    given: dict[str, Any] = {"exceptions": [wanted("rotten")], "signing": signing | {"at": FINISHED.isoformat()}}
    place = written(
        f"signed-{request.node.callspec.id}".replace(" ", "-"), findings=[finding(Class.MISSING, "rotten")], **given
    )
    with opened(browser, place) as seen:
        sheets = printed(seen, tmp_path / "page.pdf")
    last = " ".join(sheets[-1].split())
    assert "Who signs for it?" in last
    assert "as it was signed. Report" in last
    assert all(text[:40] in last for text in TEXTS)
    assert "What comes before wiping?" not in last
    assert ('class="signing"' in place.read_text("utf-8")) == (not longest), "small letters only where they are needed"
    assert not [sheet for sheet in sheets[:-1] if TEXTS[0][:40] in " ".join(sheet.split())]
