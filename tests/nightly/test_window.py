"""When a night's time window ends, also on the nights on which the clocks are changed.

That Berlin changes to summer time on 28 March 2027 at 2:00 and back on 31 October 2027 at 3:00 is from the IANA time
zone database.
"""

from __future__ import annotations

import os
import time as clocks
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING

import pytest

from verifier.job.job import Window
from verifier.nightly.window import window_end

if TYPE_CHECKING:
    from collections.abc import Iterator

SIX = Window(until=time(6))


@pytest.fixture(autouse=True)
def berlin() -> Iterator[None]:
    """Let this process live in Berlin."""
    zone = os.environ.get("TZ")
    os.environ["TZ"] = "Europe/Berlin"
    clocks.tzset()
    yield
    if zone is None:
        del os.environ["TZ"]
    else:
        os.environ["TZ"] = zone
    clocks.tzset()


@pytest.mark.parametrize(
    ("window", "began", "end"),
    [
        (Window(), "2026-12-01T01:30", None),
        (SIX, "2026-12-01T01:30", "2026-12-01T05:00"),
        (SIX, "2026-12-01T04:59", "2026-12-01T05:00"),
        (SIX, "2026-12-01T05:00", "2026-12-02T05:00"),
        (Window(at_most_s=3600.0), "2026-12-01T01:30", "2026-12-01T02:30"),
        (Window(time(6), 3600.0), "2026-12-01T01:30", "2026-12-01T02:30"),
        (Window(time(6), 36000.0), "2026-12-01T01:30", "2026-12-01T05:00"),
        (SIX, "2027-03-28T00:30", "2027-03-28T04:00"),
        (SIX, "2027-03-27T05:30", "2027-03-28T04:00"),
        (SIX, "2027-10-31T00:30", "2027-10-31T05:00"),
        (SIX, "2027-10-30T04:30", "2027-10-31T05:00"),
        (Window(until=time(2, 30)), "2027-03-27T23:00", "2027-03-28T00:30"),
        (Window(until=time(2, 30)), "2027-10-30T22:00", "2027-10-31T00:30"),
    ],
    ids=[
        "none", "the same morning", "a minute before", "at that minute", "so long", "the earlier: so long",
        "the earlier: the clock", "a night of 23 hours", "a day before it", "a night of 25 hours", "a day before that",
        "a time that is left out", "a time that comes twice",
    ],
)  # fmt: skip
def test_the_next_such_moment_ends_it(window: Window, began: str, end: str | None) -> None:
    """The next time of day after it began, or so long after it, whichever is earlier; all times here are UTC."""
    found = window_end(window, datetime.fromisoformat(began).replace(tzinfo=UTC))
    assert found == (None if end is None else datetime.fromisoformat(end).replace(tzinfo=UTC))
