"""Claims: who decides, what a folder covers, what an unclaimed path costs."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.rules.trees import Tree, directory, file, rule, rules
from verifier.rules.guards import Candidate, answers
from verifier.rules.matcher import Claim, Matcher
from verifier.rules.pattern import compile_pattern
from verifier.rules.rule import Action, Guards, Rule, RuleSet
from verifier.tree.entry import Kind

SMALL = Guards(max_size=10)


def outcome(claim: Claim | None) -> tuple[str, str, bool] | None:
    """Return a claim's rule, the path it is about, and whether it holds."""
    return None if claim is None else (claim.rule.name, claim.via, claim.holds)


def claimed(matcher: Matcher, candidate: Candidate, *paths: str) -> tuple[str, str, bool] | None:
    """Ask for a claim in a tree of the candidate's path and some more."""
    return outcome(matcher.claim(candidate, Tree(candidate.path, *paths)))


def test_no_rules_claim_nothing() -> None:
    """An empty set has nothing to say."""
    matcher = Matcher(rules())
    assert claimed(matcher, file("a/b")) is None
    assert matcher.descend("a") is None


def test_a_claim_says_what_and_who() -> None:
    """What holds is explained by what such a thing is and who makes it."""
    claim = Matcher(rules(rule("x"))).claim(file("a/x"), Tree())
    assert claim is not None
    assert claim.why == "cache (somebody)"


def test_a_failed_guard_keeps_the_entry_and_says_why() -> None:
    """Named like clutter but too large: data, with the reason."""
    claim = Matcher(rules(rule("x", guards=SMALL))).claim(file("x", 38_000_000), Tree())
    assert claim is not None
    assert (claim.holds, claim.why) == (False, "named like a cache, but 38 MB: kept as data")


def test_the_last_rule_decides() -> None:
    """Where two rules match, the later one is asked first."""
    matcher = Matcher(rules(rule("x*", name="one"), rule("*y", Action.KEEP, name="two")))
    assert claimed(matcher, file("xy")) == ("two", "xy", True)
    assert claimed(matcher, file("xz")) == ("one", "xz", True)


def test_an_earlier_rule_steps_in_where_guards_fail() -> None:
    """A rule whose guards do not hold does not apply, and the next earlier one is asked."""
    matcher = Matcher(rules(rule("x", name="one"), rule("x", name="two", guards=SMALL)))
    assert claimed(matcher, file("x", 10)) == ("two", "x", True)
    assert claimed(matcher, file("x", 11)) == ("one", "x", True)


def test_the_reason_is_that_of_the_rule_asked_first() -> None:
    """If no rule holds, the last rule's reason is given, and a rule that keeps gives none."""
    matcher = Matcher(
        rules(
            rule("x", name="one", guards=Guards(kind=Kind.LINK)),
            rule("x", name="two", guards=SMALL),
            rule("x", Action.KEEP, name="three", guards=Guards(kind=Kind.LINK)),
        )
    )
    assert claimed(matcher, file("x", 11)) == ("two", "x", False)
    only_keeps = Matcher(rules(rule("x", Action.KEEP, guards=SMALL)))
    assert claimed(only_keeps, file("x", 11)) is None


def test_each_pattern_of_a_rule_is_tried() -> None:
    """A guard that fails for one pattern of a rule may hold for another, since the rest of a name differs."""
    two = rule(("a*", "ab*"), guards=Guards(partner=("{rest}",)))
    assert claimed(Matcher(rules(two)), file("abc"), "c") == ("a*", "abc", True)
    assert claimed(Matcher(rules(two)), file("abc"), "bc") == ("a*", "abc", True)
    assert claimed(Matcher(rules(two)), file("abc"), "x") == ("a*", "abc", False)


@pytest.mark.parametrize("action", list(Action))
def test_a_folder_claims_what_is_in_it(action: Action) -> None:
    """Whatever the action, a claim on a folder is the claim of everything below it."""
    matcher = Matcher(rules(rule("f", action)))
    for path in ("f", "f/x", "f/g/h/x"):
        assert claimed(matcher, file(f"a/{path}") if path != "f" else directory("a/f")) == ("f", "a/f", True)


def test_nothing_is_set_aside_in_a_kept_folder() -> None:
    """A kept folder is data with everything in it, whatever rules come later and names are found."""
    matcher = Matcher(rules(rule("data", Action.KEEP), rule("x"), rule("bin")))
    assert claimed(matcher, file("data/bin/x")) == ("data", "data", True)
    assert claimed(matcher, file("bin/data/x")) == ("bin", "bin", True)
    assert claimed(matcher, file("other/x")) == ("x", "other/x", True)


