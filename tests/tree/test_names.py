r"""Names: bytes, manifest text and what a person is shown; nothing is lost and nothing can act."""

from __future__ import annotations

import itertools
import os
import unicodedata
from typing import Final

import pytest
from hypothesis import given

from tests.strategies import HOSTILE_NAMES, names, paths
from verifier.tree.names import for_system, is_utf8, name_of, parent_of, parts_of, plain_text, shown, to_bytes, to_text


def described(raw: bytes) -> str:
    """Write a name's text the long way round: Python's surrogates mark the bytes that are not UTF-8 (PEP 383)."""
    text = ""
    for c in raw.decode("utf-8", "surrogateescape"):
        if "\udc80" <= c <= "\udcff":
            text += f"\\x{ord(c) - 0xDC00:02x}"
        else:
            text += "\\\\" if c == "\\" else c
    return text


@given(raw=paths())
def test_any_name_survives_the_round_trip(raw: bytes) -> None:
    """Bytes to text and back are the same bytes, and so are bytes to what is shown and back."""
    assert to_bytes(to_text(raw)) == raw
    assert to_bytes(shown(to_text(raw))) == raw


@pytest.mark.parametrize("raw", HOSTILE_NAMES, ids=repr)
def test_hostile_names_survive_the_round_trip(raw: bytes) -> None:
    """The names that are known to make trouble survive as any other does."""
    assert to_bytes(to_text(raw)) == raw
    assert to_bytes(shown(to_text(raw))) == raw


@given(raw=paths())
def test_text_is_utf8_with_the_rest_escaped(raw: bytes) -> None:
    """Text is what the module says: UTF-8 decoded, backslashes doubled, every other byte as a backslash escape."""
    assert to_text(raw) == described(raw)
    to_text(raw).encode()  # no lone surrogate: SQLite, JSON and HTML can hold it


@given(raw=paths())
def test_a_path_is_its_components(raw: bytes) -> None:
    """A path's text is its components' texts joined, so folders can be found by text."""
    assert to_text(raw) == "/".join(to_text(part) for part in raw.split(b"/"))
    assert f"{parent_of(to_text(raw))}/{name_of(to_text(raw))}".removeprefix("/") == to_text(raw)


def test_no_two_names_share_a_text() -> None:
    """Every name of up to five pieces, each able to look like an escape of another, has a text of its own."""
    pieces = (b"\\", b"x", b"f", b"\xff", b"\xc3", b"\xa9", b"\n")
    raws = {b"".join(some) for n in range(1, 6) for some in itertools.product(pieces, repeat=n)}
    assert len({to_text(raw) for raw in raws}) == len(raws)
    assert len({shown(to_text(raw)) for raw in raws}) == len(raws)


@given(raw=paths())
def test_what_is_shown_is_one_printable_line(raw: bytes) -> None:
    """Whatever a name holds, what is shown has no control, no format character, no second line."""
    line = shown(to_text(raw))
    assert line.splitlines() == [line]
    assert all(c == " " or unicodedata.category(c)[0] not in "CZ" for c in line)


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        (b"\x1b[31mred", r"\x1b[31mred"),
        (b"\x1b]0;title\x07", r"\x1b]0;title\x07"),
        ("\x9b31mred".encode(), r"\xc2\x9b31mred"),
        (b"a\nb", r"a\x0ab"),
        (b"a\rb", r"a\x0db"),
        (b"a\tb", r"a\x09b"),
        (b"a\x7fb", r"a\x7fb"),
        ("photo\u202egpj.exe".encode(), r"photo\xe2\x80\xaegpj.exe"),
        ("a\u2066b".encode(), r"a\xe2\x81\xa6b"),
        ("a\u200bb".encode(), r"a\xe2\x80\x8bb"),
        ("\ufeffa".encode(), r"\xef\xbb\xbfa"),
        ("a\u00a0b".encode(), r"a\xc2\xa0b"),
        ("a\u2028b".encode(), r"a\xe2\x80\xa8b"),
        ("a\u00adb".encode(), r"a\xc2\xadb"),
        ("a\uf022b".encode(), r"a\xef\x80\xa2b"),
        ("\ufffe".encode(), r"\xef\xbf\xbe"),
        (b"a\\x0ab", r"a\\x0ab"),
        (b"a\\", r"a\\"),
        ("caf\u00e9 1".encode(), "caf\u00e9 1"),
        (b"= 1 + 1", "= 1 + 1"),
    ],
    ids=[
        "escape sequence", "window title", "one-byte CSI", "line feed", "carriage return", "tab", "delete",
        "right-to-left override", "isolate", "zero-width space", "byte order mark", "no-break space", "line separator",
        "soft hyphen", "private use", "no character", "looks like an escape", "backslash", "letters", "ASCII",
    ],
)  # fmt: skip
def test_what_could_act_is_shown_as_its_bytes(raw: bytes, line: str) -> None:
    """Controls (ECMA-48), directional and invisible characters (UAX #9) appear as bytes, everything else as itself."""
    assert shown(to_text(raw)) == line


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"\xff", r"\xff"),
        (b"\x80", r"\x80"),
        (b"a\x80b", r"a\x80b"),
        (b"\xc3", r"\xc3"),
        (b"\xc3\xa9\xe9", "\u00e9\\xe9"),
        (b"\xc0\xaf", r"\xc0\xaf"),
        (b"\xe0\x80\xaf", r"\xe0\x80\xaf"),
        (b"\xe2\x82", r"\xe2\x82"),
        (b"\xed\xa0\x80", r"\xed\xa0\x80"),
        (b"\xf4\x90\x80\x80", r"\xf4\x90\x80\x80"),
        (b"\xf0\x9f\x8c", r"\xf0\x9f\x8c"),
        (b"\\xff", r"\\xff"),
    ],
    ids=[
        "never valid", "lone continuation", "continuation inside", "cut short", "Latin-1 after UTF-8", "overlong slash",
        "longer overlong slash", "two of three", "surrogate", "past the last code point", "three of four", "lookalike",
    ],
)  # fmt: skip
def test_bytes_that_are_not_utf8_are_kept_as_escapes(raw: bytes, text: str) -> None:
    """Each kind of ill-formed sequence of RFC 3629, sections 3 and 10, keeps its bytes; none becomes a separator."""
    assert to_text(raw) == text
    assert is_utf8(raw) is (text == r"\\xff")


