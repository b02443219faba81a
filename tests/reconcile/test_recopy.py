"""What has to be copied again: everything that is lost or damaged, nothing else, by names that no program misreads."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import SECOND_NS, T0_NS, file, folder, link, reconciled, unread
from tests.strategies import names
from verifier.errors import VerifierError
from verifier.rules.load import load_rules
from verifier.tree.entry import State
from verifier.tree.names import to_text

if TYPE_CHECKING:
    from verifier.tree.entry import Entry

KEEP: Final = file("keep", b"keep")
EARLIER_NS: Final = T0_NS - SECOND_NS
LATER_NS: Final = T0_NS + SECOND_NS
SHIPPED: Final = load_rules()


def listed(old: list[Entry], new: list[Entry], **options: Any) -> list[bytes]:
    """Return what has to be copied again, beside a file that arrived."""
    return list(reconciled([*old, KEEP], [*new, KEEP], **options).to_copy)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        pytest.param(file("a"), None, id="missing"),
        pytest.param(file("a", b"1"), file("a", b"3"), id="silent"),
        pytest.param(file("a", b"12"), file("a", b"1"), id="truncated"),
        pytest.param(file("a", b"12"), file("a", b""), id="empty"),
        pytest.param(file("a", b"1"), file("a", b"22", mtime_ns=EARLIER_NS), id="stale"),
        pytest.param(file("a", b"1"), file("a", b"22"), id="other"),
        pytest.param(file("a"), link("a", "x"), id="of another kind"),
        pytest.param(link("a", "x"), link("a", "y"), id="another target"),
        pytest.param(link("a", "x"), None, id="a missing link"),
        pytest.param(unread(file("a"), State.UNREADABLE, "EIO"), None, id="missing and unreadable"),
        pytest.param(folder("a"), None, id="an empty folder"),
        pytest.param(file("a", b""), None, id="an empty file"),
    ],
)
def test_what_is_lost_or_damaged_is_copied_again(old: Entry, new: Entry | None) -> None:
    """Whatever became of it, the old side has what it was."""
    assert listed([old], [] if new is None else [new]) == [b"./a"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        pytest.param([file("a")], [file("a")], id="identical"),
        pytest.param([file("a")], [file("a", mode=0, mtime_ns=LATER_NS)], id="other metadata"),
        pytest.param([file("a")], [file("b")], id="relocated"),
        pytest.param([file("a")], [file("A")], id="under an altered name"),
        pytest.param([], [file("a")], id="extra"),
        pytest.param([file("a", b"1")], [file("a", b"22", mtime_ns=LATER_NS)], id="newer on the new side"),
        pytest.param([file("a")], [unread(file("a"), State.UNREADABLE, "EIO")], id="unreadable there"),
        pytest.param([unread(file("a"))], [unread(file("a"))], id="not read"),
        pytest.param([file("$RECYCLE.BIN/$R1")], [], id="set aside"),
    ],
)
def test_what_is_there_or_not_known_is_not_copied(old: list[Entry], new: list[Entry]) -> None:
    """Copying would do nothing, undo somebody's work, or cover what has to be read first."""
    assert listed(old, new, rules=SHIPPED) == []


def test_drift_of_the_old_side_is_copied_and_that_of_the_new_is_not() -> None:
    """What changed on the old side after it was frozen is still to come; what people do on the new side stays."""
    after = T0_NS + 10 * SECOND_NS
    old = [file("a", b"1", mtime_ns=after), file("b", b"2"), file("c", b"3", mtime_ns=after)]
    new = [file("a", b"11"), file("b", b"22", mtime_ns=after)]
    assert listed(old, new, frozen_at_ns=after - 1, live_since_ns=after - 1) == [b"./a", b"./c"]


def test_a_folder_is_given_only_where_nothing_in_it_is() -> None:
    """Copying a file makes the folders above it; a lost folder in which there is nothing to copy is made by name."""
    old = [folder("a/b/c"), file("d/e", b"e"), folder("d/f"), folder("g"), file("g/Thumbs.db", b"data"), file("h/i/j")]
    assert listed(old, [folder("d")]) == [b"./a/b/c", b"./d/e", b"./d/f", b"./g/Thumbs.db", b"./h/i/j"]


def test_a_lost_folder_with_nothing_but_clutter_is_given() -> None:
    """What is set aside is not copied, and so the folder is not made by it."""
    ole2 = bytes.fromhex("d0cf11e0a1b11ae1")  # from memory
    assert listed([file("g/Thumbs.db", ole2)], [], rules=SHIPPED) == [b"./g"]


def test_paths_come_in_order_and_each_once() -> None:
    """Two lists of the same evidence are the same bytes."""
    old = [file(name, name.encode()) for name in ("b", "a/z", "a-b", "a/b/c", "B")]
    assert listed(old, []) == [b"./B", b"./a-b", b"./a/b/c", b"./a/z", b"./b"]


@settings(max_examples=8)
@given(raw=st.lists(names(), min_size=1, max_size=6, unique=True))
def test_any_name_comes_back_as_its_bytes(raw: list[bytes]) -> None:
    """A leading dash, a line break, bytes that are no UTF-8: what is listed is what the system knows it by."""
    texts = sorted(to_text(name) for name in raw)
    found = listed([file(f"d/{text}", str(n).encode()) for n, text in enumerate(texts)], [folder("d")])
    assert sorted(found) == sorted(b"./d/" + name for name in raw)


@pytest.mark.parametrize("path", ["../evil", "a/../../evil", "..", "a/./b"])
def test_no_path_leads_out_of_the_tree(path: str) -> None:
    """A manifest may come from anybody; what is given to a program that copies stays below the root it is told of."""
    found: list[bytes] = []
    try:
        found = listed([file("x")._replace(path=path)], [])
    except VerifierError:
        return
    assert not [one for one in found if {b"..", b"."} & set(one.split(b"/")[1:])]


def test_a_path_that_no_scan_wrote_is_no_traceback() -> None:
    """A text that stands for no name is refused in one line."""
    with pytest.raises(VerifierError):
        listed([file("x")._replace(path="a\\q")], [])
