"""Manifests put together: the combined tree has the manifest that one scan of it would have made."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.manifest.test_seal import recomputed
from tests.reconcile.trees import FACTS, file, folder, scratch, write_manifest
from tests.scan.scans import edit, entries_of, facts_of, problems_of, scan_tree
from tests.strategies import Folder, lay_out, names, small_trees
from verifier.errors import AlgorithmMismatch, ManifestDamaged, NotAManifest, UsageProblem
from verifier.manifest.merge import label_roots, merge, merge_listings, root_name
from verifier.manifest.store import Manifest
from verifier.reconcile.preliminary import preliminary
from verifier.scan.scanner import ScanOptions
from verifier.tree.entry import State
from verifier.tree.names import to_text
from verifier.tree.trouble import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from verifier.tree.entry import Entry

ONE_READER: Final = ScanOptions(readers=1)


@pytest.fixture
def base() -> Iterator[Path]:
    """Give a folder in memory: each manifest waits for its disk otherwise."""
    with scratch() as place:
        yield place


def scanned_apart(base: Path, root: Path, labels: Sequence[bytes]) -> list[tuple[str, Path]]:
    """Scan each top folder of a tree by itself, and return the parts."""
    parts = []
    for number, label in enumerate(labels):
        scan_tree(root / os.fsdecode(label), base / f"part-{number}", ONE_READER)
        parts.append((to_text(label), base / f"part-{number}"))
    return parts


def without_numbers(entries: Mapping[str, Entry], labels: Sequence[str]) -> list[Entry]:
    """Return entries without what a merge numbers anew, and of its top folders without what only the system knows."""
    shown = []
    for path, entry in entries.items():
        known = entry._replace(device=0, read_at=None)
        if path in labels:
            known = known._replace(allocated=None, ctime_ns=0, nlink=1, inode=0)
        shown.append(known)
    return shown


@settings(max_examples=25)
@given(tree=st.dictionaries(names(), small_trees(), min_size=1, max_size=4), turn=st.randoms())
def test_parts_together_have_the_fingerprint_of_the_whole(tree: dict[bytes, Folder], turn: Any) -> None:
    """A tree whose top folders were scanned each by itself is, put together, the tree that one scan of it finds.

    Every row and the fingerprint, whatever the names are, in whatever order the parts come.
    """
    with scratch() as base:
        root = lay_out(base / "root", dict(tree))
        whole = scan_tree(root, base / "whole", ONE_READER)
        parts = scanned_apart(base, root, list(tree))
        turn.shuffle(parts)
        merge(parts, base / "together")
        labels = [label for label, _ in parts]
        ours, theirs = entries_of(base / "together"), entries_of(base / "whole")
        assert without_numbers(ours, labels) == without_numbers(theirs, labels)
        assert facts_of(base / "together")["fingerprint"] == whole.fingerprint
        assert facts_of(base / "together")["complete"] == "1"
        with Manifest.open(base / "together") as together:
            together.check()
        assert recomputed(base / "together") == whole.fingerprint


@settings(max_examples=10)
@given(tree=st.dictionaries(names(), small_trees(), min_size=1, max_size=3))
def test_listings_together_say_what_the_whole_says(tree: dict[bytes, Folder]) -> None:
    """The early answer of listings put together is that of one listing of the whole."""
    with scratch() as base:
        root = lay_out(base / "root", dict(tree))
        scan_tree(root, base / "whole", ONE_READER)
        parts = scanned_apart(base, root, list(tree))
        merge_listings(parts, base / "together")
        scan_tree(lay_out(base / "old", next(iter(tree.values()))), base / "old.m", ONE_READER)
        assert preliminary(base / "old.m", base / "together") == preliminary(base / "old.m", base / "whole")
        assert preliminary(base / "whole", base / "together").other_size.entries == 0
        assert preliminary(base / "whole", base / "together").new_only.entries == 0


# ---- Labels


@pytest.mark.parametrize(
    ("called", "labels"),
    [
        (["projects", "archive"], ["projects", "archive"]),
        (["data", "data"], ["data", "data-2"]),
        (["data", "x", "data", "data"], ["data", "x", "data-2", "data-3"]),
        (["data", "data", "data-2"], ["data", "data-3", "data-2"]),
        (["data-2", "data", "data"], ["data-2", "data", "data-3"]),
        (["Data", "data"], ["Data", "data"]),
        (["a\\b", os.fsdecode(b"\xff")], ["a\\\\b", "\\xff"]),
    ],
    ids=" ".join,
)
def test_a_root_that_is_called_as_another_gets_a_number(called: list[str], labels: list[str]) -> None:
    """In the order given; a name that a root really has is never taken from it. Labels are manifest texts."""
    assert label_roots(called) == labels


@given(called=st.lists(st.sampled_from(["a", "a-2", "a-3", "a-2-2", "b"]), max_size=8))
def test_no_two_roots_have_one_label(called: list[str]) -> None:
    """However roots are called, each has a folder of its own; the first of a name is called by it."""
    labels = label_roots(called)
    assert len(set(labels)) == len(called)
    assert all(labels[called.index(name)] == name for name in called)


@pytest.mark.parametrize(
    ("root", "name"),
    [
        ("/mnt/new/archive", "archive"),
        ("/archive/", "archive"),
        ("/", "root"),
        ("", "root"),
        ("/mnt/a b", "a b"),
        ("/mnt/sh\\xffare", os.fsdecode(b"sh\xffare")),
        ("/mnt/a\\\\b", "a\\b"),
        ("/mnt/a\\b", "root"),
        ("/mnt/a\\x00b", "root"),
        ("/mnt/..", "root"),
        ("D:\\\\data\\\\archive", "archive"),
        ("N:\\\\", "N"),
        ("\\\\\\\\server\\\\share\\\\", "share"),
        ("\\\\\\\\server\\\\share\\\\deep", "deep"),
    ],
)
def test_a_manifests_label_comes_from_its_root(root: str, name: str) -> None:
    """The last component of the path that the manifest names, on whatever system it was made; always one name."""
    assert root_name(root) == name


# ---- Facts


def together(base: Path, *facts: Mapping[str, Any], rows: Sequence[Sequence[Entry]] | None = None) -> Path:
    """Put parts with these facts together and return the manifest."""
    rows = rows or [[file("x")] for _ in facts]
    parts = [
        (f"p{number}", write_manifest(base / f"m{number}", entries, **one))
        for number, (one, entries) in enumerate(zip(facts, rows, strict=True))
    ]
    merge(parts, base / "together")
    return base / "together"


@pytest.mark.parametrize(
    ("fact", "values", "whole"),
    [
        ("grain_ns", [1, 2_000_000_000, 100], "2000000000"),
        ("grain_ns", [100, 1_000], "1000"),
        ("owners", [True, False, True], "0"),
        ("owners", [True, True], "1"),
        ("modes", [False, False], "0"),
        ("case_sensitive", [True, ""], ""),
        ("case_sensitive", ["", False], "0"),
        ("file_system", ["ext4", "ext4", "vfat"], "ext4; vfat"),
        ("host", ["one", "two", "one"], "one; two"),
        ("mount_options", ["ro,noatime", "ro"], "ro,noatime; ro"),
        ("hard_links", [True, False], "0"),
        ("compresses", [False, True, ""], "1"),
        ("compresses", [False, ""], ""),
        ("streams", ["xattr", "none"], ""),
        ("streams", ["xattr", "xattr"], "xattr"),
        (
            "owner_names",
            ['{"0": "root", "7": "ann"}', '{"0": "root", "7": "bob", "8": "cid"}'],
            '{"0": "root", "8": "cid"}',
        ),
        ("group_names", ["", '{"7": "ann"}', "[]"], '{"7": "ann"}'),
        ("root", ["/mnt/a", "/mnt/b"], "/mnt/a + /mnt/b"),
        ("listing_only", [False, True], "1"),
        ("cross_mounts", [False, False], "0"),
        ("listed", [True, False], "0"),
        ("cold_files", [3, 4], "7"),
        ("bytes_read", [3, 4, 5], "12"),
        ("asked_cold", [True, False], "0"),
        ("started", ["2026-11-20T20:00:00+00:00", "2026-11-19T20:00:00+00:00"], "2026-11-19T20:00:00+00:00"),
        ("finished", ["2026-11-20T20:00:00+00:00", "2026-11-21T20:00:00+00:00"], "2026-11-21T20:00:00+00:00"),
        ("finished", ["2026-11-20T20:00:00+00:00", ""], ""),
        ("oldest_read", ["2026-11-20T20:00:00+00:00", "2026-11-19T20:00:00+00:00", ""], "2026-11-19T20:00:00+00:00"),
        ("rules", ["abc", "abc"], "abc"),
        ("rules", ["abc", ""], "abc"),
        ("something_new", [True, False], "0"),
        ("something_new", ["nfc", "nfd"], ""),
        ("label", ["one", "two"], "new"),
    ],
)
def test_what_holds_for_all_is_what_the_weakest_part_holds(
    base: Path, fact: str, values: list[object], whole: str
) -> None:
    """What one part's file system cannot hold the whole cannot; what not all were asked nobody was; sums add up."""
    made = together(base, *({fact: value} for value in values))
    assert facts_of(made)[fact] == whole


