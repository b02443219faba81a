"""Listing a tree, folder by folder, with nothing skipped in silence.

A `Walk` takes folders to enter and gives rows. It can be left between any two names and says what is still to be done,
so that several readers can list one tree together: what one leaves, another takes up.

Order within one walk: the names of a folder by their bytes, then its sub-folders in the same order, depth first. A
folder's own entry comes when it is entered, because only then is it known whether it could be listed.
"""

from __future__ import annotations

import errno
import os
import stat
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol, TypeVar

from verifier.clock import now_text
from verifier.errors import RootUnavailable, ShareGone
from verifier.tree.attributes import xattrs_of
from verifier.tree.entry import Entry, FileRow, Kind, State, entry_from, file_row
from verifier.tree.names import parts_of, plain_text, raw_of, shown, to_text
from verifier.tree.trouble import (
    ATTEMPTS,
    Problem,
    Trouble,
    attempts_for,
    errno_name,
    pause_after,
    trouble_of,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Sequence

    from verifier.tree.handle import TreeHandle
    from verifier.tree.share import Share

NAMES_A_STEP: Final = 16
"""A walk can be left after about so many names."""

NO_ANSWER: Final = "no answer"
"""How the error of an entry begins at which a reader hung."""
_PASSING: Final = (Trouble.AGAIN, Trouble.SHARE_SILENT, Trouble.OWN_LIMIT)

_T = TypeVar("_T")

Names = list[tuple[str, bool]]
"""Names for the operating system, each with whether the listing says that it is a file."""


class Place(NamedTuple):
    """Work for a walk: a folder to enter, or names of one that was entered already."""

    path: str
    """The folder's manifest text; empty for the root."""
    names: Names | None = None
    """What of it is still to be looked at; None where the folder itself is to be listed."""


@dataclass(slots=True)
class Chunk:
    """A piece of a listing."""

    files: list[FileRow] = field(default_factory=list)
    """Plain files that were listed and not read, in short form."""
    entries: list[Entry] = field(default_factory=list)
    """Everything else."""
    problems: list[Problem] = field(default_factory=list)

    @property
    def size(self) -> int:
        """How many entries it has."""
        return len(self.files) + len(self.entries)


@dataclass(frozen=True, slots=True)
class Gate:
    """Which folders are entered."""

    share: Share
    """The tree's facts, for its mount points."""
    cross_mounts: bool = False
    """Enter other file systems that are mounted inside the tree."""
    skip: Callable[[str], str | None] = lambda _: None
    """Given a folder's path, the reason not to enter it, or None."""
    avoid: frozenset[str] = frozenset()
    """Paths that are not touched, because a reader hung there."""
    on_folder: Callable[[str], None] = lambda _: None
    """Told each folder's path before anything is asked of it."""
    beat: Callable[[], None] = lambda: None
    """Called again and again while waiting; may raise."""

    def reason_against(self, entry: Entry, above: int) -> str | None:
        """Return why a folder that lies in one of another device number is not entered; None where it is."""
        reason = self.skip(entry.path)
        if reason is None and not self.cross_mounts and self.share.is_mount(entry.path, entry.device, above):
            return "a mount point: not entered without --cross-mounts"
        return reason


class Taker(Protocol):
    """Deals with plain files on the way."""

    def __call__(self, folder: tuple[str, ...], prefix: str, names: Names) -> Names:
        """Take some names of a folder, and return those that are to be looked at as any other.

        Args:
            folder: The folder's components.
            prefix: What their paths begin with.
            names: The names.
        """


class _Folder(NamedTuple):
    """A folder that was met and waits to be entered."""

    parts: tuple[str, ...]
    path: str
    entry: Entry | None
    """As it was met; None for the root, which has no entry, and for one that is begun anew."""


class Walk:
    """One listing under way.

    Args:
        handle: The tree, held open.
        gate: Which folders are entered. The folder itself is listed in any case.
        take: Deals with plain files.
    """

    def __init__(self, handle: TreeHandle, gate: Gate, take: Taker | None = None) -> None:
        self.chunk = Chunk()
        self.names_a_step = NAMES_A_STEP
        """May be changed between two steps."""
        self.left = 0
        """How many names of the folder at hand are left."""
        self._handle = handle
        self._gate = gate
        self._take = take
        self._attempts = 1
        self._waiting: list[_Folder] = []
        self._named: list[Place] = []
        """What is still to be looked at of folders that were entered, the next one last."""

    def run(self, places: Sequence[Place]) -> Generator[int, None, None]:
        """List what is asked for and all that is below it; may be left after any step.

        Yields:
            How many entries the chunk has by now; it may be taken and replaced by an empty one.

        Raises:
            RootUnavailable: If the root itself cannot be listed.
            ShareGone: If an error says that the share went away.
        """
        self._named = [place for place in reversed(places) if place.names is not None]
        self._waiting = [_Folder(parts_of(p.path), p.path, None) for p in reversed(places) if p.names is None]
        return self._run()

    def _run(self) -> Generator[int, None, None]:
        # What raises stays in its list, for `rest`.
        while self._named:
            path, names = self._named[-1]
            folder = _Folder(parts_of(path), path, None)
            self._gate.on_folder(path)
            device = None if path and path in self._gate.avoid else self._device(path)
            self._named.pop()
            if device is None:
                self._give_up(folder, names or [])
            else:
                yield from self._names(folder, device, names or [])
        while self._waiting:
            folder = self._waiting[-1]
            device, names = self._enter(folder)
            self._waiting.pop()
            yield from self._names(folder, device, names)

    def rest(self) -> list[Place]:
        """Return what is left to do after leaving `run`, and add an entry that says so for each folder that waits."""
        places = list(reversed(self._named))
        for folder in reversed(self._waiting):
            places.append(Place(folder.path))
            if folder.entry is not None:
                self.chunk.entries.append(folder.entry._replace(state=State.LISTED.value))
        return places

    def _device(self, path: str) -> int:
        try:
            return self._patiently(lambda: self._handle.facts(parts_of(path), "").st_dev)
        except OSError as error:
            _raise_if_gone(error, path)
            return self._gate.share.device  # its names will meet the same error, each in its own row

    def _give_up(self, folder: _Folder, names: Names) -> None:
        """Add names of a folder at which a reader hung, without asking for anything there again."""
        prefix = f"{folder.path}/" if folder.path else ""
        for name, _ in names:
            path = prefix + to_text(os.fsencode(name))
            self.chunk.entries.append(_unknown(path, raw_of(path), State.UNREADABLE, f"{NO_ANSWER}: stat"))

    def _names(self, folder: _Folder, device: int, names: Names) -> Generator[int, None, None]:
        below: list[_Folder] = []
        mark = len(self._waiting)
        prefix = f"{folder.path}/" if folder.path else ""
        done = 0
        try:
            while done < len(names):
                if done:
                    self.left = len(names) - done
                    yield self.chunk.size
                step = self.names_a_step
                some = names[done : done + step]
                if self._take is not None and not self._gate.avoid:
                    some = self._take(folder.parts, prefix, some)
                for name, _ in some:
                    self._add(folder.parts, prefix, name, device, below)
                done += step
        finally:
            # Reached too when the walk is left at the yield above: the rest is then for somebody else.
            self._waiting[mark:] = reversed(below)
            if done < len(names):
                self._named.append(Place(folder.path, names[done:]))
        self.left = 0
        yield self.chunk.size

    def _enter(self, folder: _Folder) -> tuple[int, Names]:
        """Add a folder's own entry, with what came of listing it, and return its device and its names in order."""
        if folder.path and folder.path in self._gate.avoid:
            entry = folder.entry or _unknown(folder.path, raw_of(folder.path), State.UNREADABLE, NO_ANSWER)
            self.chunk.entries.append(
                entry._replace(kind=Kind.DIRECTORY.value, state=State.UNREADABLE.value, error=f"{NO_ANSWER}: list")
            )
            return self._gate.share.device, []
        self._gate.on_folder(folder.path)
        facts, names, state, error = self._list(folder)
        device = self._gate.share.device if facts is None else facts.st_dev
        if not folder.path:
            return device, names
        if facts is not None:
            entry = entry_from(folder.path, raw_of(folder.path), facts, None)
        else:
            entry = folder.entry or self._met_again(folder)
        entry = entry._replace(state=state.value, error=error)
        if (where := self._xattrs_at(folder)) is not None:
            entry = entry._replace(xattrs=xattrs_of(where))
        self.chunk.entries.append(entry)
        return device, names

    def _met_again(self, folder: _Folder) -> Entry:
        """Return the entry of a folder that cannot be entered, as it looks from the folder above it."""
        path = folder.path
        try:
            return entry_from(path, raw_of(path), self._handle.facts(folder.parts[:-1], folder.parts[-1]), None)
        except OSError:
            return _unknown(path, raw_of(path), State.UNSETTLED, "")._replace(kind=Kind.DIRECTORY.value)

    def _xattrs_at(self, folder: _Folder) -> int | str | None:
        try:
            return self._handle.directory_xattrs(folder.parts)
        except OSError:
            return None

    def _list(self, folder: _Folder) -> tuple[os.stat_result | None, Names, State, str | None]:
        """Return a folder's facts, its names, how much is known about it, and why not all."""
        handle, parts, path = self._handle, folder.parts, folder.path
        before: os.stat_result | None = None
        names: Names = []
        for attempt in range(1, ATTEMPTS + 1):
            try:
                before = handle.facts(parts, "")
                names = handle.names(parts)
                after = handle.facts(parts, "")
            except OSError as error:
                trouble = trouble_of(error)
                if trouble in _PASSING and attempt < attempts_for(error):
                    pause_after(attempt, trouble, self._gate.beat)
                    continue
                _raise_if_gone(error, path)
                if not path and error.errno == errno.ESTALE:
                    raise ShareGone("ESTALE at the root") from error
                if not path:
                    raise RootUnavailable(f"the root cannot be listed ({errno_name(error)})") from error
                gone = trouble is Trouble.RACE
                self._note(path, "list", errno_name(error), attempt)
                reason = f"{errno_name(error)}: list{', gone since it was listed' if gone else ''}"
                return before, [], State.UNSETTLED if gone else State.UNREADABLE, reason
            if (before.st_mtime_ns, before.st_ctime_ns) == (after.st_mtime_ns, after.st_ctime_ns):
                return before, self._in_order(names, path), State.CONTENTLESS, None
        self._note(path, "list", "changed while listing", ATTEMPTS)
        return before, self._in_order(names, path), State.UNSETTLED, "changed while it was being listed"

    def _note(self, path: str, operation: str, error: str, attempts: int) -> None:
        self.chunk.problems.append(Problem(path, operation, error, attempts, now_text()))

    def _in_order(self, names: Names, path: str) -> Names:
        """Sort by bytes; a name that a listing gave twice is one entry and one problem."""
        # Characters of ASCII sort as their bytes do; one test for all names is cheaper than a key for each.
        plain = "".join([name for name, _ in names]).isascii()
        names.sort(key=None if plain else lambda item: os.fsencode(item[0]))
        once = dict(names)
        if len(once) != len(names):
            self._note(path, "list", f"{len(names) - len(once)} names listed twice", 1)
            return list(once.items())
        return names

    def _add(self, parts: tuple[str, ...], prefix: str, name: str, device: int, below: list[_Folder]) -> None:
        """Add one name's entry; a folder's entry waits until it is entered."""
        text = plain_text(name)
        path = prefix + (to_text(os.fsencode(name)) if text is None else text)
        raw = raw_of(path) if text is None or "\\" in prefix else None
        if path in self._gate.avoid:
            self.chunk.entries.append(_unknown(path, raw, State.UNREADABLE, f"{NO_ANSWER}: read"))
            return
        operation = "stat"
        try:
            facts = self._patiently(lambda: self._handle.facts(parts, name))
            mode = facts.st_mode
            if raw is None and stat.S_ISREG(mode):
                self.chunk.files.append(file_row(path, facts))
                return
            target = None
            if stat.S_ISLNK(mode):
                operation = "link"
                target = to_text(self._patiently(lambda: self._handle.target(parts, name)))
        except OSError as error:
            self._add_unknown(path, raw, operation, error)
            return
        entry = entry_from(path, raw, facts, target)
        if entry.kind != Kind.DIRECTORY:
            self.chunk.entries.append(entry)
        elif (reason := self._gate.reason_against(entry, device)) is not None:
            self.chunk.entries.append(entry._replace(state=State.LISTED.value, error=reason))
        else:
            below.append(_Folder((*parts, name), path, entry))

    def _patiently(self, ask: Callable[[], _T]) -> _T:
        """Ask, and again after a pause where the error may pass; the last error is raised."""
        for self._attempts in range(1, ATTEMPTS):
            try:
                return ask()
            except OSError as error:
                trouble = trouble_of(error)
                if trouble not in _PASSING or self._attempts >= attempts_for(error):
                    raise
                pause_after(self._attempts, trouble, self._gate.beat)
        self._attempts = ATTEMPTS
        return ask()

    def _add_unknown(self, path: str, raw: bytes | None, operation: str, error: OSError) -> None:
        _raise_if_gone(error, path)
        gone = trouble_of(error) is Trouble.RACE
        self._note(path, operation, errno_name(error), self._attempts)
        reason = f"{errno_name(error)}: {operation}{', gone since it was listed' if gone else ''}"
        self.chunk.entries.append(_unknown(path, raw, State.UNSETTLED if gone else State.UNREADABLE, reason))


def _unknown(path: str, raw: bytes | None, state: State, reason: str) -> Entry:
    facts = (0, None, 0, 0, 0, 0, 0, 0, 0, 0, None, None, None, None, None)
    return Entry(path, raw, Kind.UNKNOWN.value, *facts, state.value, reason, None)


def _raise_if_gone(error: OSError, path: str) -> None:
    if trouble_of(error) in (Trouble.SHARE_GONE, Trouble.SHARE_SILENT):
        raise ShareGone(f"{errno_name(error)} at {shown(path) or 'the root'}") from error
