"""Scans of real file systems of several types: what is in the manifest is what was written, on each of them."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3

from tests.scan.command import run_verifier
from tests.scan.scans import entries_of, facts_of, problems_of
from verifier.tree.entry import Kind, State

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.conftest import Mount

MIB: Final = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Type:
    """A type of file system, and how to make one."""

    make: tuple[str, ...]
    """The program that makes one on an image file, with its options."""
    shown_as: str
    """How the mount table names its type."""
    algorithm: str
    """What its files are scanned with: each algorithm on two types."""
    image_bytes: int = 384 * MIB
    """The smallest that all of them accept, with room: XFS wants 300 MiB (from memory). Sparse."""


TYPES: Final = {
    "ext4": Type(("mkfs.ext4", "-q", "-F"), "ext4", "blake3"),
    "xfs": Type(("mkfs.xfs", "-q"), "xfs", "sha256"),
    "btrfs": Type(("mkfs.btrfs", "-q"), "btrfs", "blake3"),
    "ntfs": Type(("mkfs.ntfs", "-F", "-Q", "-q"), "fuseblk", "sha256"),
}

DIGESTS: Final[dict[str, Callable[[bytes], bytes]]] = {
    "blake3": lambda data: blake3(data).digest(),
    "sha256": lambda data: hashlib.sha256(data).digest(),
}
LARGE: Final = bytes(n * 7 % 251 for n in range(3 * MIB))
SPARSE_BYTES: Final = 5 * MIB
FILES: Final[dict[str, bytes]] = {
    **{f"ledger/{n // 40}/page {n:03}.txt": f"page {n}\n".encode() * (n % 97) for n in range(284)},
    "empty": b"",
    "large.bin": LARGE,
    "one byte": b"1",
    "first name": b"two names",
    "names/Grüße.txt": b"composed",
    "names/Gru\u0308ße.txt": b"decomposed: another name, not the same one twice",
    "names/日本語": b"three characters",
    "names/\U0001f33f": b"outside the basic plane",
    "names/ leading space": b"leading",
    "names/two  spaces": b"inner",
    "names/percent%20and+plus": b"percent",
    "names/-rf": b"looks like an option",
    "names/'quoted'": b"quotes",
    "names/#hash;semicolon,comma": b"punctuation",
}
HARD_LINKS: Final = {"first name": "second name", "ledger/0/page 007.txt": "ledger/1/also page 007"}
LINKS: Final = {"link": "large.bin", "names/dangling": "../nowhere", "link to folder": "ledger"}


def fill(root: Path) -> dict[str, bytes]:
    """Write the tree and return every file's content by its path."""
    files = dict(FILES)
    for path, content in files.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(content)
    with (root / "sparse").open("wb") as sparse:
        sparse.seek(SPARSE_BYTES // 2)
        sparse.write(b"island")
        sparse.truncate(SPARSE_BYTES)
    files["sparse"] = bytes(SPARSE_BYTES // 2) + b"island" + bytes(SPARSE_BYTES // 2 - len(b"island"))
    for path, other in HARD_LINKS.items():
        os.link(root / path, root / other)
        files[other] = files[path]
    for path, target in LINKS.items():
        (root / path).symlink_to(target)
    return files


@pytest.fixture(params=TYPES)
def root(request: pytest.FixtureRequest, mount: Mount, tmp_path: Path) -> tuple[Type, Path]:
    """Return a fresh file system of a type, and where it is mounted."""
    kind = TYPES[request.param]
    program, *options = kind.make
    if shutil.which(program) is None:
        lacking = f"needs the program {program}"
        if request.config.getoption("--real-must-run"):
            pytest.fail(lacking)
        pytest.skip(lacking)
    image, point = tmp_path / "image", tmp_path / "mounted"
    point.mkdir()
    with image.open("wb") as sparse:
        sparse.truncate(kind.image_bytes)
    subprocess.run([program, *options, image], check=True, capture_output=True)
    mount("-o", "loop", image, point)
    return kind, point


@pytest.mark.real(root=True, mounts=True, paths=("/dev/loop-control",))
def test_what_was_written_is_what_the_manifest_says(root: tuple[Type, Path], tmp_path: Path) -> None:
    """On every type each name is there, each digest is that of the bytes that were written, and it stays so.

    The digests are computed here, from the bytes in memory and not from what the file system gives back.
    """
    kind, point = root
    files = fill(point)
    assert len(files) + len(LINKS) >= 300
    manifests = [tmp_path / f"{which}.manifest.sqlite" for which in ("first", "second")]
    for manifest in manifests:
        scanned = run_verifier("scan", point, "--manifest", manifest, "--algorithm", kind.algorithm, "--quiet")
        assert scanned.returncode == 0, scanned.stderr
    entries = entries_of(manifests[0])
    found = {path: entry.digest for path, entry in entries.items() if entry.kind == Kind.FILE}
    assert found == {path: DIGESTS[kind.algorithm](content) for path, content in files.items()}
    assert {entries[path].state for path in files} == {State.PROVED}
    assert {path: entries[path].size for path in files} == {path: len(content) for path, content in files.items()}
    assert {path: entry.target for path, entry in entries.items() if entry.kind == Kind.LINK} == LINKS
    folders = {path for path, entry in entries.items() if entry.kind == Kind.DIRECTORY}
    assert folders - {"lost+found"} == {"ledger", "names", *(f"ledger/{n}" for n in range(8))}
    assert problems_of(manifests[0]) == []
    first, second = (facts_of(manifest) for manifest in manifests)
    assert first["file_system"] == kind.shown_as
    assert first["complete"] == second["complete"] == "1"
    assert first["fingerprint"] == second["fingerprint"] != ""


@pytest.mark.real(root=True, mounts=True, paths=("/dev/loop-control",))
def test_one_changed_byte_changes_the_fingerprint(root: tuple[Type, Path], tmp_path: Path) -> None:
    """On every type one byte changed behind unchanged size and mtime gives another digest, and so a fingerprint."""
    _, point = root
    fill(point)
    victim = point / "ledger" / "2" / "page 090.txt"
    before = victim.stat()
    manifests = [tmp_path / f"{which}.manifest.sqlite" for which in ("first", "second")]
    assert run_verifier("scan", point, "--manifest", manifests[0], "--quiet").returncode == 0
    with victim.open("r+b") as file:
        file.write(b"P")
    os.utime(victim, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert victim.stat().st_mtime_ns == before.st_mtime_ns
    assert run_verifier("scan", point, "--manifest", manifests[1], "--quiet").returncode == 0
    was, now = (entries_of(manifest) for manifest in manifests)
    assert [path for path in was if was[path].digest != now[path].digest] == ["ledger/2/page 090.txt"]
    assert facts_of(manifests[0])["fingerprint"] != facts_of(manifests[1])["fingerprint"]
