"""Whatever was changed since somebody signed is found and named, and looking changes nothing."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import stat
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3

from tests.conftest import without_rights
from tests.reconcile.trees import snapshot
from tests.signoff.gardens import Garden, now
from verifier.classes import Class, VerdictKind
from verifier.decisions.exceptions import Acceptance
from verifier.decisions.signoff import LARGEST_BYTES, SignOff
from verifier.errors import UsageProblem
from verifier.evidence import EXCEPTIONS_FILE, PAGE_FILE, SIGNATURE_FILE, SIGNOFF_FILE
from verifier.reconcile.findings import Tally
from verifier.report import again
from verifier.report.again import write_again
from verifier.report.write import write_report
from verifier.signoff.verify import State, verify

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verifier.report.context import ReportContext

FILES: Final = (
    "differences.csv",
    "findings.sqlite",
    "new.manifest.sqlite",
    "old.manifest.sqlite",
    "report.html",
    "summary.json",
    "summary.md",
)
PLACES: Final = 60
"""Bytes of each file that are changed, evenly spread, and the last ones."""


def spread(size: int, number: int) -> Iterator[int]:
    """Yield places in a file, evenly spread over it, the first and the last included."""
    step = max(1, (size - 1) // max(1, number - 1))
    yield from range(0, size, step)
    yield size - 1


def altered(data: bytes, place: int, turn: int) -> bytes:
    """Return content with one byte flipped, one more or one less, in turn."""
    match turn % 3:
        case 0:
            return data[:place] + bytes([data[place] ^ (1 << turn % 8)]) + data[place + 1 :]
        case 1:
            return data[:place] + b"x" + data[place:]
        case _:
            return data[:place] + data[place + 1 :]


def test_what_was_signed_holds(garden: Garden) -> None:
    """Every file is named; without a key it is not proved who signed."""
    signed = garden.sign()
    states = garden.states()
    assert states == {SIGNOFF_FILE: State.UNCHANGED, "signature": State.OPEN} | dict.fromkeys(FILES, State.UNCHANGED)
    found = verify(garden.evidence)
    assert (found.holds, found.exit_code, found.signed) == (True, 0, signed)
    assert any("whoever can write in this folder can change everything" in text for text in found.not_proved)


@pytest.mark.parametrize("name", FILES)
def test_any_byte_that_was_changed_is_found(garden: Garden, name: str) -> None:
    """Flipped, inserted or taken out, wherever in the file: the file is named, and nothing else."""
    garden.sign()
    place = garden.evidence / name
    data = place.read_bytes()
    for turn, where in enumerate(spread(len(data), PLACES)):
        place.write_bytes(altered(data, where, turn))
        assert garden.odd() == {name: State.CHANGED}, where
    place.write_bytes(data)
    assert garden.odd() == {}


def test_any_byte_of_the_sign_off_that_was_changed_is_found(garden: Garden) -> None:
    """Flipped, inserted or taken out; the slow test below changes each."""
    garden.sign(role="head of collections", statement="First line.\nSecond line, with é.")
    place = garden.evidence / SIGNOFF_FILE
    data = place.read_bytes()
    for turn, where in enumerate(spread(len(data), PLACES)):
        place.write_bytes(altered(data, where, turn))
        found = verify(garden.evidence)
        assert (found.exit_code, found.answers[0][:2]) == (1, (SIGNOFF_FILE, State.CHANGED)), where


@pytest.mark.slow
@pytest.mark.parametrize("turn", range(3), ids=["flipped", "inserted", "taken out"])
def test_each_byte_of_the_sign_off_that_was_changed_is_found(garden: Garden, turn: int) -> None:
    """All of them, by what `verify` reads it with."""
    garden.sign(role="head of collections", statement="First line.\nSecond line, with é.")
    data = (garden.evidence / SIGNOFF_FILE).read_bytes()
    for where in range(len(data)):
        with pytest.raises(ValueError, match=r"."):
            SignOff.from_json(altered(data, where, turn + 3 * (where % 8)).decode())


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in FILES if name != "report.html"])
def test_each_byte_that_was_changed_is_found(garden: Garden, name: str) -> None:
    """Every nineteenth byte of every file."""
    garden.sign()
    place = garden.evidence / name
    data = place.read_bytes()
    for where in range(0, len(data), 19):
        place.write_bytes(altered(data, where, where))
        assert garden.odd() == {name: State.CHANGED}, where


def test_bytes_that_no_reader_looks_at_count_too(garden: Garden) -> None:
    """The free space of a database is where something could be hidden, or where damage shows first."""
    with closing(sqlite3.connect(garden.evidence / "findings.sqlite")) as plain:
        plain.execute("CREATE TABLE gone AS SELECT zeroblob(20000) AS space")
        plain.execute("DROP TABLE gone")
        plain.commit()
        (free,) = plain.execute("PRAGMA freelist_count").fetchone()
        (pages,) = plain.execute("PRAGMA page_count").fetchone()
        (size,) = plain.execute("PRAGMA page_size").fetchone()
        assert free > 3
    garden.sign()
    with (garden.evidence / "findings.sqlite").open("rb+") as file:
        file.seek((pages - 1) * size + size // 2)
        file.write(b"hidden")
    with closing(sqlite3.connect(garden.evidence / "findings.sqlite")) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert garden.odd() == {"findings.sqlite": State.CHANGED}


def test_what_was_changed_and_changed_back_in_size_is_told_from_another_size(garden: Garden) -> None:
    """The message says which it is, and what can be done about a report."""
    garden.sign()
    page = garden.evidence / PAGE_FILE
    data = page.read_bytes()
    page.write_bytes(data.replace(b"Trustworthy", b"trustworthy", 1))
    assert told(garden, PAGE_FILE).startswith(f"still {len(data):,} bytes, with other content than was signed")
    page.write_bytes(data + b"\n")
    assert told(garden, PAGE_FILE).startswith(f"{len(data):,} bytes when it was signed, {len(data) + 1:,} now")
    assert "`verifier report` writes it again" in told(garden, PAGE_FILE)


def told(garden: Garden, name: str) -> str:
    """Return what is said about something."""
    return next(answer.told for answer in verify(garden.evidence).answers if answer.what == name)


@pytest.mark.parametrize("name", FILES)
def test_a_file_that_is_missing_is_named(garden: Garden, name: str) -> None:
    """With the size that it had."""
    garden.sign()
    size = (garden.evidence / name).stat().st_size
    (garden.evidence / name).unlink()
    assert garden.odd() == {name: State.MISSING}
    assert told(garden, name).startswith(f"{size:,} bytes when it was signed")


@pytest.mark.parametrize("kind", ["a link", "a folder", "a pipe"])
def test_what_is_no_file_any_more_is_named(garden: Garden, kind: str) -> None:
    """A link to the very content is not the file that was signed, and a pipe is not waited for."""
    garden.sign()
    place = garden.evidence / "old.manifest.sqlite"
    elsewhere = garden.base / "elsewhere"
    place.rename(elsewhere)
    match kind:
        case "a link":
            place.symlink_to(elsewhere)
        case "a folder":
            place.mkdir()
        case _:
            os.mkfifo(place)
    assert garden.odd() == {"old.manifest.sqlite": State.CHANGED}


def test_two_files_in_each_other_s_place_are_named(garden: Garden) -> None:
    """A digest belongs to a name."""
    garden.sign()
    one, other, aside = (garden.evidence / name for name in ("summary.json", "differences.csv", "aside"))
    one.rename(aside)
    other.rename(one)
    aside.rename(other)
    assert garden.odd() == {"summary.json": State.CHANGED, "differences.csv": State.CHANGED}


def test_what_came_later_and_changes_nothing_is_told(garden: Garden) -> None:
    """Somebody's notes are not part of the sign-off, and do not break it."""
    garden.sign()
    (garden.evidence / "notes.txt").touch()
    (garden.evidence / "more").mkdir()
    assert garden.odd() == {"notes.txt": State.BESIDE, "more": State.BESIDE}
    assert verify(garden.evidence).exit_code == 0


