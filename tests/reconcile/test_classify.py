"""One pair, or one entry alone, into its class: states, kinds, causes, gates."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from tests.reconcile.trees import SECOND_NS, T0_NS, entry, file, folder, link, reconciled, unlisted, unread
from verifier.classes import Cause, Class, Field, Severity, Side, VerdictKind
from verifier.reconcile.classify import Bench
from verifier.reconcile.compared import Comparison
from verifier.rules.matcher import Claim
from verifier.rules.rule import Action, Policy, Rule, RuleSet
from verifier.tree.entry import KIND_WORDS, Entry, Kind, State

LATER: Final = T0_NS + 10 * SECOND_NS
EARLIER: Final = T0_NS - 10 * SECOND_NS
CONTENT_STATES: Final = [State.LISTED, State.UNREADABLE, State.UNSETTLED]
OF_STATE: Final = {
    State.LISTED: Class.UNPROVEN,
    State.UNREADABLE: Class.UNREADABLE,
    State.UNSETTLED: Class.UNSETTLED,
}


def judged(old: Entry, new: Entry, **options: Any) -> tuple[str, str | None]:
    """Reconcile two entries at one place, beside one that is identical; return class and cause."""
    outcome = reconciled([old, file("anchor")], [new, file("anchor")], **options)
    found = outcome.at(old.path)
    return found.cls, found.cause


# ---- Content that is not known


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("state", CONTENT_STATES)
def test_content_that_is_not_known_is_never_good(state: State, side: Side) -> None:
    """Listed only, unreadable, unsettled: each has its own class, each makes the run inconclusive."""
    known = file("a")
    pair = [known, unread(known, state, "why not")]
    outcome = reconciled(*([one, file("b")] for one in (pair if side is Side.NEW else reversed(pair))))
    found = outcome.at("a")
    assert (found.cls, found.severity) == (OF_STATE[state], Severity.INCONCLUSIVE)
    assert f"{side} side: why not" in found.reason
    assert outcome.verdict.kind is VerdictKind.INCONCLUSIVE


def test_a_listing_of_both_sides_proves_nothing() -> None:
    """Names and sizes that agree are unproven."""
    both = unread(file("a"))
    outcome = reconciled([both], [both], old_facts={"listing_only": True}, new_facts={"listing_only": True})
    assert outcome.classes == {("a", "a"): Class.UNPROVEN}
    assert "listed only, not read" in outcome.at("a").reason
    assert outcome.verdict.kind is VerdictKind.INCONCLUSIVE


@pytest.mark.parametrize("state", [State.LISTED, State.UNREADABLE])
@pytest.mark.parametrize("both", [True, False])
def test_sizes_that_differ_are_changed_content_even_unread(state: State, both: bool) -> None:
    """Two sizes cannot be the same bytes, whether anything was read or not."""
    old, new = file("a", b"123"), unread(file("a", b"1234"), state, "x")
    outcome = reconciled([unread(old) if both else old], [new])
    assert outcome.at("a").cls == Class.CONTENT_CHANGED
    assert "sizes differ, 3 bytes on the old side, 4 on the new" in outcome.at("a").reason
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_a_file_that_lost_all_its_bytes_is_empty_even_unread() -> None:
    """A size of zero is known without reading."""
    assert judged(unread(file("a", b"123")), unread(file("a", b""))) == (Class.CONTENT_CHANGED, Cause.EMPTY)


def test_a_size_that_was_read_while_it_changed_is_no_proof() -> None:
    """Of an unsettled file the size is one of several, so a difference proves nothing."""
    assert judged(file("a", b"123"), unread(file("a", b"1234"), State.UNSETTLED, "x"))[0] == Class.UNSETTLED


def test_content_carried_over_counts_as_known() -> None:
    """A digest that was taken over from an earlier manifest is compared like one that was read."""
    old, new = file("a", state=State.CARRIED.value), file("a")
    assert reconciled([old], [new]).findings == ()
    assert judged(old, file("a", b"other!!"))[0] == Class.CONTENT_CHANGED


def test_unreadable_outweighs_unsettled_and_unproven() -> None:
    """Of two reasons for not knowing, the graver names the class, and both are told."""
    old, new = unread(file("a"), State.UNSETTLED, "moves"), unread(file("a"), State.UNREADABLE, "EIO: read")
    outcome = reconciled([old], [new])
    assert outcome.at("a").cls == Class.UNREADABLE
    assert outcome.at("a").reason == "old side: moves; new side: EIO: read"


def test_an_unread_file_that_is_gone_is_missing_and_says_so() -> None:
    """A file that is on the old side only is missing, also if it could not be read there."""
    outcome = reconciled([unread(file("a"), State.UNREADABLE, "EIO: read"), file("b")], [file("b")])
    assert outcome.at("a").cls == Class.MISSING
    assert "its own content was not read (EIO: read)" in outcome.at("a").reason


def test_an_unsettled_file_on_one_side_only_is_unsettled() -> None:
    """What was still moving while it was read has no final place to be missing from."""
    outcome = reconciled([unread(file("a"), State.UNSETTLED, "it moves"), file("b")], [file("b")])
    assert outcome.at("a").cls == Class.UNSETTLED
    outcome = reconciled([file("b")], [unread(file("a"), State.UNSETTLED, "it moves"), file("b")])
    assert outcome.at("a").cls == Class.UNSETTLED


def test_an_unreadable_file_on_the_new_side_only_is_unreadable() -> None:
    """What could not be read on the new side may be what is missing from it: nothing is settled by it."""
    outcome = reconciled([file("b")], [unread(file("a"), State.UNREADABLE, "EACCES: open"), file("b")])
    assert outcome.at("a").cls == Class.UNREADABLE
    assert outcome.verdict.kind is VerdictKind.INCONCLUSIVE


# ---- Kinds, links, devices

SAMPLES: Final[dict[Kind, Entry]] = {
    Kind.FILE: file("a"),
    Kind.DIRECTORY: folder("a"),
    Kind.LINK: link("a", "content"),
    Kind.FIFO: entry("a", Kind.FIFO),
    Kind.SOCKET: entry("a", Kind.SOCKET),
    Kind.CHAR_DEVICE: entry("a", Kind.CHAR_DEVICE, target="1:3"),
    Kind.BLOCK_DEVICE: entry("a", Kind.BLOCK_DEVICE, target="1:3"),
}
UNLIKE: Final = [(old, new) for old in SAMPLES for new in SAMPLES if old != new]


@pytest.mark.parametrize(("old", "new"), UNLIKE)
def test_every_two_kinds_at_one_place_are_a_changed_kind(old: Kind, new: Kind) -> None:
    """A file on one side and anything else on the other blocks trust, whatever else agrees."""
    outcome = reconciled([SAMPLES[old], file("b")], [SAMPLES[new], file("b")])
    assert (outcome.at("a").cls, outcome.at("a").severity) == (Class.KIND_CHANGED, Severity.BLOCKER)
    was, now = (KIND_WORDS.get(kind, kind) for kind in (old, new))
    assert outcome.at("a").reason == f"a {was} on the old side, a {now} on the new"


def test_what_lay_in_a_folder_that_became_a_file_is_missing() -> None:
    """A changed kind does not swallow what was inside."""
    outcome = reconciled([file("a/x", b"1")], [file("a", b"2")])
    assert outcome.classes == {("a", "a"): Class.KIND_CHANGED, ("a/x", None): Class.MISSING}


def test_a_changed_kind_is_known_without_reading() -> None:
    """Kinds are known from the listing."""
    assert judged(unread(file("a")), folder("a"))[0] == Class.KIND_CHANGED
    assert judged(unlisted("a"), file("a"))[0] == Class.KIND_CHANGED


@pytest.mark.parametrize(
    ("changes", "cause"),
    [
        ({}, Cause.SILENT),
        ({"mtime_ns": EARLIER}, Cause.STALE),
        ({"mtime_ns": LATER}, Cause.NEWER),
    ],
)
def test_another_target_is_another_content(changes: dict[str, Any], cause: Cause) -> None:
    """A link's content is its target's text; whether the target exists plays no part."""
    assert judged(link("a", "one"), link("a", "two", **changes)) == (Class.CONTENT_CHANGED, cause)


def test_targets_of_different_length_are_not_silent() -> None:
    """Silent means same size and same time; a longer target shows."""
    assert judged(link("a", "one"), link("a", "three")) == (Class.CONTENT_CHANGED, Cause.OTHER)


@pytest.mark.parametrize("kind", [Kind.CHAR_DEVICE, Kind.BLOCK_DEVICE])
def test_other_device_numbers_are_another_content(kind: Kind) -> None:
    """A device node is its numbers."""
    outcome = reconciled([entry("a", kind, target="8:1"), file("b")], [entry("a", kind, target="8:2"), file("b")])
    assert outcome.at("a").cls == Class.CONTENT_CHANGED
    assert "device numbers differ: 8:1 on the old side, 8:2 on the new" in outcome.at("a").reason


# ---- Causes, from manifests alone


@pytest.mark.parametrize(
    ("old", "new", "changes", "cause"),
    [
        pytest.param(b"123", b"", {}, Cause.EMPTY, id="empty"),
        pytest.param(b"123", b"", {"mtime_ns": EARLIER}, Cause.EMPTY, id="empty comes before stale"),
        pytest.param(b"123", b"12", {}, Cause.TRUNCATED, id="truncated"),
        pytest.param(b"123", b"12", {"mtime_ns": LATER}, Cause.TRUNCATED, id="truncated comes before newer"),
        pytest.param(b"x" * 40, b"x" * 16, {}, Cause.TRUNCATED, id="truncated to what the manifest keeps"),
        pytest.param(b"123", b"13", {}, Cause.OTHER, id="shorter and other"),
        pytest.param(b"x" * 600, bytes(600), {}, Cause.ZERO_FILLED, id="zero-filled comes before silent"),
        pytest.param(b"x" * 600, bytes(600), {"mtime_ns": EARLIER}, Cause.ZERO_FILLED, id="zeros before stale"),
        pytest.param(b"123", b"124", {}, Cause.SILENT, id="silent"),
        pytest.param(b"123", b"124", {"mtime_ns": EARLIER}, Cause.STALE, id="stale"),
        pytest.param(b"123", b"124", {"mtime_ns": LATER}, Cause.NEWER, id="newer"),
        pytest.param(b"123", b"1234", {}, Cause.OTHER, id="longer at the same time"),
        pytest.param(b"123", b"1234", {"mtime_ns": EARLIER}, Cause.STALE, id="longer and older"),
        pytest.param(b"", b"1", {}, Cause.OTHER, id="from nothing"),
    ],
)
def test_the_first_cause_that_holds_is_given(old: bytes, new: bytes, changes: dict[str, Any], cause: Cause) -> None:
    """empty, truncated, zero-filled, silent, stale, newer, other: in this order."""
    assert judged(file("a", old), file("a", new, **changes)) == (Class.CONTENT_CHANGED, cause)


def test_a_silent_change_is_the_same_size_and_time_and_nothing_else() -> None:
    """Modes and owners may differ as they like."""
    assert judged(file("a", b"1"), file("a", b"2", mode=0, uid=9, gid=9)) == (Class.CONTENT_CHANGED, Cause.SILENT)


def test_a_large_file_cut_at_a_segment_is_seen_from_the_manifests() -> None:
    """Digests of whole segments that agree show that the new file is the old one's beginning."""
    segment = 64 * 2**20
    old = file("a", size=3 * segment, segments=b"1" * 16 + b"2" * 16 + b"3" * 16)
    new = file("a", b"n", size=2 * segment, segments=b"1" * 16 + b"2" * 16)
    assert judged(old, new) == (Class.CONTENT_CHANGED, Cause.TRUNCATED)
    other = new._replace(segments=b"1" * 16 + b"9" * 16)
    assert judged(old, other) == (Class.CONTENT_CHANGED, Cause.OTHER)


