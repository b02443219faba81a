"""Checks that were interrupted and are gone on with, and checks that carry over what an earlier one had read."""

from __future__ import annotations

import _thread
import json
import os
import shutil
import sqlite3
import time
from contextlib import closing
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import Node, plant
from tests.scan.scans import edit, facts_of, let_the_second_pass, scan_tree
from verifier.check import CheckRequest, check
from verifier.classes import Class, Side, VerdictKind
from verifier.errors import Interrupted, ManifestDamaged, UsageProblem
from verifier.scan.scanner import ScanOptions
from verifier.tree.digests import Algorithm

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from verifier.reconcile.preliminary import Preliminary
    from verifier.report.context import ReportContext
    from verifier.scan.progress import Progress

EVIDENCE: Final = {
    "old.manifest.sqlite",
    "new.manifest.sqlite",
    "findings.sqlite",
    "report.html",
    "summary.json",
    "summary.md",
    "differences.csv",
}
FILES: Final = 40
PATIENCE_S: Final = 30.0
TREE: Final = {f"d{n % 5}/{n}".encode(): Node(b"%d" % n * 500) for n in range(FILES)}
MANIFEST: Final = {side: f"{side}.manifest.sqlite" for side in Side}


class Sides:
    """Two trees that differ in one byte or not at all, and were last changed in an earlier second."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self.old = plant(base / "old", TREE)
        self.new = plant(base / "new", TREE)
        self.evidence = base / "proof"
        let_the_second_pass()

    def request(self, **changes: Any) -> CheckRequest:
        """Return a request for both trees, changed as a test wants."""
        return CheckRequest(**{"old": self.old, "new": self.new, "evidence": self.evidence, **changes})

    def undisturbed(self) -> ReportContext:
        """Check both trees into another place, without any interruption."""
        return check(self.request(evidence=self.base / "undisturbed"))

    def facts(self, side: Side) -> dict[str, str]:
        """Return the facts of a side's manifest in the evidence."""
        return facts_of(self.evidence / MANIFEST[side])


@pytest.fixture
def sides(tmp_path: Path) -> Sides:
    """Give two equal trees."""
    return Sides(tmp_path)


def fingerprints(context: ReportContext) -> list[str]:
    """Return the fingerprints of both sides."""
    return [context.sides[side].facts["fingerprint"] for side in Side]


# ---- Interrupted


def stop_when(reached: Callable[[Progress], bool], *, by_hand: bool) -> Callable[[Progress], None]:
    """Return what stops a check once it has come so far: as Ctrl-C does, or by an error in the midst of a scan."""
    stopped: list[Progress] = []

    def look(progress: Progress) -> None:
        if stopped or not reached(progress):
            return
        stopped.append(progress)
        if not by_hand:
            raise KeyboardInterrupt
        _thread.interrupt_main()
        # The scan is not to be over before the stop arrives.
        time.sleep(0.5)

    return look


STOPS: Final = [
    *((stage, by_hand) for stage in ("listing", "reading") for by_hand in (True, False)),
    # Ctrl-C as late as this may find both sides complete, and then ends the next stage instead.
    *((stage, False) for stage in ("sealing", "done")),
]


@pytest.mark.usefixtures("every_step")
@pytest.mark.parametrize("label", ["old", "new"])
@pytest.mark.parametrize(("stage", "by_hand"), STOPS)
def test_a_check_that_was_stopped_is_gone_on_with(sides: Sides, stage: str, label: str, by_hand: bool) -> None:
    """Wherever it was stopped, the same request ends with the verdict and the fingerprints of an undisturbed one."""
    (sides.new / "d0" / "0").write_bytes(b"x" * 500)
    os.utime(sides.new / "d0" / "0", ns=(0, 1_600_000_000 * 10**9))
    stop = stop_when(lambda p: (p.label, p.stage) == (label, stage), by_hand=by_hand)
    with pytest.raises((Interrupted, KeyboardInterrupt)):
        check(sides.request(), stop)
    assert not (sides.evidence / "findings.sqlite").exists()
    assert not (sides.evidence / "report.html").exists()
    context, undisturbed = check(sides.request()), sides.undisturbed()
    assert context.verdict == undisturbed.verdict
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert fingerprints(context) == fingerprints(undisturbed)
    assert all(fingerprints(context))
    assert context.classes == undisturbed.classes
    assert {path.name for path in sides.evidence.iterdir()} == EVIDENCE


