"""The number of readers: found by trying, on a medium that is simulated, and shared by the sides of one device."""

from __future__ import annotations

import dataclasses
import itertools
import os
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import TYPE_CHECKING, Final

import pytest

from tests.strategies import lay_out
from verifier.scan import budget as module
from verifier.scan.budget import HOLD_S, NAME_BYTES, TURN_S, Budget, ProcessorShare, SideWork, Tuner, budgets, disks_of
from verifier.scan.engine import MAX_READERS
from verifier.tree.share import Share

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Medium = Callable[[int], float]

MB: Final = 10**6
LOOK_S: Final = 0.2
"""So often a scan looks where nothing else wakes it."""


def scales(readers: int) -> float:
    """Be a share at the other end of a network: each reader waits, so 32 of them bring 32 times as much."""
    return 3 * MB * min(readers, 32)


def spins(readers: int) -> float:
    """Be a spinning disk: every further reader costs time to move between them."""
    return 150 * MB / readers


def is_flat(readers: int) -> float:
    """Be something that gives one reader all it has."""
    assert readers
    return 400 * MB


def takes_two(readers: int) -> float:
    """Be a disk that two readers keep busy."""
    return 300 * MB * min(readers, 2)


@dataclass(slots=True)
class Run:
    """Readers at work on a simulated medium, by a clock of its own."""

    tuner: Tuner
    medium: Medium
    step_bytes: int = NAME_BYTES
    now: float = 1000.0
    done: float = 0.0
    numbers: list[int] = field(default_factory=list)
    """How many readers there were, look by look."""

    def on(self, seconds: float) -> Run:
        """Let some time pass."""
        until = self.now + seconds
        while self.now < until:
            self.now += LOOK_S
            self.done += self.medium(self.tuner.readers) * LOOK_S
            self.tuner.observe(self.now, self.done, int(self.done / self.step_bytes))
            self.numbers.append(self.tuner.readers)
        return self


def idle() -> float:
    """Return how busy the processors are: hardly."""
    return 0.1


def run(medium: Medium, seconds: float, *, busy: Callable[[], float] = idle, fixed: int | None = None) -> Run:
    """Let readers work for a while."""
    return Run(Tuner(fixed, busy), medium).on(seconds)


def test_where_more_readers_bring_more_there_are_soon_many() -> None:
    """Latency is hidden: within seconds 16 readers are at work, and 32 where they bring more still."""
    assert max(run(scales, 6).numbers) >= 16
    settled = run(scales, 15)
    assert settled.tuner.settled_on == settled.tuner.readers == 32


def test_a_spinning_disk_ends_with_one_reader() -> None:
    """Where more readers make it slower, the number falls, and soon."""
    settled = run(spins, 10)
    assert settled.tuner.settled_on == settled.tuner.readers == 1
    assert sum(number > 2 for number in settled.numbers) * LOOK_S < 2


def test_where_more_readers_bring_nothing_there_are_few() -> None:
    """A medium that gives all it has to one reader keeps the others free for somebody else, for hours."""
    assert run(is_flat, 10).tuner.readers <= 2
    assert run(is_flat, 900).tuner.readers <= 2


def test_a_number_that_does_best_is_kept() -> None:
    """Neither more nor fewer: two readers where two keep the disk busy."""
    settled = run(takes_two, 10)
    assert settled.tuner.settled_on == settled.tuner.readers == 2


@pytest.mark.parametrize("medium", [scales, spins, is_flat, takes_two])
def test_busy_processors_never_get_more_readers(medium: Medium) -> None:
    """Where the processors are the limit more readers only take them from each other."""
    busy = run(medium, 90, busy=lambda: 0.97)
    assert max(busy.numbers) == busy.numbers[0]


@pytest.mark.parametrize("medium", [scales, spins, is_flat])
@pytest.mark.parametrize("number", [1, 7, 64])
def test_a_number_that_somebody_chose_stays(medium: Medium, number: int) -> None:
    """Whoever gives a number gets that number, from the first moment to the last."""
    chosen = run(medium, 90, fixed=number)
    assert set(chosen.numbers) == {number}
    assert chosen.tuner.settled_on == number


