"""The commands end to end: exit codes, options, reports again, and a run that is stopped."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

import psutil
import pytest

from tests.reconcile.trees import FOLDER, SECOND_NS, T0_NS, Node, file, plant, snapshot, unread, write_manifest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.cli.conftest import Command, Place

REPOSITORY: Final = Path(__file__).resolve().parents[2]
FORMS: Final = ("report.html", "summary.md", "summary.json", "differences.csv")
SMALL_FILES: Final = 900
"""So many that processes of their own read them, and then what is large."""
LARGE_BYTES: Final = 40 * 2**30
"""A sparse file that takes far longer to read than any of these tests waits."""


def process(*arguments: object, **environment: str) -> subprocess.Popen[str]:
    """Start the program as a process of its own, in a group of its own as a shell would."""
    return subprocess.Popen(
        [sys.executable, "-m", "verifier", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY), **environment},
    )


def finished(started: subprocess.Popen[str]) -> tuple[int, str, str]:
    """Wait for a process and return its code and what it wrote."""
    out, err = started.communicate(timeout=60)
    return started.returncode, out, err


# ---- Exit codes


def test_a_true_copy_is_exit_0(verifier: Command, place: Place) -> None:
    """Trustworthy: the verdict on standard output, nothing on standard error when asked for quiet."""
    ended = verifier("check", place.old, place.new, "--evidence", place.proof, "--quiet")
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.startswith("TRUSTWORTHY\n")
    assert str(place.proof / "report.html") in ended.out.replace("\n", "")


def test_a_changed_byte_is_exit_1(verifier: Command, place: Place) -> None:
    """Not trustworthy."""
    (place.new / "a").write_bytes(b"eno")
    os.utime(place.new / "a", ns=(T0_NS, T0_NS))
    ended = verifier("check", place.old, place.new, "--evidence", place.proof, "-q")
    assert ended.code == 1
    assert "  silent        a" in ended.out.splitlines()


def test_wrong_usage_is_exit_2(verifier: Command, place: Place) -> None:
    """What cannot be meant; see also the tests of bad input."""
    assert verifier("check", place.old, place.old, "--evidence", place.proof).code == 2


def test_an_unread_copy_is_exit_3(verifier: Command, place: Place) -> None:
    """Inconclusive: listed and not read."""
    ended = verifier("check", place.old, place.new, "--evidence", place.proof, "--listing-only", "-q")
    assert ended.code == 3
    assert ended.out.startswith("INCONCLUSIVE\n")


def test_a_sample_is_exit_3_and_says_what_it_rules_out(verifier: Command, place: Place) -> None:
    """Inconclusive, with the bound on the first lines; a sample of everything is a check like any other."""
    plant(place.old, {f"many/{n}".encode(): Node(b"%d" % n) for n in range(50)})
    plant(place.new, {f"many/{n}".encode(): Node(b"%d" % n) for n in range(50)})
    sampled = ["--sample", "10%", "--seed", "7", "-q"]
    ended = verifier("check", place.old, place.new, "--evidence", place.proof, *sampled)
    assert (ended.code, ended.err) == (3, "")
    assert ended.out.startswith("INCONCLUSIVE\n")
    assert "of 53 files read, none differ: with 95 % confidence at most" in ended.out
    told = json.loads((place.proof / "summary.json").read_text("utf-8"))["sample"]
    assert (told["asked"], told["seed"], told["population"], told["differ"]) == ("10%", 7, 53, 0)
    whole = verifier("check", place.old, place.new, "--evidence", place.base / "whole", "--sample", "100%", "-q")
    assert (whole.code, whole.err) == (0, "")


def test_a_side_that_is_not_there_is_exit_4(verifier: Command, place: Place) -> None:
    """Could not run; see also the tests of bad input."""
    assert verifier("check", place.old, place.base / "nowhere", "--evidence", place.proof).code == 4


def test_exit_codes_reach_the_shell(place: Place) -> None:
    """The process ends with the code; errors go to standard error, results to standard output."""
    code, out, err = finished(process("check", place.old, place.new, "--evidence", place.proof))
    assert code == 0
    assert out.startswith("TRUSTWORTHY")
    assert "TRUSTWORTHY" not in err
    code, out, err = finished(process("check", place.old, place.base / "x", "--evidence", place.base / "other"))
    assert (code, out) == (4, "")
    assert err.count("\n") == 1


def test_summary_and_exit_code_agree(verifier: Command, place: Place) -> None:
    """summary.json says what the process says."""
    shutil.rmtree(place.new / "b")
    ended = verifier("check", place.old, place.new, "--evidence", place.proof, "-q")
    told = json.loads((place.proof / "summary.json").read_text("utf-8"))
    assert ended.code == told["exit_code"] == 1


def test_no_tree_is_touched(verifier: Command, place: Place) -> None:
    """A whole check leaves both trees as they were, to the nanosecond."""
    before = snapshot(place.old), snapshot(place.new)
    assert verifier("check", place.old, place.new, "--evidence", place.proof, "-q").code == 0
    assert (snapshot(place.old), snapshot(place.new)) == before


# ---- Scan, then reconcile


def test_scan_on_each_server_and_reconcile_on_a_third(verifier: Command, place: Place) -> None:
    """Two manifests are enough: the trees can be gone."""
    (place.new / "extra").write_bytes(b"x")
    for root in (place.old, place.new):
        ended = verifier(
            "scan", root, "--manifest", place.base / f"{root.name}.m", "--label", f"the {root.name} one", "-q"
        )
        assert ended.code == 0
        assert "fingerprint" in ended.out
        shutil.rmtree(root)
    ended = verifier("reconcile", place.base / "old.m", place.base / "new.m", "--evidence", place.proof, "-q")
    assert ended.code == 0
    told = json.loads((place.proof / "summary.json").read_text("utf-8"))
    assert told["classes"]["extra"]["files"] == 1
    assert told["sides"]["old"]["label"] == "the old one"


def test_a_scan_that_could_not_settle_everything_is_exit_3(verifier: Command, place: Place) -> None:
    """A whole scan is exit 0, a listing that was asked for too."""
    assert verifier("scan", place.old, "--manifest", place.base / "1", "-q").code == 0
    assert verifier("scan", place.old, "--manifest", place.base / "2", "--listing-only", "-q").code == 0


def test_two_scans_of_an_unchanged_tree_have_one_fingerprint(verifier: Command, place: Place) -> None:
    """Same input, same output, whatever the number of readers."""
    prints = []
    for number in (1, 2, 3):
        ended = verifier("scan", place.old, "--manifest", place.base / f"{number}", "--readers", number, "-q")
        prints.append(next(line for line in ended.out.splitlines() if line.startswith("fingerprint")))
    assert len(set(prints)) == 1


# ---- Options of reconciling


def test_gates_are_times_with_a_zone_or_local(verifier: Command, place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same instant, written with a zone and in local time, excuses the same."""
    monkeypatch.setenv("TZ", "XYZ-3")  # three hours ahead of UTC, POSIX.1 chapter 8
    time.tzset()
    (place.old / "late").write_bytes(b"x")
    gate = datetime.fromisoformat("2026-11-21T22:00:00+00:00").timestamp()
    try:
        for text, code, at in (
            ("2026-11-21T22:00:00Z", 0, gate + 1),
            ("2026-11-22T01:00", 0, gate + 1),
            ("2026-11-22T01:00:00+03:00", 0, gate + 1),
            ("2026-11-22T01:00", 1, gate - 1),
            ("2026-11-22", 0, gate + 1),
        ):
            os.utime(place.old / "late", (at, at))
            arguments = ["check", place.old, place.new, "--evidence", place.proof, "--replace", "-q"]
            assert verifier(*arguments, "--frozen-at", text).code == code, text
    finally:
        monkeypatch.undo()
        time.tzset()


