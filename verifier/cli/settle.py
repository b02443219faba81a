"""Before the long work begins: what was imported stays, so the garbage collector need not look through it again."""

from __future__ import annotations

import gc


def settle() -> None:
    """Take everything that exists now out of the collector's sight (Python documentation, gc.freeze)."""
    gc.freeze()