@pytest.mark.parametrize(
    "name", [EXCEPTIONS_FILE, "sample.sqlite", "summary.md", "findings.sqlite-journal", "old.manifest.sqlite-wal"]
)
def test_what_came_later_and_is_read_with_the_rest_breaks_it(garden: Garden, name: str) -> None:
    """A file that this tool, or SQLite, would read changes what the folder says."""
    garden.sign()
    there = name in garden.contents()
    (garden.evidence / name).write_bytes(b"x")
    assert garden.odd() == {name: State.CHANGED if there else State.ADDED}
    assert verify(garden.evidence).exit_code == 1


def test_a_name_in_the_record_that_is_not_a_file_s_is_no_sign_off(garden: Garden) -> None:
    """Nobody is led out of the folder by what a forged record names."""
    signed = garden.sign()
    for name in ("../old/notes/fen.txt", "/etc/passwd", "..", "", SIGNOFF_FILE):
        garden.write(signed, files={**signed.files, name: signed.files["summary.json"]})
        assert garden.odd() == {SIGNOFF_FILE: State.CHANGED}


# ---- The sign-off


def test_a_changed_statement_is_found(garden: Garden) -> None:
    """Words put into somebody's mouth: the record no longer is what was written."""
    signed = garden.sign(statement="I have looked at the herbarium.")
    place = garden.evidence / SIGNOFF_FILE
    place.write_text(place.read_text("utf-8").replace("at the herbarium", "at everything"), "utf-8", newline="")
    assert garden.odd() == {SIGNOFF_FILE: State.CHANGED}
    assert verify(garden.evidence).signed is None
    garden.write(signed)
    assert garden.odd() == {}


