"""The second look: pairs of files whose contents differ are read once more before that is reported.

Several pairs at once, so that small files on a slow share do not take one round trip after the other. Nothing but
local file systems is touched by this process itself: what lies elsewhere is looked at by a process of its own, and a
pair that hangs there gets no answer, while the others get theirs.
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol, Self

from verifier.scan.engine import END_S, context, end_process, warm_up
from verifier.scan.looker import Looker, Roots
from verifier.scan.looking import IDLE, Answer, LookSetup, serve_looks
from verifier.scan.pace import Counts, Meter, RateLimit, SharedNumber, cells_for
from verifier.scan.process import as_cells
from verifier.tree.content import Stopped
from verifier.tree.mount_table import mounted_at
from verifier.tree.share import Share
from verifier.tree.sight import Recorded, Request, Sight, SightOutcome

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

__all__ = ["LookOptions", "Recorded", "Request", "SecondLook", "Sight", "SightOutcome"]

THREADS_ASIDE: Final = 8
"""Pairs at once where each may wait for another machine."""
THREADS_HERE: Final = 4
"""Pairs at once on local disks, which are waited for as well where nothing is in memory."""
AHEAD: Final = 4
"""Pairs that wait in a process for each of its threads."""
GIVE_UP_AFTER: Final = 3
"""So many processes that had to be ended, and nothing more is tried."""
START_S: Final = 30.0
"""How much longer a process may take to its first pair than from one to the next."""
WAIT_S: Final = 0.1
"""Longest wait without looking what moves."""


@dataclass(frozen=True, slots=True)
class LookOptions:
    """How pairs are looked at."""

    stall_after_s: float = 60.0
    """A pair that has not moved for so long hangs."""
    threads: int | None = None
    """Pairs at the same time; None for as many as fit where the files lie."""
    limit_rate: int | None = None
    """Bytes a second that may be read, of both sides together."""
    idle: bool = False
    """Read at the lowest priority of processor and disk."""


class _Way(Protocol):
    """Looks at pairs in some way."""

    def look(self, requests: Sequence[Request], on_progress: Callable[[int, int], None]) -> list[Sight]: ...

    def close(self) -> None: ...


class SecondLook:
    """Looks at pairs of files; a context manager, because it holds the trees. Used by one thread.

    Args:
        roots: Every folder that requests name, by the label by which they do.
        options: How.
    """

    def __init__(self, roots: Mapping[str, Path], options: LookOptions | None = None) -> None:
        self._roots = dict(roots)
        self._options = options or LookOptions()
        self._way: _Way | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._way is not None:
            self._way.close()
            self._way = None

    def look(
        self, requests: Sequence[Request], on_progress: Callable[[int, int], None] = lambda _pairs, _bytes: None
    ) -> list[Sight]:
        """Look at pairs, and return what was seen of each in the order given.

        Reads files and writes nothing. Whatever goes wrong with a pair is in its sight. It ends, whatever hangs.

        Args:
            requests: The pairs. Each is held in memory, and so is each sight, so that many are better given in parts.
            on_progress: Called again and again with the pairs that are done and the bytes that were read since this
                look began; may raise, which ends it.

        Raises:
            ValueError: If a request names a root that is not known.
        """
        unknown = {side.root for request in requests for side in (request.old, request.new)} - self._roots.keys()
        if unknown:
            raise ValueError(f"no such root: {', '.join(sorted(unknown))}")
        if not requests:
            return []
        if self._way is None:
            here = not self._options.idle and all(is_here(root) for root in self._roots.values())
            self._way = (_Here if here else _Aside)(self._roots, self._options)
        return self._way.look(requests, on_progress)


def is_here(root: Path) -> bool:
    """Tell whether looking at anything below a root never waits for another machine or another program.

    Goes by names and the mount table alone, because following a link could touch what hangs; so a root that is
    reached through a link counts as elsewhere, and so does one with other file systems mounted inside.
    """
    place = Path(os.path.normpath(root.absolute()))
    mounted = mounted_at(place)
    if mounted.below or not Share.is_local(mounted.type_name):
        return False
    try:
        return not any(step.is_symlink() for step in (*reversed(place.parents), place))
    except OSError:
        return False


def _limit(options: LookOptions) -> tuple[int, SharedNumber] | None:
    return None if options.limit_rate is None else (options.limit_rate, context().Value("d", 0.0))


class _Here:
    """Looks in threads of this process. Only where no read can hang."""

    def __init__(self, roots: Mapping[str, Path], options: LookOptions) -> None:
        threads = options.threads or THREADS_HERE
        cells = memoryview(bytearray(8 * cells_for(threads))).cast("Q")
        rate, shared, turn = _limit(options), Roots(roots), threading.Lock()
        self._counts = Counts(cells)
        self._lookers = [
            Looker(shared, Meter(cells, slot, None if rate is None else RateLimit(*rate)), turn)
            for slot in range(threads)
        ]
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="look")

    def look(self, requests: Sequence[Request], on_progress: Callable[[int, int], None]) -> list[Sight]:
        sights: dict[int, Sight] = {}
        waiting = deque(enumerate(requests))
        read_before = self._counts.bytes()

        def work(looker: Looker) -> None:
            with suppress(IndexError, Stopped):
                while True:
                    number, request = waiting.popleft()
                    sights[number] = looker.look(request)

        at_work = {self._pool.submit(work, looker) for looker in self._lookers[: len(requests)]}
        try:
            while at_work:
                done, at_work = wait(at_work, WAIT_S, FIRST_EXCEPTION)
                for one in done:
                    one.result()
                on_progress(len(sights), self._counts.bytes() - read_before)
        except BaseException:
            waiting.clear()
            self._counts.request_stop()
            wait(at_work)
            raise
        return [sights[number] for number in range(len(requests))]

    def close(self) -> None:
        self._counts.request_stop()
        self._pool.shutdown()
        for looker in self._lookers:
            looker.close()


class _Ended(Exception):
    """The process was ended from outside, or does nothing at all."""


@dataclass(slots=True)
class _Thread:
    """One thread of the process, as it was last seen to move."""

    at: tuple[int, int] = (IDLE, 0)
    """Which pair, and its beat."""
    since: float = 0.0


class _Crew:
    """A process that looks, seen from here."""

    def __init__(self, roots: dict[str, Path], threads: int, options: LookOptions, rate: Any) -> None:
        cells, places = (context().RawArray("Q", number) for number in (cells_for(threads), threads))
        self.counts = Counts(as_cells(cells))
        self.given: set[int] = set()
        """Pairs that it has and that it has not answered."""
        self._places = as_cells(places)
        self._threads = [_Thread(since=time.monotonic()) for _ in range(threads)]
        self._stall_after_s = options.stall_after_s
        self._moved_at = time.monotonic() + START_S
        self._connection, theirs = context().Pipe()
        setup = LookSetup(roots, threads, cells, places, rate, options.idle)
        # daemon: ended with this process, should it end without closing.
        self._process = context().Process(target=serve_looks, args=(theirs, setup), daemon=True)  # type: ignore[attr-defined]
        self._process.start()
        theirs.close()

    def give(self, waiting: deque[int], requests: Sequence[Request]) -> None:
        """Give it so many pairs that no thread has to wait.

        Raises:
            _Ended: If it was ended from outside.
        """
        room = len(self._threads) * AHEAD - len(self.given)
        numbers = [waiting.popleft() for _ in range(min(room, len(waiting)))]
        if numbers:
            self.given.update(numbers)
            try:
                self._connection.send([(number, requests[number]) for number in numbers])
            except OSError as error:
                raise _Ended from error

    def answers(self) -> list[tuple[int, Sight]]:
        """Return what it has seen, as soon as there is something, or after a moment.

        Raises:
            _Ended: If it was ended from outside.
        """
        found: list[tuple[int, Sight]] = []
        try:
            while self._connection.poll(0 if found else WAIT_S):
                answer: Answer = self._connection.recv()
                if isinstance(answer, str):
                    raise RuntimeError(f"a second look failed:\n{answer}")
                found.append(answer)
                self.given.discard(answer[0])
        except (EOFError, OSError) as error:
            if not found:
                raise _Ended from error
        return found

    def hanging(self) -> list[int]:
        """Return the pairs that have not moved for too long.

        Raises:
            _Ended: If it has pairs and has never begun with one.
        """
        now = time.monotonic()
        found = []
        for slot, thread in enumerate(self._threads):
            at = self._places[slot], self.counts.beats(slot, 1)[0]
            if at != thread.at:
                thread.at, thread.since = at, now
                self._moved_at = max(now, self._moved_at)
            elif at[0] - 1 in self.given and now - thread.since >= self._stall_after_s:
                found.append(at[0] - 1)
        if self.given and not any(self._places) and now - self._moved_at >= self._stall_after_s:
            raise _Ended
        return found

    def under_way(self) -> list[int]:
        """Return the pairs that it is at."""
        return [place - 1 for place in self._places if place - 1 in self.given]

    def end(self, *, patiently: bool = False) -> None:
        """Have it end; one that hangs in the system is left behind."""
        self.counts.request_stop()
        self._connection.close()
        end_process(self._process, END_S if patiently else 0.0)


@dataclass(slots=True)
class _Look:
    """One call's pairs, and how far it is."""

    requests: Sequence[Request]
    waiting: deque[int]
    sights: dict[int, Sight] = field(default_factory=dict)