# ---- Time gates

GATE: Final = T0_NS + 100 * SECOND_NS
AFTER: Final = GATE + 1


def test_what_changed_on_the_old_side_after_it_was_frozen_is_drift() -> None:
    """Still to be copied: noted, not a fault of the copy."""
    outcome = reconciled([file("a", b"1", mtime_ns=AFTER), file("b")], [file("a", b"2"), file("b")], frozen_at_ns=GATE)
    assert (outcome.at("a").cls, outcome.at("a").cause, outcome.at("a").severity) == (Class.DRIFT, None, Severity.NOTE)
    assert "still to be copied" in outcome.at("a").reason
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY


def test_what_changed_on_the_new_side_since_people_work_there_is_drift() -> None:
    """Expected, and said so."""
    found = reconciled([file("a", b"1")], [file("a", b"22", mtime_ns=AFTER)], live_since_ns=GATE).at("a")
    assert (found.cls, found.cause) == (Class.DRIFT, None)
    assert "expected" in found.reason


def test_what_changed_on_the_new_side_is_not_said_to_have_changed_on_the_old() -> None:
    """The reasons of a trustworthy copy name the side that moved on: only the old side's changes are still to copy."""
    both = [file("b")]
    outcome = reconciled([file("a", b"1"), *both], [file("a", b"22", mtime_ns=AFTER), *both], live_since_ns=GATE)
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY
    assert not [reason for reason in outcome.verdict.reasons if "old side changed" in reason]


