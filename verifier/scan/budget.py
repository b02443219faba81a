"""How many readers work at the same time on one device, and how both sides share them.

A solid-state disk, and a share at the other end of a network, get faster with more readers; a spinning disk gets
slower. Nobody can tell from outside which it is, so the number is found by trying: begin low, double it while that
makes a difference, fall back when it does not, try again later. Where the processor is the limit more readers cannot
help, and are not tried.
"""

from __future__ import annotations

import os
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.scan.engine import MAX_READERS, automatic_processes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from verifier.tree.share import Share

SETTLE_S: Final = 0.15
"""After a change, so long is not measured: tasks that were under way still end the old way."""
WINDOW_S: Final = 0.6
"""So long is measured,"""
WINDOW_STEPS: Final = 40
"""and until at least so much was done, in names and blocks, because few of them say little."""
WORTH: Final = 1.15
"""Twice the readers must bring at least this factor, or they are not worth it."""
EQUAL: Final = 0.97
"""Half the readers that still bring this much are the better choice."""
HOLD_S: Final = 60.0
"""So long a number is kept before others are tried again."""
BUSY: Final = 0.7
"""From this share of all processors on that the readers take, the processors are the limit."""
NAME_BYTES: Final = 64 * 1024
"""What looking at one name counts for, in bytes read: about what a disk reads in the time of one more request."""
TURN_S: Final = 5.0
"""Where there is one reader for two sides, they take turns of this length: long enough to read in sequence."""


class SideWork(NamedTuple):
    """What one side has done since its beginning."""

    size_bytes: int
    """Bytes that it has read."""
    names: int
    """Names that it has looked at."""
    blocks: int
    """Blocks that it has read."""
    processor_s: float
    """Processor time of its readers, seconds."""


class ProcessorShare:
    """How much of all processors the readers of a device take. Called, it returns that since it was last called."""

    def __init__(self) -> None:
        self.seconds = 0.0
        """Processor time of all of them so far."""
        self._last = (time.monotonic(), 0.0)

    def __call__(self) -> float:
        """Return the share, 0 to 1."""
        now, seconds = time.monotonic(), self.seconds
        elapsed, used = now - self._last[0], seconds - self._last[1]
        self._last = (now, seconds)
        return used / (elapsed * (os.cpu_count() or 1)) if elapsed > 0 else 0.0


@dataclass(slots=True)
class Tuner:
    """Finds the number of readers.

    Args:
        fixed: The number, where the user names one.
        busy: Returns the share of the processors' time that was used since it was last asked.
    """

    fixed: int | None = None
    busy: Callable[[], float] = field(default_factory=ProcessorShare)
    readers: int = 0
    """How many work now."""
    _best: int = 0
    _best_rate: float = 0.0
    _tried: list[int] = field(default_factory=list)
    """What was tried since the last rest."""
    _since: float | None = None
    _from: tuple[float, float, int] = (0.0, 0.0, 0)
    _rest_until: float = 0.0

    def __post_init__(self) -> None:
        self.readers = self.fixed or min(2, automatic_processes())
        self._best = self.readers

    @property
    def settled_on(self) -> int:
        """The number that did best so far."""
        return self._best

    def observe(self, now: float, done: float, steps: int) -> None:
        """Take note of what all readers together have done, and change their number where it is time to.

        Args:
            now: time.monotonic.
            done: Bytes read, and `NAME_BYTES` for each name, since the beginning.
            steps: Names and blocks, since the beginning.
        """
        if self.fixed is not None or now < self._rest_until:
            return
        if self._since is None:
            self._begin_window(now, done, steps)
            return
        if now < self._since:
            self._from = (now, done, steps)
            return
        began, done_then, steps_then = self._from
        elapsed = now - began
        if elapsed < WINDOW_S or steps - steps_then < WINDOW_STEPS:
            return
        self._judge(now, (done - done_then) / elapsed, self.busy())
        if self._rest_until > now:
            self._since = None
        else:
            self._begin_window(now, done, steps)

    def _begin_window(self, now: float, done: float, steps: int) -> None:
        self._since = now + SETTLE_S
        self._from = (now, done, steps)
        self.busy()

    def _judge(self, now: float, rate: float, busy: float) -> None:
        tried = self._tried
        if not tried:  # the first window after a rest: how fast is the number that is in use?
            tried.append(self.readers)
            self._best, self._best_rate = self.readers, rate
            self._try_next(now, self._upwards() if busy < BUSY else 0)
            return
        going_up = self.readers > self._best
        better = rate >= self._best_rate * (WORTH if going_up else EQUAL)
        if better:
            self._best, self._best_rate = self.readers, max(rate, self._best_rate if not going_up else rate)
            further = (self._upwards() if busy < BUSY else 0) if going_up else self._downwards()
            self._try_next(now, further)
        elif going_up and len(tried) == 2:  # the first step up already brought nothing: fewer may do as well
            self._try_next(now, self._downwards())
        else:
            self._try_next(now, 0)

    def _upwards(self) -> int:
        return min(self._best * 2, MAX_READERS)

    def _downwards(self) -> int:
        return self._best // 2

    def _try_next(self, now: float, number: int) -> None:
        if number and number not in self._tried:
            self._tried.append(number)
            self.readers = number
            return
        self.readers = self._best
        self._tried.clear()
        self._rest_until = now + HOLD_S


