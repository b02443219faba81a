"""``verifier ledger``: what it lists, shows and finds, its exit codes, and that it fits the screen."""

from __future__ import annotations

import json
import os
import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import pytest
from rich.cells import cell_len

from tests.cli.test_bad_input import hold_to_one_line
from tests.ledger.records import FULL, bad, failed, night, step, write
from tests.reconcile.trees import scratch, snapshot
from verifier.classes import Class, Phase, VerdictKind
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import LEDGER_FILE, RUNS
from verifier.ledger.record import News, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.cli.conftest import Command, Ended
    from verifier.ledger.record import PhaseRecord, RunRecord

WIDTH: Final = 100
RECORDS: Final[list[RunRecord | PhaseRecord]] = [
    step(-0.3, Phase.COPYING),
    bad(0, phase=Phase.COPYING, evidence="", news=News(new=3, headline="3 new: maps/relief-fen.tif and 2 more")),
    failed(1, phase=Phase.COPYING),
    step(1.3, Phase.FROZEN, Phase.COPYING),
    night(2, evidence="", news=News(repaired=3, headline="3 repaired, nothing new")),
    night(3, evidence="", outcome=Outcome.WINDOW_ENDED, verdict=None, exit_code=3, finished=""),
    night(4, evidence="", verdict=VerdictKind.WITH_EXCEPTIONS, reasons=("accepted by name: 2 files missing",)),
]


@pytest.fixture(autouse=True)
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Be in a zone in which it is an hour later than in UTC, all year."""
    monkeypatch.setenv("TZ", "XXX-1")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def folder() -> Iterator[Path]:
    """Give a job's evidence folder with some nights and two steps."""
    with scratch() as base:
        write(base, RECORDS)
        yield base


def hold_to_the_screen(ended: Ended) -> None:
    """Hold that every line fits, whatever is in it, and nothing would be acted on by a terminal."""
    for line in ended.out.splitlines():
        assert cell_len(line) <= WIDTH, line
        assert line.isprintable(), ascii(line)
        assert line == line.rstrip()


# ---- list

LISTED: Final = """\
                  Mon 20:18  begins as copying, by A curator
20261201T023000Z  Tue 03:30   2 h 14 min  copying  not trustworthy  3 new: maps/relief-fen.tif an...
20261202T023000Z  Wed 03:30   2 h 14 min  copying  could not run    the share is not mounted
                  Wed 10:42  from copying to frozen, by A curator
20261203T023000Z  Thu 03:30   2 h 14 min  frozen   trustworthy      3 repaired, nothing new
20261204T023000Z  Fri 03:30            ?  frozen   window ended
20261205T023000Z  Sat 03:30   2 h 14 min  frozen   with exceptions  accepted by name: 2 files mis...
"""


@pytest.mark.parametrize("command", [("ledger", "list"), ("ledger",)], ids=["list", "nothing"])
def test_a_line_for_each_run_the_newest_last(verifier: Command, folder: Path, command: tuple[str, ...]) -> None:
    """Without a command it lists, too. Nothing is written."""
    before = snapshot(folder)
    ended = verifier(*command, folder)
    assert (ended.code, ended.err) == (0, "")
    assert ended.out == LISTED
    hold_to_the_screen(ended)
    assert snapshot(folder) == before


def test_only_the_last_ones_and_how_many_there_are_before(verifier: Command, folder: Path) -> None:
    """Options may stand before the job; 0 is all of them."""
    lines = LISTED.splitlines()
    assert verifier("ledger", "--limit", 2, folder).out.splitlines() == [
        "... and 5 before these (--limit 0)",
        *lines[5:],
    ]
    assert verifier("ledger", "list", folder, "--limit", 7).out == LISTED
    assert verifier("ledger", "list", folder, "--limit", 0).out == LISTED
    write(folder, [night(number, evidence="") for number in range(5, 45)])
    assert len(verifier("ledger", folder).out.splitlines()) == 31
    assert len(verifier("ledger", folder, "--limit", 0).out.splitlines()) == 47


