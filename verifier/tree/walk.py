"""Listing a tree, folder by folder, in a fixed order, with nothing skipped in silence.

Order: the names of a folder by their bytes, then its sub-folders in the same order, depth first. A folder's own entry
comes when it is entered, because only then is it known whether it could be listed.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from verifier.errors import RootUnavailable, ShareGone
from verifier.tree.content import xattrs_of
from verifier.tree.entry import Entry, Kind, State, entry_from
from verifier.tree.names import is_utf8, shown, to_bytes, to_text
from verifier.tree.trouble import Problem, Trouble, errno_name, now_text, trouble_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from verifier.tree.handle import TreeHandle
    from verifier.tree.share import Share

CHUNK_ENTRIES: Final = 1000
"""A listing is handed on in chunks of at most about this many entries."""
ATTEMPTS: Final = 3
"""How often a folder that changes while it is listed is listed before it counts as unsettled."""


@dataclass(slots=True)
class Chunk:
    """A piece of a listing, in walk order."""

    entries: list[Entry] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


@dataclass(slots=True)
class _Folder:
    """A folder that waits to be entered. The root has no entry of its own."""

    parts: tuple[str, ...]
    path: str
    raw: bytes | None
    device: int
    entry: Entry | None


def walk(
    handle: TreeHandle,
    share: Share,
    *,
    cross_mounts: bool = False,
    skip: Callable[[str], str | None] = lambda _: None,
) -> Iterator[Chunk]:
    """List a tree.

    Args:
        handle: The tree, held open.
        share: The same tree's facts, for its mount points.
        cross_mounts: Enter other file systems that are mounted inside the tree.
        skip: Given a folder's path, the reason not to enter it, or None. The folder itself is listed in any case.

    Yields:
        Chunks of entries; every name that a listing returned is in one of them, exactly once.

    Raises:
        RootUnavailable: If the root itself cannot be listed.
        ShareGone: If an error says that the share went away.
    """
    gate = _Gate(share, cross_mounts, skip)
    waiting = [_Folder((), "", None, share.device, None)]
    chunk = Chunk()
    while waiting:
        folder = waiting.pop()
        names = _enter(handle, folder, gate, chunk)
        if len(chunk.entries) >= CHUNK_ENTRIES:
            yield chunk
            chunk = Chunk()
        below: list[_Folder] = []
        for name in names:
            _add(handle, folder, name, chunk, below)
            if len(chunk.entries) >= CHUNK_ENTRIES:
                yield chunk
                chunk = Chunk()
        waiting.extend(reversed(below))
    yield chunk


@dataclass(frozen=True, slots=True)
class _Gate:
    """Which folders are entered."""

    share: Share
    cross_mounts: bool
    skip: Callable[[str], str | None]

    def reason_against(self, entry: Entry, above: int) -> str | None:
        reason = self.skip(entry.path)
        if reason is None and not self.cross_mounts and self.share.is_mount(entry.path, entry.device, above):
            return "a mount point: not entered without --cross-mounts"
        return reason


def _enter(handle: TreeHandle, folder: _Folder, gate: _Gate, chunk: Chunk) -> list[str]:
    """Add a folder's own entry, with what came of listing it, and return its names in order."""
    entry = folder.entry
    if entry is None:
        return _list(handle, folder, "", chunk)[0]
    reason = gate.reason_against(entry, folder.device)
    if reason is not None:
        chunk.entries.append(entry._replace(state=State.LISTED.value, error=reason))
        return []
    folder.device = entry.device
    names, entry = _list(handle, folder, entry.path, chunk)
    assert entry is not None
    chunk.entries.append(entry)
    return names


def _list(handle: TreeHandle, folder: _Folder, path: str, chunk: Chunk) -> tuple[list[str], Entry | None]:
    entry = folder.entry
    names: list[str] = []
    for attempt in range(1, ATTEMPTS + 1):
        try:
            before = handle.facts(folder.parts, "")
            names = handle.names(folder.parts)
            after = handle.facts(folder.parts, "")
        except OSError as error:
            _raise_if_gone(error, path)
            if entry is None:
                raise RootUnavailable(f"the root cannot be listed ({errno_name(error)})") from error
            if trouble_of(error) is Trouble.AGAIN and attempt < ATTEMPTS:
                continue
            vanished = trouble_of(error) is Trouble.RACE
            chunk.problems.append(Problem(path, "list", errno_name(error), attempt, now_text()))
            return [], entry._replace(
                state=(State.UNSETTLED if vanished else State.UNREADABLE).value,
                error=f"{errno_name(error)}: list{', gone since it was listed' if vanished else ''}",
            )
        if (before.st_mtime_ns, before.st_ctime_ns) == (after.st_mtime_ns, after.st_ctime_ns):
            break
    else:
        chunk.problems.append(Problem(path, "list", "changed while listing", ATTEMPTS, now_text()))
        if entry is not None:
            entry = entry._replace(state=State.UNSETTLED.value, error="changed while it was being listed")
    if entry is not None and (where := handle.directory_xattrs(folder.parts)) is not None:
        entry = entry._replace(xattrs=xattrs_of(where))
    return _in_order(names, path, chunk), entry


def _in_order(names: list[str], path: str, chunk: Chunk) -> list[str]:
    """Sort by bytes; a name that a listing gave twice is one entry and one problem."""
    # Characters of ASCII sort as their bytes do; one test for all names is cheaper than a key for each.
    names.sort(key=None if "".join(names).isascii() else os.fsencode)
    once = list(dict.fromkeys(names))
    if len(once) != len(names):
        chunk.problems.append(Problem(path, "list", f"{len(names) - len(once)} names listed twice", 1, now_text()))
    return once


def _add(handle: TreeHandle, folder: _Folder, name: str, chunk: Chunk, below: list[_Folder]) -> None:
    """Add one name's entry; a folder's entry waits until it is entered."""
    if name.isascii() and "\\" not in name:
        text, plain = name, True
    else:
        raw_name = os.fsencode(name)
        text, plain = to_text(raw_name), is_utf8(raw_name)
    path = f"{folder.path}/{text}" if folder.path else text
    raw = None if plain and folder.raw is None else to_bytes(path)
    try:
        facts = handle.facts(folder.parts, name)
        target = to_text(handle.target(folder.parts, name)) if stat.S_ISLNK(facts.st_mode) else None
        entry = entry_from(path, raw, facts, target)
    except OSError as error:
        _raise_if_gone(error, path)
        chunk.problems.append(Problem(path, "stat", errno_name(error), 1, now_text()))
        chunk.entries.append(_unknown(path, raw, error))
        return
    if entry.kind == Kind.DIRECTORY:
        below.append(_Folder((*folder.parts, name), path, raw, folder.device, entry))
    else:
        chunk.entries.append(entry)


def _unknown(path: str, raw: bytes | None, error: OSError) -> Entry:
    vanished = trouble_of(error) is Trouble.RACE
    state = State.UNSETTLED if vanished else State.UNREADABLE
    reason = f"{errno_name(error)}: stat{', gone since it was listed' if vanished else ''}"
    facts = (0, None, 0, 0, 0, 0, 0, 0, 0, 0, None, None, None, None, None)
    return Entry(path, raw, Kind.UNKNOWN.value, *facts, state.value, reason, None)


def _raise_if_gone(error: OSError, path: str) -> None:
    if trouble_of(error) is Trouble.SHARE_GONE:
        raise ShareGone(f"{errno_name(error)} at {shown(path) or 'the root'}") from error
