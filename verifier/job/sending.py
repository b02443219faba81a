"""Whether messages could be sent: the library, and how addresses are written. Nobody is asked, nothing is sent."""

from __future__ import annotations

import importlib.util
import logging
import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator


INSTALL: Final = "pip install 'migration-verifier[notify]'"
"""What to do where the library is not there."""


def can_send() -> bool:
    """Tell whether the library that sends is installed."""
    return importlib.util.find_spec("apprise") is not None


def fault_of(address: str) -> str:
    """Say what is wrong with how an address is written, as the end of a sentence; empty if nothing is.

    Args:
        address: The address; nothing of it is repeated, printed or logged.
    """
    with _ears() as heard, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import apprise  # noqa: PLC0415  an extra, and slow

        known = apprise.Apprise.instantiate(address, suppress_exceptions=True) is not None
    if not known:
        return "is none that messages can be sent to; see the list of addresses at appriseit.com"
    return "has a part that would be left out; see the list of addresses at appriseit.com" if heard.anything else ""


class _Heard(logging.Handler):
    """Keeps that something was said, and nothing of it."""

    anything = False

    def emit(self, record: logging.LogRecord) -> None:  # noqa: ARG002  it may hold the address
        self.anything = True


@contextmanager
def _ears() -> Iterator[_Heard]:
    """Hear what the library logs, which repeats addresses, and let nobody else hear it."""
    logger, heard = logging.getLogger("apprise"), _Heard()
    handlers, propagate, level = logger.handlers, logger.propagate, logger.level
    logger.handlers, logger.propagate = [heard], False
    logger.setLevel(logging.WARNING)
    try:
        yield heard
    finally:
        logger.handlers, logger.propagate = handlers, propagate
        logger.setLevel(level)
