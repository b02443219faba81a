"""Scans of shares and disks that fail, by the real command: whatever breaks, nothing that was there becomes missing."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import site
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import pytest
from blake3 import blake3

import verifier
from tests.conftest import NOBODY
from tests.faulty.mount import EVERYWHERE, Fault, FaultyMount, Operation, faulty_mount, need_mfusepy
from tests.scan.command import COMMAND, ENVIRONMENT, run_verifier, wait_for
from tests.scan.scans import entries_of, facts_of, problems_of
from tests.strategies import Folder, lay_out
from verifier.tree.entry import Kind, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from tests.conftest import Mount
    from verifier.tree.entry import Entry
    from verifier.tree.trouble import Problem

LARGE: Final = b"large" * 600_000
"""More than a scan reads in one go, so it is read after the listing."""
TREE: Final[Folder] = {
    **{name: {f"{n:02}".encode(): name * (n * 40) for n in range(20)} for name in (b"a", b"b", b"c")},
    b"big": LARGE,
}
STALL: Final = ("--stall-after", "2s")
BOUND_S: Final = 40.0
"""A run that waits for what hangs never ends; one that does not has ended long before."""

real_mount = pytest.mark.real(root=True, mounts=True, paths=("/dev/fuse",), programs=("fusermount3",))


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """Return the folder behind the share."""
    return lay_out(tmp_path / "source", TREE)


@dataclass(slots=True)
class Share:
    """What a test needs of a faulty share."""

    mount: FaultyMount
    source: Path
    place: Path
    """For manifests."""

    def scan(self, *options: str, timeout_s: float = BOUND_S, name: str = "share") -> Scanned:
        """Scan the share; should the command hang, the share is taken away, so that the test can end."""
        manifest = self.place / f"{name}.manifest.sqlite"
        process, logs = self.start(manifest, *options)
        started = time.monotonic()
        try:
            code = process.wait(timeout_s)
        finally:
            seconds = time.monotonic() - started
            if process.poll() is None:
                self.mount.vanish()
                _kill(process)
        return Scanned(code, logs[1].read_text(), seconds, manifest)

    def start(self, manifest: Path, *options: str) -> tuple[subprocess.Popen[bytes], tuple[Path, Path]]:
        """Start a scan of the share, with files for its output, which a reader that hangs may hold for ever."""
        logs = manifest.with_suffix(".out"), manifest.with_suffix(".err")
        with logs[0].open("wb") as out, logs[1].open("wb") as err:
            process = subprocess.Popen(
                [*COMMAND, "scan", self.mount.point, "--manifest", manifest, "--quiet", *options],
                stdout=out,
                stderr=err,
                env=ENVIRONMENT,
                start_new_session=True,
            )
        return process, logs


def _kill(process: subprocess.Popen[bytes]) -> None:
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


class Scanned(NamedTuple):
    """One run of the command."""

    exit_code: int
    errors: str
    seconds: float
    manifest: Path

    @property
    def entries(self) -> dict[str, Entry]:
        """The manifest's entries by path."""
        return entries_of(self.manifest)

    @property
    def facts(self) -> dict[str, str]:
        """The manifest's facts."""
        return facts_of(self.manifest)

    @property
    def problems(self) -> list[Problem]:
        """The problems that it holds."""
        return problems_of(self.manifest)


@pytest.fixture
def share(source: Path, tmp_path: Path, pytestconfig: pytest.Config) -> Iterator[Callable[..., Share]]:
    """Return a function that mounts the faulty share, which is taken away at the end."""
    need_mfusepy(pytestconfig)
    with ExitStack() as mounts:

        def open_share(faults: Mapping[str, Fault] | None = None) -> Share:
            return Share(mounts.enter_context(faulty_mount(source, tmp_path / "share", faults)), source, tmp_path)

        yield open_share


def contents(source: Path) -> dict[str, bytes]:
    """Return the digest of every file of a folder by its path, computed here."""
    return {
        path.relative_to(source).as_posix(): blake3(path.read_bytes()).digest()
        for path in source.rglob("*")
        if path.is_file() and not path.is_symlink()
    }


