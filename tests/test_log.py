"""The log: one line an event, whatever is in it, and nothing that is left behind."""

from __future__ import annotations

import json
import logging
import os
import shutil
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from tests.messages.nights import FIRST, time_is
from verifier import log
from verifier.errors import EvidenceUnwritable
from verifier.log import Event, event, log_to

if TYPE_CHECKING:
    from collections.abc import Iterator

RUN: Final = "20261201T023000Z"
LOGGER: Final = logging.getLogger("verifier")


@pytest.fixture(autouse=True)
def _left_as_it_was() -> Iterator[None]:
    """Hold that nothing outlives the context manager."""
    before = (list(LOGGER.handlers), LOGGER.level, LOGGER.propagate, LOGGER.disabled, logging.raiseExceptions)
    yield
    assert before == (list(LOGGER.handlers), LOGGER.level, LOGGER.propagate, LOGGER.disabled, logging.raiseExceptions)


def test_an_event_is_one_line_with_time_level_run_and_facts(tmp_path: Path) -> None:
    """Times with their zone, from the clock that tests can set; a value with a space is quoted."""
    file = tmp_path / "verifier.log"
    with log_to(file, run=RUN), time_is(FIRST):
        event(Event.RUN_BEGAN, job="herbarium", phase="frozen")
    with log_to(file, run=RUN), time_is(FIRST + timedelta(hours=2)):
        event(Event.SIDE_LISTED, side="old", entries=12_000, complete=True, seconds=1.5, error=None)
        event(Event.WARNING, logging.WARNING, what='the "window" is short')
    assert file.read_text().splitlines() == [
        f"2026-12-01T02:30:00+00:00 INFO {RUN} run-began job=herbarium phase=frozen",
        f"2026-12-01T04:30:00+00:00 INFO {RUN} side-listed side=old entries=12000 complete=yes seconds=1.5 error=none",
        rf'2026-12-01T04:30:00+00:00 WARNING {RUN} warning what="the \x22window\x22 is short"',
    ]


def test_as_json_every_line_is_an_object(tmp_path: Path) -> None:
    """For machines: numbers stay numbers, and the four facts of every line have their names."""
    file = tmp_path / "verifier.log"
    with log_to(file, as_json=True, run=RUN), time_is(FIRST):
        event(Event.TOLD, about=RUN, occasion="worse", tries=2)
    assert [json.loads(line) for line in file.read_text().splitlines()] == [
        {"at": "2026-12-01T02:30:00+00:00", "level": "info", "event": "told", "run": RUN}
        | {"about": RUN, "occasion": "worse", "tries": 2}
    ]


@pytest.mark.parametrize("name", ["a\nb", "\r\n", "\x1b[2J", "\u2028", "\u202egpj", "\udcff", "\x00", "\x85"])
@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
def test_whatever_a_value_holds_a_line_is_one_line(tmp_path: Path, name: str, as_json: bool) -> None:
    """Names are data: a file name cannot forge a line, and cannot do anything to the terminal that shows it."""
    file = tmp_path / "verifier.log"
    with log_to(file, as_json=as_json, run=name):
        event(Event.WARNING, what=name)
        if "\0" not in name:
            event(Event.WARNING, where=Path(name))
    text = file.read_bytes().decode()
    assert text.count("\n") == (1 if "\0" in name else 2)
    assert all(line.isprintable() for line in text.split("\n"))


def test_fields_cannot_take_the_place_of_what_every_line_has() -> None:
    """An object with two times would be read either way."""
    with pytest.raises(ValueError, match="cannot be called at, run"):
        event(Event.WARNING, run="x", at="y")


def test_a_later_run_adds_to_what_is_there(tmp_path: Path) -> None:
    """A log of a year of nights is one file."""
    file = tmp_path / "verifier.log"
    for _ in range(2):
        with log_to(file):
            event(Event.RUN_BEGAN)
    assert [line.split(" ")[1:] for line in file.read_text().splitlines()] == [["INFO", "-", "run-began"]] * 2


def test_without_a_file_nothing_is_written_anywhere(capfd: pytest.CaptureFixture[str]) -> None:
    """What cron finds on standard error or output it sends by mail."""
    with log_to(None):
        event(Event.NOT_TOLD, logging.ERROR, why="not-reached")
    event(Event.NOT_TOLD, logging.ERROR, why="not-reached")
    assert capfd.readouterr() == ("", "")


def test_who_listens_to_the_standard_librarys_logger_hears_it(caplog: pytest.LogCaptureFixture) -> None:
    """A program that uses this one has a log of its own."""
    with caplog.at_level(logging.INFO, "verifier"):
        event(Event.PRUNED, run_name=RUN)
    assert [(one.name, one.getMessage()) for one in caplog.records] == [("verifier", f"pruned run_name={RUN}")]


def test_a_file_that_is_full_is_put_aside_and_five_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The log does not fill the disk."""
    monkeypatch.setattr(log, "FILE_BYTES", 200)
    file = tmp_path / "verifier.log"
    with log_to(file):
        for number in range(40):
            event(Event.WARNING, what=f"number {number}")
    assert sorted(one.name for one in tmp_path.iterdir()) == [
        "verifier.log", *(f"verifier.log.{n}" for n in range(1, 6))
    ]  # fmt: skip
    assert "number 39" in file.read_text()
    assert all(one.stat().st_size <= 200 for one in tmp_path.iterdir())


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full (full(4))")
def test_a_full_disk_does_not_end_the_run(capfd: pytest.CaptureFixture[str]) -> None:
    """What is lost is counted; nothing is raised, and no traceback goes to standard error."""
    with log_to(Path("/dev/full")) as opened:
        for _ in range(3):
            event(Event.RUN_FINISHED)
        assert opened.lost == 3
    assert capfd.readouterr() == ("", "")


def test_a_place_that_goes_away_does_not_end_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Putting a file aside fails where its folder is gone."""
    monkeypatch.setattr(log, "FILE_BYTES", 10)
    folder = tmp_path / "logs"
    folder.mkdir()
    with log_to(folder / "verifier.log") as opened:
        event(Event.RUN_BEGAN)
        shutil.rmtree(folder)
        event(Event.RUN_FINISHED)
        event(Event.RUN_FINISHED)
    assert opened.lost == 2


def test_a_log_that_cannot_be_opened_is_said_before_the_run(tmp_path: Path) -> None:
    """Exit code 4, the file and what to do; a pipe is not waited for."""
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    for place, why in (
        (tmp_path / "none" / "verifier.log", "No such file"),
        (tmp_path, "Is a directory"),
        (fifo, "pipe"),
    ):
        with pytest.raises(EvidenceUnwritable, match=why) as caught, log_to(place):
            raise AssertionError
        assert caught.value.exit_code == 4
        assert "--log-file" in caught.value.hint
