"""What an exception covers: the findings it was given for, as long as they are what they were, and nothing else."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from time import process_time
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings

from tests.decisions.checks import DAY, NOON, Checks
from tests.reconcile.test_laws import sides
from tests.reconcile.trees import (
    SECOND_NS,
    T0_NS,
    entry,
    file,
    folder,
    link,
    scratch,
    unlisted,
    unread,
)
from verifier.classes import Cause, Class, Field, Side, VerdictKind
from verifier.decisions.covering import accept, cover
from verifier.decisions.exceptions import Exceptions, Wanted, Withdrawal
from verifier.decisions.schema import OF_FINDING
from verifier.errors import UsageProblem
from verifier.evidence import FINDINGS_FILE, MANIFEST_FILES
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import ACCEPTED, Findings, Tally
from verifier.rules.load import load_rules
from verifier.tree.entry import Kind, State
from verifier.trial import try_rules

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from tests.decisions.checks import Paths
    from verifier.reconcile.findings import Finding
    from verifier.tree.entry import Entry

Tree = list["Entry"]
SAME: Final = file("same")
ACL: Final = "system.posix_acl_access"


def test_what_is_accepted_stands_apart_and_no_longer_in_the_way(checks: Checks) -> None:
    """The verdict says that somebody accepted it; the findings stay, and are counted as accepted."""
    context = checks.check([SAME, file("labels/a", b"1"), file("labels/b", b"22")], [SAME])
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    recorded, choice = checks.accept("labels/", Class.MISSING)
    assert recorded.covers == Tally(3, 2, 3)
    assert choice.kinds == {"directory": 1, "file": 2}
    context = checks.context()
    assert context.verdict.kind is VerdictKind.WITH_EXCEPTIONS
    assert context.verdict.reasons[0] == "accepted by name: 2 files and 1 folder missing"
    assert context.accepted_findings == Tally(3, 2, 3)
    assert context.classes[Class.MISSING] == Tally(3, 2, 3)
    assert not context.gravest
    assert not context.parts


def test_the_same_sides_again_are_covered_and_a_new_loss_is_not(checks: Checks) -> None:
    """Tomorrow's loss under the same pattern is found as if nobody had ever accepted anything."""
    old = [SAME, file("labels/a", b"1"), file("labels/b", b"2")]
    checks.check(old, [SAME])
    checks.accept("labels/*", Class.MISSING)
    checks.accept("labels", Class.MISSING)
    assert checks.check(old, [SAME]).verdict.kind is VerdictKind.WITH_EXCEPTIONS
    context = checks.check([*old, file("labels/c", b"3")], [SAME])
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert context.verdict.reasons[0] == "1 file missing"
    assert checks.covered() == [("labels", None), ("labels/a", None), ("labels/b", None)]
    assert [one.now for one in context.accepted] == [Tally(2, 2, 2), Tally(1, 0, 0)]


# ---- What became worse


def _xattrs(**values: str) -> str:
    return json.dumps({ACL: "user::rw-", "user.dpi": "1"} | values)


