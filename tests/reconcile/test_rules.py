"""Rules at work: what they claim is set aside and counted, and what only has the name is data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import T0_NS, Node, compared, file, folder, link, plant, reconciled, scratch
from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.rules.load import load_rules
from verifier.rules.rule import Action, Guards, Rule, RuleSet
from verifier.tree.entry import HEAD_BYTES, Kind

if TYPE_CHECKING:
    from tests.reconcile.trees import Outcome

OLE2: Final = bytes.fromhex("d0cf11e0a1b11ae1")
"""How a compound file begins; from memory."""
THUMBS: Final = OLE2 + bytes(600)
SHIPPED: Final = load_rules()


def rule(pattern: str, action: Action = Action.SET_ASIDE, **more: Any) -> Rule:
    """Return a rule of an invented kind."""
    return Rule(pattern, (pattern,), "cache", "somebody", action, "invented", **more)


def under(*rules: Rule) -> dict[str, Any]:
    """Return the option that sets rules."""
    return {"rules": RuleSet(rules)}


def test_a_genuine_thumbnail_cache_is_set_aside() -> None:
    """Counted and listed with its rule, without a word against the copy."""
    outcome = reconciled([file("a/Thumbs.db", THUMBS), file("b")], [folder("a"), file("b")], rules=SHIPPED)
    found = outcome.at("a/Thumbs.db")
    assert (found.cls, found.rule, found.severity) == (Class.CLUTTER, "windows-thumbnail-cache", Severity.NOTE)
    assert not found.decision
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY


def test_an_impostor_is_data_and_its_loss_is_a_loss() -> None:
    """A sparse file of 38 MB with the name of a thumbnail cache: read, missed, and the reason says why it counts."""
    with scratch() as base:
        roots = [plant(base / side, {b"photos/keep": Node(b"1"), b"photos/Thumbs.db": Node()}) for side in Side]
        with (roots[0] / "photos/Thumbs.db").open("r+b") as impostor:
            impostor.truncate(38_000_000)
        (roots[1] / "photos/Thumbs.db").unlink()
        outcome = compared(*roots, rules=SHIPPED)
    found = outcome.at("photos/Thumbs.db")
    assert (found.cls, found.severity, found.rule) == (Class.MISSING, Severity.BLOCKER, "windows-thumbnail-cache")
    assert found.reason.endswith("named like a thumbnail cache, but 38 MB: kept as data")
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_an_impostor_that_came_along_is_identical() -> None:
    """What only has the name is compared like everything else."""
    both = [file("Thumbs.db", b"poems"), file("b")]
    assert reconciled(both, both, rules=SHIPPED).findings == ()


def test_an_impostor_may_be_relocated() -> None:
    """What is data can also have moved."""
    outcome = reconciled([file("Thumbs.db", b"poems")], [file("poems.txt", b"poems")], rules=SHIPPED)
    assert outcome.classes == {("Thumbs.db", "poems.txt"): Class.RELOCATED}


def test_a_claim_on_a_pair_has_to_hold_on_both_sides() -> None:
    """A cache on one side and something else of its name on the other is a change of content."""
    large = file("Thumbs.db", b"x" * HEAD_BYTES, size=38_000_000)
    for old, new in ((file("Thumbs.db", THUMBS), large), (large, file("Thumbs.db", THUMBS))):
        outcome = reconciled([old, file("b")], [new, file("b")], rules=SHIPPED)
        found = outcome.at("Thumbs.db")
        assert (found.cls, found.rule) == (Class.CONTENT_CHANGED, "windows-thumbnail-cache")
        assert "but 38 MB: kept as data" in found.reason


def test_a_folder_that_is_claimed_on_one_side_only_is_data() -> None:
    """Where the rule's partner is missing on one side, what lies in the folder on both sides is compared."""
    rules = under(rule("bin", guards=Guards(kind=Kind.DIRECTORY, partner=("{name}/mark",))))
    old = [file("bin/mark", b"m"), file("bin/letter", b"1"), file("b")]
    outcome = reconciled(old, [file("bin/letter", b"2"), file("b")], **rules)
    assert outcome.at("bin/letter").cls == Class.CONTENT_CHANGED
    assert outcome.at("bin/mark").cls == Class.CLUTTER


