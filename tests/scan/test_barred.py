"""A scan that keeps out of what a rule kept an earlier scan of the same tree out of, and of nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from tests.reconcile.trees import FOLDER, Node, plant
from tests.scan.scans import edit, entries_of, scan_tree
from verifier.errors import ManifestDamaged
from verifier.rules.load import load_rules
from verifier.rules.rule import Action, Rule, RuleSet
from verifier.scan.scanner import ScanOptions
from verifier.tree.entry import BY_RULE

if TYPE_CHECKING:
    from pathlib import Path

TREE: Final = {b"fens/back\\slash/c": Node(b"x"), b"maps/.snapshot/e": Node(b"y"), b"\xff/b": FOLDER, b"b/c": Node()}
BARRING: Final = ("b/", r"back\\\\slash/")


@pytest.fixture
def first(tmp_path: Path) -> Path:
    """Give the manifest of a tree that was scanned under a rule of one's own."""
    tree = plant(tmp_path / "tree", TREE)
    rule = Rule("ours", BARRING, "b", "us", Action.DO_NOT_DESCEND, "our own practice")
    scan_tree(tree, tmp_path / "first", ScanOptions(rules=RuleSet((rule,))))
    return tmp_path / "first"


def again(first: Path) -> dict[str, str | None]:
    """List the tree again, and return each entry's error."""
    options = ScanOptions(listing_only=True, rules=load_rules(), barred_in=first)
    second = first.with_name("second")
    scan_tree(first.with_name("tree"), second, options)
    return {path: entry.error for path, entry in entries_of(second).items()}


def test_only_what_was_barred_before_is_barred(first: Path) -> None:
    """Everything that the earlier scan entered is entered, whatever the rules say now."""
    listed = again(first)
    assert listed == {path: entry.error for path, entry in entries_of(first).items()}
    barred = {path for path, error in listed.items() if error == f"{BY_RULE}ours"}
    assert barred == {r"\xff/b", "b", r"fens/back\\slash"}


def test_processes_of_their_own_keep_out_as_well(first: Path) -> None:
    """Where there is more than a scan lists in its own thread."""
    plant(first.with_name("tree"), {b"more/%d/x" % n: Node() for n in range(300)} | {b"b/more": Node()})
    listed = again(first)
    assert (listed["b"], len(listed)) == (f"{BY_RULE}ours", len(entries_of(first)) + 601)


def test_a_folder_that_was_not_entered_for_another_reason_is_entered(first: Path) -> None:
    """An error of the earlier scan is none of this one."""
    edit(first, "UPDATE entries SET state = 'listed', error = 'a mount point: not entered' WHERE path = 'maps'")
    assert again(first)["maps/.snapshot/e"] is None


def test_an_earlier_manifest_that_cannot_be_read_ends_the_scan(first: Path) -> None:
    """Rather than entering what it should keep out of."""
    first.write_bytes(b"SQLite format 3\0" + bytes(99))
    with pytest.raises(ManifestDamaged):
        again(first)
