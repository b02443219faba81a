"""What a second look costs, each row against a floor measured in the same run, turn by turn.

Run by hand, on a machine that does nothing else; Linux only::

    python -m tests.benchmarks.second [ROW ...] [--runs 5] [--folder DIR] [--scale 1.0]

* large: two files of 1 GiB that differ in one bit, warm, against two threads that hash one of them each.
* small: 10,000 pairs of 4 KiB files that differ, cold, against a thread for each side that opens, drops and reads.
* far: 1,000 such pairs on a mount where every call takes 2 ms, against one pair at a time. Needs root, FUSE and
  mfusepy.

Without rows all are run. Exit code 1 where something does not hold.
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.benchmarks.floors import two_threads
from tests.benchmarks.pairs import Result, Target, rate_result, stopwatch, take_turns, time_result
from tests.benchmarks.program import run_rows
from tests.benchmarks.trees import MIB
from tests.faulty.mount import EVERYWHERE, Fault, faulty_mount
from verifier.scan.second import LookOptions, Recorded, Request, SecondLook, SightOutcome
from verifier.tree.cache import drop
from verifier.tree.comparison import How, OpenFile, compare
from verifier.tree.digests import Algorithm, new_hash

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.benchmarks.program import Row

LARGE: Final = Target(1.5, 1.1, at_most=True)
SMALL: Final = Target(3.5, 2.0, at_most=True)
FAR: Final = Target(4, 7)
LARGE_BYTES: Final = 1024 * MIB
SMALL_PAIRS: Final = 10_000
FAR_PAIRS: Final = 1000
IN_FOLDER: Final = 200


def large(folder: Path, scale: float, runs: int) -> Result:
    """Compare two large files that differ in one bit."""
    size = round(LARGE_BYTES * scale)
    paths = [folder / f"large-{side}" for side in ("old", "new")]
    if not paths[1].exists():
        with paths[0].open("wb") as old, paths[1].open("wb") as new:
            for written in range(0, size, MIB):
                block = os.urandom(min(MIB, size - written))
                old.write(block)
                new.write(block)
            new.seek(size - 1)
            new.write(bytes([block[-1] ^ 1]))
    names = [str(path) for path in paths]
    pairs = take_turns(runs, lambda: stopwatch(lambda: _compare(paths)), lambda: stopwatch(lambda: two_threads(names)))
    return time_result(f"a pair of {size // MIB} MiB", pairs, LARGE)


def _compare(paths: Sequence[Path]) -> None:
    with ExitStack() as stack:
        files = []
        for path in paths:
            file = stack.enter_context(path.open("rb"))
            files.append(OpenFile(file.fileno(), path.stat().st_size))
        found = compare(files[0], files[1], How(Algorithm.BLAKE3))
    if found.damage is None or found.old_digest is None or found.damage.differing_bytes != 1:
        raise RuntimeError(f"not what differs: {found}")


def small(folder: Path, scale: float, runs: int) -> Result:
    """Look at many small pairs on a local disk."""
    roots = _small_pairs(folder, round(SMALL_PAIRS * scale))
    requests = _requests(roots)
    pairs = take_turns(
        runs,
        lambda: stopwatch(lambda: _look(roots, requests, LookOptions())),
        lambda: stopwatch(lambda: _read_cold(roots, requests)),
    )
    return time_result(f"{len(requests):,} pairs of 4 KiB", pairs, SMALL)


def far(folder: Path, scale: float, runs: int) -> Result:
    """Look at small pairs of which one side is far away."""
    roots = _small_pairs(folder, round(SMALL_PAIRS * scale))
    requests = _requests(roots)[: round(FAR_PAIRS * scale)]
    place = Path(tempfile.mkdtemp(dir=folder))
    with faulty_mount(roots["new"], place, {EVERYWHERE: Fault(delay_ms=2)}, remember_s=60) as mount:
        far_roots = roots | {"new": mount.point}
        pairs = take_turns(
            runs,
            lambda: stopwatch(lambda: _look(far_roots, requests, LookOptions())),
            lambda: stopwatch(lambda: _look(far_roots, requests, LookOptions(threads=1))),
        )
    return rate_result(f"{len(requests):,} pairs at 2 ms a call", pairs, (len(requests), "pairs"), FAR)


def _small_pairs(folder: Path, number: int) -> dict[str, Path]:
    roots = {side: folder / f"small-{number}-{side}" for side in ("old", "new")}
    if roots["new"].exists():
        return roots
    for count in range(number):
        data = bytearray(os.urandom(4096))
        for root in roots.values():
            place = root / f"{count // IN_FOLDER}" / f"{count}"
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
            data[count % 4096] ^= 1
    os.sync()
    return roots


def _requests(roots: dict[str, Path]) -> list[Request]:
    def recorded(side: str, path: str) -> Recorded:
        place = roots[side] / path
        facts = place.stat()
        digest = new_hash(Algorithm.BLAKE3, place.read_bytes()).digest()
        return Recorded(side, path, facts.st_size, facts.st_mtime_ns, digest)

    files = sorted(file.relative_to(roots["old"]).as_posix() for file in roots["old"].glob("*/*"))
    return [Request(recorded("old", path), recorded("new", path)) for path in files]


def _look(roots: dict[str, Path], requests: list[Request], options: LookOptions) -> None:
    with SecondLook(roots, options) as looking:
        seen = looking.look(requests)
    if {one.outcome for one in seen} != {SightOutcome.CONFIRMED} or any(one.unsteady for one in seen):
        raise RuntimeError("not all were confirmed")


def _read_cold(roots: dict[str, Path], requests: list[Request]) -> None:
    def read(root: Path) -> None:
        for request in requests:
            descriptor = os.open(root / request.old.path, os.O_RDONLY)
            drop(descriptor, 0, 0)
            new_hash(Algorithm.BLAKE3, os.read(descriptor, 8192)).digest()
            os.close(descriptor)

    threads = [threading.Thread(target=read, args=(root,)) for root in roots.values()]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


ROWS: Final[dict[str, Row]] = {"large": large, "small": small, "far": far}


def main(arguments: Sequence[str] | None = None) -> int:
    """Make what is wanted, run the rows, print them; return 1 where something does not hold."""
    return run_rows(__doc__, ROWS, arguments)


if __name__ == "__main__":
    sys.exit(main())