def test_a_gate_before_everything_does_not_make_a_copy_of_nothing_trustworthy() -> None:
    """With a gate that lies too early every loss is drift: no file was compared, and that is not success."""
    outcome = reconciled([file("a"), file("b", b"2")], [file("other", b"3")], frozen_at_ns=0)
    assert outcome.accounts[Side.OLD][Class.DRIFT].files == 2
    assert outcome.verdict.kind is not VerdictKind.TRUSTWORTHY


@pytest.mark.parametrize("gate", ["frozen_at_ns", "live_since_ns"])
def test_a_gate_is_about_its_own_side_only(gate: str) -> None:
    """A late time on the side that the gate is not about excuses nothing."""
    late = {"frozen_at_ns": (T0_NS, AFTER), "live_since_ns": (AFTER, T0_NS)}[gate]
    old, new = file("a", b"1", mtime_ns=late[0]), file("a", b"2", mtime_ns=late[1])
    assert judged(old, new, **{gate: GATE})[0] == Class.CONTENT_CHANGED


@pytest.mark.parametrize(("mtime_ns", "cls"), [(GATE, Class.CONTENT_CHANGED), (GATE + 1, Class.DRIFT)])
def test_a_gate_opens_after_its_instant(mtime_ns: int, cls: Class) -> None:
    """What was changed at the very instant was there at the instant."""
    assert judged(file("a", b"1", mtime_ns=mtime_ns), file("a", b"2"), frozen_at_ns=GATE)[0] == cls
    assert judged(file("a", b"1"), file("a", b"2", mtime_ns=mtime_ns), live_since_ns=GATE)[0] == cls