BEFORE: Final[dict[str, tuple[Class, Tree, Tree]]] = {
    "lost": (Class.MISSING, [file("x", b"1")], []),
    "lost, with a copy": (Class.MISSING, [file("x", b"1"), file("y", b"1")], [file("y", b"1")]),
    "lost, never read": (Class.MISSING, [unread(file("x", b"1"))], []),
    "rotten": (Class.CONTENT_CHANGED, [file("x", b"1")], [file("x", b"2")]),
    "link": (Class.CONTENT_CHANGED, [link("x", "a")], [link("x", "b")]),
    "kind": (Class.KIND_CHANGED, [file("x", b"1")], [link("x", "b")]),
    "new side only": (Class.EXTRA, [], [file("x", b"1")]),
    "unreadable": (Class.UNREADABLE, [file("x", b"1")], [unread(file("x", b"1"), State.UNREADABLE, "EACCES: read")]),
    "unlisted": (Class.UNREADABLE, [folder("x")], [unlisted("x")]),
    "unsettled": (Class.UNSETTLED, [file("x", b"1")], [unread(file("x", b"1"), State.UNSETTLED, "changed while read")]),
    "listed": (Class.UNPROVEN, [file("x", b"1")], [unread(file("x", b"1"))]),
    "mode": (Class.METADATA_ONLY, [file("x", b"1")], [file("x", b"1", mode=0o600)]),
    "owner": (Class.METADATA_ONLY, [file("x", b"1", uid=1000)], [file("x", b"1", uid=3001)]),
    "protection": (
        Class.METADATA_ONLY,
        [file("x", b"1", xattrs=_xattrs())],
        [file("x", b"1", xattrs=_xattrs(**{ACL: "user::r--"}))],
    ),
    "attribute": (
        Class.METADATA_ONLY,
        [file("x", b"1", xattrs=_xattrs())],
        [file("x", b"1", xattrs=_xattrs(**{"user.dpi": "2"}))],
    ),
    "elsewhere": (Class.RELOCATED, [file("x", b"1")], [file("z", b"1")]),
    "renamed": (Class.NAME_ALTERED, [file("x", b"1")], [file("X", b"1")]),
    "set aside": (Class.CLUTTER, [file("$RECYCLE.BIN/x", b"1")], []),
}
"""By a name what is accepted: its class, and both sides."""
AFTER: Final[dict[str, tuple[str, Tree, Tree]]] = {
    "another loss under its name": ("lost", [file("x", b"2")], []),
    "lost at another time": ("lost", [file("x", b"1", mtime_ns=T0_NS + 1)], []),
    "lost, and now a folder": ("lost", [folder("x")], []),
    "lost, then damaged": ("lost", [file("x", b"1")], [file("x", b"2")]),
    "lost with its last copy": ("lost, with a copy", [file("x", b"1")], []),
    "known to be lost": ("lost, never read", [file("x", b"1")], []),
    "damaged again, silently": ("rotten", [file("x", b"1")], [file("x", b"3")]),
    "damaged again, at another time": ("rotten", [file("x", b"1")], [file("x", b"2", mtime_ns=T0_NS + SECOND_NS)]),
    "damaged again, with another size": ("rotten", [file("x", b"1")], [file("x", b"22")]),
    "another original": ("rotten", [file("x", b"4")], [file("x", b"2")]),
    "damaged, then lost": ("rotten", [file("x", b"1")], []),
    "damaged, then not read": ("rotten", [file("x", b"1")], [unread(file("x", b"2"), State.UNREADABLE, "EIO: read")]),
    "another target": ("link", [link("x", "a")], [link("x", "c")]),
    "another original target": ("link", [link("x", "c")], [link("x", "b")]),
    "another kind": ("kind", [file("x", b"1")], [folder("x")]),
    "another file of that kind": ("kind", [file("x", b"2")], [link("x", "b")]),
    "another file there": ("new side only", [], [file("x", b"2")]),
    "the medium fails": ("unreadable", [file("x", b"1")], [unread(file("x", b"1"), State.UNREADABLE, "EIO: read")]),
    "neither side": (
        "unreadable",
        [unread(file("x", b"1"), State.UNREADABLE, "EIO: read")],
        [unread(file("x", b"1"), State.UNREADABLE, "EACCES: read")],
    ),
    "another unread original": (
        "unreadable",
        [file("x", b"2")],
        [unread(file("x", b"1"), State.UNREADABLE, "EACCES: read")],
    ),
    "an unlisted folder that changed": (
        "unlisted",
        [folder("x")],
        [unlisted("x")._replace(mtime_ns=T0_NS + 1)],
    ),
    "a folder the medium loses": ("unlisted", [folder("x")], [unlisted("x", "EIO: list")]),
    "something in a folder that is not listed": ("unlisted", [folder("x"), file("x/y", b"1")], [unlisted("x")]),
    "settled, and other": ("unsettled", [file("x", b"1")], [file("x", b"2")]),
    "read, and other": ("listed", [file("x", b"1")], [file("x", b"2")]),
    "cannot be read": ("listed", [file("x", b"1")], [unread(file("x", b"1"), State.UNREADABLE, "EIO: read")]),
    "another mode": ("mode", [file("x", b"1")], [file("x", b"1", mode=0o777)]),
    "a mode and an owner": ("mode", [file("x", b"1")], [file("x", b"1", mode=0o600, uid=3001)]),
    "another owner": ("owner", [file("x", b"1", uid=1000)], [file("x", b"1", uid=0)]),
    "other rights": (
        "protection",
        [file("x", b"1", xattrs=_xattrs())],
        [file("x", b"1", xattrs=_xattrs(**{ACL: "user::---"}))],
    ),
    "another value": (
        "attribute",
        [file("x", b"1", xattrs=_xattrs())],
        [file("x", b"1", xattrs=_xattrs(**{"user.dpi": "3"}))],
    ),
    "at a third place": ("elsewhere", [file("x", b"1")], [file("q", b"1")]),
    "renamed and lost": ("renamed", [file("x", b"1")], []),
    "more set aside": ("set aside", [file("$RECYCLE.BIN/x", b"1"), file("$RECYCLE.BIN/y", b"2")], []),
    "another letter set aside": ("set aside", [file("$RECYCLE.BIN/x", b"2")], []),
}
"""By what became of it: what was accepted, and both sides afterwards."""


