"""A scan that was ended, in whatever way, goes on when the same command is given again, and loses nothing."""

from __future__ import annotations

import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3

from tests.scan.command import ENVIRONMENT, run_verifier, wait_for
from tests.scan.scans import Crash, crash_at, edit, entries_of, facts_of, iso_time, let_the_second_pass, scan_tree
from tests.scan.ways import force
from tests.strategies import Folder, Link, lay_out
from verifier.errors import ManifestDamaged, RootUnavailable, UsageProblem, VerifierError
from verifier.manifest.store import Manifest
from verifier.scan.resume import before_of
from verifier.scan.scanner import ScanOptions
from verifier.tree.digests import Algorithm
from verifier.tree.entry import Kind, State

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from verifier.tree.entry import Entry

LARGE_BYTES: Final = 9 * 1024 * 1024
"""More than a batch may hold."""
TREE: Final[Folder] = {
    b"folder": {f"{n}".encode(): f"content {n}".encode() for n in range(30)},
    b"link": Link(b"folder"),
    b"touched": b"touched",
    b"other content": b"before",
    b"vanishing": b"vanishing",
    b"replaced": b"replaced",
    b"large1": b"1" * LARGE_BYTES,
    b"large2": b"2" * LARGE_BYTES,
}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return a small tree with two large files."""
    return lay_out(tmp_path / "root", TREE)


def fingerprint_of(root: Path) -> str:
    """Return the fingerprint of a scan that nobody disturbs."""
    place = root.with_name("undisturbed")
    place.unlink(missing_ok=True)
    return scan_tree(root, place).fingerprint


def beside(manifest: Path) -> list[str]:
    """Return what lies where a manifest lies under a name that begins with its own."""
    return sorted(path.name.removeprefix(manifest.name) for path in manifest.parent.glob(f"{manifest.name}*"))


def ended_after_listing(root: Path, manifest: Path) -> dict[str, Entry]:
    """Scan until everything is listed and small files are read, crash, and return what was kept."""
    with pytest.raises(Crash):
        scan_tree(root, manifest, on_progress=crash_at(lambda told: told.entries > 0))
    kept = entries_of(manifest)
    assert facts_of(manifest)["complete"] == "0"
    return kept


pytestmark = pytest.mark.usefixtures("every_step", "clock_ahead")


# ---- What is kept, and what is not


def test_what_was_read_is_not_read_again(root: Path, manifest: Path) -> None:
    """What is unchanged stays proved, with the time at which it was read; only the rest is read."""
    kept = ended_after_listing(root, manifest)
    assert {kept[path].state for path in ("touched", "folder/3")} == {State.PROVED}
    assert kept["large1"].state == State.LISTED
    outcome = scan_tree(root, manifest)
    found, facts = entries_of(manifest), facts_of(manifest)
    assert int(facts["bytes_read"]) == 2 * LARGE_BYTES
    for path, entry in kept.items():
        if entry.state == State.PROVED:
            assert found[path] == entry
    assert (facts["complete"], facts["resumed"]) == ("1", "1")
    assert outcome.totals.proved_files == outcome.totals.files
    assert outcome.fingerprint == fingerprint_of(root)
    assert beside(manifest) == [""]


def test_what_both_of_two_ended_scans_had_read_is_kept(root: Path, manifest: Path) -> None:
    """Ended again while it went on: what the first had read and what the second had read are both kept."""
    ended_after_listing(root, manifest)
    with pytest.raises(Crash):
        scan_tree(root, manifest, on_progress=crash_at(lambda told: told.bytes_done >= LARGE_BYTES))
    assert beside(manifest) == ["", ".before"]
    outcome = scan_tree(root, manifest)
    facts = facts_of(manifest)
    assert (int(facts["bytes_read"]), facts["resumed"]) == (LARGE_BYTES, "2")
    assert outcome.totals.proved_files == outcome.totals.files
    assert outcome.fingerprint == fingerprint_of(root)
    assert beside(manifest) == [""]


def test_ended_before_anything_was_listed_nothing_is_lost(root: Path, manifest: Path) -> None:
    """A second attempt that does not come far does not cost what the first had read."""
    ended_after_listing(root, manifest)
    for _ in range(2):
        with pytest.raises(Crash):
            scan_tree(root, manifest, on_progress=crash_at(lambda _: True))
    scan_tree(root, manifest)
    assert int(facts_of(manifest)["bytes_read"]) == 2 * LARGE_BYTES


def test_when_it_began_is_when_it_first_began(root: Path, manifest: Path) -> None:
    """The start of a scan that goes on is that of its first attempt: what was read then is that old."""
    ended_after_listing(root, manifest)
    edit(manifest, "UPDATE facts SET value = '2026-01-01T00:00:00+00:00' WHERE key = 'started'")
    scan_tree(root, manifest)
    assert facts_of(manifest)["started"] == "2026-01-01T00:00:00+00:00"


def touch(root: Path) -> str:
    """Give a file another time."""
    os.utime(root / "touched", ns=(1, 1))
    return "touched"


def write(root: Path) -> str:
    """Give a file other content of the same size, and its old time back."""
    facts = (root / "other content").stat()
    (root / "other content").write_bytes(b"after.")
    os.utime(root / "other content", ns=(facts.st_atime_ns, facts.st_mtime_ns))
    return "other content"


def put_another(root: Path) -> str:
    """Put another file in a file's place, with its size and time."""
    facts = (root / "replaced").stat()
    (root / "new").write_bytes(b"REPLACED")
    os.utime(root / "new", ns=(facts.st_atime_ns, facts.st_mtime_ns))
    (root / "new").replace(root / "replaced")
    return "replaced"


