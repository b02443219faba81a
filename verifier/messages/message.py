"""A message about a run, before it is known by which way it goes out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verifier.job.job import Occasion


@dataclass(frozen=True, slots=True)
class Message:
    """Plain text, with nothing in it that a terminal or a mail reader would act on."""

    run: str
    """The run that it is about."""
    occasion: Occasion
    subject: str
    """One line; begins with what is new."""
    body: str
    """Lines of at most 78 columns, the news first."""