RULES: Final = load_rules()


class Accepted:
    """Everything of a class accepted, once for each kind of it."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self._known: dict[str, tuple[Checks, list[Paths]]] = {}

    def of(self, what: str) -> tuple[Checks, list[Paths]]:
        """Return checks of which the first had this accepted, and the paths that were."""
        if what not in self._known:
            (self.base / what).mkdir()
            checks = Checks(self.base / what)
            cls, old, new = BEFORE[what]
            checks.check([SAME, *old], [SAME, *new], rules=RULES)
            checks.accept("*", cls)
            self._known[what] = checks, [(one.old_path, one.new_path) for one in checks.findings() if one.cls == cls]
        return self._known[what]


@pytest.fixture(scope="module")
def accepted() -> Iterator[Accepted]:
    """Give what was accepted, to all tests of this module."""
    with scratch() as base:
        yield Accepted(base)


@pytest.mark.parametrize("what", BEFORE)
def test_what_stays_as_it_is_stays_covered(accepted: Accepted, what: str) -> None:
    """Whatever its class: the next check of the same sides finds nothing of it that is open."""
    checks, paths = accepted.of(what)
    cls, old, new = BEFORE[what]
    checks.check([SAME, *old], [SAME, *new], rules=RULES)
    assert paths
    assert checks.covered() == paths
    assert not checks.findings(f"NOT {ACCEPTED} AND class = '{cls}'")


@pytest.mark.parametrize("became", AFTER)
def test_what_became_worse_is_not_covered(accepted: Accepted, became: str) -> None:
    """Whatever is other than it was when it was accepted is open, and as heavy as if nobody had accepted anything."""
    what, old, new = AFTER[became]
    checks, paths = accepted.of(what)
    context = checks.check([SAME, *old], [SAME, *new], rules=RULES)
    heaviest = {one.severity for one in checks.findings(f"NOT {ACCEPTED}")}
    assert heaviest, "nothing is open"
    if "blocker" in heaviest:
        assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    elif "inconclusive" in heaviest:
        assert context.verdict.kind is VerdictKind.INCONCLUSIVE
    assert set(checks.covered()) <= set(paths)


def test_what_is_mended_is_no_finding_and_the_others_stay_covered(checks: Checks) -> None:
    """An exception may come to cover less; what it says it covered stays."""
    old = [SAME, file("a", b"1"), file("b", b"2"), file("c", b"3")]
    checks.check(old, [SAME])
    checks.accept("*", Class.MISSING)
    context = checks.check(old, [SAME, file("b", b"2"), file("moved", b"3")])
    assert context.verdict.kind is VerdictKind.WITH_EXCEPTIONS
    assert checks.covered() == [("a", None)]
    (one,) = context.accepted
    assert (one.acceptance.covers, one.now) == (Tally(3, 3, 3), Tally(1, 1, 1))


def test_a_lost_folder_is_the_same_when_something_is_put_into_it(checks: Checks) -> None:
    """Its time moves with every name in it, and each of them has a finding of its own."""
    old = [SAME, folder("labels"), file("labels/a", b"1")]
    checks.check(old, [SAME])
    checks.accept("labels/", Class.MISSING)
    context = checks.check([SAME, folder("labels", mtime_ns=T0_NS + 1), *old[2:], file("labels/b", b"2")], [SAME])
    assert context.verdict.reasons == ("1 file missing",)


def test_a_copy_that_comes_to_light_takes_nothing_away(checks: Checks) -> None:
    """A lost file whose content turns up elsewhere is no worse than it was."""
    checks.check([SAME, file("a", b"1")], [SAME])
    checks.accept("a", Class.MISSING)
    checks.check([SAME, file("a", b"1"), file("b", b"1")], [SAME, file("b", b"1")])
    assert checks.covered() == [("a", None)]


def test_what_a_gate_excuses_on_another_side_is_not_what_was_accepted(checks: Checks) -> None:
    """Expected on the new side, and still to be copied from the old one, are two things with one class."""
    sides_then = [SAME, file("x", b"1", mtime_ns=NOW_NS)], [SAME, file("x", b"2", mtime_ns=NOW_NS + SECOND_NS)]
    checks.check(*sides_then, live_since=NOON - DAY)
    checks.accept("*", Class.DRIFT)
    checks.check(*sides_then, live_since=NOON - DAY)
    assert checks.covered() == [("x", "x")]
    checks.check(*sides_then, frozen_at=NOON - DAY)
    assert [one.drift_side for one in checks.findings()] == ["old"]
    assert checks.covered() == []


NOW_NS: Final = int(NOON.timestamp()) * SECOND_NS


def _survives(found: Finding) -> bool:
    """Tell whether a lost file's reason says where its content is."""
    return "is there as" in found.reason or "one of them is" in found.reason