def grow(root: Path) -> str:
    """Make a file longer."""
    with (root / "folder" / "7").open("ab") as file:
        file.write(b", and more")
    return "folder/7"


@pytest.mark.parametrize("change", [touch, write, put_another, grow])
def test_what_changed_since_it_was_read_is_read_again(
    root: Path, manifest: Path, change: Callable[[Path], str]
) -> None:
    """A file that was touched, written, grown or replaced in the meantime has the content that it has now."""
    ended_after_listing(root, manifest)
    path = change(root)
    scan_tree(root, manifest)
    entry, data = entries_of(manifest)[path], (root / path).read_bytes()
    assert (entry.state, entry.size, entry.digest) == (State.PROVED, len(data), blake3(data).digest())
    assert int(facts_of(manifest)["bytes_read"]) == 2 * LARGE_BYTES + len(data)
    assert facts_of(manifest)["fingerprint"] == fingerprint_of(root)


def test_names_that_came_and_went_are_seen(root: Path, manifest: Path) -> None:
    """The tree is listed again: what is gone is no longer in the manifest, what is new is read."""
    ended_after_listing(root, manifest)
    (root / "vanishing").unlink()
    (root / "appearing").write_bytes(b"appearing")
    (root / "link").unlink()
    (root / "link").mkdir()
    outcome = scan_tree(root, manifest)
    found = entries_of(manifest)
    assert "vanishing" not in found
    assert found["appearing"].digest == blake3(b"appearing").digest()
    assert found["link"].kind == Kind.DIRECTORY
    assert outcome.fingerprint == fingerprint_of(root)


