"""Several new roots: one old share that was split is accounted for across all of them."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.check.test_again import stop_when
from tests.reconcile.changes import FROZEN_AT_NS, LIVE_SINCE_NS, pairs
from tests.reconcile.trees import T0_NS, Node, looking_at, plant, reconcile_files, scratch, snapshot, write_manifest
from tests.reconcile.trees import file as file_entry
from tests.reconcile.trees import scan_tree as scan_named
from tests.scan.scans import edit, entries_of, facts_of, let_the_second_pass, scan_tree
from verifier.check import CheckRequest, check
from verifier.classes import Class, Side, VerdictKind
from verifier.errors import AlgorithmMismatch, Interrupted, RootUnavailable, UsageProblem, VerifierError
from verifier.manifest.merge import merge
from verifier.reconcile.findings import Findings
from verifier.reconcile.options import PlaceMap, ReconcileOptions
from verifier.report.write import write_report
from verifier.rules.load import load_rules
from verifier.scan.scanner import ScanOptions
from verifier.sides import look_at_sides, new_roots
from verifier.tree.digests import Algorithm
from verifier.tree.names import to_bytes, to_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.conftest import Mount
    from tests.reconcile.changes import Pair
    from verifier.reconcile.findings import Finding
    from verifier.reconcile.preliminary import Preliminary
    from verifier.report.context import ReportContext

WRITTEN: Final = {
    "old.manifest.sqlite",
    "new.manifest.sqlite",
    "findings.sqlite",
    "report.html",
    "summary.json",
    "summary.md",
    "differences.csv",
}
PARTS: Final = [f"new-{number}.manifest.sqlite" for number in (1, 2, 3)]
EVIDENCE: Final = {*WRITTEN, *PARTS}
FOLDERS: Final = ("projects", "archive", "rest")
TREE: Final = {f"{name}/d{n % 3}/{n}".encode(): Node(f"{name} {n}".encode() * 50) for name in FOLDERS for n in range(9)}
LABELS: Final = ["new/projects", "new/archive", "new/rest"]


class Split:
    """An old share, and three roots that it was split into."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self.old = plant(base / "old", TREE)
        plant(base / "mnt", TREE)
        self.roots = [base / "mnt" / name for name in FOLDERS]
        self.evidence = base / "proof"
        for root in self.roots:
            os.utime(root, ns=(T0_NS, T0_NS))

    def request(self, *roots: Path, **changes: Any) -> CheckRequest:
        """Return a request for the old share and these new roots, all three where none is named."""
        first, *others = roots or self.roots
        given = {"old": self.old, "new": first, "also_new": tuple(others), "evidence": self.evidence}
        return CheckRequest(**{**given, **changes})

    def changed(self, path: str, data: bytes) -> Path:
        """Change a file below the new roots and nothing else about it."""
        where = self.base / "mnt" / path
        where.write_bytes(data)
        os.utime(where, ns=(T0_NS, T0_NS))
        return where

    def findings(self) -> list[Finding]:
        """Return all findings of the check."""
        with Findings.open(self.evidence / "findings.sqlite") as findings:
            return list(findings.stream())

    def found(self) -> dict[tuple[str | None, str | None], str]:
        """Return each finding's class by its paths."""
        return {(one.old_path, one.new_path): one.cls for one in self.findings()}


@pytest.fixture
def split() -> Iterator[Split]:
    """Give an old share and three roots, in memory, and see that nothing is written into any of them."""
    with scratch() as base:
        given = Split(base)
        yield given
        assert not [path for root in (given.old, *given.roots) for path in root.rglob("*.sqlite*")]


def refused(split: Split, error: type[VerifierError], match: str, *roots: Path, **changes: Any) -> VerifierError:
    """Assert that a request is refused with one line, and that nothing is written or lost."""
    there = {path: path.read_bytes() for path in split.base.rglob("*") if path.is_file()}
    with pytest.raises(error, match=match) as caught:
        check(split.request(*roots, **changes))
    assert "\n" not in str(caught.value)
    now = {path: path.read_bytes() for path in split.base.rglob("*") if path.is_file()}
    assert {path: data for path, data in now.items() if path.name != ".lock"} == there
    return caught.value


def balanced(context: ReportContext) -> bool:
    """Tell whether both accounts come to what their manifests hold, on the file as well."""
    told = json.loads((context.evidence / "summary.json").read_text("utf-8"))["account"]
    return all(context.sides[side].balanced and told[side]["balanced"] for side in Side)