@pytest.mark.parametrize("new", [b"2", bytes(1)], ids=["silent", "zero-filled"])
def test_a_silent_change_beats_both_gates(new: bytes) -> None:
    """Bytes that changed while size and time stayed the same are never expected."""
    old = file("a", b"1", mtime_ns=AFTER)
    changed = file("a", new, mtime_ns=AFTER)
    gates: dict[str, Any] = {"frozen_at_ns": GATE, "live_since_ns": GATE}
    outcome = reconciled([old, file("b")], [changed, file("b")], **gates)
    assert (outcome.at("a").cls, outcome.at("a").severity) == (Class.CONTENT_CHANGED, Severity.BLOCKER)
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_what_appeared_on_the_old_side_after_it_was_frozen_is_drift() -> None:
    """Absent because it was not there yet: still to be copied."""
    outcome = reconciled([file("a", mtime_ns=AFTER), file("b")], [file("b")], frozen_at_ns=GATE)
    assert outcome.classes == {("a", None): Class.DRIFT}
    assert reconciled([file("a", mtime_ns=GATE), file("b")], [file("b")], frozen_at_ns=GATE).of(Class.MISSING)


def test_what_appeared_on_the_new_side_since_people_work_there_is_drift() -> None:
    """New work, expected."""
    outcome = reconciled([file("b")], [file("a", mtime_ns=AFTER), file("b")], live_since_ns=GATE)
    assert outcome.classes == {(None, "a"): Class.DRIFT}
    assert reconciled([file("b")], [file("a"), file("b")], live_since_ns=GATE).classes == {(None, "a"): Class.EXTRA}