@pytest.mark.usefixtures("every_step")
def test_a_stopped_check_says_how_far_it_was_and_what_to_do(sides: Sides) -> None:
    """One line with both sides and the hint; exit code 3."""
    with pytest.raises(Interrupted) as caught:
        check(sides.request(), stop_when(lambda p: (p.label, p.stage) == ("new", "reading"), by_hand=True))
    said = str(caught.value)
    assert caught.value.exit_code == 3
    assert "\n" not in said
    assert "new: stopped before the end" in said
    assert f"of {FILES} listed files read" in said
    assert "run the same command again" in said


@pytest.mark.usefixtures("every_step")
def test_however_often_it_is_stopped_it_comes_to_its_end(sides: Sides) -> None:
    """Each start goes on from all that the ones before had read."""
    for _ in range(2):
        with pytest.raises((Interrupted, KeyboardInterrupt)):
            check(sides.request(), stop_when(lambda p: p.files_done > 0, by_hand=False))
    context, undisturbed = check(sides.request()), sides.undisturbed()
    assert (context.verdict, fingerprints(context)) == (undisturbed.verdict, fingerprints(undisturbed))
    assert {sides.facts(side)["resumed"] for side in Side} == {"2"}
    whole = sum(len(node.data) for node in TREE.values())
    assert sum(int(sides.facts(side)["bytes_read"]) for side in Side) < 2 * whole
    assert [context.sides[side].totals["proved_files"] for side in Side] == [FILES, FILES]


@pytest.mark.usefixtures("every_step")
def test_a_side_that_was_complete_is_not_read_again(sides: Sides) -> None:
    """One side was done when the other was stopped: of it nothing is read twice, and what it has still counts as read.

    The run as a whole was one check, so nothing is carried over from another.
    """
    done: list[str] = []

    def wait_for_the_other(progress: Progress) -> None:
        if progress.label == "old":
            done.extend(["old"] * (progress.stage == "done"))
        elif progress.stage == "reading":
            until = time.monotonic() + PATIENCE_S
            while not done and time.monotonic() < until:
                time.sleep(0.01)
            raise KeyboardInterrupt

    with pytest.raises((Interrupted, KeyboardInterrupt)):
        check(sides.request(), wait_for_the_other)
    assert [sides.facts(side)["complete"] for side in Side] == ["1", "0"]
    context = check(sides.request())
    assert sides.facts(Side.OLD)["bytes_read"] == "0"
    totals = context.sides[Side.OLD].totals
    assert (totals["proved_files"], totals["carried_files"]) == (FILES, 0)
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY
    assert fingerprints(context) == fingerprints(sides.undisturbed())


@pytest.mark.usefixtures("every_step")
def test_what_changed_since_the_stop_is_read_again(sides: Sides) -> None:
    """Damage that came between the two starts is found, though size and time are what they were."""
    with pytest.raises((Interrupted, KeyboardInterrupt)):
        check(sides.request(), stop_when(lambda p: (p.label, p.stage) == ("new", "done"), by_hand=False))
    damaged = sides.new / "d1" / "1"
    before = damaged.stat()
    damaged.write_bytes(b"x" * before.st_size)
    os.utime(damaged, ns=(before.st_atime_ns, before.st_mtime_ns))
    context = check(sides.request())
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert context.causes == {"silent": 1}


@pytest.mark.usefixtures("every_step")
@pytest.mark.parametrize("change", ["algorithm", "root"])
def test_going_on_otherwise_than_it_was_begun_is_refused(sides: Sides, change: str) -> None:
    """Another algorithm or another tree would make what was read wrong: one line, and nothing is lost."""
    with pytest.raises((Interrupted, KeyboardInterrupt)):
        check(sides.request(), stop_when(lambda p: (p.label, p.stage) == ("new", "done"), by_hand=False))
    there = {path.name for path in sides.evidence.iterdir()}
    other: dict[str, Any] = {"algorithm": Algorithm.SHA256}
    if change == "root":
        other = {"new": plant(sides.base / "third", TREE)}
    with pytest.raises(UsageProblem, match="was begun") as caught:
        check(sides.request(**other))
    assert "\n" not in str(caught.value)
    assert {path.name for path in sides.evidence.iterdir()} >= {MANIFEST[Side.NEW]} & there
    assert check(sides.request()).verdict.kind is VerdictKind.TRUSTWORTHY


