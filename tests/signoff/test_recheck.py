"""Listing the old side again before signing: every change is found, what cannot be seen is never called gone."""

from __future__ import annotations

import os
import shutil
import socket
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.conftest import without_rights
from tests.reconcile.trees import T0_NS, Node, plant, scan_tree, snapshot
from tests.scan.scans import edit, entries_of, facts_of
from tests.signoff.gardens import TREE, Garden
from verifier.check import CheckRequest, check
from verifier.decisions.checklist import UNCHANGED, Relisted
from verifier.decisions.signoff import Looked, read_signoff
from verifier.errors import (
    Interrupted,
    RootUnavailable,
    SignOffInconclusive,
    SignOffRefused,
    UsageProblem,
)
from verifier.manifest.merge import merge
from verifier.rules.rule import Action, Rule, RuleSet
from verifier.scan.scanner import ScanOptions
from verifier.scan.side import SideScan
from verifier.signoff.recheck import LISTING_FILE, old_root, relist
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.conftest import Mount
    from verifier.decisions.signoff import SignOff

DAY_NS: Final = 86400 * 10**9


def again(garden: Garden, elsewhere: Path | None = None) -> Relisted:
    """List the old side again."""
    staged = garden.base / "staged"
    shutil.rmtree(staged, ignore_errors=True)
    staged.mkdir()
    return relist(garden.evidence, elsewhere, staged)


def counts(found: Relisted) -> tuple[int, int, int, int]:
    """Return how many are gone, new, changed and not listed."""
    return found.gone, found.added, found.changed, found.unlisted


def point_of(signed: SignOff) -> tuple[Looked, str]:
    """Return what the checklist says about the old side."""
    return next((point.looked, point.told) for point in signed.checklist if point.text == UNCHANGED)


def test_an_old_side_that_is_what_it_was(fresh: Garden) -> None:
    """It is seen, and the record says when, where and what was compared; the trees are as they were."""
    before = snapshot(fresh.old)
    looked, told = point_of(fresh.sign(recheck_old=True))
    assert looked is Looked.SEEN
    assert f", {fresh.old}: 7 entries; names, kinds, sizes, times and change times are what they were" in told
    assert "Content was not read again" in told
    assert snapshot(fresh.old) == before


def test_listing_leaves_nothing_behind(fresh: Garden) -> None:
    """Neither in the tree nor in the evidence."""
    signed = fresh.sign(recheck_old=True)
    assert LISTING_FILE not in fresh.contents()
    assert set(fresh.contents()) == {*signed.files, "signoff.json"}


def remove(old: Path) -> None:
    """Remove a file."""
    (old / "notes" / "fen.txt").unlink()


def remove_folder(old: Path) -> None:
    """Remove a folder with what is in it."""
    shutil.rmtree(old / "notes")


def add(old: Path) -> None:
    """Add a file."""
    (old / "notes" / "bog.txt").touch()


def add_folder(old: Path) -> None:
    """Add a folder with a file in it."""
    plant(old, {b"maps/relief.tif": Node(b"x")})


def append(old: Path) -> None:
    """Make a file longer, and set its time back."""
    place = old / "notes" / "fen.txt"
    place.write_bytes(place.read_bytes() + b".")
    os.utime(place, ns=(T0_NS, T0_NS))


def touch(old: Path) -> None:
    """Give a file another time."""
    os.utime(old / "notes" / "fen.txt", ns=(T0_NS, T0_NS + DAY_NS))


def overwrite(old: Path) -> None:
    """Write other bytes of the same number, and set the time back: only the change time shows it."""
    place = old / "notes" / "fen.txt"
    place.write_bytes(place.read_bytes().upper())
    os.utime(place, ns=(T0_NS, T0_NS))


def rename(old: Path) -> None:
    """Rename a file."""
    (old / "notes" / "fen.txt").rename(old / "notes" / "Fen.txt")


def replace_by_folder(old: Path) -> None:
    """Put a folder in a file's place."""
    remove(old)
    (old / "notes" / "fen.txt").mkdir()


