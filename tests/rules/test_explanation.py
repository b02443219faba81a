"""Explanations: every rule considered, each guard's answer, the outcome."""

from __future__ import annotations

from tests.rules.trees import rule, rules
from verifier.rules.explanation import explain
from verifier.rules.matcher import Matcher
from verifier.rules.rule import Action, Guards
from verifier.tree.entry import Kind


def test_nothing_matches() -> None:
    """A path without rules is data, and that is certain."""
    found = explain(Matcher(rules(rule("x"))), "a/b")
    assert (found.considered, found.outcome, found.certain) == ((), "data: no rule claims it", True)


def test_rules_are_listed_in_the_order_in_which_they_are_asked() -> None:
    """Topmost folder first, and within a level the last rule first, each with the path that its pattern matches."""
    matcher = Matcher(rules(rule("x", name="one"), rule("x*", name="two"), rule("f", name="folder")))
    found = explain(matcher, "f/x")
    assert [(c.rule.name, c.via, c.pattern) for c in found.considered] == [
        ("folder", "f", "f"),
        ("two", "f/x", "x*"),
        ("one", "f/x", "x"),
    ]
    assert found.outcome == "set aside, counted and listed: cache (somebody)"
    assert found.claim is not None
    assert found.claim.via == "f"


def test_each_guard_is_answered() -> None:
    """All guards are answered, not only the first that fails; what needs the tree is unknown."""
    guards = Guards(kind=Kind.FILE, max_size=10, leading_bytes=(b"MZ",), root_only=True, partner=("y",))
    (only,) = explain(Matcher(rules(rule("x", guards=guards))), "a/x", size=11).considered
    assert {answer.guard: answer.holds for answer in only.guards} == {
        "kind": True,
        "max_size": False,
        "leading_bytes": None,
        "root_only": False,
        "partner": None,
    }
    assert only.holds is False


def test_an_unknown_fact_counts_as_not_holding_and_makes_it_uncertain() -> None:
    """Without a size the rule does not apply, and the explanation says that the outcome hangs on it."""
    matcher = Matcher(rules(rule("x", guards=Guards(max_size=10))))
    unknown = explain(matcher, "x")
    assert unknown.outcome == "data: named like a cache, but of unknown size: kept as data"
    assert not unknown.certain
    assert unknown.considered[0].holds is None
    known = explain(matcher, "x", size=3)
    assert known.certain
    assert known.outcome == "set aside, counted and listed: cache (somebody)"


def test_a_rule_that_is_never_reached_makes_nothing_uncertain() -> None:
    """What stands behind a rule that holds, or in front of one without its contents, does not matter."""
    behind = Matcher(rules(rule("x", guards=Guards(max_size=10)), rule("x", Action.KEEP, name="keep")))
    assert explain(behind, "x").certain
    above = Matcher(rules(rule("f", with_contents=False, guards=Guards(empty=True)), rule("x")))
    assert explain(above, "f/x").certain


def test_the_kind_can_be_said() -> None:
    """A path is taken for a file unless it is said to be something else; what is above it is a directory."""
    matcher = Matcher(rules(rule("f", Action.DO_NOT_DESCEND, guards=Guards(kind=Kind.DIRECTORY))))
    assert explain(matcher, "f").outcome == "data: named like a cache, but a file: kept as data"
    assert explain(matcher, "f", kind=Kind.DIRECTORY).outcome == "listed, not entered: cache (somebody)"
    assert explain(matcher, "f/x").outcome == "listed, not entered: cache (somebody)"
    assert explain(matcher, "f", kind=Kind.LINK, head=b"x").claim is not None
