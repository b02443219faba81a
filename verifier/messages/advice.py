"""What to do next after a run, by what was found, for somebody who reads it in the morning."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, assert_never

from verifier.classes import Cause, Class, Phase
from verifier.ledger.record import Outcome
from verifier.report.words import ADVICE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verifier.ledger.record import RunRecord

USAGE: Final = 2
"""The exit code of a run whose job file or rules could not be used."""
_HEAVY: Final = (Class.KIND_CHANGED, Class.UNREADABLE, Class.UNSETTLED)
"""Classes for which the report's own advice holds in every phase."""


def to_do(record: RunRecord) -> tuple[str, ...]:
    """Return what to do next, most pressing first; `DIR` in it is the folder of the run's report."""
    match record.outcome:
        case Outcome.COULD_NOT_RUN if record.exit_code == USAGE:
            return ("Mend what is named above, and try it with `verifier job check`.",)
        case Outcome.COULD_NOT_RUN:
            return (
                "Do what is said above. If a share is not mounted, mount it. The next run goes on by itself.",
                "Until then nothing is checked: nobody would notice new damage.",
            )
        case Outcome.INTERRUPTED:
            return (
                "If a share went away, see to its server, network and mount. What was read stays read, and the next "
                "run goes on from there.",
            )
        case Outcome.KILLED:
            return (
                "Look into the system's log for what ended it: power, memory, a restart, or somebody. What was read "
                "stays read, and the next run goes on from there.",
            )
        case Outcome.WINDOW_ENDED:
            return (
                "Nothing, if much had to be read for the first time: the next run goes on from there. If it happens "
                "again and again, give the job a longer time window, or more time until a file is read again.",
            )
        case Outcome.FINISHED:
            return tuple(_about_findings(record)) or ("Nothing.",)
        case _:
            assert_never(record.outcome)


def _about_findings(record: RunRecord) -> Iterator[str]:
    if record.is_good and not (record.news.new or record.news.worse):
        return
    from_where = _source(record.phase)
    if record.causes.get(Cause.SILENT):
        yield (
            "Silent damage: bytes changed under the same size and time. Read `verifier inspect DIR PATH` for each "
            f"file, then {from_where}. Look at disk, cable, controller and memory of the side that is wrong."
        )
    if record.causes.get(Cause.NOT_REPEATED):
        yield "A reading that does not repeat: suspect memory, cable or controller, and have them tested."
    told = (Cause.SILENT, Cause.NOT_REPEATED)
    if any(number for cause, number in record.causes.items() if cause not in told):
        yield f"Changed content: find out which side is right (`verifier inspect DIR PATH`), then {from_where}."
    if record.classes.get(Class.MISSING):
        how = "" if record.phase is Phase.RETIRED else " `verifier recopy DIR` lists them for other programs."
        yield f"Missing files: find out who or what removed them, then {from_where}.{how}"
    for cls in _HEAVY:
        if record.classes.get(cls):
            yield f"{_TITLES[cls]}: {ADVICE[cls]}"
    if record.classes.get(Class.UNPROVEN):
        yield "Not read on both sides yet: the next runs read on. If it stays, give the job a longer time window."
    yield "What is as it should be can be accepted by name: `verifier accept DIR`. It is not told as new again."


def _source(phase: Phase) -> str:
    if phase is Phase.RETIRED:
        return "take what is right from a backup, because the old side is gone"
    return "copy again from the other side while that is there"


_TITLES: Final[dict[Class, str]] = {
    Class.KIND_CHANGED: "Of another kind",
    Class.UNREADABLE: "Could not be read",
    Class.UNSETTLED: "Changed while being read",
}
