"""The closer look at two files that differ: its shapes against a naive loop, and what it says when it cannot look."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from unittest import mock

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.reconcile.changes import flipped
from tests.reconcile.trees import (
    SECOND_NS,
    T0_NS,
    Node,
    file,
    plant,
    reconcile_files,
    scan_tree,
    scratch,
    write_manifest,
)
from verifier.classes import Cause, Class
from verifier.manifest.store import Manifest
from verifier.reconcile import look
from verifier.reconcile.look import ZERO_RUN_BYTES, Look, Shape, compare
from verifier.reconcile.options import ReconcileOptions
from verifier.tree.content import BLOCK_BYTES
from verifier.tree.digests import Algorithm, new_hash

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.reconcile.trees import Outcome

BORDER: Final = BLOCK_BYTES
"""Where the look's first block ends and its second begins."""


def naive(old: bytes, new: bytes) -> Shape:
    """Say what two contents are to each other, one byte at a time; `new` is not longer."""
    places = [at for at in range(len(new)) if old[at] != new[at]]
    if not places:
        return Shape.PREFIX if len(new) < len(old) else Shape.EQUAL
    if len(new) < len(old) or any(new[at] for at in places):
        return Shape.OTHER
    needed = min(ZERO_RUN_BYTES, len(new))
    for first in places:
        left, right = first, first
        while left > 0 and new[left - 1] == 0:
            left -= 1
        while right < len(new) and new[right] == 0:
            right += 1
        if right - left >= needed:
            return Shape.ZEROS
    return Shape.OTHER


def looked_at(old: bytes, new: bytes) -> Shape:
    """Let the real comparison read both from files."""
    with tempfile.TemporaryFile() as ours, tempfile.TemporaryFile() as theirs:
        for out, data in ((ours, old), (theirs, new)):
            out.write(data)
            out.flush()
            out.seek(0)
        return compare(ours.fileno(), theirs.fileno(), len(old), len(new))


PIECES: Final = st.tuples(
    st.sampled_from([b"\0", b"\0", b"\1", b"\0\1", b"\2"]), st.one_of(st.integers(1, 70), st.integers(505, 530))
)


@st.composite
def contents(draw: st.DrawFn) -> tuple[bytes, bytes]:
    """Return two contents, with long and short runs of zeros, that are alike but for a few stretches."""
    pieces = draw(st.lists(PIECES, min_size=1, max_size=6))
    old = b"".join((filler * length)[:length] for filler, length in pieces)
    new = bytearray(old)
    size = len(old)
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, size - 1))
        length = min(size - at, draw(st.one_of(st.integers(1, 3), st.integers(1, 70), st.integers(505, 530))))
        new[at : at + length] = draw(st.sampled_from([b"\0", b"\0", b"\0", b"\7"])) * length
    if draw(st.integers(0, 4)) == 0:
        new = new[: draw(st.integers(1, size))]
    return old, bytes(new)


@settings(max_examples=300, deadline=None)
@given(pair=contents(), block=st.sampled_from([1, 7, 64, 511, 512, 513, 4096]))
@example(pair=(b"\1" * 3, bytes(3)), block=1)
def test_the_shape_is_that_of_a_naive_loop_over_bytes(pair: tuple[bytes, bytes], block: int) -> None:
    """Reading in blocks of whatever size sees what a loop over single bytes sees."""
    with mock.patch.object(look, "BLOCK_BYTES", block):
        assert looked_at(*pair) is naive(*pair)


RUNS: Final = [511, 512, 513]


@pytest.mark.parametrize("length", RUNS)
@pytest.mark.parametrize("offset", [0, 1, 100, 256, 511, 512], ids=lambda n: f"{n} before the border")
def test_a_run_of_zeros_is_seen_across_the_border_of_two_blocks(length: int, offset: int) -> None:
    """A run of one sector counts, one byte less does not, wherever the border of two blocks falls."""
    old = b"\1" * (BORDER + 2000)
    at = BORDER - offset
    new = old[:at] + bytes(length) + old[at + length :]
    assert looked_at(old, new) is (Shape.ZEROS if length >= 512 else Shape.OTHER)