def assert_all_proved_but(scanned: Scanned, source: Path, *but: str) -> None:
    """Hold every other file's digest against the bytes in the folder behind the share."""
    entries = scanned.entries
    expected = {path: digest for path, digest in contents(source).items() if path not in but}
    proved = {path: entry.digest for path, entry in entries.items() if entry.state == State.PROVED}
    assert proved == expected


def assert_interrupted(scanned: Scanned) -> None:
    """Hold a run to exit code 3, one line, and a manifest that says that it is incomplete."""
    assert scanned.exit_code == 3
    assert scanned.errors.startswith("verifier: ")
    assert scanned.errors.count("\n") == 1
    assert "marked incomplete" in scanned.errors
    facts = scanned.facts
    assert facts["complete"] == "0"
    assert facts["interrupted"]
    assert facts["fingerprint"] == ""


@real_mount
def test_one_file_that_the_medium_cannot_give(share: Callable[..., Share], source: Path) -> None:
    """EIO on one file makes that entry unreadable after two attempts, and no other."""
    scanned = share({"a/05": Fault(on=(Operation.READ,), error="EIO")}).scan()
    assert scanned.exit_code == 3
    entry = scanned.entries["a/05"]
    assert (entry.state, entry.error) == (State.UNREADABLE, "EIO: read")
    assert entry.digest is None
    assert [(p.path, p.operation, p.error, p.attempts) for p in scanned.problems] == [("a/05", "read", "EIO: read", 2)]
    assert_all_proved_but(scanned, source, "a/05")
    assert scanned.facts["complete"] == "1"


@real_mount
def test_a_medium_that_fails_once(share: Callable[..., Share], source: Path) -> None:
    """EIO that does not come again costs nothing but another attempt."""
    opened = share({"a/05": Fault(on=(Operation.READ,), error="EIO", times=1)})
    scanned = opened.scan()
    assert opened.mount.met("a/05", Operation.READ) == 1
    assert scanned.exit_code == 0
    assert_all_proved_but(scanned, source)


@real_mount
def test_a_medium_that_gives_nothing(share: Callable[..., Share], source: Path) -> None:
    """EIO on every file is one dead medium, not many unreadable files: interrupted, with every name still there."""
    shutil.rmtree(source / "c")  # every file costs a pause and a second attempt
    scanned = share({EVERYWHERE: Fault(on=(Operation.READ,), error="EIO")}).scan()
    assert_interrupted(scanned)
    assert "EIO" in scanned.errors
    entries = scanned.entries
    assert contents(source).keys() <= entries.keys()
    assert not [path for path, entry in entries.items() if entry.state == State.PROVED and entry.size]


@real_mount
def test_a_share_that_vanishes_while_it_is_read(share: Callable[..., Share], source: Path) -> None:
    """A share whose server dies in the middle of a read interrupts the run; what was proved until then stays proved."""
    opened = share({"big": Fault(on=(Operation.READ,), vanish=True, skip=3)})
    scanned = opened.scan()
    assert opened.mount.server.wait(1) == 1
    assert_interrupted(scanned)
    entries, expected = scanned.entries, contents(source)
    assert entries["big"].state == State.LISTED
    proved = {path: entry.digest for path, entry in entries.items() if entry.state == State.PROVED}
    assert proved == {path: digest for path, digest in expected.items() if path != "big"}


@real_mount
def test_a_share_that_vanishes_while_it_is_listed(share: Callable[..., Share]) -> None:
    """A share whose server dies during the listing leaves a manifest that does not claim to know all names."""
    scanned = share({"b": Fault(on=(Operation.READDIR,), vanish=True)}).scan()
    assert_interrupted(scanned)
    assert scanned.facts["listed"] == "0"


@real_mount
def test_a_share_whose_server_is_dead_from_the_start(share: Callable[..., Share]) -> None:
    """A root that cannot be listed is no empty root: the command could not run, and leaves no manifest."""
    opened = share()
    opened.mount.vanish()
    scanned = opened.scan()
    assert scanned.exit_code == 4
    assert "ENOTCONN" in scanned.errors
    assert scanned.errors.count("\n") == 1
    assert not scanned.manifest.exists()


