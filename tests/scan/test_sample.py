"""A scan that reads the files of a sample: those and no others, once there is a sample, and it says so."""

from __future__ import annotations

import os
import threading
from typing import TYPE_CHECKING, Final

import pytest

from tests.scan.scans import Crash, Engines, crash_at, entries_of, facts_of, let_the_second_pass
from tests.strategies import Folder, lay_out
from tests.tree.faults import FaultyHandle
from verifier.classes import Side
from verifier.errors import EvidenceUnwritable, ManifestDamaged
from verifier.manifest.sample import SAMPLE_FILE, SampleFile
from verifier.manifest.store import Manifest
from verifier.scan import plan, reader
from verifier.scan.scanner import ScanOptions, ScanOutcome, ScanRequest, scan, scan_all
from verifier.tree.entry import Entry, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

    from verifier.scan.progress import Progress

TREE: Final[Folder] = {
    b"d": {b"%d" % n: b"%d" % n * 100 for n in range(30)},
    b"large": b"x" * (3 * 2**20),
    b"empty": b"",
    b"other": b"y" * 500,
}
SAMPLED: Final = ("d/7", "d/11", "large", "empty")


def write_sample(place: Path, pairs: Mapping[str, str], *, everything: bool = False) -> Path:
    """Write a sample of these pairs: the new path by the old path."""
    with SampleFile.create(place) as sample:
        sample.connection.executemany("INSERT INTO drawn VALUES (?, ?, 1)", pairs.items())
        sample.set_facts({"everything": int(everything)})
    return place


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return a tree."""
    return lay_out(tmp_path / "root", TREE)


@pytest.fixture
def holds_still(root: Path) -> None:
    """See that the files of the tree count as unchanged when they are met again."""
    assert root.exists()
    let_the_second_pass()


@pytest.fixture
def sample(tmp_path: Path) -> Path:
    """Return a sample of some files."""
    return write_sample(tmp_path / SAMPLE_FILE, {path: path for path in SAMPLED})


def scan_sample(
    root: Path,
    manifest: Path,
    sample: Path,
    side: Side = Side.OLD,
    *,
    on_progress: Callable[[Progress], None] = lambda _: None,
    stop: threading.Event | None = None,
    reuse: Path | None = None,
) -> ScanOutcome:
    """Scan a tree, reading the files of a sample."""
    request = ScanRequest(side.value, root, manifest, reuse, finished_too=True, side=side)
    return scan(request, ScanOptions(sample=sample), on_progress, stop)


def read_in(manifest: Path) -> set[str]:
    """Return the paths of the files whose content is known."""
    return {path for path, entry in entries_of(manifest).items() if entry.kind == "file" and entry.digest is not None}


def test_only_the_sample_is_read(root: Path, manifest: Path, sample: Path) -> None:
    """Everything else is listed; the manifest is complete as a listing, sealed, and says what it is."""
    outcome = scan_sample(root, manifest, sample)
    assert outcome.interrupted == ""
    assert read_in(manifest) == set(SAMPLED)
    states = {entry.state for path, entry in entries_of(manifest).items() if path not in SAMPLED}
    assert states == {State.LISTED, State.CONTENTLESS}
    facts = facts_of(manifest)
    assert (facts["sampled"], facts["complete"], facts["listed"], facts["listing_only"]) == ("1", "1", "1", "0")
    assert facts["fingerprint"] == outcome.fingerprint != ""
    assert int(facts["bytes_read"]) == sum(entries_of(manifest)[path].size for path in SAMPLED)
    assert (outcome.totals.proved_files, outcome.totals.unread) == (len(SAMPLED), outcome.totals.files - len(SAMPLED))
    with Manifest.open(manifest) as opened:
        opened.check()


@pytest.mark.usefixtures("inline")
def test_no_other_file_is_so_much_as_opened(
    root: Path, manifest: Path, sample: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither while the tree is listed nor afterwards."""
    held: list[FaultyHandle] = []

    def open_noting(place: Path) -> FaultyHandle:
        held.append(FaultyHandle(place))
        return held[-1]

    monkeypatch.setattr(reader, "open_tree", open_noting)
    scan_sample(root, manifest, sample)
    assert {path for handle in held for operation, path in handle.asked if operation == "open"} == set(SAMPLED)


