"""The main job: what it takes, what it refuses, what it leaves behind."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import FOLDER, Node, file, plant, scan_tree, snapshot, unread, write_manifest
from verifier.check import CheckRequest, check
from verifier.classes import Class, Side, VerdictKind
from verifier.errors import (
    AlgorithmMismatch,
    CannotRun,
    EvidenceUnwritable,
    ManifestDamaged,
    ManifestTooNew,
    NotAManifest,
    RootUnavailable,
    UsageProblem,
    VerifierError,
)
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import Findings
from verifier.reconcile.options import PlaceMap
from verifier.scan.scanner import ScanOptions
from verifier.tree.digests import Algorithm

if TYPE_CHECKING:
    from collections.abc import Iterator

EVIDENCE: Final = {
    "old.manifest.sqlite",
    "new.manifest.sqlite",
    "findings.sqlite",
    "report.html",
    "summary.json",
    "summary.md",
    "differences.csv",
}
TREE: Final = {b"a": Node(b"one"), b"b/c": Node(b"two"), b"b/d": FOLDER}


class Sides:
    """Two trees, and a place for the evidence."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self.old = plant(base / "old", TREE)
        self.new = plant(base / "new", TREE)
        self.evidence = base / "proof"
        self.before = snapshot(self.old), snapshot(self.new)

    def request(self, **changes: Any) -> CheckRequest:
        """Return a request for both trees, changed as a test wants."""
        return CheckRequest(**{"old": self.old, "new": self.new, "evidence": self.evidence, **changes})

    @property
    def untouched(self) -> bool:
        """Whether both trees are as they were planted."""
        return (snapshot(self.old), snapshot(self.new)) == self.before


@pytest.fixture
def sides(tmp_path: Path) -> Iterator[Sides]:
    """Give two equal trees, and see that they stay untouched."""
    both = Sides(tmp_path)
    yield both
    assert both.untouched


def refused(sides: Sides, error: type[VerifierError], match: str, **changes: Any) -> VerifierError:
    """Assert that a request is refused with one line, and that no evidence is left behind."""
    there = set(sides.base.rglob("*"))
    with pytest.raises(error, match=match) as caught:
        check(sides.request(**changes))
    assert "\n" not in str(caught.value)
    assert set(sides.base.rglob("*")) == there
    return caught.value


def rot(sides: Sides) -> None:
    """Change a byte on the new side, and take that for its state from now on."""
    where = sides.new / "a"
    where.write_bytes(b"eno")
    sides.before = snapshot(sides.old), snapshot(sides.new)


# ---- What it leaves behind


def test_an_evidence_folder_holds_what_the_design_says_and_nothing_else(sides: Sides) -> None:
    """Both manifests, the findings, the report in three forms; no temporary file stays."""
    context = check(sides.request())
    assert {path.name for path in sides.evidence.iterdir()} == EVIDENCE
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY
    assert context.evidence == sides.evidence


def test_folders_above_the_evidence_are_made(sides: Sides) -> None:
    """A new place may be several folders deep."""
    deep = sides.base / "proofs" / "2026" / "11"
    check(sides.request(evidence=deep))
    assert {path.name for path in deep.iterdir()} == EVIDENCE


def test_the_evidence_says_what_was_asked(sides: Sides) -> None:
    """The run's facts are kept with the findings."""
    check(sides.request(maps=(PlaceMap.parse("x=y"),), algorithm=Algorithm.SHA256))
    with Findings.open(sides.evidence / "findings.sqlite") as findings:
        run = json.loads(findings.facts()["run"])
    assert run["maps"] == ["x=y"]
    assert run["trees_seen"] is True
    assert {side["facts"]["algorithm"] for side in run["sides"].values()} == {"sha256"}


def test_stages_are_told_in_order(sides: Sides) -> None:
    """Whoever waits is told what happens after the scans, and how far each side is before."""
    stages: list[str] = []
    told: set[tuple[str, str]] = set()
    check(sides.request(), lambda progress: told.add((progress.label, progress.stage)), stages.append)
    assert stages == ["reconciling", "writing the report"]
    assert {(label, "done") for label in ("old", "new")} <= told


def test_findings_are_found_in_the_trees(sides: Sides) -> None:
    """The job as a whole: one changed byte, found and judged."""
    rot(sides)
    context = check(sides.request())
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert context.classes[Class.CONTENT_CHANGED].files == 1


def test_a_listing_never_proves_a_copy(sides: Sides) -> None:
    """With `listing_only` everything that agrees is unproven."""
    context = check(sides.request(scan=ScanOptions(listing_only=True)))
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    assert context.classes[Class.UNPROVEN].files == 2


