"""A check that reads a sample: what it reads, what it says, and how it is gone on with."""

from __future__ import annotations

import json
import math
import os
import shutil
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import Node, file, plant, scan_tree, snapshot, unread, write_manifest
from tests.scan.scans import entries_of, facts_of, let_the_second_pass
from verifier.check import CheckRequest, check
from verifier.classes import Class, Side, VerdictKind
from verifier.errors import Interrupted, ManifestDamaged, UsageProblem
from verifier.manifest.sample import SAMPLE_FILE, SampleFile
from verifier.reconcile.findings import Findings
from verifier.reconcile.options import PlaceMap
from verifier.report.terminal import summarise
from verifier.report.write import write_report
from verifier.sampling import Asked, most_in_strata
from verifier.scan import plan
from verifier.scan import side as side_module
from verifier.scan.scanner import ScanOptions
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from verifier.reconcile.preliminary import Preliminary
    from verifier.report.context import ReportContext
    from verifier.scan.progress import Progress

MANIFEST: Final = {side: f"{side}.manifest.sqlite" for side in Side}
TREE: Final = {
    **{f"maps/{n}".encode(): Node(b"%d" % n * 20) for n in range(60)},
    **{f"maps/prints/{n}".encode(): Node(b"%d" % n * 5000) for n in range(20)},
    **{f"notes/{n}".encode(): Node(b"%d" % n * 10) for n in range(15)},
    b"notes/empty": Node(b""),
    b"in the root": Node(b"x" * 100),
    b"scans/one": Node(b"y" * 2**20),
    b"scans/larger": Node(b"z" * (2**20 + 1)),
}
FILES: Final = len(TREE)


class Sides:
    """Two equal trees, and a place for the evidence."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self.old = plant(base / "old", TREE)
        self.new = plant(base / "new", TREE)
        self.evidence = base / "proof"

    def request(self, sample: str | None = "20", **changes: Any) -> CheckRequest:
        """Return a request for a sample of both trees, changed as a test wants."""
        asked = None if sample is None else Asked.parse(sample)
        given = {"old": self.old, "new": self.new, "evidence": self.evidence, "sample": asked, **changes}
        return CheckRequest(**given)

    def check(self, sample: str | None = "20", **changes: Any) -> ReportContext:
        """Check both trees."""
        return check(self.request(sample, **changes))

    def drawn(self, evidence: Path | None = None) -> dict[str, str]:
        """Return the sample, new path by old path."""
        with SampleFile.open((evidence or self.evidence) / SAMPLE_FILE) as sample:
            return dict(sample.connection.execute("SELECT old_path, new_path FROM drawn"))

    def read(self, side: Side, evidence: Path | None = None) -> set[str]:
        """Return the paths of one side's files whose content is known."""
        entries = entries_of((evidence or self.evidence) / MANIFEST[side])
        return {path for path, entry in entries.items() if entry.kind == Kind.FILE and entry.digest is not None}

    def damage(self, path: str) -> None:
        """Change a file's bytes on the new side, and nothing else about it."""
        place = self.new / path
        before = place.stat()
        place.write_bytes(bytes(byte ^ 1 for byte in place.read_bytes()))
        os.utime(place, ns=(before.st_atime_ns, before.st_mtime_ns))


@pytest.fixture
def sides(tmp_path: Path) -> Sides:
    """Give two equal trees."""
    return Sides(tmp_path)


def sampled(context: ReportContext) -> dict[str, Any]:
    """Return what the run's record says of the sample."""
    found = context.run["sample"]
    assert isinstance(found, dict)
    return found


# ---- What is read


def test_the_sample_is_read_on_both_sides_and_nothing_else(sides: Sides) -> None:
    """Every file that was drawn, no other, and both trees stay as they are."""
    before = snapshot(sides.old), snapshot(sides.new)
    sides.check()
    drawn = sides.drawn()
    assert 20 <= len(drawn) < FILES
    assert sides.read(Side.OLD) == set(drawn)
    assert sides.read(Side.NEW) == set(drawn.values())
    for side in Side:
        facts = facts_of(sides.evidence / MANIFEST[side])
        assert (facts["sampled"], facts["complete"]) == ("1", "1")
    assert (snapshot(sides.old), snapshot(sides.new)) == before


