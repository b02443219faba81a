"""The second look at two files that differ, as part of a reconciliation: what it decides, and what it says."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
import xxhash

from tests.reconcile.trees import (
    SECOND_NS,
    T0_NS,
    Node,
    file,
    looking_at,
    plant,
    reconcile_files,
    reconciled,
    scan_tree,
    scratch,
    write_manifest,
)
from verifier.classes import Cause, Class, Severity, VerdictKind
from verifier.manifest.store import Manifest
from verifier.reconcile.look import ManifestLook
from verifier.reconcile.options import ReconcileOptions
from verifier.rules.rule import Policy, RuleSet
from verifier.tree.content import SEGMENT_BYTES
from verifier.tree.damage import Damage
from verifier.tree.digests import Algorithm, new_hash

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.reconcile.trees import Outcome


@pytest.fixture
def sides() -> Iterator[Path]:
    """Give a folder for two trees and their manifests."""
    with scratch() as base:
        yield base


def looked(manifests: list[Path], old: Path, new: Path) -> Outcome:
    """Reconcile two manifests with both trees at hand."""
    with looking_at(old, new) as look:
        return reconcile_files(manifests, ReconcileOptions(look=look))


def look_at(base: Path, old: bytes, new: bytes, *, with_trees: bool = True) -> Outcome:
    """Scan a file on either side and reconcile."""
    roots = [plant(base / name, {b"f": Node(data)}) for name, data in (("old", old), ("new", new))]
    manifests = [scan_tree(root, base / f"{root.name}.manifest") for root in roots]
    return looked(manifests, *roots) if with_trees else reconcile_files(manifests)


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
    outcome = looked(manifests, *roots)
    assert outcome.at("f").cause == Cause.SILENT
    assert "not confirmed: the new side changed since it was read" in outcome.at("f").reason
    (roots[1] / "f").unlink()
    outcome = looked(manifests, *roots)
    assert "not confirmed: the new side changed since it was read" in outcome.at("f").reason


def test_a_difference_that_does_not_repeat_is_told(sides: Path) -> None:
    """Digests that differ over bytes that agree point at memory, cable or controller: nothing is proved by them."""
    root = plant(sides / "old", {b"f": Node(b"the same on both sides")})
    manifest = scan_tree(root, sides / "old.manifest")
    with Manifest.open(manifest) as held:
        entry = held.entry("f")
    assert entry is not None
    wrong = new_hash(Algorithm.BLAKE3, b"what a bad read gave").digest()
    other = write_manifest(sides / "new.manifest", [entry._replace(digest=wrong)])
    outcome = looked([manifest, other], root, root)
    found = outcome.at("f")
    assert (found.cls, found.cause, found.severity) == (
        Class.CONTENT_CHANGED,
        Cause.NOT_REPEATED,
        Severity.INCONCLUSIVE,
    )
    assert "reading both again showed no difference; what was read first of the new side" in found.reason
    assert outcome.verdict.kind is VerdictKind.INCONCLUSIVE
    assert "suspect memory, cable or controller" in outcome.verdict.reasons[0]


def test_no_policy_makes_light_of_what_does_not_repeat(sides: Path) -> None:
    """Whatever changed content weighs, a reading that does not repeat leaves the question open, also past a gate."""
    root = plant(sides / "old", {b"f": Node(b"the same on both sides")})
    manifest = scan_tree(root, sides / "old.manifest")
    with Manifest.open(manifest) as held:
        entry = held.entry("f")
    assert entry is not None
    other = write_manifest(sides / "new.manifest", [entry._replace(digest=bytes(32))])
    rules = RuleSet(policy=Policy({Class.CONTENT_CHANGED: Severity.NOTE}))
    with looking_at(root, root) as look:
        outcome = reconcile_files([manifest, other], ReconcileOptions(rules, look=look, frozen_at_ns=0))
    assert outcome.at("f").severity == Severity.INCONCLUSIVE


def test_where_bytes_differ_is_kept_with_the_finding(sides: Path) -> None:
    """The place, the number of bytes and the bytes around the first difference travel with the finding."""
    old = bytes(range(256)) * 40
    new = bytearray(old)
    new[5000] ^= 1
    found = look_at(sides, old, bytes(new)).at("f")
    assert found.damage is not None
    damage = Damage.from_json(found.damage)
    assert (damage.first_offset, damage.differing_bytes, damage.ranges) == (5000, 1, ((5000, 1),))
    assert damage.old_near == old[damage.near_offset :][: len(damage.old_near)]
    assert "read again, they differ from byte 5,000 on, 1 byte in 1 range" in found.reason


def test_segment_digests_tell_where_without_the_trees() -> None:
    """Of a large file the manifests alone say which 64 MiB differ, and that they became zeros."""
    size = 3 * SEGMENT_BYTES
    parts = [bytes([number]) * 16 for number in range(1, 5)]
    old = file("f", b"x", size=size, segments=b"".join(parts[:3]), digest=b"1" * 32)
    zeros = xxhash.xxh3_128(bytes(SEGMENT_BYTES)).digest()
    for segment, cause in ((parts[3], Cause.SILENT), (zeros, Cause.ZERO_FILLED)):
        new = old._replace(segments=parts[0] + segment + parts[2], digest=b"2" * 32)
        found = reconciled([old], [new]).at("f")
        assert found.cause == cause
        assert found.damage is not None
        assert Damage.from_json(found.damage).ranges == ((SEGMENT_BYTES, SEGMENT_BYTES),)


def test_a_look_follows_no_link(sides: Path) -> None:
    """A file that became a link since its scan is not followed, even to one of the same size and time."""
    roots = [plant(sides / name, {b"f": Node(b"\1" * 600 + end)}) for name, end in (("old", b"1"), ("new", b"2"))]
    manifests = [scan_tree(root, sides / f"{root.name}.manifest") for root in roots]
    (roots[1] / "f").rename(sides / "outside")
    (roots[1] / "f").symlink_to(sides / "outside")
    outcome = looked(manifests, *roots)
    assert "not confirmed: the new side changed since it was read" in outcome.at("f").reason


@pytest.mark.parametrize("algorithm", list(Algorithm))
@pytest.mark.parametrize("size", [16, 17, 512, 100_000])
def test_a_file_of_zeros_is_seen_from_its_manifest(algorithm: Algorithm, size: int) -> None:
    """A digest that is the digest of zeros shows a file of zeros, under every algorithm, without the trees."""
    old, new = file("f", b"\1" * size, algorithm), file("f", bytes(size), algorithm)
    look = ManifestLook(algorithm)
    assert look.at([(old, new)])[0].cause is Cause.ZERO_FILLED
    assert look.at([(old, file("f", bytes(size - 1) + b"\1", algorithm))])[0].cause is None