CHANGES: Final[dict[Callable[[Path], None], tuple[tuple[int, int, int, int], str]]] = {
    remove: ((1, 0, 0, 0), "notes/fen.txt (gone)"),
    remove_folder: ((3, 0, 0, 0), "notes (gone), notes/empty (gone), notes/fen.txt (gone)"),
    add: ((0, 1, 0, 0), "notes/bog.txt (new)"),
    add_folder: ((0, 2, 0, 0), "maps (new), maps/relief.tif (new)"),
    append: ((0, 0, 1, 0), "notes/fen.txt (changed)"),
    touch: ((0, 0, 1, 0), "notes/fen.txt (changed)"),
    overwrite: ((0, 0, 1, 0), "notes/fen.txt (changed)"),
    rename: ((1, 1, 0, 0), "notes/fen.txt (gone), notes/Fen.txt (new)"),
    replace_by_folder: ((0, 0, 1, 0), "notes/fen.txt (changed)"),
}


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
def test_every_change_is_found_and_named(fresh: Garden, change: Callable[[Path], None]) -> None:
    """Counted by what became of it, with examples."""
    change(fresh.old)
    numbers, examples = CHANGES[change]
    found = again(fresh)
    assert (counts(found), ", ".join(found.examples)) == (numbers, examples)


def test_without_a_reason_nobody_signs_for_an_old_side_that_changed(fresh: Garden) -> None:
    """Exit code 1, and the folder is as it was; with a reason the point is open, and says what changed."""
    remove(fresh.old)
    before = fresh.contents()
    with pytest.raises(SignOffRefused, match="the old side has changed since it was checked") as refused:
        fresh.sign(recheck_old=True)
    assert (refused.value.exit_code, fresh.contents()) == (1, before)
    looked, told = point_of(fresh.sign(recheck_old=True, despite="it was only a note"))
    assert looked is Looked.OPEN
    assert told.endswith("1 gone: notes/fen.txt (gone).")


def test_a_link_that_leads_elsewhere_is_found(fresh: Garden) -> None:
    """Also to a target of the same length, at the same time."""
    for target in (b"notes/fen.txt", b"notes/bog.txt"):
        (fresh.old / "link").unlink(missing_ok=True)
        plant(fresh.old, {b"link": Node(target, Kind.LINK)})
        if target.endswith(b"fen.txt"):
            fresh.check()
            edit(fresh.evidence / "old.manifest.sqlite", "UPDATE facts SET value = '0' WHERE key = 'inodes'")
    found = again(fresh)
    assert (counts(found), found.ctimes) == ((0, 0, 1, 0), False)


def test_a_folder_s_time_alone_is_no_change(fresh: Garden) -> None:
    """It tells of names that came and went, and those are compared."""
    (fresh.old / "notes" / "passing").touch()
    (fresh.old / "notes" / "passing").unlink()
    assert counts(again(fresh)) == (0, 0, 0, 0)


def test_many_changes_are_counted_and_a_few_named(fresh: Garden) -> None:
    """The line stays one line; so many that processes of their own list them, which enter no barred folder either."""
    plant(fresh.old, {b".snapshot/monday/a": Node()})
    fresh.check()
    plant(fresh.old, {b".snapshot/tuesday/a": Node()} | {b"more/%d" % n: Node() for n in range(500)})
    found = again(fresh)
    assert (found.added, len(found.examples)) == (501, 3)
    with pytest.raises(SignOffRefused, match=r"501 new: more \(new\), more/0 \(new\), more/1 \(new\)"):
        fresh.sign(recheck_old=True)


def test_names_can_do_nothing_where_they_are_told(fresh: Garden) -> None:
    """Escape sequences and line breaks in a new name are shown, not sent."""
    plant(fresh.old, {b"a\x1b[2J\nb": Node(), b"\xff": Node()})
    assert again(fresh).examples == (r"\xff (new)", r"a\x1b[2J\x0ab (new)")


def test_a_needless_reason_is_refused_after_the_listing(fresh: Garden) -> None:
    """Only then it is known that nothing stands in the way."""
    with pytest.raises(UsageProblem, match="nothing stands in the way"):
        fresh.sign(recheck_old=True, despite="they write all day")
    assert read_signoff(fresh.evidence) is None


# ---- What was not entered