@real_mount
def test_a_file_that_hangs(share: Callable[..., Share], source: Path) -> None:
    """A file that never answers is named and given up; every other is proved, and the run ends by itself."""
    scanned = share({"a/05": Fault(on=(Operation.OPEN,), stall=True)}).scan(*STALL)
    assert scanned.exit_code == 3
    (problem,) = scanned.problems
    assert problem.path == "a/05"
    assert problem.error.startswith("no answer")
    entry = scanned.entries["a/05"]
    assert entry.state == State.UNREADABLE
    assert (entry.error or "").startswith("no answer")
    assert_all_proved_but(scanned, source, "a/05")


@real_mount
def test_a_large_file_that_hangs_half_way(share: Callable[..., Share], source: Path) -> None:
    """A file that stops in the middle is given up, with no digest of its first half."""
    scanned = share({"big": Fault(on=(Operation.READ,), stall=True, skip=4)}).scan(*STALL)
    assert scanned.exit_code == 3
    assert [(p.path, p.error.startswith("no answer")) for p in scanned.problems] == [("big", True)]
    entry = scanned.entries["big"]
    assert (entry.state, entry.digest, entry.size) == (State.UNREADABLE, None, len(LARGE))
    assert_all_proved_but(scanned, source, "big")


@real_mount
def test_a_folder_that_hangs(share: Callable[..., Share], source: Path) -> None:
    """A folder whose listing never answers is unreadable, so what is in it is not missing; the rest is proved."""
    scanned = share({"b": Fault(on=(Operation.READDIR,), stall=True)}).scan(*STALL)
    assert scanned.exit_code == 3
    (problem,) = scanned.problems
    assert problem.path == "b"
    assert problem.error.startswith("no answer")
    assert scanned.entries["b"].state == State.UNREADABLE
    assert_all_proved_but(scanned, source, *(f"b/{n:02}" for n in range(20)))


@real_mount
def test_whoever_collects_the_output_gets_its_end(share: Callable[..., Share]) -> None:
    """A reader that hangs in the system, where nothing can end it, holds no pipe that the command was given."""
    opened = share({"a/05": Fault(on=(Operation.OPEN,), stall=True)})
    where = (opened.mount.point, "--manifest", opened.place / "m.sqlite")
    process = subprocess.Popen(
        [*COMMAND, "scan", *where, "--quiet", *STALL], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=ENVIRONMENT
    )
    try:
        output, _ = process.communicate(timeout=20)
        assert b"no answer" in output
    finally:
        opened.mount.vanish()
        process.kill()
        process.communicate()


@real_mount
def test_a_share_on_which_everything_hangs(share: Callable[..., Share], source: Path) -> None:
    """Where nothing answers any more the share is gone: interrupted in bounded time, and nothing is missing."""
    scanned = share({EVERYWHERE: Fault(on=(Operation.OPEN, Operation.READ), stall=True)}).scan(*STALL)
    assert_interrupted(scanned)
    assert "no answer" in scanned.errors
    assert contents(source).keys() <= scanned.entries.keys()
    assert not [path for path, entry in scanned.entries.items() if entry.state == State.PROVED]


@real_mount
@pytest.mark.parametrize("path", ["a/05", "big"])
def test_a_file_that_grows_while_it_is_read(share: Callable[..., Share], source: Path, path: str) -> None:
    """A file that grows with every read is unsettled after three attempts: no digest stands for it."""
    scanned = share({path: Fault(on=(Operation.READ,), grows_by=10)}).scan()
    assert scanned.exit_code == 3
    entry = scanned.entries[path]
    assert (entry.state, entry.digest) == (State.UNSETTLED, None)
    assert [(p.path, p.attempts) for p in scanned.problems] == [(path, 3)]
    assert_all_proved_but(scanned, source, path)


@real_mount
def test_a_small_file_that_became_a_link(share: Callable[..., Share], source: Path) -> None:
    """A name that the listing called a file, and that is a link by the time it is opened, is a link; not followed."""
    behind = Fault(on=(Operation.GETATTR, Operation.READLINK), link_target="06")
    scanned = share({"a/05": behind}).scan()
    entry = scanned.entries["a/05"]
    assert (entry.kind, entry.target, entry.digest) == (Kind.LINK, "06", None)
    assert scanned.exit_code == 0
    assert_all_proved_but(scanned, source, "a/05")


