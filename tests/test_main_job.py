"""The main job on the sample trees, through the command line, as a new user runs it."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING

import pytest

from verifier.classes import Cause, Class, Side
from verifier.cli.app import run
from verifier.evidence import FINDINGS_FILE
from verifier.reconcile.findings import Findings
from verifier.reconcile.folders import Ground
from verifier.report.table import HEADER

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run the demo once and return its folder."""
    folder = tmp_path_factory.mktemp("demo") / "laid-out"
    assert run(["demo", "--folder", str(folder), "--quiet"]) == 0
    return folder


def test_every_planted_difference_is_found_and_nothing_else(demo: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The demo holds its findings against what was planted and says so; another run of the check agrees."""
    again = demo.parent / "again"
    assert run(["demo", "--folder", str(again), "--quiet"]) == 0
    assert "planted differences were found and classed as planted, and nothing else." in capsys.readouterr().out


def test_the_copy_is_not_trustworthy(demo: Path) -> None:
    """With faults of every kind planted, the verdict must be: not trustworthy, exit code 1, balanced on both sides."""
    told = json.loads((demo / "evidence" / "summary.json").read_text())
    assert (told["verdict"], told["exit_code"]) == ("not-trustworthy", 1)
    assert [told["account"][side]["balanced"] for side in Side] == [True, True]


def test_every_class_and_cause_is_in_the_table(demo: Path) -> None:
    """The CSV names every class but identical and unproven (and, for root, unreadable), and every cause."""
    with (demo / "evidence" / "differences.csv").open(newline="", encoding="utf-8") as file:
        header, *rows = csv.reader(file)
    assert tuple(header) == HEADER
    classes = {row[0] for row in rows}
    assert {cls.value for cls in Class} - classes <= {"identical", "unproven", "unreadable"}
    # That a reading does not repeat cannot be planted in files that a disk keeps.
    assert {row[1] for row in rows} - {""} == {cause.value for cause in Cause} - {"not-repeated"}


def test_rendering_again_gives_the_same_bytes(demo: Path) -> None:
    """The readable files come from the evidence alone: written again they are the same, byte for byte."""
    evidence = demo / "evidence"
    names = ("report.html", "summary.md", "summary.json", "differences.csv")
    before = {name: (evidence / name).read_bytes() for name in names}
    for name in names:
        (evidence / name).unlink()
    assert run(["report", str(evidence)]) == 1
    assert {name: (evidence / name).read_bytes() for name in names} == before


def test_the_folders_of_both_trees_are_measured(demo: Path) -> None:
    """A check records how much lies in which folder, as the trees on disk say, for its report to draw."""
    with Findings.open(demo / "evidence" / FINDINGS_FILE) as findings:
        ground = Ground.from_json(findings.facts()["ground"])
    assert {one.path for one in ground.folders if "/" not in one.path} >= {"herbarium", "field-notes", "maps"}
    for one in ground.folders:
        below = list((demo / one.side / one.path).rglob("*"))
        files = [path for path in below if path.is_file() and not path.is_symlink()]
        if one.path != "climate":  # somebody writes there while the check runs
            assert (len(below), len(files), sum(path.stat().st_size for path in files)) == one[2:], one.path


def test_without_content_nothing_is_trustworthy(tmp_path: Path) -> None:
    """A listing proves no copy: where only names and sizes agree the file is unproven and the run inconclusive."""
    for side in Side:
        (tmp_path / side).mkdir()
        (tmp_path / side / "note.txt").write_text("same\n")
    evidence = tmp_path / "evidence"
    sides = [str(tmp_path / side) for side in Side]
    assert run(["check", *sides, "--evidence", str(evidence), "--quiet", "--listing-only"]) == 3
    told = json.loads((evidence / "summary.json").read_text())
    assert (told["verdict"], told["classes"]["unproven"]["files"]) == ("inconclusive", 1)