# ---- Trees and manifests


@pytest.mark.parametrize("as_manifest", [{Side.OLD}, {Side.NEW}, {Side.OLD, Side.NEW}], ids=["old", "new", "both"])
def test_each_side_may_be_a_manifest(sides: Sides, as_manifest: set[Side]) -> None:
    """A manifest stands for its tree, and a copy of it is in the evidence, so that the evidence stands by itself."""
    rot(sides)
    roots = {Side.OLD: sides.old, Side.NEW: sides.new}
    given = {
        side: scan_tree(root, sides.base / f"{side}.taken") if side in as_manifest else root
        for side, root in roots.items()
    }
    before = {side: given[side].read_bytes() for side in as_manifest}
    context = check(sides.request(old=given[Side.OLD], new=given[Side.NEW]))
    assert context.classes[Class.CONTENT_CHANGED].files == 1
    for side in as_manifest:
        assert given[side].read_bytes() == before[side]
        assert (sides.evidence / f"{side}.manifest.sqlite").read_bytes() == before[side]


def test_a_tree_against_its_own_earlier_manifest(sides: Sides) -> None:
    """Disks that moved to new hardware are checked against a manifest taken before; what rotted since is found."""
    taken = scan_tree(sides.old, sides.base / "taken")
    assert check(sides.request(old=taken, new=sides.old)).verdict.kind is VerdictKind.TRUSTWORTHY
    rot(sides)
    context = check(sides.request(old=scan_tree(sides.old, sides.base / "again"), evidence=sides.base / "proof 2"))
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_a_scan_follows_the_algorithm_of_the_manifest_that_is_given(sides: Sides) -> None:
    """Only equal algorithms compare, so the manifest decides where nothing else is asked for."""
    first = check(sides.request(algorithm=Algorithm.SHA256))
    context = check(sides.request(old=first.evidence / "old.manifest.sqlite", evidence=sides.base / "second"))
    assert context.sides[Side.NEW].facts["algorithm"] == "sha256"
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY


def test_an_unfinished_manifest_is_inconclusive(sides: Sides) -> None:
    """A manifest of a scan that was stopped is taken for what it is."""
    new = write_manifest(
        sides.base / "n", [file("a"), unread(file("b"))], complete=False, interrupted="stopped before the end"
    )
    context = check(sides.request(old=write_manifest(sides.base / "o", [file("a"), file("b")]), new=new))
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    assert "stopped before the end" in context.verdict.reasons[0]


# ---- Sides that cannot be meant


def test_a_side_that_is_not_there(sides: Sides) -> None:
    """Named, with the question whether the share is mounted."""
    for change in ({"old": sides.base / "nowhere"}, {"new": sides.base / "nowhere"}):
        error = refused(sides, RootUnavailable, "nowhere is not there; is the share mounted", **change)
        assert error.exit_code == 4


@pytest.mark.parametrize("side", ["old", "new"])
def test_an_empty_side_is_not_a_success(sides: Sides, side: str) -> None:
    """An empty folder is what an unmounted share looks like."""
    empty = sides.base / "empty"
    empty.mkdir()
    error = refused(sides, RootUnavailable, f"the {side} side, .*empty, is an empty folder", **{side: empty})
    assert error.exit_code == 4


def test_two_empty_sides_are_not_a_success(sides: Sides) -> None:
    """Nothing equals nothing, and proves nothing."""
    for name in ("e1", "e2"):
        (sides.base / name).mkdir()
    refused(sides, RootUnavailable, "nothing to check", old=sides.base / "e1", new=sides.base / "e2")


def test_an_empty_manifest_is_not_a_success(sides: Sides) -> None:
    """Nor does a manifest without entries prove anything."""
    empty = write_manifest(sides.base / "m", [])
    refused(sides, RootUnavailable, "has no entries", old=empty)
    refused(sides, RootUnavailable, "has no entries", new=empty)


def test_a_side_of_empty_folders_only_is_inconclusive(sides: Sides) -> None:
    """A root that is not empty but holds no file was checked, and nothing was proved."""
    bare = plant(sides.base / "bare", {b"x": FOLDER, b"y/z": FOLDER})
    same = plant(sides.base / "same", {b"x": FOLDER, b"y/z": FOLDER})
    assert check(sides.request(old=bare, new=same)).verdict.kind is VerdictKind.INCONCLUSIVE