@pytest.mark.parametrize("length", RUNS)
@pytest.mark.parametrize("place", ["start", "end"])
def test_a_run_of_zeros_at_an_end_of_the_file(length: int, place: str) -> None:
    """The beginning and the end of a file are borders like others."""
    old = b"\1" * (BORDER + 700)
    kept = old[length:]
    new = bytes(length) + kept if place == "start" else kept + bytes(length)
    assert looked_at(old, new) is (Shape.ZEROS if length >= 512 else Shape.OTHER)


@pytest.mark.parametrize("size", [1, 2, 16, 511])
def test_a_small_file_counts_where_all_of_it_is_zero(size: int) -> None:
    """A file smaller than a sector is zero-filled as a whole or not at all."""
    assert looked_at(b"\1" * size, bytes(size)) is Shape.ZEROS
    if size > 1:
        assert looked_at(b"\1" * size, bytes(size - 1) + b"\1") is Shape.OTHER


def test_zeros_that_were_there_before_are_no_damage() -> None:
    """A long run of zeros in which nothing differs does not make another difference zero-filled."""
    old = bytes(2000) + b"\1\1\1" + b"\2" * 100
    assert looked_at(old, bytes(2000) + b"\1\0\1" + b"\2" * 100) is Shape.OTHER
    # Here the last differing byte joins the run.
    assert looked_at(old, bytes(2000) + b"\0\1\1" + b"\2" * 100) is Shape.ZEROS


def test_a_short_run_at_a_border_does_not_mark_a_later_long_one() -> None:
    """A single byte that became zero at the end of a block has nothing to do with zeros that were there before."""
    old = b"\1" * BORDER + b"\3" + bytes(2 * BORDER)
    assert looked_at(old, old[: BORDER - 1] + b"\0" + old[BORDER:]) is Shape.OTHER


def test_a_run_that_grew_over_a_whole_block_is_seen() -> None:
    """Blocks that are zero as a whole belong to one run, though what differs lies in the first of them."""
    old = b"\1" * 10 + b"\2" + bytes(3 * BORDER)
    assert looked_at(old, old[:10] + b"\0" + old[11:]) is Shape.ZEROS


def test_zeros_and_another_difference_are_another_difference() -> None:
    """Zero-filled means otherwise equal."""
    old = b"\1" * (2 * BORDER)
    new = bytes(600) + old[600:-1] + b"\2"
    assert looked_at(old, new) is Shape.OTHER


def test_equal_and_prefix() -> None:
    """No byte that differs: the same content, or its beginning."""
    data = bytes(range(256)) * 5000
    assert looked_at(data, data) is Shape.EQUAL
    assert looked_at(data, data[:-1]) is Shape.PREFIX
    assert looked_at(data, data[:BORDER]) is Shape.PREFIX
    assert looked_at(data, flipped(data[:-1], BORDER + 5, 3)) is Shape.OTHER


# ---- The look as part of a reconciliation


@pytest.fixture
def sides() -> Iterator[Path]:
    """Give a folder for two trees and their manifests."""
    with scratch() as base:
        yield base


def look_at(base: Path, old: bytes, new: bytes, *, with_trees: bool = True) -> Outcome:
    """Scan a file on either side and reconcile."""
    roots = [plant(base / name, {b"f": Node(data)}) for name, data in (("old", old), ("new", new))]
    manifests = [scan_tree(root, base / f"{root.name}.manifest") for root in roots]
    trees: dict[str, Any] = {"old_root": roots[0], "new_root": roots[1]} if with_trees else {}
    return reconcile_files(manifests, ReconcileOptions(**trees))


def test_with_the_trees_causes_are_told_that_digests_cannot_tell(sides: Path) -> None:
    """A file cut in the middle, and a hole in it, need a look at the bytes."""
    old = b"\1" * 5000
    assert look_at(sides / "1", old, old[:3000]).at("f").cause == Cause.TRUNCATED
    assert look_at(sides / "2", old, old[:1000] + bytes(600) + old[1600:]).at("f").cause == Cause.ZERO_FILLED
    assert look_at(sides / "3", old, old[:3000], with_trees=False).at("f").cause == Cause.OTHER