# ---- What is found


def test_a_share_that_was_split_is_found_whole(split: Split) -> None:
    """Each root is a folder of the new side, called by its last component: nothing differs, not even the folders."""
    before = [snapshot(root) for root in (split.old, *split.roots)]
    context = check(split.request())
    assert split.findings() == []
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY
    assert context.classes[Class.IDENTICAL] == (39, 27, sum(len(node.data) for node in TREE.values()))
    assert balanced(context)
    assert {path.name for path in split.evidence.iterdir()} == EVIDENCE
    assert [snapshot(root) for root in (split.old, *split.roots)] == before


def test_damage_in_one_root_is_found_and_named_with_its_label(split: Split) -> None:
    """A bit of a file in the second root: its place in the combined tree says where it is."""
    split.changed("archive/d1/4", b"x" * len(TREE[b"archive/d1/4"].data))
    context = check(split.request())
    (found,) = split.findings()
    assert (found.old_path, found.new_path) == ("archive/d1/4", "archive/d1/4")
    assert (found.cls, found.cause) == (Class.CONTENT_CHANGED, "silent")
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert balanced(context)


def test_what_is_in_no_root_is_missing(split: Split) -> None:
    """A file that none of the roots has is lost, and one that another root has is not."""
    (split.roots[0] / "d0" / "0").unlink()
    moved = split.roots[0] / "d1" / "1"
    moved.rename(split.roots[2] / "found again")
    context = check(split.request())
    files = {paths: cls for paths, cls in split.found().items() if cls != Class.METADATA_ONLY}
    assert files == {
        ("projects/d0/0", None): Class.MISSING,
        ("projects/d1/1", "rest/found again"): Class.RELOCATED,
    }
    assert context.classes[Class.MISSING].files == 1
    assert balanced(context)


def test_maps_lead_into_labels(split: Split) -> None:
    """What has another name on the old side is in its right place where a map says so; without one it was moved."""
    split.old.joinpath("rest").rename(split.old / "scans")
    context = check(split.request(maps=(PlaceMap.parse("scans=rest"),)))
    assert split.findings() == []
    assert context.classes[Class.IDENTICAL].files == 27
    context = check(split.request(replace=True))
    assert context.classes[Class.RELOCATED].files == 9
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY
    assert balanced(context)


def test_a_root_that_holds_several_folders(split: Split) -> None:
    """Labels are folders like others: two old folders may lie in one root, and one in a folder of a root."""
    plant(split.base / "srv" / "pool" / "work", {b"projects/x": Node(b"1"), b"a/b/archive/y": Node(b"2")})
    old = plant(split.base / "other", {b"projects/x": Node(b"1"), b"archive/y": Node(b"2"), b"loose": Node(b"3")})
    plant(split.base / "srv" / "loose files", {b"loose": Node(b"3")})
    maps = ("projects=work/projects", "archive=work/a/b/archive", "loose=loose files/loose")
    roots = (split.base / "srv" / "pool" / "work", split.base / "srv" / "loose files")
    check(split.request(*roots, old=old, maps=tuple(map(PlaceMap.parse, maps))))
    assert {paths: cls for paths, cls in split.found().items() if cls != Class.EXTRA} == {}
    assert {new for _, new in split.found()} == {"work", "work/a", "work/a/b", "loose files"}


def test_two_roots_of_one_name(split: Split) -> None:
    """The second is called -2, in the order given; findings say which is meant."""
    plant(split.base / "a" / "data", {b"x": Node(b"1"), b"y": Node(b"2")})
    plant(split.base / "b" / "data", {b"z": Node(b"WRONG")})
    old = plant(split.base / "other", {b"data/x": Node(b"1"), b"data/y": Node(b"2"), b"more/z": Node(b"3")})
    roots = (split.base / "a" / "data", split.base / "b" / "data")
    check(split.request(*roots, old=old, maps=(PlaceMap.parse("more=data-2"),)))
    assert split.found() == {("more/z", "data-2/z"): Class.CONTENT_CHANGED}
    told = json.loads(facts_of(split.evidence / "new.manifest.sqlite")["roots"])
    assert [(one["label"], one["root"]) for one in told] == [
        ("data", str(roots[0])),
        ("data-2", str(roots[1])),
    ]