def test_what_was_read_while_it_may_have_been_changing_is_read_again(tmp_path: Path, manifest: Path) -> None:
    """A change within the second of the reading may have left no trace: such a file's content is not taken over."""
    root = lay_out(tmp_path / "root", {b"new": b"new", b"large": b"2" * LARGE_BYTES})
    kept = ended_after_listing(root, manifest)
    assert kept["new"].state == State.PROVED
    edit(manifest, "UPDATE entries SET read_at = ? WHERE path = 'new'", iso_time(kept["new"].ctime_ns // 10**9))
    scan_tree(root, manifest)
    assert int(facts_of(manifest)["bytes_read"]) == LARGE_BYTES + 3


def test_what_could_not_be_read_is_tried_again(root: Path, manifest: Path) -> None:
    """An unreadable file of the first attempt is not kept as unreadable."""
    ended_after_listing(root, manifest)
    edit(manifest, "UPDATE entries SET state = 'unreadable', error = 'EIO: read', digest = NULL WHERE path = 'touched'")
    scan_tree(root, manifest)
    assert entries_of(manifest)["touched"].state == State.PROVED


def test_what_was_carried_over_stays_carried(root: Path, manifest: Path, tmp_path: Path) -> None:
    """Ended and begun again, a scan that reuses a manifest does not call proved what it has not read."""
    earlier = tmp_path / "earlier"
    scan_tree(root, earlier)
    touch(root)
    kept = ended_after_listing_carried(root, manifest, earlier)
    assert kept["folder/3"].state == State.CARRIED
    outcome = scan_tree(root, manifest, reuse=earlier)
    found = entries_of(manifest)
    assert {path for path, entry in found.items() if entry.state == State.PROVED} == {"touched"}
    assert (found["folder/3"].state, found["folder/3"].read_at) == (State.CARRIED, kept["folder/3"].read_at)
    assert outcome.totals.proved_files == 1


def ended_after_listing_carried(root: Path, manifest: Path, earlier: Path) -> dict[str, Entry]:
    """Scan with an earlier manifest until everything is listed, and crash."""
    with pytest.raises(Crash):
        scan_tree(root, manifest, on_progress=crash_at(lambda told: told.carried_files > 0), reuse=earlier)
    return entries_of(manifest)


def test_what_was_carried_is_read_when_nothing_is_reused_any_more(root: Path, manifest: Path, tmp_path: Path) -> None:
    """Begun again without the earlier manifest, a scan proves every file: nobody asked to carry anything over."""
    earlier = tmp_path / "earlier"
    scan_tree(root, earlier)
    touch(root)
    ended_after_listing_carried(root, manifest, earlier)
    outcome = scan_tree(root, manifest)
    assert outcome.totals.carried_files == 0
    assert outcome.totals.proved_files == outcome.totals.files


def test_a_complete_manifest_can_be_gone_on_with_where_its_run_was_not(root: Path, manifest: Path) -> None:
    """One side of a check was complete when the check was ended: that side is listed again and not read again."""
    first = scan_tree(root, manifest)
    was = entries_of(manifest)
    outcome = scan_tree(root, manifest, finished_too=True)
    assert int(facts_of(manifest)["bytes_read"]) == 0
    assert outcome.fingerprint == first.fingerprint
    assert entries_of(manifest) == was
    assert beside(manifest) == [""]


# ---- What is refused


def with_another_algorithm(root: Path, manifest: Path) -> None:
    """Go on with another digest."""
    scan_tree(root, manifest, ScanOptions(Algorithm.SHA256))


def with_another_root(root: Path, manifest: Path) -> None:
    """Go on with another tree."""
    other = root.with_name("another")
    if not other.exists():
        lay_out(other, {b"file": b"content"})
    scan_tree(other, manifest)


@pytest.mark.parametrize("attempts", [1, 2], ids=["ended once", "ended twice"])
@pytest.mark.parametrize("otherwise", [with_another_algorithm, with_another_root])
def test_a_scan_that_would_make_old_rows_wrong_is_refused(
    root: Path, manifest: Path, attempts: int, otherwise: Callable[[Path, Path], None]
) -> None:
    """One line, exit code 2, nothing changed: the command as it was still goes on from everything."""
    for _ in range(attempts):
        ended_after_listing(root, manifest)
    was = contents(manifest)
    for _ in range(2):
        with pytest.raises(UsageProblem, match="was begun") as caught:
            otherwise(root, manifest)
        assert caught.value.exit_code == 2
        assert "\n" not in str(caught.value)
    assert contents(manifest) == was
    scan_tree(root, manifest)
    assert int(facts_of(manifest)["bytes_read"]) == 2 * LARGE_BYTES


def contents(manifest: Path) -> dict[str, bytes]:
    """Return a manifest and what lies beside it."""
    return {path.name: path.read_bytes() for path in manifest.parent.glob(f"{manifest.name}*")}


def test_another_algorithm_on_the_command_line_is_one_line(root: Path, manifest: Path) -> None:
    """The refusal as a user sees it."""
    ended_after_listing(root, manifest)
    done = run_verifier("scan", root, "--manifest", manifest, "--algorithm", "sha256", "--quiet")
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)
    assert "was begun with blake3, not with sha256" in done.stderr


@pytest.mark.parametrize("fact", ["mount_source", "file_system"])
def test_another_mount_is_refused(root: Path, manifest: Path, fact: str) -> None:
    """What is mounted there now is not what was: its files may have the same names and facts."""
    ended_after_listing(root, manifest)
    edit(manifest, "UPDATE facts SET value = 'elsewhere' WHERE key = ?", fact)
    was = contents(manifest)
    with pytest.raises(UsageProblem, match="elsewhere") as caught:
        scan_tree(root, manifest)
    assert caught.value.exit_code == 2
    assert contents(manifest) == was


@pytest.mark.parametrize("attempts", [1, 2], ids=["ended once", "ended twice"])
def test_an_empty_root_is_refused(root: Path, manifest: Path, attempts: int) -> None:
    """A mount point without its share: exit code 4, and when it is mounted again the scan goes on from everything."""
    for _ in range(attempts):
        ended_after_listing(root, manifest)
    away = root.rename(root.with_name("away"))
    root.mkdir()
    for _ in range(2):
        with pytest.raises(RootUnavailable, match="is an empty folder") as caught:
            scan_tree(root, manifest)
        assert caught.value.exit_code == 4
    root.rmdir()
    away.rename(root)
    scan_tree(root, manifest)
    assert int(facts_of(manifest)["bytes_read"]) == 2 * LARGE_BYTES


def test_a_manifest_that_another_run_writes_is_left_alone(root: Path, manifest: Path) -> None:
    """Two scans into one file: the second is refused with exit code 4 and takes nothing away from the first."""
    with Manifest.create(manifest) as first:
        first.set_facts(root=str(root), algorithm="blake3")
        with pytest.raises(VerifierError, match="held by another run") as caught:
            scan_tree(root, manifest)
        assert caught.value.exit_code == 4
        first.set_facts(complete=False)
    assert beside(manifest) == [""]


@pytest.mark.parametrize("table", ["facts", "entries"])
@pytest.mark.parametrize("kind", ["inline", "processes"])
def test_a_damaged_rest_is_one_line(
    root: Path, manifest: Path, monkeypatch: pytest.MonkeyPatch, table: str, kind: str
) -> None:
    """Where what was kept cannot be read any more that is said, whoever finds it, and nothing else is blamed for it."""
    ended_after_listing(root, manifest)
    before = before_of(manifest)
    manifest.rename(before)
    with closing(sqlite3.connect(before)) as plain:
        (page,) = plain.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
    data = bytearray(before.read_bytes())
    size = int.from_bytes(data[16:18])  # bytes of a page (SQLite file format, section 1.3.2)
    data[(page - 1) * size : page * size] = b"\xa5" * size
    before.write_bytes(data)
    force(monkeypatch, kind, 1)
    with pytest.raises(ManifestDamaged, match=re.escape(before.name)) as caught:
        scan_tree(root, manifest)
    assert caught.value.exit_code == 4


def test_names_that_are_no_text_are_kept_too(tmp_path: Path, manifest: Path) -> None:
    """Files whose names, or whose folders' names, are no UTF-8 or hold a backslash are not read twice for that."""
    root = lay_out(tmp_path / "root", {b"d\xff": {b"x": b"1" * LARGE_BYTES}, b"z\\": b"2" * LARGE_BYTES})
    with pytest.raises(Crash):
        scan_tree(root, manifest, on_progress=crash_at(lambda told: told.bytes_done >= 2 * LARGE_BYTES))
    assert {entry.state for entry in entries_of(manifest).values() if entry.kind == Kind.FILE} == {State.PROVED}
    scan_tree(root, manifest)
    assert int(facts_of(manifest)["bytes_read"]) == 0


# ---- Killed

QUICK: Final = """
import sys
from verifier.scan import side
side.COMMIT_EVERY_S = 0.05
side.TELL_EVERY_S = 0.02
from verifier.__main__ import main
main()
"""
"""The command, with commits so frequent that a short scan has some."""
KILLS: Final = 6
FILES: Final = 1500
RATE: Final = "30MB/s"
RATE_BYTES: Final = 30_000_000


@pytest.fixture(scope="module")
def killed_root(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Lay out a tree that takes a second at a limited rate; return it and the fingerprint of an undisturbed scan."""
    chooser = random.Random(20261125)
    place = tmp_path_factory.mktemp("killed")
    tree: Folder = {f"{n}".encode(): chooser.randbytes(chooser.randint(0, 16_000)) for n in range(FILES // 3)}
    for letter in (b"a", b"b"):
        tree[letter] = {f"{n}".encode(): chooser.randbytes(chooser.randint(0, 16_000)) for n in range(FILES // 3)}
    tree[b"large"] = chooser.randbytes(10_000_000)
    root = lay_out(place / "root", tree)
    os.link(root / "a" / "7", root / "seven")
    let_the_second_pass()
    return root, fingerprint_of(root)


def start(root: Path, manifest: Path) -> subprocess.Popen[str]:
    """Start the command in a process group of its own."""
    command: list[str | Path] = [
        sys.executable,
        "-c",
        QUICK,
        "scan",
        root,
        "--manifest",
        manifest,
        "--limit-rate",
        RATE,
        "--quiet",
    ]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=ENVIRONMENT, start_new_session=True
    )


def kill_after(seconds: float, root: Path, manifest: Path) -> bool:
    """Start a scan, kill all its processes so long after it wrote its first fact, and tell whether it was there."""
    scanning = start(root, manifest)
    try:
        wait_for(lambda: has_begun(manifest) or scanning.poll() is not None)
        time.sleep(seconds)
    finally:
        os.killpg(scanning.pid, signal.SIGKILL)
        _, errors = scanning.communicate()
    assert errors == ""
    return scanning.returncode == -signal.SIGKILL


def has_begun(manifest: Path) -> bool:
    """Tell whether a manifest's first facts are in its file; nobody else can open it while it is written."""
    try:
        return b"verifier/manifest" in manifest.read_bytes()
    except FileNotFoundError:
        return False


def known_files(manifest: Path) -> int:
    """Count the files whose content was kept, in a copy: whoever opens a manifest undoes what was half written."""
    place = manifest.with_name("copy")
    place.mkdir()
    for path in manifest.parent.glob(f"{manifest.name}*"):
        (place / path.name).write_bytes(path.read_bytes())
    known: set[str] = set()
    for path in (place / manifest.name, place / before_of(manifest).name):
        if path.exists() and (found := Manifest.recover(path)) is not None:
            with found:
                known |= {entry.path for entry in found.entries() if entry.digest is not None}
    return len(known)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(KILLS))
def test_killed_at_any_instant_a_scan_goes_on(killed_root: tuple[Path, str], manifest: Path, seed: int) -> None:
    """SIGKILL of every process, once or twice, then the same command: the undisturbed fingerprint, and no rest.

    What was committed is not read again.
    """
    root, undisturbed = killed_root
    chooser = random.Random(seed)
    kills = 1 + seed % 2
    for _ in range(kills):
        assert kill_after(chooser.uniform(0.0, 0.5), root, manifest), "it was at its end before it was killed"
    known = known_files(manifest)
    going_on = start(root, manifest)
    output, errors = going_on.communicate(timeout=60)
    assert (going_on.returncode, errors) == (0, "")
    facts, found = facts_of(manifest), entries_of(manifest)
    assert f"fingerprint {undisturbed}\n" in output
    assert (facts["fingerprint"], facts["complete"]) == (undisturbed, "1")
    assert int(facts["resumed"]) >= 1
    files = [entry for entry in found.values() if entry.kind == Kind.FILE]
    assert {entry.state for entry in files} == {State.PROVED}
    assert sum(entry.size for entry in files) - int(facts["bytes_read"]) >= known - 1
    assert beside(manifest) == [""]


def test_killed_before_its_first_fact_a_scan_begins_anew(killed_root: tuple[Path, str], manifest: Path) -> None:
    """Killed while its tables were made: what it left is no reason to refuse the next scan."""
    root, undisturbed = killed_root
    scanning = start(root, manifest)
    wait_for(manifest.exists)
    os.killpg(scanning.pid, signal.SIGKILL)
    scanning.communicate()
    assert scan_tree(root, manifest).fingerprint == undisturbed
    assert beside(manifest) == [""]
