"""What a check of the ledger finds, and what it is told of what no chain can show."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.ledger.records import DAY, FIRST_NIGHT, bad, failed, instant, night, step, write
from tests.reconcile.trees import scratch
from verifier.classes import Phase, VerdictKind
from verifier.errors import UsageProblem
from verifier.evidence import FINDINGS_FILE, file_digest
from verifier.ledger.canonical import FIRST, digest_of, from_json
from verifier.ledger.chain import check
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import GOING, LEDGER_FILE, RUNS, UNFINISHED
from verifier.ledger.record import Outcome
from verifier.ledger.schema import Row

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from verifier.ledger.chain import Fault
    from verifier.ledger.record import PhaseRecord, RunRecord

NIGHTS: Final = 6
NOT_TIED: Final = "the entry before it is not the one that it was written after: that was changed, removed or put in"


def with_evidence(folder: Path, record: RunRecord) -> RunRecord:
    """Lay out a run's evidence, and return the run with its digest."""
    place = folder / RUNS / record.run
    place.mkdir(parents=True)
    (place / FINDINGS_FILE).write_text(f"findings of {record.run}")
    digest = file_digest(place / FINDINGS_FILE).hexdigest()
    return replace(record, findings_digest=digest)


@pytest.fixture
def folder() -> Iterator[Path]:
    """Give the evidence folder of a job: a step, six nights with their evidence, one that could not run."""
    with scratch() as base:
        records: list[RunRecord | PhaseRecord] = [step(-1, Phase.FROZEN)]
        records += [with_evidence(base, night(number) if number % 2 else bad(number)) for number in range(NIGHTS)]
        write(base, [*records, failed(NIGHTS)])
        yield base


def found(folder: Path, head: str | None = None) -> list[Fault]:
    """Return what a check finds."""
    with Ledger.open(folder / LEDGER_FILE) as ledger:
        return check(ledger, folder, head)


def told(folder: Path, head: str | None = None) -> list[str]:
    """Return what a check finds, as it is told."""
    return [str(fault) for fault in found(folder, head)]


def digests(folder: Path) -> list[str]:
    """Return every entry's digest."""
    with Ledger.open(folder / LEDGER_FILE) as ledger:
        return [row.digest for row in ledger.rows()]


def sql(folder: Path, statement: str, values: tuple[object, ...] = ()) -> None:
    """Change a ledger by a statement of SQL."""
    with closing(sqlite3.connect(folder / LEDGER_FILE, isolation_level=None)) as connection:
        connection.execute(statement, values)


def put(folder: Path, row: Row) -> None:
    """Put a row in the place of the one of its number."""
    sql(folder, f"REPLACE INTO entries VALUES ({', '.join('?' * len(row))})", row)


def rows(folder: Path) -> list[Row]:
    """Return all rows."""
    with Ledger.open(folder / LEDGER_FILE) as ledger:
        return list(ledger.rows())


def runs_of(folder: Path, number: int) -> Path:
    """Return the folder of a night's evidence."""
    return folder / RUNS / night(number).run


def edited(row: Row, previous: str | None = None, **facts: Any) -> Row:
    """Return a run's row with other facts and a digest that is right for them."""
    record = replace(from_json(row.record), **facts)
    return Row.of(row.number, row.previous if previous is None else previous, record)


def test_what_was_written_holds(folder: Path) -> None:
    """Also after steps, nights that left nothing, and with any digest that was ever noted, or enough of one."""
    assert found(folder) == []
    for digest in [FIRST, *digests(folder)]:
        assert found(folder, digest) == []
        assert found(folder, f" {digest[:16].upper()}\n") == []


def test_an_empty_ledger_holds(tmp_path: Path) -> None:
    """There is nothing that could be wrong; but a digest that was noted is none of its."""
    write(tmp_path, [])
    assert found(tmp_path) == []
    assert told(tmp_path, "ab" * 8) == [
        "no entry has the digest abababababababab: entries were removed, or all made anew"
    ]


@pytest.mark.parametrize("head", ["", "abc", "a" * 15, "a" * 65, "g" * 16, "\x1b[2J"])
def test_what_is_no_digest_is_refused(folder: Path, head: str) -> None:
    """Too few digits would be some entry's by chance."""
    with pytest.raises(UsageProblem, match="is no digest of an entry; give at least 16") as caught:
        found(folder, head)
    assert str(caught.value).isprintable()


# ---- The chain


def test_an_entry_that_was_edited_is_found(folder: Path) -> None:
    """A record by its digest, a column by its record."""
    right = rows(folder)[3]
    put(folder, right._replace(record=right.record.replace("3 files", "0 files")))
    assert told(folder) == ["entry 4: it was changed after it was written: its digest is another one"]
    put(folder, right._replace(verdict=VerdictKind.TRUSTWORTHY.value))
    assert told(folder) == ["entry 4: its column verdict was changed: its record says something else"]
    put(folder, right)
    assert found(folder) == []


