"""Errors: one line each, with the exit code that belongs to it, and whole on either side of a process boundary."""

from __future__ import annotations

import pickle

import pytest

from verifier import errors
from verifier.classes import DEFAULT_SEVERITY, EXIT_CODES, Class, VerdictKind
from verifier.errors import (
    CannotRun,
    Interrupted,
    SignOffInconclusive,
    SignOffRefused,
    UsageProblem,
    VerifierError,
)

ALL = [
    kind
    for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, VerifierError) and kind is not VerifierError
]


@pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.__name__)
def test_an_error_is_one_line(kind: type[VerifierError]) -> None:
    """Line feeds in what is told, as a system's message may have, do not make a second line."""
    assert str(kind("it\nfailed  here", "do\tthis")) == "it failed here; do this"
    assert str(kind("it failed")) == "it failed"


@pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.__name__)
def test_an_error_survives_pickling(kind: type[VerifierError]) -> None:
    """What a reader process raises arrives as what it was, with what failed and what to do."""
    arrived = pickle.loads(pickle.dumps(kind("it failed", "do this")))
    assert type(arrived) is kind
    assert (arrived.what, arrived.hint, str(arrived)) == ("it failed", "do this", "it failed; do this")


@pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.__name__)
def test_an_error_has_the_code_of_its_branch(kind: type[VerifierError]) -> None:
    """Wrong usage is 2, interrupted is 3, could not run is 4, and not signed has the verdict's code.

    Every error is in one of the branches.
    """
    branches: dict[type[VerifierError], int] = {UsageProblem: 2, Interrupted: 3, CannotRun: 4}
    branches |= {SignOffRefused: 1, SignOffInconclusive: 3}
    assert [code for branch, code in branches.items() if issubclass(kind, branch)] == [kind.exit_code]


def test_branches_are_what_callers_may_catch() -> None:
    """Who uses the Python API catches the built-in errors that fit."""
    assert issubclass(UsageProblem, ValueError)
    assert issubclass(CannotRun, OSError)


def test_every_class_weighs_something_and_every_verdict_ends_in_a_code() -> None:
    """No class is without a severity, no verdict without an exit code, and only trust is 0."""
    assert set(DEFAULT_SEVERITY) == set(Class)
    assert set(EXIT_CODES) == set(VerdictKind)
    assert {kind for kind, code in EXIT_CODES.items() if code == 0} == {
        VerdictKind.TRUSTWORTHY,
        VerdictKind.WITH_EXCEPTIONS,
    }
