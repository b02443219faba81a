"""The page as a parser sees it, so that tests ask about elements and text and not about how they are written."""

from __future__ import annotations

from dataclasses import dataclass
from html.parser import HTMLParser
from typing import Final

_VOID: Final = frozenset(("meta", "br", "input"))


@dataclass(eq=False)
class Element:
    """One element, with the text of everything in it."""

    tag: str
    attributes: dict[str, str]
    inside: tuple[Element, ...] = ()
    """The elements around it, outermost first."""
    text: str = ""

    @property
    def classes(self) -> list[str]:
        """Its class names."""
        return self.attributes.get("class", "").split()


class Page(HTMLParser):
    """A parsed page; what is not well formed fails while it is read.

    Args:
        source: The page's HTML.
    """

    def __init__(self, source: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[Element] = []
        self._open: list[Element] = []
        self.feed(source)
        self.close()
        assert not self._open, f"never closed: {[element.tag for element in self._open]}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element; called by the parser."""
        assert len({name for name, _ in attrs}) == len(attrs), f"an attribute stands twice in <{tag}>"
        element = Element(tag, {name: value or "" for name, value in attrs}, tuple(self._open))
        self.elements.append(element)
        if tag not in _VOID:
            self._open.append(element)

    def handle_endtag(self, tag: str) -> None:
        """Close an element; called by the parser."""
        assert self._open, f"</{tag}> without beginning"
        opened = self._open.pop()
        assert opened.tag == tag, f"<{opened.tag}> is closed by </{tag}>"

    def handle_data(self, data: str) -> None:
        """Give text to every element around it; called by the parser."""
        for element in self._open:
            element.text += data

    def handle_comment(self, data: str) -> None:
        """Refuse comments: the page has none; called by the parser."""
        raise AssertionError(f"a comment: {data!r}")

    @property
    def skeleton(self) -> list[tuple[str, tuple[tuple[str, str], ...]]]:
        """Every element with its attributes, in order, without any text."""
        return [(element.tag, tuple(element.attributes.items())) for element in self.elements]

    def all(self, tag: str, cls: str | None = None) -> list[Element]:
        """Return the elements of a name, and of a class where one is given."""
        return [e for e in self.elements if e.tag == tag and (cls is None or cls in e.classes)]

    def section(self, number: int) -> Element:
        """Return the section that answers a question."""
        headings = [e for e in self.all("h2") if e.attributes["id"] == f"q{number}"]
        assert len(headings) == 1
        return headings[0].inside[-1]

    def cells(self, row: Element) -> list[str]:
        """Return the texts of a table row's cells, in order."""
        return [
            words(e.text) for e in self.elements if e.tag in ("th", "td") and any(outer is row for outer in e.inside)
        ]

    def rows(self, number: int, cls: str = "list") -> list[Element]:
        """Return the body rows of a section's tables of a class: of all lists where none is given."""
        return [
            row
            for row in self.within(self.section(number), "tr")
            if any(e.tag == "table" and cls in e.classes for e in row.inside)
            and any(e.tag == "tbody" for e in row.inside)
        ]

    def answer(self, number: int) -> str:
        """Return what the overview answers to a question."""
        return self.all("span", "answer")[number - 1].text

    def within(self, element: Element, tag: str) -> list[Element]:
        """Return the elements of a name inside another."""
        return [e for e in self.all(tag) if any(outer is element for outer in e.inside)]


def words(text: str) -> str:
    """Return a text with every run of white space as one space."""
    return " ".join(text.split())