def test_live_since_excuses_what_is_new(verifier: Command, place: Place) -> None:
    """What people changed on the new side after the gate is drift."""
    (place.new / "a").write_bytes(b"today's version")
    arguments = ["check", place.old, place.new, "--evidence", place.proof, "--replace", "-q"]
    assert verifier(*arguments).code == 1
    ended = verifier(*arguments, "--live-since", "2021-01-01")
    assert ended.code == 0
    assert json.loads((place.proof / "summary.json").read_text("utf-8"))["classes"]["drift"]["files"] == 1


def test_a_map_is_followed(verifier: Command, place: Place) -> None:
    """Data that was moved on purpose is identical where the map says."""
    (place.new / "archive").mkdir()
    (place.new / "b").rename(place.new / "archive" / "b")
    os.utime(place.new / "archive" / "b", ns=(T0_NS, T0_NS))
    ended = verifier("check", place.old, place.new, "--evidence", place.proof, "--map", "b=archive/b", "-q")
    assert ended.code == 0
    told = json.loads((place.proof / "summary.json").read_text("utf-8"))
    assert told["classes"]["identical"]["entries"] == 5
    assert told["maps"] == ["b=archive/b"]


def test_own_rules_are_followed_and_named(verifier: Command, place: Place) -> None:
    """A rule file adds to the rules that ship, and the summary says so."""
    rules = place.base / "ours.toml"
    rules.write_text(
        '[[rule]]\nname = "scratch"\npattern = "*.scratch"\nwhat = "scratch file"\nmaker = "our scanner"\n'
        'action = "set-aside"\nsource = "our own"\n'
    )
    (place.old / "x.scratch").write_bytes(b"x")
    assert verifier("check", place.old, place.new, "--evidence", place.base / "1", "-q").code == 1
    assert verifier("check", place.old, place.new, "--evidence", place.base / "2", "--rules", rules, "-q").code == 0
    told = json.loads((place.base / "2" / "summary.json").read_text("utf-8"))
    assert len(told["rules"]["files"]) == 2
    assert told["classes"]["clutter"]["files"] == 1


