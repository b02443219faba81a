"""What a run prints: cron mails it, so a quiet night prints nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.messages.nights import job, run, worse
from verifier.ledger.record import LedgerEntry, Outcome, RunRecord
from verifier.messages.night import Night
from verifier.nightly.loudness import Said, what_to_say
from verifier.nightly.run import Ended

if TYPE_CHECKING:
    from pathlib import Path


def said(folder: Path, *runs: RunRecord, **ended: object) -> Said:
    """Return what the last of some runs prints."""
    return what_to_say(job(folder), Ended(runs[-1], None, **ended), Night(runs[-1], "ab" * 32, runs), ())  # type: ignore[arg-type]


def test_a_good_night_prints_nothing(tmp_path: Path) -> None:
    """Nothing on standard output, nothing on standard error."""
    assert said(tmp_path, run(0), run(1)) == Said()


def test_what_is_new_is_printed_as_it_is_sent(tmp_path: Path) -> None:
    """The subject with what is new, and the whole message."""
    out = said(tmp_path, run(0), worse(1)).out
    assert out[0].endswith("2 new damaged files, 1 repaired, 14 known and accepted")
    assert any("scans/1887/sheet-0042.tif" in line for line in out)


def test_what_is_known_prints_nothing(tmp_path: Path) -> None:
    """Damage that was there the night before, unchanged: the verdict is as bad, and nobody is told twice."""
    known = replace(worse(2), news=replace(worse(2).news, new=0, repaired=0, known=2, headline="nothing new, 2 known"))
    assert said(tmp_path, run(0), worse(1), known) == Said()


@pytest.mark.parametrize("outcome", [Outcome.COULD_NOT_RUN, Outcome.INTERRUPTED])
def test_a_night_that_did_not_come_to_its_end_is_one_line(tmp_path: Path, outcome: Outcome) -> None:
    """On standard error: what and why."""
    assert said(tmp_path, run(0), run(1, outcome)) == Said((), ("/mnt/new is not mounted",))


def test_a_window_that_ends_is_quiet_until_it_is_too_often(tmp_path: Path) -> None:
    """Two nights in a row are a first reading; the third is told."""
    ends = [run(number, Outcome.WINDOW_ENDED) for number in (1, 2, 3)]
    assert said(tmp_path, run(0), *ends[:2]) == Said()
    assert "3 times since it last finished" in said(tmp_path, run(0), *ends).out[0]


def test_a_warning_is_told_when_its_kind_is_new(tmp_path: Path) -> None:
    """Its numbers are others every night; that there is one of its kind is told once."""
    first, second = (replace(run(n), warnings=(f"window: too short by {n} h",)) for n in (1, 2))
    assert said(tmp_path, run(0), first).out == ("window: too short by 1 h",)
    assert said(tmp_path, run(0), first, second) == Said()


def test_a_killed_run_and_an_entry_that_was_not_written_are_told(tmp_path: Path) -> None:
    """What nobody could see before."""
    killed = LedgerEntry(2, run(1, Outcome.KILLED), "", "")
    assert said(tmp_path, run(0), run(2), before=(killed,)).errors == (
        f"run {killed.record.run}, before this one, was ended from outside without a word",  # type: ignore[union-attr]
    )
    assert said(tmp_path, run(0), run(1), unwritten="no space").errors == (
        "this run could not be written into the ledger: no space",
    )
