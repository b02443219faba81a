r"""Names and texts as Markdown that can do nothing but be read.

For CommonMark 0.31 and the tables and autolinks of GitHub Flavored Markdown. A backslash does not keep a tracker from
acting on a word: addresses, mentions and references are found in the text after its escapes were taken away
(``anna\@example.org`` is a link on GitHub). In a code span nothing is looked for. So a name is a code span, and so is
every word of a text in which there is more than letters, digits and the marks of a sentence; what is left can be read
in the source as well.
"""

from __future__ import annotations

import re
from typing import Final

from verifier.report.listing import may_be_shown, shortened

LONGEST_NAME: Final = 160
"""Characters of one name that are shown."""
_TAIL: Final = 100
"""So many of them are its last ones, which tell files apart."""
LONGEST_PROSE: Final = 300
"""Characters of one text that are shown unless somebody says otherwise."""

_WORD: Final = re.compile(
    r"""
    ["'(]*
    (?: (?: [^\x00-\x7f] | [A-Za-z0-9] )+ (?: [-',] (?: [^\x00-\x7f] | [A-Za-z0-9] )+ )* | [0-9]+ [.] [0-9]+ )
    ["'),.:;?!%]*
    | [-&+=/%]
    """,
    re.VERBOSE,
)
"""What is a word and no more: letters and digits with what stands around and between them in a sentence."""
_REFERENCE: Final = re.compile(r"\W*(?:[A-Za-z][A-Za-z0-9]*-[0-9]+|[0-9A-Fa-f]{7,})\W*", re.ASCII)
"""What some trackers link all the same: their own numbers and the ids of commits."""
_MARKER: Final = re.compile(r"[-+=]|[0-9]+[.)]")
"""A word that begins a list or underlines a heading where it comes first, and means nothing anywhere else."""
_SPACE: Final = re.compile(r"[ \t\r\n]+")


def code(text: str) -> str:
    """Return a text of one line as a code span (CommonMark 0.31, section 6.1), for anywhere but a table."""
    if not text:
        return "(empty)"
    fence = "`"
    while fence in text:
        fence += "`"
    # One space on either side is taken away again, but for a text of spaces only.
    pad = " " if "`" in (text[0], text[-1]) or (text[0] == text[-1] == " " and text.strip(" ")) else ""
    return f"{fence}{pad}{text}{pad}{fence}"


def name(text: object) -> str:
    """Return a name as it may be shown; of a long one its beginning, how much is left out, and its end."""
    start, left_out, end = shortened(text, LONGEST_NAME, _TAIL)
    return f"{code(start)} ({left_out:,} characters left out) {code(end)}" if left_out else code(start)


def prose(text: object, longest: int = LONGEST_PROSE) -> str:
    """Return a text that somebody wrote, on one line; of a long one the beginning, and how much is left out."""
    whole = may_be_shown(_SPACE.sub(" ", str(text)).strip(" "))
    shortened = whole[:longest].rstrip(" ")
    words = " ".join(map(_word, shortened.split(" "))) if shortened else "(empty)"
    left_out = len(whole) - len(shortened)
    return f"{words} ({left_out:,} characters left out)" if left_out else words


def _word(word: str) -> str:
    if not _WORD.fullmatch(word) or _REFERENCE.fullmatch(word):
        core = word.rstrip(".,:;") or word
        return code(core) + word[len(core) :]
    return f"{word[:-1]}\\{word[-1]}" if _MARKER.fullmatch(word) else word
