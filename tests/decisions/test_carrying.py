"""Taking a record along: nothing that somebody decided is lost on the way."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.decisions.checks import DAY, NOON
from tests.decisions.test_exceptions import WANTED, WITHDRAWAL, leftovers, read, record, row
from tests.reconcile.trees import scratch
from verifier.decisions.carrying import record_in, refuse_to_lose, take_along
from verifier.decisions.exceptions import Exceptions
from verifier.errors import EvidenceUnwritable, NotAManifest, UsageProblem

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LATER = replace(WANTED, until=NOON + DAY)


@pytest.fixture
def folders() -> Iterator[tuple[Path, Path]]:
    """Give two evidence folders."""
    with scratch() as base:
        for name in ("then", "now"):
            (base / name).mkdir()
        yield base / "then", base / "now"


def test_a_record_is_named_by_itself_or_by_its_folder(folders: tuple[Path, Path]) -> None:
    """Both mean the same; a folder without one is told so."""
    then, now = folders
    record(then / "exceptions.sqlite")
    assert record_in(then) == record_in(then / "exceptions.sqlite") == then / "exceptions.sqlite"
    with pytest.raises(NotAManifest, match="holds no accepted findings"):
        record_in(now)
    with pytest.raises(NotAManifest, match="is not there"):
        record_in(now / "exceptions.sqlite")
    (now / "exceptions.sqlite").write_text("accepted")
    with pytest.raises(NotAManifest, match="does not hold"):
        record_in(now)


def test_what_is_taken_along_is_the_record_byte_for_byte(folders: tuple[Path, Path]) -> None:
    """The new folder stands by itself; doing it again, or from there, changes nothing."""
    then, now = folders
    record(then / "exceptions.sqlite")
    for source in (then, then, now):
        take_along(source / "exceptions.sqlite", now)
        assert (now / "exceptions.sqlite").read_bytes() == (then / "exceptions.sqlite").read_bytes()
        assert leftovers(now / "exceptions.sqlite") == []


def test_a_copy_that_fails_leaves_what_was_there(folders: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """One line, and the record in the folder is the one before."""
    then, now = folders
    before = record(now / "exceptions.sqlite")
    record(then / "exceptions.sqlite", LATER)

    def full(_: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(EvidenceUnwritable, match="No space left"):
        take_along(then / "exceptions.sqlite", now)
    assert read(now / "exceptions.sqlite") == before
    assert leftovers(now / "exceptions.sqlite") == []


def test_decisions_are_not_lost_to_a_record_that_lacks_them(folders: tuple[Path, Path]) -> None:
    """None, an older one, and one of another history are refused, whether what is there still holds or not."""
    then, now = folders
    there = now / "exceptions.sqlite"
    record(then / "exceptions.sqlite")
    record(there, LATER)
    other = then / "other.sqlite"
    record(other, rows=3)
    for given in (None, then / "exceptions.sqlite", other):
        with pytest.raises(UsageProblem, match=r"somebody accepted.*--accepted"):
            refuse_to_lose(now, given)
    with Exceptions.change(there) as store:
        store.withdraw(1, WITHDRAWAL)
        store.withdraw(2, WITHDRAWAL)
    with pytest.raises(UsageProblem, match="somebody accepted"):
        refuse_to_lose(now, None)


def test_a_record_that_has_all_of_it_takes_its_place(folders: tuple[Path, Path]) -> None:
    """The same, one that grew, and one in which something was withdrawn since; but not the other way round."""
    then, now = folders
    refuse_to_lose(now, None)
    record(then / "exceptions.sqlite")
    take_along(then / "exceptions.sqlite", now)
    refuse_to_lose(now, then / "exceptions.sqlite")
    refuse_to_lose(now, now / "exceptions.sqlite")
    with Exceptions.change(then / "exceptions.sqlite") as store:
        store.record(LATER, [row("labels/more")])
        store.withdraw(1, WITHDRAWAL)
    refuse_to_lose(now, then / "exceptions.sqlite")
    take_along(then / "exceptions.sqlite", now)
    with Exceptions.change(then / "exceptions.sqlite") as store:
        store.withdraw(2, WITHDRAWAL)
    take_along(then / "exceptions.sqlite", now)
    record(then / "older.sqlite")
    with pytest.raises(UsageProblem, match="does not hold"):
        refuse_to_lose(now, then / "older.sqlite")
