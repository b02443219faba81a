"""From a run to the mail about it: who is told what, when again, and what is kept of it."""

from __future__ import annotations

import logging
import sys
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final, Self

import pytest

from tests.messages.nights import DIGEST, FIRST, job, night, run, time_is, worse
from tests.messages.servers import HERE, PEOPLE, free_port, mail_server, web_server
from verifier.errors import UsageProblem
from verifier.job.job import Occasion
from verifier.ledger.places import MESSAGES_FILE
from verifier.ledger.record import Outcome
from verifier.log import log_to
from verifier.messages import telling
from verifier.messages.notify import Failure
from verifier.messages.outbox import Outbox
from verifier.messages.sender import Why
from verifier.messages.telling import tell, try_out

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.job.address import Secret
    from verifier.job.job import Job
    from verifier.ledger.record import RunRecord
    from verifier.messages.message import Message

PASSWORD: Final = "petal-9317"  # a made-up one, to be looked for
VARIABLE: Final = "GARDEN_ADDRESSES"
USUAL: Final = (Occasion.WORSE, Occasion.FAILURE, Occasion.BETTER)
DAMAGE: Final = "[herbarium] 2 new damaged files, 1 repaired, 14 known and accepted"


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let nothing stand between this machine and itself."""
    monkeypatch.setenv("NO_PROXY", HERE)


class Post:
    """Stands in for the courier where it matters what is sent to whom, and not how."""

    def __init__(self) -> None:
        self.down: dict[str, Why] = {}
        """Addresses that fail, and why."""
        self.sent: list[tuple[str, str]] = []
        """Address and subject of what was tried, in order."""

    def deliver(self, message: Message, number: int, secret: Secret) -> Failure | None:
        """Take a message, or fail as told."""
        self.sent.append((secret.reveal(), message.subject))
        why = self.down.get(secret.reveal())
        return None if why is None else Failure(number, secret.scheme, why)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass


@pytest.fixture
def post(monkeypatch: pytest.MonkeyPatch) -> Post:
    """Send to nobody, and to two addresses in the variable."""
    one = Post()
    monkeypatch.setattr(telling, "Courier", lambda: one)
    monkeypatch.setenv(VARIABLE, "mailto://one json://two")
    return one


def mailto(port: int) -> str:
    """Return the address of a mail server here."""
    return f"mailto://{HERE}:{port}/?{PEOPLE}"


def json(port: int) -> str:
    """Return the address of a web hook here."""
    return f"json://porter:{PASSWORD}@{HERE}:{port}/"


def usual(evidence: Path) -> Job:
    """Return a job that tells what most do, to the addresses in the variable."""
    return job(evidence, *USUAL, urls_env=VARIABLE)


def still_bad(number: int) -> RunRecord:
    """Return a run that did not finish with another verdict than the one before it, and is no occasion."""
    return replace(run(number), verdict=worse(0).verdict)


def waiting(evidence: Path) -> int:
    """Return how many messages wait."""
    with Outbox.open(evidence / MESSAGES_FILE) as outbox:
        return len(outbox.waiting())


def test_a_night_that_is_worse_is_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The mail arrives, with the ledger's digest in it; telling the same run again sends nothing."""
    with mail_server() as box:
        monkeypatch.setenv(VARIABLE, mailto(box.port))
        assert tell(usual(tmp_path), night(run(0), worse(1))) == []
        assert tell(usual(tmp_path), night(run(0), worse(1))) == []
    (mail,) = box.mails
    assert mail["Subject"] == DAMAGE
    assert DIGEST in mail.get_content()