# ---- The report again


@pytest.fixture
def proof(verifier: Command, place: Place) -> Path:
    """Give the evidence of a check with a finding."""
    (place.old / os.fsdecode(b"=lost\xff\x1b[2J")).write_bytes(b"x")
    assert verifier("check", place.old, place.new, "--evidence", place.proof, "-q").code == 1
    return place.proof


def forms(proof: Path) -> dict[str, bytes]:
    """Return the bytes of the report in its three forms."""
    return {name: (proof / name).read_bytes() for name in FORMS}


def test_a_report_written_again_has_the_same_bytes(verifier: Command, proof: Path) -> None:
    """Same findings, same report, same exit code, same summary on the screen."""
    before = forms(proof)
    first = verifier("report", proof)
    assert (first.code, first.err) == (1, "")
    assert forms(proof) == before
    for name in FORMS:
        (proof / name).unlink()
    assert verifier("report", proof) == first
    assert forms(proof) == before


def test_a_report_stands_on_the_evidence_alone(verifier: Command, place: Place, proof: Path, tmp_path: Path) -> None:
    """Copied to another place, with the trees gone and without the manifests, the findings give the same report."""
    before = forms(proof)
    elsewhere = tmp_path / "else where"
    shutil.copytree(proof, elsewhere)
    for gone in (place.old, place.new, proof):
        shutil.rmtree(gone)
    for name in FORMS:
        (elsewhere / name).unlink()
    assert verifier("report", elsewhere).code == 1
    assert forms(elsewhere) == before


def test_a_report_writes_nothing_but_the_report(verifier: Command, proof: Path) -> None:
    """Manifests and findings stay as they are."""
    kept = {path.name: path.read_bytes() for path in proof.iterdir() if path.name not in FORMS}
    names = {path.name for path in proof.iterdir()}
    verifier("report", proof)
    assert {path.name: path.read_bytes() for path in proof.iterdir() if path.name not in FORMS} == kept
    assert {path.name for path in proof.iterdir()} == names