def test_one_that_was_edited_with_a_digest_of_its_own_is_found(folder: Path) -> None:
    """By the next one, which was tied to what it was."""
    put(folder, edited(rows(folder)[3], reasons=("0 files missing",)))
    assert told(folder) == [f"entry 5: {NOT_TIED}"]


def test_two_that_were_swapped_are_found(folder: Path) -> None:
    """With their old digests, and with new ones."""
    right = rows(folder)
    one, other = right[3], right[4]
    for number in (4, 5):
        sql(folder, "DELETE FROM entries WHERE number = ?", (number,))
    put(folder, other._replace(number=4))
    put(folder, one._replace(number=5))
    changed = "it was changed after it was written: its digest is another one"
    assert told(folder) == [
        *(f"entry 4: {NOT_TIED}", f"entry 4: {changed}"),
        *(f"entry 5: {NOT_TIED}", f"entry 5: {changed}"),
        f"entry 6: {NOT_TIED}",
    ]
    for number in (4, 5):
        sql(folder, "DELETE FROM entries WHERE number = ?", (number,))
    first = Row.of(4, right[2].digest, from_json(other.record))
    put(folder, first)
    put(folder, Row.of(5, first.digest, from_json(one.record)))
    *warnings, fault = found(folder)
    assert all(one.is_warning for one in warnings)
    assert str(fault) == f"entry 6: {NOT_TIED}"


def test_one_removed_from_the_middle_is_found(folder: Path) -> None:
    """By the gap; and where the rest was numbered anew, by what it is tied to, and by its evidence."""
    right = rows(folder)
    sql(folder, "DELETE FROM entries WHERE number = 4")
    orphan = f"no entry knows of {runs_of(folder, 2)}: were later entries removed?"
    assert told(folder) == ["entry 5: it follows entry 3: what was between them was removed", orphan]
    assert found(folder, right[3].digest)[-1].text.startswith("no entry has the digest")
    for number in range(5, 9):
        sql(folder, "UPDATE entries SET number = number - 1 WHERE number = ?", (number,))
    assert told(folder)[0] == f"entry 4: {NOT_TIED}"


def test_the_first_ones_removed_are_found(folder: Path) -> None:
    """Every ledger begins with entry 1, which names none before it."""
    sql(folder, "DELETE FROM entries WHERE number < 3")
    assert told(folder)[0] == "entry 3: it follows entry 0: what was between them was removed"


def test_an_end_that_was_cut_off_is_told_by_the_evidence(folder: Path) -> None:
    """The chain itself holds: only folders of nights that no entry knows tell, or a digest noted elsewhere."""
    head = digests(folder)[-1]
    sql(folder, "DELETE FROM entries WHERE number > 6")
    orphan = f"no entry knows of {runs_of(folder, 5)}: were later entries removed?"
    assert told(folder) == [orphan]
    runs_of(folder, 5).rename(folder / "elsewhere")
    assert told(folder) == []
    assert told(folder, head[:20]) == [
        f"no entry has the digest {head[:20]}: entries were removed, or all made anew",
    ]


def test_a_chain_made_anew_is_told_by_nothing_but_a_digest_noted_elsewhere(folder: Path) -> None:
    """What the documentation says of it is true: from inside it cannot be seen."""
    right = rows(folder)
    previous = right[2].digest
    for row in right[3:]:
        anew = edited(row, previous, **({"exit_code": 0} if row.number == 4 else {}))
        put(folder, anew)
        previous = anew.digest
    assert found(folder) == []
    assert found(folder, right[2].digest) == []
    for row in right[3:]:
        assert [fault.text for fault in found(folder, row.digest)] == [
            f"no entry has the digest {row.digest}: entries were removed, or all made anew"
        ]


def test_what_a_later_version_wrote_is_told_as_that(folder: Path) -> None:
    """It cannot be held against its columns, but the chain can."""
    row = rows(folder)[7]
    text = row.record.replace('"run":', '"resumed":true,"run":')
    put(folder, row._replace(record=text, digest=digest_of(8, row.previous, text)))
    assert told(folder) == [
        "entry 8: it was written by a later version of verifier (there is something called 'resumed')"
    ]


# ---- The evidence


def _changed(folder: Path) -> None:
    (runs_of(folder, 3) / FINDINGS_FILE).write_text("nothing was found")


def _without_findings(folder: Path) -> None:
    (runs_of(folder, 3) / FINDINGS_FILE).unlink()


def _a_pipe(folder: Path) -> None:
    _without_findings(folder)
    os.mkfifo(runs_of(folder, 3) / FINDINGS_FILE)


def _a_link(folder: Path) -> None:
    elsewhere = folder / "elsewhere"
    (runs_of(folder, 3) / FINDINGS_FILE).rename(elsewhere)
    (runs_of(folder, 3) / FINDINGS_FILE).symlink_to(elsewhere)


