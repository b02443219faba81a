"""A scan: every name in the manifest, every file read once, every ending stated."""

from __future__ import annotations

import dataclasses
import errno
import os
import sqlite3
import tempfile
import threading
from concurrent.futures import wait
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from blake3 import blake3
from hypothesis import given, settings

import verifier
from tests.conftest import without_rights
from tests.scan.scans import entries_of, facts_of, problems_of, scan_tree
from tests.strategies import Folder, Link, every_path, lay_out, small_trees
from tests.tree.faults import FaultyHandle, failing
from verifier.errors import EvidenceUnwritable, RootUnavailable, UsageProblem
from verifier.scan import reader, scanner, side
from verifier.scan.pace import Meter
from verifier.scan.scanner import Progress, ScanOptions, ScanRequest, scan_all
from verifier.tree import content
from verifier.tree.entry import Kind, State
from verifier.tree.file_system import FILE_SYSTEMS, FileSystem
from verifier.tree.handle import open_tree
from verifier.tree.names import to_text
from verifier.tree.share import Share

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Mount
    from verifier.tree.handle import TreeHandle

TREE: Final[Folder] = {
    b"file": b"content",
    b"folder": {b"inner": b"more content", b"empty": b""},
    b"link": Link(b"file"),
}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return a small tree."""
    return lay_out(tmp_path / "root", TREE)


@given(tree=small_trees())
@settings(max_examples=25)
def test_the_manifest_holds_the_tree(tree: Folder) -> None:
    """Whatever is laid out is in the manifest: each name, its kind, its content's digest, its target."""
    with tempfile.TemporaryDirectory() as place:
        root, manifest = lay_out(Path(place) / "root", tree), Path(place) / "m"
        outcome = scan_tree(root, manifest)
        found = entries_of(manifest)
        facts = facts_of(manifest)
    expected = {to_text(path): node for path, node in every_path(tree)}
    assert set(found) == set(expected)
    for path, node in expected.items():
        entry = found[path]
        if isinstance(node, bytes):
            assert (entry.kind, entry.state, entry.size) == (Kind.FILE, State.PROVED, len(node))
            assert (entry.digest, entry.head) == (blake3(node).digest(), node[:16])
        elif isinstance(node, Link):
            assert (entry.kind, entry.state, entry.target) == (Kind.LINK, State.CONTENTLESS, to_text(node.target))
        else:
            assert (entry.kind, entry.state, entry.size) == (Kind.DIRECTORY, State.CONTENTLESS, 0)
    files = [node for node in expected.values() if isinstance(node, bytes)]
    totals = outcome.totals
    assert (totals.entries, totals.files, totals.bytes) == (len(expected), len(files), sum(map(len, files)))
    assert (totals.proved_files, totals.proved_bytes) == (totals.files, totals.bytes)
    assert (outcome.interrupted, facts["complete"], facts["interrupted"]) == ("", "1", "")


def test_the_facts_say_what_was_done(root: Path, manifest: Path) -> None:
    """Whoever finds the manifest alone learns what was scanned, where, with what, and that it is complete."""
    outcome = scan_tree(root, manifest)
    facts = facts_of(manifest)
    assert facts["format"] == "verifier/manifest"
    assert facts["tool"] == f"verifier {verifier.__version__}"
    assert (facts["label"], facts["root"]) == ("old", str(root))
    assert (facts["algorithm"], facts["listing_only"], facts["cross_mounts"]) == ("blake3", "0", "0")
    assert facts["file_system"] == Share.at(root).type_name
    assert int(facts["grain_ns"]) >= 1
    assert (facts["listed"], facts["complete"], facts["fingerprint"]) == ("1", "1", outcome.fingerprint)
    assert facts["started"] <= facts["finished"]
    assert int(facts["bytes_read"]) == 19
    assert (facts["resumed"], facts["reused"], facts["asked_cold"], facts["cold_files"]) == ("0", "", "0", "0")
    assert {"host", "platform", "owners", "modes", "case_sensitive", "rules", "readers", "mount_source"} <= set(facts)


