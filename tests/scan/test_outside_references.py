"""Our digests held against what others published about, or compute from, the same bytes."""

from __future__ import annotations

import base64
import csv
import hashlib
import os
import random
import subprocess
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.scan.scans import entries_of, scan_tree
from tests.strategies import HOSTILE_NAMES, Folder, lay_out
from verifier.scan.scanner import ScanOptions
from verifier.tree.digests import Algorithm
from verifier.tree.names import to_text

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.mark.parametrize("name", ["pydantic", "jinja2", "typer", "rich", "psutil"])
def test_installed_wheels_are_what_their_record_says(tmp_path: Path, name: str) -> None:
    """Every file of a wheel has the SHA-256 and the size in its RECORD.

    Source: packaging.python.org, Recording installed projects: path, ``sha256=`` and the digest in URL-safe base64
    without padding, size in bytes.
    """
    wheel = metadata.distribution(name)
    record = wheel.read_text("RECORD")
    assert record is not None
    folder = Path(str(wheel.locate_file(name)))
    scan_tree(folder, tmp_path / "m", ScanOptions(Algorithm.SHA256))
    found = entries_of(tmp_path / "m")
    held = 0
    for path, digest, size in csv.reader(record.splitlines()):
        if path.startswith(f"{name}/") and digest:
            entry = found[to_text(path.removeprefix(f"{name}/").encode())]
            assert entry.digest is not None
            assert "sha256=" + base64.urlsafe_b64encode(entry.digest).decode().rstrip("=") == digest, path
            assert entry.size == int(size), path
            held += 1
    assert held > 5


def vouched_for(folder: str) -> Iterator[tuple[Path, str]]:
    """Yield each file below a folder that dpkg has an MD5 digest of.

    Source: deb-md5sums(5): 32 hex digits, two spaces, the path without its leading slash. What dpkg-divert(1) moved
    away is left out.
    """
    diverted = set(Path("/var/lib/dpkg/diversions").read_text().splitlines()[::3])
    for sums in sorted(Path("/var/lib/dpkg/info").glob("*.md5sums")):
        for line in sums.read_text().splitlines():
            digest, path = line[:32], f"/{line[34:]}"
            # Slim images are installed without some of the files (dpkg.cfg, path-exclude).
            if path.startswith(f"{folder}/") and path not in diverted and Path(path).is_file():
                yield Path(path), digest


@pytest.mark.real(paths=("/var/lib/dpkg/diversions", "/usr/share/perl5", "/usr/share/bash-completion"))
@pytest.mark.parametrize("folder", ["/usr/share/perl5", "/usr/share/bash-completion"])
def test_packaged_files_are_what_dpkg_says(tmp_path: Path, folder: str) -> None:
    """The bytes that dpkg vouches for are the bytes of our digest: MD5 matches dpkg's, BLAKE3 the manifest's."""
    scan_tree(Path(folder), tmp_path / "m")
    found = entries_of(tmp_path / "m")
    held = 0
    for file, md5 in vouched_for(folder):
        data = file.read_bytes()
        assert hashlib.md5(data, usedforsecurity=False).hexdigest() == md5, file
        assert found[to_text(os.fsencode(file.relative_to(folder)))].digest == blake3(data).digest(), file
        held += 1
    assert held > 50


@pytest.mark.real(programs=("sha256sum",))
def test_digests_are_those_of_coreutils(tmp_path: Path) -> None:
    """The same files through sha256sum have the same digests, whatever their names are.

    Source: GNU coreutils manual, digest utilities: where a name holds a backslash, a line feed or a carriage return,
    the line begins with a backslash and those are written as two characters.
    """
    chooser = random.Random(20261121)
    tree: Folder = {name: chooser.randbytes(n * n * 7) for n, name in enumerate(HOSTILE_NAMES)}
    tree[b"folder"] = {b"in\\side": b"", b"large": chooser.randbytes(3_000_001)}
    root = lay_out(tmp_path / "root", tree)
    names = [*HOSTILE_NAMES, b"folder/in\\side", b"folder/large"]
    done = subprocess.run([b"sha256sum", b"--binary", b"--", *names], cwd=root, capture_output=True, check=True)
    theirs = dict(parsed(line) for line in done.stdout.removesuffix(b"\n").split(b"\n"))
    assert set(theirs) == set(names)
    scan_tree(root, tmp_path / "m", ScanOptions(Algorithm.SHA256))
    ours = {path: entry.digest for path, entry in entries_of(tmp_path / "m").items() if entry.digest is not None}
    assert {path: digest.hex() for path, digest in ours.items()} == {
        to_text(name): digest for name, digest in theirs.items()
    }


def parsed(line: bytes) -> tuple[bytes, str]:
    """Return name and digest of a line of sha256sum: digest, blank, asterisk, name."""
    escaped = line.startswith(b"\\")
    digest, name = line.removeprefix(b"\\").split(b" *", 1)
    if escaped:
        for mark, byte in ((b"\\\\", b"\0"), (b"\\n", b"\n"), (b"\\r", b"\r"), (b"\0", b"\\")):
            name = name.replace(mark, byte)
    return name, digest.decode()
