"""``verifier recopy``: copying what it lists, with the system's own programs, makes a copy that can be trusted."""

from __future__ import annotations

import io
import os
import re
import subprocess
from contextlib import redirect_stderr, redirect_stdout
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import pytest

from tests.reconcile.trees import FOLDER, SECOND_NS, T0_NS, Node, plant, snapshot
from verifier.classes import Class
from verifier.cli.app import run
from verifier.cli.recopy import recopy
from verifier.decisions.covering import accept
from verifier.decisions.exceptions import Wanted
from verifier.evidence import FINDINGS_FILE
from verifier.reconcile.findings import Findings
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from tests.cli.conftest import Command

ODD: Final = (
    b"-rf",
    b"--help",
    b"line\nbreak",
    b"\xff\xfe",
    b"back\\slash",
    b"it's",
    b" space ",
    b"*",
    b"$(touch x)",
    b"e\xcc\x81",
    b"...",
)
"""Names that a shell, a list of lines or an option parser stumbles over."""
OLD: Final = {
    **{name: Node(b"at the top: " + name) for name in ODD},
    **{b"-d/" + name + b"/" + name: Node(b"below: " + name) for name in ODD},
    b"void\n/-": FOLDER,
    b"link\n": Node(b"-rf", Kind.LINK),
    b"silent": Node(b"a bit of this"),
    b"short": Node(b"all of this"),
    b"stale": Node(b"the last version"),
    b"newer": Node(b"what was"),
    b"same": Node(b"same"),
}
NEW: Final = {
    b"silent": Node(b"a bit og this"),
    b"short": Node(b"all of"),
    b"stale": Node(b"the version before", mtime_ns=T0_NS - SECOND_NS),
    b"newer": Node(b"what somebody wrote since", mtime_ns=T0_NS + SECOND_NS),
    b"same": Node(b"same"),
    b"link\n": Node(b"elsewhere", Kind.LINK),
}
NOTHING: Final = "verifier: nothing has to be copied again\n"


class Sides:
    """An old tree of odd names, a copy that is not what it was, and what checks of both write."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self.old = plant(base / "old", OLD)
        self.new = plant(base / "new", NEW)
        self._checks = 0

    def check(self, verifier: Command) -> tuple[int, Path]:
        """Check the copy; return the exit code and the evidence."""
        self._checks += 1
        evidence = self.base / f"proof-{self._checks}"
        return verifier("check", self.old, self.new, "--evidence", evidence, "--quiet").code, evidence

    def copy(self, evidence: Path, program: Sequence[str], *options: str) -> str:
        """Give the list to a program, run in the old side's root; return what the command said besides."""
        written, said = io.BytesIO(), io.StringIO()
        out = io.TextIOWrapper(written)  # closes what it writes to when nobody holds it
        with redirect_stdout(out), redirect_stderr(said):
            assert run(["recopy", str(evidence), "--null", *options]) == 0
        subprocess.run(program, input=written.getvalue(), cwd=self.old, check=True, capture_output=True)
        return said.getvalue()


@pytest.fixture
def sides(tmp_path: Path) -> Sides:
    """Give both sides."""
    return Sides(tmp_path)


def with_xargs(new: Path) -> list[str]:
    """Return a command that reads the list and copies with cp(1); a link in a file's place is not written through."""
    return ["xargs", "-0", "cp", "-a", "--parents", "--remove-destination", "-t", str(new)]


def with_tar(new: Path) -> list[str]:
    """Return a command that reads the list and copies with tar(1)."""
    return ["sh", "-c", 'tar -c --null --no-recursion -T - | tar -x -C "$0"', str(new)]


def with_cpio(new: Path) -> list[str]:
    """Return a command that reads the list and copies with cpio(1); without -u it leaves alone what is not older."""
    return ["cpio", "-0", "-pdmu", str(new)]


