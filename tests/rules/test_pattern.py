"""Patterns: one path each, whole components, gitignore's meaning."""

from __future__ import annotations

import time

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pathspec import GitIgnoreSpec

from tests.rules.trees import rule, rules
from verifier.rules.matcher import Matcher
from verifier.rules.pattern import BadPatternError, compile_pattern
from verifier.tree.entry import Kind
from verifier.tree.names import to_text


def matches(pattern: str, path: str, kind: Kind = Kind.FILE, *, ignore_case: bool = False) -> bool:
    """Tell whether a pattern matches exactly this path."""
    matcher = Matcher(rules(rule(pattern, ignore_case=ignore_case)))
    return [bool(found) for _, found in matcher.levels(path, kind)][-1]


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("Thumbs.db", "Thumbs.db"),
        ("Thumbs.db", "a/b/Thumbs.db"),
        ("Thumbs.db", "a\nb/Thumbs.db"),
        ("/a.sys", "a.sys"),
        ("a/b", "a/b"),
        ("a/*", "a/b"),
        ("a/**", "a/b"),
        ("a/**", "a/b/c"),
        ("a/**/b", "a/b"),
        ("a/**/b", "a/x/y/b"),
        ("**/a/b", "a/b"),
        ("**/a/b", "x/y/a/b"),
        ("**/**/a/**/**/b", "a/b"),
        ("*", "anything\nat all"),
        ("**", "x/y"),
        ("._*", "._"),
        ("[#]*#", "#notes#"),
        ("\\#x", "#x"),
        ("\\!x", "!x"),
        ("a/#x", "a/#x"),
        ("Icon[\r]", "Icon\r"),
        ("a[ ]", "a "),
        ("a\\ ", "a "),
        ("a ?/b", "a x/b"),
        ("[!a]", "b"),
        ("[^a]", "b"),
        ("[]]x", "]x"),
        ("[[]x", "[x"),
        ("[x", "[x"),
        ("~$*.doc", "~$letter.doc"),
        ("a|b", "a|b"),
        ("a.(b)+", "a.(b)+"),
    ],
)
def test_a_pattern_matches_the_path_it_describes(pattern: str, path: str) -> None:
    """A pattern means what gitignore means by it, whatever characters the name is made of."""
    assert matches(pattern, path)


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("Thumbs.db", "Thumbs.db\n"),
        ("Thumbs.db", "\nThumbs.db"),
        ("Thumbs.db", "Thumbs.db/x"),
        ("Thumbs.db", "Thumbs_db"),
        ("Thumbs.db", "aThumbs.db"),
        ("Thumbs.db", "thumbs.db"),
        ("*.tmp", "a.tmp\n"),
        ("*.tmp", "a.tmp/b"),
        ("Icon[\r]", "Icon"),
        ("Icon[\r]", "Icon\r\n"),
        ("/a.sys", "x/a.sys"),
        ("a/b", "x/a/b"),
        ("a/*", "a/b/c"),
        ("a/**", "a"),
        ("a/**/b", "a/xb"),
        ("**/a/b", "xa/b"),
        ("[!a]", "a"),
        ("a?c", "a/c"),
    ],
)
def test_a_pattern_matches_nothing_else(pattern: str, path: str) -> None:
    """A line feed at the end, something below the match, another depth: all of these are other paths."""
    assert not matches(pattern, path)


@pytest.mark.parametrize("pattern", ["cache/", "a/cache/", "**/cache/"])
def test_a_slash_at_the_end_means_directories(pattern: str) -> None:
    """A pattern that ends in a slash matches a directory and no file of that name."""
    assert matches(pattern, "a/cache", Kind.DIRECTORY)
    assert not matches(pattern, "a/cache", Kind.FILE)


@pytest.mark.parametrize("name", ["THUMBS.DB", "thumbs.db", "ThUmBs.Db"])
def test_case_is_ignored_where_the_rule_says_so(name: str) -> None:
    """Windows names are the same in any letter case."""
    assert matches("Thumbs.db", name, ignore_case=True)


@pytest.mark.parametrize(
    ("pattern", "name"),
    [("desktop.ini", "de\u017fktop.ini"), ("desktop.ini", "des\u212atop.ini"), ("*.ink", "x.in\u212a")],
    ids=["long s", "Kelvin sign", "Kelvin sign after a wildcard"],
)
def test_only_ascii_letters_fold_in_an_ascii_pattern(pattern: str, name: str) -> None:
    """A letter that merely folds to an ASCII letter makes another name (Unicode CaseFolding: U+017F, U+212A)."""
    assert not matches(pattern, name, ignore_case=True)