def test_a_folder_without_its_contents() -> None:
    """A rule that does not cover contents claims the folder itself and leaves what is in it to the others."""
    matcher = Matcher(rules(rule("f", with_contents=False), rule("**/f/*.h", name="header")))
    assert claimed(matcher, directory("a/f")) == ("f", "a/f", True)
    assert claimed(matcher, file("a/f/x.h")) == ("header", "a/f/x.h", True)
    assert claimed(matcher, file("a/f/x.c")) is None


def test_failed_guards_of_a_folder_claim_nothing_below_it() -> None:
    """A folder that is only named like clutter says nothing about what is in it."""
    matcher = Matcher(rules(rule("f", guards=Guards(kind=Kind.FILE)), rule("x")))
    assert claimed(matcher, directory("f")) == ("f", "f", False)
    assert claimed(matcher, file("f/y")) is None
    assert claimed(matcher, file("f/x")) == ("x", "f/x", True)


def test_guards_of_a_folder_are_asked_of_the_tree() -> None:
    """An ancestor's guards are evaluated with what the tree knows about the ancestor."""
    matcher = Matcher(rules(rule("bin", guards=Guards(kind=Kind.DIRECTORY, partner=("{name}/info",)))))
    assert claimed(matcher, file("a/bin/x"), "a/bin/info") == ("bin", "a/bin", True)
    assert claimed(matcher, file("a/bin/x")) is None


def test_an_unlisted_ancestor_is_a_directory() -> None:
    """What has something in it is a directory even where the tree knows nothing else about it."""
    matcher = Matcher(rules(rule("bin", guards=Guards(kind=Kind.DIRECTORY))))
    assert outcome(matcher.claim(file("bin/x"), Tree())) == ("bin", "bin", True)


def test_unclaimed_paths_ask_nothing_of_the_tree() -> None:
    """Names that no pattern matches, in folders that none matches, cost no look at the tree."""
    tree = Tree()
    matcher = Matcher(rules(rule("Thumbs.db"), rule("._*"), rule("*~"), rule("**/f/*", guards=SMALL)))
    for number in range(1000):
        assert matcher.claim(file(f"a/b{number % 7}/photo_{number}.jpg"), tree) is None
    assert tree.asked == []


def test_a_folder_is_looked_at_once() -> None:
    """What was learnt about a folder is remembered for everything in it."""
    tree = Tree("a/f/")
    matcher = Matcher(rules(rule("f", guards=Guards(kind=Kind.DIRECTORY))))
    for number in range(100):
        assert outcome(matcher.claim(file(f"a/f/{number}"), tree)) == ("f", "a/f", True)
    assert tree.asked == ["a/f"]


def test_two_trees_are_two_memories() -> None:
    """What one side's folder is says nothing about the other side's folder of the same path."""
    matcher = Matcher(rules(rule("f", guards=Guards(partner=("{name}/info",)))))
    old, new = Tree("f/info", "f/x"), Tree("f/x")
    for _ in range(3):
        assert outcome(matcher.claim(file("f/x"), old)) == ("f", "f", True)
        assert matcher.claim(file("f/x"), new) is None


def test_a_tree_that_is_gone_lends_its_memory_to_nobody() -> None:
    """Trees that come and go, in any number, never answer for one another."""
    matcher = Matcher(rules(rule("f", guards=Guards(partner=("{name}/info",)))))
    for number in range(50):
        there = number % 2 == 0
        tree = Tree("f/info") if there else Tree("f/x")
        assert (matcher.claim(file("f/x"), tree) is not None) is there


NAMES = st.sampled_from(["a", "b", "ab", "x", "._a", "a~"])
PATHS = st.lists(NAMES, min_size=1, max_size=5).map("/".join)
GUARDS = st.sampled_from(
    [
        Guards(),
        SMALL,
        Guards(kind=Kind.FILE),
        Guards(kind=Kind.DIRECTORY),
        Guards(root_only=True),
        Guards(partner=("{name}/a", "../b")),
        Guards(empty=True),
    ]
)
RULE = st.builds(
    rule,
    st.sampled_from(["a", "b", "A", "a*", "*b", "._*", "*~", "*", "/a", "a/b", "**/a/*", "a/**", "b/", "**/x"]),
    st.sampled_from(list(Action)),
    ignore_case=st.booleans(),
    with_contents=st.booleans(),
    guards=GUARDS,
)


