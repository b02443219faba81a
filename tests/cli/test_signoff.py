"""``verifier signoff``: what it prints, its exit codes, and what it refuses in one line."""

from __future__ import annotations

import json
import os
import shutil
from typing import TYPE_CHECKING, Final, NamedTuple

import pytest
from rich.cells import cell_len

from tests.cli.conftest import Place
from tests.cli.test_bad_input import hold_to_one_line
from tests.reconcile.trees import T0_NS, scratch, snapshot
from tests.signoff.gardens import CURATOR, Garden, allow, make_key
from verifier.check import CheckRequest, check
from verifier.decisions.checklist import TEXTS
from verifier.decisions.signoff import read_signoff
from verifier.evidence import SIGNOFF_FILE
from verifier.report.words import CAUTIONS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from tests.cli.conftest import Command, Ended

WIDTH: Final = 80
DESPITE: Final = "there is a third copy of everything, on tape, in the other building; it was read last week"


def lay_out(base: Path) -> Garden:
    """Plant two equal trees and check them."""
    place = Place(base)
    check(CheckRequest(place.old, place.new, place.proof))
    return Garden(base)


# In memory where possible: signing waits for the disk.
@pytest.fixture(scope="module")
def once() -> Iterator[Garden]:
    """Give a check of two equal trees that no test changes."""
    with scratch() as base:
        yield lay_out(base)


@pytest.fixture
def checked(once: Garden) -> Iterator[Garden]:
    """Give a copy of that check; its trees are not those that were checked."""
    with scratch() as base:
        yield Garden(shutil.copytree(once.base, base / "copy"))


@pytest.fixture
def fresh() -> Iterator[Garden]:
    """Give two equal trees and a check of them."""
    with scratch() as base:
        yield lay_out(base)


@pytest.fixture
def damaged(verifier: Command, place: Place) -> Place:
    """Give two trees that differ in one byte, and a check of them."""
    (place.new / "a").write_bytes(b"onE")
    os.utime(place.new / "a", ns=(T0_NS, T0_NS))
    assert verifier("check", place.old, place.new, "--evidence", place.proof, "-q").code == 1
    return place


def flat(text: str) -> str:
    """Return a text without what wrapping added to it."""
    return " ".join(text.split())


def hold_to_the_screen(ended: Ended, *paths: Path) -> None:
    """Hold that every line fits, whatever is in it, and nothing would be acted on by a terminal."""
    text = ended.out
    for path in paths:
        text = text.replace(str(path), "PATH")
    for line in text.splitlines():
        assert cell_len(line) <= WIDTH, line
        assert line.isprintable()
        assert line == line.rstrip()


def test_signing_says_what_was_signed_and_what_comes_first(verifier: Command, checked: Garden) -> None:
    """Verdict, who, the report's id, both fingerprints, the whole checklist with marks, the cautions, and where."""
    ended = verifier("signoff", checked.evidence, "--by", CURATOR, "--role", "head of collections", "-q")
    signed = read_signoff(checked.evidence)
    assert signed is not None
    assert (ended.code, ended.err) == (0, "")
    lines = ended.out.splitlines()
    assert lines[0] == "SIGNED: TRUSTWORTHY"
    assert lines[1].startswith(f"by {CURATOR}, head of collections, {signed.at}")
    told = flat(ended.out)
    for text in (signed.report_id, *signed.fingerprints.values(), signed.rules, signed.digest, *CAUTIONS, *TEXTS):
        assert text in told
    assert signed.statement in told
    marks = [line[:16].strip() for line in lines if line.startswith(("  seen ", "  OPEN ", "  yours to know "))]
    assert marks == ["yours to know", "seen", *["yours to know"] * 2, *["seen"] * 2, *["yours to know"] * 2]
    assert "Signed without a key (--ssh-key): whoever can write in that folder" in told
    assert "verifier signoff --check" in told
    hold_to_the_screen(ended, checked.evidence)


