"""Digests: what we compute is what the algorithms' authors published."""

from __future__ import annotations

from typing import Final

import pytest

from verifier.tree.digests import Algorithm, digester, new_hash

# Source: github.com/BLAKE3-team/BLAKE3, test_vectors/test_vectors.json, "hash", first 32 bytes of each.
BLAKE3: Final = {
    0: "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262",
    1: "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213",
    1023: "10108970eeda3eb932baac1428c7a2163b0e924c9a9e25b35bba72b28f70bd11",
    1024: "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7",
    1025: "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444",
    31744: "62b6960e1a44bcc1eb1a611a8d6235b6b4b78f32e7abc4fb4c6cdcce94895c47",
    102400: "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085",
}
# Source: github.com/Cyan4973/xxHash, cli/xsum_sanity_check.c, XXH3 128 bits with seed 0; high half first.
XXH3_128: Final = {
    0: "99aa06d3014798d86001c324468d497f",
    1: "a6cd5e9392000f6ac44bdff4074eecdb",
    12: "6e3efd8fc7802b18061a192713f69ad9",
    48: "a002ac4e5478227ef942219aed80f67b",
    222: "337e09641b948717f1aebd597cec6b3a",
    403: "1b6de21e332dd73dcdeb804d65c6dea4",
    2367: "e89c0f6ff369b427cb37aeb9e5d361ed",
}
# Source: FIPS 180-4, examples published with it (values from memory), and the digest of nothing, which is the
# "sha256=47DEQpj8HBSa-_TImW-5JCeuQeRkm5NMpJWZG3hSuFU" of empty files in wheels' RECORD (packaging.python.org).
SHA256: Final = {
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}


def blake3_input(size: int) -> bytes:
    """Return the published input: byte i is i modulo 251, so that swapped blocks show."""
    return bytes(i % 251 for i in range(size))


def xxhash_input(size: int) -> bytes:
    """Return the published input: the high byte of a 64-bit product that starts at a 32-bit prime."""
    made, state = bytearray(), 2654435761
    for _ in range(size):
        made.append(state >> 56)
        state = state * 11400714785074694797 % 2**64
    return bytes(made)


VECTORS: Final = [
    *((Algorithm.BLAKE3, blake3_input(size), hex_digest) for size, hex_digest in BLAKE3.items()),
    *((Algorithm.XXH3_128, xxhash_input(size), hex_digest) for size, hex_digest in XXH3_128.items()),
    *((Algorithm.SHA256, data, hex_digest) for data, hex_digest in SHA256.items()),
]
IDS: Final = [f"{algorithm} of {len(data)} bytes" for algorithm, data, _ in VECTORS]


@pytest.mark.parametrize(("algorithm", "data", "hex_digest"), VECTORS, ids=IDS)
def test_published_vectors_hold(algorithm: Algorithm, data: bytes, hex_digest: str) -> None:
    """Each algorithm gives the digests that its authors published."""
    assert new_hash(algorithm, data).digest().hex() == hex_digest


@pytest.mark.parametrize("step", [1, 63, 64, 65, 1024, 4096], ids=lambda step: f"in steps of {step}")
@pytest.mark.parametrize(("algorithm", "data", "hex_digest"), VECTORS[:-1], ids=IDS[:-1])
def test_pieces_give_the_digest_of_the_whole(algorithm: Algorithm, data: bytes, hex_digest: str, step: int) -> None:
    """However the bytes come in, the digest is that of all of them."""
    whole = new_hash(algorithm)
    view = memoryview(data)
    for start in range(0, len(data), step):
        whole.update(view[start : start + step])
    assert whole.digest().hex() == hex_digest


@pytest.mark.parametrize("algorithm", Algorithm)
def test_one_content_after_the_other_has_its_own_digest(algorithm: Algorithm) -> None:
    """Nothing of a content is left in what digests the next one."""
    digest_of = digester(algorithm)
    for one, data, hex_digest in VECTORS + VECTORS[::-1]:
        if one is algorithm:
            assert digest_of(memoryview(data)).hex() == hex_digest


def test_only_the_cryptographic_ones_resist_forgery() -> None:
    """XXH3-128 finds faults, not forgeries: a report has to say so."""
    assert {algorithm for algorithm in Algorithm if algorithm.resists_forgery} == {Algorithm.BLAKE3, Algorithm.SHA256}


def test_names_are_those_of_the_contract() -> None:
    """The names that users write after --algorithm, and that manifests hold."""
    assert [algorithm.value for algorithm in Algorithm] == ["blake3", "sha256", "xxh3-128"]
