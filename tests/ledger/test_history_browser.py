"""history.html in a real browser: seen at once, reached by keys, shut to nobody, printed whole; no text is obeyed."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from datetime import timedelta
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.ledger.garden import (
    FIRST,
    MORNING,
    at_home,
    chained,
    everything,
    night,
    run,
    side,
    source,
    step,
    still_there,
    year,
)
from tests.report.browser import DESK, PHONE, opened, running
from tests.report.evidence import MARKUP
from tests.strategies import HOSTILE_NAMES
from verifier.classes import Phase, VerdictKind
from verifier.ledger.history import OPEN_ROWS
from verifier.ledger.record import News, Outcome, PhaseRecord, RunRecord
from verifier.report.words import CAUTIONS, HEADLINES
from verifier.tree.names import shown, to_text

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

    from verifier.ledger.record import LedgerEntry

pytestmark = pytest.mark.real(programs=("chromium",))

ENDLESS: Final = "nowhereabreak" * 40
"""A text that no browser breaks of its own accord."""


@pytest.fixture(autouse=True)
def home() -> Iterator[None]:
    """Have the machine stand in the garden."""
    with at_home():
        yield


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Return a browser for all tests here."""
    with running() as started:
        yield started


def written(
    folder: Path, entries: list[LedgerEntry], there: Collection[str] = (), name: str = "Herbarium", **given: Any
) -> Path:
    """Write a history as it lies beside a ledger, with something in the place of each report that is there."""
    place = folder / "history.html"
    place.write_text(source(entries, there, name=name, **given), "utf-8", newline="")
    for one in there:
        (folder / "runs" / one).mkdir(parents=True)
        (folder / "runs" / one / "report.html").write_text(f"<!DOCTYPE html><title>report {one}</title>", "utf-8")
    return place


@pytest.fixture
def a_year(tmp_path: Path) -> Path:
    """Return the history of the garden's year."""
    entries = year()
    return written(tmp_path, entries, still_there(entries), "Herbarium and field notes")


@pytest.fixture
def all_kinds(tmp_path: Path) -> Path:
    """Return the history of a few weeks with everything in them."""
    entries = everything()
    there = [entry.record.run for entry in entries if isinstance(entry.record, RunRecord) and entry.record.evidence]
    return written(tmp_path, entries, there)


@pytest.fixture
def endless(tmp_path: Path) -> Path:
    """Return a history in which everything is as long as it may be."""
    news = News(new=10**9, worse=10**9, headline=ENDLESS, lines=(ENDLESS, ENDLESS))
    sides = {"old": side(ENDLESS, 10**16, 0.999), "new": side(ENDLESS, 10**16, 0.9)}
    said: dict[str, Any] = {"news": news, "reasons": (ENDLESS,), "warnings": (ENDLESS,), "sides": sides}
    bad = run(night(FIRST), verdict=VerdictKind.NOT_TRUSTWORTHY, **said)
    taken = replace(step(night(FIRST, 5), Phase.FROZEN, Phase.LIVE, ENDLESS), baseline=ENDLESS)
    records: list[RunRecord | PhaseRecord] = [
        replace(bad, run=ENDLESS),
        taken,
        run(MORNING, outcome=Outcome.COULD_NOT_RUN, **said),
    ]
    return written(tmp_path, chained(records), name=ENDLESS)


# ---- Seen


@pytest.mark.parametrize("kind", VerdictKind)
def test_the_news_is_seen_without_scrolling(browser: Browser, tmp_path: Path, kind: VerdictKind) -> None:
    """On a desk and on a phone the verdict and the headline are whole on the first screen, and larger than the text."""
    headline = "2 files decayed on the new side: same size and time, other bytes"
    place = written(tmp_path, chained([run(MORNING, verdict=kind, news=News(headline=headline))]))
    with opened(browser, place) as seen:
        for width, height in (DESK, PHONE):
            seen.page.set_viewport_size({"width": width, "height": height})
            for selector, text in ((".verdict .word", HEADLINES[kind]), (".verdict .large", headline)):
                one = seen.page.locator(selector)
                assert one.inner_text() == text
                box = one.bounding_box()
                assert box is not None
                assert 0 <= box["x"] <= box["x"] + box["width"] <= width
                assert 0 <= box["y"] <= box["y"] + box["height"] <= height
                size = "selector => parseFloat(getComputedStyle(document.querySelector(selector)).fontSize)"
                assert seen.value(size, selector) >= 1.25 * seen.value(size, ".verdict p:last-of-type")