def test_a_lost_file_says_whether_its_content_survives_in_words_that_are_looked_for(checks: Checks) -> None:
    """With one copy and with several; the words are the classifier's own."""
    old = [SAME, file("a", b"1"), file("b", b"1"), file("c", b"2"), file("d", b"2"), file("e", b"3"), file("f", b"2")]
    checks.check(old, [SAME, file("b", b"1"), file("d", b"2"), file("g", b"4")])
    checks.accept("*", Class.MISSING)
    with closing(sqlite3.connect(checks.record)) as record:
        survives = dict(record.execute("SELECT old_path, survives FROM covered"))
    assert survives == {"a": 1, "c": 1, "e": 0, "f": 1}
    assert survives == {one.old_path: _survives(one) for one in checks.findings("class = 'missing'")}


def test_a_finding_of_which_anything_is_other_is_another(checks: Checks) -> None:
    """Column by column of what is kept of it, whatever else says the same."""
    checks.check([SAME, file("x", b"1")], [SAME, file("x", b"1", mode=0o600)])
    checks.accept("x", Class.METADATA_ONLY)
    assert checks.covered() == [("x", "x")]
    path = checks.evidence / FINDINGS_FILE
    before = path.read_bytes()
    for column in OF_FINDING:
        with Findings.reopen(path) as findings:
            findings.connection.execute(f'UPDATE findings SET "{column}" = 7')
            findings.commit()
        assert checks.covered() == [], column
        path.write_bytes(before)


# ---- Two accounts of the same rule


