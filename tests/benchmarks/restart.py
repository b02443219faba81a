"""Scans that are killed at a random instant and started again, against one that nobody disturbed."""

from __future__ import annotations

import random
import shutil
import signal
import sqlite3
import statistics
import subprocess
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from tests.benchmarks.pairs import Result, stopwatch
from tests.benchmarks.programs import ScanCommand, Session, facts, known

if TYPE_CHECKING:
    from tests.benchmarks.trees import Trees

TIMES: Final = 50
EARLIEST_S: Final = 0.2
TWICE: Final = 0.3
"""Share of the scans that are killed a second time."""
SEED: Final = 11
MB: Final = 10**6


class Undisturbed(NamedTuple):
    """The scan that the others are held against."""

    fingerprint: str
    seconds: float
    size_bytes: int


class Killed(NamedTuple):
    """One attempt, killed."""

    after_s: float
    read_bytes: int
    """By all its processes, programs and manifests included."""
    kept_bytes: int
    """Of files whose digests were in the manifests afterwards."""
    complete: bool
    """Whether all was done, and only the end of the process was still to come."""


@dataclass(frozen=True, slots=True)
class Story:
    """One scan that was killed, once or more often, until it came to its end."""

    kills: tuple[Killed, ...]
    fingerprint: str
    read_bytes: int
    """By the attempt that came to the end, as the manifest says."""
    left: tuple[str, ...]
    """Files that are left beside the manifest."""


def restart(trees: Trees, runs: int) -> Result:
    """Kill scans and start them again with the same command until they end; compare fingerprints.

    Args:
        trees: The trees.
        runs: Fewer than five runs are a look whether it works: ten stories for each.
    """
    root = trees.mixed()
    scan = ScanCommand(root, trees.manifest("restart"))
    plain = _undisturbed(scan)
    times = TIMES if runs >= 5 else 10 * runs
    rng = random.Random(SEED)
    stories = [_story(scan, plain, rng) for _ in range(times)]
    scan.clear()
    same = sum(story.fingerprint == plain.fingerprint for story in stories)
    verdict = "holds" if same == times else "does not hold"
    return Result((*_lines(plain, stories, same), f"same fingerprint {times} of {times}: {verdict}"), same == times)


def _undisturbed(scan: ScanCommand) -> Undisturbed:
    scan.clear()
    scan.run()
    scan.clear()
    seconds = stopwatch(scan.run)
    found = facts(scan.manifest)
    return Undisturbed(found["fingerprint"], seconds, known(scan.manifest, "proved").size_bytes)


def _story(scan: ScanCommand, plain: Undisturbed, rng: random.Random) -> Story:
    scan.clear()
    kills: list[Killed] = []
    wanted = 2 if rng.random() < TWICE else 1
    until = plain.seconds
    ended = False
    while len(kills) < wanted and not ended:
        killed = _kill(scan, rng.uniform(EARLIEST_S, max(until, 2 * EARLIEST_S)))
        if killed is not None:
            kills.append(killed)
            ended = killed.complete
        elif kills:
            ended = True
        else:  # it was at its end before that: there was nobody to kill
            until *= 0.9
            scan.clear()
    if not ended:
        scan.run()
    found = facts(scan.manifest)
    beside = tuple(path.name for path in scan.manifest.parent.glob(f"{scan.manifest.name}?*"))
    return Story(tuple(kills), found["fingerprint"], int(found["bytes_read"]), beside)


def _kill(scan: ScanCommand, after_s: float) -> Killed | None:
    """Start the scan, kill all its processes after a while, and say what was kept; None if it ended by itself.

    Raises:
        subprocess.CalledProcessError: If it ended with an error.
    """
    with Session(scan.command) as session:
        time.sleep(after_s)
        read = session.bytes_read()
        session.kill()
    if session.leader.returncode == -signal.SIGKILL:
        return Killed(after_s, read, *_kept(scan.manifest))
    if session.leader.returncode:
        raise subprocess.CalledProcessError(session.leader.returncode, scan.command)
    return None


def _kept(manifest: Path) -> tuple[int, bool]:
    """Count what a killed scan left, and tell whether it was complete.

    Looks at copies: whoever opens a database undoes what was half written, and that is for the next scan to do.
    """
    sizes: dict[str, int] = {}
    complete = False
    with tempfile.TemporaryDirectory(prefix="verifier-kept-") as place:
        for path in manifest.parent.glob(f"{manifest.name}*"):
            shutil.copy(path, place)
        for name in (manifest.name, f"{manifest.name}.before"):
            if (copy := Path(place) / name).exists():
                with closing(sqlite3.connect(copy)) as connection:
                    sizes |= _kept_sizes(connection)
                    complete |= name == manifest.name and _is_complete(connection)
    return sum(sizes.values()), complete


def _kept_sizes(connection: sqlite3.Connection) -> dict[str, int]:
    query = (
        "SELECT path, size FROM entries WHERE kind = 'file' AND digest IS NOT NULL AND state IN ('proved', 'carried')"
    )
    return dict(connection.execute(query)) if _has(connection, "entries") else {}


def _is_complete(connection: sqlite3.Connection) -> bool:
    query = "SELECT count(*) FROM facts WHERE key = 'complete' AND value = '1'"
    return _has(connection, "facts") and bool(connection.execute(query).fetchone()[0])


def _has(connection: sqlite3.Connection, table: str) -> bool:
    """Tell whether the killed scan had come so far as to make a table."""
    found = connection.execute("SELECT count(*) FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
    return bool(found[0])


def _lines(plain: Undisturbed, stories: list[Story], same: int) -> list[str]:
    size = plain.size_bytes
    kills = sum(len(story.kills) for story in stories)
    again = [story.read_bytes / size for story in stories]
    firsts = [story.kills[0] for story in stories]
    lost = [(kill.read_bytes - kill.kept_bytes) / MB for kill in firsts]
    # What was kept need not be read again, and everything else must be.
    off = [abs(story.read_bytes - (size - story.kills[-1].kept_bytes)) for story in stories]
    return [
        f"killed and started again: the undisturbed fingerprint {same} of {len(stories)}",
        f"{kills} kills of a scan of {plain.seconds:.2f} s and {size / MB:,.0f} MB, "
        f"from {min(kill.after_s for kill in firsts):.2f} to {max(kill.after_s for kill in firsts):.2f} s; "
        f"{sum(story.kills[-1].kept_bytes > 0 for story in stories)} of {len(stories)} had something to go on from",
        f"the last attempt read {statistics.median(again):.0%} of everything "
        f"(from {min(again):.0%} to {max(again):.0%}), at most {max(off) / MB:,.1f} MB beside what was not kept",
        f"read and lost at the first kill: {statistics.median(lost):,.0f} MB, at most {max(lost):,.0f} MB; "
        f"an average second reads {size / MB / plain.seconds:,.0f} MB",
        f"files left beside the manifest: {sum(len(story.left) for story in stories)}",
    ]
