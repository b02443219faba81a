"""What a scan gives to a reader, and what comes back: plain data, packed for another process.

Packed with the standard library's fastest format, in the thread that needs the result. A reader on another machine
would need nothing else.
"""

from __future__ import annotations

import marshal
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.manifest.seal import Run
from verifier.manifest.totals import Totals
from verifier.tree.cache import ColdCount
from verifier.tree.trouble import Problem
from verifier.tree.walk import Place

if TYPE_CHECKING:
    from verifier.manifest.store import Row, ToRead
    from verifier.tree.entry import FileRow


class VisitTask(NamedTuple):
    """List folders and all that is below them, for a while; read small files on the way while there is time for it."""

    places: tuple[Place, ...]
    read_until: float
    """When to stop reading and only list on (time.monotonic, which all processes of one machine share); 0: list."""
    most_entries: int
    """Hand over after about so many entries,"""
    most_seconds: float
    """or after so long."""
    avoid: tuple[str, ...] = ()
    """Paths at which a reader hung: they are given up."""


class ReadTask(NamedTuple):
    """Read files to their end. In path order, so that folders are entered once."""

    files: tuple[ToRead, ...]
    threads: int = 1
    """Threads that one large file may be hashed with."""
    cold: bool = False
    """Drop the files' pages first, so that the medium has to answer."""


class RunTask(NamedTuple):
    """Count one run of a manifest's entries, say whose they are, and digest it (`verifier.manifest.seal`)."""

    manifest: str
    run: Run
    sealed: bool
    """Whether a digest is wanted."""


Task = VisitTask | ReadTask | RunTask


class Work(NamedTuple):
    """How much of what is to be read was met, and how much of it was read."""

    files: int = 0
    size_bytes: int = 0
    files_done: int = 0
    carried_files: int = 0
    """Files that need not be read, because an earlier manifest knows them unchanged."""
    carried_bytes: int = 0


Shared = tuple[str, "Row", int, "list[object]"]
"""State, what all have in common (`verifier.manifest.schema.COMMON_COLUMNS`), how many values each file has of its own
(`verifier.tree.entry.OWN_COLUMNS`, of listed files without the last two), and these values, one file after another."""


class Unchanged(NamedTuple):
    """Neighbouring plain files that an earlier manifest knows in every fact as they are now."""

    state: str
    """In which they are taken over: proved from what the same scan had read, carried from a reused manifest."""
    between: tuple[str, str, str, int]
    """Paths of the first and the last one, and the limits of time (`verifier.manifest.earlier.Limits`)."""
    device: int
    """On which they are now."""
    files: int


class Outcome(NamedTuple):
    """What a task came to, as rows for a manifest. Files of a `ReadTask` that are in no list were not read."""

    listed: list[FileRow]
    """Plain files that were listed only."""
    proved: list[Row]
    """Plain files whose content was read (`verifier.manifest.schema.KNOWN_COLUMNS`)."""
    carried: list[Row]
    """The same, taken over from an earlier manifest."""
    entries: list[Row]
    """Every other entry, whole."""
    as_listed: list[Row]
    """Files read whose facts were as listed: content columns, then the path."""
    changed: list[Row]
    """Files read whose facts had changed since: content columns, fact columns, then the path."""
    problems: list[Problem]
    rest: list[Place]
    """What a visit left to do. Its folders have entries that say that they wait."""
    work: Work = Work()
    cold: ColdCount = ColdCount()
    shared: list[Shared] = []  # noqa: RUF012  replaced, never added to
    """Plain files of a visit that have some facts in common, so that those are handed over once."""
    unchanged: list[Unchanged] = []  # noqa: RUF012  as above
    """Neighbours that can be taken over at once from an earlier manifest."""
    run_digest: bytes = b""
    """Of a `RunTask`,"""
    totals: Totals = Totals()
    """and what it counted."""
    seconds: float = 0.0
    """How long it took."""
    gone: str = ""
    """Why the share is no longer there; empty while it is."""
    owners: list[tuple[int, int]] = []  # noqa: RUF012  as above
    """Owners and groups that a `RunTask` met."""

    @property
    def entries_seen(self) -> int:
        """How many entries a `VisitTask` gave rows for."""
        gathered = sum(len(values) // width for _, _, width, values in self.shared)
        unchanged = sum(one.files for one in self.unchanged)
        return len(self.listed) + len(self.proved) + len(self.carried) + len(self.entries) + gathered + unchanged

    @property
    def files_read(self) -> int:
        """How many files of a `ReadTask` were tried."""
        return len(self.as_listed) + len(self.changed)


def empty_outcome() -> Outcome:
    """Return an outcome to be filled."""
    return Outcome([], [], [], [], [], [], [], [], unchanged=[])


_VISIT: Final = 0
_READ: Final = 1
_RUN: Final = 2


def pack_task(task: Task) -> bytes:
    """Return a task as bytes."""
    if isinstance(task, VisitTask):
        places = [tuple(place) for place in task.places]
        return marshal.dumps((_VISIT, places, *task[1:]))
    if isinstance(task, RunTask):
        return marshal.dumps((_RUN, task.manifest, tuple(task.run), task.sealed))
    return marshal.dumps((_READ, *task))


def unpack_task(data: bytes) -> Task:
    """Return what `pack_task` packed."""
    kind, *rest = marshal.loads(data)  # noqa: S302  our own scan wrote it
    if kind == _VISIT:
        places, *limits = rest
        return VisitTask(tuple(Place(*place) for place in places), *limits)
    if kind == _RUN:
        manifest, run, sealed = rest
        return RunTask(manifest, Run(*run), sealed)
    return ReadTask(*rest)


def pack_outcome(outcome: Outcome) -> bytes:
    """Return an outcome as bytes."""
    # The format takes plain tuples only, not those with names.
    plain = outcome._replace(
        entries=[tuple(row) for row in outcome.entries],
        problems=[tuple(row) for row in outcome.problems],  # type: ignore[misc]
        rest=[tuple(row) for row in outcome.rest],  # type: ignore[misc]
        work=tuple(outcome.work),  # type: ignore[arg-type]
        unchanged=[tuple(row) for row in outcome.unchanged],  # type: ignore[misc]
        cold=tuple(outcome.cold),  # type: ignore[arg-type]
        totals=tuple(outcome.totals),  # type: ignore[arg-type]
    )
    return marshal.dumps(tuple(plain))


def unpack_outcome(data: bytes) -> Outcome:
    """Return what `pack_outcome` packed."""
    outcome = Outcome(*marshal.loads(data))  # noqa: S302  our own reader process wrote it
    return outcome._replace(
        problems=[Problem(*row) for row in outcome.problems],
        rest=[Place(*row) for row in outcome.rest],
        work=Work(*outcome.work),
        unchanged=[Unchanged(*row) for row in outcome.unchanged],
        cold=ColdCount(*outcome.cold),
        totals=Totals(*outcome.totals),
    )
