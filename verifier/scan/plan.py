"""Which files are read in which batch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verifier.manifest.store import Manifest, ToRead

BATCH_FILES: Final = 512
BATCH_BYTES: Final = 8 * 1024 * 1024
"""A batch ends when it has this many files or bytes; a larger file is a batch of its own."""
PAGE_FILES: Final = 4096


def batches(manifest: Manifest, *, links_once: bool) -> Iterator[tuple[ToRead, ...]]:
    """Cut the files that are still to be read into batches, in path order.

    Rows may be written between two batches; what was given out once is not given out again.
    """
    after = ""
    while page := manifest.to_read(after, PAGE_FILES, links_once=links_once):
        after = page[-1][0]
        yield from cut(page)


def cut(files: Iterable[ToRead]) -> Iterator[tuple[ToRead, ...]]:
    """Cut files into batches, keeping their order."""
    batch: list[ToRead] = []
    size = 0
    for file in files:
        file_bytes = file[1]
        if batch and (len(batch) >= BATCH_FILES or size + file_bytes > BATCH_BYTES):
            yield tuple(batch)
            batch, size = [], 0
        batch.append(file)
        size += file_bytes
    if batch:
        yield tuple(batch)
