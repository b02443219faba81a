"""The process that sends: everything the sending library says, logs or waits for stays in it.

The library logs addresses, and what servers answered; it keeps threads that cannot be ended; and a server that sends a
byte now and then holds it for ever. Here it has no terminal and no log, and whoever started this process can end it.
Only words of `Why` leave it.
"""

from __future__ import annotations

import logging
import os
import re
import warnings
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from verifier.scan.process import settle_in

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

READY: Final = "ready"
"""From the process, once the library is there."""
DELIVERED: Final = "delivered"
"""From the process: a server took the message."""


class Why(StrEnum):
    """Why a message did not go out to an address."""

    NOT_UNDERSTOOD = "not-understood"
    """It is none that can be sent to, or a part of it would be left out."""
    NOT_REACHED = "not-reached"
    NOT_ADMITTED = "not-admitted"
    """The server did not accept user, password or token."""
    NOT_TRUSTED = "not-trusted"
    """The server's certificate does not hold."""
    NOT_TAKEN = "not-taken"
    """Anything else that the server or the library did not like."""
    TIMED_OUT = "timed-out"
    ENDED = "ended"
    """The process that sends could not be started, or ended."""


_SIGNS: Final = (
    (Why.NOT_TRUSTED, re.compile(r"CERTIFICATE_VERIFY_FAILED|certificate verify failed|SSLCertVerificationError")),
    # SMTP replies 530, 534, 535, 538 (RFC 4954, section 6); HTTP 401 and 403 (RFC 9110).
    (Why.NOT_ADMITTED, re.compile(r"\(53[0458],|error=40[13]\b|Unauthorized|SMTP AUTH extension not supported")),
    (Why.TIMED_OUT, re.compile(r"timed out")),
    (Why.NOT_REACHED, re.compile(r"Errno -?\d+|Failed to establish|Failed to resolve")),
)
"""What the library says where something goes wrong, the surest first."""
_LEFT_OUT: Final = re.compile(r"drop|invalid|ignor|unsupported", re.IGNORECASE)


def serve(connection: Connection) -> None:
    """Be the process that sends, until whoever started it closes the connection.

    Takes (address, subject, body), answers `DELIVERED` or a `Why`.
    """
    settle_in(idle=False)
    _be_mute()
    try:
        library = Library()
        connection.send(READY)
        while True:
            connection.send(library.deliver(*connection.recv()))
    except (EOFError, OSError):
        pass
    finally:
        os._exit(0)  # the library's threads would keep the process


def _be_mute() -> None:
    """Let nothing that this process or a library in it prints or warns about reach a terminal, a mail or a log."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    for descriptor in (1, 2):
        os.dup2(nowhere, descriptor)
    warnings.simplefilter("ignore")  # the library imports what Python will do without


class Library:
    """The sending library, set up so that it adds nothing of its own and keeps nothing on the disk."""

    def __init__(self) -> None:
        import apprise  # noqa: PLC0415  an extra, and slow

        self._apprise: Any = apprise
        # Its own time limit would only leave a thread behind; pictures would be fetched from elsewhere by the reader.
        self._asset: Any = apprise.AppriseAsset(
            app_id="verifier",
            app_desc="verifier",
            app_url="",
            image_url_mask="",
            image_url_logo="",
            interpret_emojis=False,
            async_mode=False,
            service_timeout=0,
            storage_mode="memory",
        )
        self._heard = _Heard()
        logger = logging.getLogger("apprise")
        logger.handlers = [self._heard]
        logger.propagate = False
        logger.setLevel(logging.DEBUG)

    def deliver(self, address: str, subject: str, body: str) -> str:
        """Send one message to one address; return `DELIVERED`, or why not."""
        self._heard.texts.clear()
        try:
            service = self._apprise.Apprise.instantiate(address, asset=self._asset)
            # A recipient with a slip of the pen is dropped with a warning, and would never be told anything.
            if service is None or any(map(_LEFT_OUT.search, self._heard.warned())):
                return Why.NOT_UNDERSTOOD
            sending = self._apprise.Apprise(asset=self._asset)
            sending.add(service)
            said = sending.notify(title=subject, body=body, body_format=self._apprise.NotifyFormat.TEXT)
            # Not the whole result: an address may say of itself that its failures do not count.
            if any(attempt for result in said for attempt in result):
                return DELIVERED
        except Exception:  # whatever a plug-in raises: it did not send
            return self._heard.why()
        return self._heard.why()


class _Heard(logging.Handler):
    """Keeps what the library logs, in this process only, to tell one failure from another."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[tuple[int, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep a line."""
        self.texts.append((record.levelno, record.getMessage()))

    def warned(self) -> list[str]:
        """Return what was said as a warning."""
        return [text for level, text in self.texts if level == logging.WARNING]

    def why(self) -> Why:
        """Return what the lines come to."""
        # Of the message itself, which is logged as well, nothing is looked at.
        everything = "\n".join(text for _, text in self.texts if "Payload" not in text)
        return next((why for why, sign in _SIGNS if sign.search(everything)), Why.NOT_TAKEN)