@pytest.mark.usefixtures("every_step")
def test_replace_begins_from_nothing(sides: Sides) -> None:
    """`replace` discards all that earlier attempts had read: everything is read again."""
    for _ in range(2):
        with pytest.raises((Interrupted, KeyboardInterrupt)):
            check(sides.request(), stop_when(lambda p: p.files_done > 0, by_hand=False))
    assert list(sides.evidence.glob("*.before"))
    check(sides.request(replace=True, algorithm=Algorithm.SHA256))
    assert {path.name for path in sides.evidence.iterdir()} == EVIDENCE
    for side in Side:
        facts = sides.facts(side)
        assert (facts["resumed"], facts["algorithm"]) == ("0", "sha256")
        assert int(facts["bytes_read"]) == sum(len(node.data) for node in TREE.values())


def test_a_complete_manifest_is_not_lost_to_one_that_is_given(sides: Sides) -> None:
    """Only a side given as a manifest has no use for a complete one in its place: refused, unless it is replaced."""
    sides.evidence.mkdir()
    scan_tree(sides.old, sides.evidence / MANIFEST[Side.OLD])
    kept = (sides.evidence / MANIFEST[Side.OLD]).read_bytes()
    scan_tree(sides.old, sides.base / "given")
    edit(sides.base / "given", "UPDATE facts SET value = 'another scan' WHERE key = 'label'")
    with pytest.raises(UsageProblem, match=r"holds a complete manifest of the old side.*--replace") as caught:
        check(sides.request(old=sides.base / "given"))
    assert caught.value.exit_code == 2
    assert (sides.evidence / MANIFEST[Side.OLD]).read_bytes() == kept
    assert check(sides.request(old=sides.base / "given", replace=True)).verdict.kind is VerdictKind.TRUSTWORTHY
    assert (sides.evidence / MANIFEST[Side.OLD]).read_bytes() == (sides.base / "given").read_bytes()


def test_a_complete_manifest_of_a_tree_is_gone_on_with(sides: Sides) -> None:
    """The same manifest, where the tree itself is given: nothing unchanged is read again."""
    sides.evidence.mkdir()
    scan_tree(sides.old, sides.evidence / MANIFEST[Side.OLD])
    assert check(sides.request()).verdict.kind is VerdictKind.TRUSTWORTHY
    assert sides.facts(Side.OLD)["bytes_read"] == "0"
    assert sides.facts(Side.NEW)["bytes_read"] != "0"


# ---- The early answer


@pytest.mark.parametrize("listing_only", [False, True])
def test_the_preliminary_account_comes_once_before_the_end(sides: Sides, listing_only: bool) -> None:
    """Told once, with both sides whole, before any stage after the scans."""
    (sides.new / "d0" / "0").unlink()
    (sides.new / "d0" / "5").write_bytes(b"short")
    told: list[Preliminary | str] = []
    check(sides.request(scan=ScanOptions(listing_only=listing_only)), lambda _: None, told.append, told.append)
    account, *stages = told
    looked = [] if listing_only else ["looking again at files that differ"]
    assert stages == ["reconciling", *looked, "writing the report"]
    assert not isinstance(account, str)
    assert [account.listed[side].files for side in Side] == [FILES, FILES - 1]
    assert account.not_at_their_place == (1, 1, 500)
    assert (account.new_only.entries, account.other_size.entries, account.same_size.entries) == (0, 1, FILES - 2)
    if listing_only:
        assert [account.to_read[side].files for side in Side] == [FILES, FILES - 1]


def test_a_manifest_that_is_given_is_in_the_account(sides: Sides) -> None:
    """One side taken from a manifest, the other scanned: the account is of both."""
    scan_tree(sides.old, sides.base / "given")
    accounts: list[Preliminary] = []
    (sides.new / "more").write_bytes(b"1")
    check(sides.request(old=sides.base / "given"), on_preliminary=accounts.append)
    (account,) = accounts
    assert account.listed[Side.OLD].files == FILES
    assert account.to_read[Side.OLD].files == 0
    assert account.new_only == (1, 1, 1)


def test_an_account_that_fails_ends_the_check(sides: Sides) -> None:
    """An error while it is told is an error of the check; neither side waits for the other for ever."""

    def fail(_: Preliminary) -> None:
        raise ManifestDamaged("x is damaged")

    with pytest.raises(ManifestDamaged):
        check(sides.request(), on_preliminary=fail)


# ---- Reusing


@pytest.fixture
def earlier(sides: Sides) -> dict[Side, Path]:
    """Give the manifests of an earlier check of both sides, kept elsewhere."""
    check(sides.request())
    kept = {side: sides.base / f"{side}.earlier" for side in Side}
    for side in Side:
        shutil.move(sides.evidence / MANIFEST[side], kept[side])
    shutil.rmtree(sides.evidence)
    return kept


