"""Accepting by name: what is refused, what is written, and what is told about it."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.conftest import without_rights
from tests.decisions.checks import DAY, NOON, Checks
from tests.reconcile.trees import entry, file, link, scratch, snapshot
from verifier.classes import Class, VerdictKind
from verifier.decisions.exceptions import LONGEST_NAME, LONGEST_TEXT, Exceptions, Wanted
from verifier.errors import EvidenceUnwritable, NotAManifest, UsageProblem, VerifierError
from verifier.evidence import SIGNOFF_FILE, SUMMARY_FILE, held
from verifier.report import write
from verifier.signoff.accepting import on_record, record, withdraw
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.conftest import Mount

SAME: Final = file("same")


def checked(base: Path) -> Checks:
    """Check a copy of which two files are lost and one rotted."""
    checks = Checks(base)
    old = [SAME, file("labels/a", b"1"), file("labels/b", b"22"), file("sheet", b"1" * 1500)]
    checks.check(old, [SAME, file("sheet", b"2" * 1500)])
    return checks


@pytest.fixture
def checks() -> Iterator[Checks]:
    """Give such a check."""
    with scratch() as base:
        yield checked(base)


@pytest.fixture(scope="module")
def kept() -> Iterator[Checks]:
    """Give one to all tests that are to leave it as it is; one of the lost files is accepted."""
    with scratch() as base:
        checks = checked(base)
        record(checks.evidence, wanted("labels/a"))
        yield checks


def wanted(pattern: str = "labels/", cls: Class = Class.MISSING, **more: Any) -> Wanted:
    """Return an exception that somebody asks for."""
    return Wanted(pattern, cls, **{"because": "discarded", "by": "A curator", "at": NOON, **more})


def contents(evidence: Path) -> dict[str, str]:
    """Return a digest of everything in a folder."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in evidence.iterdir()}


def test_what_was_recorded_is_told_and_in_the_report(checks: Checks) -> None:
    """What is covered in words, then the verdict as it is now; the summary for programs says the same at once."""
    recorded = record(checks.evidence, wanted())
    assert recorded.lines() == [
        "exception 1 covers 2 files and 1 folder missing, 3 B",
        "verdict now: not-trustworthy (1 file with changed content)",
    ]
    told = json.loads((checks.evidence / SUMMARY_FILE).read_text("utf-8"))
    assert told["verdict"] == VerdictKind.NOT_TRUSTWORTHY
    recorded = record(checks.evidence, wanted("*", Class.CONTENT_CHANGED))
    assert recorded.lines() == [
        "exception 2 covers 1 file with changed content (1 silent), 1.5 kB",
        "verdict now: trustworthy-with-exceptions",
    ]
    told = json.loads((checks.evidence / SUMMARY_FILE).read_text("utf-8"))
    assert (told["verdict"], told["exit_code"]) == (VerdictKind.WITH_EXCEPTIONS, 0)


def test_kinds_causes_and_what_was_left_out_are_told_in_words(checks: Checks) -> None:
    """Files, folders, links and what else there is; the most frequent cause first; what is accepted already."""
    old = [SAME, *(file(f"s/{n}", b"1") for n in "abc"), file("s/d", b"1", mtime_ns=0), link("l", "a")]
    checks.check([*old, entry("p", Kind.FIFO)], [SAME, *(file(f"s/{n}", b"2") for n in "abcd"), link("l", "b")])
    record(checks.evidence, wanted("a", Class.CONTENT_CHANGED))
    first, _ = record(checks.evidence, wanted("*", Class.CONTENT_CHANGED)).lines()
    assert first == (
        "exception 2 covers 3 files and 1 link with changed content (3 silent, 1 newer), 3 B; "
        "left out: 1 accepted already"
    )
    first, _ = record(checks.evidence, wanted("p")).lines()
    assert first == "exception 3 covers 1 other entry missing"


@pytest.mark.parametrize(
    ("more", "match"),
    [
        ({"pattern": ""}, "--path is empty"),
        ({"pattern": "x" * (LONGEST_TEXT + 1)}, "--path has 2,001 characters"),
        ({"pattern": "a\nb"}, r"--path holds a line break .*write \? for"),
        ({"pattern": "[b-a]"}, "the pattern .* cannot be used"),
        ({"pattern": "nowhere"}, "nothing open of class missing matches nowhere"),
        ({"cls": Class.EXTRA}, "nothing open of class extra matches labels/"),
        ({"because": " "}, "--because is empty"),
        ({"because": "two\nlines"}, "--because holds a line break"),
        ({"because": "x" * (LONGEST_TEXT + 1)}, "--because has"),
        ({"by": ""}, "--by is empty"),
        ({"by": "x" * (LONGEST_NAME + 1)}, "--by has 201 characters"),
        ({"by": "\x1b[31m"}, "--by holds"),
        ({"until": NOON}, "--until .* is in the past"),
        ({"until": NOON - DAY}, "--until .* is in the past"),
    ],
)
def test_what_cannot_be_meant_is_refused_and_changes_nothing(kept: Checks, more: dict[str, Any], match: str) -> None:
    """One line each; no file of the evidence is another."""
    before = contents(kept.evidence)
    with pytest.raises(UsageProblem, match=match) as caught:
        record(kept.evidence, wanted(**more))
    assert str(caught.value).isprintable()
    assert contents(kept.evidence) == before


