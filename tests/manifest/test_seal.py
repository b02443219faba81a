"""The fingerprint: one for one tree, another after any change, and computable by anybody."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3
from hypothesis import given, settings

from tests.reconcile.trees import file
from tests.scan.scans import facts_of, scan_tree
from tests.strategies import Folder, Link, lay_out, small_trees
from verifier.manifest.store import Manifest
from verifier.scan.scanner import ScanOptions
from verifier.tree.digests import Algorithm

if TYPE_CHECKING:
    from collections.abc import Callable

TREE: Final[Folder] = {
    b"file": b"content",
    b"other": b"content!",
    b"empty": b"",
    b"folder": {b"inner": b"more", b"none": {}},
    b"link": Link(b"file"),
    b"\xff|12:\n": b"odd",
}


def recomputed(manifest: Path) -> str:
    """Compute the fingerprint from the rows in plain Python, as the format's description says: in runs of 10,000."""
    with closing(sqlite3.connect(manifest)) as plain:
        plain.row_factory = sqlite3.Row
        (algorithm,) = plain.execute("SELECT value FROM facts WHERE key = 'algorithm'").fetchone()
        rows = plain.execute("SELECT * FROM entries").fetchall()
    lines = []
    for row in sorted(rows, key=lambda r: str(r["path"]).encode()):
        known = "known" if row["state"] in ("proved", "carried", "contentless") else row["state"]
        fields = [str(row[name]) for name in ("kind", "size", "mtime_ns", "mode", "uid", "gid")]
        blobs = (row[name] for name in ("digest", "head", "segments"))
        fields += [known, *("NULL" if blob is None else f"X'{blob.hex().upper()}'" for blob in blobs)]
        texts = (row[name] for name in ("path", "target", "xattrs"))
        fields += ["NULL" if text is None else "'" + text.replace("'", "''") + "'" for text in texts]
        lines.append("|".join(fields) + "\n")
    runs = [blake3("".join(lines[n : n + 10_000]).encode()).digest() for n in range(0, len(lines), 10_000)]
    return blake3(f"verifier manifest 1 {algorithm}\n".encode() + b"".join(runs)).hexdigest()


@given(tree=small_trees())
@settings(max_examples=20)
def test_anybody_can_compute_it(tree: Folder) -> None:
    """The documented format is the real one: plain Python over plain rows gives the same."""
    with tempfile.TemporaryDirectory() as place:
        root, manifest = lay_out(Path(place) / "root", tree), Path(place) / "m"
        outcome = scan_tree(root, manifest)
        assert outcome.fingerprint == recomputed(manifest) == facts_of(manifest)["fingerprint"]


@pytest.mark.parametrize("entries", [0, 1, 9_999, 10_000, 10_001, 20_000, 20_001])
def test_it_is_the_same_at_every_edge_of_a_run(tmp_path: Path, entries: int) -> None:
    """One entry less than a run, a whole one, one more: each entry is in exactly one run."""
    with Manifest.create(tmp_path / "m") as manifest:
        manifest.add([file(f"{n * 7919 % 20_011:05}", b"") for n in range(entries)])
        manifest.set_facts(algorithm="blake3")
        sealed = manifest.seal()
        manifest.commit()
    assert sealed == recomputed(tmp_path / "m")


@pytest.mark.parametrize("algorithm", Algorithm)
def test_every_algorithm_has_its_own(tmp_path: Path, algorithm: Algorithm) -> None:
    """The algorithm is part of what is sealed, even where a tree has no digest."""
    fingerprints = {
        scan_tree(root, tmp_path / f"{root.name}-{one}", ScanOptions(one)).fingerprint
        for root in (lay_out(tmp_path / "full", TREE), lay_out(tmp_path / "bare", {b"folder": {}}))
        for one in Algorithm
    }
    assert len(fingerprints) == 2 * len(Algorithm)
    assert recomputed(tmp_path / f"full-{algorithm}") in fingerprints


def test_two_scans_of_an_unchanged_tree_have_one(tmp_path: Path) -> None:
    """Device, inode, label, host, times of reading, number of readers: none of them is part of what the tree is."""
    root = lay_out(tmp_path / "root", TREE)
    options = (ScanOptions(), ScanOptions(readers=1), ScanOptions(readers=4))
    found = {scan_tree(root, tmp_path / str(n), one).fingerprint for n, one in enumerate(options)}
    assert len(found) == 1