def test_a_reason_to_sign_all_the_same_comes_large(verifier: Command, damaged: Place) -> None:
    """Between two lines that nobody overlooks, when signing and whenever it is looked at."""
    ended = verifier("signoff", damaged.proof, "--by", CURATOR, "--despite", DESPITE, "-q")
    later = verifier("signoff", "--check", damaged.proof, "-q")
    assert (ended.code, later.code) == (0, 0)
    for text in (ended.out, later.out):
        lines = text.splitlines()
        first = lines.index("*" * WIDTH)
        last = lines.index("*" * WIDTH, first + 1)
        assert lines[first + 1] == "SIGNED DESPITE THIS VERDICT. The reason that was given:"
        assert flat(" ".join(lines[first + 2 : last])) == DESPITE
    assert ended.out.startswith("SIGNED: NOT TRUSTWORTHY\n")
    hold_to_the_screen(ended, damaged.proof)
    hold_to_the_screen(later, damaged.proof)


def test_a_copy_that_cannot_be_trusted_is_exit_1(verifier: Command, damaged: Place) -> None:
    """One line says why, and what to do."""
    ended = verifier("signoff", damaged.proof, "--by", CURATOR, "-q")
    hold_to_one_line(ended, 1, "not signed", "not trustworthy (1 file with changed content)", "--despite")
    assert not (damaged.proof / SIGNOFF_FILE).exists()


def test_an_inconclusive_check_is_exit_3(verifier: Command, place: Place) -> None:
    """As its verdict is."""
    verifier("check", place.old, place.new, "--evidence", place.proof, "--listing-only", "-q")
    hold_to_one_line(verifier("signoff", place.proof, "--by", "X", "-q"), 3, "inconclusive", "--despite")


def test_what_changed_on_the_old_side_is_exit_1(verifier: Command, fresh: Garden) -> None:
    """Found by listing it again; with a reason it is signed, and the point is open."""
    (fresh.old / "later").touch()
    ended = verifier("signoff", fresh.evidence, "--by", "X", "--recheck-old", "-q")
    hold_to_one_line(ended, 1, "the old side has changed", "1 new: later (new)")
    signed = verifier("signoff", fresh.evidence, "--by", "X", "--recheck-old", "--despite", "not ours", "-q")
    assert signed.code == 0
    assert "SIGNED DESPITE WHAT CHANGED SINCE THE CHECK." in signed.out
    assert "OPEN           Is the old side what it was" in signed.out


def test_looking_says_line_by_line_what_holds(verifier: Command, checked: Garden) -> None:
    """Exit code 0 while it does; everything is named, and what is not proved."""
    verifier("signoff", checked.evidence, "--by", CURATOR, "-q")
    ended = verifier("signoff", "--check", checked.evidence, "-q")
    assert (ended.code, ended.err) == (0, "")
    lines = ended.out.splitlines()
    assert lines[0] == "THE SIGN-OFF HOLDS"
    for name in (SIGNOFF_FILE, "report.html", "findings.sqlite", "old.manifest.sqlite", "new.manifest.sqlite"):
        assert any(line.startswith(f"  unchanged   {name}") for line in lines), name
    assert any(line.startswith("  not proved  signature ") for line in lines)
    assert "Signed less than an hour ago; the check ended less than an hour ago." in lines
    assert "whoever can write in this folder can change everything in it and sign anew" in flat(ended.out)
    hold_to_the_screen(ended, checked.evidence)


def test_looking_names_what_changed_first(verifier: Command, checked: Garden) -> None:
    """Exit code 1; what holds comes after it."""
    verifier("signoff", checked.evidence, "--by", CURATOR, "-q")
    with (checked.evidence / "findings.sqlite").open("ab") as file:
        file.write(b"x")
    (checked.evidence / "summary.json").unlink()
    (checked.evidence / "notes.txt").touch()
    ended = verifier("signoff", checked.evidence, "--check", "-q")
    assert ended.code == 1
    lines = ended.out.splitlines()
    assert lines[:2] == ["THE SIGN-OFF DOES NOT HOLD", "It was signed as: Trustworthy"]
    first = lines.index("") + 1
    assert lines[first].startswith("  CHANGED     findings.sqlite ")
    assert next(line for line in lines if "summary.json" in line).startswith("  MISSING     summary.json ")
    assert next(line for line in lines if "notes.txt" in line).startswith("  not signed  notes.txt ")
    hold_to_the_screen(ended, checked.evidence)