def test_without_a_key_a_record_that_was_written_anew_cannot_be_told(garden: Garden) -> None:
    """What the digests alone do not prove; the digest that was written down elsewhere shows it."""
    signed = garden.sign()
    garden.write(signed, statement="I have looked at everything twice.")
    found = verify(garden.evidence)
    assert found.holds
    assert found.signed is not None
    assert found.signed.digest != signed.digest
    assert "Its digest shows that, if it was written down elsewhere" in found.not_proved[0]


@pytest.mark.parametrize("what", ["a pipe", "a folder", "a link", "far too much", "nothing"])
def test_what_is_no_sign_off_is_named(garden: Garden, what: str) -> None:
    """In its place, whatever it is."""
    garden.sign()
    place = garden.evidence / SIGNOFF_FILE
    text = place.read_bytes()
    place.unlink()
    match what:
        case "a pipe":
            os.mkfifo(place)
        case "a folder":
            place.mkdir()
        case "a link":
            (garden.base / "elsewhere").write_bytes(text)
            place.symlink_to(garden.base / "elsewhere")
        case "far too much":
            with place.open("wb") as file:
                file.truncate(LARGEST_BYTES + 1)
        case _:
            place.touch()
    assert garden.odd() == {SIGNOFF_FILE: State.CHANGED}
    assert verify(garden.evidence).exit_code == 1


def test_where_nobody_signed_there_is_nothing_to_hold(garden: Garden, tmp_path: Path) -> None:
    """Exit code 2, for a check, a folder that is not there, and a file."""
    for place in (garden.evidence, tmp_path / "nowhere", garden.old / "notes" / "fen.txt"):
        with pytest.raises(UsageProblem, match="holds no sign-off"):
            verify(place)


def test_a_sign_off_that_was_removed_shows_by_its_signature(garden: Garden) -> None:
    """It is missing, and that is named."""
    garden.sign()
    (garden.evidence / SIGNATURE_FILE).write_text("-----BEGIN SSH SIGNATURE-----")
    (garden.evidence / SIGNOFF_FILE).unlink()
    assert garden.odd() == {SIGNOFF_FILE: State.MISSING}
    assert verify(garden.evidence).exit_code == 1


def test_a_signature_where_none_was_made_is_named(garden: Garden) -> None:
    """The record says that there is no key, so it came later."""
    garden.sign()
    (garden.evidence / SIGNATURE_FILE).write_text("-----BEGIN SSH SIGNATURE-----")
    assert garden.odd() == {"signature": State.BAD}
    assert "signed without a key" in told(garden, "signature")


def test_a_signature_that_is_missing_is_named(garden: Garden) -> None:
    """The record names a key."""
    signed = garden.sign()
    garden.write(signed, key="SHA256:" + "a" * 43)
    assert garden.odd() == {"signature": State.MISSING}


def test_allowed_signers_ask_for_a_signature(garden: Garden, tmp_path: Path) -> None:
    """A key that was taken out of the record, with its signature, must not pass where signers are asked for."""
    garden.sign()
    (tmp_path / "allowed").write_text("")
    assert garden.odd(tmp_path / "allowed") == {"signature": State.MISSING}
    assert verify(garden.evidence, tmp_path / "allowed").exit_code == 1
    with pytest.raises(UsageProblem, match=r"--allowed-signers .* is not there"):
        verify(garden.evidence, tmp_path / "nowhere")


# ---- Time


def exception(number: int, until: datetime | None) -> Acceptance:
    """Return an exception as the record holds it."""
    ends = None if until is None else until.isoformat()
    at = (now() - timedelta(days=9)).isoformat()
    covers = Tally(3, 3, 60)
    return Acceptance(number, "notes/", Class.MISSING, "copied by hand", "R. Curator", at, ends, covers, "0" * 64)


def test_an_exception_that_ended_since_is_named(garden: Garden) -> None:
    """The verdict rested on it."""
    signed = garden.sign()
    ends = (now() - timedelta(hours=1), now() + timedelta(hours=1), None)
    exceptions = tuple(exception(number, until) for number, until in enumerate(ends, 1))
    garden.write(signed, verdict=VerdictKind.WITH_EXCEPTIONS, exceptions=exceptions)
    assert garden.odd() == {"exception 1": State.ENDED}
    assert "the 3 entries that it covered are open again" in told(garden, "exception 1")
    assert verify(garden.evidence).exit_code == 1


