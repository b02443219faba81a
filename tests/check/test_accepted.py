"""A check that takes along what somebody accepted: what it leaves, and what becomes of it when it is ended."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.decisions.checks import NOON, Checks
from tests.reconcile.trees import file, scratch
from verifier import check as check_module
from verifier.check import CheckRequest, check
from verifier.classes import Class, VerdictKind
from verifier.decisions.exceptions import Exceptions, Withdrawal
from verifier.errors import UsageProblem

if TYPE_CHECKING:
    from collections.abc import Iterator

OLD = [file("same"), file("labels/1", b"1")]


@pytest.fixture
def checks() -> Iterator[Checks]:
    """Give a check of which one file and its folder are accepted as lost."""
    with scratch() as base:
        checks = Checks(base)
        checks.check(OLD, OLD[:1])
        checks.accept("labels/", Class.MISSING)
        yield checks


def again(checks: Checks, **changes: object) -> CheckRequest:
    """Return a request for the same sides, into another folder."""
    given = {"accepted": checks.record, **changes}
    return CheckRequest(checks.base / "old-0", checks.base / "new-0", checks.base / "again", **given)  # type: ignore[arg-type]


def test_an_ended_check_goes_on_with_what_was_accepted(checks: Checks, monkeypatch: pytest.MonkeyPatch) -> None:
    """The record is in the folder before anything is read; the same request goes on, and another one is refused."""

    def ended(*_: object) -> None:
        raise KeyboardInterrupt

    request = again(checks)
    with monkeypatch.context() as patched:
        patched.setattr(check_module, "_conclude", ended)
        for _ in range(2):
            with pytest.raises(KeyboardInterrupt):
                check(request)
            assert (request.evidence / "exceptions.sqlite").read_bytes() == checks.record.read_bytes()
    assert not (request.evidence / "findings.sqlite").exists()
    with pytest.raises(UsageProblem, match="somebody accepted"):
        check(again(checks, accepted=None))
    assert check(request).verdict.kind is VerdictKind.WITH_EXCEPTIONS


def test_an_ended_check_takes_what_was_decided_meanwhile(checks: Checks, monkeypatch: pytest.MonkeyPatch) -> None:
    """A record that holds all of the copy and more takes its place."""
    request = again(checks)
    with monkeypatch.context() as patched:
        patched.setattr(check_module, "_conclude", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            check(request)
    with Exceptions.change(checks.record) as store:
        store.withdraw(1, Withdrawal(NOON.isoformat(timespec="seconds"), "A curator", "found again"))
    assert check(request).verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_what_a_killed_run_left_of_a_record_does_not_stand_in_the_way(checks: Checks) -> None:
    """Half a copy is cleared away."""
    request = again(checks)
    request.evidence.mkdir()
    (request.evidence / ".exceptions.sqlite.part").write_bytes(b"half")
    assert check(request).verdict.kind is VerdictKind.WITH_EXCEPTIONS
    assert not [path for path in request.evidence.iterdir() if ".part" in path.name]


def test_nothing_accepted_leaves_no_record(checks: Checks) -> None:
    """A check that nobody decided about has no such file."""
    request = again(checks, accepted=None)
    assert check(request).verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert not (request.evidence / "exceptions.sqlite").exists()
