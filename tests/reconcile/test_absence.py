"""Absence needs proof: what a side could not list is never missing, and never taken for complete."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import entry, file, folder, reconciled, unlisted, unread
from verifier.classes import Class, Severity, Side, VerdictKind
from verifier.reconcile.options import PlaceMap
from verifier.rules.load import load_rules
from verifier.tree.entry import Kind, State
from verifier.tree.trouble import Problem

if TYPE_CHECKING:
    from tests.reconcile.trees import Outcome

NEVER: Final = {Class.MISSING, Class.EXTRA}
STOPPED: Final[dict[str, Any]] = {"listed": False, "complete": False, "interrupted": "stopped before the end"}
MOUNT: Final = "a mount point: not entered without --cross-mounts"
NOT_LISTED: Final = Problem("", "list", "changed while listing", 3, "2026-11-20T20:00:00+00:00")


def is_open(outcome: Outcome) -> bool:
    """Tell whether nothing is claimed to be lost and the verdict is inconclusive."""
    return not outcome.of(Class.MISSING) and outcome.verdict.kind is VerdictKind.INCONCLUSIVE


def test_a_folder_that_the_new_side_could_not_list_loses_nothing() -> None:
    """Everything in it is unreadable at every depth: whether it is there is not known."""
    old = [file("a/one"), file("a/b/two"), file("c")]
    outcome = reconciled(old, [unlisted("a"), file("c")])
    assert {path: outcome.at(path).cls for path in ("a", "a/one", "a/b", "a/b/two")} == dict.fromkeys(
        ("a", "a/one", "a/b", "a/b/two"), Class.UNREADABLE
    )
    assert "whether the new side has it is not known: a was not listed (EACCES: list)" in outcome.at("a/b/two").reason
    assert is_open(outcome)


def test_a_folder_that_the_old_side_could_not_list_hides_nothing() -> None:
    """What the new side has in it is not extra: whether the old side has it is not known."""
    outcome = reconciled([unlisted("a"), file("c")], [file("a/one"), file("c")])
    assert outcome.classes == {("a", "a"): Class.UNREADABLE, (None, "a/one"): Class.UNREADABLE}
    assert "whether the old side has it is not known" in outcome.at("a/one").reason
    assert is_open(outcome)


def test_a_folder_that_neither_side_could_list() -> None:
    """Two unlisted folders are not an identical pair."""
    outcome = reconciled([unlisted("a"), file("c")], [unlisted("a"), file("c")])
    assert outcome.classes == {("a", "a"): Class.UNREADABLE}
    assert is_open(outcome)


def test_an_unlisted_folder_speaks_for_itself_only() -> None:
    """Names that merely begin alike are not in it: their absence is shown."""
    old = [file(path) for path in ("a/x", "ab", "a-b", "a0", "a0/x", "b/a/x")]
    outcome = reconciled([*old, folder("a")], [unlisted("a")])
    missing = {paths[0] for paths in outcome.of(Class.MISSING)}
    assert missing == {"ab", "a-b", "a0", "a0/x", "b", "b/a", "b/a/x"}


def test_what_is_found_elsewhere_is_found_all_the_same() -> None:
    """Content that lies at another place is relocated, even if its own folder could not be listed."""
    outcome = reconciled([file("a/one", b"1"), file("c")], [unlisted("a"), file("one", b"1"), file("c")])
    assert outcome.at("a/one").cls == Class.RELOCATED


def test_a_listing_that_did_not_reach_its_end_misses_nothing() -> None:
    """Of a new side that was not listed to its end nothing can be said to be missing."""
    outcome = reconciled([file("a"), file("b/c"), file("d")], [file("a")], new_facts=STOPPED)
    assert outcome.of(Class.UNREADABLE) == [("b", None), ("b/c", None), ("d", None)]
    assert "its listing did not reach the end" in outcome.at("d").reason
    assert is_open(outcome)
    assert outcome.verdict.reasons[0].startswith("the scan of the new side is incomplete")


def test_of_an_old_side_that_was_not_listed_nothing_is_extra() -> None:
    """Of an old side that was not listed to its end nothing new can be said to be extra."""
    outcome = reconciled([file("a")], [file("a"), file("b")], old_facts=STOPPED)
    assert outcome.classes == {(None, "b"): Class.UNREADABLE}
    assert is_open(outcome)


def test_an_interrupted_reading_after_a_whole_listing_is_incomplete() -> None:
    """A side that was listed and not read through is never trustworthy, even if what was read agrees."""
    facts = {"complete": False, "interrupted": "stopped before the end"}
    outcome = reconciled([file("a"), file("b")], [file("a"), unread(file("b"))], new_facts=facts)
    assert outcome.classes == {("b", "b"): Class.UNPROVEN}
    assert is_open(outcome)
    missing = reconciled([file("a"), file("b")], [file("a")], new_facts=facts)
    assert missing.classes == {("b", None): Class.MISSING}


@pytest.mark.parametrize("side", list(Side))
def test_a_root_whose_listing_kept_changing(side: Side) -> None:
    """Where the root itself could not be listed at rest, no absence is shown on either side."""
    problems: dict[str, Any] = {f"{side}_problems": [NOT_LISTED]}
    outcome = reconciled([file("a"), file("old")], [file("a"), file("new", b"other")], **problems)
    absent = "new" if side is Side.OLD else "old"
    assert outcome.at(absent).cls == Class.UNREADABLE
    assert "the root was not listed" in outcome.at(absent).reason
    assert outcome.verdict.kind is not VerdictKind.TRUSTWORTHY


@pytest.mark.parametrize("state", [State.UNREADABLE, State.UNSETTLED, State.LISTED])
@pytest.mark.parametrize("side", list(Side))
def test_no_state_of_an_unlisted_folder_is_taken_for_listed(state: State, side: Side) -> None:
    """Could not list, kept changing, was not entered: three reasons, and in none is the folder identical."""
    pair = [[file("c"), folder("a")], [file("c"), unlisted("a", "reason", state)]]
    outcome = reconciled(*(pair if side is Side.NEW else reversed(pair)))
    assert outcome.at("a").severity == Severity.INCONCLUSIVE
    assert is_open(outcome)


def test_a_mount_that_was_not_crossed_loses_nothing() -> None:
    """A mount point that was not entered on one side says nothing about what is in it."""
    old = [file("c"), file("m/x")]
    outcome = reconciled(old, [file("c"), unlisted("m", MOUNT, State.LISTED)])
    assert outcome.classes == {("m", "m"): Class.UNREADABLE, ("m/x", None): Class.UNREADABLE}
    assert "--cross-mounts" in outcome.at("m/x").reason
    assert is_open(outcome)


def test_a_mount_that_was_crossed_on_neither_side() -> None:
    """A mount point on both sides was not checked, and is not identical."""
    mount = unlisted("m", MOUNT, State.LISTED)
    outcome = reconciled([file("c"), mount], [file("c"), mount])
    assert outcome.classes == {("m", "m"): Class.UNREADABLE}
    assert is_open(outcome)


@pytest.mark.parametrize("side", list(Side))
def test_a_mount_on_one_side_only(side: Side) -> None:
    """A mount point that the other side does not have was not entered, so what it holds is not known."""
    with_it, without = [file("c"), unlisted("m", MOUNT, State.LISTED)], [file("c")]
    outcome = reconciled(*((with_it, without) if side is Side.OLD else (without, with_it)))
    assert outcome.at("m").cls == Class.UNREADABLE
    assert is_open(outcome)


def test_what_a_rule_keeps_the_scan_out_of_is_set_aside() -> None:
    """Not entered because a rule says so: clutter on both sides, also where one scan did enter it."""
    rules = load_rules()
    snapshots = unlisted(".snapshot", "not entered: rule snapshot-folder", State.LISTED)
    outcome = reconciled([file("c"), snapshots], [file("c"), snapshots], rules=rules)
    assert outcome.classes == {(".snapshot", ".snapshot"): Class.CLUTTER}
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY
    outcome = reconciled([file("c"), file(".snapshot/hourly/c", b"1")], [file("c"), snapshots], rules=rules)
    assert set(outcome.classes.values()) == {Class.CLUTTER}
    outcome = reconciled([file("c"), snapshots], [file("c")], rules=rules)
    assert outcome.classes == {(".snapshot", None): Class.CLUTTER}


def test_what_was_not_entered_is_not_known_without_the_rule() -> None:
    """Manifests that were made under a rule and are reconciled without it prove nothing about the folder."""
    snapshots = unlisted(".snapshot", "not entered: rule snapshot-folder", State.LISTED)
    outcome = reconciled([file("c"), file(".snapshot/c", b"1")], [file("c"), snapshots])
    assert set(outcome.classes.values()) == {Class.UNREADABLE}
    assert is_open(outcome)


def test_a_name_that_could_not_be_looked_at() -> None:
    """A name of which not even the kind is known is unreadable, whatever the other side has there."""
    strange = entry("a", Kind.UNKNOWN, state=State.UNREADABLE.value, error="EACCES: stat")
    for old, new in (([file("a")], [strange]), ([strange], [file("a")]), ([strange], [strange])):
        outcome = reconciled([*old, file("c")], [*new, file("c")])
        assert outcome.classes == {("a", "a"): Class.UNREADABLE}
        assert is_open(outcome)


# ---- In connection with names and places that changed


def test_an_unlisted_folder_under_a_map() -> None:
    """A map does not turn what is not known into what is missing or extra."""
    maps = (PlaceMap("a", "b"),)
    outcome = reconciled([file("a/x"), file("c")], [unlisted("b"), file("c")], maps=maps)
    assert outcome.at("a/x").cls == Class.UNREADABLE
    assert is_open(outcome)
    outcome = reconciled([unlisted("a"), file("c")], [file("b/x"), file("c")], maps=maps)
    assert outcome.at("b/x").cls == Class.UNREADABLE
    assert is_open(outcome)


def test_an_unlisted_folder_under_an_altered_name_on_the_new_side() -> None:
    """A folder that nearly has the name and could not be listed may hold everything: nothing is missing."""
    outcome = reconciled([file("Docs/x"), file("c")], [unlisted("docs"), file("c")])
    assert outcome.at("Docs/x").cls == Class.UNREADABLE
    assert is_open(outcome)


@pytest.mark.parametrize("state", [State.UNREADABLE, State.UNSETTLED, State.LISTED])
def test_an_unlisted_folder_under_an_altered_name_on_the_old_side(state: State) -> None:
    """A folder of the old side that could not be listed is not settled by one that nearly has its name."""
    outcome = reconciled([unlisted("Docs", "reason", state), file("c")], [file("docs/x"), file("c")])
    assert outcome.verdict.kind is VerdictKind.INCONCLUSIVE
    assert outcome.at("Docs").severity == Severity.INCONCLUSIVE


def test_an_unlisted_empty_looking_folder_under_an_altered_name() -> None:
    """Two folders that nearly share a name, of which one could not be listed, do not make a trustworthy copy."""
    outcome = reconciled([unlisted("Docs"), file("c")], [folder("docs"), file("c")])
    assert outcome.verdict.kind is VerdictKind.INCONCLUSIVE
    outcome = reconciled([folder("Docs"), file("c")], [unlisted("docs"), file("c")])
    assert outcome.verdict.kind is VerdictKind.INCONCLUSIVE


@pytest.mark.parametrize("to", ["x/one", "y/one"], ids=["moved", "dissolved"])
def test_a_folder_that_kept_changing_is_not_settled_by_a_move(to: str) -> None:
    """What is known of an unsettled folder may have moved; what was not seen in it stays unknown."""
    unsettled = unlisted("a", "changed while it was being listed", State.UNSETTLED)
    old = [unsettled, file("a/one", b"1"), file("c"), folder("y")]
    outcome = reconciled(old, [file(to, b"1"), file("c"), folder("y")])
    assert outcome.at("a/one").cls == Class.RELOCATED
    assert outcome.at("a").cls != Class.RELOCATED
    assert outcome.verdict.kind is not VerdictKind.TRUSTWORTHY


def test_an_unlisted_folder_of_the_old_side_that_the_new_one_does_not_have() -> None:
    """A folder that is gone, and whose content nobody knows, never passes in silence."""
    outcome = reconciled([unlisted("a"), file("c")], [file("c")])
    assert outcome.at("a").cls in (Class.MISSING, Class.UNREADABLE)
    assert outcome.verdict.kind is not VerdictKind.TRUSTWORTHY
