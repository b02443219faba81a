"""Telling people about a run, from deciding whether to noting who was told."""

from __future__ import annotations

import logging
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, Self

from verifier import clock
from verifier.errors import VerifierError
from verifier.job.address import addresses
from verifier.job.job import Occasion
from verifier.ledger.places import MESSAGES_FILE
from verifier.log import Event, event
from verifier.messages.notify import Courier, send
from verifier.messages.occasion import gravest, occasions, week_is_over
from verifier.messages.outbox import TRIED_FOR, Outbox, Waiting
from verifier.messages.sender import Why
from verifier.messages.wording import compose, compose_test
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence
    from pathlib import Path

    from verifier.job.address import Secret
    from verifier.job.job import Job
    from verifier.messages.message import Message
    from verifier.messages.night import Night
    from verifier.messages.notify import Failure

_HANGS: Final = (Why.TIMED_OUT, Why.ENDED)
"""After these an address is not tried again in the same run: every message that waits would hang there."""


def tell(job: Job, night: Night) -> list[str]:
    """Tell about a run whom the job names, if it is an occasion that the job names, and send what still waits.

    Nothing that goes wrong here is an error of the run: it comes back as warnings, one line each, and is logged. Where
    the outbox cannot be used, because the disk is full or it is damaged, the message goes out without it.

    Args:
        job: The job; the caller holds its evidence folder.
        night: The run, its entry in the ledger, and the runs before it.
    """
    if not job.notify.on:
        return []
    with _Memory(job.evidence / MESSAGES_FILE) as memory:
        waiting = _put(job, night, memory)
        warnings = list(_send_all(job, waiting, memory)) if waiting else []
        for message in memory.give_up():
            _log(Event.GIVEN_UP, message)
            what = f"about run {message.run} ({message.occasion.value})"
            warnings.append(f"the message {what} did not go out for {TRIED_FOR.days} days, and is given up")
        return [*memory.warnings, *warnings]


def try_out(job: Job) -> list[Failure]:
    """Send a message that says that it is a test; return the addresses that it did not go out to.

    Raises:
        UsageProblem: If the job names no addresses, or they cannot be used.
        CannotRun: If the sending library is not installed.
    """
    return send(compose_test(job.name), addresses(job.notify))


def _put(job: Job, night: Night, memory: _Memory) -> list[Waiting]:
    """Put in the message about a run, if one is asked for; return all that are to be sent now."""
    found = set(occasions(night.record, night.before, night.windows_ended))
    if memory.week_is_over(night):
        found.add(Occasion.WEEKLY)
    asked = found & job.notify.on
    occasion = gravest(asked)
    if occasion is None:
        return memory.waiting()
    weekly = Occasion.WEEKLY in asked
    message = compose(job.name, night, occasion, job.evidence, weekly=weekly)
    memory.put(message, weekly=weekly)
    waiting = memory.waiting()
    return waiting if memory.works else [Waiting(0, message)]


def _send_all(job: Job, waiting: Sequence[Waiting], memory: _Memory) -> Iterator[str]:
    """Send what waits; give a warning for each address that failed."""
    again = "it is tried again after the next run" if memory.works else "it is not tried again"
    try:
        urls = addresses(job.notify)
        courier = Courier()
    except VerifierError as error:
        for one in waiting:
            _log(Event.NOT_TOLD, one.message, why=error.what)
        yield f"{count_of(len(waiting), 'message', 'messages')} could not be sent: {error}; {again}"
        return
    failures: dict[int, Failure] = {}
    with courier:
        for one in waiting:
            _send_one(one, urls, courier, failures, memory)
    for _, failure in sorted(failures.items()):
        yield f"a message could not be sent: {failure}; {again}"


def _send_one(
    one: Waiting, urls: Sequence[Secret], courier: Courier, failures: dict[int, Failure], memory: _Memory
) -> None:
    kinds = [secret.scheme or "?" for secret in urls]
    still_to = one.still_to(kinds)
    done = set(range(1, len(urls) + 1)).difference(still_to)
    for number in still_to:
        if number in failures and failures[number].why in _HANGS:
            continue
        failure = courier.deliver(one.message, number, urls[number - 1])
        if failure is None:
            done.add(number)
            memory.note(one.number, kinds, done)
        else:
            failures[number] = failure
            _log(Event.NOT_TOLD, one.message, address=failure.address, why=failure.why.value)
    if len(done) == len(urls):
        _log(Event.TOLD, one.message)


def _log(name: Event, message: Message, **fields: str) -> None:
    level = logging.INFO if name is Event.TOLD else logging.WARNING
    event(name, level, about=message.run, occasion=message.occasion.value, **fields)


class _Memory:
    """The outbox, or none from the moment at which it cannot be used: the news is worth more than a record of it."""

    def __init__(self, path: Path) -> None:
        self.warnings: list[str] = []
        self._outbox: Outbox | None = None
        with self._errors_kept():
            self._outbox = Outbox.open(path)

    @property
    def works(self) -> bool:
        """Whether what is put in will be there after the next run."""
        return self._outbox is not None

    def week_is_over(self, night: Night) -> bool:
        """Tell whether the week's summary is due; never where nobody remembers the last one."""
        if self._outbox is not None:
            with self._errors_kept():
                return week_is_over(clock.now(), self._outbox.last_weekly(), night.first_started)
        return False

    def put(self, message: Message, *, weekly: bool) -> None:
        if self._outbox is not None:
            with self._errors_kept():
                self._outbox.put(message, weekly=weekly)

    def waiting(self) -> list[Waiting]:
        if self._outbox is not None:
            with self._errors_kept():
                return self._outbox.waiting()
        return []

    def note(self, number: int, schemes: Sequence[str], delivered: Collection[int]) -> None:
        if self._outbox is not None:
            with self._errors_kept():
                self._outbox.note(number, schemes, delivered)

    def give_up(self) -> list[Message]:
        if self._outbox is not None:
            with self._errors_kept():
                return self._outbox.give_up()
        return []

    @contextmanager
    def _errors_kept(self) -> Iterator[None]:
        try:
            yield
        except VerifierError as error:
            warning = f"what is told cannot be kept: {error}"
            self.warnings.append(warning)
            event(Event.WARNING, logging.WARNING, what=warning)
            self._close()

    def _close(self) -> None:
        if self._outbox is not None:
            self._outbox.close()
        self._outbox = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()
