"""A look at two files that differ, to say how: from the trees where they can be reached, else from the manifests.

The look decides among the causes that need content: empty, truncated, zero-filled. It never decides whether content
differs; the digests did that.
"""

from __future__ import annotations

import os
import re
from contextlib import ExitStack
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final, Self

from verifier.classes import Cause
from verifier.tree.cache import read_up_to
from verifier.tree.content import BLOCK_BYTES, SEGMENT_BYTES
from verifier.tree.digests import Algorithm, new_hash
from verifier.tree.entry import HEAD_BYTES, time64
from verifier.tree.handle import TreeHandle, open_tree
from verifier.tree.names import for_system, name_of, parent_of, parts_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from verifier.tree.entry import Entry

ZERO_RUN_BYTES: Final = 512
"""A run of zeros counts as zero-filled from one sector on, or where it is the whole file; one flipped bit can make a
single zero byte. Common practice, no source."""
_ANY_NONZERO: Final = bytes([0]) + bytes([1]) * 255


class Shape(Enum):
    """What comparing two contents byte by byte came to."""

    EQUAL = "equal"
    """No byte differs: the difference that the digests showed did not repeat."""
    PREFIX = "prefix"
    """The new file is shorter and equals the old one's beginning."""
    ZEROS = "zeros"
    """Wherever they differ the new file has zeros, in at least one long run."""
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Seen:
    """What a look found."""

    cause: Cause | None
    """The cause, where the look can tell it."""
    note: str = ""
    """What a person should know besides, as part of a sentence."""
    damage: str | None = None


class Look:
    """Both trees, held open for reading as long as the look lasts; a context manager."""

    def __init__(self, old_root: Path | None, new_root: Path | None, algorithm: Algorithm) -> None:
        self._roots = (old_root, new_root)
        self._algorithm = algorithm
        self._handles: tuple[TreeHandle, TreeHandle] | None = None
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        old, new = self._roots
        if old is not None and new is not None:
            self._handles = (
                self._stack.enter_context(open_tree(old)),
                self._stack.enter_context(open_tree(new)),
            )
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def at(self, pairs: Sequence[tuple[Entry, Entry]]) -> list[Seen]:
        """Say how files of different content differ, pair by pair."""
        return [self._one(old, new) for old, new in pairs]

    def _one(self, old: Entry, new: Entry) -> Seen:
        if new.size == 0 and old.size > 0:
            return Seen(Cause.EMPTY)
        if new.size > old.size:
            return Seen(None)
        from_digests = self._by_manifest(old, new)
        if from_digests is not None or self._handles is None:
            return Seen(from_digests)
        try:
            shape = self._compare(self._handles, old, new)
        except (OSError, _Moved):
            return Seen(None, "the files could not be read again for a closer look")
        match shape:
            case Shape.PREFIX:
                return Seen(Cause.TRUNCATED)
            case Shape.ZEROS:
                return Seen(Cause.ZERO_FILLED)
            case Shape.EQUAL:
                return Seen(None, "reading both again showed no difference: suspect memory, cable or controller")
            case Shape.OTHER:
                return Seen(None)

    def _by_manifest(self, old: Entry, new: Entry) -> Cause | None:
        if new.size < old.size:
            whole = new.head if new.size <= HEAD_BYTES else None
            if whole is not None and old.head is not None and old.head.startswith(whole):
                return Cause.TRUNCATED
            whole_segments = new.segments if new.size % SEGMENT_BYTES == 0 else None
            if whole_segments and old.segments and old.segments.startswith(whole_segments):
                return Cause.TRUNCATED
            return None
        zeros = bytes(HEAD_BYTES)
        if new.head == zeros and new.size <= SEGMENT_BYTES and new.digest is not None:
            all_zero = new_hash(self._algorithm, bytes(new.size)).digest()
            return Cause.ZERO_FILLED if new.digest == all_zero else None
        return None

    @staticmethod
    def _compare(handles: tuple[TreeHandle, TreeHandle], old: Entry, new: Entry) -> Shape:
        descriptors: list[int] = []
        try:
            for handle, entry in zip(handles, (old, new), strict=True):
                descriptors.append(handle.open(parts_of(parent_of(entry.path)), for_system(name_of(entry.path))))
                facts = os.fstat(descriptors[-1])
                if (facts.st_size, time64(facts.st_mtime_ns)) != (entry.size, entry.mtime_ns):
                    raise _Moved
            return compare(descriptors[0], descriptors[1], old.size, new.size)
        finally:
            for descriptor in descriptors:
                os.close(descriptor)


class _Moved(Exception):
    """The file is not what was scanned."""


def compare(old: int, new: int, old_size: int, new_size: int) -> Shape:
    """Compare two open files, as far as is needed to tell their shape.

    Args:
        old: Descriptor of the old side's file, at its beginning.
        new: Descriptor of the new side's, which is not longer.
        old_size: Bytes of the old file.
        new_size: Bytes of the new file.
    """
    zeros = _ZeroRuns(min(ZERO_RUN_BYTES, new_size))
    position = 0
    differs = False
    while position < new_size:
        wanted = min(BLOCK_BYTES, new_size - position)
        before, after = read_up_to(old, wanted), read_up_to(new, wanted)
        if len(before) != wanted or len(after) != wanted:
            raise _Moved
        difference = _difference(before, after)
        if difference is not None:
            if new_size < old_size or not _only_zeros_differ(difference, after):
                return Shape.OTHER
            differs = True
        zeros.take(after, difference)
        position += wanted
    if not differs:
        return Shape.PREFIX if new_size < old_size else Shape.EQUAL
    return Shape.ZEROS if zeros.found else Shape.OTHER


def _difference(before: bytes, after: bytes) -> bytes | None:
    """Return a block with 1 where two blocks differ and 0 elsewhere; None where they are equal."""
    if before == after:
        return None
    # As integers, so that a whole block is compared at once.
    mixed = int.from_bytes(before) ^ int.from_bytes(after)
    return mixed.to_bytes(len(before)).translate(_ANY_NONZERO)


def _only_zeros_differ(difference: bytes, after: bytes) -> bool:
    """Tell whether the new block is zero at every byte that differs."""
    return int.from_bytes(difference) & int.from_bytes(after.translate(_ANY_NONZERO)) == 0


class _ZeroRuns:
    """Looks through the new file, block by block, for a long run of zeros in which something differs."""

    def __init__(self, needed: int) -> None:
        self.found = False
        self._needed = needed
        self._inside = re.compile(rb"\0{%d,}" % needed)
        self._run = 0
        self._run_differs = False

    def take(self, block: bytes, difference: bytes | None) -> None:
        """Take the next block of the new file and where it differs from the old one."""
        leading = len(block) - len(block.lstrip(b"\0"))
        self._extend(leading, difference is not None and 1 in difference[:leading])
        if leading == len(block):
            return
        if difference is not None:
            for match in self._inside.finditer(block, leading):
                self.found = self.found or 1 in difference[match.start() : match.end()]
        trailing = len(block) - len(block.rstrip(b"\0"))
        self._run, self._run_differs = 0, False
        self._extend(trailing, difference is not None and trailing > 0 and 1 in difference[-trailing:])

    def _extend(self, length: int, differs: bool) -> None:
        self._run += length
        self._run_differs = self._run_differs or differs
        if self._run >= self._needed and self._run_differs:
            self.found = True