def test_what_a_rule_kept_the_check_out_of_is_not_entered(fresh: Garden) -> None:
    """Snapshots may hold the whole tree many times; whatever came and went in there is not compared."""
    barred = {b".snapshot/monday/a": Node(b"1"), b"notes/.snapshot/x": Node(b"2")}
    for root in (fresh.old, fresh.new):
        plant(root, barred)
    fresh.check()
    not_entered = [path for path, e in entries_of(fresh.evidence / "old.manifest.sqlite").items() if e.error]
    assert not_entered == [".snapshot", "notes/.snapshot"]
    plant(fresh.old, {b".snapshot/tuesday/a": Node(b"3"), b"notes/.snapshot/y": Node(b"4")})
    assert counts(again(fresh)) == (0, 0, 0, 0)
    plant(fresh.old, {b"maps/.snapshot/a": Node(b"5")})
    assert again(fresh).examples == ("maps (new)", "maps/.snapshot (new)", "maps/.snapshot/a (new)")


def test_rules_of_ones_own_need_not_be_given_again(fresh: Garden) -> None:
    """What was not entered is in the manifest, whatever rule it was by."""
    rule = Rule("fen", ("notes/",), "the fen", "us", Action.DO_NOT_DESCEND, "our own practice")
    check(CheckRequest(fresh.old, fresh.new, fresh.base / "proof-2", RuleSet((rule,))))
    remove(fresh.old)
    assert counts(again(Garden(fresh.base))) == (1, 0, 0, 0)
    shutil.rmtree(fresh.evidence)
    (fresh.base / "proof-2").rename(fresh.evidence)
    assert counts(again(fresh)) == (0, 0, 0, 0)


# ---- What cannot be seen


@pytest.mark.real(root=True)
def test_a_folder_that_cannot_be_listed_now_hides_no_loss_and_makes_none(open_ground: Path) -> None:
    """What it held is not known: not gone, and not unchanged; exit code 3."""
    garden = Garden(open_ground / "garden")
    garden.base.mkdir()
    for root in (garden.old, garden.new):
        plant(root, TREE)
    for where, _, _ in os.walk(garden.base):
        os.chown(where, 65534, 65534)
    with without_rights():
        garden.check()
        (garden.old / "notes").chmod(0)
        found = again(garden)
        assert (counts(found), found.unchanged) == ((0, 0, 0, 3), False)
        with pytest.raises(SignOffInconclusive, match="could not be listed again as a whole") as refused:
            garden.sign(recheck_old=True)
        assert refused.value.exit_code == 3
        (garden.old / "notes").chmod(0o755)
        assert point_of(garden.sign(recheck_old=True))[0] is Looked.SEEN


# ---- Where the old side is


def test_an_old_side_that_is_not_there(fresh: Garden) -> None:
    """Exit code 4, and nothing is signed."""
    fresh.old.rename(fresh.base / "away")
    with pytest.raises(RootUnavailable, match="old is not there") as refused:
        fresh.sign(recheck_old=True)
    assert (refused.value.exit_code, read_signoff(fresh.evidence)) == (4, None)


def test_an_old_side_that_is_empty(fresh: Garden) -> None:
    """As the mount point of a share that is not mounted: not everything is gone, it is not there."""
    fresh.old.rename(fresh.base / "away")
    fresh.old.mkdir()
    with pytest.raises(RootUnavailable, match="is an empty folder; is the share mounted"):
        fresh.sign(recheck_old=True)


def test_an_old_side_that_is_another_mount(fresh: Garden) -> None:
    """A replica has the same names and times, and is not what was checked."""
    edit(fresh.evidence / "old.manifest.sqlite", "UPDATE facts SET value = '//old/share' WHERE key = 'mount_source'")
    with pytest.raises(RootUnavailable, match=r"was .* on //old/share when it was checked, and is .* now; mount what"):
        again(fresh)


def test_an_old_side_on_another_machine(fresh: Garden) -> None:
    """A path there is none here; where it is mounted here can be said."""
    edit(fresh.evidence / "old.manifest.sqlite", "UPDATE facts SET value = 'old-server' WHERE key = 'host'")
    with pytest.raises(RootUnavailable, match=f"scanned on old-server, and this is {socket.gethostname()}; sign there"):
        again(fresh)
    found = again(fresh, fresh.old)
    assert (counts(found), found.ctimes) == ((0, 0, 0, 0), False)


def test_an_old_side_that_is_mounted_elsewhere_now(fresh: Garden) -> None:
    """The record says where it was listed, and where it had been; change times mean nothing there."""
    moved = fresh.base / "mnt"
    shutil.copytree(fresh.old, moved, symlinks=True)
    looked, told = point_of(fresh.sign(recheck_old=True, old_root=moved))
    assert looked is Looked.SEEN
    assert f"{moved} (" in told
    assert f"which was {fresh.old} when checked" in told
    assert "names, kinds, sizes and times are what they were" in told


