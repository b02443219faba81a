"""The account: it balances, and where it does not there is no report."""

from __future__ import annotations

import sqlite3
from collections import Counter
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import entry, file, folder, link, reconciled, unlisted, unread, write_manifest
from verifier.classes import Class, Side, VerdictKind
from verifier.errors import AccountUnbalanced
from verifier.reconcile import reconciler
from verifier.reconcile.options import PlaceMap, ReconcileOptions
from verifier.rules.load import load_rules
from verifier.tree.entry import Entry, Kind, State

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verifier.reconcile.findings import Finding

RULES = load_rules()
PATHS = st.sampled_from(
    [
        "a",
        "A",
        "b",
        "a/x",
        "a/X",
        "a/y",
        "b/x",
        "b/Thumbs.db",
        "\u00e9",
        "e\u0301",
        ".snapshot",
        "c:",
        "c\uf022",
        "\\xff",
    ]
)
CONTENTS = st.sampled_from([b"", b"1", b"2", b"12"])


@st.composite
def entries(draw: st.DrawFn) -> list[Entry]:
    """Return a side of few names and few contents in every kind and state, so that everything meets everything."""
    side: dict[str, Entry] = {}
    for path in sorted(draw(st.sets(PATHS, min_size=1, max_size=8))):
        above = path.rpartition("/")[0]
        if above and side.setdefault(above, folder(above)).kind != Kind.DIRECTORY:
            continue
        read = file(path, draw(CONTENTS), mtime_ns=draw(st.integers(0, 3)))
        side[path] = draw(
            st.sampled_from(
                [
                    read,
                    read,
                    read,
                    unread(read),
                    unread(read, State.UNREADABLE, "EIO: read"),
                    unread(read, State.UNSETTLED, "moves"),
                    folder(path),
                    unlisted(path),
                    unlisted(path, "changed", State.UNSETTLED),
                    unlisted(path, "mount", State.LISTED),
                    link(path, "x"),
                    link(path, "y"),
                    entry(path, Kind.FIFO),
                    entry(path, Kind.UNKNOWN, state=State.UNREADABLE.value, error="EACCES: stat"),
                ]
            )
        )
    return list(side.values())


@settings(max_examples=70, deadline=None)
@given(
    old=entries(),
    new=entries(),
    maps=st.sampled_from([(), ("a=b",), ("=b",), ("b=",), ("a=b", "b=a"), ("a/x=b",)]),
    gates=st.sampled_from([{}, {"frozen_at_ns": 1, "live_since_ns": 1}]),
    unlisted_side=st.sampled_from([None, *Side]),
)
def test_the_account_always_balances(
    old: list[Entry], new: list[Entry], maps: tuple[str, ...], gates: dict[str, int], unlisted_side: Side | None
) -> None:
    """Whatever meets whatever, every entry of either side is in exactly one class, in number and in bytes.

    The recount is in `reconcile_files`, which all reconciliations of these tests go through.
    """
    facts = {f"{side}_facts": {"listed": False, "complete": False} for side in Side if side is unlisted_side}
    outcome = reconciled(old, new, maps=tuple(PlaceMap.parse(one) for one in maps), rules=RULES, **gates, **facts)  # type: ignore[arg-type]
    for side, given_ in ((Side.OLD, old), (Side.NEW, new)):
        account = outcome.accounts[side]
        of_files = [one.size for one in given_ if one.kind == Kind.FILE]
        assert sum(tally.files for tally in account.values()) == len(of_files)
        assert sum(tally.bytes for tally in account.values()) == sum(of_files)
    # One-sided classes are on their side only.
    assert outcome.accounts[Side.NEW][Class.MISSING] == (0, 0, 0)
    assert outcome.accounts[Side.OLD][Class.EXTRA] == (0, 0, 0)


COMPONENTS = {"a": ["a", "A", "z"], "b": ["b", "B", "a"], "x": ["x", "X", "w"], "y": ["y", "Y", "x"]}
KNOWN_TROUBLE = [State.UNREADABLE, State.UNSETTLED, State.LISTED]