class Budget:
    """The readers of one device, for one side or for both.

    Used by the threads of all sides that lie on the device.
    """

    def __init__(self, tuner: Tuner, sides: int) -> None:
        self._tuner = tuner
        self._lock = threading.Lock()
        self._active = list(range(sides))
        self._work = [SideWork(0, 0, 0, 0.0)] * sides
        self._began = time.monotonic()

    @property
    def settled_on(self) -> int:
        """The number of readers that did best so far, of all sides together."""
        return self._tuner.settled_on

    def share(self, side: int, work: SideWork) -> int:
        """Say what a side has done since its beginning, and get the number of readers that it may use now; may be 0.

        Args:
            side: Its number.
            work: What it has done.
        """
        now = time.monotonic()
        with self._lock:
            self._work[side] = work
            if isinstance(self._tuner.busy, ProcessorShare):
                self._tuner.busy.seconds = sum(one.processor_s for one in self._work)
            done = sum(one.size_bytes + one.names * NAME_BYTES for one in self._work)
            self._tuner.observe(now, done, sum(one.names + one.blocks for one in self._work))
            readers, active = self._tuner.readers, self._active
            if side not in active or len(active) == 1:
                return readers
            if readers >= len(active):
                place = active.index(side)
                return readers // len(active) + (place < readers % len(active))
            turn = int((now - self._began) / TURN_S) % len(active)
            return readers if active[turn] == side else 0

    def leave(self, side: int) -> None:
        """Leave the readers to the other side."""
        with self._lock:
            if side in self._active:
                self._active.remove(side)

    def come_back(self, side: int) -> None:
        """Take part again after `leave`."""
        with self._lock:
            if side not in self._active:
                self._active = sorted((*self._active, side))


def budgets(shares: Sequence[Share], readers: int | None) -> list[tuple[Budget, int]]:
    """Return for each side its budget and its number in it; sides on one device get one together."""
    groups: list[list[int]] = []
    disks = [disks_of(share) for share in shares]
    for side in range(len(shares)):
        for group in groups:
            if any(disks[side] & disks[other] for other in group):
                group.append(side)
                break
        else:
            groups.append([side])
    found: dict[int, tuple[Budget, int]] = {}
    for group in groups:
        budget = Budget(Tuner(readers), len(group))
        for number, side in enumerate(group):
            found[side] = (budget, number)
    return [found[side] for side in range(len(shares))]


def disks_of(share: Share) -> frozenset[str]:
    """Return what a share's bytes come from, as far as this system tells: its disks, else the mount's source."""
    number = share.device
    source = Path(share.mount_source)
    try:
        if source.is_absolute() and source.is_block_device():
            number = source.stat().st_rdev
    except OSError:
        pass
    if not hasattr(os, "major"):
        return frozenset({share.mount_source or f"device {number}"})
    found = frozenset(_disks(Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}")))
    # Device numbers with major 0 are given out at each mount (proc(5), mountinfo): they name no disk.
    made_up = os.major(number) == 0 and share.mount_source
    return found or frozenset({share.mount_source if made_up else f"device {number}"})


def _disks(block: Path) -> list[str]:
    """Follow a block device to the disks under it: a partition to its disk, a mapped one to what it is made of."""
    try:
        place = block.resolve(strict=True)
        slaves = sorted((place / "slaves").iterdir()) if (place / "slaves").is_dir() else []
        if slaves:
            return [disk for slave in slaves for disk in _disks(slave)]
        return [(place.parent if (place / "partition").exists() else place).name]
    except OSError:
        return []