@pytest.mark.parametrize("what", ["record", "withdraw", "list"])
def test_a_folder_without_a_finished_check_is_refused_and_stays_as_it_is(checks: Checks, what: str) -> None:
    """Not there, empty, a file, or a check that was interrupted: nothing is made, the lock included."""
    places = [checks.base / name for name in ("nowhere", "empty", "file", "interrupted")]
    places[1].mkdir()
    places[2].touch()
    places[3].mkdir()
    (places[3] / "old.manifest.sqlite").touch()
    before = snapshot(checks.base)
    for place in places:
        with pytest.raises(NotAManifest, match=r"does not hold a finished check|is not there"):
            decide(what, place)
    assert snapshot(checks.base) == before


def decide(what: str, evidence: Path) -> object:
    """Decide something, or list what was decided."""
    if what == "record":
        return record(evidence, wanted())
    if what == "withdraw":
        return withdraw(evidence, 1, "A curator", "found again", NOON)
    return on_record(evidence, NOON)


@pytest.mark.parametrize("what", ["record", "withdraw"])
def test_a_signed_check_stays_as_it_is(checks: Checks, what: str) -> None:
    """What was signed is not decided about any more, and the message says where it can be."""
    record(checks.evidence, wanted("labels/a"))
    (checks.evidence / SIGNOFF_FILE).write_text("{}")
    before = contents(checks.evidence)
    with pytest.raises(UsageProblem, match=r"holds a signed check.*--accepted"):
        decide(what, checks.evidence)
    assert contents(checks.evidence) == before
    assert on_record(checks.evidence, NOON)


def test_a_folder_that_another_run_holds_is_refused(checks: Checks) -> None:
    """Two decisions at the same time would each be half of one."""
    before = contents(checks.evidence)
    with held(checks.evidence), pytest.raises(EvidenceUnwritable, match="held by another run"):
        record(checks.evidence, wanted())
    assert contents(checks.evidence) == before


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs users")
def test_a_folder_that_may_not_be_written_is_refused(kept: Checks, open_ground: Path) -> None:
    """Nothing is recorded where the record and the report could not both be; what is on record can be listed."""
    evidence = shutil.copytree(kept.evidence, open_ground / "proof")
    evidence.chmod(0o555)
    with without_rights():
        with pytest.raises(EvidenceUnwritable, match="Permission denied"):
            record(evidence, wanted())
        assert on_record(evidence, NOON)[0] == "exception 1: missing, labels/a: holds"


@pytest.mark.real(root=True, mounts=True)
def test_a_full_disk_is_one_line_and_nothing_is_recorded(checks: Checks, tmp_path: Path, mount: Mount) -> None:
    """Half a record is none, and does not take the last space; with some space again it is recorded."""
    checks.check([SAME, *(file(f"{n:05}", b"%d" % n) for n in range(12_000))], [SAME])
    mount("-t", "tmpfs", "-o", "size=16m", "none", tmp_path)
    evidence = shutil.copytree(checks.evidence, tmp_path / "proof")
    filler = tmp_path / "filler"
    with pytest.raises(OSError, match="No space left"), filler.open("wb", buffering=0) as file_:
        while True:
            file_.write(bytes(4096))
    os.truncate(filler, filler.stat().st_size - 200_000)
    before = contents(evidence)
    with pytest.raises(EvidenceUnwritable, match=r"exceptions\.sqlite cannot be written"):
        record(evidence, wanted("*"))
    assert contents(evidence) == before
    filler.unlink()
    assert record(evidence, wanted("*")).acceptance.covers.files == 12_000


