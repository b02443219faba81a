"""Times that were cut on the way: the files of a side show a coarser step than its file system says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import SECOND_NS, T0_NS, file, folder, link, reconciled
from verifier.classes import Cause, Class
from verifier.reconcile.steps import FEWEST, STEPS_NS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from verifier.tree.entry import Entry

ODD_NS: Final = 1_234_567_891
"""Between two files' times; on no step."""


def at_times(times_ns: Iterable[int]) -> list[Entry]:
    """Return a file for each time."""
    return [file(f"{n:03}", str(n).encode(), mtime_ns=at) for n, at in enumerate(times_ns)]


def fine(number: int) -> list[int]:
    """Return times to the nanosecond."""
    return [T0_NS + 1 + n * ODD_NS for n in range(number)]


def cut(times_ns: Iterable[int], step_ns: int) -> list[int]:
    """Return times as a file system keeps them that has this step (utimensat(2): cut, not rounded)."""
    return [at // step_ns * step_ns for at in times_ns]


def step(old: Sequence[int], new: Sequence[int]) -> int:
    """Return the tolerance that both sides' files come to."""
    return reconciled(at_times(old), at_times(new)).comparison.tolerance_ns


@pytest.mark.parametrize("step_ns", STEPS_NS)
def test_a_side_that_was_cut_is_compared_at_its_step(step_ns: int) -> None:
    """Every file on a step on one side and not on the other: the step is the tolerance, whichever side it is."""
    times = fine(FEWEST)
    assert step(times, cut(times, step_ns)) == step_ns
    assert step(cut(times, step_ns), times) == step_ns


def test_a_file_of_its_own_time_does_not_hide_the_step() -> None:
    """Somebody has written a file since, another one is an older version: times were cut all the same."""
    times = fine(FEWEST + 2)
    others = [*cut(times[:-2], SECOND_NS), times[-2] + 90 * SECOND_NS, times[-1] - 7]
    assert step(times, others) == SECOND_NS


def test_two_sides_that_both_lie_on_one_step_have_no_tolerance() -> None:
    """An old archive of whole seconds that was copied exactly is compared exactly."""
    times = cut(fine(FEWEST), SECOND_NS)
    assert step(times, times) == 0


def test_whole_seconds_against_even_ones() -> None:
    """The coarser of two steps counts."""
    times = fine(FEWEST * 3)
    assert step(cut(times, SECOND_NS), cut(times, 2 * SECOND_NS)) == 2 * SECOND_NS


def test_times_before_1970_lie_on_steps_too() -> None:
    """Negative times are cut downwards."""
    times = [-at for at in fine(FEWEST)]
    assert step(times, cut(times, 2 * SECOND_NS)) == 2 * SECOND_NS


def test_too_few_files_show_no_step() -> None:
    """Nine files may differ by less than a second for other reasons."""
    times = fine(FEWEST - 1)
    assert step(times, cut(times, SECOND_NS)) == 0


def test_only_files_show_the_step() -> None:
    """Folders and links have times of their own, which a copy makes anew."""
    sides = [at_times(fine(FEWEST)), at_times(cut(fine(FEWEST), SECOND_NS))]
    assert reconciled(*sides).comparison.tolerance_ns == SECOND_NS
    sides[1] += [folder("f", mtime_ns=T0_NS + 7), link("l", "f", mtime_ns=T0_NS + 9)]
    assert reconciled(*sides).comparison.tolerance_ns == SECOND_NS


def test_times_that_were_cut_are_no_differences() -> None:
    """A server that keeps whole seconds makes no hundred findings, and what is off by more still is one."""
    old = at_times(fine(FEWEST + 1))
    new = at_times(cut((one.mtime_ns for one in old), SECOND_NS))
    new[3] = new[3]._replace(mtime_ns=new[3].mtime_ns - 2 * SECOND_NS)
    outcome = reconciled(old, new)
    assert [(found.old_path, found.fields) for found in outcome.findings] == [("003", "mtime")]


def test_silent_is_silent_within_the_step_that_was_seen() -> None:
    """Bytes that changed while the time was only cut changed under an unchanged time."""
    old = at_times(fine(FEWEST + 5))
    new = at_times(cut((one.mtime_ns for one in old), SECOND_NS))
    new[3] = file("003", b"x", mtime_ns=new[3].mtime_ns)
    outcome = reconciled(old, new, frozen_at_ns=0, live_since_ns=0)
    assert [(found.cls, found.cause) for found in outcome.findings] == [(Class.CONTENT_CHANGED, Cause.SILENT)]


@settings(max_examples=6)
@given(
    times=st.lists(st.integers(-(10**18), 10**18), min_size=FEWEST * 2, max_size=FEWEST * 2),
    step_ns=st.sampled_from(STEPS_NS),
)
def test_cutting_times_is_never_seen_as_a_difference(times: list[int], step_ns: int) -> None:
    """Whatever the times were, a side that was cut to a step has no finding against the other."""
    off = [at + 1 if at % STEPS_NS[0] == 0 else at for at in times]
    assert reconciled(at_times(off), at_times(cut(off, step_ns))).findings == ()
