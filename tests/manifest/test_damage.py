"""A manifest that is not what was written is noticed: never a traceback, never silently taken."""

from __future__ import annotations

import os
import random
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Final

import pytest

from tests.scan.scans import entries_of, scan_tree
from tests.strategies import Folder, Link, lay_out
from verifier.errors import EvidenceUnwritable, ManifestDamaged, ManifestTooNew, NotAManifest
from verifier.manifest.store import Manifest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verifier.tree.entry import Entry

REFUSALS: Final = (ManifestDamaged, NotAManifest, ManifestTooNew, EvidenceUnwritable)
TREE: Final[Folder] = {
    b"file": b"content",
    b"folder": {f"file-{n}".encode(): str(n).encode() * n for n in range(60)},
    b"link": Link(b"file"),
}
SEALED: Final = ("path", "kind", "size", "mtime_ns", "mode", "uid", "gid", "target", "xattrs", "digest")
"""What the fingerprint covers, besides whether the content is known."""


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Return the bytes of a sound manifest."""
    place = tmp_path_factory.mktemp("sound")
    scan_tree(lay_out(place / "root", TREE), place / "m")
    return (place / "m").read_bytes()


@pytest.fixture
def manifest(tmp_path: Path, sound: bytes) -> Path:
    """Return a sound manifest of its own."""
    place = tmp_path / "m"
    place.write_bytes(sound)
    return place


def judged(manifest: Path) -> list[tuple[object, ...]]:
    """Check a manifest and return the part of its rows that is sealed.

    Raises:
        VerifierError: If the manifest is refused.
    """
    with Manifest.open(manifest) as opened:
        opened.check()
        return [
            (*(getattr(entry, name) for name in SEALED), entry.content_known, entry.raw and True)
            for entry in opened.entries()
        ]


def test_a_sound_manifest_is_taken(manifest: Path) -> None:
    """The check says nothing about a manifest that is what was written."""
    assert len(judged(manifest)) == 63


def test_a_flipped_byte_is_noticed_or_changes_nothing_that_is_sealed(manifest: Path, sound: bytes) -> None:
    """At hundreds of places, spread over the whole file, a damaged byte never changes what a sign-off names."""
    before = judged(manifest)
    chooser = random.Random(20261121)
    # The headers of the file and of its first pages, and places anywhere.
    places = {*range(120), *chooser.sample(range(len(sound)), 500)}
    refused = 0
    for place in sorted(places):
        damaged = bytearray(sound)
        damaged[place] ^= chooser.choice((0x01, 0x20, 0x80, 0xFF))
        manifest.write_bytes(damaged)
        try:
            after = judged(manifest)
        except REFUSALS as error:
            refused += 1
            assert str(error).isprintable()
        else:
            assert after == before, f"byte {place}"
    assert refused > 50


@pytest.mark.parametrize("share", [0.0, 0.001, 0.01, 0.1, 0.5, 0.9, 0.999])
def test_a_truncated_manifest_is_refused(manifest: Path, sound: bytes, share: float) -> None:
    """A copy that broke off is not half a tree: it is refused, in one line."""
    os.truncate(manifest, int(len(sound) * share))
    with pytest.raises(REFUSALS) as caught:
        judged(manifest)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("page", range(1, 8))
def test_a_lost_page_is_refused(manifest: Path, sound: bytes, page: int) -> None:
    """A page of zeros in place of rows or tables, as a bad copy leaves it, is refused."""
    size = int.from_bytes(sound[16:18])  # SQLite file format, section 1.3.2
    assert len(sound) >= 8 * size
    manifest.write_bytes(sound[: page * size] + bytes(size) + sound[(page + 1) * size :])
    with pytest.raises(REFUSALS):
        judged(manifest)


def edited(manifest: Path, statement: str, *values: object) -> None:
    """Change a manifest by hand."""
    with closing(sqlite3.connect(manifest)) as plain:
        assert plain.execute(statement, values).rowcount > 0
        plain.commit()


EDITS: Final = {
    "digest": ("UPDATE entries SET digest = zeroblob(32) WHERE path = 'file'",),
    "one bit of a digest": (
        "UPDATE entries SET digest = CAST(x'00' || substr(digest, 2) AS BLOB) WHERE path = 'folder/file-7'",
    ),
    "size": ("UPDATE entries SET size = size + 1 WHERE path = 'file'",),
    "mtime": ("UPDATE entries SET mtime_ns = mtime_ns + 1 WHERE path = 'file'",),
    "mode": ("UPDATE entries SET mode = 4095 WHERE path = 'file'",),
    "owner": ("UPDATE entries SET uid = uid + 1 WHERE path = 'file'",),
    "group": ("UPDATE entries SET gid = gid + 1 WHERE path = 'file'",),
    "kind": ("UPDATE entries SET kind = 'fifo' WHERE path = 'file'",),
    "target": ("UPDATE entries SET target = 'other' WHERE path = 'link'",),
    "xattrs": ("UPDATE entries SET xattrs = '{\"user.a\": null}' WHERE path = 'file'",),
    "path": ("UPDATE entries SET path = 'file2' WHERE path = 'file'",),
    "state": ("UPDATE entries SET state = 'unreadable' WHERE path = 'file'",),
    "a row without a name more": (
        "INSERT INTO entries SELECT '', raw, kind, size, allocated, mtime_ns, ctime_ns, mode, uid, gid, nlink,"
        " device, inode, target, xattrs, head, digest, segments, state, error, read_at FROM entries WHERE path='file'",
    ),
    "a row less": ("DELETE FROM entries WHERE path = 'file'",),
    "a row more": (
        "INSERT INTO entries SELECT 'new', raw, kind, size, allocated, mtime_ns, ctime_ns, mode, uid, gid, nlink,"
        " device, inode, target, xattrs, head, digest, segments, state, error, read_at FROM entries WHERE path='file'",
    ),
    "algorithm": ("UPDATE facts SET value = 'sha256' WHERE key = 'algorithm'",),
    "fingerprint": ("UPDATE facts SET value = substr(value, 2) || substr(value, 1, 1) WHERE key = 'fingerprint'",),
}  # fmt: skip


@pytest.mark.parametrize("statements", EDITS.values(), ids=EDITS.keys())
def test_a_row_that_was_changed_after_the_scan_is_noticed(manifest: Path, statements: tuple[str, ...]) -> None:
    """SQLite finds nothing wrong with a changed value; the fingerprint does."""
    edited(manifest, statements[-1])
    with pytest.raises(ManifestDamaged, match="does not match its fingerprint") as caught:
        judged(manifest)
    assert caught.value.exit_code == 4


@pytest.mark.parametrize("column", ["head", "segments"])
def test_what_a_judgement_rests_on_cannot_change_unnoticed(manifest: Path, column: str) -> None:
    """Rules look at a file's first bytes, causes at its segments: a changed one could set a real file aside."""
    edited(manifest, f"UPDATE entries SET {column} = x'd0cf11e0a1b11ae1' WHERE path = 'file'")
    with pytest.raises(ManifestDamaged):
        judged(manifest)


