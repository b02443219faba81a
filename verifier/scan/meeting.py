"""Where the sides of a check meet when all are listed: nobody writes then, so that the listings can be joined."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from verifier.manifest.store import Manifest


class Meeting:
    """One meeting of several scans, each in its thread.

    Args:
        sides: How many there are.
        hold: Called once, when all are listed and their manifests can be read; None for no meeting.
    """

    def __init__(self, sides: int, hold: Callable[[], None] | None = None) -> None:
        self._unlisted = sides
        self._running = sides
        self._present = 0
        self._over = hold is None
        self._hold = hold
        self._changed = threading.Condition()

    @property
    def due(self) -> bool:
        """Whether the others wait, or will."""
        return not self._over and not self._unlisted

    def listed(self) -> None:
        """Say that a side is listed."""
        with self._changed:
            self._unlisted -= 1

    def attend(self, manifest: Manifest | None) -> None:
        """Let others read a manifest, wait until all are there, and go on when the meeting is over.

        Args:
            manifest: None where it can be read already.
        """
        if manifest is not None:
            manifest.let_read()
        with self._changed:
            self._present += 1
            self._hold_if_all_are_there()
            while not self._over:
                self._changed.wait()
        if manifest is not None:
            manifest.hold_again()

    def leave(self, *, listed: bool) -> None:
        """Say that a side has ended; without its listing there is nothing to meet for."""
        with self._changed:
            self._running -= 1
            if not listed:
                self._over = True
                self._changed.notify_all()
            elif self._present:
                self._hold_if_all_are_there()

    def _hold_if_all_are_there(self) -> None:
        if self._over or self._hold is None or self._present < self._running:
            return
        try:
            self._hold()
        finally:
            self._over = True
            self._changed.notify_all()