def _key(found: Finding, both: Sequence[Entry | None]) -> tuple[object, ...]:
    """Return what makes a finding the same, from its row and both sides' entries, by another way than SQL."""
    of_attributes = set((found.fields or "").split(";")) & {Field.ACL, Field.XATTRS, Field.STREAMS}
    content = [
        None
        if one is None
        else (
            one.digest,
            one.target,
            None if one.state in ("proved", "carried", "contentless") else (one.state, (one.error or "").split(":")[0]),
            one.xattrs if of_attributes else None,
        )
        for one in both
    ]
    if found.cls in ("clutter", "missing", "kind-changed", "name-altered", "relocated", "extra"):
        old_ns = None if found.old_kind == "directory" else found.old_mtime_ns
        new_ns = None if found.new_kind == "directory" else found.new_mtime_ns
        found = found._replace(old_mtime_ns=old_ns, new_mtime_ns=new_ns)
    return (tuple(found._replace(severity="", group_path=None, decision=False, reason="", damage=None)), *content)


def _keys(checks: Checks, where: str = "1") -> dict[tuple[object, ...], bool]:
    """Return what makes each finding the same, and whether the content of a lost file survives."""
    manifests = [checks.evidence / MANIFEST_FILES[side] for side in Side]
    with Manifest.open(manifests[0]) as old, Manifest.open(manifests[1]) as new:
        return {
            _key(
                one,
                (
                    None if one.old_path is None else old.entry(one.old_path),
                    None if one.new_path is None else new.entry(one.new_path),
                ),
            ): _survives(one)
            for one in checks.findings(where)
        }


def _hold_any(old: Tree, new: Tree, later: Tree) -> None:
    with scratch() as base:
        checks = Checks(base)
        checks.check(old, new)
        was = _keys(checks)
        for cls in sorted({one.cls for one in checks.findings()}):
            checks.accept("*", Class(cls))
        assert _keys(checks, f"NOT {ACCEPTED}") == {}
        assert checks.context().verdict.kind is not VerdictKind.NOT_TRUSTWORTHY
        for sides_now in ((old, new), (old, later), (later, new)):
            if checks.check(*sides_now).accepted:
                now = _keys(checks)
                same = {key for key, survives in was.items() if key in now and survives <= now[key]}
                assert _keys(checks, ACCEPTED).keys() == same


@settings(max_examples=3, deadline=None)
@given(old=sides(known=False), new=sides(known=False), later=sides(known=False))
def test_covered_is_exactly_what_is_the_same_as_when_it_was_accepted(old: Tree, new: Tree, later: Tree) -> None:
    """For any two sides, and any third in the place of one of them."""
    _hold_any(old, new, later)


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(old=sides(known=False), new=sides(known=False), later=sides(known=False))
def test_covered_is_exactly_what_is_the_same_for_very_many_sides(old: Tree, new: Tree, later: Tree) -> None:
    """The same law, tried until rare meetings of names and contents came up."""
    _hold_any(old, new, later)


# ---- Which findings are chosen


@pytest.mark.parametrize(
    ("pattern", "chosen"),
    [
        ("a", ["a", "a/b", "a/b/1", "a/c"]),
        ("a/", ["a", "a/b", "a/b/1", "a/c"]),
        ("a/b", ["a/b", "a/b/1"]),
        ("/a/b/1", ["a/b/1"]),
        ("a/*", ["a/b", "a/b/1", "a/c"]),
        ("b/", ["a/b", "a/b/1"]),
        ("c", ["a/c"]),
        ("c/", []),
        ("1", ["a/b/1"]),
        ("a/**/1", ["a/b/1"]),
        ("*", ["a", "a/b", "a/b/1", "a/c"]),
    ],
)
def test_a_pattern_means_what_it_matches_and_all_in_it(checks: Checks, pattern: str, chosen: list[str]) -> None:
    """As a rule's pattern does; a folder stands for everything in it."""
    checks.check([SAME, file("a/b/1", b"1"), file("a/c", b"2")], [SAME])
    if not chosen:
        with pytest.raises(UsageProblem, match="nothing open of class missing matches"):
            checks.accept(pattern, Class.MISSING)
        assert not checks.record.exists()
        return
    checks.accept(pattern, Class.MISSING)
    assert [old for old, _ in checks.covered()] == chosen