@st.composite
def near_copies(draw: st.DrawFn) -> tuple[list[Entry], list[Entry]]:
    """Return a side and a copy of it with some names changed, and at most one thing not known on each."""
    shape = st.sampled_from(["a", "b", "a/x", "a/y", "b/x", "b/y", "a/x/y", "b/y/x"])
    old: dict[str, Entry] = {"keep": file("keep", b"kept")}
    for path in sorted(draw(st.sets(shape, min_size=1, max_size=5))):
        above = path.rpartition("/")[0]
        if above and old.setdefault(above, folder(above)).kind != Kind.DIRECTORY:
            continue
        old[path] = draw(st.sampled_from([folder(path), file(path, b""), file(path, b"1"), file(path, b"2")]))
    renamed = {part: draw(st.sampled_from(names)) for part, names in COMPONENTS.items()}
    new: dict[str, Entry] = {}
    for one in old.values():
        path = "/".join(renamed.get(part, part) for part in one.path.split("/"))
        new.setdefault(path, one._replace(path=path))
    for side in (old, new):
        if draw(st.booleans()):
            path = draw(st.sampled_from(sorted(side)))
            state = draw(st.sampled_from(KNOWN_TROUBLE))
            one = side[path]
            side[path] = unlisted(path, "why", state) if one.kind == Kind.DIRECTORY else unread(one, state, "why")
            if one.kind == Kind.DIRECTORY and state is not State.UNSETTLED:
                for inside in [other for other in side if other.startswith(f"{path}/")]:
                    del side[inside]
    return list(old.values()), list(new.values())


@pytest.mark.slow
@settings(max_examples=120, deadline=None)
@given(sides=st.one_of(near_copies(), st.tuples(entries(), entries())))
def test_trust_is_never_given_away(sides: tuple[list[Entry], list[Entry]]) -> None:
    """Trustworthy means at least: all of the old side is known, and each of its contents is there as often as it was.

    The rule is counted from the entries alone, without a word about pairing.
    """
    old, new = sides
    outcome = reconciled(old, new)
    if outcome.verdict.kind is not VerdictKind.TRUSTWORTHY:
        return
    not_known = [one.path for one in old if not one.content_known]
    not_known += [one.path for one in new if one.kind == Kind.DIRECTORY and not one.content_known]
    assert not not_known
    held = Counter(one.digest for one in new if one.kind == Kind.FILE and one.content_known)
    needed = Counter(one.digest for one in old if one.kind == Kind.FILE)
    assert not needed - held
    # What has no content that is read is there under its name, or nearly its name, or at another place by its name.
    assert not {one.target for one in old if one.kind == Kind.LINK} - {one.target for one in new}


def test_an_account_that_does_not_balance_is_an_error_and_no_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Entries that were lost on the way are a defect of the program, never a result."""
    places = [
        write_manifest(tmp_path / "old", [file("a", b"1"), file("b", b"2")]),
        write_manifest(tmp_path / "new", [file("c", b"3")]),
    ]
    whole = reconciler._Run._left_old

    def losing_one(run: reconciler._Run) -> Iterator[Finding]:
        yield from list(whole(run))[1:]

    monkeypatch.setattr(reconciler._Run, "_left_old", losing_one)
    with pytest.raises(AccountUnbalanced, match=r"internal error: the old side holds 2 entries with 2 bytes"):
        reconciler.reconcile(places[0], places[1], tmp_path / "findings", ReconcileOptions())
    with sqlite3.connect(tmp_path / "findings") as database:
        assert database.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'findings'").fetchone() == (1,)
        assert database.execute("SELECT count(*) FROM findings").fetchone() == (0,)
    database.close()


def test_bytes_are_part_of_the_balance(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The right number of entries with the wrong number of bytes does not balance either."""
    places = [
        write_manifest(tmp_path / "old", [file("a", b"1")]),
        write_manifest(tmp_path / "new", [file("b", b"22")]),
    ]
    whole = reconciler._Run._left_old

    def with_other_size(run: reconciler._Run) -> Iterator[Finding]:
        for one in whole(run):
            yield one._replace(old_size=7)

    monkeypatch.setattr(reconciler._Run, "_left_old", with_other_size)
    with pytest.raises(AccountUnbalanced):
        reconciler.reconcile(places[0], places[1], tmp_path / "findings", ReconcileOptions())
