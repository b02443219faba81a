"""A message is put in before it is sent, kept until it is taken, and never put in twice."""

from __future__ import annotations

import sqlite3
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from tests.messages.nights import FIRST, time_is
from verifier.errors import EvidenceUnwritable, ManifestDamaged, ManifestTooNew, NotAManifest
from verifier.job.job import Occasion
from verifier.ledger.places import MESSAGES_FILE
from verifier.messages.message import Message
from verifier.messages.outbox import KEPT_FOR, TRIED_FOR, Outbox, Waiting

if TYPE_CHECKING:
    from pathlib import Path

ONE = Message("20261201T023000Z", Occasion.WORSE, "[herbarium] 2 new", "zwei \u00dcbel\n")
TWO = Message("20261202T023000Z", Occasion.WORSE, "[herbarium] 3 new", "drei\n")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return where the outbox lies."""
    return tmp_path / MESSAGES_FILE


def states(path: Path) -> list[tuple[str, str]]:
    """Return run and state of every message on the disk."""
    with sqlite3.connect(path) as connection:
        rows = connection.execute("SELECT run, state FROM messages ORDER BY number").fetchall()
    connection.close()
    return rows


def test_what_is_put_in_waits_across_runs_until_it_is_taken(path: Path) -> None:
    """Another process finds it, whole, oldest first; and no more once every address took it."""
    with Outbox.open(path) as outbox:
        assert outbox.put(ONE)
        assert outbox.put(TWO)
    with Outbox.open(path) as outbox:
        assert [one.message for one in outbox.waiting()] == [ONE, TWO]
        outbox.note(1, ["mailto", "json"], {1, 2})
        assert [one.message for one in outbox.waiting()] == [TWO]
    assert states(path) == [(ONE.run, "sent"), (TWO.run, "waiting")]


def test_the_same_run_and_occasion_is_never_put_in_twice(path: Path) -> None:
    """A night that is told again, because the one after it was killed in between, is told once."""
    with Outbox.open(path) as outbox:
        assert outbox.put(ONE)
        assert not outbox.put(Message(ONE.run, ONE.occasion, "other", "words"))
        outbox.note(1, ["mailto"], {1})
        assert not outbox.put(ONE)
        assert outbox.waiting() == []
        assert outbox.put(Message(ONE.run, Occasion.FAILURE, "other", "occasion"))


def test_an_address_that_took_it_is_not_sent_to_again(path: Path) -> None:
    """Only those that failed are tried again."""
    with Outbox.open(path) as outbox:
        outbox.put(ONE)
        assert outbox.waiting()[0].still_to(["mailto", "json"]) == [1, 2]
        outbox.note(1, ["mailto", "json"], {2})
        (one,) = outbox.waiting()
        assert one.still_to(["mailto", "json"]) == [1]


def test_a_list_that_changed_is_sent_to_from_the_beginning(path: Path) -> None:
    """Twice rather than never: who is the 2nd of three is not who was the 2nd of two."""
    one = Waiting(1, ONE, ("mailto", "json"), frozenset({2}))
    assert one.still_to(["mailto", "json", "json"]) == [1, 2, 3]
    assert one.still_to(["json", "mailto"]) == [1, 2]
    assert one.still_to(["mailto"]) == [1]


def test_after_seven_days_a_message_is_given_up_and_kept(path: Path) -> None:
    """It is tried for a week, and then stays on record as what was not told."""
    with time_is(FIRST), Outbox.open(path) as outbox:
        outbox.put(ONE)
        outbox.put(TWO)
        outbox.note(2, ["mailto"], {1})
    with time_is(FIRST + TRIED_FOR - timedelta(seconds=1)), Outbox.open(path) as outbox:
        assert outbox.give_up() == []
        assert len(outbox.waiting()) == 1
    with time_is(FIRST + TRIED_FOR), Outbox.open(path) as outbox:
        assert outbox.give_up() == [ONE]
        assert outbox.waiting() == []
        assert outbox.give_up() == []
    assert states(path) == [(ONE.run, "given-up"), (TWO.run, "sent")]


def test_what_is_older_than_a_year_goes(path: Path) -> None:
    """The file does not grow without end."""
    with time_is(FIRST), Outbox.open(path) as outbox:
        outbox.put(ONE, weekly=True)
    with time_is(FIRST + timedelta(days=300)), Outbox.open(path) as outbox:
        outbox.put(TWO)
    with time_is(FIRST + KEPT_FOR), Outbox.open(path) as outbox:
        outbox.give_up()
        assert len(states(path)) == 2
    with time_is(FIRST + KEPT_FOR + timedelta(seconds=1)), Outbox.open(path) as outbox:
        outbox.give_up()
        assert outbox.last_weekly() is None
    assert states(path) == [(TWO.run, "given-up")]


def test_the_last_weekly_message_is_remembered(path: Path) -> None:
    """A summary that went along with a failure's message counts, too."""
    with Outbox.open(path) as outbox:
        assert outbox.last_weekly() is None
        with time_is(FIRST):
            outbox.put(ONE, weekly=True)
        with time_is(FIRST + timedelta(days=3)):
            outbox.put(TWO)
        assert outbox.last_weekly() == FIRST


def test_what_is_not_an_outbox_is_refused_and_left_alone(path: Path, tmp_path: Path) -> None:
    """Something else in its place is never written into."""
    path.write_bytes(b"notes of the fen, 1902\n" * 100)
    with pytest.raises(ManifestDamaged):
        Outbox.open(path)
    assert path.read_bytes().startswith(b"notes")
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE sheets (name)")
    connection.close()
    before = other.read_bytes()
    with pytest.raises(NotAManifest):
        Outbox.open(other)
    with pytest.raises(NotAManifest):
        Outbox.open(tmp_path)
    assert other.read_bytes() == before


def test_a_later_version_is_not_touched(path: Path) -> None:
    """A program that does not know the tables does not write in them."""
    Outbox.open(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(ManifestTooNew):
        Outbox.open(path)


def test_a_message_that_was_never_written_is_damage(path: Path) -> None:
    """An edited file is said to be damaged, in one line, and nothing in it is sent."""
    with Outbox.open(path) as outbox:
        outbox.put(ONE, weekly=True)
        outbox.connection.execute("UPDATE messages SET occasion = 'party', put_at = 'soon'")
        with pytest.raises(ManifestDamaged):
            outbox.waiting()
        with pytest.raises(ManifestDamaged):
            outbox.last_weekly()


def test_an_outbox_that_cannot_be_written_says_so(path: Path) -> None:
    """Another process that holds it is waited for and then named; a folder that is not there, too."""
    with Outbox.open(path) as outbox, sqlite3.connect(path) as holder:
        holder.execute("BEGIN EXCLUSIVE")
        outbox.connection.execute("PRAGMA busy_timeout = 10")
        with pytest.raises(EvidenceUnwritable):
            outbox.put(ONE)
    holder.close()
    with pytest.raises(EvidenceUnwritable):
        Outbox.open(path.parent / "none" / MESSAGES_FILE)
