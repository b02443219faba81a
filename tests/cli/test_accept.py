"""Accepting by name on the command line: what is typed, what is answered, and what the next check makes of it."""

from __future__ import annotations

import json
import os
import shutil
import time
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import pytest

from tests.cli.conftest import Place
from tests.reconcile.trees import T0_NS, Node, plant, snapshot
from verifier.check import CheckRequest, check
from verifier.classes import Class, VerdictKind
from verifier.decisions.exceptions import Wanted
from verifier.signoff.accepting import record

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.cli.conftest import Command, Ended

LOST: Final = {b"labels/1": Node(b"first"), b"labels/2": Node(b"second"), b"labels/sheet [1].tif": Node(b"scan")}
REASON: Final = ("--because", "labels of discarded sheets", "--by", "Head of the herbarium")
NAMED: Final = ("--path", "labels/", "--class", "missing", *REASON)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the evidence of a check to all tests that are to leave it as it is; both trees lie beside it."""
    place = Place(tmp_path_factory.mktemp("kept"))
    plant(place.old, LOST)
    check(CheckRequest(place.old, place.new, place.proof))
    record(place.proof, Wanted("labels/1", Class.MISSING, "x", "y", datetime.now(UTC)))
    return place.proof


@pytest.fixture
def place(kept: Path, tmp_path: Path) -> Place:
    """Give a copy of all of it to a test, with the same times, and nothing accepted yet."""
    shutil.copytree(kept.parent, tmp_path, dirs_exist_ok=True)
    (tmp_path / "proof" / "exceptions.sqlite").unlink()
    return Place(tmp_path)


@pytest.fixture
def proof(place: Place) -> Path:
    """Give the evidence of the check that found three lost files and their folder."""
    return place.proof


def bytes_in(folder: Path) -> dict[str, bytes]:
    """Return everything in a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture
