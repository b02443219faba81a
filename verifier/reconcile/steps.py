"""The step of a side's times as its files show it, for file systems whose type does not tell.

A server may keep times more coarsely than its share says. Where every file of one side lies on a step, and the files of
the other do not, times were cut on the way, and differences below that step mean nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.manifest.database import database_errors

if TYPE_CHECKING:
    from verifier.manifest.store import Manifest

STEPS_NS: Final = (2 * 10**9, 10**9, 10**6, 10**3, 100)
"""From the coarsest: FAT's 2 s (Win32 documentation, File Times), whole seconds, and decimal fractions of one."""
FEWEST: Final = 100
"""Fewer files can all lie on a step by chance; common practice, no source."""


def differing_step(old: Manifest, new: Manifest) -> int:
    """Return the coarser step of both sides' times, nanoseconds, where they have different ones; else 0."""
    ours, theirs = seen_step(old), seen_step(new)
    return 0 if ours == theirs else max(ours, theirs)


def seen_step(manifest: Manifest) -> int:
    """Return the coarsest step on which all files of a side lie; 0 where there is none, or too few files."""
    files = "FROM entries WHERE kind = 'file'"
    with database_errors(manifest.path):
        some = manifest.connection.execute(f"SELECT count(*) FROM (SELECT 1 {files} LIMIT ?)", (FEWEST,)).fetchone()  # noqa: S608
        if some[0] < FEWEST:
            return 0
        for step in STEPS_NS:
            # Stops at the first file that does not lie on it.
            if (
                manifest.connection.execute(f"SELECT 1 {files} AND mtime_ns % ? <> 0 LIMIT 1", (step,)).fetchone()
                is None
            ):
                return step
    return 0
