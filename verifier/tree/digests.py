"""Digest algorithms, behind one small interface.

* BLAKE3, 32 bytes: the default. Specification and test vectors: github.com/BLAKE3-team/BLAKE3.
* SHA-256, 32 bytes: FIPS 180-4, for a site that must use an approved hash.
* XXH3-128, 16 bytes: github.com/Cyan4973/xxHash. Finds faults, not forgeries: anyone can make two files of one digest.
"""

from __future__ import annotations

import hashlib
from enum import StrEnum
from typing import TYPE_CHECKING, Final, Protocol

import xxhash
from blake3 import blake3

if TYPE_CHECKING:
    from collections.abc import Callable


class Hash(Protocol):
    """What every algorithm offers: bytes in, one digest out. Both calls release the interpreter lock."""

    def update(self, data: memoryview | bytes, /) -> object:
        """Take more bytes."""

    def digest(self) -> bytes:
        """Return the digest of everything taken so far."""


class Algorithm(StrEnum):
    """The algorithms a manifest can be made with."""

    BLAKE3 = "blake3"
    SHA256 = "sha256"
    XXH3_128 = "xxh3-128"

    @property
    def resists_forgery(self) -> bool:
        """Whether equal digests mean equal content even where somebody wants to deceive."""
        return self is not Algorithm.XXH3_128


_HASHES: Final[dict[Algorithm, Callable[[bytes | memoryview], Hash]]] = {
    Algorithm.BLAKE3: blake3,
    Algorithm.SHA256: lambda data: hashlib.sha256(data, usedforsecurity=False),
    Algorithm.XXH3_128: xxhash.xxh3_128,
}


def digester(algorithm: Algorithm) -> Callable[[bytes | memoryview], bytes]:
    """Return what digests one small content after the other: for one thread that has many."""
    if algorithm is Algorithm.BLAKE3:
        # The same hash again and again: an eighth less time for 5 KB than a new one each time.
        one = blake3()

        def digest(data: bytes | memoryview) -> bytes:
            one.reset()
            return one.update(data).digest()

        return digest
    new = _HASHES[algorithm]
    return lambda data: new(data).digest()


def new_hash(algorithm: Algorithm, data: bytes | memoryview = b"") -> Hash:
    """Return a hash that has taken the data."""
    return _HASHES[algorithm](data)