def test_a_lost_folder_is_never_drift() -> None:
    """A folder's time moves with everything that happens in it, so it shows nothing about the folder."""
    outcome = reconciled([folder("a", mtime_ns=AFTER), file("b")], [file("b")], frozen_at_ns=GATE)
    assert outcome.classes == {("a", None): Class.MISSING}


@pytest.mark.parametrize(("old", "new"), UNLIKE[:12])
def test_a_changed_kind_is_never_excused(old: Kind, new: Kind) -> None:
    """No gate turns a file into a folder."""
    entries = [SAMPLES[kind]._replace(mtime_ns=AFTER) for kind in (old, new)]
    assert judged(*entries, frozen_at_ns=GATE, live_since_ns=GATE)[0] == Class.KIND_CHANGED


def test_a_gate_does_not_settle_what_was_not_read() -> None:
    """A late file whose content is not known is still not known."""
    old = file("a", mtime_ns=AFTER)
    assert judged(old, unread(old, State.UNREADABLE, "EIO: read"), frozen_at_ns=GATE)[0] == Class.UNREADABLE


def test_links_and_gates() -> None:
    """A link that was made anew after a gate is drift as a file would be."""
    assert judged(link("a", "one", mtime_ns=AFTER), link("a", "two"), frozen_at_ns=GATE)[0] == Class.DRIFT


def test_a_late_file_with_the_same_content_is_not_drift() -> None:
    """Drift is about what changed; a late time alone is metadata."""
    assert judged(file("a", mtime_ns=AFTER), file("a"), frozen_at_ns=GATE)[0] == Class.METADATA_ONLY


# ---- Policy


def test_a_policy_changes_the_severity_of_a_class() -> None:
    """A site may weigh a class otherwise; the verdict follows."""
    rules = RuleSet(policy=Policy({Class.EXTRA: Severity.BLOCKER}))
    outcome = reconciled([file("a")], [file("a"), file("b")], rules=rules)
    assert outcome.at("b").severity == Severity.BLOCKER
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_a_policy_weighs_metadata_fields_and_the_heaviest_counts() -> None:
    """A site may care about modes and not about times; of several fields the heaviest decides."""
    policy = Policy(fields={Field.MODE: Severity.BLOCKER, Field.MTIME: Severity.NONE})
    old = file("a")
    for changes, severity in (
        ({"mode": 0}, Severity.BLOCKER),
        ({"mtime_ns": LATER}, Severity.NONE),
        ({"mtime_ns": LATER, "mode": 0}, Severity.BLOCKER),
        ({"mtime_ns": LATER, "uid": 5}, Severity.NOTE),
    ):
        outcome = reconciled([old], [old._replace(**changes)], rules=RuleSet(policy=policy))  # type: ignore[arg-type]
        assert outcome.at("a").severity == severity


# ---- Rules and content

CHANGES: Final[dict[str, tuple[Entry, Entry]]] = {
    "silent": (file("a", b"1"), file("a", b"3")),
    "zero-filled at the same time": (file("a", b"x" * 600), file("a", bytes(600))),
}
"""Bytes that changed while size and time stayed the same."""


def ruled(action: Action) -> RuleSet:
    """Return a rule for one name, and nothing else."""
    return RuleSet((Rule("invented", ("a",), "cache", "somebody", action, "invented"),))


@pytest.mark.parametrize("action", list(Action))
@pytest.mark.parametrize("change", CHANGES)
def test_no_action_of_a_rule_hides_a_silent_change(change: str, action: Action) -> None:
    """Set aside, reported, kept, not entered: bytes that changed under an unchanged size and time stay a blocker."""
    old, new = CHANGES[change]
    gates: dict[str, Any] = {"frozen_at_ns": 0, "live_since_ns": 0}
    outcome = reconciled([old, file("b")], [new, file("b")], rules=ruled(action), **gates)
    assert (outcome.at("a").cls, outcome.at("a").severity) == (Class.CONTENT_CHANGED, Severity.BLOCKER)
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert outcome.to_copy == (b"./a",)


