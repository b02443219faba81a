"""``verifier schedule``: prints what to install, and installs nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree as ET

import pytest

from tests.cli.test_bad_input import hold_to_one_line

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.conftest import Command, Place

SECRET: Final = "s3cr3t-of-the-garden"


@pytest.fixture
def job(verifier: Command, place: Place) -> Path:
    """Give a job file that was written by ``verifier job new``."""
    path = place.base / "my migration.toml"
    assert verifier("job", "new", place.old, place.new, "--evidence", place.proof, "--output", path).code == 0
    return path


@pytest.mark.parametrize("scheduler", ["cron", "systemd", "windows-task"])
def test_it_is_printed_and_nothing_is_made(verifier: Command, place: Place, job: Path, scheduler: str) -> None:
    """Paths are whole, wherever it was printed; the evidence folder is made by whoever installs it, or by a run."""
    before = place.everything()
    ended = verifier("schedule", job, "--at", "01:30", "--as", scheduler)
    assert (ended.code, ended.err) == (0, "")
    assert str(job) in ended.out
    assert f"{place.proof}/nightly.log" in ended.out
    assert place.everything() == before


def test_one_part_can_be_asked_for(verifier: Command, job: Path) -> None:
    """A task of Windows is a file of its own, so each can be saved alone."""
    for part in ("nightly", "watch"):
        ended = verifier("schedule", job, "--at", "01:30", "--as", "windows-task", "--only", part)
        assert f"-m verifier {part} " in "".join(ET.fromstring(ended.out).itertext())
    ended = verifier("schedule", job, "--at", "1:30", "--as", "cron", "--only", "nightly")
    assert [line[:10] for line in ended.out.splitlines() if line[0] != "#"] == ["30 1 * * *"]


def test_no_address_is_printed(verifier: Command, job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The variable is named, and what it holds stays where it is."""
    monkeypatch.setenv("HERBARIUM_ADDRESSES", f"json://{SECRET}")
    job.write_text(f'{job.read_text()}on = ["worse"]\nurls_env = "HERBARIUM_ADDRESSES"\n')
    for scheduler in ("cron", "systemd", "windows-task"):
        ended = verifier("schedule", job, "--at", "01:30", "--as", scheduler)
        assert ended.code == 0
        assert "HERBARIUM_ADDRESSES" in ended.out
        assert SECRET not in ended.out + ended.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--at", "25:00", "--as", "cron"], ("--at '25:00' is not a time of day", "write it like 01:30")),
        (["--at", "", "--as", "cron"], ("--at '' is not a time of day",)),
        (["--at", "\x1b[2J", "--as", "cron"], ("is not a time of day",)),
        (["--as", "cron"], ("--at",)),
        (["--at", "01:30"], ("--as", "cron, systemd, windows-task", "see `verifier schedule --help`")),
        (["--at", "01:30", "--as", "at"], ("--as", "windows-task")),
        (["--at", "01:30", "--as", "cron", "--only", "both"], ("--only", "watch")),
    ],
)
def test_what_cannot_be_meant_is_one_line(
    verifier: Command, job: Path, arguments: list[str], words: tuple[str, ...]
) -> None:
    """Nothing is printed that somebody could install."""
    hold_to_one_line(verifier("schedule", job, *arguments), 2, *words)


def test_a_job_that_does_not_validate_has_no_schedule(verifier: Command, job: Path) -> None:
    """A schedule of a job that cannot run would fail every night."""
    job.write_text("name = 1")
    hold_to_one_line(verifier("schedule", job, "--at", "01:30", "--as", "cron"), 2, "name: not a text")


def test_a_path_that_no_scheduler_can_hold(verifier: Command, place: Place, job: Path) -> None:
    """A line break would end the line in the middle of a name."""
    hostile = place.base / "a\nb.toml"
    hostile.write_text(job.read_text())
    ended = verifier("schedule", hostile, "--at", "01:30", "--as", "cron")
    hold_to_one_line(ended, 2, r"a\x0ab.toml", "which no scheduler's file can hold", "such as a link")


def test_help_has_an_example(verifier: Command) -> None:
    """Help says what the command does and shows one that can be typed."""
    ended = verifier("schedule", "--help")
    assert ended.code == 0
    assert "Example: verifier schedule" in ended.out