def test_a_copy_has_the_same(tmp_path: Path) -> None:
    """Another tree with the same names, content, times, modes and owners is the same in what is sealed."""
    one, other = lay_out(tmp_path / "one", TREE), lay_out(tmp_path / "other", TREE)
    for root in (one, other):
        for place in (*root.rglob("*"), root):
            os.utime(place, ns=(10**18, 10**18), follow_symlinks=False)
    assert scan_tree(one, tmp_path / "m1").fingerprint == scan_tree(other, tmp_path / "m2").fingerprint


def keep_time(change: Callable[[Path], object]) -> Callable[[Path], None]:
    """Return the change with every time put back, so that it is the only one."""

    def changed(root: Path) -> None:
        times = {place: place.lstat().st_mtime_ns for place in (root, *root.rglob("*"))}
        change(root)
        for place, mtime_ns in times.items():
            if place.is_symlink() or place.exists():
                os.utime(place, ns=(mtime_ns, mtime_ns), follow_symlinks=False)

    return changed


def retarget(root: Path) -> None:
    """Point the link somewhere else, with the same time."""
    mtime_ns = (root / "link").lstat().st_mtime_ns
    (root / "link").unlink()
    (root / "link").symlink_to("fil2")
    os.utime(root / "link", ns=(mtime_ns, mtime_ns), follow_symlinks=False)


CHANGES: Final[dict[str, Callable[[Path], object]]] = {
    "content, same size": keep_time(lambda root: (root / "file").write_bytes(b"cOntent")),
    "content, longer": keep_time(lambda root: (root / "file").write_bytes(b"content and more")),
    "a byte in an empty file": keep_time(lambda root: (root / "empty").write_bytes(b"\0")),
    "mtime by a nanosecond": lambda root: os.utime(root / "file", ns=(0, (root / "file").stat().st_mtime_ns + 1)),
    "mtime of a folder": lambda root: os.utime(root / "folder", ns=(0, 1)),
    "mtime of a link": lambda root: os.utime(root / "link", ns=(0, 1), follow_symlinks=False),
    "mode": lambda root: (root / "file").chmod(0o600),
    "mode of a folder": lambda root: (root / "folder").chmod(0o700),
    "set-gid": lambda root: (root / "file").chmod(0o2644),
    "name": keep_time(lambda root: (root / "file").rename(root / "file2")),
    "letter case of a name": keep_time(lambda root: (root / "file").rename(root / "File")),
    "place": keep_time(lambda root: (root / "file").rename(root / "folder" / "file")),
    "a name more": keep_time(lambda root: (root / "folder" / "new").touch()),
    "a folder more": keep_time(lambda root: (root / "folder" / "none" / "new").mkdir()),
    "a name less": keep_time(lambda root: (root / "folder" / "inner").unlink()),
    "target": keep_time(retarget),
    "two contents swapped": keep_time(
        lambda root: ((root / "file").write_bytes(b"content!"), (root / "other").write_bytes(b"content"))
    ),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_any_single_change_gives_another(tmp_path: Path, change: Callable[[Path], object]) -> None:
    """Whatever changes in a tree that is compared, its fingerprint is another one."""
    root = lay_out(tmp_path / "root", TREE)
    before = scan_tree(root, tmp_path / "before").fingerprint
    change(root)
    assert scan_tree(root, tmp_path / "after").fingerprint != before


@pytest.mark.real(root=True)
@pytest.mark.parametrize(("uid", "gid"), [(1, -1), (-1, 1)], ids=["owner", "group"])
def test_another_owner_gives_another(tmp_path: Path, uid: int, gid: int) -> None:
    """Owner and group are part of what a tree is."""
    root = lay_out(tmp_path / "root", TREE)
    before = scan_tree(root, tmp_path / "before").fingerprint
    os.chown(root / "file", uid, gid)
    assert scan_tree(root, tmp_path / "after").fingerprint != before


def test_a_listing_has_another_than_a_reading(tmp_path: Path) -> None:
    """A manifest without digests never passes for one with."""
    root = lay_out(tmp_path / "root", TREE)
    read = scan_tree(root, tmp_path / "read").fingerprint
    assert scan_tree(root, tmp_path / "listed", ScanOptions(listing_only=True)).fingerprint != read


def test_fields_cannot_run_into_one_another(tmp_path: Path) -> None:
    """Names that hold the format's own separators make other lines than the fields they imitate."""
    one = lay_out(tmp_path / "one", {b"a|0:|2:{}\n": b""})
    other = lay_out(tmp_path / "other", {b"a": b""})
    for root in (one, other):
        for place in root.iterdir():
            os.utime(place, ns=(0, 0))
    found = {scan_tree(root, tmp_path / f"{root.name}.m").fingerprint for root in (one, other)}
    assert len(found) == 2
    for root in (one, other):
        with Manifest.open(tmp_path / f"{root.name}.m") as manifest:
            manifest.check()