def _gone(folder: Path) -> None:
    shutil.rmtree(runs_of(folder, 3))


def _a_folder_elsewhere(folder: Path) -> None:
    runs_of(folder, 3).rename(folder / "elsewhere")
    runs_of(folder, 3).symlink_to(folder / "elsewhere")


def _a_folder_more(folder: Path) -> None:
    (folder / RUNS / "20270101T023000Z").mkdir()


CHANGES: Final[dict[str, tuple[Callable[[Path], None], str]]] = {
    "other findings": (_changed, "entry 5: {place}/findings.sqlite is not what it was when the run ended"),
    "no findings": (_without_findings, "entry 5: {place}/findings.sqlite is not there"),
    "a pipe": (_a_pipe, "entry 5: {place}/findings.sqlite is not what it was when the run ended"),
    "a link": (_a_link, "entry 5: {place}/findings.sqlite is not what it was when the run ended"),
    "a folder gone": (
        _gone,
        "entry 5: the evidence of run 20261204T023000Z is gone, and no later entry says that it was removed",
    ),
    "a link to a folder": (
        _a_folder_elsewhere,
        "entry 5: the evidence of run 20261204T023000Z is gone, and no later entry says that it was removed",
    ),
    "a folder more": (_a_folder_more, "no entry knows of {runs}/20270101T023000Z: were later entries removed?"),
}


@pytest.mark.parametrize("what", CHANGES)
def test_evidence_that_is_not_what_it_was_is_found(folder: Path, what: str) -> None:
    """What an entry tells of is there, and is what it was; nothing else is there."""
    change, text = CHANGES[what]
    change(folder)
    assert told(folder) == [text.format(place=runs_of(folder, 3), runs=folder / RUNS)]
    assert not found(folder)[0].is_warning


def test_evidence_that_a_later_entry_lists_as_removed_may_be_gone(folder: Path) -> None:
    """It may still be there, too: the next night removes it. The run's own entry cannot excuse it."""
    records = [with_evidence(folder, night(7, pruned=(night(2).run, night(3).run))), night(8, pruned=(night(8).run,))]
    write(folder, records)
    lost = "entry 10: the evidence of run 20261209T023000Z is gone, and no later entry says that it was removed"
    assert told(folder) == [lost]
    for number in (2, 3):
        shutil.rmtree(runs_of(folder, number))
    assert told(folder) == [lost]


def test_a_night_that_left_no_evidence_is_missed_nowhere(folder: Path) -> None:
    """Nor is one whose evidence the next night goes on with, nor what is half removed, nor a file."""
    (folder / RUNS / f"{GOING}{night(0).run}-x").mkdir()
    (folder / RUNS / "notes.txt").write_text("ours")
    write(folder, [night(7, outcome=Outcome.WINDOW_ENDED, verdict=None, evidence=UNFINISHED)])
    assert found(folder) == []


@pytest.mark.parametrize("evidence", ["..", "/etc", "runs/../../etc", "runs/20261201T023000Z", "runs/", "\x1b[2J"])
def test_nothing_is_looked_at_outside_the_runs_own_folder(folder: Path, evidence: str) -> None:
    """An entry may come from anybody, and may name anything."""
    write(folder, [night(7, evidence=evidence), step(8, Phase.LIVE, Phase.FROZEN, baseline=f"../{evidence}")])
    run, phase = told(folder)
    assert run.startswith("entry 9: its evidence ")
    assert phase.startswith("entry 10: its baseline ")
    assert (run + phase).isprintable()


def test_a_baseline_that_is_gone_is_found(folder: Path) -> None:
    """Even where an entry says that it was removed: without it nobody knows what had arrived."""
    baseline = f"{RUNS}/{night(5).run}"
    write(folder, [step(7, Phase.LIVE, Phase.FROZEN, baseline=baseline), step(8, Phase.RETIRED, Phase.LIVE)])
    assert found(folder) == []
    shutil.rmtree(runs_of(folder, 5))
    write(folder, [night(9, evidence="", pruned=(night(5).run,))])
    assert told(folder) == [f"the baseline, {baseline}, is gone"]


# ---- The clock


def test_a_clock_that_was_set_is_a_warning(folder: Path) -> None:
    """It proves nothing: clocks are set. But who puts an entry in may forget it."""
    early = night(3.5, evidence="")
    ended = night(8, evidence="", finished=instant(FIRST_NIGHT + 7.9 * DAY))
    write(folder, [early, ended])
    first, second = found(folder)
    assert (first.number, first.is_warning, second.number, second.is_warning) == (9, True, 10, True)
    assert str(first) == (
        "warning: entry 9: its time, 2026-12-04T16:44:00+00:00, is before that of the entry before it: a clock was set"
    )
    assert str(second) == "warning: entry 10: it ended before it began: a clock was set"