def test_other_letters_fold_in_a_pattern_that_has_them() -> None:
    """A pattern with letters beyond ASCII ignores their case too."""
    assert matches("\u00fcbersicht.db", "\u00dcBERSICHT.DB", ignore_case=True)
    assert matches("\u00fc*", "\u00dcx", ignore_case=True)
    assert matches("\u017f*", "sx", ignore_case=True)


def test_a_backslash_of_a_name_is_four_in_a_pattern() -> None:
    """Patterns are held against manifest text, where a name's backslash is doubled."""
    assert matches(r"a\\\\b", to_text(b"a\\b"))
    assert not matches(r"a\\b", to_text(b"a\\b"))


@pytest.mark.parametrize(
    ("pattern", "reason"),
    [
        ("", "empty"),
        ("  ", "empty"),
        ("/", "empty"),
        ("!keep.me", "negated"),
        ("#x", "comment"),
        ("Icon\r", "white space"),
        ("a ", "white space"),
        ("a\\", "backslash"),
        ("[z-a]", "brackets"),
        ("[[:alpha:]]", "classes"),
        ("a//b", "empty component"),
    ],
)
def test_a_pattern_that_cannot_be_meant_is_refused(pattern: str, reason: str) -> None:
    """What gitignore would silently drop or turn round is an error with its reason."""
    with pytest.raises(BadPatternError, match=reason):
        compile_pattern(pattern)


@pytest.mark.parametrize(
    ("pattern", "name", "rest"),
    [
        ("._*", "._photo.jpg", "photo.jpg"),
        (".~lock.*#", ".~lock.report.odt#", "report.odt"),
        ("[#]*#", "#notes#", "notes"),
        ("*~", "notes~", "notes"),
        ("a*b*c", "a1b2c", "1b2"),
        ("._*", "._", ""),
        ("x/**", "name", "name"),
    ],
)
def test_rest_is_what_the_wildcards_stood_for(pattern: str, name: str, rest: str) -> None:
    """The literal beginning and end are cut off a name, brackets around one character count as literal."""
    assert compile_pattern(pattern).rest(name) == rest


def test_hostile_depth_costs_time_in_proportion() -> None:
    """Thousands of folders named like a pattern's own components do not make a match explode."""
    pattern = "**/a/**/a/**/a/**/b"
    began = time.perf_counter()
    assert not matches(pattern, "/".join(["a"] * 4000))
    assert time.perf_counter() - began < 5  # a backtracking search of this takes hours


PLAIN = st.text(st.sampled_from("ab.-_ ~$@()+{}^|"), min_size=1, max_size=3).filter(
    lambda t: t == t.strip() and t not in (".", "..")
)
GLOB = st.one_of(
    PLAIN,
    st.just("*"),
    st.tuples(PLAIN, st.sampled_from(["*", "?", "[ab]", "[!a]"])).map("".join),
    st.tuples(st.sampled_from(["*", "?", "[ab]", "[!a]"]), PLAIN).map("".join),
)


@st.composite
def patterns(draw: st.DrawFn) -> str:
    """Draw a pattern: plain names, wildcards, slashes at each end, double asterisks where git defines them."""
    parts = draw(st.lists(GLOB, min_size=1, max_size=3))
    if draw(st.booleans()):
        parts.insert(draw(st.integers(0, len(parts))), "**")
    lead = draw(st.sampled_from(["", "/"]))
    # "x/**/" is left out: pathspec takes it for "x/**", git for the directories in x.
    tail = draw(st.sampled_from(["", "/"])) if parts[-1] != "**" else ""
    return lead + "/".join(parts) + tail


@given(pattern=patterns(), names=st.lists(PLAIN, min_size=1, max_size=4))
@example(pattern="a/**", names=["a", "b", "a"])
@example(pattern="/a/", names=["a", "b"])
@example(pattern="a*/b", names=["a", "b"])
def test_agrees_with_pathspec(pattern: str, names: list[str]) -> None:
    """A path or a folder above it matches exactly where pathspec's own gitignore matching says so."""
    path = "/".join(names)
    theirs = GitIgnoreSpec.from_lines([pattern]).match_file(path)
    matcher = Matcher(rules(rule(pattern)))
    assert any(found for _, found in matcher.levels(path, Kind.FILE)) == theirs