def test_the_number_has_a_bound() -> None:
    """A medium without any limit does not get readers without limit."""
    settled = run(lambda readers: 3 * MB * readers, 60)
    assert max(settled.numbers) == settled.tuner.settled_on == MAX_READERS


def test_a_change_of_the_medium_is_noticed() -> None:
    """After a rest others are tried again: a share that was busy in the evening is not in the night."""
    going = run(spins, 20)
    assert going.tuner.readers == 1
    going.medium = scales
    going.on(2 * HOLD_S + 20)  # the first trial still compares with what was before
    assert going.tuner.readers >= 16


def test_a_number_rests_between_trials() -> None:
    """Trying costs something, so most of the time the number is the one that did best."""
    going = run(takes_two, 300)
    assert sum(number == 2 for number in going.numbers) > 0.9 * len(going.numbers)


def test_little_that_was_done_says_nothing() -> None:
    """One file that takes a minute is no measure: the number is not changed by it."""
    going = Run(Tuner(None, idle), lambda _: 10.0, MB).on(30)
    assert set(going.numbers) == {going.numbers[0]}


# ---- Two sides


class Clock:
    """A clock that moves when it is told to."""

    def __init__(self) -> None:
        self.now = 1000.0


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """Put a clock in the place of the real one."""
    clock = Clock()
    monkeypatch.setattr(module, "time", SimpleNamespace(monotonic=lambda: clock.now))
    return clock


NOTHING: Final = SideWork(0, 0, 0, 0.0)


def now(budget: Budget) -> tuple[int, int]:
    """Return how many readers each of two sides may use."""
    return budget.share(0, NOTHING), budget.share(1, NOTHING)


@pytest.mark.parametrize(("readers", "shares"), [(2, (1, 1)), (5, (3, 2)), (64, (32, 32))])
def test_two_sides_share_the_number(readers: int, shares: tuple[int, int]) -> None:
    """The readers of both sides together are the number that is right for the device."""
    assert now(Budget(Tuner(readers), 2)) == shares


def test_who_has_ended_leaves_all_to_the_other() -> None:
    """When one side is through the other gets every reader."""
    budget = Budget(Tuner(6), 2)
    assert now(budget) == (3, 3)
    budget.leave(0)
    assert budget.share(1, NOTHING) == 6
    budget.leave(0)
    assert budget.share(1, NOTHING) == 6


def test_who_waits_leaves_all_to_the_other_until_it_comes_back() -> None:
    """A side that is listed waits for the other one's listing, which has all readers for it; then they share again."""
    budget = Budget(Tuner(6), 2)
    budget.leave(0)
    assert budget.share(1, NOTHING) == 6
    for _ in range(2):
        budget.come_back(0)
        assert now(budget) == (3, 3)


def test_with_one_reader_the_sides_take_turns(clock: Clock) -> None:
    """A spinning disk reads one side for a while, then the other: each in sequence, and neither starves."""
    budget = Budget(Tuner(1), 2)
    seen = []
    for _ in range(int(8 * TURN_S)):
        clock.now += 0.5
        seen.append(now(budget))
    assert set(seen) == {(1, 0), (0, 1)}
    changes = sum(was != is_now for was, is_now in itertools.pairwise(seen))
    assert changes == len(seen) * 0.5 // TURN_S
    assert seen.count((1, 0)) == seen.count((0, 1))
    budget.leave(1)
    assert {budget.share(0, NOTHING) for _ in range(3)} == {1}


def test_the_number_follows_from_what_both_sides_do(clock: Clock) -> None:
    """What one side alone gets out of a device is half of it: both together are the measure."""
    budget = Budget(Tuner(None, idle), 2)
    done = [0.0, 0.0]
    readers = [1, 1]
    for _ in range(100):
        clock.now += LOOK_S
        for side in (0, 1):
            done[side] += scales(sum(readers)) / 2 * LOOK_S
            readers[side] = budget.share(side, SideWork(int(done[side]), 0, int(done[side] / 10**5), 0.0))
    assert budget.settled_on == 32
    assert readers == [16, 16]