def test_a_tree_that_changed_since_its_scan_is_not_looked_at(sides: Path) -> None:
    """A file of another size or time is not the one that was scanned: the reason says that the look failed."""
    roots = [plant(sides / name, {b"f": Node(b"\1" * 600 + end)}) for name, end in (("old", b"1"), ("new", b"2"))]
    manifests = [scan_tree(root, sides / f"{root.name}.manifest") for root in roots]
    os.utime(roots[1] / "f", ns=(T0_NS, T0_NS + SECOND_NS))
    outcome = reconcile_files(manifests, ReconcileOptions(old_root=roots[0], new_root=roots[1]))
    assert outcome.at("f").cause == Cause.SILENT
    assert "could not be read again for a closer look" in outcome.at("f").reason
    (roots[1] / "f").unlink()
    outcome = reconcile_files(manifests, ReconcileOptions(old_root=roots[0], new_root=roots[1]))
    assert "could not be read again for a closer look" in outcome.at("f").reason


def test_a_difference_that_does_not_repeat_is_told(sides: Path) -> None:
    """Digests that differ over bytes that agree point at memory, cable or controller, and still block trust."""
    root = plant(sides / "old", {b"f": Node(b"the same on both sides")})
    manifest = scan_tree(root, sides / "old.manifest")
    with Manifest.open(manifest) as held:
        entry = held.entry("f")
    assert entry is not None
    wrong = new_hash(Algorithm.BLAKE3, b"what a bad read gave").digest()
    other = write_manifest(sides / "new.manifest", [entry._replace(digest=wrong)])
    outcome = reconcile_files([manifest, other], ReconcileOptions(old_root=root, new_root=root))
    assert (outcome.at("f").cls, outcome.at("f").cause) == (Class.CONTENT_CHANGED, Cause.SILENT)
    assert "reading both again showed no difference" in outcome.at("f").reason


def test_a_look_follows_no_link(sides: Path) -> None:
    """A file that became a link since its scan is not followed, even to one of the same size and time."""
    roots = [plant(sides / name, {b"f": Node(b"\1" * 600 + end)}) for name, end in (("old", b"1"), ("new", b"2"))]
    manifests = [scan_tree(root, sides / f"{root.name}.manifest") for root in roots]
    (roots[1] / "f").rename(sides / "outside")
    (roots[1] / "f").symlink_to(sides / "outside")
    outcome = reconcile_files(manifests, ReconcileOptions(old_root=roots[0], new_root=roots[1]))
    assert "could not be read again" in outcome.at("f").reason


@pytest.mark.parametrize("algorithm", list(Algorithm))
@pytest.mark.parametrize("size", [16, 17, 512, 100_000])
def test_a_file_of_zeros_is_seen_from_its_manifest(algorithm: Algorithm, size: int) -> None:
    """A digest that is the digest of zeros shows a file of zeros, under every algorithm, without the trees."""
    old, new = file("f", b"\1" * size, algorithm), file("f", bytes(size), algorithm)
    with Look(None, None, algorithm) as closer:
        assert closer.at([(old, new)])[0].cause is Cause.ZERO_FILLED
        assert closer.at([(old, file("f", bytes(size - 1) + b"\1", algorithm))])[0].cause is None


def test_a_look_gives_its_descriptors_back(sides: Path) -> None:
    """However many files are looked at, none stays open."""
    roots = [
        plant(sides / name, {f"{n}".encode(): Node(b"\1" * 700 + end) for n in range(40)})
        for name, end in (("old", b"1"), ("new", b"2"))
    ]
    entries = [[file(f"{n}", b"\1" * 700 + end) for n in range(40)] for end in (b"1", b"2")]
    held = Path("/proc/self/fd")
    if not held.is_dir():
        pytest.skip("open descriptors can be counted on Linux only")
    before = len(list(held.iterdir()))
    with Look(roots[0], roots[1], Algorithm.BLAKE3) as closer:
        assert {seen.note for seen in closer.at(list(zip(*entries, strict=True)))} == {""}
        assert len(list(held.iterdir())) <= before + 4
    assert len(list(held.iterdir())) == before
