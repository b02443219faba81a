"""What the readers of one side share: counts, the request to stop, and the limit of their rate together."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final, Protocol

from verifier.tree.content import Stopped

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager

SLICE_S: Final = 0.1
"""Longest wait without looking whether somebody asked to stop."""
BURST_S: Final = 0.1
"""How much may be read ahead of the rate after a pause."""
CELLS_A_READER: Final = 3


class SharedNumber(Protocol):
    """A `multiprocessing.Value` with its lock."""

    value: float

    def get_lock(self) -> AbstractContextManager[bool]:
        """Return the lock that guards the value."""


class RateLimit:
    """A number of bytes a second that all readers of a side keep together.

    Args:
        bytes_a_second: The limit.
        due: Shared; when the bytes that were taken so far are all allowed (time.monotonic, which all processes of
            one machine share).
    """

    def __init__(self, bytes_a_second: int, due: SharedNumber) -> None:
        self.bytes_a_second = bytes_a_second
        self._due = due

    def take(self, size_bytes: int, on_wait: Callable[[], None]) -> None:
        """Take so many bytes, and wait until they are allowed.

        Args:
            size_bytes: How many.
            on_wait: Called again and again while waiting; may raise.
        """
        with self._due.get_lock():
            begin = max(self._due.value, time.monotonic() - BURST_S)
            until = begin + size_bytes / self.bytes_a_second
            self._due.value = until
        while (left := until - time.monotonic()) > 0:
            on_wait()
            time.sleep(min(left, SLICE_S))


class Meter:
    """One reader's counts, in cells of 64 bits that processes share; each reader writes its own, so none needs a lock.

    Cell 0 is the request to stop. Then for each reader: bytes read, names looked at, and a beat that moves as long as
    the reader does.

    Args:
        cells: Shared memory of `cells_for` cells.
        slot: Which reader, from 0.
        limit: The side's limit, if it has one.
    """

    def __init__(self, cells: memoryview, slot: int, limit: RateLimit | None = None) -> None:
        self._cells = cells
        self._bytes = 1 + slot * CELLS_A_READER
        self._entries = self._bytes + 1
        self._beat = self._bytes + 2
        self._limit = limit

    def add(self, size_bytes: int) -> None:
        """Count bytes that were read, and wait where the rate is limited.

        Raises:
            Stopped: If somebody asked the readers to stop.
        """
        cells = self._cells
        if cells[0]:
            raise Stopped
        cells[self._bytes] += size_bytes
        cells[self._beat] += 1
        if self._limit is not None:
            self._limit.take(size_bytes, self.beat)

    def beat(self) -> None:
        """Show that this reader is alive.

        Raises:
            Stopped: If somebody asked the readers to stop.
        """
        if self._cells[0]:
            raise Stopped
        self._cells[self._beat] += 1

    def entries(self, number: int) -> None:
        """Count names that were looked at.

        Raises:
            Stopped: If somebody asked the readers to stop.
        """
        self.beat()
        self._cells[self._entries] += number


def cells_for(readers: int) -> int:
    """Return how many cells so many readers need."""
    return 1 + readers * CELLS_A_READER


class Counts:
    """The other end of the meters: what all readers of a side did, seen from the scan.

    Args:
        cells: The same shared memory.
    """

    def __init__(self, cells: memoryview) -> None:
        self._cells = cells

    def request_stop(self) -> None:
        """Ask every reader to stop at its next block."""
        self._cells[0] = 1

    @property
    def stop_requested(self) -> bool:
        """Whether the readers were asked to stop."""
        return bool(self._cells[0])

    def bytes(self) -> int:
        """Return the bytes read by all readers."""
        return sum(self._cells[1::CELLS_A_READER])

    def entries(self) -> int:
        """Return the names looked at by all readers."""
        return sum(self._cells[2::CELLS_A_READER])

    def beats(self, first: int, number: int) -> tuple[int, ...]:
        """Return the beats of so many readers from one on."""
        begin = 1 + first * CELLS_A_READER + 2
        return tuple(self._cells[begin + n * CELLS_A_READER] for n in range(number))