class _Aside:
    """Looks in a process of its own, and in another one when that hangs."""

    def __init__(self, roots: dict[str, Path], options: LookOptions) -> None:
        warm_up()
        self._roots = roots
        self._options = options
        self._rate = _limit(options)
        self._crew: _Crew | None = None
        self._strikes = 0
        self._read_before = 0

    def look(self, requests: Sequence[Request], on_progress: Callable[[int, int], None]) -> list[Sight]:
        look = _Look(requests, deque(range(len(requests))))
        read_at_start = self._bytes()
        try:
            while len(look.sights) < len(requests):
                if self._strikes >= GIVE_UP_AFTER:
                    for number in set(range(len(requests))) - look.sights.keys():
                        look.sights[number] = _no_answer("not tried any more: others before it had no answer")
                    break
                self._step(look)
                on_progress(len(look.sights), self._bytes() - read_at_start)
        except BaseException:
            self._end_crew()
            raise
        return [look.sights[number] for number in range(len(requests))]

    def close(self) -> None:
        if self._crew is not None:
            self._crew.end(patiently=True)
            self._crew = None

    def _step(self, look: _Look) -> None:
        if self._crew is None:
            threads = self._options.threads or THREADS_ASIDE
            self._crew = _Crew(self._roots, threads, self._options, self._rate)
        crew = self._crew
        try:
            crew.give(look.waiting, look.requests)
            look.sights.update(crew.answers())
            lost, error = crew.hanging(), f"no answer for {self._options.stall_after_s:g} s: read"
        except _Ended:
            lost, error = crew.under_way(), "the process that read it was ended from outside"
        else:
            if not lost:
                return
        look.sights.update((number, _no_answer(error)) for number in lost)
        look.waiting.extendleft(sorted(crew.given.difference(lost), reverse=True))
        self._strikes += 1
        self._end_crew()

    def _bytes(self) -> int:
        return self._read_before + (0 if self._crew is None else self._crew.counts.bytes())

    def _end_crew(self) -> None:
        if self._crew is not None:
            self._read_before = self._bytes()
            self._crew.end()
            self._crew = None


def _no_answer(error: str) -> Sight:
    return Sight(SightOutcome.NO_ANSWER, error=error)
