"""A scan that has only so long: it stops in good order, and what is to be read again is read as far as it comes."""

from __future__ import annotations

import time
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from tests.scan.scans import facts_of, scan_tree
from verifier.check import CheckRequest, check
from verifier.classes import Side
from verifier.errors import Interrupted, WindowEnded
from verifier.manifest.store import Manifest
from verifier.scan import plan
from verifier.scan.plan import Reread
from verifier.scan.scanner import ScanOptions, ScanRequest, scan
from verifier.scan.side import WINDOW_ENDED

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("clock_ahead")

FILES = 12


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return a tree of files with 100, 200, ... bytes."""
    made = tmp_path / "root"
    made.mkdir()
    for n in range(FILES):
        (made / f"{n:02}").write_bytes(b"%d" % (n % 10) * 100 * (n + 1))
    (made / "empty").write_bytes(b"")
    return made


def states(manifest: Path) -> dict[str, str]:
    """Return the state of each file."""
    with Manifest.open(manifest) as opened:
        return {one.path: one.state for one in opened.entries()}


def test_a_window_that_is_over_ends_the_scan_and_the_next_goes_on(root: Path, tmp_path: Path) -> None:
    """Nothing is read after it; the manifest says that it is incomplete, and the same scan later reads the rest."""
    manifest = tmp_path / "manifest"
    outcome = scan_tree(root, manifest, ScanOptions(until=time.monotonic()))
    assert outcome.interrupted == WINDOW_ENDED
    assert facts_of(manifest)["complete"] == "0"
    assert scan_tree(root, manifest).interrupted == ""
    assert set(states(manifest).values()) == {"proved"}


def test_a_check_says_that_it_was_the_window(root: Path, tmp_path: Path) -> None:
    """An error of its own, so that who runs it every night can tell it from a share that went away: exit code 3."""
    other = tmp_path / "other"
    other.mkdir()
    (other / "a").write_bytes(b"a")
    request = CheckRequest(root, other, tmp_path / "proof", scan=ScanOptions(until=time.monotonic()))
    with pytest.raises(WindowEnded, match="the time window ended") as caught:
        check(request)
    assert isinstance(caught.value, Interrupted)
    assert caught.value.exit_code == 3


def reread(root: Path, tmp_path: Path, policy: Reread, **options: float) -> set[str]:
    """Scan again with a policy, and return what was read."""
    earlier = tmp_path / "earlier"
    scan_tree(root, earlier)
    scan_tree(root, tmp_path / "later", ScanOptions(reread=policy, **options), reuse=earlier)  # type: ignore[arg-type]
    assert facts_of(tmp_path / "later")["complete"] == "1"
    return {path for path, state in states(tmp_path / "later").items() if state == "proved"}


def test_a_window_that_ends_while_files_are_read_again_leaves_a_complete_manifest(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is to be read again is no part of what a manifest needs: what was not reached stays as it was known."""
    monkeypatch.setattr(plan, "LEAST_FILES", 1)
    until = time.monotonic() + 1.0

    def wait_for_it(_: int) -> bool:
        time.sleep(max(0.0, until - time.monotonic()))
        return True

    assert reread(root, tmp_path, Reread(timedelta(0), fits=wait_for_it), until=until) < {
        *map("{:02}".format, range(FILES)),
        "empty",
    }


@pytest.mark.parametrize(
    ("aim", "wanted"),
    [(1, {"00"}), (100, {"00"}), (101, {"00", "01"}), (650, {"00", "01", "02", "03"})],
    ids=["less than a file", "one file", "a byte more", "several"],
)
def test_an_aim_is_reached_and_not_fallen_short_of(root: Path, tmp_path: Path, aim: int, wanted: set[str]) -> None:
    """The last file may go beyond it, so that one which is larger than all of it has its turn."""
    assert reread(root, tmp_path, Reread(timedelta(0), aim, is_aim=True)) == wanted


def test_an_aim_of_nothing_still_reads_empty_files(root: Path, tmp_path: Path) -> None:
    """They cost nothing, and are promised to be read as the others are."""
    for n in range(FILES):
        (root / f"{n:02}").unlink()
    assert reread(root, tmp_path, Reread(timedelta(0), 0, is_aim=True)) == {"empty"}


def test_what_does_not_fit_is_passed_over(root: Path, tmp_path: Path) -> None:
    """A file that cannot be read in the time that is left keeps none behind it from being read."""
    found = reread(root, tmp_path, Reread(timedelta(0), fits=lambda size: size != 300))
    assert found == {f"{n:02}" for n in range(FILES)} - {"02"} | {"empty"}


def test_what_is_distrusted_is_read_whatever_is_known_of_it(root: Path, tmp_path: Path) -> None:
    """A named file is read though it has not changed; others are carried over, and it need not even be there."""
    earlier, later = tmp_path / "earlier", tmp_path / "later"
    scan_tree(root, earlier)
    request = ScanRequest("old", root, later, earlier, distrust=("03", "empty", "not there"))
    outcome = scan(request, ScanOptions())
    assert {path for path, state in states(later).items() if state == "proved"} == {"03", "empty"}
    assert outcome.fingerprint == facts_of(earlier)["fingerprint"]


def test_each_root_may_be_read_again_by_a_policy_of_its_own(tmp_path: Path) -> None:
    """The old side has another past than the new one."""
    roots = {side: tmp_path / side for side in Side}
    for made in roots.values():
        made.mkdir()
        for name in "abc":
            (made / name).write_bytes(name.encode() * 10)
    first = tmp_path / "first"
    check(CheckRequest(roots[Side.OLD], roots[Side.NEW], first))
    reuse = {side: first / f"{side}.manifest.sqlite" for side in Side}
    asked = CheckRequest(
        roots[Side.OLD],
        roots[Side.NEW],
        tmp_path / "second",
        reuse=tuple(reuse.values()),
        rereads={reuse[Side.OLD]: Reread(timedelta(0), 15, is_aim=True), reuse[Side.NEW]: Reread()},
        distrust={Side.NEW: ("c",)},
    )
    check(asked)
    read = {
        side: {
            path for path, state in states(tmp_path / "second" / f"{side}.manifest.sqlite").items() if state == "proved"
        }
        for side in Side
    }
    assert read == {Side.OLD: {"a", "b"}, Side.NEW: {"c"}}
