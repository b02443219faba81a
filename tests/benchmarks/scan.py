"""How fast a scan is, against floors measured in the same run, turn by turn.

Run by hand::

    python3 .ci/environment.py dev python -m tests.benchmarks.scan [--runs 5] [--folder DIR]

* small: 200,000 files of 5 KB on average, warm cache, full scan into a manifest, against
  ``find -type f -print0 | xargs -0 -P2 -n500 sha256sum``. Reach for: at least 0.40 of its rate.
* large: 8 files of 512 MiB, warm cache, against two threads that only read and hash with BLAKE3. At least 0.80.

Both time the whole process, its start included. Machines are noisy: only the medians of the ratios mean anything.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

SMALL_FILES = 200_000
LARGE_FILES = 8
LARGE_BYTES = 512 * 1024 * 1024
_HASH_LOOP = """
import sys, threading
from blake3 import blake3
def work(paths):
    block = memoryview(bytearray(1024 * 1024))
    for path in paths:
        digest = blake3()
        with open(path, "rb", buffering=0) as file:
            while got := file.readinto(block):
                digest.update(block[:got])
        digest.digest()
threads = [threading.Thread(target=work, args=(sys.argv[1 + n :: 2],)) for n in range(2)]
for thread in threads: thread.start()
for thread in threads: thread.join()
"""


def make_small(root: Path) -> None:
    """Write many small files with sizes that fall off exponentially."""
    rng = random.Random(5)
    data = rng.randbytes(1 << 20)
    for number in range(SMALL_FILES):
        folder = root / f"d{number // 20_000}" / f"e{number // 1000}"
        if number % 1000 == 0:
            folder.mkdir(parents=True, exist_ok=True)
        start = rng.randrange(1 << 19)
        (folder / f"f{number % 1000:03}").write_bytes(data[start : start + int(rng.expovariate(1 / 5000))])


def make_large(root: Path) -> None:
    """Write a few large files of random bytes."""
    root.mkdir()
    for number in range(LARGE_FILES):
        with (root / f"large-{number}").open("wb") as file:
            for _ in range(LARGE_BYTES // (1 << 20)):
                file.write(os.urandom(1 << 20))


def timed(command: list[str] | str) -> float:
    """Return the wall seconds that a command takes."""
    started = time.perf_counter()
    subprocess.run(command, check=True, shell=isinstance(command, str), stdout=subprocess.DEVNULL)
    return time.perf_counter() - started


def scan_command(root: Path, manifest: Path) -> list[str]:
    """Return a scan's command, with its manifest's place made free."""
    manifest.unlink(missing_ok=True)
    return [sys.executable, "-m", "verifier", "scan", str(root), "--manifest", str(manifest), "--quiet"]


def compare(name: str, runs: int, scan: Callable[[], float], floor: Callable[[], float]) -> None:
    """Time both in turn and print the ratio of the rates."""
    scan(), floor()
    pairs = [(scan(), floor()) for _ in range(runs)]
    ratios = [against / ours for ours, against in pairs]
    print(
        f"{name}: {statistics.median(ratios):.2f} of the floor's rate "
        f"(from {min(ratios):.2f} to {max(ratios):.2f}; medians {statistics.median(p[0] for p in pairs):.2f} s "
        f"against {statistics.median(p[1] for p in pairs):.2f} s, {runs} runs)"
    )


def main() -> None:
    """Make the trees, run the comparisons, print them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--folder", type=Path, help="where the trees are made, or lie from an earlier run")
    given = parser.parse_args()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="verifier-benchmark-"))
    small, large, manifest = folder / "small", folder / "large", folder / "bench.manifest.sqlite"
    if not small.exists():
        make_small(small)
    if not large.exists():
        make_large(large)
    pipeline = f"cd '{small}' && find -type f -print0 | xargs -0 -P2 -n500 sha256sum"
    hash_loop = [sys.executable, "-c", _HASH_LOOP, *map(str, sorted(large.iterdir()))]
    compare(
        "200,000 small files",
        given.runs,
        lambda: timed(scan_command(small, manifest)),
        lambda: timed(pipeline),
    )
    compare(
        "8 files of 512 MiB",
        given.runs,
        lambda: timed(scan_command(large, manifest)),
        lambda: timed(hash_loop),
    )
    print(f"largest single process: {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MiB resident")
    manifest.unlink()


if __name__ == "__main__":
    main()