def test_progress_shows_the_sample_as_what_is_to_be_read(root: Path, manifest: Path, sample: Path) -> None:
    """Not the whole tree, of which most will never be read."""
    seen: list[Progress] = []
    scan_sample(root, manifest, sample, on_progress=seen.append)
    last = seen[-1]
    size = sum(entries_of(manifest)[path].size for path in SAMPLED)
    assert (last.stage, last.files, last.files_done) == ("done", len(SAMPLED), len(SAMPLED))
    assert (last.size_bytes, last.bytes_done) == (size, size)
    assert {"listing", "waiting", "sealing", "done"} <= {one.stage for one in seen}


def test_each_side_reads_its_own_names(root: Path, manifest: Path, tmp_path: Path) -> None:
    """The sample names both paths of a pair: the new side reads the new ones."""
    sample = write_sample(tmp_path / SAMPLE_FILE, {"somewhere/7": "d/7", "d/8": "nowhere", "d/9": "other"})
    scan_sample(root, manifest, sample, Side.NEW)
    assert read_in(manifest) == {"d/7", "other"}


def test_names_of_one_inode_are_each_read_by_themselves(root: Path, manifest: Path, tmp_path: Path) -> None:
    """A sample may hold any of them: the first one in path order is not read in its place, nor known by it."""
    for name in ("aaa", "zzz", "zzzz"):
        os.link(root / "other", root / name)
    sample = write_sample(tmp_path / SAMPLE_FILE, {"zzz": "zzz", "zzzz": "zzzz"})
    scan_sample(root, manifest, sample)
    assert read_in(manifest) == {"zzz", "zzzz"}


def test_a_file_of_the_sample_that_cannot_be_read_is_a_problem(root: Path, manifest: Path, tmp_path: Path) -> None:
    """It went away since it was listed: it is kept as such, and what was never there stops nobody."""
    sample = write_sample(tmp_path / SAMPLE_FILE, {path: path for path in ("d/7", "other", "never there")})
    gone = False

    def remove(progress: Progress) -> None:
        nonlocal gone
        if progress.stage == "waiting" and not gone:
            (root / "other").unlink()
            gone = True

    outcome = scan_sample(root, manifest, sample, on_progress=remove)
    assert outcome.interrupted == ""
    assert read_in(manifest) == {"d/7"}
    assert entries_of(manifest)["other"].state == State.UNSETTLED


def test_a_sample_of_everything_reads_everything(root: Path, manifest: Path, tmp_path: Path) -> None:
    """Then the manifest is as good as any other, and does not say that it was sampled."""
    sample = write_sample(tmp_path / SAMPLE_FILE, {"d/7": "d/7"}, everything=True)
    outcome = scan_sample(root, manifest, sample)
    assert (outcome.interrupted, outcome.totals.unread) == ("", 0)
    assert facts_of(manifest)["sampled"] == "0"
    plain = scan(ScanRequest("old", root, tmp_path / "plain"), ScanOptions())
    assert outcome.fingerprint == plain.fingerprint


def test_an_ordinary_scan_says_that_it_was_not_sampled(root: Path, manifest: Path) -> None:
    """The fact is there either way."""
    scan(ScanRequest("old", root, manifest), ScanOptions())
    assert facts_of(manifest)["sampled"] == "0"


@pytest.mark.usefixtures("holds_still")
def test_a_sampled_manifest_carries_over_what_was_read_and_no_more(
    root: Path, manifest: Path, sample: Path, tmp_path: Path
) -> None:
    """Reused for a scan of everything, it spares the sample; the rest is read, and the whole is what it always is."""
    scan_sample(root, manifest, sample)
    again = scan(ScanRequest("old", root, tmp_path / "again", reuse=manifest), ScanOptions())
    plain = scan(ScanRequest("old", root, tmp_path / "plain"), ScanOptions())
    assert (again.totals.carried_files, again.totals.unread) == (len(SAMPLED), 0)
    assert again.fingerprint == plain.fingerprint


@pytest.mark.usefixtures("holds_still")
def test_what_is_known_from_before_is_not_read_again(root: Path, manifest: Path, sample: Path, tmp_path: Path) -> None:
    """With an earlier manifest nothing of the sample is left to read."""
    scan(ScanRequest("old", root, tmp_path / "earlier"), ScanOptions())
    scan_sample(root, manifest, sample, reuse=tmp_path / "earlier")
    assert facts_of(manifest)["bytes_read"] == "0"
    assert facts_of(manifest)["complete"] == "1"


# ---- Without a sample


def test_without_a_sample_nothing_is_read(root: Path, manifest: Path, tmp_path: Path) -> None:
    """No sample was drawn, so nobody may choose one: the scan ends early and says why."""
    outcome = scan_sample(root, manifest, tmp_path / "never drawn")
    assert "no sample was drawn" in outcome.interrupted
    assert read_in(manifest) == set()
    assert facts_of(manifest)["complete"] == "0"