def test_every_top_folder_and_size_class_is_in_the_sample(sides: Sides) -> None:
    """However few were asked for, none is left out."""
    sides.check("1")
    drawn = set(sides.drawn())
    assert {path.split("/")[0] for path in drawn} == {"maps", "notes", "scans", "in the root"}
    assert {"in the root", "notes/empty", "scans/one", "scans/larger"} <= drawn
    assert len(drawn) == 7
    assert {"prints" in path for path in drawn if path.startswith("maps")} == {True, False}


def test_the_same_seed_gives_the_same_sample(sides: Sides) -> None:
    """In another run, into other evidence; and the seed that a run drew for itself is recorded and draws it again."""
    places = [sides.base / str(n) for n in range(3)]
    seed = sampled(sides.check(evidence=places[0]))["seed"]
    again = sides.check(seed=seed, evidence=places[1])
    assert sides.drawn(places[0]) == sides.drawn(places[1])
    assert sampled(again)["seed"] == seed
    sides.check(seed=seed + 1, evidence=places[2])
    assert sides.drawn(places[2]) != sides.drawn(places[0])


def test_a_map_says_where_the_other_of_a_pair_is(sides: Sides) -> None:
    """Each side reads its own path of a pair."""
    (sides.new / "maps").rename(sides.new / "charts")
    context = sides.check("30%", maps=(PlaceMap.parse("maps=charts"),))
    moved = {old: new for old, new in sides.drawn().items() if old != new}
    assert len(moved) > 10
    assert all(new == old.replace("maps/", "charts/") for old, new in moved.items())
    assert sides.read(Side.NEW) >= set(moved.values())
    assert context.classes[Class.MISSING].files == 0


@pytest.mark.parametrize("given", Side)
def test_one_side_may_be_a_manifest(sides: Sides, given: Side) -> None:
    """A manifest that was read answers for its side; only the other one's files of the sample are read."""
    root = sides.old if given is Side.OLD else sides.new
    taken = scan_tree(root, sides.base / "taken")
    changes: dict[str, Any] = {given.value: taken}
    context = sides.check(**changes)
    other = Side.NEW if given is Side.OLD else Side.OLD
    assert len(sides.read(given)) == FILES
    assert len(sides.read(other)) == len(sides.drawn()) == sampled(context)["read"] < FILES
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE


@pytest.mark.parametrize("quiet", [False, True])
def test_the_early_account_says_how_much_the_sample_is(sides: Sides, quiet: bool) -> None:
    """What is still to be read is the sample; and nobody has to ask for the account for it to be drawn."""
    told: list[Preliminary] = []
    check(sides.request(), on_preliminary=None if quiet else told.append)
    drawn = sides.drawn()
    size = sum(len(TREE[path.encode()].data) for path in drawn)
    assert [one.to_read for one in told] == ([] if quiet else [dict.fromkeys(Side, (len(drawn), len(drawn), size))])


# ---- What it says


def test_a_sample_without_a_difference_is_inconclusive_with_its_bound(sides: Sides) -> None:
    """The bound comes first; what was not read comes after it, and every pair of it is a finding."""
    context = sides.check(seed=7)
    drawn = len(sides.drawn())
    with SampleFile.open(sides.evidence / SAMPLE_FILE) as sample:
        strata = sample.connection.execute("SELECT population, drawn FROM strata").fetchall()
    most = most_in_strata(strata, 0)
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    first, second = context.verdict.reasons
    assert first.startswith(f"{drawn} of {FILES} files read, none differ: with 95 % confidence at most ")
    assert second == f"{FILES - drawn} files not read on both sides"
    assert context.classes[Class.UNPROVEN].files == FILES - drawn
    assert context.classes[Class.IDENTICAL].files == drawn
    assert sampled(context) == {
        "asked": "20",
        "seed": 7,
        "population": FILES,
        "drawn": drawn,
        "read": drawn,
        "differ": 0,
        "confidence": 0.95,
        "most_differing": most,
    }