def test_a_root_of_any_name(split: Split) -> None:
    """Bytes that are no text, a backslash, a line feed: a label is a name like any other."""
    names = [os.fsdecode(name) for name in (b"sh\xffare", b"a\\b", b"line\nfeed")]
    for number, name in enumerate(names):
        plant(split.base / "odd" / name, {b"x\xfe": Node(b"%d" % number)})
        plant(split.base / "other" / name, {b"x\xfe": Node(b"%d" % number)})
        os.utime(split.base / "odd" / name, ns=(T0_NS, T0_NS))
    told: list[str] = []
    roots = [split.base / "odd" / name for name in names]
    context = check(split.request(*roots, old=split.base / "other"), lambda progress: told.append(progress.label))
    assert split.findings() == []
    assert context.classes[Class.IDENTICAL].files == 3
    assert {"new/sh\\xffare", "new/a\\\\b", "new/line\\x0afeed"} < set(told)
    entries = entries_of(split.evidence / "new.manifest.sqlite").values()
    whole = entries_of(scan_tree_to(split.base / "odd", split.base / "whole")).values()
    assert [(one.path, one.raw) for one in entries] == [(one.path, one.raw) for one in whole]


def scan_tree_to(root: Path, manifest: Path) -> Path:
    """Scan a tree and return its manifest."""
    scan_tree(root, manifest)
    return manifest


def test_one_new_root_is_called_nothing(split: Split) -> None:
    """With a single root nothing is prefixed: no label, no part, no roots among the facts."""
    context = check(split.request(split.base / "mnt"))
    assert split.findings() == []
    assert {path.name for path in split.evidence.iterdir()} == WRITTEN
    assert "roots" not in context.sides[Side.NEW].facts


def test_the_report_says_which_roots(split: Split) -> None:
    """summary.json names all of them as the new side's root; the report stands on the evidence alone."""
    check(split.request())
    summary = (split.evidence / "summary.json").read_bytes()
    told = json.loads(summary)["sides"]["new"]
    assert told["label"] == "new"
    assert told["root"] == " + ".join(map(str, split.roots))
    assert told["files"] == told["proved_files"] == 27
    shutil.rmtree(split.base / "mnt")
    (split.evidence / "summary.json").unlink()
    write_report(split.evidence)
    assert (split.evidence / "summary.json").read_bytes() == summary


def test_every_root_is_told_by_its_own_name(split: Split) -> None:
    """Whoever waits sees each root by its label, and the step that puts them together."""
    stages: list[str] = []
    told: set[tuple[str, str]] = set()
    check(split.request(), lambda progress: told.add((progress.label, progress.stage)), stages.append)
    assert {label for label, stage in told if stage == "done"} == {"old", *LABELS}
    assert stages == ["putting the new roots together", "reconciling", "writing the report"]


def test_the_early_answer_is_of_all_roots_together(split: Split) -> None:
    """What another root has is not announced as missing; maps into labels are followed; nothing of it stays."""
    split.old.joinpath("rest").rename(split.old / "scans")
    (split.roots[1] / "d0" / "0").unlink()
    (split.roots[2] / "more").write_bytes(b"1")
    told: list[Preliminary] = []
    check(split.request(maps=(PlaceMap.parse("scans=rest"),)), on_preliminary=told.append)
    (account,) = told
    assert [account.listed[side].files for side in Side] == [27, 27]
    assert [account.listed[side].entries for side in Side] == [39, 39]
    assert account.not_at_their_place == (1, 1, len(TREE[b"archive/d0/0"].data))
    assert account.new_only == (1, 1, 1)
    assert account.same_size.files == 26
    assert {path.name for path in split.evidence.iterdir()} == EVIDENCE


def test_a_listing_of_several_roots_never_proves_a_copy(split: Split) -> None:
    """Everything that agrees is unproven, in every root."""
    context = check(split.request(scan=ScanOptions(listing_only=True)))
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    assert context.classes[Class.UNPROVEN].files == 27


GATES: Final[dict[str, Any]] = {"frozen_at_ns": FROZEN_AT_NS, "live_since_ns": LIVE_SINCE_NS, "rules": load_rules()}
NUMBER: Final = re.compile(rb"-(\d+)\.[xX]")


