"""Reusing an earlier manifest: what has not changed is carried over and never called proved, the rest is read."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3

from tests.scan.scans import (
    edit,
    entries_of,
    facts_of,
    iso_time,
    let_the_second_pass,
    problems_of,
    reseal,
    scan_tree,
)
from tests.strategies import Folder, Link, lay_out
from verifier import clock
from verifier.errors import ManifestDamaged, NotAManifest, RootUnavailable, UsageProblem
from verifier.scan import plan, side
from verifier.scan.pace import Meter
from verifier.scan.plan import Reread
from verifier.scan.scanner import ScanOptions, ScanOutcome
from verifier.tree.content import SEGMENT_BYTES
from verifier.tree.digests import Algorithm
from verifier.tree.entry import Kind, State
from verifier.tree.file_system import FILE_SYSTEMS, FileSystem
from verifier.tree.share import Share

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.tree.entry import Entry

LARGE_BYTES: Final = 2 * SEGMENT_BYTES + 7
DAY_S: Final = 86400
TREE: Final[Folder] = {
    b"folder": {f"{n}".encode(): f"content {n}".encode() for n in range(40)},
    b"link": Link(b"folder"),
    b"empty": b"",
    b"attributes": b"attributes",
    b"one": b"one inode",
    b"touched": b"touched",
    b"other content": b"before",
    b"other mode": b"other mode",
    b"grown": b"grown",
    b"replaced": b"replaced",
    b"vanishing": b"vanishing",
    b"was unreadable": b"was unreadable",
}


def lay_out_all(place: Path) -> Path:
    """Lay out the tree, a large file and a second name."""
    root = lay_out(place, TREE)
    (root / "large").touch()
    os.truncate(root / "large", LARGE_BYTES)
    os.link(root / "one", root / "two")
    if hasattr(os, "setxattr"):
        os.setxattr(root / "attributes", "user.checked", b"yes")
    return root


def change_some(root: Path) -> None:
    """Change files in every way that a comparison of facts has to see, keeping times where they can be kept."""
    os.utime(root / "touched", ns=(1, 1))
    times = {name: (root / name).stat() for name in ("other content", "replaced")}
    (root / "other content").write_bytes(b"after.")
    (root / "new").write_bytes(b"REPLACED")
    (root / "new").replace(root / "replaced")
    for name, facts in times.items():
        os.utime(root / name, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    (root / "other mode").chmod(0o600)
    with (root / "grown").open("ab") as file:
        file.write(b", and more")
    (root / "vanishing").unlink()
    (root / "appearing").write_bytes(b"appearing")


CHANGED: Final = {"touched", "other content", "replaced", "other mode", "grown", "appearing", "was unreadable"}


@dataclass(frozen=True, slots=True)
class Story:
    """A tree that was scanned, changed, and scanned again with the first manifest."""

    root: Path
    earlier: Path
    reusing: Path
    outcome: ScanOutcome
    undisturbed: ScanOutcome
    """A scan of the same tree that reuses nothing."""
    was: dict[str, Entry]
    found: dict[str, Entry]


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """Scan, change, scan again, each when the second of the last change is over."""
    place = tmp_path_factory.mktemp("reuse")
    root, earlier, reusing = lay_out_all(place / "root"), place / "earlier", place / "reusing"
    let_the_second_pass()
    scan_tree(root, earlier)
    edit(earlier, "UPDATE entries SET state = 'unreadable', digest = NULL WHERE path = 'was unreadable'")
    reseal(earlier)
    change_some(root)
    let_the_second_pass()
    outcome = scan_tree(root, reusing, reuse=earlier)
    undisturbed = scan_tree(root, place / "undisturbed")
    return Story(root, earlier, reusing, outcome, undisturbed, entries_of(earlier), entries_of(reusing))


def test_what_is_unchanged_is_carried_over_whole(story: Story) -> None:
    """Digest, pieces of a large file, first bytes, attributes, and when it was read: all as the earlier scan has it."""
    files = {path for path, entry in story.found.items() if entry.kind == Kind.FILE}
    carried = {path for path, entry in story.found.items() if entry.state == State.CARRIED}
    assert carried == files - CHANGED
    for path in carried:
        assert story.found[path] == story.was[path]._replace(state=State.CARRIED.value), path
        assert story.was[path].state == State.PROVED
    large = story.found["large"]
    assert large.segments is not None
    assert len(large.segments) == 3 * 16
    assert story.found["attributes"].xattrs == story.was["attributes"].xattrs
    assert "two" in carried


@pytest.mark.parametrize("path", sorted(CHANGED))
def test_what_changed_is_read(story: Story, path: str) -> None:
    """Other times, another inode, other content under the same size and mtime: all have what they have now."""
    data = (story.root / path).read_bytes()
    entry = story.found[path]
    assert (entry.state, entry.size, entry.digest) == (State.PROVED, len(data), blake3(data).digest())


def test_only_what_changed_costs_bytes(story: Story) -> None:
    """A scan that reuses reads what it has to and nothing else."""
    read = sum((story.root / path).stat().st_size for path in CHANGED)
    assert int(facts_of(story.reusing)["bytes_read"]) == read
    assert facts_of(story.reusing)["reused"] == str(story.earlier)


def test_names_are_those_of_now(story: Story) -> None:
    """An earlier manifest says nothing about what is there: what vanished is gone, what came is there."""
    there = {os.fsdecode(os.fsencode(p.relative_to(story.root))) for p in story.root.rglob("*")}
    assert "vanishing" not in story.found
    assert "appearing" in story.found
    assert len(story.found) == len(there)


def test_the_fingerprint_is_that_of_a_scan_that_read_everything(story: Story) -> None:
    """What was carried over is right, so the tree has one fingerprint, however it was looked at."""
    assert story.outcome.fingerprint == story.undisturbed.fingerprint


def test_carried_never_counts_as_proved(story: Story) -> None:
    """Totals keep apart what was read now and what was read earlier, and say how old the oldest evidence is."""
    totals = story.outcome.totals
    assert totals.proved_files == len(CHANGED)
    assert totals.proved_bytes == sum((story.root / path).stat().st_size for path in CHANGED)
    assert totals.proved_files + totals.carried_files == totals.files
    assert totals.proved_bytes + totals.carried_bytes == totals.bytes
    assert totals.unread == 0
    assert totals.oldest_read == min(entry.read_at or "" for entry in story.was.values() if entry.read_at)


def test_what_was_carried_can_be_carried_on(story: Story, manifest: Path) -> None:
    """From one scan to the next a file keeps the time at which it was really read."""
    totals = scan_tree(story.root, manifest, reuse=story.reusing).totals
    found = entries_of(manifest)
    assert totals.carried_files == totals.files
    assert {path: entry.read_at for path, entry in found.items()} == {
        path: entry.read_at for path, entry in story.found.items()
    }


def test_two_names_of_one_inode_are_both_carried(story: Story) -> None:
    """Hard links need not be read for being links."""
    assert (story.found["one"].state, story.found["two"].state) == (State.CARRIED, State.CARRIED)
    assert story.found["one"].digest == story.found["two"].digest == blake3(b"one inode").digest()


@pytest.mark.usefixtures("clock_ahead")
def test_names_that_are_no_text_are_carried_too(manifest: Path, tmp_path: Path) -> None:
    """Files whose names, or whose folders' names, are no UTF-8 or hold a backslash are not read for that."""
    tree: Folder = {b"d\xff": {b"plain": b"1"}, b"\xff": b"2", b"back\\slash": b"3", b"back\\folder": {b"plain": b"4"}}
    root, earlier = lay_out(tmp_path / "root", tree), tmp_path / "earlier"
    fingerprint = scan_tree(root, earlier).fingerprint
    outcome = scan_tree(root, manifest, reuse=earlier)
    assert outcome.totals.carried_files == 4
    assert outcome.fingerprint == fingerprint