def test_the_same_place_may_be_said(fresh: Garden) -> None:
    """Then it is the old side as it was recorded, with its change times."""
    assert again(fresh, fresh.old).ctimes


def test_a_place_that_is_another_folder_is_full_of_changes(fresh: Garden) -> None:
    """A wrong folder is not taken for the old side."""
    other = plant(fresh.base / "other", {b"a": Node(b"1"), b"b/c": Node(b"2")})
    with pytest.raises(SignOffRefused, match="7 gone, 3 new"):
        fresh.sign(recheck_old=True, old_root=other)


def test_times_are_compared_as_coarsely_as_the_coarser_clock(fresh: Garden) -> None:
    """A share that keeps seconds shows whole seconds of what was checked in nanoseconds."""
    plant(fresh.old, {b"notes/late": Node(b"x", mtime_ns=T0_NS + 123_456_789)})
    fresh.check()
    os.utime(fresh.old / "notes" / "late", ns=(T0_NS, T0_NS))
    manifest = fresh.evidence / "old.manifest.sqlite"
    assert again(fresh, fresh.old).changed == 1
    edit(manifest, "UPDATE facts SET value = '0' WHERE key = 'inodes'")
    assert again(fresh, fresh.old).changed == 1
    edit(manifest, "UPDATE facts SET value = '1000000000' WHERE key = 'grain_ns'")
    assert again(fresh, fresh.old).changed == 0
    os.utime(fresh.old / "notes" / "late", ns=(T0_NS, T0_NS + 123_456_789 + 10**9))
    assert again(fresh, fresh.old).changed == 1


def test_a_place_needs_a_listing(fresh: Garden) -> None:
    """--old-root says where to list, so something has to be listed."""
    with pytest.raises(UsageProblem, match="give --recheck-old, too"):
        fresh.sign(old_root=fresh.old)


def test_an_evidence_folder_inside_the_old_side_is_not_written_in(fresh: Garden) -> None:
    """Nothing is ever written into a tree, not even a listing."""
    with pytest.raises(UsageProblem, match="nothing is ever written into a tree"):
        fresh.sign(recheck_old=True, old_root=fresh.base)
    assert read_signoff(fresh.evidence) is None


def test_several_old_roots_cannot_be_listed_again(tmp_path: Path) -> None:
    """A manifest that was put together names no one root."""
    parts = []
    for label in ("a", "b"):
        tree = plant(tmp_path / label, {b"x": Node(b"1")})
        parts.append((label, scan_tree(tree, tmp_path / f"{label}.sqlite")))
    merge(parts, tmp_path / "whole")
    with pytest.raises(UsageProblem, match="put together from several roots"):
        old_root(facts_of(tmp_path / "whole"), None)


def test_a_listing_that_is_stopped_signs_nothing(fresh: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a listing would call the other half gone."""

    def stopped(_: Any) -> None:
        raise Interrupted("stopped before the end")

    monkeypatch.setattr(SideScan, "_check_still_there", stopped)
    with pytest.raises(Interrupted, match=r"could not be listed again to its end .*; nothing was signed") as ended:
        fresh.sign(recheck_old=True)
    assert (ended.value.exit_code, read_signoff(fresh.evidence)) == (3, None)


@pytest.mark.real(mounts=True)
def test_something_mounted_over_a_folder_hides_what_was_there(fresh: Garden, mount: Mount) -> None:
    """What the folder held is not known; without --cross-mounts the mount is not entered, as in the check."""
    mount("-t", "tmpfs", "none", fresh.old / "notes")
    assert counts(again(fresh)) == (0, 0, 0, 3)


@pytest.mark.real(mounts=True)
def test_mounts_are_crossed_as_in_the_check(fresh: Garden, mount: Mount) -> None:
    """With --cross-mounts what is mounted inside was checked, and is listed again."""
    mount("-t", "tmpfs", "none", fresh.old / "notes" / "empty")
    plant(fresh.old, {b"notes/empty/moss.txt": Node(b"1")})
    fresh.check(scan=ScanOptions(cross_mounts=True))
    assert counts(again(fresh)) == (0, 0, 0, 0)
    (fresh.old / "notes" / "empty" / "moss.txt").unlink()
    assert again(fresh).examples == ("notes/empty/moss.txt (gone)",)