@settings(max_examples=10, deadline=None)
@given(pair=pairs(), roots=st.integers(2, 4))
def test_a_split_tree_gives_the_findings_of_the_whole(pair: Pair, roots: int) -> None:
    """However the top folders of a tree are spread over several roots, the same is found as in one tree.

    Held against the same files scanned as one tree, row for row, and against what was planted, with a map for each top
    name; the folders that the roots themselves are add nothing but that they are extra.
    """

    def moved(path: bytes) -> bytes:
        number = NUMBER.search(path.partition(b"/")[0])
        return b"r%d/%b" % (int(number[1]) % roots if number else 0, path)

    maps = tuple(PlaceMap(to_text(top), to_text(moved(top))) for top in {path.split(b"/")[0] for path in pair.old})
    with scratch() as base:
        old, new = plant(base / "old", pair.old), plant(base / "new", {moved(p): n for p, n in pair.new.items()})
        labels = sorted(root.name for root in new.iterdir())
        parts = [(label, scan_named(new / label, base / label)) for label in labels]
        merge(parts, base / "together")
        manifests = [scan_named(old, base / "old.m"), scan_named(new, base / "new.m"), base / "together"]
        with looking_at(old, new) as look:
            options = ReconcileOptions(maps=maps, look=look, **GATES)
            whole, together = (reconcile_files([manifests[0], one], options) for one in manifests[1:])
    assert together.findings == whole.findings
    assert together.accounts == whole.accounts
    found = {(one.old_path, one.new_path): (one.cls, one.cause) for one in together.findings}
    expected = {
        (ours, None if theirs is None else to_text(moved(to_bytes(theirs)))): outcome
        for (ours, theirs), outcome in pair.expected.items()
    }
    assert found == expected | {(None, label): (Class.EXTRA, None) for label in labels}


# ---- Trees and manifests


@pytest.fixture
def taken(split: Split) -> list[Path]:
    """Give manifests of the three roots, under names that say nothing."""
    return [scan_tree_to(root, split.base / f"m{number}") for number, root in enumerate(split.roots)]


def test_a_root_may_be_a_manifest(split: Split, taken: list[Path]) -> None:
    """Its label is that of the root it was made of, whatever the file is called; a copy of it is in the evidence."""
    split.changed("archive/d1/4", b"damaged")
    before = taken[0].read_bytes()
    context = check(split.request(taken[0], *split.roots[1:]))
    assert split.found() == {("archive/d1/4", "archive/d1/4"): Class.CONTENT_CHANGED}
    assert taken[0].read_bytes() == before == (split.evidence / PARTS[0]).read_bytes()
    assert {path.name for path in split.evidence.iterdir()} == EVIDENCE
    assert balanced(context)


def test_all_roots_may_be_manifests(split: Split, taken: list[Path]) -> None:
    """Four manifests are enough: the trees can be gone."""
    (split.old / "archive" / "lost").write_bytes(b"x")
    old = scan_tree_to(split.old, split.base / "o")
    shutil.rmtree(split.base / "mnt")
    context = check(split.request(*taken, old=old))
    files = {paths: cls for paths, cls in split.found().items() if cls != Class.METADATA_ONLY}
    assert files == {("archive/lost", None): Class.MISSING}
    assert balanced(context)


def test_manifests_of_several_machines(split: Split, taken: list[Path]) -> None:
    """Each was made elsewhere, of a root of the same name: that is no root given twice."""
    for number, path in enumerate(taken):
        edit(path, "UPDATE facts SET value = ? WHERE key = 'host'", f"server {number}")
        edit(path, "UPDATE facts SET value = '/srv/share' WHERE key = 'root'")
    maps = tuple(map(PlaceMap.parse, ("projects=share", "archive=share-2", "rest=share-3")))
    context = check(split.request(*taken, maps=maps))
    assert split.findings() == []
    assert context.sides[Side.NEW].facts["host"] == "server 0; server 1; server 2"


def test_an_unfinished_part_is_inconclusive(split: Split, taken: list[Path]) -> None:
    """What a part had not listed is an open question, never missing; the reason says which part."""
    part = write_manifest(
        split.base / "part",
        [file_entry("d0/0", TREE[b"rest/d0/0"].data)],
        root="/mnt/rest",
        listed=False,
        complete=False,
        interrupted="the share went away",
    )
    context = check(split.request(*taken[:2], part))
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    assert "rest: the share went away" in context.verdict.reasons[0]
    assert context.classes[Class.MISSING].entries == 0
    assert context.classes[Class.UNREADABLE].entries > 0
    assert balanced(context)


def test_the_trees_that_can_be_reached_are_known_by_label(split: Split, taken: list[Path]) -> None:
    """A look at two files that differ finds the right tree; where there is one root it has no label."""
    archive, rest = split.roots[1:]
    assert new_roots(look_at_sides(split.old, [taken[0], archive, rest])) == {"archive": archive, "rest": rest}
    assert new_roots(look_at_sides(split.old, [archive])) == {"": archive}
    assert new_roots(look_at_sides(split.old, [taken[0]])) == {}