def test_one_of_two_addresses_is_down_and_gets_it_the_next_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other one hears at once, and once; the failure is a warning with nothing secret in it."""
    port = free_port()
    with web_server() as hook:
        monkeypatch.setenv(VARIABLE, f"{mailto(port)} {json(hook.port)}")
        assert tell(usual(tmp_path), night(worse(0))) == [
            "a message could not be sent: the 1st address (mailto) cannot be reached; "
            "it is tried again after the next run"
        ]
        assert len(hook.posts) == 1
        with mail_server(port=port) as box:
            assert tell(usual(tmp_path), night(worse(0), run(1))) == []
    subjects = [mail["Subject"] for mail in box.mails]
    assert subjects == [DAMAGE, "[herbarium] trustworthy"]
    assert [one["title"] for one in hook.posts] == subjects


def test_a_quiet_night_sends_nothing(tmp_path: Path, post: Post) -> None:
    """Mail comes when it matters; and for a job that names no occasion nothing is kept, either."""
    assert tell(usual(tmp_path), night(run(0), run(1))) == []
    assert tell(job(tmp_path / "other"), night(run(0), worse(1))) == []
    assert post.sent == []
    assert not (tmp_path / "other").exists()


def test_only_what_was_asked_for_is_told(tmp_path: Path, post: Post) -> None:
    """Who wants failures only hears nothing of damage; who wants every run hears of it as the gravest that it is."""
    assert tell(job(tmp_path, Occasion.FAILURE, urls_env=VARIABLE), night(worse(0))) == []
    assert post.sent == []
    assert tell(job(tmp_path, Occasion.EVERY, Occasion.WORSE, urls_env=VARIABLE), night(worse(0))) == []
    with Outbox.open(tmp_path / MESSAGES_FILE) as outbox:
        assert outbox.connection.execute("SELECT occasion FROM messages").fetchall() == [("worse",)]
    assert post.sent == [("mailto://one", DAMAGE), ("json://two", DAMAGE)]


def test_a_crash_between_sending_and_noting_sends_twice_rather_than_never(
    tmp_path: Path, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was not noted as taken is sent by the next run."""
    monkeypatch.setenv(VARIABLE, "mailto://one")
    with monkeypatch.context() as patch:
        patch.setattr(Outbox, "note", lambda *_: sys.exit(9))
        with pytest.raises(SystemExit):
            tell(usual(tmp_path), night(worse(0)))
    assert len(post.sent) == 1
    for _ in range(2):
        assert tell(usual(tmp_path), night(worse(0))) == []
        assert len(post.sent) == 2


def test_what_cannot_be_sent_for_a_week_is_given_up_and_said(tmp_path: Path, post: Post) -> None:
    """Until then every run tries; after it none does, and the last warning says which message was lost."""
    post.down["json://two"] = Why.NOT_TAKEN
    with time_is(FIRST):
        assert len(tell(usual(tmp_path), night(worse(0)))) == 1
    with time_is(FIRST + timedelta(days=7)):
        tried, given_up = tell(usual(tmp_path), night(worse(0), still_bad(7)))
    assert tried.startswith("a message could not be sent: the 2nd address (json) did not take the message")
    assert given_up == "the message about run 20261201T023000Z (worse) did not go out for 7 days, and is given up"
    with time_is(FIRST + timedelta(days=8)):
        assert tell(usual(tmp_path), night(still_bad(7), still_bad(8))) == []
    assert [to for to, _ in post.sent] == ["mailto://one", "json://two", "json://two"]