def test_two_checks_of_the_same_sides_have_the_same_table(verifier: Command, place: Place) -> None:
    """Reports are ordered: nothing of the run's chance is in them."""
    for number in range(12):
        (place.old / f"lost {number}").write_bytes(b"%d" % number)
    for name in ("1", "2"):
        assert verifier("check", place.old, place.new, "--evidence", place.base / name, "-q").code == 1
    assert (place.base / "1" / "differences.csv").read_bytes() == (place.base / "2" / "differences.csv").read_bytes()


@pytest.fixture
def browser(tmp_path: Path) -> Path:
    """Give a program that stands in for a browser and writes down what it was asked to open."""
    program = tmp_path / "browser"
    program.write_text(f'#!/bin/sh\nprintf "%s\\n" "$@" >> "{tmp_path}/opened"\n')
    program.chmod(0o755)
    return program


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="the desktop's own browser is asked there")
def test_a_report_is_opened_in_the_browser(
    verifier: Command, place: Place, proof: Path, browser: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the summary, with an address that means this file whatever its folder is called; the exit code stays."""
    strange = place.base / "50% of #1 ? \u00e9"
    proof.rename(strange)
    monkeypatch.chdir(place.base)
    plain = verifier("report", strange.name)
    assert finished(process("report", strange.name, "--open", BROWSER=str(browser))) == plain
    assert (plain.code, plain.err) == (1, "")
    assert (place.base / "opened").read_text() == f"file://{quote(str(strange))}/report.html\n"


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="the desktop's own browser is asked there")
@pytest.mark.parametrize("named", ["/nowhere/browser", "'%s"])
def test_without_a_browser_it_is_said_where_the_report_is(place: Place, proof: Path, named: str) -> None:
    """On a server without a desktop, or where BROWSER names what does not work: one line, and the check's exit code."""
    empty = place.base / "empty"
    empty.mkdir()
    without = {"PATH": str(empty), "BROWSER": named, "DISPLAY": "", "WAYLAND_DISPLAY": ""}
    code, out, err = finished(process("report", proof, "--open", **without))
    assert code == 1
    assert out.startswith("NOT TRUSTWORTHY\n")
    assert err == f"verifier: no browser could be started here; the report is {proof / 'report.html'}\n"


# ---- The screen


def test_progress_is_plain_lines_where_nobody_watches(verifier: Command, place: Place) -> None:
    """Without a terminal each stage is one line on standard error, without a carriage return or a colour."""
    ended = verifier("check", place.old, place.new, "--evidence", place.proof)
    assert "reconciling" in ended.err.splitlines()
    assert all(line.isprintable() for line in ended.err.splitlines())
    assert "\x1b" not in ended.out


def test_a_terminal_that_cannot_show_a_name_is_no_reason_to_fail(place: Place) -> None:
    """With an output encoding that lacks a character the verdict is still told, and the exit code is the verdict's."""
    (place.old / "\u6a19\u672c").write_bytes(b"lost")
    started = process("check", place.old, place.new, "--evidence", place.proof, "-q", PYTHONIOENCODING="latin-1")
    code, out, err = finished(started)
    assert (code, err) == (1, "")
    assert out.startswith("NOT TRUSTWORTHY")


def test_help_needs_none_of_the_heavy_packages() -> None:
    """`--help` answers at once: what only a command needs is imported by the command."""
    code = (
        "import sys; import verifier.cli.app;"
        "print([name for name in ('pydantic', 'jinja2', 'sqlite_utils', 'psutil', 'tqdm', 'rich')"
        " if name in sys.modules])"
    )
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["-h"], *([name, "--help"] for name in ("check", "scan", "reconcile", "report", "demo", "rules"))],
    ids=" ".join,
)
def test_every_command_has_help_with_an_example(verifier: Command, arguments: list[str]) -> None:
    """Help is on standard output, exit 0; each command's shows how it is called."""
    ended = verifier(*arguments)
    assert (ended.code, ended.err) == (0, "")
    if len(arguments) == 2 and arguments[0] != "rules":
        assert f"Example: verifier {arguments[0]}" in " ".join(ended.out.split())


