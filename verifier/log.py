"""The log of runs that nobody watches: one line an event, in a file that does not grow without end.

Nothing is written anywhere unless `log_to` says where. What is logged here goes to the logger ``verifier`` of the
standard library, so a program that uses this one can listen to it.
"""

from __future__ import annotations

import json
import logging
import os
import re
import stat
from contextlib import contextmanager, suppress
from enum import StrEnum
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier import clock
from verifier.errors import EvidenceUnwritable
from verifier.manifest.database import named
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterator

FILE_BYTES: Final = 5_000_000
"""A log file is put aside when it has so many bytes,"""
FILES_ASIDE: Final = 5
"""and so many of them are kept, as ``NAME.1`` (the latest) and so on."""
_LOGGER: Final = logging.getLogger("verifier")
_LOGGER.addHandler(logging.NullHandler())  # else a warning that nobody listens to goes to standard error
_PLAIN: Final = re.compile(r"""[^\s"=]+""")
Value = str | int | float | bool | Path | None
"""What a field may hold."""


class Event(StrEnum):
    """What can be logged."""

    RUN_BEGAN = "run-began"
    SIDE_LISTED = "side-listed"
    RUN_FINISHED = "run-finished"
    WINDOW_ENDED = "window-ended"
    INTERRUPTED = "interrupted"
    COULD_NOT_RUN = "could-not-run"
    KILLED_BEFORE = "killed-before"
    """The run before this one was ended without a word."""
    PRUNED = "pruned"
    """Evidence that was no longer to be kept was removed."""
    TOLD = "told"
    """A message went out to all addresses."""
    NOT_TOLD = "not-told"
    """A message did not go out to an address; it is tried again."""
    GIVEN_UP = "given-up"
    """A message that did not go out is not tried any more."""
    WARNING = "warning"


def event(name: Event, level: int = logging.INFO, **fields: Value) -> None:
    """Log an event.

    Args:
        name: Which one.
        level: How loud it is, as `logging` has it.
        fields: Facts about it; paths and times are texts, sizes are bytes. ``at``, ``event`` and ``run`` are taken.

    Raises:
        ValueError: If a field has a name that is taken.
    """
    if taken := fields.keys() & {"at", "level", "event", "run"}:
        raise ValueError(f"fields of an event cannot be called {', '.join(sorted(taken))}")
    plain = {key: _harmless(value) for key, value in fields.items()}
    text = " ".join((name.value, *(f"{key}={_quoted(value)}" for key, value in plain.items())))
    _LOGGER.log(level, "%s", text, extra={"event": name, "fields": plain})


def _harmless(value: Value) -> str | int | float | bool | None:
    if isinstance(value, Path):
        return named(value)
    return shown(value) if isinstance(value, str) else value


def _quoted(value: str | float | bool | None) -> str:
    """Return a value as it stands in a line of text; a quotation mark in it is written as `shown` writes others."""
    if isinstance(value, str):
        return value if _PLAIN.fullmatch(value) else '"' + value.replace('"', r"\x22") + '"'
    if value is None:
        return "none"
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


class Log:
    """An open log, and how many of its lines were lost."""

    lost: int = 0
    """Lines that could not be written, because the disk was full or went away."""


@contextmanager
def log_to(file: Path | None, *, as_json: bool = False, run: str = "") -> Iterator[Log]:
    """Write what is logged inside the block to a file, after what is there.

    A line is ``TIME LEVEL RUN EVENT KEY=VALUE ...``, or with ``as_json`` an object with ``at``, ``level``, ``event``,
    ``run`` and the event's fields. A line that cannot be written is counted, and ends nothing.

    Args:
        file: None writes nothing.
        as_json: For machines.
        run: The run's name, in every line.

    Raises:
        EvidenceUnwritable: If the file cannot be opened.
    """
    log = Log()
    handler = None if file is None else _open(file, log)
    if handler is None:
        yield log
        return
    handler.setFormatter(_Lines(run, as_json=as_json))
    handler.addFilter(lambda record: hasattr(record, "fields"))
    level = _LOGGER.level
    _LOGGER.addHandler(handler)
    _LOGGER.setLevel(logging.INFO)
    try:
        yield log
    finally:
        _LOGGER.setLevel(level)
        _LOGGER.removeHandler(handler)
        with suppress(OSError):  # what a full disk did not take is tried once more, and counted already
            handler.close()


def _open(file: Path, log: Log) -> _LogFile:
    hint = "name another file with --log-file"
    try:
        if file.exists() and stat.S_ISFIFO(file.stat().st_mode):  # opening one waits for who reads it
            raise EvidenceUnwritable(f"the log {named(file)} is a named pipe", hint)
        return _LogFile(file, log)
    except EvidenceUnwritable:
        raise  # an OSError, too
    except OSError as error:
        raise EvidenceUnwritable(f"the log {named(file)} cannot be written ({error.strerror})", hint) from error


class _LogFile(RotatingFileHandler):
    """A log file, of which what cannot be written is counted instead of printed."""

    def __init__(self, file: Path, log: Log) -> None:
        super().__init__(os.fspath(file), maxBytes=FILE_BYTES, backupCount=FILES_ASIDE, encoding="utf-8")
        self._log = log

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: ARG002, N802  as the standard library calls it
        """Count a line that was lost."""
        self._log.lost += 1


class _Lines(logging.Formatter):
    """One line an event, of text or JSON."""

    def __init__(self, run: str, *, as_json: bool) -> None:
        super().__init__()
        self._run = shown(run)
        self._as_json = as_json

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        if not self._as_json:
            return f"{clock.now_text()} {record.levelname} {self._run or '-'} {record.getMessage()}"
        facts = vars(record)
        head = {"at": clock.now_text(), "level": record.levelname.lower(), "event": facts["event"], "run": self._run}
        return json.dumps(head | facts["fields"])