def test_a_keep_rule_that_holds_on_one_side_only_changes_nothing() -> None:
    """What is kept is compared, whether its rule has something to say about both sides or about one."""
    rules = under(rule("x", Action.KEEP, guards=Guards(max_size=3)))
    assert reconciled([file("x", b"12"), file("b")], [file("x", b"12345"), file("b")], **rules).classes == {
        ("x", "x"): Class.CONTENT_CHANGED
    }


def test_two_caches_that_differ_are_set_aside() -> None:
    """What both sides claim is not compared."""
    outcome = reconciled(
        [file("Thumbs.db", THUMBS), file("b")], [file("Thumbs.db", THUMBS + b"x"), file("b")], rules=SHIPPED
    )
    assert outcome.classes == {("Thumbs.db", "Thumbs.db"): Class.CLUTTER}


def test_clutter_counts_in_both_accounts() -> None:
    """Set aside is not unseen: every byte of it is in the account."""
    outcome = reconciled([file("x", b"123"), file("b")], [file("x", b"12345"), file("b")], **under(rule("x")))
    assert outcome.accounts[Side.OLD][Class.CLUTTER] == (1, 1, 3)
    assert outcome.accounts[Side.NEW][Class.CLUTTER] == (1, 1, 5)


def test_clutter_stands_for_nothing() -> None:
    """A file that is lost is not found again in what a rule set aside, on either side."""
    data = file("letter", b"dear")
    outcome = reconciled([data, file("b")], [file("x", b"dear"), file("b")], **under(rule("x")))
    assert outcome.classes == {("letter", None): Class.MISSING, (None, "x"): Class.CLUTTER}
    outcome = reconciled([file("x", b"dear"), file("b")], [data, file("b")], **under(rule("x")))
    assert outcome.classes == {("x", None): Class.CLUTTER, (None, "letter"): Class.EXTRA}


def test_a_folder_that_is_set_aside_takes_its_content_along() -> None:
    """What lies in a bin is in the bin, under the bin's rule, and needs a decision where it holds bytes."""
    old = [file("$RECYCLE.BIN/S-1/letter", b"dear"), file("$RECYCLE.BIN/empty", b""), file("b")]
    outcome = reconciled(old, [file("b")], rules=SHIPPED)
    assert {found.cls for found in outcome.findings} == {Class.CLUTTER}
    assert {found.rule for found in outcome.findings} == {"windows-bin"}
    assert {found.group_path for found in outcome.findings} == {"$RECYCLE.BIN"}
    assert {found.old_path for found in outcome.findings if found.decision} == {"$RECYCLE.BIN/S-1/letter"}


def test_what_is_only_on_the_new_side_needs_no_decision() -> None:
    """Decisions are about what would go with the old side."""
    outcome = reconciled([file("b")], [file("$RECYCLE.BIN/letter", b"dear"), file("b")], rules=SHIPPED)
    assert [found.decision for found in outcome.findings] == [False, False]


def test_a_keep_rule_keeps_what_another_would_set_aside() -> None:
    """A kept folder is data with everything in it."""
    rules = under(rule("x"), rule("archive", Action.KEEP))
    outcome = reconciled([file("archive/x", b"1"), file("x", b"2"), file("b")], [file("b")], **rules)
    assert outcome.at("archive/x").cls == Class.MISSING
    assert outcome.at("archive").cls == Class.MISSING
    assert outcome.at("x").cls == Class.CLUTTER


@pytest.mark.parametrize("action", [Action.KEEP])
def test_what_is_kept_is_compared_on_both_sides(action: Action) -> None:
    """Kept means: compared like everything else, identical where nothing differs."""
    rules = under(rule("x", action))
    assert reconciled([file("x")], [file("x")], **rules).findings == ()
    assert reconciled([file("x", b"1")], [file("x", b"2")], **rules).at("x").cls == Class.CONTENT_CHANGED


@pytest.mark.parametrize("sides", ["old", "new", "both"])
def test_a_report_rule_needs_a_look(sides: str) -> None:
    """A sign that something was open is set aside with attention, wherever it lies."""
    lock, rest = file(".~lock.notes.odt#", b",ada"), file("b")
    outcome = reconciled(
        [rest, *([lock] if sides != "new" else [])],
        [rest, *([lock._replace(digest=b"other" * 6 + b"32", mtime_ns=T0_NS + 1)] if sides != "old" else [])],
        rules=SHIPPED,
    )
    found = outcome.at(lock.path)
    assert (found.cls, found.severity) == (Class.CLUTTER, Severity.ATTENTION)
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY


