"""What time it is, asked in one place, so that a year of nights can be gone through in minutes."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


def _system() -> datetime:
    return datetime.now(UTC)


_source: Callable[[], datetime] = _system


def now() -> datetime:
    """Return the present moment, aware, in UTC."""
    return _source()


def now_text() -> str:
    """Return the present moment as manifests, findings and ledgers write it: ISO 8601, UTC, to the second."""
    return now().isoformat(timespec="seconds")


def set_source(source: Callable[[], datetime] | None) -> None:
    """Take the time from somewhere else; None goes back to the system's clock.

    Args:
        source: Returns an aware datetime in UTC. Reader processes do not know of it.
    """
    global _source  # noqa: PLW0603  one clock for the whole process
    _source = source or _system