def test_either_side_s_path_can_be_given(checks: Checks) -> None:
    """Where something is on the new side only, and where it was and where it is now."""
    checks.check([SAME, file("x", b"1"), file("w", b"2")], [SAME, file("y", b"1"), file("z", b"2"), file("new", b"3")])
    checks.accept("new", Class.EXTRA)
    checks.accept("y", Class.RELOCATED)
    checks.accept("w", Class.RELOCATED)
    assert sorted(checks.covered(), key=str) == sorted([(None, "new"), ("w", "z"), ("x", "y")], key=str)


def test_only_the_class_that_was_asked_for_is_covered(checks: Checks) -> None:
    """A pattern that matches everything accepts nothing of another class."""
    checks.check([SAME, file("x", b"1"), file("y", b"1")], [SAME, file("y", b"2"), file("z", b"3")])
    checks.accept("*", Class.EXTRA)
    assert checks.covered() == [(None, "z")]
    assert checks.context().verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_a_finding_has_one_exception_and_what_is_left_out_is_counted(checks: Checks) -> None:
    """What is accepted already is not accepted again, so that a withdrawal means what it says."""
    checks.check([SAME, file("a/1", b"1"), file("a/2", b"2")], [SAME, folder("a")])
    checks.accept("a/1", Class.MISSING)
    recorded, choice = checks.accept("a/", Class.MISSING)
    assert (recorded.number, recorded.covers, choice.covered) == (2, Tally(1, 1, 1), 1)
    with pytest.raises(UsageProblem, match="nothing open of class missing matches a/, and 2 accepted already"):
        checks.accept("a/", Class.MISSING)
    with Exceptions.change(checks.record) as store:
        store.withdraw(1, Withdrawal("2026-11-21T13:00:00+00:00", "A curator", "found again"))
    assert checks.covered() == [("a/2", None)]


def _unrepeated(checks: Checks, path: str) -> None:
    with Findings.reopen(checks.evidence / FINDINGS_FILE) as findings:
        findings.connection.execute(
            "UPDATE findings SET cause = ?, severity = 'inconclusive' WHERE old_path = ?", (Cause.NOT_REPEATED, path)
        )
        findings.commit()


def test_a_reading_that_did_not_repeat_cannot_be_accepted(checks: Checks) -> None:
    """It is left out and counted; where there is nothing else, that is the answer."""
    checks.check([SAME, file("x", b"1"), file("y", b"1")], [SAME, file("x", b"2"), file("y", b"2")])
    _unrepeated(checks, "x")
    recorded, choice = checks.accept("*", Class.CONTENT_CHANGED)
    assert (recorded.covers, choice.not_repeated, choice.causes) == (Tally(1, 1, 1), 1, {"silent": 1})
    assert checks.covered() == [("y", "y")]
    assert checks.context().verdict.kind is VerdictKind.INCONCLUSIVE
    with pytest.raises(UsageProblem, match=r"1 that did not repeat.*cannot be accepted"):
        checks.accept("x", Class.CONTENT_CHANGED)


def test_a_record_that_covers_what_did_not_repeat_covers_nothing_of_it(checks: Checks) -> None:
    """Also where somebody wrote such a row by hand."""
    checks.check([SAME, file("x", b"1")], [SAME, file("x", b"2")])
    checks.accept("x", Class.CONTENT_CHANGED)
    _forge(checks, lambda row: {**row, "cause": Cause.NOT_REPEATED.value})
    _unrepeated(checks, "x")
    assert checks.covered() == []