@pytest.mark.parametrize(("processor_s", "most"), [(0.1, 32), (0.9, 2)], ids=["waiting", "computing"])
def test_processor_time_of_both_sides_counts(
    clock: Clock, monkeypatch: pytest.MonkeyPatch, processor_s: float, most: int
) -> None:
    """What the readers of both sides take of all processors says whether more of them could help."""
    monkeypatch.setattr(os, "cpu_count", lambda: 4)
    budget = Budget(Tuner(), 2)
    done, used, readers = 0.0, 0.0, 2
    for _ in range(100):
        clock.now += LOOK_S
        done += scales(readers) / 2 * LOOK_S
        used += 4 * processor_s / 2 * LOOK_S
        readers = sum(budget.share(side, SideWork(int(done), 0, int(done / 10**5), used)) for side in (0, 1))
    assert budget.settled_on <= most
    assert (budget.settled_on > 2) == (most > 2)


def test_a_share_of_the_processors_is_that_since_the_last_look(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    """Processor time over all processors, since it was last asked for."""
    monkeypatch.setattr(os, "cpu_count", lambda: 4)
    share = ProcessorShare()
    clock.now += 1
    share.seconds = 2.0
    assert share() == pytest.approx(0.5)
    clock.now += 10
    assert share() == 0
    assert share() == 0


# ---- One device or two


@pytest.fixture
def shares(tmp_path: Path) -> list[Share]:
    """Return two shares that lie beside each other."""
    return [Share.at(lay_out(tmp_path / name, {})) for name in ("one", "two")]


def test_two_folders_of_one_file_system_share_a_budget(shares: list[Share]) -> None:
    """Both sides on one disk: one budget, each with its own number in it."""
    (one, first), (two, second) = budgets(shares, None)
    assert one is two
    assert {first, second} == {0, 1}


def elsewhere(share: Share, source: str) -> Share:
    """Return a share as one of another mount, with a device number as mounts without a disk get it: its major is 0."""
    return dataclasses.replace(share, device=91, mount_source=source)


def test_two_servers_have_a_budget_each(shares: list[Share]) -> None:
    """What lies on two devices need not share anything."""
    old, new = elsewhere(shares[0], "old:/srv"), elsewhere(shares[1], "new:/srv")
    (one, first), (two, second) = budgets([old, new], 5)
    assert one is not two
    assert (first, second) == (0, 0)
    assert one.share(0, NOTHING) == two.share(0, NOTHING) == 5


def test_one_export_mounted_twice_is_one_device(shares: list[Share]) -> None:
    """Two mounts of one source get device numbers of their own and are one medium all the same."""
    twice = [dataclasses.replace(elsewhere(share, "old:/srv"), device=n) for n, share in enumerate(shares, 90)]
    (one, _), (two, _) = budgets(twice, None)
    assert one is two


def test_where_nothing_is_known_the_device_number_tells(shares: list[Share]) -> None:
    """Without a source in the mount table equal numbers are one device and others are not."""
    one, two = (elsewhere(share, "") for share in shares)
    assert disks_of(one) == disks_of(two)
    assert not disks_of(one) & disks_of(dataclasses.replace(two, device=92))


def test_a_device_is_followed_to_its_disks(tmp_path: Path) -> None:
    """A partition is part of its disk, and what is mapped lies on all disks that it is made of.

    Source: the kernel's documentation, ABI/testing/sysfs-block and ABI/stable/sysfs-block: a partition's folder lies
    in its disk's and has a file ``partition``; ``slaves`` holds links to what a device is made of (from memory).
    """
    devices = tmp_path / "devices"
    for name in ("sda/sda1", "sdb/sdb1", "dm-0/slaves"):
        (devices / name).mkdir(parents=True)
    for name in ("sda/sda1", "sdb/sdb1"):
        (devices / name / "partition").write_text("1\n")
    (devices / "sda" / "slaves").mkdir()
    for name in ("sda/sda1", "sdb/sdb1"):
        (devices / "dm-0" / "slaves" / name.rpartition("/")[2]).symlink_to(devices / name)
    (tmp_path / "8:1").symlink_to(devices / "sda" / "sda1")
    assert module._disks(tmp_path / "8:1") == ["sda"]
    assert module._disks(devices / "sda") == ["sda"]
    assert module._disks(devices / "dm-0") == ["sda", "sdb"]
    assert module._disks(tmp_path / "8:2") == []