def test_a_ledger_without_entries_says_so(verifier: Command, tmp_path: Path) -> None:
    """And is no error."""
    write(tmp_path, [])
    assert verifier("ledger", tmp_path) == (0, "no entry yet\n", "")


def test_other_programs_get_a_line_of_json_for_each(verifier: Command, folder: Path) -> None:
    """Every field, and what ties it."""
    lines = [json.loads(line) for line in verifier("ledger", "list", folder, "--json").out.splitlines()]
    assert [line["number"] for line in lines] == [*range(1, 8)]
    assert [line["kind"] for line in lines] == ["phase", "run", "run", "phase", "run", "run", "run"]
    assert lines[1]["news"]["headline"] == "3 new: maps/relief-fen.tif and 2 more"
    assert lines[2]["pruned"] == []
    assert all(line["previous"] == before["digest"] for before, line in pairwise(lines))
    assert len(verifier("ledger", "list", folder, "--json", "--limit", 3).out.splitlines()) == 3


# ---- show


def test_everything_of_a_run(verifier: Command, folder: Path) -> None:
    """Line by line; classes and sides in the order of the contract."""
    entry = _add(folder, FULL)
    ended = verifier("ledger", "show", folder, FULL.run)
    assert (ended.code, ended.err) == (0, "")
    assert ended.out == SHOWN.format(digest=entry[0], previous=entry[1])
    (folder / RUNS / FULL.run).mkdir(parents=True)
    there = verifier("ledger", "show", folder, "8")
    assert f"  evidence        {folder / RUNS / FULL.run}\n" in there.out
    assert "not there any more" not in there.out


def _add(folder: Path, record: RunRecord) -> tuple[str, str]:
    with Ledger.write(folder / LEDGER_FILE) as ledger:
        entry = ledger.append(record)
    return entry.digest, entry.previous


SHOWN: Final = """\
20261208T023000Z: WITH EXCEPTIONS
1 new: herbarium/sheets/0101.png
  - accepted by name: 2 files missing
  - 1,204 files read on both sides, every one with the same content

  began           2026-12-08 03:30, ended 2026-12-08 05:44, after 2 h 14 min
  phase           frozen
  exit code       0
  evidence        runs/20261208T023000Z, which is not there any more
  report          efefefefefefefef
  findings        cdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcd
  tool            verifier 0.3.0
  news            1 new, 2 worse, 3 repaired, 4 known before, 5 accepted by name
  - missing  herbarium/sheets/0101.png

  identical                1,210           1,204 files     98 MB
  missing                      2               2 files     300 B
  content-changed              1                1 file       5 B
  silent                       1  of the changed content

old  Büro
  root            /srv/old/herbarium
  holds           1,213 entries, 1,207 files, 98 MB
  read now        40 files, 3 MB, in 12 s, 240 kB/s
  fresh           1,207 files, 98 MB: 100 % of the files, 100 % of the bytes
  longest unread  2026-11-10 03:31
  problems        2
  fingerprint     abababababababababababababababababababababababababababababababab

new
  root            /srv/new/herbarium
  holds           1,213 entries, 1,207 files, 98 MB
  read now        40 files, 3 MB, in 12 s, 240 kB/s
  fresh           1,207 files, 98 MB: 100 % of the files, 100 % of the bytes
  longest unread  2026-11-10 03:31
  problems        2
  fingerprint     abababababababababababababababababababababababababababababababab

Warnings
  - the window is too short for all files to be read within 30 days

Evidence that was removed after it
  - 20261101T023000Z

  entry           8
  digest          {digest}
  previous        {previous}
"""


def test_a_share_is_never_rounded_up(verifier: Command, folder: Path) -> None:
    """Only all is 100 %."""
    side = replace(FULL.sides["old"], files=1_000_000, fresh_files=999_999, bytes=0, fresh_bytes=0)
    write(folder, [replace(FULL, sides={"old": side})])
    assert "999,999 files, 0 B: 99.9 % of the files, none of the bytes" in verifier("ledger", "show", folder).out