@pytest.mark.parametrize("arguments", [[], ["rules"]], ids=["the program", "a group of commands"])
def test_without_arguments_help_can_be_read(verifier: Command, arguments: list[str]) -> None:
    """Somebody who only types the name gets the help as help, or one short line: not all of it on one line."""
    ended = verifier(*arguments)
    assert ended.code in (0, 2)
    assert "help" in ended.out + ended.err
    assert max(map(len, (ended.out + ended.err).splitlines())) <= 120


def test_the_version_is_told(verifier: Command) -> None:
    """One line, exit 0."""
    import verifier as package  # noqa: PLC0415

    ended = verifier("--version")
    assert (ended.code, ended.out, ended.err) == (0, f"verifier {package.__version__}\n", "")


# ---- A run that is stopped


class Reading:
    """A check that reads files of many gigabytes, as a process of its own."""

    def __init__(self, base: Path) -> None:
        small = {b"s/%d" % n: Node(b"%d" % n) for n in range(SMALL_FILES)}
        self.roots = [plant(base / name, {**small, b"x": FOLDER}) for name in ("old", "new")]
        for root in self.roots:
            with (root / "large").open("wb") as out:
                out.truncate(LARGE_BYTES)
        self.before = [snapshot(root) for root in self.roots]
        self.proof = base / "proof"
        self.process = process("check", *self.roots, "--evidence", self.proof)

    def wait_until_it_reads(self) -> None:
        """Return when both sides are being read, and every reader process leaves Ctrl-C to the one that started it."""
        assert self.process.stderr is not None
        told: set[str] = set()
        for line in self.process.stderr:
            told.update(side for side in ("old", "new") if line.startswith(f"{side}: reading"))
            if len(told) == 2:
                break
        assert len(told) == 2, "it ended before it read"
        until = time.monotonic() + 30
        while time.monotonic() < until:
            readers = psutil.Process(self.process.pid).children(recursive=True)
            if sum(map(_reads, readers)) >= 2 and all(map(_ignores_interrupts, readers)):
                return
            time.sleep(0.05)
        raise AssertionError("its readers did not start")


def _reads(reader: psutil.Process) -> bool:
    """Tell whether a process has read some of the large files."""
    with contextlib.suppress(psutil.Error, AttributeError):
        return bool(reader.io_counters().read_chars > 64 * 2**20)
    return False


def _ignores_interrupts(reader: psutil.Process) -> bool:
    """Tell whether a process ignores SIGINT: bit 1 of SigIgn in proc(5)."""
    with contextlib.suppress(OSError):
        status = Path(f"/proc/{reader.pid}/status").read_text("ascii")
        return bool(int(status.partition("SigIgn:")[2].split()[0], 16) & 1 << (signal.SIGINT - 1))
    return True


