"""Random trees, and changes to them whose class and cause are known by construction.

Every file's content begins with its own number, so no two files can be taken for one another; the bytes after it come
from BLAKE3, with no zeros in them, so that zeros show only where a change put them.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Final

from blake3 import blake3
from hypothesis import strategies as st

from tests.reconcile.trees import FOLDER, SECOND_NS, T0_NS, Node
from verifier.classes import Cause, Class
from verifier.tree.entry import Kind
from verifier.tree.names import to_text

if TYPE_CHECKING:
    from collections.abc import Sequence

FROZEN_AT_NS: Final = T0_NS + 1_000_000 * SECOND_NS
"""After everything that lies in a random tree."""
LIVE_SINCE_NS: Final = FROZEN_AT_NS + 1_000_000 * SECOND_NS
SECTOR: Final = 512
_AWAY: Final = b"elsewhere"


class Change(Enum):
    """What happens to one file on its way to the new side."""

    NONE = "none"
    TIME = "time"
    MODE = "mode"
    LOST = "lost"
    EMPTIED = "emptied"
    CUT = "cut"
    ZEROED = "zeroed"
    ROTTEN = "rotten"
    OLDER = "older"
    LATER = "later"
    GROWN = "grown"
    SHORTER_AND_OTHER = "shorter and other"
    NOW_A_FOLDER = "now a folder"
    NOW_A_LINK = "now a link"
    NOW_A_FIFO = "now a pipe"
    OTHER_CASE = "other case"
    DECOMPOSED = "decomposed"
    MOVED = "moved"
    LATE_ON_OLD = "late on the old side"
    LATE_AND_NOT_COPIED = "late and not copied"
    LATE_ON_NEW = "late on the new side"

    @property
    def cls(self) -> Class:
        """The class that the finding must have."""
        return _OUTCOMES[self][0]

    @property
    def cause(self) -> Cause | None:
        """The cause that it must have."""
        return _OUTCOMES[self][1]


_OUTCOMES: Final[dict[Change, tuple[Class, Cause | None]]] = {
    Change.NONE: (Class.IDENTICAL, None),
    Change.TIME: (Class.METADATA_ONLY, None),
    Change.MODE: (Class.METADATA_ONLY, None),
    Change.LOST: (Class.MISSING, None),
    Change.EMPTIED: (Class.CONTENT_CHANGED, Cause.EMPTY),
    Change.CUT: (Class.CONTENT_CHANGED, Cause.TRUNCATED),
    Change.ZEROED: (Class.CONTENT_CHANGED, Cause.ZERO_FILLED),
    Change.ROTTEN: (Class.CONTENT_CHANGED, Cause.SILENT),
    Change.OLDER: (Class.CONTENT_CHANGED, Cause.STALE),
    Change.LATER: (Class.CONTENT_CHANGED, Cause.NEWER),
    Change.GROWN: (Class.CONTENT_CHANGED, Cause.OTHER),
    Change.SHORTER_AND_OTHER: (Class.CONTENT_CHANGED, Cause.OTHER),
    Change.NOW_A_FOLDER: (Class.KIND_CHANGED, None),
    Change.NOW_A_LINK: (Class.KIND_CHANGED, None),
    Change.NOW_A_FIFO: (Class.KIND_CHANGED, None),
    Change.OTHER_CASE: (Class.NAME_ALTERED, None),
    Change.DECOMPOSED: (Class.NAME_ALTERED, None),
    Change.MOVED: (Class.RELOCATED, None),
    Change.LATE_ON_OLD: (Class.DRIFT, None),
    Change.LATE_AND_NOT_COPIED: (Class.DRIFT, None),
    Change.LATE_ON_NEW: (Class.DRIFT, None),
}
_OTHER_KINDS: Final = {
    Change.NOW_A_FOLDER: FOLDER,
    Change.NOW_A_LINK: Node(b"somewhere", Kind.LINK),
    Change.NOW_A_FIFO: Node(kind=Kind.FIFO),
}


@dataclass(slots=True)
class Pair:
    """Both sides of a migration, and what must be found: by old and new path, class and cause."""

    old: dict[bytes, Node] = field(default_factory=dict)
    new: dict[bytes, Node] = field(default_factory=dict)
    expected: dict[tuple[str | None, str | None], tuple[str, str | None]] = field(default_factory=dict)

    def expect(self, old: bytes | None, new: bytes | None, cls: Class, cause: Cause | None = None) -> None:
        """Note a finding."""
        paths = (None if old is None else to_text(old), None if new is None else to_text(new))
        self.expected[paths] = (cls.value, cause.value if cause else None)


def content(number: int, size: int) -> bytes:
    """Return bytes that no other number gives, without a zero among them; at least three."""
    mark = bytes([1 + number % 250, 1 + number // 250])
    rest = blake3(mark).digest(length=max(1, size - len(mark)))
    return mark + rest.replace(b"\0", b"\1")


SIZES: Final = st.one_of(st.integers(3, 60), st.sampled_from([511, 512, 513, 1500, 4096]))
_PARTS: Final = st.binary(max_size=5).map(lambda raw: raw.replace(b"/", b"").replace(b"\0", b""))
_SCRIPTS: Final = st.sampled_from(["", "a", "\u00e9", "\u6f22", "\u05d0", "=", "\u202e", "\U0001f33f", "ss"]).map(
    str.encode
)


@st.composite
def names(draw: st.DrawFn, number: int) -> bytes:
    """Return a name that differs from every other number's, under every comparison form."""
    return draw(_PARTS) + draw(_SCRIPTS) + f"-{number}.x".encode()


