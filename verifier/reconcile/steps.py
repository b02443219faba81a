"""Times that were cut on the way, as the files themselves show it, for file systems whose type does not tell.

A server or a program may keep times more coarsely than its share says: utimensat(2), times are cut to what can be held.
Then the pairs whose times differ by less than a step have, on one side only, times that lie on it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.classes import Field
from verifier.reconcile.metadata import QUARTER_NS

if TYPE_CHECKING:
    import sqlite3

    from verifier.reconcile.compared import Comparison

STEPS_NS: Final = (100, 10**3, 10**6, 10**9, 2 * 10**9)
"""Decimal fractions of a second, whole seconds, and FAT's 2 s (Win32 documentation, File Times), the finest first."""
FEWEST: Final = 10
SHARE: Final = 0.9
"""Of the pairs that differ by less than the coarsest step so many show the cut; common practice, no source."""


def cut_step_ns(connection: sqlite3.Connection, comparison: Comparison) -> int:
    """Return the step to which one side's times were cut, nanoseconds; 0 where they were not.

    Only pairs at their place with the same content are looked at (``apart``); a shift by quarters of an hour, which may
    come with a cut, is taken off first.
    """
    if Field.MTIME not in comparison.fields:
        return 0
    off = f"(delta_ns - CAST(round(delta_ns / {float(QUARTER_NS)}) AS INTEGER) * {QUARTER_NS})"
    tolerance = comparison.tolerance_ns
    differs = f"(off NOT BETWEEN -{tolerance} AND {tolerance})"
    shows = ", ".join(
        f"count(*) FILTER (WHERE {differs} AND off BETWEEN 1 - {step} AND {step} - 1"
        f" AND (mtime_ns % {step} = 0) <> ((mtime_ns - delta_ns) % {step} = 0))"
        for step in STEPS_NS
    )
    shifted = f"(delta_ns NOT BETWEEN -{STEPS_NS[-1]} AND {STEPS_NS[-1]})"
    total, moved, ways, *found = connection.execute(
        f"""
        SELECT count(*) FILTER (WHERE {differs}), count(*) FILTER (WHERE {differs} AND {shifted}),
               count(DISTINCT off) FILTER (WHERE {shifted}), {shows}
        FROM (
            SELECT {off} AS off, a.delta_ns, n.mtime_ns FROM apart AS a
            CROSS JOIN new.entries AS n ON n.path = a.new_path
            WHERE a.kind = 'file' AND a.delta_ns <> 0
        ) WHERE off BETWEEN 1 - {STEPS_NS[-1]} AND {STEPS_NS[-1]} - 1
        """  # noqa: S608
    ).fetchone()
    # What all were shifted by that is nearly a quarter of an hour is a difference of its own, and no cut.
    if total < FEWEST or (moved * 2 > total and ways < 2):
        return 0
    return next((step for step, number in zip(STEPS_NS, found, strict=True) if number >= total * SHARE), 0)