def test_every_form_of_the_report_shows_the_bound(sides: Sides) -> None:
    """summary.json has the numbers, the page and the terminal have the sentence; also when it is written again."""
    context = sides.check()
    again = write_report(sides.evidence)
    summary = json.loads((sides.evidence / "summary.json").read_text("utf-8"))
    assert summary["sample"] == sampled(context) == sampled(again)
    reason = context.verdict.reasons[0]
    assert summary["reasons"][0] == reason
    assert reason in (sides.evidence / "report.html").read_text("utf-8")
    with Findings.open(sides.evidence / "findings.sqlite"):
        said = " ".join(" ".join(line.text for line in summarise(context)).split())
    assert reason in said


def test_a_run_that_read_everything_has_no_sample(sides: Sides) -> None:
    """The entry is there, and empty."""
    assert sides.check(None).run["sample"] is None
    assert json.loads((sides.evidence / "summary.json").read_text("utf-8"))["sample"] is None
    assert not (sides.evidence / SAMPLE_FILE).exists()


def test_a_difference_in_the_sample_is_found(sides: Sides) -> None:
    """It blocks trust by itself, and the bound says what it means for the rest."""
    sides.check(seed=7, evidence=sides.base / "before")
    hit = next(path for path in sorted(sides.drawn(sides.base / "before")) if path.startswith("maps/"))
    sides.damage(hit)
    context = sides.check(seed=7)
    drawn = len(sides.drawn())
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert context.causes == {"silent": 1}
    assert context.verdict.reasons[0] == "1 file with changed content"
    assert context.verdict.reasons[1].startswith(f"1 of {drawn} read differ: with 95 % confidence at most ")
    assert (sampled(context)["differ"], sampled(context)["read"]) == (1, drawn)
    assert sampled(context)["most_differing"] > 1


def test_a_difference_outside_the_sample_is_not_claimed_to_be_seen(sides: Sides) -> None:
    """It stays unproven, and the verdict says no more than what was read."""
    sides.check(seed=7, evidence=sides.base / "before")
    sides.damage(next(path.decode() for path in TREE if path.decode() not in sides.drawn(sides.base / "before")))
    context = sides.check(seed=7)
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    assert "none differ" in context.verdict.reasons[0]


def test_what_the_listing_shows_is_found_as_ever(sides: Sides) -> None:
    """A file that is missing and one of another size need no reading, and are not part of what is drawn from."""
    (sides.new / "maps" / "1").unlink()
    (sides.new / "maps" / "2").write_bytes(b"longer than it was, much longer than it ever was before")
    context = sides.check()
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert (context.classes[Class.MISSING].files, context.classes[Class.CONTENT_CHANGED].files) == (1, 1)
    assert sampled(context)["population"] == FILES - 2
    assert sampled(context)["differ"] == 0
    assert any("none differ" in reason for reason in context.verdict.reasons)


# ---- A sample of all


@pytest.mark.parametrize("asked", ["100%", str(FILES)])
def test_a_sample_of_everything_is_a_whole_check(sides: Sides, asked: str) -> None:
    """Everything is read, the bound is what was found, and the verdict is by the ordinary rules."""
    context = sides.check(asked)
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY
    assert context.verdict.reasons == (f"{FILES} files read on both sides, every one with the same content",)
    assert (sampled(context)["drawn"], sampled(context)["most_differing"]) == (FILES, 0)
    whole = sides.check(None, evidence=sides.base / "whole")
    for side in Side:
        assert context.sides[side].facts["fingerprint"] == whole.sides[side].facts["fingerprint"]


def test_a_sample_of_everything_finds_what_was_moved(sides: Sides) -> None:
    """Files without a fellow at their place are read, too, as in a check without a sample."""
    (sides.new / "scans" / "one").rename(sides.new / "notes" / "one")
    context = sides.check("100%")
    assert context.classes[Class.RELOCATED].files == 1
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY


def test_a_sample_of_all_pairs_leaves_the_rest_unread_where_less_was_asked_for(sides: Sides) -> None:
    """An early answer is no licence to read what has no fellow at its place; unread, it stands in the way."""
    plant(sides.new, {f"extra/{n}".encode(): Node(b"new") for n in range(2 * FILES)})
    context = sides.check(str(FILES + 5))
    assert len(sides.read(Side.NEW)) == FILES
    assert context.classes[Class.EXTRA].files == 2 * FILES
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    assert context.verdict.reasons == (
        f"the scan of the new side is incomplete: {2 * FILES} files listed only, not read",
    )


