"""report.html in a real browser: it obeys no name, fits a phone and prints with its sign-off on one sheet."""

from __future__ import annotations

import os
import re
import subprocess
from typing import TYPE_CHECKING, Final

import pytest

from tests.report.evidence import RULES, finding, one_of_each, page
from tests.report.test_page import MARKUP
from verifier.classes import Class, Side, VerdictKind
from verifier.report.page import DECISION_LINES
from verifier.report.words import CAUTIONS, HEADLINES

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.real(programs=("chromium", "pdftotext", "pdfinfo"))

BROWSER: Final = (
    "chromium",
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--enable-logging=stderr",
)
ENDLESS: Final = "nowhereabreak" * 60
"""A name without any place to break a line at."""
ASKING: Final = {f"rule-{n:02}": RULES["bin"] for n in range(DECISION_LINES + 3)}


def browse(scratch: Path, what: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Open a file in a browser that has never been used before."""
    where = ["--user-data-dir=" + os.fspath(scratch / "profile"), *options, what.as_uri()]
    return subprocess.run([*BROWSER, *where], capture_output=True, text=True, check=True, timeout=120)


def full_page(folder: Path) -> str:
    """Return a page with everything in it, hostile and endless names among it."""
    big = {"old_size": 10**16, "new_size": 10**16 + 1, "old_mtime_ns": 10**18 + 123456789}
    findings = [
        *one_of_each(MARKUP),
        finding(Class.MISSING, ENDLESS),
        finding(Class.NAME_ALTERED, ENDLESS + "a", ENDLESS + "A", reason=ENDLESS),
        finding(Class.CONTENT_CHANGED, "big", "big", **big),
    ]
    findings += [finding(Class.CLUTTER, name, rule=name, decision=True) for name in ASKING]
    facts = {side: {"root": f"/{ENDLESS}", "label": ENDLESS, "host": ENDLESS} for side in Side}
    return page(folder, findings, rules=RULES | ASKING, facts=facts)


def printed(tmp_path: Path, source: str) -> tuple[list[str], str]:
    """Print a page; return the text of each sheet, and what `pdfinfo` says."""
    html, pdf = tmp_path / "report.html", tmp_path / "report.pdf"
    html.write_text(source, "utf-8", newline="")
    browse(tmp_path, html, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    told = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
    return text.split("\f")[:-1], told


def test_the_browser_runs_and_refuses_nothing(tmp_path: Path) -> None:
    """Names that are markup make no element, and the page's own policy lets its style sheet through unharmed."""
    html = tmp_path / "report.html"
    html.write_text(full_page(tmp_path / "evidence"), "utf-8", newline="")
    seen = browse(tmp_path, html, "--dump-dom")
    assert not re.search("<(script|img|a href=.?javascript)", seen.stdout)
    assert "alert(1)" in seen.stdout
    assert "Content Security Policy" not in seen.stderr


def test_the_policy_refuses_what_is_not_of_the_page(tmp_path: Path) -> None:
    """The browser enforces the policy: a foreign style, script or image in the page is refused, and says so."""
    foreign = "<style>p{}</style><script>document.title='run'</script><img src='report.html'>"
    html = tmp_path / "report.html"
    html.write_text(page(tmp_path / "evidence").replace("</main>", f"{foreign}</main>"), "utf-8", newline="")
    seen = browse(tmp_path, html, "--dump-dom")
    assert "<title>run" not in seen.stdout
    for refused in ("style-src", "script-src", "img-src"):
        assert re.search(f"{refused}.*Content Security Policy|Content Security Policy.*{refused}", seen.stderr), refused


@pytest.mark.parametrize("width_px", [380, 800, 1400])
def test_nothing_is_wider_than_the_screen(tmp_path: Path, width_px: int) -> None:
    """From a phone to a desk, no name or number makes the page scroll sideways, with every fold open."""
    source = full_page(tmp_path / "evidence").replace("<details>", "<details open>")
    # Measuring takes a script, so the policy is taken out of this copy.
    source = re.sub('<meta http-equiv="Content-Security-Policy"[^>]*>', "", source)
    source = source.replace("&", "&amp;").replace('"', "&quot;")
    frame = tmp_path / "frame.html"
    frame.write_text(
        f"""<!DOCTYPE html><meta charset="utf-8"><iframe srcdoc="{source}" width="{width_px}" height="900"></iframe>
        <script>
        const frame = document.querySelector("iframe");
        frame.onload = () => {{
            const seen = frame.contentDocument.documentElement;
            const cut = [...seen.querySelectorAll(".place, td, th, p, li, dd")].filter(
                e => e.clientWidth && e.scrollWidth > e.clientWidth + 1);
            document.title = `${{seen.clientWidth}} ${{seen.scrollWidth}} ${{cut.length}}`;
        }};
        </script>""",
        "utf-8",
    )
    seen = browse(tmp_path, frame, "--dump-dom", "--virtual-time-budget=5000", "--window-size=1600,1000")
    told = re.search(r"<title>(\d+) (\d+) (\d+)</title>", seen.stdout)
    assert told
    inner, needed, cut = map(int, told.groups())
    assert width_px - 20 <= inner <= width_px
    assert needed == inner
    assert cut == 0


def test_it_prints_on_a4_with_its_name_on_every_sheet(tmp_path: Path) -> None:
    """A loose sheet says which report it belongs to and where in it; the first one gives the verdict."""
    source = full_page(tmp_path / "evidence")
    sheets, told = printed(tmp_path, source)
    report_id = re.search(r"verification report (\w+)</title>", source)
    assert report_id
    assert "(A4)" in told
    assert len(sheets) > 1
    for number, sheet in enumerate(sheets, 1):
        assert f"Report {report_id[1]}" in sheet
        assert f"{number} of {len(sheets)}" in sheet
    assert HEADLINES[VerdictKind.NOT_TRUSTWORTHY] in sheets[0]
    assert CAUTIONS[0][:40] in "".join(sheets)


@pytest.mark.parametrize("kind", [VerdictKind.TRUSTWORTHY, VerdictKind.NOT_TRUSTWORTHY])
def test_the_sign_off_block_is_one_sheet(tmp_path: Path, kind: VerdictKind) -> None:
    """With as many decisions as it can have, the block to sign fills the last sheet and nothing else is on it."""
    findings = [finding(Class.CLUTTER, name, rule=name, decision=True) for name in ASKING]
    sheets, _ = printed(tmp_path, page(tmp_path / "evidence", findings, rules=ASKING, kind=kind))
    assert "Who signs for it?" in sheets[-1]
    assert sheets[-1].count("Signature") == 2
    assert all(name in sheets[-1] for name in list(ASKING)[:DECISION_LINES])
    assert "What comes before wiping?" not in sheets[-1]


def test_the_account_prints_on_one_sheet(tmp_path: Path) -> None:
    """The account of both sides, with every class in it, can be read without turning over."""
    sheets, _ = printed(tmp_path, full_page(tmp_path / "evidence"))
    (sheet,) = [sheet for sheet in sheets if "The account of both sides" in sheet]
    assert all(cls.value in sheet for cls in Class)
    assert "Everything" in sheet
