"""Bytes that changed though nothing wrote them: each side held against its own earlier manifest.

That nothing can set a ctime is from utimensat(2), Linux man-pages 6.03; the rest is the program's own promise.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import T0_NS, Outcome, file, reconcile_files, unread, with_parents, write_manifest
from tests.rules.trees import rule
from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.reconcile.decay import Past
from verifier.reconcile.options import ReconcileOptions, instant_ns
from verifier.reconcile.reconciler import reconcile
from verifier.rules.rule import RuleSet
from verifier.tree.digests import Algorithm
from verifier.tree.entry import State

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from verifier.tree.entry import Entry

SHEET: Final = b"herbarium sheet 0042"
ROTTEN: Final = b"herbarium sheet 0\x0042"
OTHER: Final = file("notes.txt", b"field notes")


class Nights:
    """One night after another, each held against the one before it."""

    def __init__(self, base: Path) -> None:
        self._base = base
        self._number = 0
        self._past: Past | None = None

    def night(self, old: Sequence[Entry], new: Sequence[Entry], **options: Any) -> Outcome:
        """Reconcile both sides of a night, with the night before as the past."""
        self._number += 1
        folder = self._base / str(self._number)
        folder.mkdir()
        manifests = {
            Side.OLD: write_manifest(folder / "old", with_parents(old)),
            Side.NEW: write_manifest(folder / "new", with_parents(new)),
        }
        asked = ReconcileOptions(past=self._past, **options)
        reconcile(manifests[Side.OLD], manifests[Side.NEW], folder / "findings", asked)
        outcome = reconcile_files(list(manifests.values()), asked)
        self._past = Past(manifests, folder / "findings")
        return outcome


@pytest.fixture
def nights(tmp_path: Path) -> Nights:
    """Return nights of a job."""
    return Nights(tmp_path)


def sheet(data: bytes, path: str = "scans/0042.tif", **facts: Any) -> Entry:
    """Return a scan of a herbarium sheet that was at rest when it was read."""
    return file(path, data, **{"size": len(SHEET), "allocated": len(SHEET), **facts})


@pytest.mark.parametrize("side", list(Side))
def test_a_side_that_decayed_is_named_whatever_the_other_holds(nights: Nights, side: Side) -> None:
    """The other side still has what was read: changed content, silent, and which side changed is said."""
    good, bad = [sheet(SHEET), OTHER], [sheet(ROTTEN), OTHER]
    assert nights.night(good, good).findings == ()
    found = nights.night(*((bad, good) if side is Side.OLD else (good, bad))).at("scans/0042.tif")
    assert (found.cls, found.cause, found.severity) == (Class.CONTENT_CHANGED, Cause.SILENT, Severity.BLOCKER)
    assert f"bytes of the {side} side are not those of 2026-11-20T20:30:00+00:00" in found.reason


def test_both_sides_agree_and_it_is_damage_all_the_same(nights: Nights) -> None:
    """Nobody wrote it, and both sides changed to the same bytes: identical across, and still a blocker."""
    nights.night([sheet(SHEET), OTHER], [sheet(SHEET), OTHER])
    outcome = nights.night([sheet(ROTTEN), OTHER], [sheet(ROTTEN), OTHER])
    found = outcome.at("scans/0042.tif")
    assert (found.cls, found.cause) == (Class.CONTENT_CHANGED, Cause.SILENT)
    assert "bytes of the old side" in found.reason
    assert "bytes of the new side" in found.reason
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_what_is_on_one_side_only_decays_too(nights: Nights) -> None:
    """What only the new side has is held against itself: extra yesterday, damage today, and never to be copied."""
    nights.night([OTHER], [OTHER, sheet(SHEET)])
    outcome = nights.night([OTHER], [OTHER, sheet(ROTTEN)])
    found = outcome.at("scans/0042.tif")
    assert (found.cls, found.cause, found.old_path) == (Class.CONTENT_CHANGED, Cause.SILENT, None)
    assert outcome.to_copy == ()


def test_no_rule_and_no_gate_excuses_decay(nights: Nights) -> None:
    """Clutter that decayed, and what may have changed since people work there, are damage."""
    rules = RuleSet((rule("*.tif"),))
    asked: dict[str, Any] = {"rules": rules, "live_since_ns": T0_NS - 1, "frozen_at_ns": T0_NS - 1}
    nights.night([OTHER], [OTHER, sheet(SHEET)], **asked)
    assert nights.night([OTHER], [OTHER, sheet(ROTTEN)], **asked).at("scans/0042.tif").cause == Cause.SILENT


def test_it_stays_known_until_its_bytes_are_back(nights: Nights) -> None:
    """The night after, last night's manifest holds the damaged bytes: it is still damage; put back, it is none."""
    good, bad = [sheet(SHEET), OTHER], [sheet(ROTTEN), OTHER]
    nights.night(good, good)
    for _ in range(3):
        assert nights.night(bad, bad).at("scans/0042.tif").cause == Cause.SILENT
    assert nights.night(good, good).findings == ()
    assert nights.night(good, good).findings == ()