def test_the_last_run_is_meant_where_none_is_named(verifier: Command, folder: Path) -> None:
    """Also where a step came after it; a ledger without runs has none."""
    write(folder, [step(6, Phase.LIVE, Phase.FROZEN)])
    assert verifier("ledger", "show", folder).out.startswith("20261205T023000Z: WITH EXCEPTIONS\n")
    empty = folder / "empty"
    empty.mkdir()
    write(empty, [step(0, Phase.COPYING)])
    hold_to_one_line(verifier("ledger", "show", empty), 2, "there was no run yet")


def test_other_programs_get_one_object(verifier: Command, folder: Path) -> None:
    """All of it, and whether the evidence is there."""
    _add(folder, FULL)
    told = json.loads(verifier("ledger", "show", folder, "20261208", "--json").out)
    assert (told["run"], told["number"], told["evidence_is_there"]) == (FULL.run, 8, False)
    assert told["sides"]["old"]["label"] == "Büro"
    assert told["classes"]["missing"] == [2, 2, 300]
    (folder / RUNS / FULL.run).mkdir(parents=True)
    assert json.loads(verifier("ledger", "show", folder, "--json").out)["evidence_is_there"] is True


@pytest.mark.parametrize(
    ("run", "words"),
    [
        ("20261202T", ()),
        ("2026", ("several runs begin with '2026'", "give more of its name")),
        ("4", ("entry 4 is a step from phase to phase",)),
        ("99", ("there is no run '99'", "verifier ledger list")),
        ("last night", ("'last night' is no run",)),
        ("\x1b[2J", ("is no run",)),
        ("../x", ("'../x' is no run",)),
    ],
)
def test_a_run_that_is_not_one(verifier: Command, folder: Path, run: str, words: tuple[str, ...]) -> None:
    """One line, exit code 2."""
    ended = verifier("ledger", "show", folder, run)
    if words:
        hold_to_one_line(ended, 2, *words)
    else:
        assert ended.code == 0


def test_what_a_ledger_holds_can_do_nothing(verifier: Command, folder: Path) -> None:
    """Every text of it from somebody else, long, wide, and made to act on a terminal."""
    nasty = "\x1b[2J\n\u202e" + "植物園" * 60 + " " + "x" * 300
    side = replace(FULL.sides["old"], label=nasty, root=nasty, fingerprint=nasty)
    news = News(headline=nasty, lines=(nasty, nasty))
    record = replace(
        FULL, reasons=(nasty,), classes={nasty: (1, 1, 1)}, causes={nasty: 1}, sides={"new": side}, news=news,
        warnings=(nasty,), evidence=nasty, findings_digest=nasty, report_id=nasty, tool=nasty,
    )  # fmt: skip
    write(folder, [record, replace(step(9, Phase.LIVE, Phase.FROZEN), by=nasty)])
    for command in ("list", "show"):
        ended = verifier("ledger", command, folder)
        assert ended.code == 0
        hold_to_the_screen(ended)
        as_json = verifier("ledger", command, folder, "--json")
        assert as_json.out.isascii()
        assert all(line.isprintable() for line in as_json.out.splitlines())


def test_every_class_fits_its_column(verifier: Command, folder: Path) -> None:
    """The longest name, the largest number."""
    write(folder, [replace(FULL, classes={cls.value: (10**12, 10**12, 10**15) for cls in Class})])
    ended = verifier("ledger", "show", folder)
    hold_to_the_screen(ended)
    lines = [line for line in ended.out.splitlines() if "1,000,000,000,000 files" in line]
    assert [line.split()[0] for line in lines] == [cls.value for cls in Class]


# ---- check


