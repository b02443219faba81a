"""What a run came to, in the words of the history."""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from verifier.classes import Phase
from verifier.report.words import HEADLINES, MEANINGS


class Standing(StrEnum):
    """What a run came to, the worst first."""

    NOT_TRUSTWORTHY = "not-trustworthy"
    INCONCLUSIVE = "inconclusive"
    KILLED = "killed"
    COULD_NOT_RUN = "could-not-run"
    INTERRUPTED = "interrupted"
    WINDOW_ENDED = "window-ended"
    STILL_COPYING = "still-copying"
    """The copy is still being made, and nothing new or worse was found in it."""
    WITH_EXCEPTIONS = "trustworthy-with-exceptions"
    TRUSTWORTHY = "trustworthy"

    @property
    def words(self) -> str:
        """What it is called at the head of a line."""
        return _WORDS[self]

    @property
    def rank(self) -> int:
        """How bad it is: 0 is the worst."""
        return _ORDER.index(self)


_ORDER: Final = tuple(Standing)
GOOD: Final = (Standing.WITH_EXCEPTIONS, Standing.TRUSTWORTHY)
"""What a copy can be relied on after."""
JUDGED: Final = (Standing.NOT_TRUSTWORTHY, Standing.INCONCLUSIVE, Standing.STILL_COPYING, *GOOD)
"""What only a run comes to that finished."""
_WORDS: Final[dict[Standing, str]] = {
    **{Standing(kind.value): words for kind, words in HEADLINES.items()},
    Standing.KILLED: "Killed",
    Standing.COULD_NOT_RUN: "Could not run",
    Standing.INTERRUPTED: "Interrupted",
    Standing.WINDOW_ENDED: "Window ended",
    Standing.STILL_COPYING: "Still copying",
}
_MEANINGS: Final[dict[Standing, str]] = {
    **{Standing(kind.value): words for kind, words in MEANINGS.items()},
    Standing.STILL_COPYING: "The copy is still being made, and nothing new or worse was found in it.",
    Standing.KILLED: "It was ended from outside without a word; the run after it wrote this down.",
    Standing.COULD_NOT_RUN: "Nothing was checked that night.",
    Standing.INTERRUPTED: "It was stopped, or a share went away under it. The next run goes on from there.",
    Standing.WINDOW_ENDED: "Not everything was read when its time was over. The next run goes on from there.",
}
_WITHOUT_OLD: Final[dict[Standing, str]] = {
    Standing.TRUSTWORTHY: "Everything that counts as data is still there, with the content that it had.",
    Standing.NOT_TRUSTWORTHY: "Something is missing, damaged or of another kind. Bring it back from another copy.",
    Standing.INCONCLUSIVE: "Not everything could be checked. Check again.",
}
"""What some mean when the old side is gone."""


def meaning_of(standing: Standing, phase: Phase) -> str:
    """Return in a sentence what it means that a run came to that, in the phase in which it ran."""
    return (_WITHOUT_OLD if phase is Phase.RETIRED else _MEANINGS).get(standing) or _MEANINGS[standing]