# ---- What counts as unchanged


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return a tree of ten files of 100 bytes."""
    return lay_out(tmp_path / "root", {f"{n}".encode(): f"{n}".encode() * 100 for n in range(10)})


@pytest.fixture
def earlier(root: Path, clock_ahead: None) -> Path:
    """Return a manifest of it whose readings lie after its last change."""
    place = root.with_name("earlier")
    scan_tree(root, place)
    return place


def carried(manifest: Path) -> set[str]:
    """Return the names of the files that were carried over; all others have to be proved."""
    found = entries_of(manifest)
    assert {entry.state for entry in found.values()} <= {State.CARRIED, State.PROVED}
    return {path for path, entry in found.items() if entry.state == State.CARRIED}


@pytest.mark.parametrize("column", ["size", "mtime_ns", "ctime_ns", "inode"])
def test_each_fact_counts(root: Path, earlier: Path, manifest: Path, column: str) -> None:
    """One fact that is another is enough for a file to be read."""
    edit(earlier, f"UPDATE entries SET {column} = {column} + 1 WHERE path = '4'")
    reseal(earlier)
    scan_tree(root, manifest, reuse=earlier)
    assert carried(manifest) == {f"{n}" for n in range(10)} - {"4"}


def test_an_inode_number_counts_only_where_it_is_stable(
    root: Path, earlier: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a mount makes inode numbers up (mount.cifs(8), noserverino) another number is no change."""
    edit(earlier, "UPDATE entries SET inode = inode + 1")
    monkeypatch.setitem(FILE_SYSTEMS, Share.at(root).type_name, FileSystem(inodes=False))
    scan_tree(root, manifest, reuse=earlier)
    assert len(carried(manifest)) == 10