def test_a_root_that_is_named_by_a_way_around(split: Split, monkeypatch: pytest.MonkeyPatch) -> None:
    """A link is called as it was typed; a path that ends in no name, as the folder it leads to."""
    (split.base / "link").symlink_to(split.roots[0])
    monkeypatch.chdir(split.roots[2])
    given = look_at_sides(split.old, [split.base / "link", split.roots[1] / "d0" / "..", Path()])
    assert [one.label for one in given] == ["", "link", "archive", "rest"]


def test_manifests_that_lie_in_their_places_already_are_kept(split: Split) -> None:
    """Scanned into the evidence, reconciled there: the inputs stay what they were, again and again."""
    split.evidence.mkdir()
    given = [scan_tree_to(root, split.evidence / name) for root, name in zip(split.roots, PARTS, strict=True)]
    before = [path.read_bytes() for path in given]
    for replace in (False, True):
        assert check(split.request(*given, replace=replace)).verdict.kind is VerdictKind.TRUSTWORTHY
        assert [path.read_bytes() for path in given] == before
        assert {path.name for path in split.evidence.iterdir()} == EVIDENCE


def test_manifests_in_each_others_places_are_not_lost(split: Split) -> None:
    """Named in another order, or as another side, they are refused."""
    split.evidence.mkdir()
    given = [scan_tree_to(root, split.evidence / name) for root, name in zip(split.roots, PARTS, strict=True)]
    refused(split, UsageProblem, "is given as another root's", given[1], given[0], given[2])
    refused(split, UsageProblem, "another root's|holds a complete manifest", split.roots[1], given[0])
    refused(split, UsageProblem, "is given as another root's", *split.roots[:2], old=given[0])
    whole = split.evidence / "new.manifest.sqlite"
    scan_tree(split.old, whole)
    refused(split, UsageProblem, "is given as another root's", *given, old=whole)


def test_what_was_put_together_can_be_checked_again_but_is_no_part(split: Split) -> None:
    """The combined manifest is one new side; beside other roots its own roots are wanted."""
    check(split.request())
    whole = split.base / "whole"
    shutil.copy(split.evidence / "new.manifest.sqlite", whole)
    context = check(split.request(whole, evidence=split.base / "second"))
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY
    refused(split, UsageProblem, "put together from several roots", whole, split.roots[0], evidence=split.base / "3")
    refused(split, UsageProblem, "put together from several roots", reuse=(whole,), evidence=split.base / "3")


# ---- What cannot be meant


def test_a_root_that_is_not_there(split: Split) -> None:
    """Named, whichever it is; exit code 4."""
    error = refused(
        split, RootUnavailable, "nowhere is not there; is the share", *split.roots[:2], split.base / "nowhere"
    )
    assert error.exit_code == 4


def test_an_empty_root_is_not_a_success(split: Split) -> None:
    """One share that is not mounted is enough; it is called by its label."""
    (split.base / "empty").mkdir()
    error = refused(
        split, RootUnavailable, "the new root empty, .*empty, is an empty folder", split.roots[0], split.base / "empty"
    )
    assert error.exit_code == 4
    empty = write_manifest(split.base / "m", [], root="/mnt/nothing")
    refused(split, RootUnavailable, "the new root nothing's manifest, .*has no entries", split.roots[0], empty)


@pytest.mark.parametrize(
    ("roots", "said"),
    [
        (lambda split: [split.roots[0], split.roots[0]], "are the same folder; name each new root once"),
        (lambda split: [*split.roots, split.base / "link"], "are the same folder; name each new root once"),
        (lambda split: [split.roots[0], split.base / "mnt"], "projects lies inside .*mnt"),
        (lambda split: [split.base / "mnt", split.roots[2]], "rest lies inside .*mnt"),
        (lambda split: [split.roots[0], split.old], "are the same folder; name the old and the new share"),
        (lambda split: [split.roots[0], split.old / "rest"], "rest lies inside .*old"),
        (lambda split: [split.roots[0], split.base / "m0"], "are of one root, .*projects on"),
        (lambda split: [split.base / "m0", split.base / "m0"], "m0 is given twice; name each new root once"),
        (lambda split: [split.base / "m0", split.base / "copy"], "are of one root, .*projects on"),
        (lambda split: [split.base / "mnt", split.base / "m0"], "projects lies inside .*mnt"),
        (lambda split: [split.base / "m1", split.base / "all"], "archive lies inside .*mnt"),
    ],
    ids=["twice", "twice by a link", "inner first", "outer first", "the old one", "inside the old one",
         "a tree and its manifest", "a manifest twice", "two manifests of one root", "a manifest of an inner one",
         "manifests of nested ones"],
)  # fmt: skip
def test_a_root_that_is_there_twice(
    split: Split, taken: list[Path], roots: Callable[[Split], list[Path]], said: str
) -> None:
    """What lies there once would be counted twice, and could stand for something lost: refused, exit code 2."""
    shutil.copy(taken[0], split.base / "copy")
    (split.base / "link").symlink_to(split.roots[0])
    scan_tree(split.base / "mnt", split.base / "all")
    assert refused(split, UsageProblem, said, *roots(split)).exit_code == 2


