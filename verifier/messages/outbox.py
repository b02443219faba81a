"""What was told, and what is still to be told: ``messages.sqlite`` in a job's evidence folder.

A message is put in before it is sent, and each address is noted as soon as a server took the message there. A crash
between the two sends it once more; none is lost. No address is kept, only of which kind each was: where they have
changed in number or kind, a message that still waits goes to all of them.

messages  one row for each: the run and the occasion that it is about, whether it holds the week's summary, when it was
          put in, its state and since when it has it, the kinds of the addresses and which of them took it
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, Final, Self

from verifier import clock
from verifier.errors import ManifestDamaged, ManifestTooNew, NotAManifest
from verifier.job.job import Occasion
from verifier.manifest.database import DatabaseFile, address, database_errors, make_tables, named
from verifier.messages.message import Message

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from pathlib import Path

    from sqlite_utils import Database

APPLICATION_ID: Final = 0x56464D31
"""Marks the file as messages of this tool: the bytes ``VFM1``."""
VERSION: Final = 1
TRIED_FOR: Final = timedelta(days=7)
"""How long sending a message is tried again,"""
KEPT_FOR: Final = timedelta(days=365)
"""and how long it is kept."""
_TO_DO: Final = "move it away; the next run begins a new one"
_TABLE: Final = """
CREATE TABLE messages (
    number    INTEGER PRIMARY KEY,
    run       TEXT NOT NULL,
    occasion  TEXT NOT NULL,
    weekly    INTEGER NOT NULL,
    subject   TEXT NOT NULL,
    body      TEXT NOT NULL,
    put_at    TEXT NOT NULL,
    state     TEXT NOT NULL,
    since     TEXT NOT NULL,
    schemes   TEXT NOT NULL,
    delivered TEXT NOT NULL,
    UNIQUE (run, occasion)
) STRICT
"""


class State(StrEnum):
    """How far a message is."""

    WAITING = "waiting"
    """Put in, and not taken by every address."""
    SENT = "sent"
    GIVEN_UP = "given-up"
    """Some address did not take it for `TRIED_FOR`."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message that is still to be sent."""

    number: int
    message: Message
    schemes: tuple[str, ...] = ()
    """Of which kinds the addresses were when it was last tried."""
    delivered: frozenset[int] = frozenset()
    """Which of them took it, by their places in the list, from 1."""

    def still_to(self, schemes: Sequence[str]) -> list[int]:
        """Return the places of addresses that it has not gone to; of all, where the list is another one."""
        done = self.delivered if tuple(schemes) == self.schemes else frozenset()
        return [number for number in range(1, len(schemes) + 1) if number not in done]


def first_tables(db: Database) -> None:
    """Make the table; the name is that of the migration."""
    db.execute(_TABLE)