def test_the_same_folder_twice_however_it_is_named(sides: Sides) -> None:
    """By its name, with a slash, through a link, by a way around: a tree compared with itself proves nothing."""
    by_link = sides.base / "link"
    by_link.symlink_to(sides.old)
    names = [sides.old, Path(f"{sides.old}/"), by_link, sides.base / "new" / ".." / "old", sides.old / "b" / ".."]
    for name in names:
        error = refused(sides, UsageProblem, "are the same folder", new=name)
        assert error.exit_code == 2


def test_the_same_manifest_twice_however_it_is_named(sides: Sides) -> None:
    """A manifest against itself is always identical."""
    taken = scan_tree(sides.old, sides.base / "taken")
    by_link = sides.base / "link"
    by_link.symlink_to(taken)
    for name in (taken, by_link, sides.base / "old" / ".." / "taken"):
        refused(sides, UsageProblem, "given as both sides", old=taken, new=name)


def test_one_side_inside_the_other(sides: Sides) -> None:
    """Neither side may hold the other, directly or through a link."""
    refused(sides, UsageProblem, "lies inside", new=sides.old / "b")
    refused(sides, UsageProblem, "lies inside", old=sides.new / "b")
    by_link = sides.base / "link"
    by_link.symlink_to(sides.old / "b")
    refused(sides, UsageProblem, "lies inside", new=by_link)


def test_a_file_that_is_no_manifest(sides: Sides) -> None:
    """A text, an empty file, another database, findings: each is told apart from a manifest."""
    check(sides.request(evidence=sides.base / "first"))
    other = sides.base / "other.sqlite"
    with sqlite3.connect(other) as database:
        database.execute("CREATE TABLE entries (path)")
    database.close()
    for name, content in (("text", b"hello"), ("nothing", b""), ("zeros", bytes(5000))):
        (sides.base / name).write_bytes(content)
    for path in (
        sides.base / "text",
        sides.base / "nothing",
        sides.base / "zeros",
        other,
        sides.base / "first/findings.sqlite",
    ):
        error = refused(sides, NotAManifest, "is not a manifest", new=path)
        assert error.exit_code == 2


def test_a_manifest_of_a_later_version(sides: Sides) -> None:
    """Told with both versions, and not read."""
    taken = scan_tree(sides.old, sides.base / "taken")
    with sqlite3.connect(taken) as database:
        database.execute("PRAGMA user_version = 99")
    database.close()
    error = refused(sides, ManifestTooNew, "format version 99", old=taken)
    assert error.exit_code == 2


def test_a_manifest_that_was_changed_after_the_scan(sides: Sides) -> None:
    """Rows that do not give the fingerprint are not what was scanned."""
    taken = scan_tree(sides.old, sides.base / "taken")
    with sqlite3.connect(taken) as database:
        database.execute("UPDATE entries SET size = size + 1 WHERE path = 'a'")
    database.close()
    error = refused(sides, ManifestDamaged, "does not match its fingerprint", old=taken)
    assert error.exit_code == 4


@pytest.mark.parametrize("at", [0.3, 0.6, 0.95])
def test_a_manifest_with_overwritten_pages(sides: Sides, at: float) -> None:
    """Damage to the file is told as damage, in one line, whichever page it hit."""
    taken = scan_tree(sides.old, sides.base / "taken")
    data = bytearray(taken.read_bytes())
    start = int(len(data) * at) // 4096 * 4096
    data[start : start + 4096] = b"\xa5" * 4096
    taken.write_bytes(data)
    with pytest.raises(VerifierError) as caught:
        check(sides.request(old=taken))
    assert caught.value.exit_code in (2, 4)
    assert not sides.evidence.exists()


def test_a_manifest_that_was_cut_short(sides: Sides) -> None:
    """Half a manifest, as a copy over a broken line leaves it, is damaged."""
    taken = scan_tree(sides.old, sides.base / "taken")
    taken.write_bytes(taken.read_bytes()[:9000])
    refused(sides, ManifestDamaged, "is damaged", old=taken)


def test_manifests_of_different_algorithms(sides: Sides) -> None:
    """Both files and both algorithms are named, and how to scan again."""
    ours = scan_tree(sides.old, sides.base / "ours")
    theirs = (
        check(sides.request(algorithm=Algorithm.SHA256, evidence=sides.base / "x")).evidence / "new.manifest.sqlite"
    )
    error = refused(
        sides, AlgorithmMismatch, "ours was made with blake3, .*new.manifest.sqlite with sha256", old=ours, new=theirs
    )
    assert "scan one side again with --algorithm blake3 or sha256" in str(error)
    assert error.exit_code == 2


