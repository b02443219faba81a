"""Markdown as trackers render it: two implementations, with every extension that could make something of a name."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from cmarkgfm import github_flavored_markdown_to_html
from cmarkgfm.cmark import Options
from markdown_it import MarkdownIt

from tests.report.markup import Page

if TYPE_CHECKING:
    from collections.abc import Callable

# Raw HTML passes, and whatever looks like an address, with a scheme or without, becomes a link.
_COMMONMARK: Final = MarkdownIt("gfm-like", {"html": True, "linkify": True})
assert _COMMONMARK.linkify is not None
_COMMONMARK.linkify.set({"fuzzy_link": True, "fuzzy_email": True, "fuzzy_ip": True})
_CODE: Final = re.compile("<code>.*?</code>", re.DOTALL)


def _github(text: str) -> str:
    html: str = github_flavored_markdown_to_html(text, options=Options.CMARK_OPT_UNSAFE)
    return html


RENDERERS: Final[dict[str, Callable[[str], str]]] = {"markdown-it": _COMMONMARK.render, "cmark-gfm": _github}
"""From Markdown to HTML, by name: CommonMark with extensions, and GitHub's own program (github/cmark-gfm)."""


def pages(text: str) -> list[Page]:
    """Return what each renderer makes of a text; what is not well formed, or has a comment, fails."""
    return [Page(render(text)) for render in RENDERERS.values()]


def outside_code(text: str) -> list[str]:
    """Return the text that trackers search for mentions and references, as each renderer leaves it."""
    return ["".join(e.text for e in Page(f"<div>{_CODE.sub(' ', html)}</div>").all("div")) for html in _html(text)]


def _html(text: str) -> list[str]:
    return [render(text) for render in RENDERERS.values()]
