"""What a scan tells while it goes on."""

from __future__ import annotations

import time
from collections import deque
from dataclasses import dataclass, field
from typing import Final

WINDOW_S: Final = 10.0
"""The current rate is that of so long."""
FILE_BYTES: Final = 64 * 1024
"""What a file counts for besides its bytes, when the time left is estimated."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far one side is."""

    label: str
    stage: str
    """listing, waiting (for the other side's listing), reading, reading again, sealing, done."""
    entries: int = 0
    files: int = 0
    """Files that are to be read in all, as far as they are known."""
    size_bytes: int = 0
    """Their bytes."""
    files_done: int = 0
    bytes_done: int = 0
    carried_files: int = 0
    """Files that need not be read: known from before, and unchanged."""
    problems: int = 0
    rate: float = 0.0
    """Bytes a second, over the last seconds."""
    seconds_left: float | None = None
    """Estimated from all reading so far; None before it can be told."""
    measured_s: float = 0.0
    """How long there has been reading."""
    longest: str = ""
    """Manifest text of the path that a reader has been at for longest."""
    longest_s: float = 0.0
    readers: int = 0


@dataclass(slots=True)
class Speed:
    """How fast a side reads."""

    _samples: deque[tuple[float, int]] = field(default_factory=deque)
    _began: float | None = None
    _begin: tuple[int, int] = (0, 0)

    def begin(self, files_done: int, bytes_done: int) -> None:
        """Begin to measure from here."""
        self._began = time.monotonic()
        self._begin = (files_done, bytes_done)

    @property
    def measured_s(self) -> float:
        """How long there has been reading."""
        return 0.0 if self._began is None else time.monotonic() - self._began

    def rate(self, bytes_done: int) -> float:
        """Return bytes a second over the last seconds, and take note of this moment."""
        now = time.monotonic()
        samples = self._samples
        samples.append((now, bytes_done))
        while len(samples) > 2 and now - samples[0][0] > WINDOW_S:
            samples.popleft()
        since, then = samples[0]
        return (bytes_done - then) / (now - since) if now > since else 0.0

    def seconds_left(self, files: int, size_bytes: int, files_done: int, bytes_done: int) -> float | None:
        """Estimate how long it takes to read the rest, counting each file as `FILE_BYTES` more."""
        elapsed = self.measured_s
        done = bytes_done - self._begin[1] + (files_done - self._begin[0]) * FILE_BYTES
        left = max(0, size_bytes - bytes_done) + max(0, files - files_done) * FILE_BYTES
        if elapsed < 1.0 or done <= 0:
            return None
        return elapsed * left / done