def test_an_algorithm_that_is_not_the_given_manifests(sides: Sides) -> None:
    """The option cannot override a manifest."""
    taken = scan_tree(sides.old, sides.base / "taken")
    error = refused(
        sides,
        AlgorithmMismatch,
        "made with blake3, and --algorithm asks for sha256",
        old=taken,
        algorithm=Algorithm.SHA256,
    )
    assert "leave --algorithm out" in str(error)


def test_maps_that_contradict_each_other(sides: Sides) -> None:
    """Refused before anything is scanned."""
    refused(sides, UsageProblem, "two places", maps=(PlaceMap.parse("a=b"), PlaceMap.parse("a=c")))


# ---- The evidence folder


def test_evidence_inside_a_tree_is_refused(sides: Sides) -> None:
    """Nothing is ever written into a tree, under whatever name it is reached."""
    by_link = sides.base / "link"
    by_link.symlink_to(sides.new / "b")
    for place in (
        sides.old,
        sides.old / "proof",
        sides.new / "b" / "proof",
        sides.new / "deep" / "er" / "proof",
        by_link / "proof",
        sides.base / "old" / ".." / "new" / "proof",
    ):
        error = refused(sides, UsageProblem, "nothing is ever written into a tree", evidence=place)
        assert error.exit_code == 2


def test_evidence_around_both_trees_is_refused(sides: Sides) -> None:
    """A folder that holds the trees holds other things than evidence."""
    refused(sides, UsageProblem, "holds other things", evidence=sides.base)


def test_a_folder_with_other_things_is_refused(sides: Sides) -> None:
    """Somebody's folder is not filled up, and the strange name is shown safely."""
    sides.evidence.mkdir()
    (sides.evidence / "holiday\x1b[2J.jpg").write_bytes(b"x")
    error = refused(sides, UsageProblem, "holds other things")
    assert "holiday\\x1b[2J.jpg" in str(error)
    assert error.exit_code == 2


def test_an_empty_folder_is_taken(sides: Sides) -> None:
    """A folder that was made for it may be there already."""
    sides.evidence.mkdir()
    check(sides.request())


def test_a_finished_check_is_not_overwritten(sides: Sides) -> None:
    """Evidence stays unless somebody says `replace`."""
    check(sides.request())
    before = {path.name: path.read_bytes() for path in sides.evidence.iterdir()}
    error = refused(sides, UsageProblem, "holds a finished check.*--replace")
    assert error.exit_code == 2
    assert {path.name: path.read_bytes() for path in sides.evidence.iterdir()} == before


def test_a_finished_check_is_replaced_when_asked(sides: Sides) -> None:
    """`replace` discards it, and what is there afterwards is the new run."""
    check(sides.request())
    rot(sides)
    context = check(sides.request(replace=True))
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert json.loads((sides.evidence / "summary.json").read_text("utf-8"))["verdict"] == "not-trustworthy"
    assert {path.name for path in sides.evidence.iterdir()} == EVIDENCE


def test_replacing_does_not_discard_other_things(sides: Sides) -> None:
    """`replace` is about a check's own files."""
    check(sides.request())
    (sides.evidence / "notes.txt").write_bytes(b"mine")
    refused(sides, UsageProblem, "holds other things", replace=True)
    assert (sides.evidence / "findings.sqlite").is_file()


@pytest.mark.parametrize("replace", [False, True])
def test_a_signed_check_is_never_replaced(sides: Sides, replace: bool) -> None:
    """What somebody signed stays, whatever is asked."""
    check(sides.request())
    (sides.evidence / "signoff.json").write_text("{}")
    refused(sides, UsageProblem, "holds a signed check", replace=replace)


@pytest.mark.parametrize(
    "left",
    [
        "old.manifest.sqlite-journal",
        "findings.sqlite.part",
        "findings.sqlite.part-journal",
        ".differences.csv.part",
        ".summary.json.part",
        ".summary.md.part",
        ".report.html.part",
    ],
)
def test_what_a_killed_run_left_does_not_stand_in_the_way(sides: Sides, left: str) -> None:
    """The same command can be run again after a run that was ended at any instant."""
    sides.evidence.mkdir()
    (sides.evidence / left).write_bytes(b"half a file")
    check(sides.request())
    assert {path.name for path in sides.evidence.iterdir()} == EVIDENCE


MANIFESTS: Final = ["old.manifest.sqlite", "new.manifest.sqlite", "old.manifest.sqlite.before"]


