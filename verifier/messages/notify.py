"""Sending messages, each to each address by itself, within a time that holds.

A failure names the address by its place in the list and its scheme, never by anything else of it.
"""

from __future__ import annotations

import multiprocessing
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Self

from verifier.errors import CannotRun
from verifier.job.sending import INSTALL, can_send
from verifier.messages.sender import DELIVERED, READY, Why, serve

if TYPE_CHECKING:
    from collections.abc import Sequence
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess

    from verifier.job.address import Secret
    from verifier.messages.message import Message

TIMEOUT_S: Final = 60.0
"""How long one address may take for one message."""
_START_S: Final = 120.0
"""How long the process may take to load the library, on a small and busy machine."""

WHY: Final[dict[Why, str]] = {
    Why.NOT_UNDERSTOOD: "is none that can be sent to, or has a part that cannot be used",
    Why.NOT_REACHED: "cannot be reached",
    Why.NOT_ADMITTED: "does not accept user, password or token",
    Why.NOT_TRUSTED: "shows a certificate that does not hold",
    Why.NOT_TAKEN: "did not take the message",
    Why.TIMED_OUT: "did not answer in time",
    Why.ENDED: "was not tried: the process that sends could not be started, or ended",
}
"""Each reason after the address."""


@dataclass(frozen=True, slots=True)
class Failure:
    """That a message did not go out to an address."""

    number: int
    """Its place in the list, from 1."""
    scheme: str
    """By which way it sends, such as ``mailto``; empty where that is not known."""
    why: Why

    @property
    def address(self) -> str:
        """How the address is called: ``the 2nd address (mailto)``."""
        return f"the {_ordinal(self.number)} address" + (f" ({self.scheme})" if self.scheme else "")

    def __str__(self) -> str:
        return f"{self.address} {WHY[self.why]}"


def _ordinal(number: int) -> str:
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def send(message: Message, urls: Sequence[Secret], timeout_s: float = TIMEOUT_S) -> list[Failure]:
    """Send a message to every address; return those that it did not go out to.

    Args:
        message: What is sent, as plain text.
        urls: Where to; each is tried, whatever becomes of the others.
        timeout_s: How long each may take.

    Raises:
        CannotRun: If the sending library is not installed.
    """
    with Courier(timeout_s) as courier:
        failures = [courier.deliver(message, number, secret) for number, secret in enumerate(urls, 1)]
    return [failure for failure in failures if failure is not None]


class Courier:
    """Hands messages to the process that sends, and ends it where it does not answer. A context manager.

    Args:
        timeout_s: How long one address may take for one message.

    Raises:
        CannotRun: If the sending library is not installed.
    """

    def __init__(self, timeout_s: float = TIMEOUT_S) -> None:
        if not can_send():
            raise CannotRun("messages cannot be sent, because apprise is not installed", INSTALL)
        self._timeout_s = timeout_s
        self._process: SpawnProcess | None = None
        self._connection: Connection | None = None

    def deliver(self, message: Message, number: int, secret: Secret) -> Failure | None:
        """Send a message to one address; return the failure, or None where a server took it.

        Args:
            message: What is sent.
            number: The address's place in the list, by which a failure names it.
            secret: The address.
        """
        why = self._ask(secret.reveal(), message)
        if why is None:
            return None
        # What stands before :// in something that is no address may be anything.
        return Failure(number, "" if why is Why.NOT_UNDERSTOOD else secret.scheme, why)

    def _ask(self, address: str, message: Message) -> Why | None:
        try:
            connection = self._connection or self._start()
            connection.send((address, message.subject, message.body))
            if connection.poll(self._timeout_s):
                said = connection.recv()
                return None if said == DELIVERED else Why(said)
            why = Why.TIMED_OUT
        except (EOFError, OSError):
            why = Why.ENDED
        self._end()
        return why

    def _start(self) -> Connection:
        # Spawned, not forked: this process may have threads, and the other one must not hold what is open here.
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        self._process = context.Process(target=serve, args=(theirs,), name="sender", daemon=True)
        self._connection = ours
        try:
            self._process.start()
        finally:
            theirs.close()
        if not ours.poll(_START_S) or ours.recv() != READY:
            raise EOFError
        return ours

    def _end(self) -> None:
        process, connection = self._process, self._connection
        self._process = self._connection = None
        if connection is not None:
            connection.close()
        if process is not None:
            with suppress(ValueError, AttributeError):  # one that was never started
                process.kill()
                process.join()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()
