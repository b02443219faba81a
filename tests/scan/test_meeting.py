"""The meeting of the sides: held once, when all are listed, and nobody waits for who will not come."""

from __future__ import annotations

import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TYPE_CHECKING, Final

import pytest

from tests.scan.command import wait_for
from tests.scan.scans import facts_of
from verifier.errors import EvidenceUnwritable
from verifier.manifest.store import Manifest
from verifier.scan.meeting import Meeting

if TYPE_CHECKING:
    from collections.abc import Iterator
    from concurrent.futures import Future
    from pathlib import Path

PATIENCE_S: Final = 5


class Side:
    """One side's scan, as far as the meeting sees it: it lists, looks whether the meeting is due, and ends."""

    def __init__(self, meeting: Meeting, path: Path) -> None:
        self.meeting = meeting
        self.manifest = Manifest.create(path)
        self.manifest.set_facts(algorithm="blake3")

    def attend(self, threads: ThreadPoolExecutor) -> Future[None]:
        """Come to the meeting, in a thread of its own."""
        return threads.submit(self.meeting.attend, self.manifest)


class Meetings:
    """Two sides, and how often their meeting was held."""

    def __init__(self, place: Path) -> None:
        self.held = 0
        self.fails = False
        self.paths = [place / "old", place / "new"]
        self.meeting = Meeting(2, self.hold)
        self.old, self.new = (Side(self.meeting, path) for path in self.paths)

    def hold(self) -> None:
        """Read both manifests, as a join of the listings does."""
        self.held += 1
        if self.fails:
            raise LookupError
        assert [facts_of(path)["algorithm"] for path in self.paths] == ["blake3"] * 2


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Meetings]:
    """Return two sides that will meet."""
    made = Meetings(tmp_path)
    yield made
    for side in (made.old, made.new):
        side.manifest.close()


@pytest.fixture
def threads() -> Iterator[ThreadPoolExecutor]:
    """Return threads for the sides."""
    with ThreadPoolExecutor(2) as pool:
        yield pool


def waits(meeting: Meeting, number: int) -> bool:
    """Wait until so many sides are there."""
    return wait_for(lambda: meeting._present == number, timeout_s=PATIENCE_S)


def test_both_come_and_the_meeting_is_held_once(two: Meetings, threads: ThreadPoolExecutor) -> None:
    """It is due when both are listed, held when both are there, and over for good afterwards."""
    two.meeting.listed()
    early = two.meeting.due
    two.meeting.listed()
    assert (early, two.meeting.due) == (False, True)
    first = two.old.attend(threads)
    assert waits(two.meeting, 1)
    assert two.held == 0
    second = two.new.attend(threads)
    for attended in (first, second):
        attended.result(PATIENCE_S)
    assert two.held == 1
    assert not two.meeting.due
    for side in (two.old, two.new):
        side.meeting.leave(listed=True)
    assert two.held == 1


def test_manifests_are_held_again_after_the_meeting(
    two: Meetings, threads: ThreadPoolExecutor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """During the meeting others can read; before and after it each manifest is its scan's alone."""
    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, timeout=0.05))  # instead of 5 s
    with pytest.raises(EvidenceUnwritable):
        facts_of(two.paths[0])
    for _ in range(2):
        two.meeting.listed()
    for side in [two.old.attend(threads), two.new.attend(threads)]:
        side.result(PATIENCE_S)
    assert two.held == 1
    for path in two.paths:
        with pytest.raises(EvidenceUnwritable):
            facts_of(path)


def test_a_side_that_can_be_read_already_only_waits(two: Meetings, threads: ThreadPoolExecutor) -> None:
    """A side that seals its manifest lets others read in any case: it comes without it and loses nothing."""
    for _ in range(2):
        two.meeting.listed()
    two.new.manifest.let_read()
    first = two.old.attend(threads)
    threads.submit(two.meeting.attend, None).result(PATIENCE_S)
    first.result(PATIENCE_S)
    assert two.held == 1


def test_a_side_that_has_ended_is_not_waited_for(two: Meetings, threads: ThreadPoolExecutor) -> None:
    """One side is read to its end before the other is listed: the other one meets with what is there."""
    two.meeting.listed()
    two.old.manifest.close()
    two.meeting.leave(listed=True)
    assert two.held == 0
    two.meeting.listed()
    assert two.meeting.due
    two.new.attend(threads).result(PATIENCE_S)
    assert two.held == 1


def test_who_ends_while_the_other_waits_lets_the_meeting_begin(two: Meetings, threads: ThreadPoolExecutor) -> None:
    """Listed, then interrupted before it came: its listing is whole, and who waits does not wait for ever."""
    for _ in range(2):
        two.meeting.listed()
    waiting = two.old.attend(threads)
    assert waits(two.meeting, 1)
    two.new.manifest.close()
    two.meeting.leave(listed=True)
    waiting.result(PATIENCE_S)
    assert two.held == 1


def test_without_a_listing_there_is_no_meeting(two: Meetings) -> None:
    """A side that was interrupted while it was listed has nothing to join: the other one reads on, undisturbed."""
    two.meeting.leave(listed=False)
    two.meeting.listed()
    assert not two.meeting.due
    two.meeting.leave(listed=True)
    assert two.held == 0


def test_a_meeting_that_fails_lets_everybody_go(two: Meetings, threads: ThreadPoolExecutor) -> None:
    """What the meeting raises reaches whoever held it; the other side is let go, and it is not held again."""
    two.fails = True
    for _ in range(2):
        two.meeting.listed()
    first = two.old.attend(threads)
    assert waits(two.meeting, 1)
    second = two.new.attend(threads)
    with pytest.raises(LookupError):
        second.result(PATIENCE_S)
    first.result(PATIENCE_S)
    assert not two.meeting.due
    two.meeting.leave(listed=True)
    two.meeting.leave(listed=True)
    assert two.held == 1


def test_nobody_meets_where_nobody_asked(tmp_path: Path) -> None:
    """Without anybody to be told, no side ever stops for the others."""
    meeting = Meeting(2)
    meeting.listed()
    meeting.listed()
    assert not meeting.due
    done = threading.Event()
    with Manifest.create(tmp_path / "m") as manifest, ThreadPoolExecutor(1) as one:
        one.submit(meeting.attend, manifest).add_done_callback(lambda _: done.set())
        assert done.wait(PATIENCE_S)
