"""``verifier watch``: silent where all is well, one line and another exit code where not."""

from __future__ import annotations

import os
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from tests.cli.test_bad_input import hold_to_one_line
from tests.ledger.records import DAY, FIRST_NIGHT, TOOK, failed, night, write
from tests.reconcile.trees import scratch, snapshot
from verifier import clock
from verifier.ledger.places import LEDGER_FILE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.cli.conftest import Command


@pytest.fixture
def folder() -> Iterator[Path]:
    """Give a job's evidence folder with a good run that ended an hour ago."""
    clock.set_source(lambda: FIRST_NIGHT + TOOK + timedelta(hours=1))
    with scratch() as base:
        write(base, [night(0)])
        yield base
    clock.set_source(None)


def test_all_is_well_and_nobody_hears_of_it(verifier: Command, folder: Path) -> None:
    """Exit code 0 and not a word; with -v one line. Nothing is written."""
    before = snapshot(folder)
    assert verifier("watch", folder, "--max-age", "26h") == (0, "", "")
    assert verifier("watch", folder) == (0, "", "")
    told = verifier("watch", folder, "-v")
    hold_to_one_line(told, 0, "the last good run, 20261201T023000Z, ended", "1 h 00 min ago; no run since")
    assert snapshot(folder) == before


def test_too_long_ago_is_one_line(verifier: Command, folder: Path) -> None:
    """With what came since; exit code 1."""
    write(folder, [failed(1)])
    clock.set_source(lambda: FIRST_NIGHT + 2 * DAY)
    ended = verifier("watch", folder, "--max-age", "26h")
    words = ("1 run since: 1 could not run", "last: 20261202T023000Z could not run, the share is not mounted")
    hold_to_one_line(ended, 1, str(folder), "more than 1 d 2 h", *words)


@pytest.mark.parametrize("what", ["no ledger", "an empty file", "an empty ledger"])
def test_no_run_yet_is_one_line(verifier: Command, tmp_path: Path, what: str) -> None:
    """Nothing to watch is not success: exit code 1."""
    if what == "an empty file":
        (tmp_path / LEDGER_FILE).touch()
    if what == "an empty ledger":
        write(tmp_path, [])
    hold_to_one_line(verifier("watch", tmp_path, "--max-age", "26h"), 1, "no run was ever recorded")


def test_a_ledger_that_cannot_be_read_is_exit_4(verifier: Command, folder: Path) -> None:
    """Damaged; something else in its place is wrong usage."""
    os.truncate(folder / LEDGER_FILE, 5000)
    hold_to_one_line(verifier("watch", folder), 4, "ledger.sqlite is damaged", "take it from a copy")
    (folder / LEDGER_FILE).write_text("all is well")
    hold_to_one_line(verifier("watch", folder), 2, "ledger.sqlite is no ledger")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--max-age", "soon"), ("--max-age 'soon' is not a duration", "26h")),
        (("--max-age", "26"), ("--max-age '26' is not a duration",)),
        (("--max-age", ""), ("--max-age '' is not a duration",)),
        (("--max-age", "0h"), ("--max-age '0h' is nothing",)),
        (("--max-age", "500y"), ("longer than a century",)),
        (("--max-age", "\x1b[2J"), ("is not a duration",)),
    ],
)
def test_what_cannot_be_meant_is_exit_2(
    verifier: Command, folder: Path, arguments: tuple[str, ...], words: tuple[str, ...]
) -> None:
    """One line that shows how it is written."""
    hold_to_one_line(verifier("watch", folder, *arguments), 2, *words)


def test_a_job_that_is_not_there_is_exit_2(verifier: Command, tmp_path: Path) -> None:
    """A wrong name in a timer must not look like a missing night."""
    hold_to_one_line(verifier("watch", tmp_path / "nowhere.toml"), 2, "nowhere.toml is not there")


def test_help_has_an_example(verifier: Command) -> None:
    """One that can be typed, and the exit codes."""
    ended = verifier("watch", "--help")
    assert "Example: verifier watch migration.toml --max-age 26h" in ended.out
    assert "Exit code 0" in ended.out
