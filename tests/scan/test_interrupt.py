"""A scan that is ended from outside: exit code 3, one line, a manifest that says so, and nobody left behind."""

from __future__ import annotations

import os
import signal
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Final

import psutil
import pytest
from blake3 import blake3

from tests.scan.command import readers_of, run_verifier, start_verifier, wait_for
from tests.scan.scans import entries_of, facts_of, scan_tree
from tests.strategies import Folder, lay_out
from verifier.errors import VerifierError
from verifier.manifest.store import Manifest
from verifier.tree.entry import Kind, State

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator
    from pathlib import Path

    from tests.conftest import Mount

SMALL_FILES: Final = 900
"""So many that processes read them and what follows."""
LARGE_FILES: Final = 16
LARGE_BYTES: Final = 512 * 1024 * 1024
"""Sparse, so they take no room; together more than any machine reads before the signal comes."""
UNDER_WAY_BYTES: Final = 48 * 1024 * 1024
PATIENCE_S: Final = 20


def takes_a_while(place: Path, small_files: int) -> Path:
    """Lay out a tree of small files and then large ones."""
    small: Folder = {f"a{n}".encode(): str(n).encode() for n in range(small_files)}
    root = lay_out(place, small | {f"z{n:02}".encode(): b"" for n in range(LARGE_FILES)})
    for n in range(LARGE_FILES):
        os.truncate(root / f"z{n:02}", LARGE_BYTES)
    return root