_WIDE: Final = """() => {
    document.querySelectorAll("details").forEach(e => { e.open = true; });
    const texts = "td, th, p, li, dd, dt, h1, h2, h3, caption, summary, .day";
    const cut = [...document.querySelectorAll(texts)]
        .filter(e => e.clientWidth > 1 && e.scrollWidth > e.clientWidth + 1)
        .map(e => `${e.localName}.${e.className}: ${e.textContent.slice(0, 40)}`);
    const root = document.documentElement;
    return [root.clientWidth, root.scrollWidth, cut];
}"""


@pytest.mark.parametrize("name", ["a_year", "endless"])
def test_nothing_is_wider_than_the_screen(browser: Browser, request: pytest.FixtureRequest, name: str) -> None:
    """From a phone to a desk no text, table or drawing makes the page scroll sideways, and none is cut."""
    with opened(browser, request.getfixturevalue(name)) as seen:
        for width in (1400, 1280, 800, 390, 320):
            seen.page.set_viewport_size({"width": width, "height": 900})
            inner, needed, cut = seen.value(_WIDE)
            assert inner == width
            assert needed == inner, width
            assert not cut, width


_LABELS: Final = """() => {
    const boxes = [...document.querySelectorAll(".plot text")].map(e => [e, e.getBoundingClientRect()])
        .filter(([, box]) => box.width);
    const apart = (a, b) => a.right <= b.left || b.right <= a.left || a.bottom <= b.top + 3 || b.bottom <= a.top + 3;
    const met = [];
    boxes.forEach(([one, a], n) => boxes.slice(n + 1).forEach(([other, b]) => {
        if (!apart(a, b)) met.push(`${one.textContent} on ${other.textContent}`);
    }));
    const out = boxes.filter(([, box]) => box.left < 0 || box.right > innerWidth).map(([e]) => e.textContent);
    const small = boxes.filter(([e]) => parseFloat(getComputedStyle(e).fontSize) < 12).map(([e]) => e.textContent);
    return [boxes.length, met, out, small];
}"""


def problems_of(number: int) -> Iterator[RunRecord]:
    """Yield runs up to this morning of which each found more than the one before it."""
    for n in range(number):
        news = News(new=1, known=n * n)
        sides = {"old": side("old", 10**12, 0.97), "new": side("new", 10**12, 0.96)}
        yield run(night(MORNING.date() - timedelta(days=number - 1 - n)), news=news, sides=sides)


@pytest.mark.parametrize("number", [1, 100, 366, 4000])
def test_labels_of_the_plots_can_be_read(browser: Browser, tmp_path: Path, number: int) -> None:
    """At any width no label of a plot stands on another, leaves the page or is smaller than 12 pixels."""
    entries = year() if number == 366 else chained(problems_of(number))
    with opened(browser, written(tmp_path, entries)) as seen:
        for width in (1280, 800, 390):
            seen.page.set_viewport_size({"width": width, "height": 900})
            labels, met, out, small = seen.value(_LABELS)
            assert labels > 10
            assert (met, out, small) == ([], [], []), width


def test_dark_and_light_differ(browser: Browser, a_year: Path) -> None:
    """The page follows what the reader prefers, and a mark has another colour than the ground under it in both."""
    grounds = []
    for dark in (False, True):
        with opened(browser, a_year, dark=dark) as seen:
            colour = "([one, what]) => getComputedStyle(document.querySelector(one))[what]"
            grounds.append(seen.value(colour, ["body", "backgroundColor"]))
            filled = seen.value(colour, ["td .not-trustworthy-day", "backgroundColor"])
            assert seen.value(colour, ["td .not-trustworthy-day .mark", "stroke"]) not in (filled, "none")
            assert seen.value(colour, ["td .trustworthy-day .mark", "stroke"]) not in (grounds[-1], "none")
            assert filled != grounds[-1]
    assert grounds[0] != grounds[1]


# ---- Reached


