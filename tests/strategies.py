"""Names and small trees for Hypothesis to draw, and a way to lay a tree out.

A tree is a dictionary from names, which are bytes, to what lies under them: bytes are a file's content, a `Link` is a
link, a dictionary is a folder.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hypothesis import strategies as st

if TYPE_CHECKING:
    from collections.abc import Iterator


@dataclass(frozen=True, slots=True)
class Link:
    """A symbolic link."""

    target: bytes


Folder = dict[bytes, "bytes | Link | Folder"]
Node = bytes | Link | Folder

HOSTILE_NAMES: Final = (
    b"\\",
    b"\\x0a",
    b"\\\\x0a",
    b"line\nfeed",
    b"carriage\rreturn",
    b"tab\tstop",
    b" ",
    b" leading and trailing ",
    b"trailing dot.",
    b"...",
    b"-rf",
    b"=1+1",
    b"@SUM(A1)",
    b"'quoted'",
    b'"double"',
    b"comma,semicolon;",
    b"<img src=x onerror=alert(1)>",
    b"&amp;",
    b"%41",
    b"C:",
    b"CON",
    b"*?",
    b"\x01",
    b"\x7f",
    b"\x1b[31mred\x1b[0m",
    b"\x1b]0;title\x07",
    "photo\u202egpj.exe".encode(),
    "zero\u200bwidth".encode(),
    "\u00e9".encode(),
    "e\u0301".encode(),
    "\uf022".encode(),
    "\U0001f33f".encode(),
    b"\x80",
    b"\xff\xfe",
    b"\xc3",
    b"\xc0\xaf",
    b"\xed\xa0\x80",
    b"\xe2\x82",
    b"\xf4\x90\x80\x80",
    b"valid \xc3\xa9 then \xe9",
    b"n" * 255,
)
"""Names that a POSIX file system allows and that somebody's program will stumble over."""


def _allowed(name: bytes) -> bool:
    return name not in (b"", b".", b"..")


def names() -> st.SearchStrategy[bytes]:
    """Draw any name that POSIX allows: one to 255 bytes, none of them ``/`` or NUL (IEEE 1003.1, section 3.170)."""
    # Bytes that mean something to UTF-8, to escapes or to terminals come more often than chance would bring them.
    telling = st.sampled_from(b"\\x0af.\n\r\t\x1b \x80\xbf\xc3\xa9\xe2\x82\xac\xed\xf0\xff")
    usual = st.integers(1, 255).filter(lambda byte: byte != ord("/"))
    return st.one_of(
        st.lists(st.one_of(telling, usual), min_size=1, max_size=12).map(bytes),
        st.text(st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1, max_size=12).map(
            str.encode
        ),
        st.sampled_from(HOSTILE_NAMES),
    ).filter(_allowed)


def paths() -> st.SearchStrategy[bytes]:
    """Draw a relative path of one to four names."""
    return st.lists(names(), min_size=1, max_size=4).map(b"/".join)


def contents() -> st.SearchStrategy[bytes]:
    """Draw a file's content; equal contents and empty ones come often."""
    return st.one_of(st.sampled_from([b"", b"same", b"\0" * 600]), st.binary(max_size=40))


def small_trees() -> st.SearchStrategy[Folder]:
    """Draw a tree of up to a few dozen entries."""
    leaves: st.SearchStrategy[Node] = st.one_of(contents(), st.builds(Link, names()))
    nodes = st.recursive(leaves, lambda below: st.dictionaries(names(), below, max_size=4), max_leaves=12)
    return st.dictionaries(names(), nodes, max_size=5)


def lay_out(root: Path, tree: Folder) -> Path:
    """Make a folder and everything in it, and return it."""
    root.mkdir()
    _fill(os.fsencode(root), tree)
    return root


def _fill(folder: bytes, tree: Folder) -> None:
    for name, node in tree.items():
        place = os.path.join(folder, name)  # noqa: PTH118  Path takes no bytes
        if isinstance(node, dict):
            os.mkdir(place)  # noqa: PTH102
            _fill(place, node)
        elif isinstance(node, Link):
            os.symlink(node.target, place)  # noqa: PTH211
        else:
            Path(os.fsdecode(place)).write_bytes(node)


def every_path(tree: Folder, above: bytes = b"") -> Iterator[tuple[bytes, Node]]:
    """Yield each path of a tree with what lies under it."""
    for name, node in tree.items():
        path = above + b"/" + name if above else name
        yield path, node
        if isinstance(node, dict):
            yield from every_path(node, path)