@pytest.mark.parametrize(
    "statement",
    ["UPDATE facts SET value = '' WHERE key = 'fingerprint'", "DELETE FROM facts WHERE key = 'fingerprint'"],
    ids=["emptied", "deleted"],
)
def test_a_finished_manifest_without_its_fingerprint_is_refused(manifest: Path, statement: str) -> None:
    """Fail closed: a manifest that says it is complete has a fingerprint, or it cannot be held against anything."""
    edited(manifest, statement)
    with pytest.raises(ManifestDamaged):
        judged(manifest)


NULS: Final = {
    "path": "UPDATE entries SET path = 'file' || char(0) || ? WHERE path LIKE 'file%'",
    "target": "UPDATE entries SET target = 'file' || char(0) || ? WHERE path = 'link'",
    "xattrs": "UPDATE entries SET xattrs = '{}' || char(0) || ? WHERE path = 'file'",
}


@pytest.mark.parametrize("column", NULS)
def test_a_text_with_a_nul_is_refused_though_the_fingerprint_fits(manifest: Path, column: str) -> None:
    """SQLite's printf ends a text at a NUL (SQLite documentation, printf), so what follows it would not be sealed.

    Whoever forges a row that way can make the fingerprint fit, for any ending; so the row itself is refused.
    """
    sealed = set()
    for ending in ("one", "two"):
        edited(manifest, NULS[column], ending)
        with Manifest.open(manifest) as forged:
            sealed.add(forged.seal())
        edited(manifest, "UPDATE facts SET value = ? WHERE key = 'fingerprint'", max(sealed))
        with pytest.raises(ManifestDamaged, match="NUL") as caught:
            judged(manifest)
        assert caught.value.exit_code == 4
        assert str(caught.value).isprintable()
    assert len(sealed) == 1, "then the fingerprint tells them apart, and this refusal is not needed"


TYPES: Final = {
    "text for a number": "UPDATE entries SET size = 'many' WHERE path = 'file'",
    "text that is not UTF-8": "UPDATE entries SET path = CAST(x'ff' AS TEXT) WHERE path = 'file'",
    "target that is not UTF-8": "UPDATE entries SET target = CAST(x'ff' AS TEXT) WHERE path = 'link'",
    "bytes for text": "UPDATE entries SET kind = x'ff' WHERE path = 'file'",
    "fact that is not UTF-8": "UPDATE facts SET value = CAST(x'ff' AS TEXT) WHERE key = 'root'",
    "number beyond 64 bits": "UPDATE entries SET mtime_ns = 1e30 WHERE path = 'file'",
}


@pytest.mark.parametrize("statement", TYPES.values(), ids=TYPES.keys())
def test_values_of_another_type_are_no_traceback(manifest: Path, statement: str) -> None:
    """SQLite's strict tables refuse most (SQLite documentation, STRICT); what they let in is refused here."""
    try:
        edited(manifest, statement)
    except sqlite3.IntegrityError:
        return
    with pytest.raises(ManifestDamaged) as caught:
        judged(manifest)
    assert str(caught.value).isprintable()


def test_a_damaged_row_stops_the_stream(manifest: Path) -> None:
    """Streaming without a check beforehand ends in one clear error as well, not in half a tree."""
    edited(manifest, "UPDATE entries SET target = CAST(x'ff' AS TEXT) WHERE path = 'link'")

    def stream() -> Iterator[Entry]:
        with Manifest.open(manifest) as opened:
            yield from opened.entries()

    with pytest.raises(ManifestDamaged):
        list(stream())


def test_the_bytes_of_the_sound_manifest_are_read_as_they_were(manifest: Path) -> None:
    """The starting point of all this: a sound manifest holds what was laid out."""
    found = entries_of(manifest)
    assert len(found) == 63
    assert found["folder/file-7"].size == 7