@given(raw=names())
def test_is_utf8_tells_what_can_be_decoded(raw: bytes) -> None:
    """A name is UTF-8 exactly where nothing of it had to be escaped byte by byte."""
    assert is_utf8(raw) is not any("\udc80" <= c <= "\udcff" for c in raw.decode("utf-8", "surrogateescape"))


@pytest.mark.parametrize("text", ["\\", "a\\", "\\a", "\\x", "\\x1", "\\xfg", "\\xFF", "\\u1234", "\\\\\\"])
def test_a_text_that_was_never_written_is_refused(text: str) -> None:
    """A backslash that begins no escape is not taken for one: the manifest was changed."""
    with pytest.raises(ValueError, match="backslash"):
        to_bytes(text)


# ---- Names that go back to the operating system


@given(raw=names())
def test_the_system_gets_the_bytes_that_it_gave(raw: bytes) -> None:
    """A listed name, stored as text, opens the file that was listed."""
    assert os.fsencode(for_system(to_text(raw))) == raw


WAYS_OUT: Final = ["", ".", "..", "a/b", "/", "../a", "\\x2e\\x2e", "\\x2e", "a\\x2fb", "a\0b", "a\\x00b"]


@pytest.mark.parametrize("text", WAYS_OUT, ids=repr)
def test_a_name_never_leaves_its_folder(text: str) -> None:
    """No component of a manifest, written plainly or in escapes, leads out of its folder."""
    with pytest.raises(ValueError, match="not a name"):
        for_system(text)


@pytest.mark.parametrize("path", ["..", "a/..", "a/../b", "/a", "a/", "a//b", "a/\\x2e\\x2e/b", "./a"])
def test_a_path_never_leaves_the_tree(path: str) -> None:
    """No path of a manifest leads out of the tree, wherever the way out stands in it."""
    with pytest.raises(ValueError, match="not a name"):
        parts_of(path)


def test_the_refusal_can_be_shown() -> None:
    """The message of a refusal shows the name escaped: it may end on a terminal."""
    with pytest.raises(ValueError, match="not a name") as caught:
        for_system("\x1b[31m/\u202e")
    assert str(caught.value).isprintable()


def test_the_root_has_no_components() -> None:
    """The empty path is the root itself."""
    assert parts_of("") == ()
    assert parent_of("name") == ""
    assert (parent_of("a/b/c"), name_of("a/b/c")) == ("a/b", "c")


@given(raw=names())
def test_the_short_way_to_a_text_gives_the_same_or_nothing(raw: bytes) -> None:
    """The hot path's form of a name is its manifest text; where that needs an escape it says so instead of guessing."""
    text = plain_text(os.fsdecode(raw))
    assert text == (to_text(raw) if is_utf8(raw) and b"\\" not in raw else None)


@pytest.mark.parametrize("raw", HOSTILE_NAMES, ids=repr)
def test_hostile_names_take_the_short_way_only_where_it_is_right(raw: bytes) -> None:
    """The names that are known to make trouble are no exception."""
    assert plain_text(os.fsdecode(raw)) in (None, to_text(raw))
    assert (plain_text(os.fsdecode(raw)) is None) == (not is_utf8(raw) or b"\\" in raw)