def test_addresses_that_cannot_be_used_end_nothing_and_the_message_waits(
    tmp_path: Path, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A night's result does not hang on a variable that cron does not know; it is a warning, and told later."""
    with monkeypatch.context() as patch:
        patch.delenv(VARIABLE)
        (warning,) = tell(usual(tmp_path), night(worse(0)))
    assert warning.startswith("1 message could not be sent: the environment variable GARDEN_ADDRESSES")
    assert warning.endswith("it is tried again after the next run")
    assert tell(usual(tmp_path), night(worse(0), still_bad(1))) == []
    assert len(post.sent) == 2


def test_without_the_library_the_message_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The warning says how to get it."""
    monkeypatch.setenv(VARIABLE, json(1))
    monkeypatch.setitem(sys.modules, "apprise", None)
    (warning,) = tell(usual(tmp_path), night(worse(0)))
    assert "pip install 'migration-verifier[notify]'" in warning
    assert waiting(tmp_path) == 1


def test_a_server_that_hangs_is_asked_once_a_run(tmp_path: Path, post: Post) -> None:
    """With a week of messages waiting, a night would else be spent on waiting; another failure stops nothing."""
    post.down = {"mailto://one": Why.TIMED_OUT, "json://two": Why.NOT_TAKEN}
    for number in range(3):
        assert len(tell(usual(tmp_path), night(run(number, Outcome.KILLED)))) == 2
    tried = [to for to, _ in post.sent]
    assert (tried.count("mailto://one"), tried.count("json://two")) == (3, 1 + 2 + 3)
    post.down = {}
    assert tell(usual(tmp_path), night(run(3), run(4))) == []
    assert waiting(tmp_path) == 0


@pytest.mark.parametrize("state", ["damaged", "no folder", "full"])
def test_the_news_goes_out_where_nothing_can_be_kept(
    tmp_path: Path, post: Post, monkeypatch: pytest.MonkeyPatch, state: str
) -> None:
    """A full disk is why the run failed, and must not be why nobody hears of it."""
    place = tmp_path / "evidence"
    record = run(0, Outcome.COULD_NOT_RUN)
    if state != "no folder":
        place.mkdir()
    if state == "damaged":
        (place / MESSAGES_FILE).write_bytes(b"not a message\n" * 200)
    if state == "full":
        record = replace(record, reasons=tuple(f"reason {n} " * 90 for n in range(9)))  # more than a page has left
        prepare = Outbox._prepare

        def filled(self: Outbox) -> None:
            prepare(self)
            (pages,) = self.connection.execute("PRAGMA page_count").fetchone()
            self.connection.execute(f"PRAGMA max_page_count = {pages}")

        monkeypatch.setattr(Outbox, "_prepare", filled)
    post.down["json://two"] = Why.NOT_REACHED
    kept, failed = tell(usual(place), night(record))
    assert kept.startswith("what is told cannot be kept: ")
    assert failed.endswith("the 2nd address (json) cannot be reached; it is not tried again")
    assert [to for to, _ in post.sent] == ["mailto://one", "json://two"]


def test_what_cannot_be_noted_is_said_and_the_other_address_still_hears(
    tmp_path: Path, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fills between two addresses loses the note, not the message."""
    note = Outbox.note

    def held(self: Outbox, *arguments: object) -> None:
        self.connection.execute("PRAGMA query_only = ON")
        note(self, *arguments)  # type: ignore[arg-type]  # whatever they are

    monkeypatch.setattr(Outbox, "note", held)
    (warning,) = tell(usual(tmp_path), night(worse(0)))
    assert warning.startswith("what is told cannot be kept: ")
    assert len(post.sent) == 2


def test_the_weeks_summary_goes_with_a_graver_message_and_then_is_not_due(tmp_path: Path, post: Post) -> None:
    """One message a night: the failure of the eighth night holds the summary, and the ninth has none."""
    one = job(tmp_path, *USUAL, Occasion.WEEKLY, urls_env=VARIABLE)
    nights = [run(n, Outcome.KILLED if n == 7 else Outcome.FINISHED) for n in range(15)]
    for number in range(15):
        with time_is(FIRST + timedelta(days=number, hours=3)):
            assert tell(one, night(*nights[: number + 1])) == []
    assert [subject for to, subject in post.sent if to == "mailto://one"] == [
        "[herbarium] ended from outside without a word: /mnt/new is not mounted",
        "[herbarium] week: 7 runs finished, nothing new; last run: trustworthy",
    ]
    with Outbox.open(tmp_path / MESSAGES_FILE) as outbox:
        bodies = [body for (body,) in outbox.connection.execute("SELECT body FROM messages ORDER BY number")]
    assert "The last seven days: 6 of 7 runs finished" in bodies[0]
    assert "The last seven days: 7 runs finished" in bodies[1]


def test_nothing_secret_is_kept_or_logged(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Neither outbox, nor log, nor warnings, nor output hold anything of an address but its scheme."""
    evidence = tmp_path / "evidence"
    evidence.mkdir()
    file = tmp_path / "addresses"
    with web_server(500) as hook, web_server() as good, log_to(tmp_path / "verifier.log", run="r"):
        file.write_text(f"{json(hook.port)}\n{PASSWORD}\n{json(good.port)}\n{json(free_port())}\n")
        file.chmod(0o600)
        with caplog.at_level(logging.DEBUG):
            warnings = tell(job(evidence, *USUAL, urls_file=file), night(worse(0)))
    assert len(warnings) == 3
    assert len(good.posts) == 1
    told = capfd.readouterr()
    kept = b"".join(one.read_bytes() for one in evidence.iterdir())
    log = (tmp_path / "verifier.log").read_text()
    assert b"json ? json json" in kept
    assert "the 1st address (json)" in log
    assert PASSWORD not in f"{warnings}{told.out}{told.err}{caplog.text}{log}"
    assert PASSWORD.encode() not in kept


def test_the_log_says_who_was_told(tmp_path: Path, post: Post) -> None:
    """One line for a message that went out, one for each address that it did not go out to."""
    log = tmp_path / "verifier.log"
    with log_to(log, run="R"), time_is(FIRST):
        tell(usual(tmp_path), night(worse(0)))
        post.down["json://two"] = Why.NOT_REACHED
        tell(usual(tmp_path), night(worse(0), run(1)))
    assert log.read_text().splitlines() == [
        "2026-12-01T02:30:00+00:00 INFO R told about=20261201T023000Z occasion=worse",
        "2026-12-01T02:30:00+00:00 WARNING R not-told about=20261202T023000Z occasion=better"
        ' address="the 2nd address (json)" why=not-reached',
    ]


def test_trying_out_sends_a_message_that_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before the first night: which address works, and what is wrong with the other; nothing is kept."""
    with mail_server() as box:
        monkeypatch.setenv(VARIABLE, f"{mailto(box.port)} {json(free_port())}")
        assert try_out(job(tmp_path, urls_env=VARIABLE)) == [Failure(2, "json", Why.NOT_REACHED)]
    assert box.mails[0]["Subject"] == "[herbarium] test message"
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(UsageProblem):
        try_out(job(tmp_path, *USUAL))