def test_a_withdrawal_opens_what_was_accepted_again(checks: Checks) -> None:
    """The record stays, with who withdrew it and why; what it covered can be accepted under a new number."""
    record(checks.evidence, wanted())
    lines = withdraw(checks.evidence, 1, "Another curator", "found again", NOON + DAY)
    assert lines == [
        "exception 1 is withdrawn: missing, labels/, 3 entries, 2 of them files, 3 B",
        "verdict now: not-trustworthy (2 files and 1 folder missing; 1 file with changed content)",
    ]
    assert on_record(checks.evidence, NOON + DAY) == [
        "exception 1: missing, labels/: withdrawn",
        "    covered 3 entries, 2 of them files, 3 B when it was accepted; covers nothing now",
        "    accepted by A curator on 2026-11-21T12:00:00+00:00",
        "    because discarded",
        "    withdrawn by Another curator on 2026-11-22T12:00:00+00:00",
        "    because found again",
    ]
    assert record(checks.evidence, wanted()).acceptance.number == 2


@pytest.mark.parametrize("number", [0, 2, -1, 10**30])
def test_only_what_is_on_record_is_withdrawn(kept: Checks, number: int) -> None:
    """Another number is told, and a withdrawal needs a name and a reason as well."""
    before = contents(kept.evidence)
    with pytest.raises(UsageProblem, match="is not on record"):
        withdraw(kept.evidence, number, "A curator", "found again", NOON)
    for by, because in (("", "found again"), ("A curator", "\r")):
        with pytest.raises(UsageProblem, match="--b"):
            withdraw(kept.evidence, 1, by, because, NOON)
    assert contents(kept.evidence) == before


def test_where_nothing_was_accepted_nothing_is_withdrawn(checks: Checks) -> None:
    """It is told so, and no record is begun."""
    with pytest.raises(UsageProblem, match="has no accepted findings"):
        withdraw(checks.evidence, 1, "A curator", "found again", NOON)
    assert not checks.record.exists()


def test_a_listing_says_then_and_now_and_writes_nothing(checks: Checks) -> None:
    """What was covered, what still is, until when, and what has ended; nothing is touched, not even a lock."""
    assert on_record(checks.evidence, NOON) == [f"nothing is accepted by name in {checks.evidence}"]
    record(checks.evidence, wanted("labels/a", until=NOON + DAY))
    record(checks.evidence, wanted("*", Class.CONTENT_CHANGED))
    checks.check([SAME, file("labels/a", b"1"), file("sheet", b"1")], [SAME, file("sheet", b"1")])
    before = snapshot(checks.evidence)
    assert on_record(checks.evidence, NOON) == [
        "exception 1: missing, labels/a: holds",
        "    covered 1 file, 1 B when it was accepted; covers 1 file, 1 B now",
        "    accepted by A curator on 2026-11-21T12:00:00+00:00, until 2026-11-22T12:00:00+00:00",
        "    because discarded",
        "exception 2: content-changed, *: holds",
        "    covered 1 file, 1.5 kB when it was accepted; covers nothing now",
        "    accepted by A curator on 2026-11-21T12:00:00+00:00",
        "    because discarded",
    ]
    assert on_record(checks.evidence, NOON + 2 * DAY)[:2] == [
        "exception 1: missing, labels/a: ended on 2026-11-22T12:00:00+00:00",
        "    covered 1 file, 1 B when it was accepted; covers nothing now",
    ]
    assert snapshot(checks.evidence) == before


def test_what_has_ended_can_be_accepted_again(checks: Checks) -> None:
    """An exception that is over stands in nobody's way."""
    record(checks.evidence, wanted(until=NOON + DAY))
    with pytest.raises(UsageProblem, match="3 accepted already"):
        record(checks.evidence, wanted(at=NOON + DAY))
    assert record(checks.evidence, wanted(at=NOON + 2 * DAY)).acceptance.covers.entries == 3


def test_a_report_that_cannot_be_written_is_told_with_what_was_done(
    checks: Checks, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The decision is on record, and the message says so and how to have the report."""

    def full(_: object) -> None:
        raise EvidenceUnwritable("no space", "")

    with monkeypatch.context() as patched:
        patched.setattr(write, "replacing", full)
        with pytest.raises(EvidenceUnwritable, match=r"exception 1 is on record, but the report.*`verifier report"):
            record(checks.evidence, wanted())
    with Exceptions.open(checks.record) as store:
        assert [one.number for one in store.all()] == [1]


def test_damage_is_found_before_anything_is_recorded(checks: Checks) -> None:
    """A check that cannot be reported on cannot be decided about."""
    for name in ("old.manifest.sqlite", "findings.sqlite"):
        kept = (checks.evidence / name).read_bytes()
        (checks.evidence / name).write_bytes(kept[: len(kept) // 2])
        with pytest.raises(VerifierError):
            record(checks.evidence, wanted())
        assert not checks.record.exists()
        (checks.evidence / name).write_bytes(kept)
    assert record(checks.evidence, wanted()).acceptance.number == 1