def test_a_fact_that_a_part_does_not_have_is_not_known(base: Path) -> None:
    """An earlier version wrote fewer facts: what it did not say is not claimed for the whole."""
    parts = [(name, write_manifest(base / name, [file("x")], acls=True)) for name in ("a", "b")]
    edit(parts[1][1], "DELETE FROM facts WHERE key = 'acls'")
    merge(parts, base / "together")
    assert facts_of(base / "together")["acls"] == ""


def test_each_root_is_named_with_its_facts(base: Path) -> None:
    """Label, root, host, file system, fingerprint, times and whether it is complete, in the order given."""
    made = together(
        base, {"root": "/mnt/a", "host": "one"}, {"root": "/mnt/b", "file_system": "xfs", "complete": False}
    )
    first, second = json.loads(facts_of(made)["roots"])
    assert first == {
        "label": "p0",
        "root": "/mnt/a",
        "host": "one",
        "file_system": "ext4",
        "fingerprint": facts_of(base / "m0")["fingerprint"],
        "started": FACTS["started"],
        "finished": FACTS["finished"],
        "complete": True,
    }
    assert (second["label"], second["root"], second["file_system"]) == ("p1", "/mnt/b", "xfs")
    assert (second["complete"], second["fingerprint"]) == (False, "")


def test_one_incomplete_part_makes_the_whole_incomplete(base: Path) -> None:
    """It is not sealed, and says which part is lacking, and why."""
    facts = facts_of(
        together(base, {}, {"complete": False, "interrupted": "stopped before the end"}, {"complete": False})
    )
    assert (facts["complete"], facts["fingerprint"]) == ("0", "")
    assert facts["interrupted"] == "p1: stopped before the end; p2: it was ended from outside"