def test_a_sound_ledger_is_exit_0(verifier: Command, folder: Path) -> None:
    """With the digest to note; a digest that was noted holds."""
    with Ledger.open(folder / LEDGER_FILE) as ledger:
        heads = [row.digest for row in ledger.rows()]
    ended = verifier("ledger", "check", folder)
    assert ended == (0, f"The ledger holds: 7 entries\nlast digest {heads[-1]}, to be noted elsewhere\n", "")
    assert verifier("ledger", "check", folder, "--head", heads[2][:16]) == ended


def test_a_fault_is_exit_1_and_a_line(verifier: Command, folder: Path) -> None:
    """A warning is a line, too, and no fault."""
    write(folder, [night(4.5, evidence="", finished=night(1).finished)])
    ended = verifier("ledger", "check", folder)
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.startswith("warning: entry 8: its time, 2026-12-02T04:44:00+00:00, is before that of the entry")
    with closing(sqlite3.connect(folder / LEDGER_FILE, isolation_level=None)) as connection:
        connection.execute("DELETE FROM entries WHERE number = 3")
    ended = verifier("ledger", "check", folder)
    assert (ended.code, ended.err) == (1, "")
    lines = ended.out.splitlines()
    assert lines[0] == "entry 4: it follows entry 2: what was between them was removed"
    assert lines[-1] == "The ledger does not hold: 1 fault"
    listed = verifier("ledger", "list", folder)
    assert (listed.code, listed.err) == (
        4,
        f"verifier: entry 4 of {folder / LEDGER_FILE} does not follow what is before it: an entry was changed, "
        "removed or put in; see `verifier ledger check`, and take the file from a copy\n",
    )


def test_a_digest_that_is_none_any_more_is_exit_1(verifier: Command, folder: Path) -> None:
    """Somebody noted it, and it is gone."""
    ended = verifier("ledger", "check", folder, "--head", "ab" * 32)
    assert ended.code == 1
    assert ended.out.startswith(f"no entry has the digest {'ab' * 32}: entries were removed, or all made anew\n")
    hold_to_one_line(verifier("ledger", "check", folder, "--head", "abc"), 2, "'abc' is no digest of an entry")


@pytest.mark.parametrize("command", ["list", "show", "check"])
def test_what_cannot_be_read_is_one_line(verifier: Command, folder: Path, tmp_path: Path, command: str) -> None:
    """4 where it is damaged; 2 where there is none, or something else."""
    os.truncate(folder / LEDGER_FILE, 5000)
    hold_to_one_line(verifier("ledger", command, folder), 4, "ledger.sqlite is damaged")
    (folder / LEDGER_FILE).write_text("all is well")
    hold_to_one_line(verifier("ledger", command, folder), 2, "ledger.sqlite is no ledger", "name a job's evidence")
    hold_to_one_line(verifier("ledger", command, tmp_path), 2, "ledger.sqlite is not there")
    hold_to_one_line(verifier("ledger", command, tmp_path / "nowhere"), 2, "nowhere is not there", "name a job file")
    hold_to_one_line(verifier("ledger", command, ""), 2, "a path is empty")


def test_what_is_no_command_is_a_job(verifier: Command, folder: Path) -> None:
    """A mistyped command is told as a job that is not there, or as one argument too many."""
    hold_to_one_line(verifier("ledger", "chekc"), 2, "chekc is not there")
    hold_to_one_line(verifier("ledger", "chekc", folder), 2, "unexpected extra argument")
    hold_to_one_line(verifier("ledger", "list", folder, "--limit", "-1"), 2, "--limit")
    hold_to_one_line(verifier("ledger", "--colour", folder), 2, "--colour")


def test_help_has_an_example_for_each(verifier: Command) -> None:
    """And without anything asked for, the help says that a job alone is enough."""
    for command in ("list", "show", "check"):
        ended = verifier("ledger", command, "--help")
        assert f"Example: verifier ledger {command} migration.toml" in ended.out
        assert "Exit code 0" in ended.out
    for arguments in (("ledger", "--help"), ("ledger", "-h")):
        assert "`verifier ledger JOB` lists them" in " ".join(verifier(*arguments).out.split())
    assert verifier("ledger").code == 2