@pytest.fixture
def root(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    """Return a tree that takes a while; with as many small files as the test asks for."""
    return takes_a_while(tmp_path / "root", getattr(request, "param", SMALL_FILES))


@pytest.fixture
def scanning(root: Path, manifest: Path) -> Iterator[subprocess.Popen[str]]:
    """Start a scan with two readers; whatever is left of it at the end is killed."""
    process = start_verifier("scan", root, "--manifest", manifest, "--readers", "2", "--quiet")
    yield process
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


def family_of(process: subprocess.Popen[str]) -> list[psutil.Process]:
    """Return every process that a scan has started."""
    return psutil.Process(process.pid).children(recursive=True)


def assert_nobody_left(family: list[psutil.Process]) -> None:
    """Hold a scan's processes to having ended: they would keep the share from being unmounted."""
    until = time.monotonic() + 3
    while any(is_alive(process) for process in family) and time.monotonic() < until:
        time.sleep(0.01)
    assert [process for process in family if is_alive(process)] == []


def is_alive(process: psutil.Process) -> bool:
    """Tell whether a process runs; one that only waits for its parent to take note of its end does not."""
    try:
        return bool(process.status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


def assert_one_line(errors: str) -> None:
    """Hold standard error to one line that says who speaks."""
    assert errors.startswith("verifier: ")
    assert errors.endswith("\n")
    assert errors.count("\n") == 1


def assert_honest(manifest: Path, small_files: int = SMALL_FILES) -> None:
    """Hold a manifest to what an early end leaves: everything listed, some of it proved, and the rest said to be open.

    What is proved is proved right, to the last digest.
    """
    facts = facts_of(manifest)
    assert (facts["listed"], facts["complete"], facts["fingerprint"]) == ("1", "0", "")
    assert facts["interrupted"]
    found = entries_of(manifest)
    assert len(found) == small_files + LARGE_FILES
    assert {entry.state for entry in found.values() if entry.kind == Kind.FILE} <= {State.PROVED, State.LISTED}
    proved = {path: entry for path, entry in found.items() if entry.state == State.PROVED}
    assert 0 < len(proved) < len(found)
    for path, entry in proved.items():
        if path.startswith("a"):
            assert entry.digest == blake3(path[1:].encode()).digest()


@pytest.mark.parametrize("to_all", [False, True], ids=["to the command", "to its whole group"])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_a_scan_in_good_order(
    scanning: subprocess.Popen[str], manifest: Path, number: signal.Signals, *, to_all: bool
) -> None:
    """Ctrl-C reaches the whole group, a service's stop one process or all: each ends with the manifest marked."""
    readers_of(scanning, UNDER_WAY_BYTES)
    family = family_of(scanning)
    if to_all:
        os.killpg(scanning.pid, number)
    else:
        scanning.send_signal(number)
    output, errors = scanning.communicate(timeout=PATIENCE_S)
    assert (scanning.returncode, output) == (3, "")
    assert_one_line(errors)
    assert_honest(manifest)
    assert_nobody_left(family)


@pytest.mark.parametrize("root", [3], indirect=True)
def test_a_signal_ends_threads_that_read_large_files(scanning: subprocess.Popen[str], manifest: Path) -> None:
    """Where the scan's own threads read there is nobody else to be asked: they stop at their next block, too."""
    readers_of(scanning, UNDER_WAY_BYTES, itself=True)
    scanning.terminate()
    output, errors = scanning.communicate(timeout=PATIENCE_S)
    assert (scanning.returncode, output) == (3, "")
    assert_one_line(errors)
    assert_honest(manifest, 3)


def test_signals_to_readers_alone_change_nothing(scanning: subprocess.Popen[str]) -> None:
    """A reader takes no orders but from its scan: it reads on."""
    readers = readers_of(scanning, UNDER_WAY_BYTES)
    for reader in readers:
        reader.send_signal(signal.SIGINT)
        reader.send_signal(signal.SIGTERM)
    was = {reader.pid: reader.io_counters().read_chars for reader in readers}
    wait_for(lambda: all(reader.io_counters().read_chars > was[reader.pid] + UNDER_WAY_BYTES for reader in readers))
    assert scanning.poll() is None


def test_a_killed_reader_is_an_interruption(scanning: subprocess.Popen[str], manifest: Path) -> None:
    """A reader that the system killed, for memory for instance, leaves no traceback and no half truth."""
    victim, *_ = readers_of(scanning, UNDER_WAY_BYTES)
    family = family_of(scanning)
    victim.kill()
    output, errors = scanning.communicate(timeout=PATIENCE_S)
    assert (scanning.returncode, output) == (3, "")
    assert_one_line(errors)
    assert "reader process" in errors
    facts = facts_of(manifest)
    assert (facts["complete"], facts["fingerprint"]) == ("0", "")
    assert_nobody_left(family)


@pytest.fixture
def killed(scanning: subprocess.Popen[str]) -> list[psutil.Process]:
    """Kill the scan itself, as a crash or a power cut does, and return the processes that it had started."""
    readers_of(scanning, UNDER_WAY_BYTES)
    family = family_of(scanning)
    scanning.kill()
    scanning.wait(PATIENCE_S)
    return family


def test_readers_end_with_the_scan_that_started_them(killed: list[psutil.Process]) -> None:
    """Readers whose scan was killed go away on their own: nobody would ever tell them to."""
    assert_nobody_left(killed)


@pytest.mark.usefixtures("killed")
def test_a_killed_scan_is_never_taken_for_complete(manifest: Path) -> None:
    """What a killed scan left is marked incomplete, or refused in one clear line."""
    try:
        with Manifest.open(manifest) as opened:
            opened.check()
            facts = opened.facts()
    except VerifierError as error:
        assert error.exit_code == 4
        assert "permission" not in str(error)
    else:
        assert (facts["complete"], facts["fingerprint"]) == ("0", "")


@pytest.mark.real(mounts=True)
def test_no_space_for_the_manifest_is_one_line(tmp_path: Path, mount: Mount) -> None:
    """A disk that fills up under the manifest: exit code 4, one line that says what to do, nothing complete."""
    root = lay_out(tmp_path / "root", {f"{n:04}{'x' * 200}".encode(): b"" for n in range(3000)})
    (tmp_path / "tiny").mkdir()
    mount("-t", "tmpfs", "-o", "size=400k", "none", tmp_path / "tiny")
    done = run_verifier("scan", root, "--manifest", tmp_path / "tiny" / "m", "--quiet")
    assert (done.returncode, done.stdout) == (4, "")
    assert_one_line(done.stderr)
    assert "free some space" in done.stderr
    if (tmp_path / "tiny" / "m").stat().st_size:
        try:
            assert facts_of(tmp_path / "tiny" / "m").get("complete", "0") == "0"
        except VerifierError as error:
            assert error.exit_code in (2, 4)


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["scan", "missing", "--manifest", "m"], 4),
        (["scan", "file", "--manifest", "m"], 4),
        (["scan", "loop", "--manifest", "m"], 4),
        (["scan", "root", "--manifest", "root/m"], 2),
        (["scan", "root", "--manifest", "letter"], 2),
        (["scan", "root", "--manifest", "complete"], 2),
        (["scan", "root", "--manifest", "missing/m"], 4),
        (["scan", "root", "--manifest", "m", "--algorithm", "md5"], 2),
    ],
    ids=[
        "missing",
        "a file",
        "a loop",
        "manifest inside",
        "something else there",
        "complete manifest there",
        "no place",
        "unknown algorithm",
    ],
)
def test_a_scan_that_cannot_be_is_one_line(tmp_path: Path, arguments: list[str], code: int) -> None:
    """Bad input to the command: the right exit code, one line, nothing written."""
    (tmp_path / "file").touch()
    (tmp_path / "letter").write_text("to somebody")
    (tmp_path / "loop").symlink_to("loop")
    root = lay_out(tmp_path / "root", {b"file": b""})
    scan_tree(root, tmp_path / "complete")
    before = everything(tmp_path)
    named = before.keys() | {"missing", "m"}
    done = run_verifier(*(str(tmp_path / a) if a in named or "/" in a else a for a in arguments))
    assert (done.returncode, done.stdout) == (code, "")
    assert_one_line(done.stderr)
    assert everything(tmp_path) == before


def everything(place: Path) -> dict[str, bytes | None]:
    """Return every name below a place, with the content of those that are files."""
    return {str(p.relative_to(place)): p.read_bytes() if p.is_file() else None for p in place.rglob("*")}
