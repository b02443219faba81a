"""report.html stands alone and obeys no name: whatever a text says, it stays text in its place."""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.report.decided import AT, exception
from tests.report.evidence import MARKUP, RULES, finding, one_of_each, page, parsed
from tests.report.markup import Page
from tests.strategies import HOSTILE_NAMES, names
from verifier.classes import Class, Side
from verifier.decisions.exceptions import Withdrawal
from verifier.decisions.signoff import Looked, Point
from verifier.evidence import FINDINGS_FILE
from verifier.reconcile.findings import Findings
from verifier.reconcile.folders import FolderSize, Ground
from verifier.report.context import build_context
from verifier.report.drawing import LONGEST_NAME
from verifier.report.listing import may_be_shown
from verifier.report.page import LONG_RECORD, render_page
from verifier.tree.names import shown, to_text

OWN_ID: Final = re.compile(r"[qf][0-9]+|[pf]-[a-z]+|finder")
"""Ids that this page gives: none of them, nor any made from a name, is a property of a document, window or form."""


def test_the_same_evidence_gives_the_same_bytes(tmp_path: Path) -> None:
    """Neither the clock nor the place where the evidence lies shows in the page."""
    first = page(tmp_path / "here", one_of_each())
    shutil.copytree(tmp_path / "here", tmp_path / "there")
    with Findings.open(tmp_path / "there" / FINDINGS_FILE) as store:
        second = render_page(build_context(tmp_path / "there", store), store)
    assert first == second
    assert str(tmp_path) not in first


def test_the_page_stands_alone(tmp_path: Path) -> None:
    """It refers to nothing outside itself, and its policy allows its own style sheet and script, and nothing else."""
    source = page(tmp_path, one_of_each(MARKUP), ground=Ground("", (FolderSize("m", Side.OLD, 1, 1, 1),)))
    report = Page(source)
    used = {element.tag for element in report.elements}
    assert not {"link", "img", "iframe", "object", "embed", "base", "use", "image", "audio", "video", "portal"} & used
    for element in report.elements:
        for name, value in element.attributes.items():
            assert not name.startswith("on")
            assert name not in ("src", "srcset", "style", "action", "formaction", "data", "ping", "xmlns", "xlink:href")
            assert "//" not in value
            assert name != "href" or re.fullmatch("#[qf][0-9]+", value)
    (sheet,), (script,) = report.all("style"), report.all("script")
    assert re.findall(r"url\([^)]*\)", sheet.text) == ["url(#p-open)", "url(#p-look)", "url(#p-noted)"]
    assert not re.search(r"@import|//|expression|image-set|</", sheet.text)
    assert not script.attributes
    assert "</" not in script.text
    code = re.sub(r"//.*", "", script.text)
    assert not re.search(
        r"\b(fetch|XMLHttpRequest|WebSocket|EventSource|sendBeacon|import|eval|Function|innerHTML|outerHTML|Worker|"
        r"insertAdjacentHTML|write|window|location|cookie|localStorage|sessionStorage|indexedDB|DOMParser)\b",
        code,
    )
    policies = [m for m in report.all("meta") if m.attributes.get("http-equiv") == "Content-Security-Policy"]
    digests = [base64.b64encode(hashlib.sha256(e.text.encode()).digest()).decode() for e in (sheet, script)]
    assert [policy.attributes["content"] for policy in policies] == [
        f"default-src 'none'; style-src 'sha256-{digests[0]}'; script-src 'sha256-{digests[1]}'; "
        "base-uri 'none'; form-action 'none'"
    ]
    assert report.elements.index(policies[0]) < report.elements.index(sheet) < report.elements.index(script)
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
        "accepted": (
            exception(1, text),
            exception(2, text, holds=False, until=AT),
            exception(3, text, holds=False, withdrawn=Withdrawal(AT, text, text)),
        ),
        "signing": {
            "by": text,
            "role": text,
            "host": text,
            # Always one of those that are printed small: that hangs on the length of all texts, not on what they say.
            "statement": text.replace("\n", " ") + "." * LONG_RECORD,
            "despite": text,
            "key": text,
            "checklist": (Point(text, Looked.SEEN, text), Point(text, Looked.OPEN, text)),
        },
    }


