"""What a pattern means, held against the matcher of rules, which is another program for the same thing."""

from __future__ import annotations

from typing import Final

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from verifier.decisions.meaning import Meaning
from verifier.errors import UsageProblem
from verifier.rules.matcher import Matcher
from verifier.rules.rule import Action, Rule, RuleSet
from verifier.tree.entry import Kind

NAMES: Final = st.sampled_from(["a", "b", "ab", "a.b", "[a]", "*", "\u00e9"])
PATHS: Final = st.lists(NAMES, min_size=1, max_size=4).map("/".join)
PARTS: Final = st.sampled_from(["a", "b", "a*", "?", "[ab]", "**", "*", "\\*", "*.b"])
PATTERNS: Final = st.builds(
    lambda root, parts, end: root + "/".join(parts) + end,
    st.sampled_from(["", "/"]),
    st.lists(PARTS, min_size=1, max_size=3),
    st.sampled_from(["", "/"]),
)


@settings(max_examples=100)
@given(pattern=PATTERNS, paths=st.lists(PATHS, min_size=1, max_size=6), kind=st.sampled_from(["file", "directory"]))
@example(pattern="a/**", paths=["a", "a/b"], kind="directory")
@example(pattern="a/", paths=["a", "a/b"], kind="file")
def test_a_pattern_means_what_a_rule_would_match_with_all_in_it(pattern: str, paths: list[str], kind: str) -> None:
    """Path after path on one object, because what is known of a folder is kept for its neighbours."""
    matcher = Matcher(RuleSet((Rule("one", (pattern,), "", "", Action.SET_ASIDE, ""),)))
    meaning = Meaning(pattern)
    for path in paths:
        assert meaning.means(path, kind) == any(found for _, found in matcher.levels(path, kind)), path


@pytest.mark.parametrize("pattern", ["", "/", "!a", "#a", "a//b", "a ", "[b-a]", "a\\", "[[:alpha:]]"])
def test_a_pattern_without_meaning_is_refused(pattern: str) -> None:
    """In one line, which names it."""
    with pytest.raises(UsageProblem, match="pattern"):
        Meaning(pattern)


def test_a_side_that_has_nothing_is_not_meant() -> None:
    """Not even by a pattern for everything."""
    assert not Meaning("*").means(None, None)
    assert Meaning("*").means("a", Kind.FILE)


def test_a_path_is_meant_as_it_is_stored_and_as_it_is_shown() -> None:
    """What is shown is what a person can type; what one of them means is never another path."""
    assert Meaning("a?b").means("a\nb", "file")
    assert Meaning(r"a\\x0ab").means("a\nb", "file")
    assert not Meaning(r"a\\x0ab").means(r"a\\x0ab", "file")
    assert Meaning(r"a\\\\x0ab").means(r"a\\x0ab", "file")