def test_what_was_written_since_is_no_decay(nights: Nights) -> None:
    """Another ctime: something wrote it, and what it is now counts from here on."""
    nights.night([sheet(SHEET), OTHER], [sheet(SHEET), OTHER])
    written = [sheet(ROTTEN, ctime_ns=T0_NS + 1), OTHER]
    assert nights.night(written, written).findings == ()
    assert nights.night([sheet(SHEET), OTHER], [sheet(SHEET), OTHER]).findings == ()


@pytest.mark.parametrize("field", ["size", "mtime_ns", "ctime_ns"])
def test_decay_that_was_written_over_is_forgotten(nights: Nights, field: str) -> None:
    """A file that had decayed and has other facts now was replaced: nothing is left of what was known."""
    nights.night([sheet(SHEET), OTHER], [sheet(SHEET), OTHER])
    nights.night([sheet(ROTTEN), OTHER], [sheet(ROTTEN), OTHER])
    facts: dict[str, Any] = {field: T0_NS + 5}
    replaced = [sheet(ROTTEN, **facts), OTHER]
    assert nights.night(replaced, replaced).findings == ()


def test_what_could_not_be_read_is_held_against_what_it_was(nights: Nights) -> None:
    """Unreadable for a night, other bytes the night after: a sector that was put back empty is no new normal."""
    good, bad = [sheet(SHEET), OTHER], [sheet(ROTTEN), OTHER]
    gone = [unread(sheet(SHEET), State.UNREADABLE, "EIO: read"), OTHER]
    nights.night(good, good)
    assert nights.night(good, gone).at("scans/0042.tif").cls == Class.UNREADABLE
    assert nights.night(good, gone).at("scans/0042.tif").cls == Class.UNREADABLE
    assert "bytes of the new side" in nights.night(good, bad).at("scans/0042.tif").reason
    assert nights.night(good, good).findings == ()


def test_a_file_that_had_not_come_to_rest_cannot_decay(nights: Nights) -> None:
    """Two changes within one tick of the clock show one ctime: what was read in that tick is not held against."""
    in_motion = instant_ns(datetime.fromisoformat("2026-11-20T20:30:00+00:00"))
    facts: dict[str, Any] = {"mtime_ns": in_motion, "ctime_ns": in_motion}
    nights.night([sheet(SHEET, **facts), OTHER], [sheet(SHEET, **facts), OTHER])
    assert nights.night([sheet(ROTTEN, **facts), OTHER], [sheet(ROTTEN, **facts), OTHER]).findings == ()


def test_digests_of_two_algorithms_are_not_held_against_each_other(tmp_path: Path) -> None:
    """The night before was read with another algorithm: nothing decayed, though no digest is what it was."""
    was, now = ([sheet(SHEET, algorithm=algorithm)] for algorithm in (Algorithm.SHA256, Algorithm.BLAKE3))
    past = write_manifest(tmp_path / "past", with_parents(was), algorithm="sha256")
    sides = [write_manifest(tmp_path / side, with_parents(now)) for side in Side]
    asked = ReconcileOptions(past=Past(dict.fromkeys(Side, past)))
    assert reconcile_files(sides, asked).findings == ()


def test_recopy_never_takes_the_damaged_side(nights: Nights) -> None:
    """What decayed on the old side is not copied over the only good one; what decayed on the new side is."""
    good, bad = [sheet(SHEET), OTHER], [sheet(ROTTEN), OTHER]
    nights.night(good, good)
    assert nights.night(bad, good).to_copy == ()
    nights.night(good, good)
    assert nights.night(good, bad).to_copy == (b"./scans/0042.tif",)