@pytest.fixture
def reading(tmp_path: Path) -> Iterator[Reading]:
    """Give a check under way that would read for a long time."""
    under_way = Reading(tmp_path)
    yield under_way
    if under_way.process.poll() is None:
        os.killpg(under_way.process.pid, signal.SIGKILL)
        under_way.process.communicate()


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs proc(5) to see that the readers have started")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_check_is_exit_3_and_says_how_far_it_was(
    reading: Reading, how: signal.Signals, verifier: Command
) -> None:
    """Ctrl-C and SIGTERM: one line, manifests marked incomplete, nothing judged, no tree touched, and run again."""
    reading.wait_until_it_reads()
    began = time.monotonic()
    if how is signal.SIGINT:
        os.killpg(reading.process.pid, how)  # a terminal sends it to the whole group
    else:
        reading.process.send_signal(how)
    code, out, err = finished(reading.process)
    assert code == 3
    assert time.monotonic() - began < 20
    assert out == ""
    assert "Traceback" not in err
    last = err.splitlines()[-1]
    assert last.startswith("verifier: ")
    assert "stopped before the end" in last
    assert "run the same command again" in last
    assert {path.name for path in reading.proof.iterdir()} == {"old.manifest.sqlite", "new.manifest.sqlite"}
    for name in ("old", "new"):
        with sqlite3.connect(reading.proof / f"{name}.manifest.sqlite") as database:
            facts = dict(database.execute("SELECT key, value FROM facts"))
        database.close()
        assert (facts["complete"], facts["fingerprint"], facts["listed"]) == ("0", "", "1")
        assert facts["interrupted"] == "stopped before the end"
    assert [snapshot(root) for root in reading.roots] == reading.before
    taken = [reading.proof / f"{name}.manifest.sqlite" for name in ("old", "new")]
    ended = verifier("reconcile", *taken, "--evidence", reading.proof.parent / "second", "-q")
    assert ended.code == 3
    for root in reading.roots:
        (root / "large").unlink()
    assert verifier("check", *reading.roots, "--evidence", reading.proof, "-q").code == 0


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs proc(5) to see that the readers have started")
def test_a_second_run_into_the_same_evidence_is_refused(reading: Reading, verifier: Command) -> None:
    """Another run holds the evidence: exit 4, and what it has written stays."""
    reading.wait_until_it_reads()
    inodes = {path.name: path.stat().st_ino for path in reading.proof.glob("*.sqlite")}
    assert set(inodes) == {"old.manifest.sqlite", "new.manifest.sqlite"}
    small = [plant(reading.proof.parent / f"{name} small", {b"a": Node(b"1")}) for name in ("old", "new")]
    ended = verifier("check", *small, "--evidence", reading.proof, "-q")
    assert ended.code == 4
    assert len(ended.err.splitlines()) == 1
    assert {path.name: path.stat().st_ino for path in reading.proof.glob("*.sqlite")} == inodes


ENDS: Final = {
    "Ctrl-C": (KeyboardInterrupt(), 3, "run it again"),
    "out of memory": (MemoryError(), 4, "out of memory"),
    "disk full": (OSError(errno.ENOSPC, "No space left on device"), 4, "ENOSPC"),
}


@pytest.mark.parametrize("stage", ["scan_all", "reconcile", "write_report"])
@pytest.mark.parametrize("how", ENDS)
def test_whatever_ends_a_run_is_one_line(
    verifier: Command, place: Place, monkeypatch: pytest.MonkeyPatch, stage: str, how: str
) -> None:
    """At each stage a stop, a full disk or a lack of memory is one line with the right code, and can be run again."""
    arguments = ["check", place.old, place.new, "--evidence", place.proof, "-q"]
    error, code, word = ENDS[how]

    def ended_by(*_: object) -> None:
        raise error

    with monkeypatch.context() as patched:
        patched.setattr(f"verifier.check.{stage}", ended_by)
        ended = verifier(*arguments)
    assert (ended.code, ended.out) == (code, "")
    assert len(ended.err.splitlines()) == 1
    assert word in ended.err
    assert verifier(*arguments, "--replace").code == 0


def test_a_full_disk_leaves_the_report_that_was_there(
    verifier: Command, proof: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A form is replaced only by a whole one: exit 4, the bytes stay, and no half file lies beside them."""
    before = forms(proof)
    names = {path.name for path in proof.iterdir()}

    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("verifier.evidence.os.fsync", full)
    ended = verifier("report", proof)
    assert (ended.code, ended.out) == (4, "")
    assert "cannot be written (No space left on device)" in ended.err
    assert forms(proof) == before
    assert {path.name for path in proof.iterdir()} == names


def test_manifests_marked_incomplete_are_judged_as_such(verifier: Command, tmp_path: Path) -> None:
    """A listing that did not reach its end misses nothing and proves nothing: exit 3."""
    facts: dict[str, Any] = {"complete": False, "listed": False, "interrupted": "stopped before the end"}
    old = write_manifest(tmp_path / "o", [file("a"), file("b", mtime_ns=T0_NS + SECOND_NS)])
    new = write_manifest(tmp_path / "n", [unread(file("a"))], **facts)
    ended = verifier("reconcile", old, new, "--evidence", tmp_path / "proof", "-q")
    assert ended.code == 3
    assert "missing" not in ended.out
