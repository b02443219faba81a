"""Pairs of files to look at a second time, and what a scan would have recorded of them."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

from verifier.classes import Side
from verifier.scan.second import LookOptions, Recorded, Request, SecondLook, Sight
from verifier.tree.digests import Algorithm, new_hash

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

LONG_AGO_NS: Final = 10**18
CONTENT: Final = b"content" * 1000


class Trees:
    """Two trees, and what a scan of them would have recorded."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self.roots = {side.value: base / side.value for side in Side}
        for root in self.roots.values():
            root.mkdir()

    def put(self, path: str, old: bytes, new: bytes, misread: Mapping[str, bytes] | None = None) -> Request:
        """Write a file on both sides, and return the request for a look at them.

        Args:
            path: Where.
            old: The old side's content.
            new: The new side's.
            misread: Under a side's name what a scan had read there, where that was something else.
        """
        sides = []
        for side, content in ((Side.OLD, old), (Side.NEW, new)):
            place = self.roots[side] / path
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
            os.utime(place, ns=(LONG_AGO_NS - 1, LONG_AGO_NS))
            digest = new_hash(Algorithm.BLAKE3, (misread or {}).get(side, content)).digest()
            sides.append(Recorded(side, path, len(content), LONG_AGO_NS, digest))
        return Request(sides[0], sides[1])

    def look(self, *requests: Request, options: LookOptions | None = None) -> list[Sight]:
        """Look at pairs."""
        with SecondLook(self.roots, options) as looking:
            return looking.look(requests)