def test_evidence_in_any_root_is_refused(split: Split) -> None:
    """Nothing is ever written into a tree, the third new root included."""
    for root in split.roots:
        refused(split, UsageProblem, "nothing is ever written into a tree", evidence=root / "proof")


def test_a_map_to_a_label_that_is_none_is_refused(split: Split) -> None:
    """It would make everything below it missing: the labels that there are are named."""
    error = refused(split, UsageProblem, "no new root is called scans", maps=(PlaceMap.parse("rest=scans/2019"),))
    assert str(error).endswith("begin NEW_PREFIX with one of projects, archive, rest")


def test_a_map_may_lead_to_where_the_labels_are(split: Split) -> None:
    """Old folders that lie one deeper are called as the roots: a map of what is above them to nothing is enough."""
    old = plant(split.base / "deep", {b"x/" + path: node for path, node in TREE.items()})
    context = check(split.request(old=old, maps=(PlaceMap.parse("x="),)))
    assert context.classes[Class.IDENTICAL].files == 27
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY


def test_manifests_of_different_algorithms_are_refused(split: Split, taken: list[Path]) -> None:
    """Two of them are named, whichever they are; and a tree among them is read as the manifests were."""
    other = scan_sha(split.roots[2], split.base / "sha")
    refused(split, AlgorithmMismatch, "m0 was made with blake3, .*sha with sha256", taken[0], split.roots[1], other)
    context = check(split.request(*split.roots[:2], other))
    assert context.sides[Side.OLD].facts["algorithm"] == "sha256"
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY


def scan_sha(root: Path, manifest: Path) -> Path:
    """Scan a tree with another algorithm."""
    scan_tree(root, manifest, ScanOptions(algorithm=Algorithm.SHA256))
    return manifest


# ---- Interrupted


def stopped(split: Split, label: str, stage: str, **changes: Any) -> None:
    """Begin a check and stop it when a root has come so far."""
    with pytest.raises((Interrupted, KeyboardInterrupt)):
        check(split.request(**changes), stop_when(lambda p: (p.label, p.stage) == (label, stage), by_hand=False))


@pytest.mark.usefixtures("every_step")
@pytest.mark.parametrize(("label", "stage"), [("old", "listing"), (LABELS[1], "reading"), (LABELS[0], "done")])
def test_a_check_of_several_roots_is_gone_on_with(split: Split, label: str, stage: str) -> None:
    """Wherever it was stopped, the same request ends as an undisturbed one, and reads no file twice that was read."""
    split.changed("archive/d1/4", b"x" * len(TREE[b"archive/d1/4"].data))
    let_the_second_pass()
    stopped(split, label, stage)
    assert not (split.evidence / "findings.sqlite").exists()
    context = check(split.request())
    undisturbed = check(split.request(evidence=split.base / "undisturbed"))
    assert context.verdict == undisturbed.verdict
    assert context.classes == undisturbed.classes
    assert [context.sides[side].facts["fingerprint"] for side in Side] == [
        undisturbed.sides[side].facts["fingerprint"] for side in Side
    ]
    assert {path.name for path in split.evidence.iterdir()} == EVIDENCE


@pytest.mark.usefixtures("every_step")
def test_a_stopped_check_says_how_far_each_root_was(split: Split) -> None:
    """One line with every root by its name, and what to do; exit code 3."""
    with pytest.raises(Interrupted) as caught:
        check(split.request(), stop_when(lambda p: (p.label, p.stage) == (LABELS[2], "reading"), by_hand=True))
    said = str(caught.value)
    assert caught.value.exit_code == 3
    assert all(f"{name}: " in said for name in ("old", *LABELS))
    assert "run the same command again" in said
    assert "\n" not in said