@real_mount
def test_a_large_file_that_becomes_a_link_before_it_is_read(share: Callable[..., Share], source: Path) -> None:
    """A file that was replaced by a link between listing and reading is never followed to what the link names."""
    (source / "z").write_bytes(LARGE)
    (source.parent / "outside").write_bytes(b"not of this tree")
    opened = share({"big": Fault(on=(Operation.READ,), stall=True)})
    manifest = opened.place / "swapped.manifest.sqlite"
    # One reader, and path order: while it waits for "big", "z" is listed and not read.
    process, _ = opened.start(manifest, "--readers", "1")
    try:
        wait_for(lambda: opened.mount.met("big", Operation.READ), lambda: process.poll() is None)
        (source / "fresh").symlink_to(source.parent / "outside")
        (source / "fresh").replace(source / "z")
        opened.mount.misbehave({})
        assert process.wait(BOUND_S) == 3
    finally:
        opened.mount.vanish()
        _kill(process)
    scanned = Scanned(3, "", 0.0, manifest)
    entry = scanned.entries["z"]
    assert (entry.state, entry.digest, entry.head) == (State.UNSETTLED, None, None)
    assert_all_proved_but(scanned, source, "z")


@real_mount
@pytest.mark.parametrize("operation", [Operation.OPEN, Operation.READ])
def test_one_file_whose_handle_is_stale(share: Callable[..., Share], source: Path, operation: Operation) -> None:
    """ESTALE on one file says that it was replaced on the server: unsettled, and the side goes on."""
    scanned = share({"a/05": Fault(on=(operation,), error="ESTALE")}).scan()
    assert scanned.exit_code == 3
    assert scanned.entries["a/05"].state == State.UNSETTLED
    assert [(p.path, p.error.partition(":")[0]) for p in scanned.problems] == [("a/05", "ESTALE")]
    assert_all_proved_but(scanned, source, "a/05")
    assert scanned.facts["complete"] == "1"


@real_mount
def test_a_share_that_loses_its_server_and_gets_it_back(share: Callable[..., Share], source: Path) -> None:
    """ENOTCONN on everything interrupts the run; when the server is back, the same command ends it.

    The manifest then has the fingerprint of an undisturbed scan.
    """
    opened = share({EVERYWHERE: Fault(on=(Operation.READ,), error="ENOTCONN")})
    scanned = opened.scan()
    assert_interrupted(scanned)
    assert "ENOTCONN" in scanned.errors
    assert contents(source).keys() <= scanned.entries.keys()
    opened.mount.misbehave({})
    again = opened.scan()
    assert again.exit_code == 0
    assert_all_proved_but(again, source)
    assert again.facts["fingerprint"] == opened.scan(name="undisturbed").facts["fingerprint"]


@real_mount
def test_reads_that_give_less_than_was_asked_for(share: Callable[..., Share], source: Path) -> None:
    """A read may give fewer bytes than it was asked for (read(2)): the file goes on, and its digest is right."""
    scanned = share({"a/05": Fault(most_bytes=7), "big": Fault(most_bytes=50_000)}).scan()
    assert scanned.exit_code == 0
    assert_all_proved_but(scanned, source)


@real_mount
def test_bytes_that_are_wrong(share: Callable[..., Share], source: Path) -> None:
    """Wrong bytes, which no error tells of, are in the digest: that is how a comparison finds them."""
    opened = share({"a/05": Fault(on=(Operation.READ,), wrong_bytes=True, times=1)})
    first, second = opened.scan(name="first"), opened.scan(name="second")
    right = (source / "a/05").read_bytes()
    assert first.entries["a/05"].digest == blake3(bytes(255 - byte for byte in right)).digest()
    assert second.entries["a/05"].digest == blake3(right).digest()
    assert first.facts["fingerprint"] != second.facts["fingerprint"]