@st.composite
def pairs(draw: st.DrawFn, changes: Sequence[Change] = tuple(Change), most: int = 8) -> Pair:
    """Return two sides with some files, each of which met one of the changes."""
    pair = Pair()
    folders = [b""]
    for number in range(draw(st.integers(0, 3))):
        above = draw(st.sampled_from(folders))
        name = draw(names(900 + number))
        folders.append(above + b"/" + name if above else name)
    for side in (pair.old, pair.new):
        side.update(dict.fromkeys((*folders[1:], _AWAY), FOLDER))
    for number, change in enumerate(draw(st.lists(st.sampled_from(changes), min_size=1, max_size=most))):
        above = draw(st.sampled_from(folders))
        name = draw(names(number))
        _apply(draw, pair, change, (above + b"/" + name if above else name), number)
    for number in range(draw(st.integers(0, 2))):
        path = draw(names(500 + number))
        pair.new[path] = Node(content(500 + number, 40))
        pair.expect(None, path, Class.EXTRA)
    return pair


def _apply(draw: st.DrawFn, pair: Pair, change: Change, path: bytes, number: int) -> None:
    """Put a file on the old side and what became of it on the new one."""
    old = Node(content(number, draw(SIZES)), mtime_ns=T0_NS + number * SECOND_NS)
    if change in (Change.LATE_ON_OLD, Change.LATE_AND_NOT_COPIED):
        old = old.moved_to(FROZEN_AT_NS + SECOND_NS)
    path, place = _names(change, path, number)
    pair.old[path] = old
    if place is not None:
        pair.new[place] = _new_node(draw, change, old)
    if change is not Change.NONE:
        pair.expect(path, place, change.cls, change.cause)


def _names(change: Change, path: bytes, number: int) -> tuple[bytes, bytes | None]:
    """Return the path on the old side and the one on the new, which is None for what did not arrive."""
    above, slash, name = path.rpartition(b"/")
    match change:
        case Change.LOST | Change.LATE_AND_NOT_COPIED:
            return path, None
        case Change.OTHER_CASE:
            return path, path.removesuffix(b".x") + b".X"
        case Change.DECOMPOSED:
            forms = (unicodedata.normalize(form, "\u00e9").encode() for form in ("NFC", "NFD"))
            composed, decomposed = (above + slash + letter + name for letter in forms)
            return composed, decomposed
        case Change.MOVED:
            return path, _AWAY + f"/found-{number}.y".encode()
        case _:
            return path, path


def _new_node(draw: st.DrawFn, change: Change, old: Node) -> Node:
    """Return what became of a file; its content has no zero bytes."""
    if change in _OTHER_KINDS:
        return _OTHER_KINDS[change]
    match change:
        case Change.TIME:
            return old.moved_to(old.mtime_ns + draw(st.sampled_from([-3600, -1, 1, 86400])) * SECOND_NS)
        case Change.MODE:
            return Node(old.data, mtime_ns=old.mtime_ns, mode=0o600)
        case Change.LATE_ON_OLD:
            return Node(_changed(draw, old.data, change), mtime_ns=T0_NS)
        case Change.LATE_ON_NEW:
            return Node(_changed(draw, old.data, change), mtime_ns=LIVE_SINCE_NS + SECOND_NS)
        case _ if change.cls is Class.CONTENT_CHANGED:
            seconds = {Change.OLDER: -10, Change.LATER: 10}.get(change, 0)
            return Node(_changed(draw, old.data, change), mtime_ns=old.mtime_ns + seconds * SECOND_NS)
        case _:
            return old


def _changed(draw: st.DrawFn, before: bytes, change: Change) -> bytes:
    """Return what a content became; `before` has no zero bytes."""
    size = len(before)
    match change:
        case Change.EMPTIED:
            return b""
        case Change.CUT:
            return before[: draw(st.integers(1, size - 1))]
        case Change.ZEROED:
            length = draw(st.integers(min(SECTOR, size), size))
            at = draw(st.integers(0, size - length))
            return before[:at] + bytes(length) + before[at + length :]
        case Change.GROWN:
            return before + b"\1" * draw(st.integers(1, 20))
        case Change.SHORTER_AND_OTHER:
            kept = bytearray(before[: draw(st.integers(1, size - 1))])
            kept[draw(st.integers(0, len(kept) - 1))] ^= 0xFF
            return bytes(kept)
        case _:
            return flipped(before, draw(st.integers(0, size - 1)), draw(st.integers(0, 7)))


def flipped(before: bytes, at: int, bit: int) -> bytes:
    """Return a content with one bit changed."""
    after = bytearray(before)
    after[at] ^= 1 << bit
    return bytes(after)