class Outbox(DatabaseFile):
    """An open outbox; whoever opens it holds the job. Close it, or use it as a context manager; one thread."""

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open an outbox, or begin one where there is none.

        Raises:
            EvidenceUnwritable: If it cannot be written.
            NotAManifest: If something else is in its place.
            ManifestTooNew: If a later version wrote it.
            ManifestDamaged: If it is not what was written.
        """
        if path.exists() and not path.is_file():
            raise NotAManifest(f"{named(path)} is no file", _TO_DO)
        with database_errors(path, _TO_DO):
            outbox = cls(path, sqlite3.connect(address(path), uri=True, isolation_level=None))
            try:
                outbox._prepare()
            except BaseException:
                outbox.close()
                raise
        return outbox

    def _prepare(self) -> None:
        self.connection.execute("PRAGMA trusted_schema = OFF")
        mark, version, objects = (
            self.connection.execute(query).fetchone()[0]
            for query in ("PRAGMA application_id", "PRAGMA user_version", "SELECT count(*) FROM sqlite_schema")
        )
        if mark != APPLICATION_ID and (mark or objects):
            raise NotAManifest(f"{named(self.path)} does not hold messages", _TO_DO)
        if version > VERSION:
            raise ManifestTooNew(
                f"{named(self.path)} has format version {version}, this program writes {VERSION}",
                "use a later version of verifier",
            )
        if version < VERSION:
            make_tables(self.connection, "verifier.messages", APPLICATION_ID, VERSION, first_tables)

    def put(self, message: Message, *, weekly: bool = False) -> bool:
        """Put a message in; return False where there is one about this run and occasion.

        Args:
            message: What is to be sent.
            weekly: Whether it holds the week's summary.

        Raises:
            EvidenceUnwritable: If it cannot be written.
        """
        row = (message.run, message.occasion.value, int(weekly), message.subject, message.body)
        with database_errors(self.path, _TO_DO):
            done = self.connection.execute(
                "INSERT INTO messages (run, occasion, weekly, subject, body, put_at, state, since, schemes, delivered)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, '', '') ON CONFLICT (run, occasion) DO NOTHING",
                (*row, now := clock.now_text(), State.WAITING.value, now),
            )
        return done.rowcount == 1

    def waiting(self) -> list[Waiting]:
        """Return the messages that are still to be sent, oldest first."""
        query = (
            "SELECT number, run, occasion, subject, body, schemes, delivered FROM messages WHERE state = ? ORDER BY 1"
        )
        with database_errors(self.path, _TO_DO):
            rows = self.connection.execute(query, (State.WAITING.value,)).fetchall()
        try:
            return [
                Waiting(
                    number,
                    Message(run, Occasion(occasion), subject, body),
                    tuple(schemes.split(" ")) if schemes else (),
                    frozenset(map(int, delivered.split())),
                )
                for number, run, occasion, subject, body, schemes, delivered in rows
            ]
        except ValueError as error:
            raise ManifestDamaged(f"{named(self.path)} holds a message that was never written", _TO_DO) from error

    def note(self, number: int, schemes: Sequence[str], delivered: Collection[int]) -> None:
        """Note which addresses took a message; it is sent when all of them did.

        Args:
            number: The message.
            schemes: Of which kinds the addresses are, in their order; none is empty or holds a space.
            delivered: Which of them took it, now or before, by their places from 1.

        Raises:
            EvidenceUnwritable: If it cannot be written.
        """
        sent = len(delivered) == len(schemes)
        took = " ".join(map(str, sorted(delivered)))
        self._change(
            "UPDATE messages SET schemes = ?, delivered = ?, state = ?, since = ? WHERE number = ?",
            (" ".join(schemes), took, State.SENT if sent else State.WAITING, clock.now_text(), number),
        )

    def give_up(self) -> list[Message]:
        """Mark what was tried for long enough; return it. What is very old goes.

        Raises:
            EvidenceUnwritable: If it cannot be written.
        """
        now = clock.now()
        before = (now - TRIED_FOR).isoformat(timespec="seconds")
        old = {one.number: one.message for one in self.waiting()}
        with database_errors(self.path, _TO_DO):
            numbers = self.connection.execute(
                "UPDATE messages SET state = ?, since = ? WHERE state = ? AND put_at <= ? RETURNING number",
                (State.GIVEN_UP.value, clock.now_text(), State.WAITING.value, before),
            ).fetchall()
        self._change("DELETE FROM messages WHERE put_at < ?", ((now - KEPT_FOR).isoformat(timespec="seconds"),))
        return [old[number] for (number,) in numbers]

    def last_weekly(self) -> datetime | None:
        """Return when the last message with a week's summary was put in; None where there was none."""
        with database_errors(self.path, _TO_DO):
            (last,) = self.connection.execute("SELECT max(put_at) FROM messages WHERE weekly").fetchone()
        try:
            return None if last is None else datetime.fromisoformat(last)
        except ValueError as error:
            raise ManifestDamaged(f"{named(self.path)} holds a message that was never written", _TO_DO) from error

    def _change(self, statement: str, values: Sequence[str | int]) -> None:
        with database_errors(self.path, _TO_DO):
            self.connection.execute(statement, values)
