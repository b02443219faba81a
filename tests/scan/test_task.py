"""What goes to another process and back: whatever it holds, it arrives as it was."""

from __future__ import annotations

import os
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.strategies import names, paths
from verifier.manifest.seal import Run
from verifier.manifest.totals import Totals
from verifier.scan.task import (
    Outcome,
    ReadTask,
    RunTask,
    Task,
    Unchanged,
    VisitTask,
    Work,
    empty_outcome,
    pack_outcome,
    pack_task,
    unpack_outcome,
    unpack_task,
)
from verifier.tree.cache import ColdCount
from verifier.tree.entry import Entry
from verifier.tree.names import to_text
from verifier.tree.trouble import Problem
from verifier.tree.walk import Place

NUMBERS = st.integers(-(2**63), 2**63 - 1)
PATHS = paths().map(to_text)
SECONDS = st.floats(allow_nan=False)
TEXTS = st.none() | st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
VALUES: st.SearchStrategy[Any] = st.one_of(st.none(), NUMBERS, st.binary(max_size=40), PATHS)
ROWS = st.lists(st.tuples(PATHS, VALUES, VALUES, VALUES), max_size=4)
PLACES = st.builds(
    Place, st.just("") | PATHS, st.none() | st.lists(st.tuples(names().map(os.fsdecode), st.booleans()), max_size=5)
)
PROBLEMS = st.builds(Problem, PATHS, st.just("read"), PATHS, st.integers(1, 3), st.just("2026-11-25T00:00:00+00:00"))
ENTRIES = st.tuples(PATHS, *[VALUES] * (len(Entry._fields) - 1)).map(Entry._make)


def tasks() -> st.SearchStrategy[Task]:
    """Draw a task."""
    return st.one_of(
        st.builds(
            VisitTask,
            st.lists(PLACES, max_size=4).map(tuple),
            SECONDS,
            st.integers(1, 10**6),
            SECONDS,
            st.lists(PATHS, max_size=3).map(tuple),
        ),
        st.builds(
            ReadTask,
            st.lists(st.tuples(PATHS, NUMBERS, NUMBERS, NUMBERS), max_size=4).map(tuple),
            st.integers(1, 64),
            st.booleans(),
        ),
        st.builds(RunTask, PATHS, st.builds(Run, PATHS, PATHS), st.booleans()),
    )


def outcomes() -> st.SearchStrategy[Outcome]:
    """Draw an outcome."""
    counts = st.integers(0, 2**63 - 1)
    shared = st.tuples(
        st.sampled_from(["listed", "proved", "carried"]), st.tuples(VALUES, VALUES), st.just(2), st.lists(VALUES)
    )
    return st.builds(
        Outcome,
        ROWS,
        ROWS,
        ROWS,
        st.lists(ENTRIES | ENTRIES.map(tuple), max_size=3),
        ROWS,
        ROWS,
        st.lists(PROBLEMS, max_size=3),
        st.lists(PLACES, max_size=3),
        st.builds(Work, *[counts] * len(Work._fields)),
        st.builds(ColdCount, *[counts] * len(ColdCount._fields)),
        st.lists(shared, max_size=2),
        st.lists(
            st.builds(Unchanged, st.just("carried"), st.tuples(PATHS, PATHS, TEXTS, NUMBERS), NUMBERS, counts),
            max_size=2,
        ),
        st.binary(max_size=32),
        st.builds(Totals, *[counts] * 8, st.none() | PATHS, *[counts] * 4),
        SECONDS,
        st.text(max_size=20),
        st.lists(st.tuples(counts, counts), max_size=4),
    )


@given(task=tasks())
def test_a_task_arrives_as_it_was(task: Task) -> None:
    """Hostile names, names that are no text, numbers of any sign: nothing is lost on the way to a reader."""
    arrived = unpack_task(pack_task(task))
    assert arrived == task
    assert type(arrived) is type(task)
    if isinstance(arrived, VisitTask):
        assert all(isinstance(place, Place) for place in arrived.places)


@given(outcome=outcomes())
@settings(max_examples=25)
def test_an_outcome_arrives_as_it_was(outcome: Outcome) -> None:
    """Nothing is lost on the way back, and what has names for its fields has them again."""
    arrived = unpack_outcome(pack_outcome(outcome))
    assert arrived == outcome
    assert all(isinstance(problem, Problem) for problem in arrived.problems)
    assert all(isinstance(place, Place) for place in arrived.rest)
    assert (type(arrived.work), type(arrived.cold)) == (Work, ColdCount)


def test_outcomes_do_not_share_what_they_gather() -> None:
    """Two empty outcomes that are filled stay two."""
    one, other = empty_outcome(), empty_outcome()
    one.entries.append(("a",))
    one.problems.append(Problem("a", "read", "EIO", 1, ""))
    one.rest.append(Place("a"))
    assert other == empty_outcome()