def test_links_lead_to_the_reports(browser: Browser, a_year: Path) -> None:
    """The last run's report, a day's and a row's open from the file, and a day of trouble leads to its row unfolded."""
    with opened(browser, a_year) as seen:
        for selector in (".verdict a", "td a.trustworthy-day", "table.runs a"):
            link = seen.page.locator(selector).first
            run_name = str(link.get_attribute("href")).split("/")[1]
            link.click()
            assert seen.page.title() == f"report {run_name}"
            seen.page.go_back()
        killed = seen.page.locator("td a.killed-day")
        killed.click()
        row = seen.page.locator(str(killed.get_attribute("href")))
        assert row.is_visible()
        assert "Killed" in row.inner_text()
        assert not seen.console, seen.console


def test_everything_is_reached_by_keys(browser: Browser, a_year: Path) -> None:
    """Every link and fold is met in the order of the page, shows that it is met, and can be opened from there."""
    with opened(browser, a_year) as seen:
        every = seen.value("[...document.querySelectorAll('a, summary')].filter(e => e.checkVisibility()).length")
        met = []
        for _ in range(every):
            seen.page.keyboard.press("Tab")
            at = seen.value(
                "(() => { const e = document.activeElement; const s = getComputedStyle(e);"
                "return [e.localName, e.getBoundingClientRect().top + scrollY, s.outlineStyle, s.outlineWidth]; })()"
            )
            assert at[2:] == ["solid", "2px"], at
            met.append(at)
            if at[0] == "summary":
                seen.page.keyboard.press("Enter")
                assert seen.value("document.activeElement.parentElement.open")
                seen.page.keyboard.press("Enter")
        assert {name for name, *_ in met} == {"a", "summary"}
        assert len(met) > 150
        assert met[0][1] < met[len(met) // 2][1] < met[-1][1]


RULES_OF_ACCESS: Final = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
"""Names that axe-core gives to its rules (its documentation, `API.md`)."""
_LOOK: Final = """async tags => {
    document.querySelectorAll("details").forEach(e => { e.open = true; });
    const found = await axe.run(document, { runOnly: tags, resultTypes: ["violations"] });
    return found.violations.map(v => [v.id, v.help, ...v.nodes.slice(0, 3).map(n => n.html.slice(0, 150))].join(": "));
}"""


@pytest.mark.parametrize(
    ("name", "size", "dark"),
    [("a_year", DESK, False), ("all_kinds", DESK, True), ("all_kinds", PHONE, False), ("all_kinds", PHONE, True)],
    ids=["desk-light", "desk-dark", "phone-light", "phone-dark"],
)
def test_nobody_is_shut_out(
    browser: Browser, request: pytest.FixtureRequest, name: str, size: tuple[int, int], dark: bool
) -> None:
    """axe-core finds nothing against WCAG 2.2 AA or good practice, with every fold open."""
    look = files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
    with opened(browser, request.getfixturevalue(name), size, dark=dark, unguarded=True) as seen:
        seen.value(look)
        assert seen.value(_LOOK, RULES_OF_ACCESS) == []


def test_axe_would_find_something(browser: Browser, tmp_path: Path, all_kinds: Path) -> None:
    """The same look at a page whose days say nothing and are pale does find both."""
    text = all_kinds.read_text("utf-8").replace("</main>", "<p style='color: #bbb; background: #fff'>pale</p></main>")
    text = re.sub(r'<span class="heard">[^<]*</span>', "", re.sub("<meta http-equiv[^>]*>", "", text))
    text = re.sub(r'(<a class="day[^>]*) title="[^"]*"', r"\1", text)
    place = tmp_path / "worse.html"
    place.write_text(text, "utf-8", newline="")
    look = files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
    with opened(browser, place, unguarded=True) as seen:
        seen.value(look)
        assert {line.partition(":")[0] for line in seen.value(_LOOK, RULES_OF_ACCESS)} == {
            "color-contrast",
            "link-name",
        }


# ---- Inert


def test_nothing_is_fetched_and_nothing_refused(browser: Browser, a_year: Path) -> None:
    """Opened without a network the page is silent, and its policy lets its style, marks and patterns through."""
    for scripts in (True, False):
        with opened(browser, a_year, scripts=scripts) as seen:
            seen.page.mouse.wheel(0, 100_000)
            seen.page.wait_for_timeout(100)
            assert seen.silent, (seen.console, seen.dialogs, seen.requests)
            assert seen.page.locator("td .day .mark").first.bounding_box()
    with opened(browser, a_year) as seen:
        assert seen.value("getComputedStyle(document.querySelector('rect.known')).fill").startswith("url(")
        assert seen.value("document.scripts.length") == 0


def test_hostile_texts_do_nothing(browser: Browser, tmp_path: Path) -> None:
    """No name, headline, path or person opens a dialog, runs, asks for anything or makes an element; each is shown."""
    texts = [to_text(name) for name in HOSTILE_NAMES] + [MARKUP]
    records = [
        replace(
            run(
                night(FIRST, 0, n), verdict=VerdictKind.NOT_TRUSTWORTHY,
                news=News(new=1, headline=text, lines=(text,)), reasons=(text,), warnings=(text,),
            ),
            run=text,
        )
        for n, text in enumerate(texts)
    ]  # fmt: skip
    steps = [replace(step(night(FIRST, 3), Phase.FROZEN, Phase.LIVE, text), baseline=text) for text in texts]
    place = tmp_path / "history.html"
    place.write_text(source(chained([*steps, *records]), texts, night(FIRST, 5), MARKUP), "utf-8", newline="")
    with opened(browser, place) as seen:
        said = set(seen.value("[...document.querySelectorAll('bdi')].map(e => e.textContent)"))
        assert {shown(text) for text in texts if text.strip()} - {shown(t) for t in texts if t != t.strip()} <= said
        for link in seen.page.locator("td a.day").all():
            link.click()
        seen.page.mouse.wheel(0, 100_000)
        tags = set(seen.value("[...document.querySelectorAll('*')].map(e => e.localName)"))
        assert not {"img", "script", "iframe", "plaintext", "textarea", "object"} & tags
        assert seen.silent, (seen.console, seen.dialogs, seen.requests)


# ---- On paper


@pytest.mark.real(programs=("pdftotext", "pdfinfo"))
def test_it_prints_well(browser: Browser, a_year: Path, tmp_path: Path) -> None:
    """On A4 every sheet says of which ledger it is and what came last; the newest rows, plots and digest are there."""
    entries = year()
    pdf = tmp_path / "history.pdf"
    with opened(browser, a_year) as seen:
        seen.page.pdf(path=pdf, prefer_css_page_size=True)
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    sheets = text.split("\f")[:-1]
    told = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
    assert "(A4)" in told
    assert 4 <= len(sheets) <= 9
    for number, sheet in enumerate(sheets, 1):
        lines = [line for line in sheet.splitlines() if line.strip()]
        assert lines[0].split() == ["History", "of", "a", "migration,", "night", "by", "night", "Trustworthy"]
        assert lines[-1].split() == ["Ledger", entries[-1].digest[:16], str(number), "of", str(len(sheets))]
    whole = " ".join(text.split())
    assert entries[-1].digest in whole
    assert all(caution[:40] in whole for caution in CAUTIONS)
    printed = re.findall(r"\b2026\d{4}T\d{6}Z\b", whole)
    assert len(set(printed)) == OPEN_ROWS - 1, "and the step between phases among them"
    older = len(entries) - OPEN_ROWS
    assert f"{older} older rows are on the page, and printed where they are unfolded." in whole
    assert "December 2025" in whole
    for sheet in sheets:
        assert sheet.count("Read within the promised time") == ("100 %" in sheet and "50 %" in sheet)


@pytest.mark.real(programs=("pdftoppm",))
def test_what_is_told_by_a_ground_is_printed(browser: Browser, tmp_path: Path) -> None:
    """A day on a filled ground is printed with it, though browsers leave grounds out to save ink."""
    assert shutil.which("pdftoppm")
    dark = {}
    for kind in (VerdictKind.TRUSTWORTHY, VerdictKind.NOT_TRUSTWORTHY):
        folder = tmp_path / kind
        folder.mkdir()
        place = written(
            folder, chained([run(MORNING - timedelta(days=20 - n), verdict=kind, news=News()) for n in range(21)])
        )
        with opened(browser, place) as seen:
            seen.page.pdf(path=folder / "h.pdf", prefer_css_page_size=True, print_background=False)
        subprocess.run(["pdftoppm", "-gray", "-r", "50", "-l", "1", folder / "h.pdf", folder / "h"], check=True)
        (image,) = folder.glob("h-*.pgm")
        pixels = image.read_bytes().split(b"\n", 3)[3]
        dark[kind] = sum(value < 110 for value in pixels)
    assert dark[VerdictKind.NOT_TRUSTWORTHY] > dark[VerdictKind.TRUSTWORTHY] + 20 * 60