def summary(sides: Sides) -> dict[str, Any]:
    """Return summary.json."""
    told: dict[str, Any] = json.loads((sides.evidence / "summary.json").read_text("utf-8"))
    return told


@pytest.mark.parametrize("turn", [1, -1], ids=["old first", "new first"])
def test_each_side_reuses_the_manifest_of_its_own_root(sides: Sides, earlier: dict[Side, Path], turn: int) -> None:
    """Matched by root, in whatever order they are given: nothing unchanged is read, and the fingerprints stay."""
    before = {side: facts_of(path)["fingerprint"] for side, path in earlier.items()}
    reuse = tuple(earlier[side] for side in (Side.OLD, Side.NEW)[::turn])
    context = check(sides.request(reuse=reuse))
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY
    for side in Side:
        totals = context.sides[side].totals
        assert (totals["proved_files"], totals["carried_files"]) == (0, FILES)
        assert sides.facts(side)["bytes_read"] == "0"
        assert sides.facts(side)["fingerprint"] == before[side]


def test_what_was_carried_is_said_and_never_claimed_as_read(sides: Sides, earlier: dict[Side, Path]) -> None:
    """The reasons, the summary and the page say what is only known from before, and how old that is."""
    oldest = {side: facts_of(path)["started"] for side, path in earlier.items()}
    context = check(sides.request(reuse=tuple(earlier.values())))
    assert f"{FILES} files on both sides, every one with the same content" in context.verdict.reasons
    for side in Side:
        assert (
            f"{FILES} files of the {side} side not read now: known from an earlier scan, unchanged since by size and "
            "times" in context.verdict.reasons
        )
        told = summary(sides)["sides"][side]
        assert (told["proved_files"], told["proved_bytes"], told["carried_files"]) == (0, 0, FILES)
        assert oldest[side] <= told["oldest_read"] <= facts_of(earlier[side])["finished"]
    assert not any("read on both sides" in reason for reason in context.verdict.reasons)
    page = (sides.evidence / "report.html").read_text("utf-8")
    assert "Every file read on both sides" not in page
    assert "not all read now" in page


def test_one_side_may_reuse_and_the_other_read(sides: Sides, earlier: dict[Side, Path]) -> None:
    """Only the side whose manifest is given is spared."""
    context = check(sides.request(reuse=(earlier[Side.OLD],)))
    known = [context.sides[side].totals["carried_files"] for side in Side]
    read = [context.sides[side].totals["proved_files"] for side in Side]
    assert (known, read) == ([FILES, 0], [0, FILES])
    assert sum("not read now" in reason for reason in context.verdict.reasons) == 1


def test_the_age_of_evidence_survives_being_carried_twice(sides: Sides, earlier: dict[Side, Path]) -> None:
    """A reading does not grow younger by being carried over and over."""
    check(sides.request(reuse=tuple(earlier.values())))
    first = summary(sides)["sides"]["old"]["oldest_read"]
    again = tuple(shutil.copy(sides.evidence / MANIFEST[side], sides.base / f"{side}.second") for side in Side)
    let_the_second_pass()
    check(sides.request(reuse=again, replace=True))
    told = summary(sides)["sides"]["old"]
    assert (told["oldest_read"], told["carried_files"]) == (first, FILES)


def test_damage_since_then_is_found_where_size_and_time_are_the_same(sides: Sides, earlier: dict[Side, Path]) -> None:
    """Nobody can set a ctime (utimensat(2)): what was written to since is read, whatever its mtime says."""
    damaged = sides.new / "d1" / "1"
    before = damaged.stat()
    damaged.write_bytes(b"x" * before.st_size)
    os.utime(damaged, ns=(before.st_atime_ns, before.st_mtime_ns))
    context = check(sides.request(reuse=tuple(earlier.values())))
    assert context.classes[Class.CONTENT_CHANGED].files == 1
    assert context.sides[Side.NEW].totals["proved_files"] == 1


@pytest.mark.parametrize("reused", [set(), {Side.OLD}, {Side.OLD, Side.NEW}], ids=["none", "one", "both"])
def test_a_listing_is_never_trustworthy_whatever_is_carried(
    sides: Sides, earlier: dict[Side, Path], reused: set[Side]
) -> None:
    """With both sides known to the last digest a listing still is a listing: inconclusive, without a fingerprint."""
    reuse = tuple(earlier[side] for side in sorted(reused))
    context = check(sides.request(reuse=reuse, scan=ScanOptions(listing_only=True)))
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    assert context.exit_code == 3
    assert fingerprints(context) == ["", ""]
    for side in Side:
        assert any(f"the scan of the {side} side is incomplete" in reason for reason in context.verdict.reasons)
        assert sides.facts(side)["bytes_read"] == "0"


