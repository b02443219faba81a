"""How much of a tree has fresh evidence, and what to read tonight so that every file is read as often as promised.

The longest unread comes first. What falls due on one day, because it was all read in one night, is spread over the
nights before: each night reads as much as it takes to meet every deadline from there on, if each later one does, too.
"""

from __future__ import annotations

import math
import time
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from verifier.manifest.database import database_errors, open_read_only
from verifier.report.amounts import duration_text, size_text
from verifier.scan.plan import Reread
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from verifier.manifest.totals import Totals

DAY_S: Final = 86400.0
REST: Final = 4
"""A file is left alone for a quarter of the promised time after it was read."""
MARGIN: Final = 10
"""A tenth of the promised time is kept for nights that do not come to it, and a day at least where there are days."""
MEASURED_BYTES: Final = 256 * 1024 * 1024
MEASURED_S: Final = 20.0
"""A rate is believed when it was measured over so many bytes and seconds."""

_KNOWN: Final = "kind = 'file' AND state IN ('proved', 'carried')"


@dataclass(frozen=True, slots=True)
class Due:
    """Files that were read on one day."""

    read_on: datetime
    bytes: int


@dataclass(frozen=True, slots=True)
class Fresh:
    """What of a side was read, within the promised time or at all."""

    files: int
    bytes: int


def plan_rereads(manifest: Path, promised_s: float, now: datetime, rate: float, until: float | None) -> Reread:
    """Return what is to be read again tonight of what a manifest knows.

    Args:
        manifest: The one whose digests are carried over.
        promised_s: Every file is read at least so often.
        now: The present moment.
        rate: Bytes a second that were measured; 0 where nothing was.
        until: Of `time.monotonic`: when the time window ends.

    Raises:
        ManifestDamaged: If it cannot be read.
    """
    rest = timedelta(seconds=promised_s / REST)
    wanted = bytes_tonight(_read_on(manifest), promised_s, now)

    def fits(size_bytes: int) -> bool:
        return until is None or rate <= 0 or size_bytes <= rate * (until - time.monotonic())

    return Reread(rest, wanted, is_aim=True, fits=fits)


def bytes_tonight(read_on: Sequence[Due], promised_s: float, now: datetime) -> int:
    """Return how many bytes to read again tonight, the longest unread first.

    Args:
        read_on: What was read on each day.
        promised_s: Every file is read at least so often.
        now: The present moment.
    """
    margin_s = max(min(DAY_S, promised_s / 2), promised_s / MARGIN)
    wanted = total = 0
    for due in sorted(read_on, key=lambda one: one.read_on):
        age_s = (now - due.read_on).total_seconds()
        total += due.bytes
        nights = max(1, math.floor((promised_s - margin_s - age_s) / DAY_S))
        wanted = max(wanted, math.ceil(total / nights))
    return wanted


def _read_on(manifest: Path) -> list[Due]:
    with database_errors(manifest), closing(open_read_only(manifest)) as connection:
        rows = connection.execute(
            f"SELECT substr(read_at, 1, 10), sum(size) FROM entries WHERE {_KNOWN} GROUP BY 1"  # noqa: S608
        ).fetchall()
    return [Due(datetime.fromisoformat(day).replace(tzinfo=UTC), size) for day, size in rows if day]


def is_at_rest(oldest_read: str, promised_s: float, now: datetime) -> bool:
    """Tell whether even the longest unread file was read so lately that nothing is to be read again."""
    try:
        return now - datetime.fromisoformat(oldest_read) < timedelta(seconds=promised_s / REST)
    except (ValueError, TypeError):  # not known, or without a zone
        return False


def known(totals: Totals) -> Fresh:
    """Return what of a side has been read at all, now or earlier."""
    return Fresh(totals.proved_files + totals.carried_files, totals.proved_bytes + totals.carried_bytes)


def fresh(manifest: Path, totals: Totals, promised_s: float, now: datetime) -> Fresh:
    """Return what of a side was read within the promised time.

    Raises:
        ManifestDamaged: If the manifest cannot be read.
    """
    since = (now - timedelta(seconds=promised_s)).isoformat(timespec="seconds")
    if totals.oldest_read is None or totals.oldest_read >= since:
        return known(totals)
    with database_errors(manifest), closing(open_read_only(manifest)) as connection:
        row = connection.execute(
            f"SELECT count(*), coalesce(sum(size), 0) FROM entries WHERE {_KNOWN} AND read_at >= ?",  # noqa: S608
            (since,),
        ).fetchone()
    return Fresh(*row)


def rate_of(read_bytes: int, seconds: float) -> float:
    """Return bytes a second; 0 where so little was read that nothing can be said."""
    return read_bytes / seconds if read_bytes >= MEASURED_BYTES and seconds >= MEASURED_S else 0.0


def too_short(side: str, size_bytes: int, rate: float, window_s: float, promised_s: float) -> str:
    """Say with its arithmetic that a time window is too short to keep the promise; empty where it is not.

    Args:
        side: What the side is called.
        size_bytes: All its bytes.
        rate: Bytes a second that were measured; 0 where nothing was.
        window_s: Length of the window.
        promised_s: Every file is to be read at least so often.
    """
    if rate <= 0 or window_s <= 0:
        return ""
    takes_s = size_bytes / rate
    nights, promised = math.ceil(takes_s / window_s), promised_s / DAY_S
    if nights <= promised:
        return ""
    wanted_s = math.ceil(takes_s / promised / 60) * 60
    return (
        f"window: {side}: {size_text(size_bytes)} at the measured {size_text(round(rate))}/s take "
        f"{duration_text(takes_s)}, which is {count_of(nights, 'night', 'nights')} of {duration_text(window_s)}, "
        f"and every file is promised to be read within {duration_text(promised_s)}; give it {duration_text(wanted_s)} "
        f"a night, or promise {nights}d"
    )


def overdue(side: str, files: int, totals_bytes: tuple[int, int], promised_s: float, oldest: str) -> str:
    """Say what was not read within the promised time; empty where everything was.

    Args:
        side: What the side is called.
        files: How many files were not.
        totals_bytes: Their bytes, and those of all.
        promised_s: Every file is to be read at least so often.
        oldest: When the longest unread was read.
    """
    if not files:
        return ""
    late, whole = totals_bytes
    return (
        f"promise: {side}: {count_of(files, 'file', 'files')} with {size_text(late)} of {size_text(whole)} not read "
        f"within {duration_text(promised_s)}; the longest unread was read {oldest}"
    )