def test_a_listing_among_the_parts_is_not_sealed(base: Path) -> None:
    """Nobody can vouch for what was not read."""
    parts = [("a", write_manifest(base / "a", [file("x")])), ("b", write_manifest(base / "b", [file("x")]))]
    edit(parts[1][1], "UPDATE facts SET value = '1' WHERE key = 'listing_only'")
    edit(parts[1][1], "UPDATE facts SET value = '' WHERE key = 'fingerprint'")
    merge(parts, base / "together")
    facts = facts_of(base / "together")
    assert (facts["listing_only"], facts["fingerprint"], facts["complete"]) == ("1", "", "1")
    with Manifest.open(base / "together") as opened:
        opened.check()


# ---- The top folders


def test_a_top_folder_has_what_the_scan_saw_of_its_root(base: Path) -> None:
    """Mode, owner, group and time of a part's root are those of its folder; a scan writes them down."""
    root = lay_out(base / "root", {b"x": b"1"})
    root.chmod(0o2750)
    os.utime(root, ns=(5, 1_600_000_000_123_456_789))
    scan_tree(root, base / "m")
    merge([("a", base / "m"), ("b", write_manifest(base / "b", [file("x")]))], base / "together")
    entries = entries_of(base / "together")
    facts = root.stat()
    a = entries["a"]
    assert (a.mode, a.uid, a.gid) == (0o2750, facts.st_uid, facts.st_gid)
    assert (a.mtime_ns, a.state, a.error) == (1_600_000_000_123_456_789, State.CONTENTLESS, None)
    b = entries["b"]
    assert (b.mode, b.uid, b.gid, b.mtime_ns, b.xattrs) == (0, 0, 0, 0, None)


def test_problems_are_found_below_the_label(base: Path) -> None:
    """A problem has its entry's path in the combined tree; one of a root has the label alone."""
    problems = [Problem("x", "read", "EIO", 3, "2026-11-20T20:30:00+00:00"), Problem("", "read", "no answer", 1, "")]
    parts = [("a", write_manifest(base / "a", [file("x")], problems)), ("b", base / "b")]
    write_manifest(base / "b", [file("x")], problems[:1])
    merge(parts, base / "together")
    assert [(one.path, one.operation) for one in problems_of(base / "together")] == [
        ("a/x", "read"),
        ("a", "read"),
        ("b/x", "read"),
    ]
    assert entries_of(base / "together")["a"].state == State.CONTENTLESS


@pytest.mark.parametrize(
    ("facts", "error", "state"),
    [
        ({}, None, State.CONTENTLESS),
        ({}, "changed while listing", State.UNSETTLED),
        ({"listed": False, "complete": False}, None, State.UNREADABLE),
    ],
)
def test_a_root_that_was_not_all_listed_says_so_in_its_folder(
    base: Path, facts: dict[str, object], error: str | None, state: State
) -> None:
    """What may lie in it and was not seen is an open question, and never missing."""
    problems = [Problem("", "list", error, 3, "")] if error else []
    parts = [("a", write_manifest(base / "a", [file("x")], problems, **facts)), ("b", base / "b")]
    write_manifest(base / "b", [file("x")])
    merge(parts, base / "together")
    found = entries_of(base / "together")["a"]
    assert found.state == state
    assert (found.error is None) == (state is State.CONTENTLESS)