def skeleton_of(text: str) -> list[tuple[str, tuple[tuple[str, str], ...]]]:
    """Return the elements of such a page; the policy's digest goes with the report's id and is left out."""
    with tempfile.TemporaryDirectory() as folder:
        return Page(re.sub(r"sha256-[\w+/=]+", "", page(Path(folder), **with_hostile(text)))).skeleton


@cache
def plain_skeleton() -> list[tuple[str, tuple[tuple[str, str], ...]]]:
    """Return the elements of the page with harmless texts."""
    return skeleton_of("plain")


@settings(max_examples=25)
@given(st.one_of(names().map(to_text), st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)))
@example(MARKUP)
@example("]]><!-- --></style></title></textarea></script></select></svg><plaintext>")
@example('=HYPERLINK("x")\n+1\t@x')
@example("\x1b]8;;x\x07\u202e\u2066\u200b\ufeff\x00")
@example("n" * 255)
def test_no_text_breaks_out_of_its_place(text: str) -> None:
    """Whatever a name, a reason, a rule or a person says, the page has the same elements and attributes."""
    assert skeleton_of(text) == plain_skeleton()


@pytest.mark.parametrize("name", [*HOSTILE_NAMES, MARKUP.replace("/", "").encode()], ids=repr)
def test_a_hostile_name_is_shown_and_not_obeyed(tmp_path: Path, name: bytes) -> None:
    """A name stands on the page as it may be shown anywhere, whole, and kept apart from what is around it."""
    text = to_text(name)
    ground = Ground(text, (FolderSize(f"{text}/{text}", Side.OLD, 1, 1, 1),))
    report = parsed(tmp_path, [finding(Class.MISSING, text)], facts={Side.OLD: {"root": text}}, ground=ground)
    said = [e.text for e in report.all("bdi")]
    assert said.count(shown(text)) == 3, "in the heading, in the table of both sides, and as a finding"
    assert said.count(f"{shown(text)}/") == (1 if len(shown(text)) > LONGEST_NAME else 2), "as base and as a folder"
    sheet = report.all("style")[0].text
    assert re.search(r"^bdi \{[^}]*direction: ltr;", sheet, re.MULTILINE)
    assert "unicode-bidi" not in sheet


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=repr)
def test_nothing_on_the_page_is_invisible_or_active(tmp_path: Path, name: bytes) -> None:
    """Wherever a text comes from, no control, format or private-use character of it reaches the page."""
    report = parsed(tmp_path, **with_hostile(to_text(name)))
    everything = report.all("html")[0].text + "".join(v for e in report.elements for v in e.attributes.values())
    assert all(character.isprintable() or character in "\n\u00a0" for character in everything)


def test_no_name_becomes_an_id_or_hides_a_property(tmp_path: Path) -> None:
    """Ids are the page's own, none is taken twice, nothing has a name: no text can stand in for what a script asks."""
    for text in ("finder", "f-words", "length", "action", "q1"):
        report = parsed(tmp_path / text, **with_hostile(text))
        ids = [e.attributes["id"] for e in report.elements if "id" in e.attributes]
        assert len(ids) == len(set(ids))
        assert all(OWN_ID.fullmatch(one) for one in ids)
        named = {(e.tag, e.attributes["name"]) for e in report.elements if "name" in e.attributes}
        assert named == {("meta", name) for name in ("referrer", "viewport", "color-scheme")}


def test_a_text_that_cannot_be_encoded_is_shown_all_the_same(tmp_path: Path) -> None:
    """A lone surrogate, which only a file that was tampered with can hold, does not stop the report."""
    source = page(tmp_path, facts={Side.OLD: {"root": "/srv/\ud800"}})
    assert "/srv/\\ud800" in source
    assert source.encode()
    assert may_be_shown("\udcff") == "\\udcff"
