"""What the least work takes, as programs of their own: whole processes are compared with whole processes.

Run as a script, so that nothing but what a floor needs is imported::

    python tests/benchmarks/floors.py listing ROOT
    python tests/benchmarks/floors.py two-threads FILE...
    python tests/benchmarks/floors.py split-read FILE
    python tests/benchmarks/floors.py split-map FILE
"""

from __future__ import annotations

import mmap
import os
import sys

TWO_THREADS_BLOCK = 1024 * 1024
SPLIT_BLOCK = 16 * 1024 * 1024


def room(size: int) -> memoryview:
    """Return room to read into that begins at a page: copying to any other place is slower."""
    return memoryview(mmap.mmap(-1, size))


def hash_files(paths: list[str]) -> None:
    """Read and hash files one after the other."""
    from blake3 import blake3  # noqa: PLC0415  the listing must not pay for it

    block = room(TWO_THREADS_BLOCK)
    for path in paths:
        digest = blake3()
        descriptor = os.open(path, os.O_RDONLY)
        while got := os.readv(descriptor, [block]):
            digest.update(block[:got])
        os.close(descriptor)
        digest.digest()


def two_threads(paths: list[str]) -> None:
    """Read and hash files with two threads, every other file each."""
    import threading  # noqa: PLC0415  the listing must not pay for it

    threads = [threading.Thread(target=hash_files, args=(paths[number::2],)) for number in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def split_read(path: str) -> None:
    """Read one file in large blocks, each hashed by as many threads as BLAKE3 likes."""
    from blake3 import blake3  # noqa: PLC0415  the listing must not pay for it

    block = room(SPLIT_BLOCK)
    digest = blake3(max_threads=blake3.AUTO)
    descriptor = os.open(path, os.O_RDONLY)
    while got := os.readv(descriptor, [block]):
        digest.update(block[:got])
    os.close(descriptor)
    digest.digest()


def split_map(path: str) -> None:
    """Hash one mapped file with as many threads as BLAKE3 likes."""
    from blake3 import blake3  # noqa: PLC0415  the listing must not pay for it

    blake3(max_threads=blake3.AUTO).update_mmap(path).digest()


def listing(root: str) -> int:
    """Take the facts of every entry below a folder, and return how many there are."""
    found, waiting = 0, [root]
    while waiting:
        with os.scandir(waiting.pop()) as entries:
            for entry in entries:
                os.lstat(entry.path)
                found += 1
                if entry.is_dir(follow_symlinks=False):
                    waiting.append(entry.path)
    return found


def main(which: str, *paths: str) -> None:
    """Run one floor."""
    if which == "two-threads":
        two_threads(list(paths))
    elif which == "split-read":
        split_read(*paths)
    elif which == "split-map":
        split_map(*paths)
    elif which == "listing":
        print(listing(*paths))
    else:
        raise SystemExit(__doc__)


if __name__ == "__main__":
    main(*sys.argv[1:])