def test_another_file_in_its_place_is_an_error(root: Path, manifest: Path, tmp_path: Path) -> None:
    """What is no sample limits nothing, so it must not be passed over."""
    (tmp_path / SAMPLE_FILE).write_bytes(b"hello")
    with pytest.raises(ManifestDamaged, match="say --replace to begin anew"):
        scan_sample(root, manifest, tmp_path / SAMPLE_FILE)


# ---- Both sides


def both(base: Path, on_listed: Callable[[], None], roots: Iterable[Path]) -> list[ScanOutcome]:
    """Scan two trees that meet for their sample."""
    requests = [
        ScanRequest(side.value, root, base / f"{side}.m", side=side) for side, root in zip(Side, roots, strict=True)
    ]
    return scan_all(requests, ScanOptions(sample=base / SAMPLE_FILE), on_listed=on_listed)


def test_both_sides_read_what_their_meeting_drew(root: Path, tmp_path: Path) -> None:
    """Neither reads anything before, though one is listed long before the other."""
    second = lay_out(tmp_path / "second", {b"d": {b"7": b"7" * 100}, b"more": {b"%d" % n: b"" for n in range(2000)}})
    known: list[set[str]] = []

    def draw_now() -> None:
        known.extend(read_in(tmp_path / f"{side}.m") for side in Side)
        write_sample(tmp_path / SAMPLE_FILE, {"d/7": "d/7"})

    outcomes = both(tmp_path, draw_now, [root, second])
    assert known == [set(), set()]
    assert [outcome.interrupted for outcome in outcomes] == ["", ""]
    assert [read_in(tmp_path / f"{side}.m") for side in Side] == [{"d/7"}] * 2


def test_a_draw_that_fails_ends_the_scan_with_its_error(root: Path, tmp_path: Path) -> None:
    """Who asked is told the cause, not that another side has ended."""
    second = lay_out(tmp_path / "second", TREE)

    def fail() -> None:
        raise EvidenceUnwritable("no space for the sample")

    with pytest.raises(EvidenceUnwritable, match="no space for the sample"):
        both(tmp_path, fail, [root, second])
    assert [read_in(tmp_path / f"{side}.m") for side in Side] == [set(), set()]


# ---- Ended before its end


@pytest.mark.usefixtures("every_step", "holds_still")
def test_a_scan_that_goes_on_reads_the_rest_of_the_sample_and_no_others(
    root: Path, manifest: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, inline: Engines
) -> None:
    """What was read before counts, and the manifest is that of a scan that was never ended."""
    monkeypatch.setattr(plan, "LEAST_FILES", 1)
    monkeypatch.setattr(plan, "BATCH_FILES", 2)
    some = [f"d/{n}" for n in range(0, 30, 2)]
    sample = write_sample(tmp_path / SAMPLE_FILE, {path: path for path in some})
    with pytest.raises(Crash):
        scan_sample(root, manifest, sample, on_progress=crash_at(lambda p: p.stage == "reading" and p.files_done > 4))
    before = read_in_unfinished(manifest)
    assert 0 < len(before) < len(some)
    assert before <= set(some)
    outcome = scan_sample(root, manifest, sample)
    assert outcome.interrupted == ""
    assert read_in(manifest) == set(some)
    assert int(facts_of(manifest)["bytes_read"]) < sum(entries_of(manifest)[path].size for path in some)
    undisturbed = scan_sample(root, tmp_path / "undisturbed", sample)
    assert outcome.fingerprint == undisturbed.fingerprint


def read_in_unfinished(manifest: Path) -> set[str]:
    """Return the paths of the files that a scan had read when it was ended."""
    found = Manifest.recover(manifest)
    assert found is not None
    with found:
        return {Entry(*row).path for row in found.connection.execute("SELECT * FROM entries WHERE state = 'proved'")}


def test_a_scan_that_was_stopped_while_it_waits_says_so(root: Path, manifest: Path, tmp_path: Path) -> None:
    """Not that there is no sample: nobody asked for one any more."""
    stop = threading.Event()

    def stop_while_waiting(progress: Progress) -> None:
        if progress.stage == "waiting":
            stop.set()

    outcome = scan_sample(root, manifest, tmp_path / "none", on_progress=stop_while_waiting, stop=stop)
    assert outcome.interrupted == "stopped before the end"