def test_looking_at_nothing_is_exit_2(verifier: Command, checked: Garden) -> None:
    """Where nobody signed there is nothing to hold."""
    hold_to_one_line(verifier("signoff", "--check", checked.evidence, "-q"), 2, "holds no sign-off", "--by NAME")


@pytest.mark.real(programs=("ssh-keygen",))
def test_a_key_and_who_may_sign(verifier: Command, checked: Garden) -> None:
    """The key is named when signing, and its owner when looking."""
    key = make_key(checked.base / "key")
    allowed = allow(checked.base / "allowed", key)
    ended = verifier("signoff", checked.evidence, "--by", CURATOR, "--ssh-key", key, "-q")
    signed = read_signoff(checked.evidence)
    assert signed is not None
    assert (ended.code, ended.err) == (0, "")
    assert f"key     {signed.key}" in ended.out.splitlines()
    assert "Signed without a key" not in ended.out
    ended = verifier("signoff", checked.evidence, "--check", "--allowed-signers", allowed, "-q")
    assert ended.code == 0
    assert f"holds signature by curator@garden.example, with the key {signed.key}" in flat(ended.out)
    shutil.copy(make_key(checked.base / "other").with_name("other.pub"), allowed)
    ended = verifier("signoff", checked.evidence, "--check", "--allowed-signers", allowed, "-q")
    assert (ended.code, ended.out.splitlines()[0]) == (1, "THE SIGN-OFF DOES NOT HOLD")
    hold_to_the_screen(ended, checked.evidence, allowed)


def test_any_writing_fits_the_screen(verifier: Command, checked: Garden) -> None:
    """Wide characters take two columns, and a word may be longer than a line."""
    name = "植物標本室長"
    statement = f"{'標' * 300}\n\n{'x' * 200} {'y ' * 100}"
    ended = verifier("signoff", checked.evidence, "--by", name * 20, "--statement", statement, "-q")
    assert ended.code == 0
    hold_to_the_screen(ended, checked.evidence)
    assert "".join(ended.out.split()).count("標") >= 320
    hold_to_the_screen(verifier("signoff", checked.evidence, "--check", "-q"), checked.evidence)


def test_words_are_kept_without_the_spaces_around_them(verifier: Command, checked: Garden) -> None:
    """As a script may leave them there."""
    verifier("signoff", checked.evidence, "--by", f"  {CURATOR}\n", "--statement", "\nI have read it.\n", "-q")
    signed = read_signoff(checked.evidence)
    assert signed is not None
    assert (signed.by, signed.statement) == (CURATOR, "I have read it.")


def test_progress_goes_to_standard_error(verifier: Command, fresh: Garden) -> None:
    """And can be turned off."""
    ended = verifier("signoff", fresh.evidence, "--by", "X", "--recheck-old")
    assert "holding the evidence against itself" in ended.err
    assert "listing the old side again" in ended.err
    assert ended.out.startswith("SIGNED: TRUSTWORTHY\n")


def test_the_report_is_printed_as_it_was_signed(verifier: Command, checked: Garden) -> None:
    """`verifier report` repairs a signed report, and says in one line where it cannot."""
    verifier("signoff", checked.evidence, "--by", "X", "-q")
    page = (checked.evidence / "report.html").read_bytes()
    (checked.evidence / "report.html").write_bytes(b"")
    assert verifier("report", checked.evidence).code == 0
    assert (checked.evidence / "report.html").read_bytes() == page
    record = json.loads((checked.evidence / SIGNOFF_FILE).read_text("utf-8"))
    (checked.evidence / SIGNOFF_FILE).write_text(json.dumps(record))
    hold_to_one_line(verifier("report", checked.evidence), 4, "signoff.json was changed after it was signed")


def test_no_command_touches_a_tree(verifier: Command, fresh: Garden) -> None:
    """Signing, listing again and looking write into the evidence alone."""
    before = [snapshot(tree) for tree in (fresh.old, fresh.new)]
    verifier("signoff", fresh.evidence, "--by", "X", "--recheck-old", "-q")
    verifier("signoff", fresh.evidence, "--check", "-q")
    assert [snapshot(tree) for tree in (fresh.old, fresh.new)] == before


