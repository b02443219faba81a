"""Names and texts in Markdown: two renderers show exactly them, and make nothing of them."""

from __future__ import annotations

import re
from typing import Final

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tests.report.renderers import outside_code, pages
from tests.strategies import HOSTILE_NAMES, names
from verifier.report.listing import may_be_shown
from verifier.report.markdown import LONGEST_NAME, LONGEST_PROSE, code, name, prose
from verifier.tree.names import to_text

PIECES: Final = (
    *("`", "``", "```", "\\", "*", "**", "_", "__", "~~", "~", "|", "||", "#", "##", ">", "- ", "+ ", "1. ", "2) "),
    *(
        "---",
        "===",
        ":--",
        "[ ] ",
        "[x] ",
        "[",
        "]",
        "(",
        ")",
        "](x)",
        "![",
        "[^1]",
        "[^1]: ",
        "[a]: /b",
        "!",
        "<",
        ">",
    ),
    *("<b>", "</b>", "</li>", "<img src=x>", "<!-- ", "-->", "<?", "<![CDATA[", "&amp;", "&#64;", "&", ";", "\n", "\r"),
    *("http://a.example", "https://", "www.a.example", "ftp://a", "mailto:", "a.example", "a@b.example", "@anna", "@"),
    *("#12", "GH-12", "ABC-1", "!7", "%3", "$x$", ":tada:", "/close", "deadbeef", "0123456789abcdef", "192.168.0.1"),
    *(
        " ",
        "  ",
        "\t",
        "\u00a0",
        "\u202e",
        "\u200b",
        "a",
        "word",
        "it's",
        "1,234",
        "1.5",
        "\u00e9",
        "e\u0301",
        "\u690d",
    ),
)
"""What means something to CommonMark, its extensions and trackers, and plain words between."""
HOSTILE: Final = st.one_of(
    st.lists(st.sampled_from(PIECES), min_size=1, max_size=9).map("".join), st.text(min_size=1, max_size=30)
)
ACTIVE: Final = re.compile(
    r"[@#\[\]<>`$~^|{}\\]|://|www\.|\w\.[A-Za-z]|(?<!\w)!\w|:[A-Za-z+]\w*:|\b[0-9A-Fa-f]{7,}|[A-Za-z]-\d"
)
"""What trackers look for in the text outside code: mentions, references, addresses, snippets, commits."""


def item(text: str) -> list[tuple[str, set[str]]]:
    """Return a list item's text as each renderer shows it, and the elements that it has; there is nothing else."""
    found = []
    for page in pages(f"before\n\n- {text}\n\nafter"):
        tags = [element.tag for element in page.elements]
        assert [tag for tag in tags if tag != "code"] == ["p", "ul", "li", "p"], tags
        found.append((page.all("li")[0].text.strip("\n"), set(tags[2:-1]) - {"li"}))
    return found


@given(HOSTILE)
@example("`")
@example("` `")
@example(" ")
@example("  a  ")
@example("a`b``c```")
def test_a_code_span_shows_its_text(text: str) -> None:
    """Back quotes at either end, runs of them inside, spaces at both ends: what is shown is the text (section 6.1)."""
    text = may_be_shown(text)
    assert item(code(text)) == [(text, {"code"})] * 2


@given(st.one_of(names().map(to_text), st.sampled_from(HOSTILE_NAMES).map(to_text), HOSTILE))
def test_a_name_is_shown_and_does_nothing(path: str) -> None:
    """Whatever a name is made of: one code span, in which it stands as the report shows it."""
    told = may_be_shown(path)
    if len(told) <= LONGEST_NAME:
        assert item(name(path)) == [(told, {"code"})] * 2


@given(HOSTILE)
@example("ask @anna, or anna@garden.example, or www.garden.example!")
@example("[ ] todo")
@example("[!NOTE] read this")
@example("1. first")
@example("- - - -")
@example("= = =")
@example("&amp; &#64; &copy;")
@example("http ://x @ y # 1")
def test_a_text_is_shown_and_does_nothing(text: str) -> None:
    """No link, image, HTML, mention, heading or list comes of what somebody wrote; all of it can be read."""
    told = may_be_shown(re.sub("[ \t\r\n]+", " ", text).strip(" "))
    written = prose(text)
    if len(told) <= LONGEST_PROSE:
        assert [shown for shown, _ in item(written)] == [told or "(empty)"] * 2
    assert all(tags <= {"code"} for _, tags in item(written))
    for searched in outside_code(f"- {written}"):
        assert not ACTIVE.search(searched), searched


@pytest.mark.parametrize(
    ("text", "markdown"),
    [
        ("The labels were reprinted; it's fine, isn't it?", r"The labels were reprinted; it's fine, isn't it?"),
        ("the share went away: ESTALE while reading", "the share went away: ESTALE while reading"),
        ("with 95 % confidence at most 0.0999 % differ", "with 95 % confidence at most 0.0999 % differ"),
        ("We keep both (for now). Why not!", "We keep both (for now). Why not!"),
        ("1. first, 2) second - third + fourth", r"1\. first, 2\) second \- third \+ fourth"),
        ("see @anna, about a/b.", "see `@anna`, about `a/b`."),
        ("\u690d\u7269\u6a19\u672c and e\u0301", "\u690d\u7269\u6a19\u672c and e\u0301"),
        (" two\n  lines\r\n", "two lines"),
        ("\u202e", r"`\xe2\x80\xae`"),
        ("", "(empty)"),
    ],
)
def test_plain_words_stay_readable_in_the_source(text: str, markdown: str) -> None:
    """Many read a ticket before it is rendered: what is no more than words is left as it is."""
    assert prose(text) == markdown


def test_a_backslash_alone_would_not_do() -> None:
    """GitHub's program links an address whose every mark is escaped; that is why such words are code spans."""
    escaped, spanned = (pages(f"- {text}")[1].all("a") for text in (r"anna\@garden\.example", prose("a@b.example")))
    assert [link.attributes["href"] for link in escaped] == ["mailto:anna@garden.example"]
    assert not spanned


def test_an_empty_name_is_said_to_be_empty() -> None:
    """Two back quotes with nothing between would open a code span that ends somewhere else."""
    assert item(name("")) == [("(empty)", set())] * 2


def test_of_a_long_name_both_ends_are_shown_and_the_rest_is_counted() -> None:
    """The beginning says where a file is, the end tells it apart, and nobody takes the two for the whole."""
    path = "/".join(f"folder-{n:04}" for n in range(200))
    for shown, tags in item(name(path)):
        start, end = shown.split(f" ({len(path) - LONGEST_NAME:,} characters left out) ")
        assert path.startswith(start)
        assert path.endswith(end)
        assert len(start) + len(end) == LONGEST_NAME
        assert tags == {"code"}


def test_of_a_long_text_the_beginning_is_shown_and_the_rest_is_counted() -> None:
    """A text of many pages takes no ticket, and says that it was shortened."""
    text = "word " * 500
    for shown, _ in item(prose(text)):
        start, _, told = shown.partition(" (")
        assert text.startswith(start)
        assert told == f"{len(text.strip()) - len(start):,} characters left out)"
        assert len(start) <= LONGEST_PROSE
    assert item(prose(text, 3000))[0][0] == text.strip()