def test_an_unfinished_scan_is_marked_from_the_start(root: Path, manifest: Path) -> None:
    """A scan that is killed at any instant never left a manifest that says it is complete."""
    seen: list[str] = []

    def crash(progress: Progress) -> None:
        seen.append(progress.stage)
        raise MemoryError

    with pytest.raises(MemoryError):
        scan_tree(root, manifest, on_progress=crash)
    assert seen
    facts = facts_of(manifest)
    assert (facts["complete"], facts["fingerprint"], facts["finished"]) == ("0", "", "")


def test_progress_is_told_in_order_and_ends_with_the_totals(root: Path, manifest: Path) -> None:
    """Listing, reading, sealing, done: the last event has the numbers of the whole."""
    events: list[Progress] = []
    totals = scan_tree(root, manifest, on_progress=events.append).totals
    stages = list(dict.fromkeys(event.stage for event in events))
    assert stages == [stage for stage in ("listing", "reading", "sealing", "done") if stage in stages]
    last = events[-1]
    assert (last.label, last.stage, last.entries, last.files) == ("old", "done", totals.entries, totals.files)
    assert (last.files_done, last.bytes_done, last.size_bytes, last.problems) == (3, 19, 19, 0)


# ---- Hard links

LINKED: Final = b"linked" * 5000


def with_hard_links(place: Path) -> Path:
    """Lay out one file of five names, in three folders, and one of a single name."""
    root = lay_out(place, {b"b": {b"two": LINKED}, b"c": {}, b"single": b"single"})
    for name in ("a", "z", "b/one", "c/three"):
        os.link(root / "b" / "two", root / name)
    return root


def test_hard_links_are_read_once_and_every_name_is_proved(tmp_path: Path, manifest: Path) -> None:
    """Five names of one inode cost one reading and have one digest."""
    scan_tree(with_hard_links(tmp_path / "root"), manifest)
    assert int(facts_of(manifest)["bytes_read"]) == len(LINKED) + len(b"single")
    found = entries_of(manifest)
    for path in ("a", "z", "b/one", "b/two", "c/three"):
        assert (found[path].state, found[path].digest) == (State.PROVED, blake3(LINKED).digest())
        assert (found[path].nlink, found[path].head) == (5, LINKED[:16])
        assert found[path].read_at