class Case(NamedTuple):
    """A command line that is refused, with what comes after the evidence folder."""

    arguments: Callable[[Garden], Sequence[object]]
    code: int
    words: tuple[str, ...]


CASES: Final[dict[str, Case]] = {
    "nobody signs": Case(lambda _: (), 2, ("nobody is named who signs", "--by NAME", "--check")),
    "nobody of spaces": Case(lambda _: ("--by", "  "), 2, ("--by ''", "one line of words")),
    "an empty name": Case(lambda _: ("--by", ""), 2, ("nobody is named",)),
    "a name with an escape sequence": Case(lambda _: ("--by", "\x1b[2J"), 2, (r"--by '\\x1b[2J'",)),
    "a name of two lines": Case(lambda _: ("--by", "a\nb"), 2, (r"--by 'a\\x0ab'",)),
    "a needless reason": Case(lambda _: ("--by", "X", "--despite", "y"), 2, ("nothing stands in the way",)),
    "a place and no listing": Case(lambda p: ("--by", "X", "--old-root", p.old), 2, ("give --recheck-old, too",)),
    "looking and signing": Case(lambda _: ("--check", "--by", "X"), 2, ("--check signs nothing", "--by is for")),
    "looking and listing": Case(lambda _: ("--check", "--recheck-old"), 2, ("--recheck-old is for signing",)),
    "looking with a key": Case(lambda p: ("--check", "--ssh-key", p.base / "k"), 2, ("--ssh-key is for signing",)),
    "signers without looking": Case(
        lambda p: ("--by", "X", "--allowed-signers", p.base / "a"), 2, ("give --check, too",)
    ),
    "signers who are not there": Case(
        lambda p: ("--check", "--allowed-signers", p.base / "nowhere"), 2, ("nowhere is not there",)
    ),
    "a key that is not there": Case(lambda p: ("--by", "X", "--ssh-key", p.base / "nowhere"), 2, ("is not there",)),
    "an empty path for a key": Case(lambda _: ("--by", "X", "--ssh-key", ""), 2, ("a path is empty",)),
    "an old side that is not there": Case(
        lambda p: ("--by", "X", "--recheck-old", "--old-root", p.base / "nowhere"), 4, ("nowhere is not there",)
    ),
    "an old side that is a file": Case(
        lambda p: ("--by", "X", "--recheck-old", "--old-root", p.old / "a"), 4, ("a is not a directory",)
    ),
    "an old side that holds the evidence": Case(
        lambda p: ("--by", "X", "--recheck-old", "--old-root", p.base), 2, ("nothing is ever written into a tree",)
    ),
    "an unknown option": Case(lambda _: ("--sign",), 2, ("--sign", "verifier signoff --help")),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_what_cannot_be_meant_is_one_line(verifier: Command, checked: Garden, case: Case) -> None:
    """With the right exit code, and nothing signed."""
    before = snapshot(checked.base)
    ended = verifier("signoff", checked.evidence, "-q", *case.arguments(checked))
    hold_to_one_line(ended, case.code, *case.words)
    after = snapshot(checked.base)
    # Holding the folder makes a lock in it and takes it away.
    assert [one[:2] for one in after] == [one[:2] for one in before]
    assert not (checked.evidence / SIGNOFF_FILE).exists()


@pytest.mark.parametrize("what", ["nowhere", "old", "old/a"])
def test_a_folder_that_holds_no_check_is_exit_2(verifier: Command, checked: Garden, what: str) -> None:
    """Whatever it is, nothing is made there."""
    before = snapshot(checked.base)
    hold_to_one_line(verifier("signoff", checked.base / what, "--by", "X"), 2, "findings.sqlite is not there")
    hold_to_one_line(verifier("signoff", checked.base / what, "--check"), 2, "holds no sign-off")
    hold_to_one_line(verifier("report", checked.base / what), 2, "findings.sqlite is not there")
    assert snapshot(checked.base) == before


def test_signing_twice_is_exit_2(verifier: Command, checked: Garden) -> None:
    """It says who signed, and when."""
    verifier("signoff", checked.evidence, "--by", CURATOR, "-q")
    hold_to_one_line(verifier("signoff", checked.evidence, "--by", "X", "-q"), 2, f"was signed by {CURATOR} at 20")
