"""Several new roots on the command line: checked, reconciled, reused, and shown while it goes on."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
from typing import TYPE_CHECKING, Final

import pytest

from tests.reconcile.trees import T0_NS, Node, plant
from tests.scan.scans import facts_of, let_the_second_pass

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Command

NAMES: Final = ("projects", "archive", "scans")
TREE: Final = {f"{name}/d/{n}".encode(): Node(f"{name} {n}".encode()) for name in NAMES for n in range(3)}


@pytest.fixture
def roots(tmp_path: Path) -> list[Path]:
    """Give an old share, and three roots that it was split into."""
    plant(tmp_path / "old", TREE)
    plant(tmp_path / "new", TREE)
    return [tmp_path / "old", *(tmp_path / "new" / name for name in NAMES)]


def told(proof: Path) -> dict[str, list[str]]:
    """Return the new paths in the table, by class."""
    found: dict[str, list[str]] = {}
    for row in csv.DictReader(io.StringIO((proof / "differences.csv").read_text("utf-8"))):
        found.setdefault(row["class"], []).append(row["new_path"] or row["old_path"])
    return found


def test_one_old_share_against_three_roots(verifier: Command, roots: list[Path], tmp_path: Path) -> None:
    """Exit 0 where all arrived; the damaged file and the lost one are named, each once, with exit 1."""
    ended = verifier("check", *roots, "--evidence", tmp_path / "1", "-q")
    assert (ended.code, ended.err) == (0, "")
    assert "15 identical" in ended.out
    damaged = roots[2] / "d" / "1"
    damaged.write_bytes(b"x" * damaged.stat().st_size)
    os.utime(damaged, ns=(T0_NS, T0_NS))
    (roots[3] / "d" / "2").unlink()
    ended = verifier("check", *roots, "--evidence", tmp_path / "2", "-q")
    assert ended.code == 1
    assert "  silent        archive/d/1" in ended.out.splitlines()
    found = told(tmp_path / "2")
    assert (found["content-changed"], found["missing"]) == (["archive/d/1"], ["scans/d/2"])
    account = json.loads((tmp_path / "2" / "summary.json").read_text("utf-8"))["account"]
    assert [account[side]["balanced"] for side in ("old", "new")] == [True, True]


def test_options_may_stand_anywhere(verifier: Command, roots: list[Path], tmp_path: Path) -> None:
    """Roots and options in any order are the same request, and a map leads into a label."""
    (roots[0] / "archive").rename(roots[0] / "2019")
    old, one, two, three = roots
    arguments = ["check", "--evidence", tmp_path / "1", old, one, "--map", "2019=archive", two, "-q", three]
    ended = verifier(*arguments)
    assert (ended.code, ended.err) == (0, "")
    summary = json.loads((tmp_path / "1" / "summary.json").read_text("utf-8"))
    assert summary["maps"] == ["2019=archive"]
    assert summary["sides"]["new"]["root"] == " + ".join(map(str, (one, two, three)))


def test_several_manifests_are_reconciled(verifier: Command, roots: list[Path], tmp_path: Path) -> None:
    """Each root was scanned next to its disks; labels come from the roots, not from the files' names."""
    (roots[0] / "archive" / "lost").write_bytes(b"x")
    manifests = [tmp_path / f"m{number}" for number in range(4)]
    for root, manifest in zip(roots, manifests, strict=True):
        assert verifier("scan", root, "--manifest", manifest, "-q").code == 0
        shutil.rmtree(root)
    ended = verifier("reconcile", *manifests, "--evidence", tmp_path / "proof", "-q")
    assert ended.code == 1
    assert told(tmp_path / "proof")["missing"] == ["archive/lost"]
    assert {path.name for path in (tmp_path / "proof").glob("new*")} == {
        "new.manifest.sqlite", *(f"new-{number}.manifest.sqlite" for number in (1, 2, 3)),
    }  # fmt: skip
    again = verifier("reconcile", manifests[0], manifests[2], "--evidence", tmp_path / "again", "-q")
    assert "roots" not in facts_of(tmp_path / "again" / "new.manifest.sqlite")
    assert again.code == 1


def test_every_root_may_be_reused(verifier: Command, roots: list[Path], tmp_path: Path) -> None:
    """--reuse once for each root: nothing is read again."""
    let_the_second_pass()
    assert verifier("check", *roots, "--evidence", tmp_path / "1", "-q").code == 0
    let_the_second_pass()
    kept = [tmp_path / "1" / f"{name}.manifest.sqlite" for name in ("old", "new-1", "new-2", "new-3")]
    options = [part for path in kept for part in ("--reuse", path)]
    ended = verifier("check", *roots, "--evidence", tmp_path / "2", *options, "-q")
    assert ended.code == 0
    side = json.loads((tmp_path / "2" / "summary.json").read_text("utf-8"))["sides"]["new"]
    assert (side["proved_files"], side["carried_files"]) == (0, 9)
    whole = ["--reuse", tmp_path / "1" / "new.manifest.sqlite"]
    ended = verifier("check", *roots, "--evidence", tmp_path / "3", *whole, "-q")
    assert ended.code == 2
    assert "give the manifests of its roots, which lie beside it" in ended.err


def test_progress_is_told_root_by_root(verifier: Command, roots: list[Path], tmp_path: Path) -> None:
    """Lines and objects have each root's own name; the early answer is one, of all of them."""
    path = tmp_path / "progress"
    ended = verifier("check", *roots, "--evidence", tmp_path / "proof", "--progress-json", path)
    lines = ended.err.splitlines()
    names = ["old", "new/projects", "new/archive", "new/scans"]
    assert all(any(line.startswith(f"{name}: done, ") for line in lines) for name in names)
    assert sum(line.startswith("preliminary account") for line in lines) == 1
    assert "  not at their place on the new side: nothing" in lines
    assert lines[-3:] == ["putting the new roots together", "reconciling", "writing the report"]
    last = json.loads(path.read_text().splitlines()[-1])
    assert {name: side["stage"] for name, side in last["sides"].items()} == dict.fromkeys(names, "done")


@pytest.mark.parametrize("command", ["check", "reconcile"])
def test_help_says_what_labels_are(verifier: Command, command: str) -> None:
    """Whoever has several roots learns from the help what they are called."""
    said = " ".join(verifier(command, "--help").out.split())
    assert "NEW" in said
    assert "called by its label, the last component of its path" in said
    assert "begins with a label where there are several NEW" in said