def test_without_real_inodes_every_name_is_read(
    tmp_path: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a mount makes inode numbers up (mount.cifs(8), noserverino) equal numbers prove nothing."""
    root = with_hard_links(tmp_path / "root")
    monkeypatch.setitem(FILE_SYSTEMS, Share.at(root).type_name, FileSystem(inodes=False))
    scan_tree(root, manifest)
    assert int(facts_of(manifest)["bytes_read"]) == 5 * len(LINKED) + len(b"single")
    assert all(entry.content_known for entry in entries_of(manifest).values())


@pytest.mark.real(mounts=True)
def test_one_inode_number_on_two_devices_is_two_files(tmp_path: Path, manifest: Path, mount: Mount) -> None:
    """Crossing mounts, a number that comes again on another device is another file."""
    root = lay_out(tmp_path / "root", {b"one": {}, b"two": {}})
    for name in ("one", "two"):
        mount("-t", "tmpfs", "none", root / name)
        (root / name / "file").write_text(name)
        os.link(root / name / "file", root / name / "twin")
    assert (root / "one" / "file").stat().st_ino == (root / "two" / "file").stat().st_ino
    scan_tree(root, manifest, ScanOptions(cross_mounts=True))
    found = entries_of(manifest)
    for name in ("one", "two"):
        for path in (f"{name}/file", f"{name}/twin"):
            assert found[path].digest == blake3(name.encode()).digest()


# ---- What is not read


def faulty(monkeypatch: pytest.MonkeyPatch, spoil: Callable[[FaultyHandle], None]) -> list[FaultyHandle]:
    """Have every reader of this process hold its tree in a way that misbehaves, and return what they hold."""
    held: list[FaultyHandle] = []

    def open_faulty(place: Path) -> FaultyHandle:
        handle = FaultyHandle(place)
        spoil(handle)
        held.append(handle)
        return handle

    monkeypatch.setattr(reader, "open_tree", open_faulty)
    return held


@pytest.mark.usefixtures("inline")
def test_listing_only_reads_nothing(root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names and facts, no content, and no file is opened; such a manifest is complete and vouches for nothing."""
    held = faulty(monkeypatch, lambda _: None)
    outcome = scan_tree(root, manifest, ScanOptions(listing_only=True))
    assert [handle.asked["names", "folder"] for handle in held] == [1]
    assert not [asked for handle in held for asked in handle.asked if asked[0] == "open"]
    totals = outcome.totals
    assert (totals.files, totals.proved_files, totals.unread) == (3, 0, 3)
    for entry in entries_of(manifest).values():
        assert entry.digest is None
        assert (entry.state == State.LISTED) == (entry.kind == Kind.FILE)
    facts = facts_of(manifest)
    assert (facts["listing_only"], facts["complete"], facts["bytes_read"]) == ("1", "1", "0")
    assert facts["fingerprint"] == outcome.fingerprint == ""


@pytest.mark.usefixtures("inline")
def test_small_files_are_read_while_they_are_listed(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name that its folder's listing calls a file is opened once, and nobody asks beside that what it is."""
    held = faulty(monkeypatch, lambda _: None)
    stages: list[str] = []
    scan_tree(root, manifest, on_progress=lambda progress: stages.append(progress.stage))
    (handle,) = held
    for path in ("file", "folder/inner", "folder/empty"):
        assert handle.asked["open", path] == 1
        assert handle.asked["facts", path] == 0
    assert handle.asked["facts", "link"] == 1
    assert "reading" not in stages


@pytest.mark.usefixtures("inline", "list_first")
def test_what_was_only_listed_is_read_afterwards(root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the listing comes first every file is looked at, then opened once, and all are proved in the end."""
    held = faulty(monkeypatch, lambda _: None)
    totals = scan_tree(root, manifest).totals
    assert (totals.proved_files, totals.unread) == (3, 0)
    (handle,) = held
    assert [handle.asked["open", path] for path in ("file", "folder/inner", "folder/empty")] == [1, 1, 1]


@pytest.mark.usefixtures("inline")
def test_special_files_are_recorded_and_never_opened(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No call to open names a FIFO: even a non-blocking one wakes whoever waits at its other end (fifo(7))."""
    os.mkfifo(root / "fifo")
    os.mkfifo(root / "folder" / "fifo")
    opened: list[str] = []
    real_open = os.open

    def noting_open(path: str | Path, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        opened.append(Path(path).name)
        return real_open(path, flags, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "open", noting_open)
    outcome = scan_tree(root, manifest)
    assert "file" in opened
    assert "fifo" not in opened
    assert outcome.totals.unread == 0
    assert entries_of(manifest)["folder/fifo"].kind == Kind.FIFO


@pytest.mark.usefixtures("inline")
def test_what_may_not_be_read_is_there_with_its_error(open_ground: Path) -> None:
    """A file and a folder without permission: both are entries with their errors, all else is proved."""
    root = lay_out(open_ground / "root", {b"closed": {b"x": b""}, b"secret": b"s", b"open": b"o"})
    (root / "closed").chmod(0o000)
    (root / "secret").chmod(0o000)
    with without_rights():
        outcome = scan_tree(root, open_ground / "m")
    found = entries_of(open_ground / "m")
    assert {path: (entry.state, entry.error) for path, entry in found.items()} == {
        "closed": (State.UNREADABLE, "EACCES: list"),
        "open": (State.PROVED, None),
        "secret": (State.UNREADABLE, "EACCES: read"),
    }
    assert {(p.path, p.operation) for p in problems_of(open_ground / "m")} == {("closed", "list"), ("secret", "read")}
    assert (outcome.totals.unreadable, outcome.interrupted) == (2, "")


@pytest.mark.usefixtures("inline")
@pytest.mark.parametrize("name", ["ENOENT", "ESTALE"])
def test_a_file_that_vanishes_before_it_is_looked_at_is_unsettled(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """A name that its folder gave and that is then not there stays in the manifest, unsettled, with a problem."""

    def spoil(handle: FaultyHandle) -> None:
        for operation in ("open", "facts"):
            handle.before[operation, "folder/inner"] = failing(getattr(errno, name))

    faulty(monkeypatch, spoil)
    outcome = scan_tree(root, manifest)
    entry = entries_of(manifest)["folder/inner"]
    assert (entry.state, entry.digest) == (State.UNSETTLED, None)
    assert (outcome.totals.unsettled, outcome.interrupted) == (1, "")
    assert [p.path for p in problems_of(manifest)] == ["folder/inner"]


@pytest.mark.usefixtures("inline", "list_first")
def test_a_file_that_vanishes_after_its_listing_is_unsettled(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was listed and is gone when it is to be read stays in the manifest, unsettled, with a problem."""
    real_read = side.SideScan._read

    def remove_then_read(scan: side.SideScan) -> None:
        (root / "folder" / "inner").unlink()
        real_read(scan)

    monkeypatch.setattr(side.SideScan, "_read", remove_then_read)
    outcome = scan_tree(root, manifest)
    entry = entries_of(manifest)["folder/inner"]
    assert (entry.state, entry.digest) == (State.UNSETTLED, None)
    assert outcome.totals.unsettled == 1
    assert [p.path for p in problems_of(manifest)] == ["folder/inner"]


@pytest.mark.usefixtures("inline", "list_first")
def test_a_stale_handle_is_looked_up_anew(root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that a server replaced is stale once, then there (nfs(5)): it is read, and the scan goes on."""
    faulty(monkeypatch, lambda handle: handle.before.update({("open", "file"): failing(errno.ESTALE, times=2)}))
    outcome = scan_tree(root, manifest)
    assert entries_of(manifest)["file"].digest == blake3(b"content").digest()
    assert (outcome.totals.unsettled, outcome.interrupted) == (0, "")


@pytest.mark.usefixtures("inline")
@pytest.mark.parametrize("name", ["ENOENT", "ESTALE"])
def test_a_folder_that_is_gone_when_it_is_entered_is_unsettled(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """One folder that was removed on the server is one entry that is not settled, not the end of the share."""
    faulty(monkeypatch, lambda handle: handle.before.update({("names", "folder"): failing(getattr(errno, name))}))
    outcome = scan_tree(root, manifest)
    found = entries_of(manifest)
    assert (found["folder"].state, found["file"].state) == (State.UNSETTLED, State.PROVED)
    assert outcome.interrupted == ""


@pytest.mark.usefixtures("inline")
def test_a_root_that_never_settles_is_no_clean_scan(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A listing of the root that changed during every look may lack names: somebody has to be told.

    The root has no entry that could be unsettled, so the scan as a whole has to say it.
    """
    calls = 0

    def change() -> None:
        nonlocal calls
        calls += 1
        os.utime(root, ns=(calls, calls))

    faulty(monkeypatch, lambda handle: handle.after.update({("names", ""): change}))
    outcome = scan_tree(root, manifest)
    assert "the root changed" in outcome.interrupted
    assert_incomplete(manifest, "the root changed")
    assert problems_of(manifest)


# ---- Where a scan refuses to begin


def everything(root: Path) -> list[tuple[str, int, int]]:
    """Return every name in a tree with its times."""
    return sorted((str(p), p.lstat().st_mtime_ns, p.lstat().st_ctime_ns) for p in (root, *root.rglob("*")))


@pytest.mark.parametrize("way", ["m", "folder/m", "folder/../m", "../way/m", "../root/m"])
def test_a_manifest_inside_the_tree_is_refused(tmp_path: Path, root: Path, way: str) -> None:
    """However the place is spelled, nothing is written into a tree: one line, exit code 2, no trace left."""
    (tmp_path / "way").symlink_to("root/folder")
    before = everything(root)
    with pytest.raises(UsageProblem, match="nothing is ever written into a tree") as caught:
        scan_tree(root, root / way)
    assert caught.value.exit_code == 2
    assert everything(root) == before


@pytest.mark.parametrize("target", ["m", "file", "folder/empty"], ids=["a new name", "a file", "an empty file"])
def test_a_manifest_that_is_a_link_into_the_tree_is_refused(tmp_path: Path, root: Path, target: str) -> None:
    """A link beside the tree that leads into it would make or change a file there."""
    (tmp_path / "m").symlink_to(root / target)
    before = everything(root)
    with pytest.raises((UsageProblem, EvidenceUnwritable)):
        scan_tree(root, tmp_path / "m")
    assert everything(root) == before


def test_a_missing_root_leaves_no_manifest(tmp_path: Path, manifest: Path) -> None:
    """What cannot be scanned leaves nothing behind that could be taken for a scan."""
    with pytest.raises(RootUnavailable):
        scan_tree(tmp_path / "missing", manifest)
    assert not manifest.exists()


def test_a_finished_manifest_is_not_scanned_over(root: Path, manifest: Path) -> None:
    """An earlier scan's manifest is evidence: it stays."""
    scan_tree(root, manifest)
    before = manifest.read_bytes()
    with pytest.raises(UsageProblem, match="is there already") as caught:
        scan_tree(root, manifest)
    assert caught.value.exit_code == 2
    assert manifest.read_bytes() == before
    assert [p.name for p in manifest.parent.glob(f"{manifest.name}*")] == [manifest.name]


@pytest.mark.parametrize("content", [b"a letter to somebody", b"x"], ids=["text", "one byte"])
def test_something_else_in_the_manifests_place_stays(root: Path, manifest: Path, content: bytes) -> None:
    """A file that no scan wrote is refused with exit code 2 and stays as it was."""
    manifest.write_bytes(content)
    with pytest.raises(UsageProblem) as caught:
        scan_tree(root, manifest)
    assert caught.value.exit_code == 2
    assert manifest.read_bytes() == content


def test_another_programs_database_stays(root: Path, manifest: Path) -> None:
    """A SQLite file that is not ours is no unfinished manifest."""
    with closing(sqlite3.connect(manifest)) as plain:
        plain.execute("CREATE TABLE entries (path)")
    before = manifest.read_bytes()
    with pytest.raises(UsageProblem, match="is not a manifest"):
        scan_tree(root, manifest)
    assert manifest.read_bytes() == before


def test_an_empty_file_counts_as_unfinished(root: Path, manifest: Path) -> None:
    """A scan that was killed at once leaves an empty file: it is no reason to refuse the next one."""
    manifest.touch()
    outcome = scan_tree(root, manifest)
    assert outcome.totals.proved_files == 3
    assert facts_of(manifest)["resumed"] == "0"


# ---- When the share goes away


def assert_incomplete(manifest: Path, because: str) -> None:
    """Hold a manifest to what an early end leaves: marked, with the reason, without a fingerprint."""
    facts = facts_of(manifest)
    assert (facts["complete"], facts["fingerprint"]) == ("0", "")
    assert because in facts["interrupted"]


@pytest.mark.usefixtures("inline")
@pytest.mark.parametrize(("name", "path"), [("ENODEV", "folder"), ("ENOTCONN", "folder"), ("ESTALE", "")])
def test_a_share_that_goes_away_while_listing_ends_the_scan(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch, name: str, path: str
) -> None:
    """The manifest says that the share went away; what was not seen is not in it as missing or empty."""
    faulty(monkeypatch, lambda handle: handle.before.update({("names", path): failing(getattr(errno, name))}))
    outcome = scan_tree(root, manifest)
    assert f"the share went away: {name} at {path or 'the root'}" in outcome.interrupted
    assert outcome.fingerprint == ""
    assert_incomplete(manifest, name)
    assert facts_of(manifest)["listed"] == "0"
    assert "folder/inner" not in entries_of(manifest)


@pytest.mark.usefixtures("inline")
@pytest.mark.parametrize("name", ["ENODEV", "EHOSTDOWN"])
def test_a_share_that_goes_away_while_reading_keeps_what_is_proved(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """What was read before stays proved, what was not stays listed, and nothing is unreadable for it."""
    faulty(monkeypatch, lambda handle: handle.before.update({("open", "folder/inner"): failing(getattr(errno, name))}))
    outcome = scan_tree(root, manifest)
    assert f"{name} while reading inner" in outcome.interrupted
    assert_incomplete(manifest, name)
    states = {path: entry.state for path, entry in entries_of(manifest).items() if entry.kind == Kind.FILE}
    assert states == {"file": State.PROVED, "folder/empty": State.PROVED, "folder/inner": State.LISTED}


def vanish(root: Path) -> None:
    """Take the root away."""
    root.rename(root.parent / "away")


def replace(root: Path) -> None:
    """Put another folder in the root's place, as an unmounted share leaves its empty mount point."""
    vanish(root)
    root.mkdir()


@pytest.mark.usefixtures("inline", "list_first", "every_step")
@pytest.mark.parametrize("happen", [vanish, replace], ids=["vanished", "replaced"])
@pytest.mark.parametrize("stage", ["listing", "reading"])
def test_a_root_that_is_another_at_the_end_is_an_interruption(
    root: Path, manifest: Path, happen: Callable[[Path], None], stage: str
) -> None:
    """A root that was swapped during the scan proves nothing, however smoothly the rest went."""
    done = False

    def act(progress: Progress) -> None:
        nonlocal done
        if progress.stage == stage and not done:
            done = True
            happen(root)

    outcome = scan_tree(root, manifest, on_progress=act)
    assert done
    assert "the share went away" in outcome.interrupted
    assert_incomplete(manifest, "the share went away")


@pytest.mark.usefixtures("inline")
def test_another_mount_at_the_end_is_an_interruption(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same folder on what is mounted anew from elsewhere is not what was scanned."""
    real_at = Share.at
    looks = 0

    def moving(place: Path) -> Share:
        nonlocal looks
        looks += 1
        found = real_at(place)
        return found if looks == 1 else dataclasses.replace(found, mount_source="server:/other")

    monkeypatch.setattr(Share, "at", moving)
    outcome = scan_tree(root, manifest)
    assert looks > 1
    assert "another mount than at the start" in outcome.interrupted
    assert_incomplete(manifest, "another mount")


# ---- When somebody stops it


@pytest.mark.usefixtures("inline", "list_first", "every_step")
@pytest.mark.parametrize("stage", ["listing", "reading"])
def test_a_stopped_scan_is_marked_incomplete(tmp_path: Path, manifest: Path, stage: str) -> None:
    """Stopped while listing or while reading: the manifest says so and has no fingerprint."""
    root = lay_out(tmp_path / "root", {f"{n:03}".encode(): b"x" for n in range(200)})
    stop = threading.Event()

    def act(progress: Progress) -> None:
        if progress.stage == stage:
            stop.set()

    outcome = scan_tree(root, manifest, on_progress=act, stop=stop)
    assert outcome.interrupted == "stopped before the end"
    assert_incomplete(manifest, "stopped before the end")
    assert outcome.totals.proved_files < outcome.totals.files == 200


@pytest.mark.usefixtures("inline")
def test_one_reader_stops_within_a_large_file(tmp_path: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A request to stop is obeyed at the next block, not after the hours that a large file may take."""
    root = lay_out(tmp_path / "root", {b"large": b""})
    size = 64 * content.BLOCK_BYTES
    os.truncate(root / "large", size)
    stop = threading.Event()
    real_add = Meter.add

    def stopping_add(meter: Meter, size_bytes: int) -> None:
        stop.set()
        real_add(meter, size_bytes)

    monkeypatch.setattr(Meter, "add", stopping_add)
    outcome = scan_tree(root, manifest, ScanOptions(readers=1), stop=stop)
    assert outcome.interrupted == "stopped before the end"
    assert int(facts_of(manifest)["bytes_read"]) < size // 2


# ---- Two sides at once


def both(tmp_path: Path) -> list[ScanRequest]:
    """Lay out two sides and return the requests to scan them."""
    return [
        ScanRequest(side, lay_out(tmp_path / side, TREE), tmp_path / f"{side}.manifest.sqlite")
        for side in ("old", "new")
    ]


def test_both_sides_are_scanned_and_returned_in_order(tmp_path: Path) -> None:
    """Outcomes come in the order of the requests, each with its own manifest."""
    requests = both(tmp_path)
    told: set[str] = set()
    outcomes = scan_all(requests, ScanOptions(), lambda progress: told.add(progress.label))
    assert [outcome.label for outcome in outcomes] == ["old", "new"]
    assert told == {"old", "new"}
    for request in requests:
        assert facts_of(request.manifest)["label"] == request.label
        assert facts_of(request.manifest)["complete"] == "1"


@pytest.mark.parametrize("list_only", [False, True], ids=["reading", "listing only"])
def test_both_listings_can_be_read_when_both_are_there(tmp_path: Path, list_only: bool) -> None:
    """Once, between listing and the end, whoever asked is told, and finds every name of both sides."""
    requests = both(tmp_path)
    seen: list[list[int]] = []

    def look() -> None:
        seen.append([len(entries_of(request.manifest)) for request in requests])

    outcomes = scan_all(requests, ScanOptions(listing_only=list_only), on_listed=look)
    assert seen == [[outcome.totals.entries for outcome in outcomes]]
    assert [outcome.interrupted for outcome in outcomes] == ["", ""]


def test_a_side_that_cannot_begin_keeps_the_other_from_beginning(tmp_path: Path) -> None:
    """A root that is not there is found out before the other side is read for hours."""
    old, new = both(tmp_path)
    vanish(new.root)
    with pytest.raises(RootUnavailable):
        scan_all([old, new], ScanOptions())
    assert not old.manifest.exists()


def test_an_error_on_one_side_stops_the_other(tmp_path: Path) -> None:
    """Where one side cannot write its manifest the other ends early, in good order, and the error is raised."""
    old, new = both(tmp_path)
    scan_tree(new.root, new.manifest)
    with pytest.raises(UsageProblem, match="is there already"):
        scan_all([old, new], ScanOptions())
    if old.manifest.exists():
        assert facts_of(old.manifest)["complete"] in ("0", "1")


@pytest.mark.usefixtures("inline")
def test_a_share_that_goes_away_leaves_the_other_side_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One side's dead mount ends that side only: the other one's proof is not lost."""
    old, new = both(tmp_path)

    def open_one_tree(place: Path) -> TreeHandle:
        if place.name == "old":
            return open_tree(place)
        handle = FaultyHandle(place)
        handle.before["names", "folder"] = failing(errno.ENODEV)
        return handle

    monkeypatch.setattr(reader, "open_tree", open_one_tree)
    outcomes = scan_all([old, new], ScanOptions(), on_listed=lambda: None)
    assert outcomes[0].interrupted == ""
    assert "ENODEV" in outcomes[1].interrupted
    assert facts_of(old.manifest)["complete"] == "1"
    assert_incomplete(new.manifest, "ENODEV")


@pytest.mark.usefixtures("every_step")
def test_ctrl_c_ends_both_sides_in_good_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """KeyboardInterrupt in the thread that waits stops both sides; both manifests say that they are incomplete."""
    requests = both(tmp_path)
    interrupted, told = threading.Event(), threading.Event()

    def interrupted_wait(*arguments: Any, **options: Any) -> object:
        if not interrupted.is_set():
            interrupted.set()
            raise KeyboardInterrupt
        told.set()
        return wait(*arguments, **options)

    def hold(progress: Progress) -> None:
        assert told.wait(10)

    monkeypatch.setattr(scanner, "wait", interrupted_wait)
    outcomes = scan_all(requests, ScanOptions(), hold)
    assert [outcome.interrupted for outcome in outcomes] == ["stopped before the end"] * 2
    for request in requests:
        assert_incomplete(request.manifest, "stopped before the end")
