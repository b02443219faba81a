"""The same difference in each phase of a migration: what it weighs, and what had arrived before people worked there.

The weights are common practice, no source; `verifier.reconcile.phase` says why for each.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import (
    T0_NS,
    Outcome,
    file,
    folder,
    reconcile_files,
    reconciled,
    with_parents,
    write_manifest,
)
from verifier.classes import Cause, Class, Phase, Severity, Side, VerdictKind
from verifier.reconcile.findings import Findings
from verifier.reconcile.options import ReconcileOptions
from verifier.reconcile.reconciler import reconcile
from verifier.rules.rule import Policy, RuleSet
from verifier.verdict import judge

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from verifier.tree.entry import Entry

LATER_NS: Final = T0_NS + 3600 * 10**9
SAME: Final = file("notes.txt", b"field notes")
SHEET: Final = file("scans/0042.tif", b"herbarium sheet 0042")


def in_phase(phase: Phase | None, old: Sequence[Entry], new: Sequence[Entry], **options: Any) -> Outcome:
    """Reconcile two sides in a phase."""
    return reconciled([SAME, *old], [SAME, *new], phase=phase, **options)


def changed(data: bytes, **facts: Any) -> Entry:
    """Return the sheet as it is with other bytes and facts."""
    return file("scans/0042.tif", data, **facts)


WEIGHTS: Final = [
    ("missing", Phase.COPYING, Severity.NOTE),
    ("missing", Phase.FROZEN, Severity.BLOCKER),
    ("missing", Phase.LIVE, Severity.BLOCKER),
    ("stale", Phase.COPYING, Severity.NOTE),
    ("stale", Phase.FROZEN, Severity.BLOCKER),
    ("silent", Phase.COPYING, Severity.BLOCKER),
    ("silent", Phase.LIVE, Severity.BLOCKER),
    ("extra", Phase.COPYING, Severity.NOTE),
    ("extra", Phase.FROZEN, Severity.ATTENTION),
    ("extra", Phase.LIVE, Severity.NOTE),
    ("old drift", Phase.FROZEN, Severity.BLOCKER),
    ("old drift", Phase.LIVE, Severity.BLOCKER),
    ("old drift", None, Severity.NOTE),
    ("new drift", Phase.LIVE, Severity.NOTE),
]
SIDES: Final[dict[str, tuple[list[Entry], list[Entry], dict[str, int]]]] = {
    "missing": ([SHEET], [folder("scans")], {}),
    "stale": ([changed(b"a later version of it", mtime_ns=LATER_NS)], [SHEET], {}),
    "silent": ([SHEET], [changed(b"herbarium sheet 0\x0042")], {}),
    "extra": ([folder("scans")], [SHEET], {}),
    "old drift": ([changed(b"later", mtime_ns=LATER_NS)], [SHEET], {"frozen_at_ns": T0_NS + 1}),
    "new drift": ([SHEET], [changed(b"later", mtime_ns=LATER_NS)], {"live_since_ns": T0_NS + 1}),
}


@pytest.mark.parametrize(("what", "phase", "severity"), WEIGHTS, ids=[f"{w}-{p}" for w, p, _ in WEIGHTS])
def test_what_a_difference_weighs_hangs_on_the_phase(what: str, phase: Phase | None, severity: Severity) -> None:
    """One difference, weighed as the phase of the migration asks."""
    old, new, gates = SIDES[what]
    assert in_phase(phase, old, new, **gates).at("scans/0042.tif").severity == severity


@pytest.mark.parametrize("what", ["missing", "old drift"])
def test_a_rule_files_policy_goes_before_the_phase(what: str) -> None:
    """What somebody wrote down weighs what he wrote, in every phase."""
    old, new, gates = SIDES[what]
    policy = Policy({Class.MISSING: Severity.ATTENTION, Class.DRIFT: Severity.ATTENTION}, {})
    found = in_phase(Phase.FROZEN, old, new, rules=RuleSet((), policy), **gates)
    assert found.at("scans/0042.tif").severity == Severity.ATTENTION


# ---- What had arrived


class Live:
    """A new side that people work on, with a manifest of what had arrived before they did."""

    def __init__(self, base: Path, *arrived: Entry) -> None:
        self._base = base
        self._baseline = write_manifest(base / "baseline", with_parents([SAME, *arrived]))

    def now(self, old: Sequence[Entry], new: Sequence[Entry], phase: Phase = Phase.LIVE) -> Outcome:
        """Reconcile both sides as they are now."""
        manifests = [
            write_manifest(self._base / side, with_parents([SAME, *entries]))
            for side, entries in ((Side.OLD, old), (Side.NEW, new))
        ]
        return reconcile_files(manifests, ReconcileOptions(phase=phase, baseline=self._baseline))


@pytest.mark.parametrize("place", ["scans/0042.tif", "sorted/by year/0042.tif"])
def test_what_had_arrived_and_was_removed_since_is_no_loss(tmp_path: Path, place: str) -> None:
    """It was there whole, at its place or another, and somebody removed it: drift of the new side."""
    arrived = SHEET._replace(path=place)
    found = Live(tmp_path, arrived).now([SHEET], []).at("scans/0042.tif")
    assert (found.cls, found.severity, found.drift_side) == (Class.DRIFT, Severity.NOTE, Side.NEW)
    assert f"had arrived, at {place}" in found.reason


def test_what_never_arrived_is_a_loss_for_ever(tmp_path: Path) -> None:
    """Neither its place nor its content was there when people began to work: missing."""
    found = Live(tmp_path, changed(b"half of it")).now([SHEET], []).at("scans/0042.tif")
    assert (found.cls, found.severity) == (Class.MISSING, Severity.BLOCKER)


def test_an_empty_file_elsewhere_is_not_taken_for_one_that_arrived(tmp_path: Path) -> None:
    """Every empty file has the content of every other: only its own place says that it had arrived."""
    empty = file("scans/empty.txt", b"")
    found = []
    for place in ("elsewhere.txt", "scans/empty.txt"):
        base = tmp_path / place.replace("/", " ")
        base.mkdir()
        found.append(Live(base, file(place, b"")).now([empty], []).at("scans/empty.txt").cls)
    assert found == [Class.MISSING, Class.DRIFT]


def test_an_older_version_that_somebody_put_back_is_no_damage(tmp_path: Path) -> None:
    """It had arrived whole and was written since, with an older time: people may do that on their own server."""
    older = changed(b"an earlier version of it", mtime_ns=T0_NS - 10**15, ctime_ns=LATER_NS)
    found = Live(tmp_path, SHEET).now([SHEET], [older]).at("scans/0042.tif")
    assert (found.cls, found.severity, found.drift_side) == (Class.DRIFT, Severity.NOTE, Side.NEW)


def test_an_older_version_that_arrived_so_is_damage(tmp_path: Path) -> None:
    """The copy brought it so, and nobody wrote it since."""
    older = changed(b"an earlier version of it", mtime_ns=T0_NS - 10**15)
    found = Live(tmp_path, older).now([SHEET], [older]).at("scans/0042.tif")
    assert (found.cls, found.cause, found.severity) == (Class.CONTENT_CHANGED, Cause.STALE, Severity.BLOCKER)


def test_bytes_written_under_an_unchanged_time_need_a_look(tmp_path: Path) -> None:
    """Its ctime says that something was written since it had arrived whole; its time says not: told, and no blocker."""
    written = changed(b"herbarium sheet 0\x0042", ctime_ns=LATER_NS)
    found = Live(tmp_path, SHEET).now([SHEET], [written]).at("scans/0042.tif")
    assert (found.cls, found.cause, found.severity) == (Class.CONTENT_CHANGED, Cause.SILENT, Severity.ATTENTION)
    assert "put its time back" in found.reason


def test_bytes_that_nothing_wrote_are_damage_though_the_file_had_arrived(tmp_path: Path) -> None:
    """The same ctime as when it had arrived whole: silent, and a blocker."""
    found = Live(tmp_path, SHEET).now([SHEET], [changed(b"herbarium sheet 0\x0042")]).at("scans/0042.tif")
    assert (found.cause, found.severity) == (Cause.SILENT, Severity.BLOCKER)


@pytest.mark.parametrize("phase", [Phase.COPYING, Phase.FROZEN])
def test_nothing_is_excused_before_people_work_there(tmp_path: Path, phase: Phase) -> None:
    """What had arrived and is gone before the new side is in use was not removed by its users."""
    assert Live(tmp_path, SHEET).now([SHEET], [], phase).at("scans/0042.tif").cls == Class.MISSING


def test_the_verdict_of_a_copy_under_way(tmp_path: Path) -> None:
    """Judged in its phase, an equal copy is inconclusive while it is being made, and trustworthy when it is frozen."""
    old, new = (write_manifest(tmp_path / side, with_parents([SAME, SHEET])) for side in Side)
    done = reconcile(old, new, tmp_path / "findings", ReconcileOptions())
    with Findings.open(tmp_path / "findings") as findings:
        copying = judge(findings, done.accounts, {}, phase=Phase.COPYING)
        frozen = judge(findings, done.accounts, {}, phase=Phase.FROZEN)
    assert (copying.kind, copying.reasons) == (VerdictKind.INCONCLUSIVE, ("the copy is still being made",))
    assert frozen.kind is VerdictKind.TRUSTWORTHY