def _forge(checks: Checks, change: Callable[[dict[str, Any]], dict[str, Any]], **wanted: Any) -> None:
    """Put a record in the place of the last check's whose digests are right, and whose rows somebody changed."""
    with closing(sqlite3.connect(checks.record)) as record:
        record.row_factory = sqlite3.Row
        rows = [dict(row) for row in record.execute("SELECT * FROM covered ORDER BY exception, number")]
    with Exceptions.open(checks.record) as store:
        (known,) = store.all()
    checks.record.unlink()
    asked = Wanted(**{"pattern": known.pattern, "cls": known.cls, "because": "x", "by": "y", "at": NOON, **wanted})
    with Exceptions.change(checks.record) as store:
        store.record(asked, [tuple(change(row).values())[2:] for row in rows])


@pytest.mark.parametrize("wanted", [{"pattern": "other/"}, {"cls": Class.EXTRA}], ids=str)
def test_an_exception_covers_nothing_that_it_does_not_say(checks: Checks, wanted: dict[str, Any]) -> None:
    """Rows of another place or class than what a person reads in the record count for nothing."""
    checks.check([SAME, file("x", b"1")], [SAME])
    checks.accept("x", Class.MISSING)
    _forge(checks, lambda row: row)
    assert checks.covered() == [("x", None)]
    _forge(checks, lambda row: row, **wanted)
    assert checks.covered() == []


# ---- Names


PATTERNS: Final = {
    "a*b": r"a\*b",
    "a?b": r"a\?b",
    "a[1]b": r"a\[1]b",
    r"a\\b": r"a\\\\b",
    r"a\xffb": r"a\\xffb",
    "a\nb": r"a\\x0ab",
    "a\u200bb": r"a\\xe2\\x80\\x8bb",
    "\x1b[31m": r"\\x1b\[31m",
    "!a": r"\!a",
    "#a": "[#]a",
    "a ": "a[ ]",
    "-rf": "-rf",
    "\u00e9": "\u00e9",
    "e\u0301": "e\u0301",
    "x" * 255: "x" * 255,
}
"""Names, and how each is written that means it and no other."""


def test_any_name_can_be_accepted_by_itself(checks: Checks) -> None:
    """As the report shows it, with a backslash before what a pattern would take for something else."""
    decoys = ["ab", "axb", "a1b", "ax", "b", "a", r"a\\xffb", r"a\\x0ab"]
    old = [SAME, *(file(name, name.encode()) for name in (*PATTERNS, *decoys))]
    checks.check(old, [SAME])
    for number, (name, pattern) in enumerate(PATTERNS.items(), 1):
        _, choice = checks.accept(pattern, Class.MISSING)
        assert choice.kinds == {"file": 1}, pattern
        assert (name, None) in checks.covered(), pattern
        assert len(checks.covered()) == number
    checks.check(old, [SAME])
    assert {old for old, _ in checks.covered()} == set(PATTERNS)


# ---- Time


def test_an_exception_holds_until_its_last_moment(checks: Checks) -> None:
    """Through that moment and not after; what it covered is then open again."""
    checks.check([SAME, file("x", b"1")], [SAME])
    checks.accept("x", Class.MISSING, until=NOON + DAY)
    for later, holds in ((DAY, True), (DAY * 1.0001, False)):
        (one,) = checks.exceptions(NOON + later)
        assert (one.holds, one.now.entries) == (holds, int(holds))


def test_a_later_check_does_not_count_what_had_ended_before_it(checks: Checks) -> None:
    """The moment of a check decides, not that at which its report is written."""
    old = [SAME, file("x", b"1")]
    checks.check(old, [SAME])
    checks.accept("x", Class.MISSING, at=NOON - 400 * DAY, until=NOON - 399 * DAY)
    context = checks.check(old, [SAME])
    assert context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert [one.holds for one in context.accepted] == [False]
    recorded, _ = checks.accept("x", Class.MISSING)
    assert recorded.number == 2