def test_what_a_rule_claims_and_is_the_same_on_both_sides_is_identical() -> None:
    """The join comes first: two caches of the same content need no rule."""
    both = [file("x"), file("b")]
    outcome = reconciled(both, both, **under(rule("x")))
    assert outcome.accounts[Side.OLD][Class.IDENTICAL].files + outcome.accounts[Side.OLD][Class.CLUTTER].files == 2


def test_nothing_but_clutter_is_nothing_to_check() -> None:
    """An old side of which everything was set aside is not a success."""
    outcome = reconciled([file("x", b"1")], [file("x", b"2", mtime_ns=T0_NS + 1)], **under(rule("x")))
    assert outcome.verdict.kind is VerdictKind.INCONCLUSIVE


def test_a_silent_change_is_never_set_aside() -> None:
    """Bytes that changed under an unchanged size and time are damage, whatever the file is called."""
    old, new = file("x", b"1"), file("x", b"2")
    outcome = reconciled([old, file("b")], [new, file("b")], **under(rule("x")))
    found = outcome.at("x")
    assert (found.cls, found.cause, found.severity) == (Class.CONTENT_CHANGED, Cause.SILENT, Severity.BLOCKER)
    assert "may not set aside" in found.reason
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_guards_ask_each_side_about_itself() -> None:
    """A partner that exists on the other side only does not help."""
    rules = under(rule("*~", guards=Guards(partner=("{rest}",))))
    old = [file("notes~", b"1"), file("b")]
    outcome = reconciled(old, [file("notes", b"2"), file("b")], **rules)
    assert outcome.at("notes~").cls == Class.MISSING
    outcome = reconciled([*old, file("notes", b"2")], [file("notes", b"2"), file("b")], **rules)
    assert outcome.at("notes~").cls == Class.CLUTTER


def test_an_emptiness_guard_looks_into_its_own_side() -> None:
    """An empty folder is set aside, a full one is data."""
    rules = under(rule("lost+found", guards=Guards(kind=Kind.DIRECTORY, empty=True)))
    assert reconciled([folder("lost+found"), file("b")], [file("b")], **rules).at("lost+found").cls == Class.CLUTTER
    outcome = reconciled([file("lost+found/#12", b"1"), file("b")], [file("b")], **rules)
    assert set(outcome.classes.values()) == {Class.MISSING}
    assert "kept as data" in outcome.at("lost+found").reason


def test_links_and_special_names_can_be_clutter() -> None:
    """A rule may claim a link, which is then not compared by its target."""
    rules = under(rule(".#*", guards=Guards(kind=Kind.LINK)))
    outcome = reconciled(
        [link(".#notes", "ada@desk:1"), file("b")], [link(".#notes", "ada@desk:2"), file("b")], **rules
    )
    assert outcome.classes == {(".#notes", ".#notes"): Class.CLUTTER}


def test_a_changed_kind_is_not_hidden_by_a_rule_for_one_kind() -> None:
    """A rule that claims the file does not claim the folder in its place."""
    rules = under(rule("x", guards=Guards(kind=Kind.FILE)))
    outcome = reconciled([file("x"), file("b")], [folder("x"), file("b")], **rules)
    assert outcome.at("x").cls == Class.KIND_CHANGED


def test_damage_is_never_set_aside_by_a_name_alone() -> None:
    """Every rule that ships and sets aside by name alone is for folders, or says where it may; a test of the outcome.

    A file named like each shipped rule's pattern, with content of its own and nothing around it, keeps being data
    wherever the rule has a guard on content, size or surroundings.
    """
    guarded = [one for one in SHIPPED.rules if one.guards.leading_bytes or one.guards.partner]
    assert guarded
    for one in guarded:
        name = one.patterns[0].split("/")[-1].translate(str.maketrans("*?", "qq"))
        if "[" in name or one.guards.kind is Kind.DIRECTORY:
            continue
        outcome: Outcome = reconciled(
            [file(f"d/{name}", b"dear all"), file("b")], [folder("d"), file("b")], rules=SHIPPED
        )
        assert outcome.at(f"d/{name}").cls == Class.MISSING, one.name