@pytest.mark.parametrize(
    "program",
    [with_xargs, with_tar, pytest.param(with_cpio, marks=pytest.mark.real(programs=("cpio",)))],
    ids=["xargs", "tar", "cpio"],
)
def test_copying_what_is_listed_makes_the_copy_trustworthy(
    sides: Sides, verifier: Command, program: Callable[[Path], list[str]]
) -> None:
    """Whatever the names are: what is lost or damaged arrives, what is newer stays until it is asked for."""
    code, evidence = sides.check(verifier)
    assert code == 1
    before = snapshot(sides.old)
    assert "left out what is newer on the new side (1)" in sides.copy(evidence, program(sides.new))
    assert (sides.new / "newer").read_bytes() == NEW[b"newer"].data
    code, evidence = sides.check(verifier)
    assert code == 1
    assert sides.copy(evidence, program(sides.new), "--newer") == ""
    code, evidence = sides.check(verifier)
    assert code == 0
    assert before == snapshot(sides.old)
    assert verifier("recopy", evidence) == (0, "", NOTHING)
    names = {os.fsencode(found.relative_to(sides.new)) for found in sides.new.rglob("*")}
    assert set(OLD) <= names


def test_a_list_of_lines_is_refused_where_a_name_has_two(sides: Sides, verifier: Command) -> None:
    """Half a name would be another file's; nothing is written before that is known, and the message says what to do."""
    _, evidence = sides.check(verifier)
    ended = verifier("recopy", evidence)
    assert (ended.code, ended.out) == (2, "")
    assert ended.err.count("\n") == 1
    assert "\\x0a" in ended.err
    assert "--null" in ended.err


def test_a_list_of_lines_is_one_path_a_line(tmp_path: Path, verifier: Command) -> None:
    """In path order, each relative to the old root and never an option; nothing is copied."""
    old = plant(tmp_path / "old", {b"-rf": Node(b"1"), b"b/c": Node(b"2"), b"same": Node(b"3")})
    new = plant(tmp_path / "new", {b"same": Node(b"3")})
    verifier("check", old, new, "--evidence", tmp_path / "proof", "--quiet")
    before = snapshot(new)
    assert verifier("recopy", tmp_path / "proof") == (0, "./-rf\n./b/c\n", "")
    assert verifier("recopy", tmp_path / "proof", "-0").out == "./-rf\0./b/c\0"
    assert snapshot(new) == before


def test_what_was_accepted_is_not_copied_again(tmp_path: Path, verifier: Command) -> None:
    """Somebody decided that it is not wanted: the list leaves it out and says how much that is."""
    old = plant(tmp_path / "old", {b"lost": Node(b"1"), b"not wanted": Node(b"2"), b"same": Node(b"3")})
    new = plant(tmp_path / "new", {b"same": Node(b"3")})
    proof = tmp_path / "proof"
    verifier("check", old, new, "--evidence", proof, "--quiet")
    wanted = Wanted("not wanted", Class.MISSING, "dropped on purpose", "A. Curator", datetime.now(UTC))
    with Findings.open(proof / FINDINGS_FILE) as findings:
        accept(proof, findings, wanted)
    told = "verifier: left out what was accepted by name (1)\n"
    assert verifier("recopy", proof) == (0, "./lost\n", told)


def test_what_is_no_evidence_is_one_line(tmp_path: Path, verifier: Command) -> None:
    """A folder without a finished check is no empty list."""
    ended = verifier("recopy", tmp_path)
    assert (ended.code, ended.out, ended.err.count("\n")) == (2, "", 1)


def test_the_example_in_the_help_replaces_damaged_files() -> None:
    """What silently changed has the same time, and cpio leaves files of the same age alone unless it is told -u.

    Source: GNU cpio, copypass.c: "newer or same age version exists".
    """
    example = re.search(r"^ *Example: .*$", recopy.__doc__ or "", re.MULTILINE)
    assert example is not None
    assert "cpio" not in example[0] or re.search(r"cpio .*(?<= )-[a-z0]*u", example[0])