@pytest.mark.usefixtures("every_step")
def test_nothing_is_read_again_after_a_stop_before_the_findings(split: Split) -> None:
    """Ended while the manifests were put together or reconciled, all scans were complete: nothing is read again."""
    let_the_second_pass()
    whole = check(split.request()).sides[Side.NEW].facts["fingerprint"]
    for name in WRITTEN - {"old.manifest.sqlite", "new.manifest.sqlite"}:
        (split.evidence / name).unlink()
    context = check(split.request())
    assert context.sides[Side.NEW].facts["fingerprint"] == whole
    assert [facts_of(split.evidence / name)["bytes_read"] for name in PARTS] == ["0"] * 3
    assert context.sides[Side.NEW].totals["proved_files"] == 27


def root_sets(split: Split) -> dict[str, list[Path]]:
    """Return sets of new roots that are others than all three in order."""
    one, two, three = split.roots
    return {
        "fewer": [one, two],
        "others": [one, two, plant(split.base / "fourth", {b"x": Node(b"1")})],
        "another order": [two, one, three],
        "the folder above": [split.base / "mnt"],
    }


@pytest.mark.usefixtures("every_step")
@pytest.mark.parametrize("which", ["fewer", "others", "another order", "the folder above"])
def test_going_on_with_other_roots_is_refused(split: Split, which: str) -> None:
    """What was read of the roots that are not named any more would be thrown away: one line, and nothing is lost."""
    other = root_sets(split)[which]
    stopped(split, LABELS[2], "done")
    error = refused(split, UsageProblem, "was begun with .*projects, .*archive, .*rest as NEW, not with", *other)
    assert error.exit_code == 2
    assert "--replace" in str(error)
    assert check(split.request()).verdict.kind is VerdictKind.TRUSTWORTHY


@pytest.mark.usefixtures("every_step")
@pytest.mark.parametrize("which", ["fewer", "the folder above"])
def test_other_roots_replace_what_was_begun_when_asked(split: Split, which: str) -> None:
    """`replace` discards all that the other roots left."""
    other = root_sets(split)[which]
    stopped(split, LABELS[2], "done")
    check(split.request(*other, replace=True))
    parts = {f"new-{number}.manifest.sqlite" for number in range(1, len(other) + 1)} if len(other) > 1 else set()
    assert {path.name for path in split.evidence.iterdir()} == WRITTEN | parts


@pytest.mark.usefixtures("every_step")
def test_a_check_of_one_root_is_not_gone_on_with_several(split: Split) -> None:
    """What was read of the single root lies where the combined manifest would go: refused, and not lost."""
    with pytest.raises((Interrupted, KeyboardInterrupt)):
        check(
            split.request(split.base / "mnt"), stop_when(lambda p: (p.label, p.stage) == ("new", "done"), by_hand=False)
        )
    refused(split, UsageProblem, "was begun with .*mnt as NEW, not with .*projects, .*archive, .*rest;")
    assert check(split.request(split.base / "mnt")).verdict.kind is VerdictKind.TRUSTWORTHY


@pytest.mark.usefixtures("every_step")
def test_a_check_with_a_manifest_among_its_roots_is_gone_on_with(split: Split, taken: list[Path]) -> None:
    """The copy of a given manifest that an earlier attempt made does not stand in the way of the same request."""
    roots = (split.roots[0], taken[1], split.roots[2])
    old = scan_tree_to(split.old, split.base / "o")
    with pytest.raises((Interrupted, KeyboardInterrupt)):
        check(
            split.request(*roots, old=old),
            stop_when(lambda p: (p.label, p.stage) == (LABELS[2], "done"), by_hand=False),
        )
    assert check(split.request(*roots, old=old)).verdict.kind is VerdictKind.TRUSTWORTHY
    assert {path.name for path in split.evidence.iterdir()} == EVIDENCE


@pytest.mark.usefixtures("every_step")
def test_half_a_copy_of_a_given_manifest_is_copied_again(split: Split, taken: list[Path]) -> None:
    """A run that was ended while it copied a manifest into the evidence does not stand in the way either."""
    split.evidence.mkdir()
    (split.evidence / PARTS[1]).write_bytes(taken[1].read_bytes()[:9000])
    check(split.request(split.roots[0], taken[1], split.roots[2]))
    assert (split.evidence / PARTS[1]).read_bytes() == taken[1].read_bytes()