def plainly(ruleset: RuleSet, candidate: Candidate, tree: Tree) -> tuple[str, str, bool] | None:
    """Decide a claim as the rules' documentation words it: no index, no memory."""
    parts = candidate.path.split("/")
    for n in range(1, len(parts) + 1):
        path = "/".join(parts[:n])
        itself = n == len(parts)
        at = candidate if itself else tree.candidate(path) or directory(path)
        failed = None
        for one in reversed(ruleset.rules):
            if not _pattern_matches(one, parts[:n], at.kind):
                continue
            pattern = compile_pattern(one.patterns[0], ignore_case=one.ignore_case)
            if all(answer.holds for answer in answers(one.guards, pattern, at, tree)):
                if itself or one.with_contents:
                    return one.name, path, True
                break
            if failed is None and one.action is not Action.KEEP:
                failed = one.name, path, False
        else:
            if itself:
                return failed
    return None


def _pattern_matches(one: Rule, parts: list[str], kind: str) -> bool:
    alone = Matcher(rules(one))
    return bool(list(alone.levels("/".join(parts), kind))[-1][1])


@settings(max_examples=150, deadline=None)
@given(
    each=st.lists(RULE, max_size=4),
    paths=st.lists(PATHS, min_size=1, max_size=6),
    size=st.integers(0, 20),
    memo=st.sampled_from([0, 70, 2**20]),
)
def test_speed_changes_no_answer(each: list[Rule], paths: list[str], size: int, memo: int) -> None:
    """Index and memory, of any size, give what the plain procedure gives, for two trees in turn."""
    ruleset = rules(*each)
    matcher = Matcher(ruleset, memo_characters=memo)
    trees = Tree(*paths), Tree("a/b/a", "x/")
    for path in (*paths, *reversed(paths)):
        for tree in trees:
            candidate = file(path, size)
            assert outcome(matcher.claim(candidate, tree)) == plainly(ruleset, candidate, tree)


BARRED = rule("snap", Action.DO_NOT_DESCEND, guards=Guards(kind=Kind.DIRECTORY))


def test_descend_names_the_rule() -> None:
    """The rule that keeps a walk out of a directory is found by the directory's path, at any depth."""
    matcher = Matcher(rules(BARRED, rule("/a/*/s", Action.DO_NOT_DESCEND, name="path")))
    assert matcher.descend("a/snap") is BARRED
    assert matcher.descend("a/snapshot") is None
    found = matcher.descend("a/b/s")
    assert found is not None
    assert found.name == "path"
    assert matcher.descend("b/b/s") is None


def test_descend_respects_the_root_guard() -> None:
    """A rule for the root says nothing about a folder of the same name further down."""
    matcher = Matcher(rules(rule("snap", Action.DO_NOT_DESCEND, guards=Guards(root_only=True))))
    assert matcher.descend("snap") is not None
    assert matcher.descend("a/snap") is None


@pytest.mark.parametrize(
    ("later", "path"),
    [
        (rule("snap", Action.KEEP, name="keep"), "a/snap"),
        (rule("/a/snap", Action.KEEP, name="keep"), "a/snap"),
        (rule("a", Action.KEEP, name="keep"), "a/b/snap"),
        (rule("snap", Action.SET_ASIDE, name="aside"), "a/snap"),
    ],
    ids=["same name", "same path", "folder above", "set aside"],
)
def test_another_rule_opens_a_folder_again(later: Rule, path: str) -> None:
    """A later rule for the same folder, and a kept folder above, take precedence for the walk as for a claim."""
    matcher = Matcher(rules(BARRED, later))
    assert matcher.descend(path) is None
    claim = matcher.claim(directory(path), Tree())
    assert claim is not None
    assert claim.rule is later


@pytest.mark.parametrize(
    "guards",
    [Guards(empty=True), Guards(partner=("{name}/x",)), SMALL, Guards(kind=Kind.FILE), Guards(leading_bytes=(b"x",))],
    ids=["empty", "partner", "size", "kind", "leading bytes"],
)
def test_what_is_not_known_opens_nothing(guards: Guards) -> None:
    """A later rule whose guards a path alone cannot answer does not lift the bar."""
    assert Matcher(rules(BARRED, rule("snap", Action.KEEP, name="keep", guards=guards))).descend("snap") is BARRED


def test_a_folder_kept_without_its_contents_opens_nothing() -> None:
    """Where only the folder itself is kept, what is in it is judged on its own, for the walk as for a claim."""
    matcher = Matcher(rules(BARRED, rule("a", Action.KEEP, with_contents=False)))
    assert matcher.descend("a/snap") is BARRED
    assert claimed(matcher, directory("a/snap")) == ("snap", "a/snap", True)


def test_rules_are_matched_without_the_validator() -> None:
    """A worker that only matches does not pay for loading pydantic."""
    code = "import sys, verifier.rules.matcher, verifier.rules.explanation; sys.exit('pydantic' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