# ---- Gone on with


@pytest.fixture
def every_step(sides: Sides, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tell of every step and commit after it, read a few files at a time, and have files that hold still."""
    monkeypatch.setattr(side_module, "TELL_EVERY_S", 0.0)
    monkeypatch.setattr(side_module, "COMMIT_EVERY_S", 0.0)
    monkeypatch.setattr(plan, "LEAST_FILES", 1)
    monkeypatch.setattr(plan, "BATCH_FILES", 3)
    assert sides.old.exists()
    let_the_second_pass()


def stop_when(reached: Callable[[Progress], bool]) -> Callable[[Progress], None]:
    """Return what stops a check once it has come so far."""

    def look(progress: Progress) -> None:
        if reached(progress):
            raise KeyboardInterrupt

    return look


def stopped(sides: Sides, stage: str, sample: str = "40", **changes: Any) -> None:
    """Check, and stop when a side has come to a stage; while it reads, after some files."""
    reads = stage == "reading"
    with pytest.raises((Interrupted, KeyboardInterrupt)):
        check(
            sides.request(sample, **changes),
            stop_when(lambda p: p.label == "new" and p.stage == stage and (not reads or p.files_done > 5)),
        )
    assert not (sides.evidence / "findings.sqlite").exists()


@pytest.mark.usefixtures("every_step")
@pytest.mark.parametrize("stage", ["reading", "done"])
def test_a_sample_that_was_interrupted_is_gone_on_with(sides: Sides, stage: str) -> None:
    """The same request reads the rest of the very sample, with the seed that was drawn for it, and no other file."""
    stopped(sides, stage)
    before = (sides.evidence / SAMPLE_FILE).read_bytes()
    drawn = sides.drawn()
    context = sides.check("40")
    assert (sides.evidence / SAMPLE_FILE).read_bytes() == before
    assert sides.read(Side.OLD) == sides.read(Side.NEW) == set(drawn)
    assert sampled(context)["read"] == len(drawn)
    size = sum(len(TREE[path.encode()].data) for path in drawn)
    assert sum(int(facts_of(sides.evidence / MANIFEST[side])["bytes_read"]) for side in Side) < 2 * size
    undisturbed = sides.check("40", seed=sampled(context)["seed"], evidence=sides.base / "undisturbed")
    assert sampled(undisturbed) == sampled(context)
    assert undisturbed.verdict == context.verdict
    for side in Side:
        assert undisturbed.sides[side].facts["fingerprint"] == context.sides[side].facts["fingerprint"]


@pytest.mark.usefixtures("every_step")
def test_a_check_that_was_interrupted_before_the_draw_draws_later(sides: Sides) -> None:
    """Nothing was read, so nothing is lost; the other side, which waited for this one, ends as well."""
    stopped(sides, "listing")
    assert not (sides.evidence / SAMPLE_FILE).exists()
    context = sides.check("40")
    assert sides.read(Side.OLD) == sides.read(Side.NEW) == set(sides.drawn())
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE


@pytest.mark.usefixtures("every_step")
@pytest.mark.parametrize(
    ("sample", "changes", "said"),
    [
        ("41", {}, r"drawn with --sample 40, not 41"),
        ("40", {"seed": 9}, r"drawn with --seed 8, not 9"),
    ],
)
def test_another_sample_in_its_place_is_refused(sides: Sides, sample: str, changes: dict[str, Any], said: str) -> None:
    """What was read would not be what is drawn; `replace` begins anew."""
    stopped(sides, "reading", seed=8)
    with pytest.raises(UsageProblem, match=said) as caught:
        sides.check(sample, **changes)
    assert "run it as before, or say --replace" in str(caught.value)
    context = sides.check(sample, **changes, replace=True)
    assert sides.read(Side.OLD) == set(sides.drawn())
    assert sampled(context)["asked"] == sample


@pytest.mark.usefixtures("every_step")
def test_a_whole_check_goes_on_from_a_sample_that_was_interrupted(sides: Sides) -> None:
    """What was read counts, everything else is read, and nothing of a sample is left."""
    stopped(sides, "reading")
    context = sides.check(None)
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY
    assert not (sides.evidence / SAMPLE_FILE).exists()
    whole = sum(len(node.data) for node in TREE.values())
    assert sum(int(facts_of(sides.evidence / MANIFEST[side])["bytes_read"]) for side in Side) < 2 * whole


@pytest.mark.usefixtures("every_step")
def test_a_damaged_sample_is_not_gone_on_with(sides: Sides) -> None:
    """One line that says what to do."""
    stopped(sides, "reading")
    (sides.evidence / SAMPLE_FILE).write_bytes(b"x" * 9000)
    with pytest.raises(ManifestDamaged, match=r"sample\.sqlite is damaged.*--replace"):
        sides.check("40")


@pytest.mark.usefixtures("every_step")
def test_files_known_from_before_are_not_drawn(sides: Sides) -> None:
    """With earlier manifests of both sides only what changed since can still differ: that is what is drawn from."""
    sides.check(None)
    for root in (sides.old, sides.new):
        (root / "notes" / "1").write_bytes(b"a new text, the same on both sides")
    let_the_second_pass()
    earlier = tuple(sides.evidence / name for name in MANIFEST.values())
    context = sides.check("1", reuse=earlier, evidence=sides.base / "second")
    assert sides.drawn(sides.base / "second") == {"notes/1": "notes/1"}
    assert context.verdict.kind is VerdictKind.TRUSTWORTHY


def test_a_sampled_manifest_does_not_stand_for_its_tree(sides: Sides) -> None:
    """Given as a side later, it proves what was read and nothing else."""
    sides.check()
    drawn = len(sides.drawn())
    taken = sides.base / "taken"
    shutil.copyfile(sides.evidence / MANIFEST[Side.OLD], taken)
    context = sides.check(None, old=taken, evidence=sides.base / "second")
    assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    assert context.classes[Class.UNPROVEN].files == FILES - drawn
    third = sides.check("5", old=taken, evidence=sides.base / "third")
    assert sampled(third)["population"] == drawn


# ---- What cannot be meant


def refused(sides: Sides, said: str, sample: str | None = "20", **changes: Any) -> None:
    """Assert that a request is refused in one line, and leaves nothing."""
    with pytest.raises(UsageProblem, match=said) as caught:
        sides.check(sample, **changes)
    assert "\n" not in str(caught.value)
    assert not sides.evidence.exists()


def test_a_seed_without_a_sample(sides: Sides) -> None:
    """It would change nothing, so somebody forgot something."""
    refused(sides, "--seed.*give --sample", None, seed=1)


def test_a_sample_of_a_listing(sides: Sides) -> None:
    """One asks for reading, the other for none."""
    refused(sides, "--listing-only", scan=ScanOptions(listing_only=True))


def test_a_sample_of_two_manifests(sides: Sides) -> None:
    """There is nothing to read."""
    old, new = (scan_tree(root, sides.base / f"{root.name}.m") for root in (sides.old, sides.new))
    refused(sides, "both sides are manifests", old=old, new=new)


def test_a_sample_against_a_listing(sides: Sides) -> None:
    """A manifest without any content leaves nothing to compare with."""
    taken = write_manifest(sides.base / "m", [unread(file("a"))], listing_only=True)
    refused(sides, "holds no content", old=taken)


# ---- The file


def test_the_sample_in_the_evidence_can_be_audited(sides: Sides) -> None:
    """Plain tables in the evidence folder, the same after the check as at the draw; nothing else is left there."""
    sides.check("10%", seed=3)
    with closing(sqlite3.connect(sides.evidence / SAMPLE_FILE)) as plain:
        facts = dict(plain.execute("SELECT key, value FROM facts"))
        counted = plain.execute("SELECT count(*) FROM drawn JOIN strata USING (stratum)").fetchone()[0]
        (wanted,) = plain.execute("SELECT sum(drawn) FROM strata").fetchone()
    assert (facts["asked"], facts["seed"], facts["population"]) == ("10%", "3", str(FILES))
    assert counted == wanted == int(facts["drawn"]) >= math.ceil(FILES / 10)
    assert {path.name for path in sides.evidence.iterdir()} == {
        *MANIFEST.values(), SAMPLE_FILE, "findings.sqlite",
        "report.html", "summary.json", "summary.md", "differences.csv",
    }  # fmt: skip
