"""A schedule as lines of a crontab (crontab(5) of Debian's cron)."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Final

from verifier.errors import UsageProblem
from verifier.schedules.starts import MAX_AGE, skipped_text, zone_text
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verifier.schedules.scheduler import Part
    from verifier.schedules.starts import Start, Starts

LONGEST_COMMAND: Final = 998
"""Bytes of a command that cron takes (tried with crontab -n of Debian 12)."""


def table(starts: Starts, only: Part | None = None) -> str:
    """Return lines for a user's crontab.

    Raises:
        UsageProblem: If a line is longer than cron takes.
    """
    lines = [f"# {line}" for line in _notes(starts)]
    lines += [_line(starts, start) for start in starts.chosen(only)]
    return "\n".join(lines) + "\n"


def _notes(starts: Starts) -> Iterator[str]:
    yield f"The nights of the job {shown(starts.job.name)}, and hours later a look whether there was one."
    yield "To install: crontab -e, as the user who may read all roots and write the evidence; put these lines at its"
    yield "end. In a file of /etc/cron.d that user's name goes before the command."
    yield f"Times are in the zone of this machine, now {zone_text()}: cron knows no other (cron(8), ENVIRONMENT)."
    yield skipped_text(starts)
    yield "A night that begins in an hour which the clock skips begins soon after it; one in an hour which the clock"
    yield "repeats begins once (cron(8))."
    yield f"What a night says goes to {shown(str(starts.log_file))}; what is printed, cron sends by mail (MAILTO)."
    yield f"The look says so, and fails, if no night came to an end within {MAX_AGE}."
    if name := starts.job.notify.urls_env:
        yield f"The addresses are not here. cron knows nothing of your shell's environment: write {name}=..."
        yield "in a line before these. A user's crontab is read by that user and root alone (crontab(1)); files of"
        yield "/etc/cron.d are read by everybody: there, keep the addresses in a file (notify.urls_file)."


def _line(starts: Starts, start: Start) -> str:
    # Before the command, and not in lines of their own, which would hold for all that follows in the table.
    variables = [f"{name}={_word(value)}" for name, value in starts.environment.items()]
    command = " ".join([*variables, *map(_word, start.words)])
    length = len(command.encode())
    if length > LONGEST_COMMAND:
        raise UsageProblem(
            f"the command for {start.part.value} has {length} bytes, and cron takes {LONGEST_COMMAND}",
            "use shorter paths, such as links",
        )
    return f"{start.at.minute} {start.at.hour} * * * {command}"


def _word(word: str) -> str:
    """Return a word as the shell takes it from cron.

    cron ends a command at the first % that has no backslash before it, and takes that backslash away. Debian's also
    makes one backslash of two in a row, others do not (tried). So a word's own backslash is followed by quotes.
    """
    return shlex.quote(word).replace("\\", "\\''").replace("%", "\\%")