# ---- Devices and inodes


def pairs_of(manifest: Path) -> dict[str, tuple[int, int]]:
    """Return device and inode of each file."""
    return {path: (entry.device, entry.inode) for path, entry in entries_of(manifest).items() if entry.kind == "file"}


SAME: Final = {"host": "here", "mount_source": "/dev/sdb1", "file_system": "ext4"}
LINKED: Final = [file("x", nlink=2, device=8, inode=77), file("y", nlink=2, device=8, inode=77)]


@pytest.mark.parametrize(
    ("ours", "theirs", "one_inode"),
    [
        (SAME, SAME, True),
        (SAME, {**SAME, "host": "elsewhere"}, False),
        (SAME, {**SAME, "mount_source": "/dev/sdc1"}, False),
        (SAME, {**SAME, "file_system": "xfs"}, False),
        (SAME, {**SAME, "cross_mounts": True}, False),
        ({"host": "here"}, {"host": "here"}, False),
        ({**SAME, "host": ""}, {**SAME, "host": ""}, False),
    ],
    ids=["one mount", "two hosts", "two disks", "two file systems", "mounts inside", "no source", "no host"],
)
def test_names_of_one_inode_stay_so_and_no_others_become_so(
    base: Path, ours: dict[str, object], theirs: dict[str, object], one_inode: bool
) -> None:
    """Hard links are kept within a part, and between two only where both lie on one mount of one host."""
    made = pairs_of(together(base, ours, theirs, rows=[LINKED, LINKED]))
    assert made["p0/x"] == made["p0/y"]
    assert made["p1/x"] == made["p1/y"]
    assert (made["p0/x"] == made["p1/x"]) is one_inode


def test_two_devices_of_one_part_stay_two(base: Path) -> None:
    """What lies on two devices is never on one afterwards."""
    rows = [file("x", device=8, inode=1), file("y", device=9, inode=1), file("z", device=-3, inode=1)]
    made = pairs_of(together(base, SAME, SAME, rows=[rows, rows]))
    assert len(set(made.values())) == 3


# ---- What cannot be put together


def test_parts_of_different_algorithms_are_refused(base: Path) -> None:
    """Both files and both algorithms are named; nothing is written."""
    parts = [("a", write_manifest(base / "a", [file("x")])), ("b", base / "b")]
    write_manifest(base / "b", [file("x")], algorithm="sha256")
    with pytest.raises(AlgorithmMismatch, match=r"a was made with blake3, .*b with sha256"):
        merge(parts, base / "together")
    assert {path.name for path in base.iterdir()} == {"a", "b"}


def test_what_was_put_together_is_no_part(base: Path) -> None:
    """Its rows have labels of their own: the manifests of its roots are wanted."""
    made = together(base, {}, {})
    with pytest.raises(UsageProblem, match="was put together from several roots"):
        merge([("a", made), ("b", base / "m0")], base / "again")


def test_a_place_that_is_taken_is_refused(base: Path) -> None:
    """Nothing is overwritten; what a killed run had begun is."""
    parts = [(name, write_manifest(base / name, [file("x")])) for name in ("a", "b")]
    (base / "together.part").write_bytes(b"half a file")
    merge(parts, base / "together")
    before = (base / "together").read_bytes()
    with pytest.raises(UsageProblem, match="is there already"):
        merge(parts, base / "together")
    assert (base / "together").read_bytes() == before
    assert {path.name for path in base.iterdir()} == {"a", "b", "together"}


def test_a_part_that_is_no_manifest_or_damaged_is_named(base: Path) -> None:
    """One line with the part's name, and no combined manifest."""
    good = write_manifest(base / "good", [file("x")])
    (base / "text").write_bytes(b"hello")
    with pytest.raises(NotAManifest, match="text is not a manifest"):
        merge([("a", good), ("b", base / "text")], base / "together")
    many = write_manifest(base / "many", [file(f"{n:04}") for n in range(2000)])
    data = bytearray(many.read_bytes())
    middle = len(data) // 2 // 4096 * 4096
    data[middle : middle + 8192] = b"\xa5" * 8192
    many.write_bytes(data)
    with pytest.raises(ManifestDamaged, match="many is damaged"):
        merge([("a", good), ("b", many)], base / "together")
    assert not (base / "together").exists()


def test_the_parts_stay_as_they_are(base: Path) -> None:
    """They are evidence of their own: not a byte of them changes."""
    parts = [(name, write_manifest(base / name, [folder("d"), file("d/x")])) for name in ("a", "b")]
    before = [path.read_bytes() for _, path in parts]
    merge_listings(parts, base / "listing")
    merge(parts, base / "together")
    assert [path.read_bytes() for _, path in parts] == before