@pytest.mark.parametrize(
    ("signed_ago", "checked_ago", "said"),
    [
        (timedelta(minutes=1), timedelta(hours=5), "Signed less than an hour ago; the check ended 5 hours ago."),
        (timedelta(days=3), timedelta(days=6), "Signed 3 days ago; the check ended 6 days ago."),
        (timedelta(days=3), timedelta(days=9), "Signed 3 days ago; the check ended 9 days ago. After more than 7 days"),
        (timedelta(days=-1), timedelta(days=1), "which is still to come: is a clock wrong?"),
    ],
)
def test_the_age_of_the_evidence_is_told(
    garden: Garden, signed_ago: timedelta, checked_ago: timedelta, said: str
) -> None:
    """How long ago somebody signed, and how long ago the check ended on which that rests."""
    signed = garden.sign()
    moment = datetime.now(UTC).replace(microsecond=0)
    garden.write(signed, at=(moment - signed_ago).isoformat(), checked=(moment - checked_ago).isoformat())
    assert said in verify(garden.evidence).age


# ---- Looking changes nothing


def test_looking_writes_nothing(garden: Garden) -> None:
    """Not even a lock."""
    garden.sign()
    before = snapshot(garden.base)
    verify(garden.evidence)
    assert snapshot(garden.base) == before


@pytest.mark.real(root=True)
def test_a_read_only_folder_can_be_looked_at(garden: Garden, open_ground: Path) -> None:
    """By another user, who may not write there."""
    garden.sign()
    place = open_ground / "proof"
    shutil.copytree(garden.evidence, place)
    for item in (place, *place.iterdir()):
        item.chmod(item.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH) | stat.S_IROTH)
    place.chmod(0o555)
    with without_rights():
        found = verify(place)
    assert found.exit_code == 0


@pytest.mark.real(root=True)
def test_what_cannot_be_read_is_named(garden: Garden, open_ground: Path) -> None:
    """Nothing is known about it then: exit code 4, unless something else is known to be wrong."""
    garden.sign()
    place = open_ground / "proof"
    shutil.copytree(garden.evidence, place)
    place.chmod(0o755)
    (place / "summary.json").chmod(0)
    with without_rights():
        found = verify(place)
        states = {answer.what: answer.state for answer in found.answers}
        assert (states["summary.json"], found.exit_code) == (State.UNREAD, 4)
    (place / PAGE_FILE).unlink()
    with without_rights():
        assert verify(place).exit_code == 1


# ---- The report


def test_a_report_that_was_damaged_is_put_back_as_it_was_signed(garden: Garden) -> None:
    """Byte for byte, from the evidence alone."""
    garden.sign()
    signed = garden.contents()
    (garden.evidence / PAGE_FILE).write_text("<html>")
    (garden.evidence / "summary.json").unlink()
    write_again(garden.evidence)
    assert garden.contents() == signed


def test_the_page_does_not_depend_on_what_it_cannot_show(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its own digest: written again with all digests known, it is the same."""
    signed = garden.sign()
    page = (garden.evidence / PAGE_FILE).read_bytes()
    assert signed.files[PAGE_FILE].blake3 == blake3(page).hexdigest()
    shown: list[SignOff | None] = []

    def looking(evidence: Path, signing: SignOff | None = None, into: Path | None = None) -> ReportContext:
        shown.append(signing)
        return write_report(evidence, signing, into)

    monkeypatch.setattr(again, "write_report", looking)
    write_again(garden.evidence)
    assert (garden.evidence / PAGE_FILE).read_bytes() == page
    assert shown == [replace(signed, files={})]


def test_a_report_that_would_come_out_otherwise_is_left_alone(garden: Garden) -> None:
    """As a later version of this tool might write it: everything stays, and one line says so."""
    signed = garden.sign()
    other = signed.files["differences.csv"]
    garden.write(signed, files={**signed.files, "summary.json": other}, tool="verifier 0.0.9")
    before = garden.contents()
    with pytest.raises(UsageProblem, match=r"summary.json would not come out .* verifier 0.0.9 wrote it; see"):
        write_again(garden.evidence)
    assert garden.contents() == before


def test_a_report_of_changed_evidence_is_not_written(garden: Garden) -> None:
    """What was signed is not replaced by what somebody made of it."""
    garden.sign()
    with closing(sqlite3.connect(garden.evidence / "findings.sqlite")) as plain, plain:
        run = json.loads(plain.execute("SELECT value FROM facts WHERE key = 'run'").fetchone()[0])
        run["verdict"]["reasons"] = ["all is well"]
        plain.execute("UPDATE facts SET value = ? WHERE key = 'run'", (json.dumps(run),))
    before = garden.contents()
    with pytest.raises(UsageProblem, match="would not come out as it was signed"):
        write_again(garden.evidence)
    assert garden.contents() == before