def test_a_part_that_would_be_lost_is_refused(split: Split, taken: list[Path]) -> None:
    """A complete manifest in the place of a root that is given as another manifest stays, unless it is asked for."""
    split.evidence.mkdir()
    scan_tree(split.roots[1], split.evidence / PARTS[1])
    edit(split.evidence / PARTS[1], "UPDATE facts SET value = 'another scan' WHERE key = 'label'")
    match = "holds a complete manifest of the new root archive"
    refused(split, UsageProblem, match, split.roots[0], taken[1], split.roots[2])
    check(split.request(split.roots[0], taken[1], split.roots[2], replace=True))


@pytest.mark.parametrize("left", [PARTS[1], f"{PARTS[0]}.before", f"{PARTS[2]}-journal", ".new.manifest.sqlite.part"])
def test_what_a_killed_run_left_does_not_stand_in_the_way(split: Split, left: str) -> None:
    """Empty files and what was for a moment only."""
    split.evidence.mkdir()
    (split.evidence / left).write_bytes(b"")
    assert check(split.request()).verdict.kind is VerdictKind.TRUSTWORTHY
    assert {path.name for path in split.evidence.iterdir()} == EVIDENCE


# ---- Reusing


def test_each_root_reuses_its_own_manifest(split: Split) -> None:
    """Matched by root, in any order: nothing is read, and the whole has the fingerprint that it had."""
    let_the_second_pass()
    first = check(split.request())
    names = ["old.manifest.sqlite", *PARTS]
    kept = tuple(shutil.copy(split.evidence / name, split.base / f"kept {name}") for name in reversed(names))
    let_the_second_pass()
    context = check(split.request(reuse=kept, replace=True))
    totals = context.sides[Side.NEW].totals
    assert (totals["proved_files"], totals["carried_files"]) == (0, 27)
    assert context.sides[Side.NEW].facts["fingerprint"] == first.sides[Side.NEW].facts["fingerprint"]
    assert any("27 files of the new side not read now" in reason for reason in context.verdict.reasons)
    again = shutil.copy(kept[0], split.base / "again")
    error = refused(split, UsageProblem, "given twice for the new root rest", reuse=(kept[0], again), replace=True)
    assert "one manifest for each root" in str(error)
    other = scan_tree_to(plant(split.base / "fourth", {b"x": Node(b"1")}), split.base / "f")
    refused(split, UsageProblem, "fourth, which is none of the roots", reuse=(other,), replace=True)


# ---- Real file systems


@pytest.mark.real(root=True, mounts=True, programs=("mkfs.ntfs",), paths=("/dev/loop-control",))
def test_roots_on_file_systems_of_several_types(split: Split, mount: Mount) -> None:
    """What one of them cannot hold is compared on none; a fault is found on each; inodes of two are never one.

    NTFS holds times of 100 ns (MS-FSCC 2.1.1); ntfs-3g shows modes and owners of the mount (from memory).
    """
    image = split.base / "image"
    with image.open("wb") as sparse:
        sparse.truncate(32 * 2**20)
    subprocess.run(["mkfs.ntfs", "-F", "-Q", "-q", image], check=True, capture_output=True)
    points = [split.base / "real" / name for name in FOLDERS]
    for point in points:
        point.mkdir(parents=True)
    mount("-o", "loop", image, points[0])
    for point in points[1:]:
        mount("-t", "tmpfs", "none", point)
    for root, point in zip(split.roots, points, strict=True):
        shutil.copytree(root, point, dirs_exist_ok=True)
        os.link(point / "d0" / "0", point / "d0" / "again")
        os.link(split.old / root.name / "d0" / "0", split.old / root.name / "d0" / "again")
    for number, folder in enumerate(FOLDERS):
        (split.old / folder / "d1" / "1").chmod(0o600)
        (points[number] / "d2" / "5").write_bytes(b"damaged")
    context = check(split.request(*points))
    assert split.found() == {(f"{name}/d2/5", f"{name}/d2/5"): Class.CONTENT_CHANGED for name in FOLDERS}
    assert balanced(context)
    new = context.sides[Side.NEW].facts
    assert (new["file_system"], new["grain_ns"], new["modes"], new["owners"]) == ("fuseblk; tmpfs", "100", "0", "0")
    entries = entries_of(split.evidence / "new.manifest.sqlite")
    linked = [
        (entries[f"{name}/d0/{file}"].device, entries[f"{name}/d0/{file}"].inode)
        for name in FOLDERS
        for file in ("0", "again")
    ]
    assert linked[0::2] == linked[1::2]
    assert len(set(linked)) == 3