def test_a_decision_after_the_check_is_the_moment_that_counts(checks: Checks) -> None:
    """A report that is written again after a later decision says what held then, whenever it is written."""
    checks.check([SAME, file("x", b"1"), file("y", b"2")], [SAME])
    finished = checks.context().run["finished"]
    now = NOON.fromisoformat(finished)
    checks.accept("x", Class.MISSING, at=now, until=now + DAY)
    assert [one.holds for one in checks.context().accepted] == [True]
    checks.accept("y", Class.MISSING, at=now + 2 * DAY)
    context = checks.context()
    assert [one.holds for one in context.accepted] == [False, True]
    assert context.verdict.reasons == ("1 file missing",)


# ---- What else rests on it


def test_rules_are_tried_with_what_was_accepted(checks: Checks) -> None:
    """A trial of the same rules says that nothing would change, the verdict included."""
    checks.check([SAME, file("x", b"1")], [SAME])
    checks.accept("x", Class.MISSING)
    trial = try_rules(checks.evidence, RULES)
    assert trial.before.kind is trial.after.kind is VerdictKind.WITH_EXCEPTIONS


def test_covering_twice_gives_the_same(checks: Checks) -> None:
    """Findings that are asked twice on one connection answer twice."""
    checks.check([SAME, file("x", b"1"), file("y", b"2")], [SAME])
    checks.accept("x", Class.MISSING)
    with Findings.open(checks.evidence / FINDINGS_FILE) as findings:
        assert cover(findings, checks.evidence, NOON) == cover(findings, checks.evidence, NOON)
        accept(checks.evidence, findings, Wanted("y", Class.MISSING, "a", "b", NOON))
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            findings.connection.execute("DELETE FROM findings")
        assert [one.now for one in cover(findings, checks.evidence, NOON)] == [Tally(1, 1, 1)] * 2


def test_a_decision_that_is_stopped_half_way_can_be_taken_again(
    checks: Checks, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the same connection: what was attached is given back, and the reason is the one that is told."""
    checks.check([SAME, *(file(f"x{n}", b"%d" % n) for n in range(9))], [SAME])
    asked = Wanted("*", Class.MISSING, "a", "b", NOON)

    def stopped(_: Exceptions, __: Wanted, rows: Iterator[tuple[object, ...]]) -> None:
        next(rows)
        raise KeyboardInterrupt

    with Findings.open(checks.evidence / FINDINGS_FILE) as findings:
        with monkeypatch.context() as patched:
            patched.setattr(Exceptions, "record", stopped)
            with pytest.raises(KeyboardInterrupt):
                accept(checks.evidence, findings, asked)
        assert not checks.record.exists()
        assert accept(checks.evidence, findings, asked)[0].covers.files == 9


def test_a_fifo_is_covered_like_a_file(checks: Checks) -> None:
    """What has no content has its kind and its place."""
    checks.check([SAME, entry("p", Kind.FIFO)], [SAME])
    _, choice = checks.accept("p", Class.MISSING)
    assert choice.kinds == {"fifo": 1}
    checks.check([SAME, entry("p", Kind.FIFO)], [SAME])
    assert checks.covered() == [("p", None)]
    checks.check([SAME, entry("p", Kind.SOCKET)], [SAME])
    assert checks.covered() == []


@pytest.mark.slow
def test_very_many_findings_are_accepted_and_covered_in_seconds(checks: Checks) -> None:
    """The cost does not grow with the square of what is accepted: 30,000 lost files."""
    checks.check([SAME, *(file(f"{n % 100}/{n}", b"%d" % n) for n in range(30_000))], [SAME])
    began = process_time()
    checks.accept("*", Class.MISSING)
    accepted_s = process_time() - began
    began = process_time()
    assert checks.exceptions()[0].now.files == 30_000
    covered_s = process_time() - began
    assert accepted_s < 6, f"{accepted_s:.1f} s of processor time"
    assert covered_s < 3, f"{covered_s:.1f} s of processor time"