@pytest.mark.real(root=True, mounts=True, programs=("setpriv",))
def test_a_user_who_may_not_read(mount: Mount, open_ground: Path) -> None:
    """What an unprivileged user may not read or list is unreadable with EACCES, and everything else is proved."""
    root = lay_out(open_ground / "root", TREE | {b"closed": {b"inside": b"unseen"}})
    (root / "a/05").chmod(0)
    (root / "closed").chmod(0)
    (open_ground / "out").mkdir(mode=0o777)
    (open_ground / "out").chmod(0o777)
    # The interpreter may lie where only root can go, so it is shown at a place where everybody can.
    with tempfile.TemporaryDirectory() as made:
        place = Path(made)
        place.chmod(0o755)
        shown = {"python": sys.base_prefix, "tool": str(Path(verifier.__file__).parents[1])}
        shown |= {f"packages{n}": path for n, path in enumerate(site.getsitepackages()) if Path(path).is_dir()}
        try:
            for name, path in shown.items():
                (place / name).mkdir()
                subprocess.run(["mount", "--bind", path, place / name], check=True)
            found = [str(place / name) for name in shown if name != "python"]
            python = place / "python" / "bin" / f"python{sys.version_info.major}.{sys.version_info.minor}"
            there = {
                "PYTHONPATH": os.pathsep.join(found),
                "PYTHONDONTWRITEBYTECODE": "1",
                "LD_LIBRARY_PATH": str(place / "python" / "lib"),  # its own library, where it is a shared one
            }
            manifest = open_ground / "out" / "user.manifest.sqlite"
            user = ("setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups")
            scanned = subprocess.run(
                [*user, python, "-m", "verifier", "scan", root, "--manifest", manifest, "--quiet"],
                env=os.environ | there,
                cwd=open_ground,
                capture_output=True,
                text=True,
                timeout=BOUND_S,
                check=False,
            )
        finally:
            for name in shown:
                subprocess.run(["umount", "--lazy", place / name], check=False, capture_output=True)
    assert scanned.returncode == 3, scanned.stderr
    entries = entries_of(manifest)
    denied = {path: entry.error for path, entry in entries.items() if entry.state == State.UNREADABLE}
    assert denied == {"a/05": "EACCES: read", "closed": "EACCES: list"}
    assert {p.path for p in problems_of(manifest)} == denied.keys()
    assert "EACCES" in scanned.stdout
    assert_all_proved_but(Scanned(3, "", 0.0, manifest), root, "a/05", "closed/inside")
    assert facts_of(manifest)["complete"] == "1"


@pytest.mark.real(root=True, mounts=True)
def test_a_disk_that_is_full_under_the_manifest(mount: Mount, tmp_path: Path) -> None:
    """No space for the manifest is exit code 4 in one line; when there is some, the same command ends it.

    The manifest then has the fingerprint of an undisturbed scan.
    """
    files: Folder = {f"{'long name ' * 20}{n:04}".encode(): str(n).encode() for n in range(3000)}
    root = lay_out(tmp_path / "root", files)
    disk = tmp_path / "disk"
    disk.mkdir()
    mount("-t", "tmpfs", "-o", "size=512k", "none", disk)
    manifest = disk / "full.manifest.sqlite"
    full = run_verifier("scan", root, "--manifest", manifest, "--quiet")
    assert full.returncode == 4, full.stderr
    assert full.stderr.startswith("verifier: ")
    assert full.stderr.count("\n") == 1
    assert "space" in full.stderr or errno.errorcode[errno.ENOSPC] in full.stderr
    subprocess.run(["mount", "-o", "remount,size=64m", disk], check=True)
    again = run_verifier("scan", root, "--manifest", manifest, "--quiet")
    assert again.returncode == 0, again.stderr
    undisturbed = tmp_path / "undisturbed.manifest.sqlite"
    assert run_verifier("scan", root, "--manifest", undisturbed, "--quiet").returncode == 0
    assert facts_of(manifest)["complete"] == "1"
    assert facts_of(manifest)["fingerprint"] == facts_of(undisturbed)["fingerprint"]
    assert sorted(entries_of(manifest)) == sorted(os.fsdecode(name) for name in files)