def ahead(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Be three hours ahead of UTC (POSIX.1, chapter 8)."""
    monkeypatch.setenv("TZ", "XYZ-3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def refused(ended: Ended, code: int, *words: str) -> None:
    """Assert that a command ended with a code and one line that says these words."""
    assert (ended.code, ended.out) == (code, "")
    assert ended.err.count("\n") == 1
    for word in words:
        assert word in ended.err


def test_what_was_accepted_counts_no_more_and_what_is_lost_since_does(
    verifier: Command, place: Place, proof: Path
) -> None:
    """From a check to a decision to the next checks: exit code 0 with exceptions, and 1 with the next loss."""
    ended = verifier("accept", proof, *NAMED)
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.splitlines() == [
        "exception 1 covers 3 files and 1 folder missing, 15 B",
        "verdict now: trustworthy-with-exceptions",
    ]
    ended = verifier("report", proof)
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.startswith("TRUSTWORTHY WITH ACCEPTED EXCEPTIONS\n")
    assert "4 findings accepted by name: see the report" in ended.out.splitlines()
    again = place.base / "again"
    ended = verifier("check", place.old, place.new, "--evidence", again, "--accepted", proof, "-q")
    assert (ended.code, ended.err) == (0, "")
    told = json.loads((again / "summary.json").read_text("utf-8"))
    assert told["verdict"] == VerdictKind.WITH_EXCEPTIONS
    plant(place.old, {b"labels/3": Node(b"third")})
    later = place.base / "later"
    ended = verifier("check", place.old, place.new, "--evidence", later, "--accepted", again, "-q")
    assert ended.code == 1
    assert "  1 file missing" in ended.out.splitlines()
    assert "  missing       labels/3" in ended.out.splitlines()
    assert "4 findings accepted by name: see the report" in ended.out.splitlines()


def test_a_byte_that_rots_after_it_was_accepted_is_found(verifier: Command, place: Place, proof: Path) -> None:
    """Same size and time as the damage that was accepted, other bytes: silent, and exit code 1."""
    for data in (b"eno", b"neo"):
        (place.new / "a").write_bytes(data)
        os.utime(place.new / "a", ns=(T0_NS, T0_NS))
        evidence = place.base / data.decode()
        taken = () if data == b"eno" else ("--accepted", place.base / "eno")
        ended = verifier("check", place.old, place.new, "--evidence", evidence, "-q", *taken)
        assert ended.code == 1
        assert "  silent        a" in ended.out.splitlines()
        if data == b"eno":
            assert verifier("accept", evidence, "--path", "/a", "--class", "content-changed", *REASON).code == 0
            assert verifier("report", evidence).code == 1  # the labels
            assert verifier("accept", evidence, *NAMED).code == 0
            assert verifier("report", evidence).code == 0


def test_manifests_alone_are_enough(verifier: Command, place: Place, proof: Path) -> None:
    """`reconcile` takes along what was accepted as `check` does, named by its file."""
    verifier("accept", proof, *NAMED)
    manifests = [proof / f"{side}.manifest.sqlite" for side in ("old", "new")]
    ended = verifier(
        "reconcile", *manifests, "--evidence", place.base / "again", "--accepted", proof / "exceptions.sqlite", "-q"
    )
    assert ended.code == 0
    assert (place.base / "again" / "exceptions.sqlite").read_bytes() == (proof / "exceptions.sqlite").read_bytes()
    shutil.rmtree(proof)
    assert verifier("report", place.base / "again").code == 0


def test_no_tree_is_touched(verifier: Command, place: Place, proof: Path) -> None:
    """Decisions are about findings; neither tree is looked at."""
    before = snapshot(place.old), snapshot(place.new)
    verifier("accept", proof, *NAMED)
    assert (snapshot(place.old), snapshot(place.new)) == before


def test_the_example_of_a_name_with_brackets(verifier: Command, proof: Path) -> None:
    """The help says how a name is written that a pattern would take for something else."""
    ended = verifier("accept", proof, "--path", r"labels/sheet \[1].tif", "--class", "missing", *REASON)
    assert ended.out.startswith("exception 1 covers 1 file missing, 4 B\n")


# ---- What was typed


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("--path", "labels/"), "--class and --because and --by are missing"),
        (NAMED[2:], "--path is missing"),
        (NAMED[:2] + NAMED[4:], "--class is missing"),
        (NAMED[:6], "--by is missing"),
        (("--until", "2099-01-01"), "--path and --class and --because and --by are missing"),
        (("--withdraw", "1"), "--by and --because are missing"),
        (("--withdraw", "1", "--by", "x"), "--because is missing"),
        (("--withdraw", "1", *NAMED), "no --path"),
        (("--withdraw", "1", *REASON, "--class", "missing"), "no --class"),
        (("--withdraw", "1", *REASON, "--until", "2099-01-01"), "no --until"),
        (("--withdraw", "2", *REASON), "exception 2 is not on record"),
        (("--withdraw", "one", *REASON), "--withdraw"),
        (("--path", "labels/", "--class", "identical", *REASON), "--class 'identical'"),
        (("--path", "labels/", "--class", "lost", *REASON), "give one of clutter, missing"),
        (("--path", "labels/", "--class", "extra", *REASON), "nothing open of class extra matches labels/"),
        (("--path", "", "--class", "missing", *REASON), "--path is empty"),
        ((*NAMED, "--until", "2020-01-01"), "is in the past"),
        ((*NAMED, "--until", "2020-01-01T10:00Z"), "is in the past"),
        ((*NAMED, "--until", "soon"), "--until 'soon' is not a time"),
        ((*NAMED, "--until", "2099-02-30"), "is not a time"),
        ((*NAMED[:4], "--because", "two\nlines", "--by", "x"), "--because holds a line break"),
        ((*NAMED[:4], "--because", "x", "--by", "x" * 201), "--by has 201 characters"),
    ],
)
def test_what_cannot_be_meant_is_one_line_and_exit_2(
    verifier: Command, kept: Path, given: tuple[str, ...], said: str
) -> None:
    """It says what is missing or wrong; nothing is recorded and nothing written."""
    before = bytes_in(kept)
    refused(verifier("accept", kept, *given), 2, said)
    assert bytes_in(kept) == before


def test_every_class_but_identical_can_be_named(verifier: Command, kept: Path) -> None:
    """What nothing is found of is refused for that, and not for its name."""
    for cls in Class:
        ended = verifier("accept", kept, "--path", "nowhere", "--class", cls, *REASON)
        refused(ended, 2, "no class of findings" if cls is Class.IDENTICAL else "nothing open of class")


@pytest.mark.usefixtures("ahead")
@pytest.mark.parametrize(
    ("typed", "until"),
    [
        ("2099-12-31", "2099-12-31T23:59:59+03:00"),
        ("2099-12-31T10:00", "2099-12-31T10:00:00+03:00"),
        ("2099-12-31T10:00:00Z", "2099-12-31T13:00:00+03:00"),
    ],
)
def test_a_day_is_meant_to_its_end_where_it_is_typed(verifier: Command, proof: Path, typed: str, until: str) -> None:
    """As times are elsewhere: local, unless they have a zone."""
    assert verifier("accept", proof, *NAMED, "--until", typed).code == 0
    assert f"until {until}" in verifier("accept", proof).out


def test_without_options_what_was_accepted_is_listed(verifier: Command, proof: Path) -> None:
    """Who, when, why and what, then and now; also what was withdrawn."""
    assert verifier("accept", proof) == (0, f"nothing is accepted by name in {proof}\n", "")
    verifier("accept", proof, *NAMED)
    ended = verifier("accept", proof)
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.splitlines()[0] == "exception 1: missing, labels/: holds"
    for word in ("Head of the herbarium", "labels of discarded sheets", "covers 4 entries, 3 of them files, 15 B now"):
        assert word in ended.out
    ended = verifier("accept", proof, "--withdraw", 1, "--by", "Another", "--because", "found again")
    assert ended.code == 0
    assert "verdict now: not-trustworthy (3 files and 1 folder missing)" in ended.out.splitlines()
    assert verifier("report", proof).code == 1
    out = verifier("accept", proof).out
    assert "exception 1: missing, labels/: withdrawn" in out.splitlines()
    assert "withdrawn by Another" in out
    refused(verifier("accept", proof, "--withdraw", 1, *REASON), 2, "was withdrawn before")


def test_a_folder_without_a_check_is_exit_2_and_a_record_that_is_damaged_4(verifier: Command, proof: Path) -> None:
    """One line each."""
    refused(verifier("accept", proof.parent / "nowhere", *NAMED), 2, "does not hold a finished check")
    assert not (proof.parent / "nowhere").exists()
    verifier("accept", proof, *NAMED)
    os.truncate(proof / "exceptions.sqlite", 5000)
    for command in (("accept", proof), ("accept", proof, *NAMED), ("report", proof), ("inspect", proof, "labels/1")):
        refused(verifier(*command), 4, "exceptions.sqlite", "take it from a copy")


def test_what_has_ended_since_is_said_beside_the_report(verifier: Command, proof: Path) -> None:
    """The report says what held when it was due; that a sign-off will not count it any more is a line of its own."""
    finished = datetime.fromisoformat(json.loads((proof / "summary.json").read_text("utf-8"))["finished"])
    record(proof, Wanted("labels/", Class.MISSING, "x", "y", finished - timedelta(hours=1), finished))
    ended = verifier("report", proof)
    assert ended.code == 0
    assert ended.err.splitlines() == [
        f"verifier: exception 1 ended on {finished.isoformat()}: a sign-off will not count it"
    ]
    verifier("accept", proof, "--withdraw", 1, *REASON)
    assert verifier("report", proof).err == ""


# ---- The next check


@pytest.mark.parametrize("command", ["check", "reconcile"])
@pytest.mark.parametrize(
    "case",
    [
        ("nowhere", 2, "is not there"),
        ("empty", 2, "holds no accepted findings"),
        ("text", 2, "does not hold accepted findings"),
        ("manifest", 2, "does not hold accepted findings"),
        ("damaged", 4, "is damaged"),
    ],
)
def test_what_is_no_record_is_refused_before_anything_is_read(
    verifier: Command, kept: Path, tmp_path: Path, command: str, case: tuple[str, int, str]
) -> None:
    """Exit code 2 or 4 at once, and no evidence folder is made."""
    given, code, said = case
    (tmp_path / "empty").mkdir()
    (tmp_path / "text").write_text("accept all of it")
    (tmp_path / "manifest").symlink_to(kept / "old.manifest.sqlite")
    shutil.copyfile(kept / "exceptions.sqlite", tmp_path / "damaged")
    os.truncate(tmp_path / "damaged", 5000)
    sides = (kept.parent / "old", kept.parent / "new")
    if command == "reconcile":
        sides = (kept / "old.manifest.sqlite", kept / "new.manifest.sqlite")
    again = tmp_path / "again"
    refused(verifier(command, *sides, "--evidence", again, "--accepted", tmp_path / given, "-q"), code, said)
    assert not again.exists()


def test_what_somebody_accepted_is_not_replaced_away(verifier: Command, place: Place, proof: Path) -> None:
    """`--replace` discards a check, never a decision; with the decisions given along it goes on with them."""
    verifier("accept", proof, *NAMED)
    kept = (proof / "exceptions.sqlite").read_bytes()
    again = ("check", place.old, place.new, "--evidence", proof, "-q")
    other = place.base / "other"
    assert verifier("check", place.old, place.new, "--evidence", other, "-q").code == 1
    verifier("accept", other, "--path", "labels/1", "--class", "missing", *REASON)
    for more in ((), ("--replace",), ("--replace", "--accepted", other)):
        refused(verifier(*again, *more), 2, "holds findings that somebody accepted", f"give --accepted {proof}")
    refused(verifier(*again, "--accepted", proof), 2, "holds a finished check", "--replace")
    assert (proof / "exceptions.sqlite").read_bytes() == kept
    assert verifier(*again, "--replace", "--accepted", proof).code == 0
    assert (proof / "exceptions.sqlite").read_bytes() == kept
    (proof / "exceptions.sqlite").unlink()
    assert verifier(*again, "--replace").code == 1