@pytest.mark.parametrize(
    "new",
    [file("a", b"12"), file("a", b"3", mtime_ns=LATER), file("a", b"3", mtime_ns=EARLIER), folder("a")],
    ids=["another size", "later", "earlier", "a folder"],
)
def test_a_rule_sets_aside_what_shows(new: Entry) -> None:
    """A cache that was written anew, or became something else, is what the rule is there for."""
    outcome = reconciled([file("a", b"1"), file("b")], [new, file("b")], rules=ruled(Action.SET_ASIDE))
    assert outcome.at("a").cls == Class.CLUTTER


def test_a_policy_is_heard_under_a_shift_of_times() -> None:
    """A site that weighs times as blockers gets them weighed so, systematic or not."""
    rules = RuleSet(policy=Policy(fields={Field.MTIME: Severity.BLOCKER}))
    old = [file(f"{n:02}", str(n).encode()) for n in range(12)]
    outcome = reconciled(old, [one._replace(mtime_ns=LATER + 3590 * SECOND_NS) for one in old], rules=rules)
    assert len(outcome.explained) == 12
    assert {found.severity for found in outcome.findings} == {Severity.BLOCKER}


SHIFT: Final = 3600 * SECOND_NS
BENCH: Final = Bench(Comparison(frozenset(Field), (), 0), Policy(), shifts_ns=(SHIFT,))
SET_ASIDE: Final = Claim(ruled(Action.SET_ASIDE).rules[0], "a", True, "why")
FAILED: Final = Claim(ruled(Action.SET_ASIDE).rules[0], "a", False, "why")
KEPT: Final = Claim(ruled(Action.KEEP).rules[0], "a", True, "why")


@pytest.mark.parametrize(
    ("old", "new", "claim", "gates", "needed"),
    [
        pytest.param(file("a", b"1"), file("a", b"1"), None, {}, False, id="the same bytes"),
        pytest.param(file("a", b"1"), file("a", b"3"), None, {}, True, id="other bytes"),
        pytest.param(file("a", b"1"), file("a", b"22"), None, {}, True, id="another size"),
        pytest.param(unread(file("a", b"1")), file("a", b"22"), None, {}, False, id="not read on one side"),
        pytest.param(folder("a"), file("a"), None, {}, False, id="another kind"),
        pytest.param(link("a", "x"), link("a", "y"), None, {}, False, id="links"),
        pytest.param(file("a", b"1"), file("a", b"22"), SET_ASIDE, {}, False, id="set aside"),
        pytest.param(file("a", b"1"), file("a", b"3"), SET_ASIDE, {}, True, id="silent, set aside"),
        pytest.param(file("a", b"1"), file("a", b"22"), FAILED, {}, True, id="a rule whose guards do not hold"),
        pytest.param(file("a", b"1"), file("a", b"22"), KEPT, {}, True, id="kept"),
        pytest.param(file("a", b"1"), file("a", b"22"), None, {"frozen_at_ns": 0}, False, id="drift of the old side"),
        pytest.param(file("a", b"1"), file("a", b"22"), None, {"live_since_ns": 0}, False, id="drift of the new side"),
        pytest.param(file("a", b"1"), file("a", b"3"), None, {"live_since_ns": 0}, True, id="silent, gate open"),
        pytest.param(
            file("a", b"1"),
            file("a", b"3", mtime_ns=T0_NS + SHIFT),
            SET_ASIDE,
            {"frozen_at_ns": 0, "live_since_ns": 0},
            True,
            id="silent under a shift, everything open",
        ),
    ],
)
def test_files_are_looked_at_again_where_content_is_to_be_reported(
    old: Entry, new: Entry, claim: Claim | None, gates: dict[str, int], needed: bool
) -> None:
    """Reading again costs time: only for what would be reported, and always for what was silent."""
    bench = replace(BENCH, **gates)  # type: ignore[arg-type]
    assert bench.needs_look(old, new, claim) is needed
    told = bench.same_place(old, new, claim)
    if needed:
        assert told.cls is Class.CONTENT_CHANGED
    elif old.kind == new.kind == Kind.FILE and old.content_known:
        assert told.cls is not Class.CONTENT_CHANGED