@pytest.mark.parametrize(
    ("offset_s", "kept"), [(-60, False), (0, False), (1, True), (60, True)], ids=["before", "same", "next", "later"]
)
def test_a_file_that_changed_in_the_second_of_its_reading_is_read_again(
    root: Path, earlier: Path, manifest: Path, offset_s: int, *, kept: bool
) -> None:
    """Its content may have changed once more within that second without a trace; in the next second it is settled."""
    changed_at = (root / "4").stat().st_ctime_ns // 10**9
    edit(earlier, "UPDATE entries SET read_at = ? WHERE path = '4'", iso_time(changed_at + offset_s))
    scan_tree(root, manifest, reuse=earlier)
    assert ("4" in carried(manifest)) is kept
    assert len(carried(manifest)) == 9 + kept


def test_a_coarse_clock_needs_more_distance(
    root: Path, earlier: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where times have steps of 2 s (FAT) a change is settled only when that step is over."""
    changed_at = max((root / f"{n}").stat().st_ctime_ns for n in range(10)) // 10**9
    for path, offset_s in (("4", 1), ("5", 4)):
        edit(earlier, "UPDATE entries SET read_at = ? WHERE path = ?", iso_time(changed_at + offset_s), path)
    monkeypatch.setitem(FILE_SYSTEMS, Share.at(root).type_name, FileSystem(grain_ns=2 * 10**9))
    scan_tree(root, manifest, reuse=earlier)
    assert "4" not in carried(manifest)
    assert "5" in carried(manifest)


def test_listing_only_reuses_too(root: Path, earlier: Path, manifest: Path) -> None:
    """A scan that reads nothing may carry over what was read; what is new stays unread."""
    (root / "new").write_bytes(b"new")
    totals = scan_tree(root, manifest, ScanOptions(listing_only=True), reuse=earlier).totals
    assert (totals.carried_files, totals.proved_files, totals.unread) == (10, 0, 1)
    assert facts_of(manifest)["fingerprint"] == ""


# ---- What is refused


def assert_refused(root: Path, earlier: Path, manifest: Path, options: ScanOptions | None = None) -> str:
    """Hold a scan to refusing an earlier manifest with exit code 2, and to leaving nothing behind."""
    with pytest.raises(UsageProblem) as caught:
        scan_tree(root, manifest, options, reuse=earlier)
    assert caught.value.exit_code == 2
    assert not manifest.exists()
    return str(caught.value)


def test_a_manifest_of_another_root_is_refused(root: Path, earlier: Path, manifest: Path, tmp_path: Path) -> None:
    """A copy has the sizes and times of its original: that is why its digests have to be its own."""
    other = lay_out(tmp_path / "other", {b"file": b""})
    assert "reuse only a manifest of this very root" in assert_refused(other, earlier, manifest)


@pytest.mark.parametrize(
    ("fact", "value"), [("host", "another"), ("mount_source", "another"), ("complete", "0"), ("algorithm", "sha256")]
)
def test_a_manifest_that_does_not_fit_is_refused(
    root: Path, earlier: Path, manifest: Path, fact: str, value: str
) -> None:
    """Made on another machine, of another mount, with another digest, or not to its end: nothing is carried over."""
    edit(earlier, "UPDATE facts SET value = ? WHERE key = ?", value, fact)
    assert_refused(root, earlier, manifest)


def test_another_algorithm_is_refused(root: Path, earlier: Path, manifest: Path) -> None:
    """Digests of two algorithms in one manifest cannot be compared with anything."""
    assert "sha256" in assert_refused(root, earlier, manifest, ScanOptions(Algorithm.SHA256))


def test_what_is_no_manifest_is_refused(root: Path, manifest: Path, tmp_path: Path) -> None:
    """Another file, or none, is no earlier manifest."""
    for content in (None, b"a letter"):
        if content is not None:
            (tmp_path / "letter").write_bytes(content)
        with pytest.raises(NotAManifest):
            scan_tree(root, manifest, reuse=tmp_path / "letter")
    assert not manifest.exists()


def test_a_manifest_whose_rows_were_changed_is_refused(root: Path, earlier: Path, manifest: Path) -> None:
    """Digests that do not match the fingerprint prove nothing: exit code 4, and no manifest that holds them."""
    edit(earlier, "UPDATE entries SET digest = ? WHERE path = '4'", b"x" * 32)
    with pytest.raises(ManifestDamaged) as caught:
        scan_tree(root, manifest, reuse=earlier)
    assert caught.value.exit_code == 4
    assert not manifest.exists()


def test_an_empty_root_is_refused(root: Path, earlier: Path, manifest: Path) -> None:
    """A mount point without its share, where the earlier manifest had entries: exit code 4."""
    root.rename(root.with_name("away"))
    root.mkdir()
    with pytest.raises(RootUnavailable, match="holds 10 entries") as caught:
        scan_tree(root, manifest, reuse=earlier)
    assert caught.value.exit_code == 4
    assert not manifest.exists()


# ---- Reading again


@pytest.fixture
def aged(root: Path, earlier: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a manifest whose file n was read n days after the first one, looked at a hundred days later.

    When something was read is no part of the fingerprint, so the manifest still holds.
    """
    for n in range(10):
        edit(earlier, "UPDATE entries SET read_at = ? WHERE path = ?", iso_time(time.time() + (n + 1) * DAY_S), f"{n}")
    monkeypatch.setattr(clock, "now", lambda: datetime.now(UTC) + timedelta(days=100))
    return earlier


def read_again(root: Path, manifest: Path, earlier: Path, reread: Reread) -> set[str]:
    """Scan with a policy, and return which files were read."""
    outcome = scan_tree(root, manifest, ScanOptions(reread=reread), reuse=earlier)
    totals = outcome.totals
    read = {f"{n}" for n in range(10)} - carried(manifest)
    assert (totals.proved_files, totals.carried_files) == (len(read), 10 - len(read))
    assert int(facts_of(manifest)["bytes_read"]) == 100 * len(read)
    assert outcome.fingerprint == facts_of(earlier)["fingerprint"]
    assert problems_of(manifest) == []
    return read


def first(number: int) -> set[str]:
    """Return the files that were read longest ago."""
    return {f"{n}" for n in range(number)}


@pytest.mark.parametrize(
    ("policy", "number"),
    [
        (Reread(), 0),
        (Reread(timedelta(0)), 10),
        (Reread(timedelta(days=95, hours=12)), 4),
        (Reread(timedelta(days=300)), 0),
        (Reread(timedelta(0), budget_bytes=350), 3),
        (Reread(timedelta(0), budget_bytes=10**6), 10),
        (Reread(timedelta(days=95, hours=12), budget_bytes=250), 2),
        (Reread(timedelta(days=95, hours=12), budget_bytes=10**6), 4),
        (Reread(timedelta(0), budget_s=60.0), 10),
        (Reread(timedelta(0), budget_s=0.0), 0),
    ],
    ids=[
        "never", "all", "by age", "none so old", "within bytes", "all within bytes", "by age within bytes", "by age",
        "within a time", "no time",
    ],
)  # fmt: skip
def test_unchanged_files_are_read_again_as_the_policy_says(
    root: Path, manifest: Path, aged: Path, policy: Reread, number: int
) -> None:
    """The longest unread first, as far as age and budget say; what was read is proved, the rest stays carried."""
    assert read_again(root, manifest, aged, policy) == first(number)


def test_a_time_budget_ends_between_batches(
    root: Path, manifest: Path, aged: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the time is over nothing more is begun, and what was read until then counts."""
    monkeypatch.setattr(plan, "LEAST_FILES", 1 / 8)  # batches of one file
    monkeypatch.setattr(plan, "FAST_S", 0.0)
    real_add = Meter.add

    def slow_add(meter: Meter, size_bytes: int) -> None:
        time.sleep(0.1)
        real_add(meter, size_bytes)

    monkeypatch.setattr(Meter, "add", slow_add)
    read = read_again(root, manifest, aged, Reread(timedelta(0), budget_s=0.35))
    assert read == first(len(read))
    assert 2 <= len(read) <= 6


def test_from_scan_to_scan_every_file_has_its_turn(root: Path, manifest: Path, aged: Path) -> None:
    """With a budget each night, what was read last night is the last to be read again."""
    place = aged
    seen: set[str] = set()
    for night in range(5):
        following = manifest.with_name(f"night {night}")
        read = read_again(root, following, place, Reread(timedelta(0), budget_bytes=200))
        # What was read in an earlier night was read, by the manifest, before what the fixture dates into the future.
        for path in read:
            edit(following, "UPDATE entries SET read_at = ? WHERE path = ?", iso_time(time.time() + 90 * DAY_S), path)
        assert not read & seen
        seen |= read
        place = following
    assert seen == first(10)


@pytest.mark.parametrize(
    "policy", [Reread(timedelta(0), budget_bytes=10**6), Reread(timedelta(0))], ids=["budget", "all"]
)
def test_content_that_changed_under_the_same_times_is_told(
    root: Path, manifest: Path, earlier: Path, policy: Reread
) -> None:
    """Other content under unchanged size and times is damage: recorded as a problem, and proved as it is."""
    edit(earlier, "UPDATE entries SET digest = ? WHERE path = '4'", b"x" * 32)
    reseal(earlier)
    outcome = scan_tree(root, manifest, ScanOptions(reread=policy), reuse=earlier)
    (problem,) = problems_of(manifest)
    assert (problem.path, problem.operation) == ("4", "read again")
    assert problem.error == "content changed, size and times did not"
    entry = entries_of(manifest)["4"]
    assert (entry.state, entry.digest) == (State.PROVED, blake3(b"4" * 100).digest())
    assert outcome.totals.proved_files == 10


def test_a_file_that_changed_between_listing_and_reading_again_is_no_such_case(
    root: Path, manifest: Path, earlier: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody wrote it: its times say so, and its new content is no surprise."""
    real = side.SideScan._read_again

    def write_first(scan: side.SideScan) -> None:
        (root / "4").write_bytes(b"written")
        real(scan)

    monkeypatch.setattr(side.SideScan, "_read_again", write_first)
    scan_tree(root, manifest, ScanOptions(reread=Reread(timedelta(0), budget_bytes=10**6)), reuse=earlier)
    assert problems_of(manifest) == []
    entry = entries_of(manifest)["4"]
    assert (entry.size, entry.digest) == (7, blake3(b"written").digest())


# ---- Many neighbours


@pytest.mark.usefixtures("clock_ahead")
@pytest.mark.parametrize("removed", [set(), {0}, {150}, {299}, set(range(0, 300, 7)), set(range(100, 300))], ids=len)
@pytest.mark.parametrize("added", [set(), {"000a", "150a", "299a"}], ids=["none added", "some added"])
def test_neighbours_that_came_or_went_are_noticed(
    tmp_path: Path, manifest: Path, removed: set[int], added: set[str]
) -> None:
    """Taken over at once or one by one: what is gone does not come back, what is new is read, all else is carried."""
    names = {f"{n:03}".encode(): f"content {n}".encode() for n in range(300)}
    inner: Folder = {b"inner": b"between the files"}
    root = lay_out(
        tmp_path / "root", {**names, b"050 folder": inner, b"250 folder": inner, b"z": dict(list(names.items())[:60])}
    )
    earlier = tmp_path / "earlier"
    scan_tree(root, earlier)
    for n in removed:
        (root / f"{n:03}").unlink()
    for name in added:
        (root / name).write_bytes(name.encode())
    outcome = scan_tree(root, manifest, reuse=earlier)
    assert carried_or_folders(manifest) == {str(p.relative_to(root)) for p in root.rglob("*")} - added
    assert outcome.fingerprint == scan_tree(root, tmp_path / "fresh").fingerprint
    was, found = entries_of(earlier), entries_of(manifest)
    for path in carried_or_folders(manifest):
        if found[path].kind == Kind.FILE:
            assert found[path] == was[path]._replace(state=State.CARRIED.value)


def carried_or_folders(manifest: Path) -> set[str]:
    """Return the paths of all that was not read."""
    return {path for path, entry in entries_of(manifest).items() if entry.state != State.PROVED}


@pytest.mark.parametrize("column", ["allocated", "mode", "uid", "gid", "nlink"])
@pytest.mark.usefixtures("clock_ahead")
def test_facts_are_always_those_of_now(tmp_path: Path, manifest: Path, column: str) -> None:
    """An earlier manifest says what content is, never what a file's owner or mode is, not even among its neighbours."""
    root = lay_out(tmp_path / "root", {f"{n:03}".encode(): b"content" for n in range(50)})
    earlier = tmp_path / "earlier"
    scan_tree(root, earlier)
    edit(earlier, f"UPDATE entries SET {column} = {column} + 1 WHERE path = '025'")
    reseal(earlier)
    assert scan_tree(root, manifest, reuse=earlier).totals.carried_files == 50
    now = entries_of(manifest)["025"]
    assert getattr(now, column) == getattr(entries_of(earlier)["025"], column) - 1