def test_a_listing_can_still_say_that_something_is_missing(sides: Sides, earlier: dict[Side, Path]) -> None:
    """Not trustworthy, without reading a byte."""
    (sides.new / "d0" / "0").unlink()
    reuse = tuple(earlier.values())
    context = check(sides.request(reuse=reuse, scan=ScanOptions(listing_only=True)))
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_a_manifest_of_neither_side_is_refused(sides: Sides, earlier: dict[Side, Path]) -> None:
    """A copy has the same times and sizes and may have other bytes, so it is no source: one line, exit code 2."""
    third = plant(sides.base / "third", TREE)
    scan_tree(third, sides.base / "third.m")
    for reuse in ((sides.base / "third.m",), (earlier[Side.OLD], sides.base / "third.m")):
        with pytest.raises(UsageProblem, match="third, which is neither side") as caught:
            check(sides.request(reuse=reuse))
        assert caught.value.exit_code == 2
        assert "\n" not in str(caught.value)
    swapped = sides.request(old=third, reuse=(earlier[Side.OLD],))
    with pytest.raises(UsageProblem, match="neither side"):
        check(swapped)


@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.parametrize("reuse", ["a folder", "no manifest", "a third root", "incomplete"])
def test_a_refusal_costs_nothing(sides: Sides, earlier: dict[Side, Path], reuse: str, replace: bool) -> None:
    """What is refused is refused before anything is made or discarded, `replace` or not."""
    given = sides.base / "given"
    match reuse:
        case "a folder":
            given.mkdir()
        case "no manifest":
            given.write_bytes(b"hello")
        case "a third root":
            scan_tree(plant(sides.base / "third", TREE), given)
        case _:
            shutil.copy(earlier[Side.OLD], given)
            edit(given, "UPDATE facts SET value = '0' WHERE key = 'complete'")
    if replace:
        check(sides.request())
    there = {path: path.read_bytes() for path in sides.evidence.glob("*")}
    with pytest.raises(UsageProblem):
        check(sides.request(reuse=(given,), replace=replace))
    assert {path: path.read_bytes() for path in sides.evidence.glob("*")} == there
    assert sides.evidence.exists() is replace


def test_evidence_that_is_reused_and_replaced_is_not_lost(sides: Sides) -> None:
    """The natural next check, into the same folder from its own manifests: taken or refused, nothing is thrown away."""
    check(sides.request())
    own = tuple(sides.evidence / MANIFEST[side] for side in Side)
    there = {path.name: path.read_bytes() for path in sides.evidence.iterdir()}
    try:
        context = check(sides.request(reuse=own, replace=True))
    except UsageProblem:
        assert {path.name: path.read_bytes() for path in sides.evidence.iterdir()} == there
    else:
        assert context.sides[Side.OLD].totals["carried_files"] == FILES


def test_a_side_that_is_a_manifest_has_nothing_to_reuse(sides: Sides, earlier: dict[Side, Path]) -> None:
    """It is not scanned, so a manifest for its scan is a misunderstanding."""
    with pytest.raises(UsageProblem, match="neither side"):
        check(sides.request(old=earlier[Side.OLD], reuse=(earlier[Side.OLD],)))


def test_two_manifests_of_one_side_are_refused(sides: Sides, earlier: dict[Side, Path]) -> None:
    """Which of them would count?"""
    shutil.copy(earlier[Side.OLD], sides.base / "copy")
    with pytest.raises(UsageProblem, match="given twice for the old side"):
        check(sides.request(reuse=(earlier[Side.OLD], sides.base / "copy")))


def test_a_reused_manifest_that_was_changed_is_refused(sides: Sides, earlier: dict[Side, Path]) -> None:
    """A digest that somebody wrote into it would be carried for ever: exit code 4, nothing judged, nothing kept."""
    with closing(sqlite3.connect(earlier[Side.NEW])) as forger, forger:
        forger.execute("UPDATE entries SET digest = zeroblob(32) WHERE path = 'd0/0'")
    with pytest.raises(ManifestDamaged, match="does not match its fingerprint") as caught:
        check(sides.request(reuse=tuple(earlier.values())))
    assert caught.value.exit_code == 4
    assert not (sides.evidence / "findings.sqlite").exists()
    context = check(sides.request())
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY
    assert context.sides[Side.NEW].totals["carried_files"] == 0