@pytest.mark.parametrize("left", MANIFESTS)
def test_an_empty_file_in_a_manifests_place_is_gone_on_with(sides: Sides, left: str) -> None:
    """A run that was ended before it had written anything leaves an empty file."""
    sides.evidence.mkdir()
    (sides.evidence / left).write_bytes(b"")
    assert check(sides.request()).verdict.kind is VerdictKind.TRUSTWORTHY
    assert {path.name for path in sides.evidence.iterdir()} == EVIDENCE


@pytest.mark.parametrize("left", MANIFESTS)
def test_what_is_no_manifest_in_a_manifests_place_is_refused(sides: Sides, left: str) -> None:
    """Nothing that a scan writes looks like it, so somebody else's file is not discarded, unless it is asked for."""
    sides.evidence.mkdir()
    for content in (b"half a file", bytes(5000)):
        (sides.evidence / left).write_bytes(content)
        with pytest.raises(NotAManifest, match="is not a manifest") as caught:
            check(sides.request())
        assert caught.value.exit_code == 2
        assert len(str(caught.value).splitlines()) == 1
        assert (sides.evidence / left).read_bytes() == content
    assert check(sides.request(replace=True)).verdict.kind is VerdictKind.TRUSTWORTHY
    assert {path.name for path in sides.evidence.iterdir()} == EVIDENCE


def test_evidence_that_cannot_be_made(sides: Sides) -> None:
    """A file where a folder should be is told in one line."""
    (sides.base / "file").write_bytes(b"")
    before = set(sides.base.rglob("*"))
    for place in (sides.base / "file", sides.base / "file" / "proof"):
        with pytest.raises(EvidenceUnwritable) as caught:
            check(sides.request(evidence=place))
        assert isinstance(caught.value, CannotRun)
        assert caught.value.exit_code == 4
    assert set(sides.base.rglob("*")) == before


def test_manifests_that_lie_in_the_evidence_already_are_kept(sides: Sides) -> None:
    """Scanned into their places, reconciled there: the inputs stay what they were."""
    sides.evidence.mkdir()
    taken = [scan_tree(root, sides.evidence / f"{root.name}.manifest.sqlite") for root in (sides.old, sides.new)]
    before = [path.read_bytes() for path in taken]
    request = sides.request(old=taken[0], new=taken[1])
    assert check(request).verdict.kind is VerdictKind.TRUSTWORTHY
    assert [path.read_bytes() for path in taken] == before
    again = sides.request(old=taken[0], new=taken[1], replace=True)
    assert check(again).verdict.kind is VerdictKind.TRUSTWORTHY
    assert [path.read_bytes() for path in taken] == before


def test_manifests_that_lie_in_each_others_places_are_not_lost(sides: Sides) -> None:
    """Named the wrong way round they are refused or exchanged; never is one of them compared with itself."""
    rot(sides)
    sides.evidence.mkdir()
    taken = [scan_tree(root, sides.evidence / f"{root.name}.manifest.sqlite") for root in (sides.old, sides.new)]
    before = {path.read_bytes() for path in taken}
    verdict = None
    with contextlib.suppress(VerifierError):
        verdict = check(sides.request(old=taken[1], new=taken[0])).verdict.kind
    assert verdict is not VerdictKind.TRUSTWORTHY
    assert {path.read_bytes() for path in taken} == before


def test_a_manifest_in_the_place_of_a_side_that_is_scanned_is_not_lost(sides: Sides) -> None:
    """A given manifest is never overwritten by the scan of the other side."""
    sides.evidence.mkdir()
    taken = scan_tree(sides.old, sides.evidence / "new.manifest.sqlite")
    kept = taken.read_bytes()
    with contextlib.suppress(VerifierError):
        check(sides.request(old=taken))
    assert kept in {path.read_bytes() for path in sides.evidence.iterdir() if path.name.endswith(".manifest.sqlite")}


def test_evidence_of_a_large_and_deep_name(sides: Sides) -> None:
    """A name with spaces, percent signs and question marks is a name; SQLite's URIs do not take it apart."""
    for name in ("a b", "100%25", "what?mode=rw", "tag#1", "\u00e9vidence"):
        check(sides.request(evidence=sides.base / "proofs" / name))
        assert {path.name for path in (sides.base / "proofs" / name).iterdir()} == EVIDENCE


def test_every_entry_is_in_the_copied_manifest(sides: Sides) -> None:
    """The manifests of the evidence are whole and sealed."""
    check(sides.request())
    for name in ("old", "new"):
        with Manifest.open(sides.evidence / f"{name}.manifest.sqlite") as manifest:
            manifest.check()
            assert [entry.path for entry in manifest.entries()] == ["a", "b", "b/c", "b/d"]
            assert manifest.facts()["fingerprint"]
