"""Guards: hold, do not hold, or cannot be told."""

from __future__ import annotations

import pytest

from tests.rules.trees import Tree, directory, file
from verifier.rules.guards import Candidate, answers, partners, size_text
from verifier.rules.pattern import compile_pattern
from verifier.rules.rule import Guards
from verifier.tree.entry import Kind

OLE2 = bytes.fromhex("d0cf11e0a1b11ae1")
ANY = compile_pattern("*")


def answer(guards: Guards, candidate: Candidate, tree: Tree | None = None) -> tuple[bool | None, str]:
    """Return what the only guard says."""
    (only,) = answers(guards, ANY, candidate, tree or Tree())
    return only.holds, only.found


@pytest.mark.parametrize(
    ("guards", "candidate", "holds", "found"),
    [
        (Guards(kind=Kind.FILE), file("a"), True, "a file"),
        (Guards(kind=Kind.FILE), directory("a"), False, "a directory"),
        (Guards(kind=Kind.LINK), Candidate("a", Kind.CHAR_DEVICE, 0, None), False, "a char device"),
        (Guards(max_size=100), file("a", 100), True, "100 bytes"),
        (Guards(max_size=100), file("a", 101), False, "101 bytes"),
        (Guards(max_size=0), file("a", 1), False, "1 byte"),
        (Guards(max_size=100), file("a", None), None, "of unknown size"),
        (Guards(max_size=100), directory("a"), False, "a directory"),
        (Guards(leading_bytes=(OLE2,)), file("a", 9, OLE2 + b"x"), True, "it begins with d0cf11e0a1b11ae1"),
        (Guards(leading_bytes=(b"a", b"b")), file("a", 1, b"b"), True, "it begins with 62"),
        (Guards(leading_bytes=(OLE2,)), file("a", 7, OLE2[:7]), False, "it begins with d0cf11e0a1b11a"),
        (Guards(leading_bytes=(OLE2,)), file("a", 0, b""), False, "there is nothing in it"),
        (Guards(leading_bytes=(OLE2,)), file("a", 9, None), None, "its first bytes were not read"),
        (Guards(leading_bytes=(OLE2,)), directory("a"), False, "a directory"),
        (Guards(root_only=True), file("a"), True, "not at the root"),
        (Guards(root_only=True), file("a/b"), False, "not at the root"),
        (Guards(empty=True), file("a"), False, "a file"),
    ],
)
def test_each_guard(guards: Guards, candidate: Candidate, holds: bool | None, found: str) -> None:
    """A limit includes itself, a fact that is not known is neither yes nor no, and what is found is said."""
    assert answer(guards, candidate) == (holds, found)


def test_empty_needs_a_listing() -> None:
    """A directory is empty only where it was listed and nothing was in it."""
    tree = Tree("void/", "full/x", "closed/", unlisted=["closed"])
    assert answer(Guards(empty=True), directory("void"), tree) == (True, "empty")
    assert answer(Guards(empty=True), directory("full"), tree) == (False, "not empty")
    assert answer(Guards(empty=True), directory("closed"), tree) == (None, "not known to be empty")


def test_one_of_several_partners_is_enough() -> None:
    """A partner is there if one of the paths exists; otherwise all of them are named, safe to show."""
    guards = Guards(partner=("{stem}.mdb", "{name}\x1b"))
    assert answer(guards, file("d/x.ldb"), Tree("d/x.mdb"))[0] is True
    assert answer(guards, file("d/x.ldb"), Tree("x.mdb")) == (False, r"there is no d/x.mdb or d/x.ldb\x1b")


@pytest.mark.parametrize(
    ("template", "pattern", "path", "expected"),
    [
        ("{rest}", "._*", "a/._photo.jpg", ["a/photo.jpg"]),
        ("{rest}", "._*", "._photo.jpg", ["photo.jpg"]),
        ("{rest}", "._*", "a/._", []),
        ("{rest}", "._*", "a/._.", []),
        ("{rest}", "._*", "a/._..", []),
        ("{name}/info", "*", "a/bin", ["a/bin/info"]),
        ("{stem}.x", "*", "a/b.tar.gz", ["a/b.tar.x"]),
        ("{stem}.x", "*", "a/.profile", ["a/.profile.x"]),
        ("../{name}", "*", "a/b/c", ["a/c"]),
        ("../{name}", "*", "a/c", ["c"]),
        ("../{name}", "*", "c", []),
        ("../../{name}", "*", "a/c", []),
        ("{name}", "*", "a/{rest}", ["a/{rest}"]),
    ],
)
def test_a_partner_is_named_from_the_entry(template: str, pattern: str, path: str, expected: list[str]) -> None:
    """A template never leads out of the tree, and a name's own braces stay what they are."""
    assert partners((template,), compile_pattern(pattern), path) == expected


def test_a_name_that_leaves_no_partner_does_not_hold() -> None:
    """Where a template leads nowhere there is no partner, and nothing is asked of the tree."""
    tree = Tree("x")
    (only,) = answers(Guards(partner=("{rest}",)), compile_pattern("._*"), file("._"), tree)
    assert (only.holds, tree.asked) == (False, [])


@pytest.mark.parametrize(
    ("size", "text"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (999, "999 bytes"),
        (1000, "1 kB"),
        (4200, "4.2 kB"),
        (9_999, "9.9 kB"),
        (33_554_433, "33 MB"),
        (38_000_000, "38 MB"),
        (2 * 10**9, "2 GB"),
        (1_500_000_000_000, "1.5 TB"),
        (5 * 10**15, "5000 TB"),
    ],
)
def test_sizes_for_a_person(size: int, text: str) -> None:
    """Decimal units, cut off and never rounded up over a limit."""
    assert size_text(size) == text
