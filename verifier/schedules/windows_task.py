"""A schedule as a task of the Windows Task Scheduler, for ``schtasks /Create /XML``.

Source: the schema in MS-TSCH, 2.5 (XML Task Definition Format).
"""

from __future__ import annotations

import re
import subprocess
from datetime import datetime
from typing import TYPE_CHECKING, Final
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from verifier import clock
from verifier.errors import UsageProblem
from verifier.schedules.scheduler import Part
from verifier.schedules.starts import MAX_AGE, skipped_text, zone_text
from verifier.tree.names import shown

if TYPE_CHECKING:
    from verifier.schedules.starts import Start, Starts

NAMESPACE: Final = "http://schemas.microsoft.com/windows/2004/02/mit/task"
_VARIABLE: Final = re.compile(r"%[^%]+%|\$\(")
_IDLE: Final = "9"
"""The lowest class of priority, as idle as it gets (TaskSettings.Priority)."""
_BELOW_NORMAL: Final = "7"


def definition(starts: Starts, part: Part) -> str:
    """Return the definition of a task. It is ASCII and names no encoding, so any way of saving it is right.

    Raises:
        UsageProblem: If a path would be taken for a variable.
    """
    (start,) = starts.chosen(part)
    for word in start.words:
        _refuse_variable(word)
    task = Element("Task", {"version": "1.2", "xmlns": NAMESPACE})
    about = SubElement(task, "RegistrationInfo")
    _add(about, "Description", f"{part.value} of the job {shown(starts.job.name)}, each day at {start.at:%H:%M}")
    _add(about, "Documentation", _notes(starts, start))
    trigger = SubElement(SubElement(task, "Triggers"), "CalendarTrigger")
    today = clock.now().astimezone().date()
    # Without a zone: local time, in summer as in winter.
    _add(trigger, "StartBoundary", datetime.combine(today, start.at).isoformat())
    _add(SubElement(trigger, "ScheduleByDay"), "DaysInterval", "1")
    principal = SubElement(SubElement(task, "Principals"), "Principal", {"id": "Author"})
    _add(principal, "LogonType", "Password")
    _settings(SubElement(task, "Settings"), idle=starts.job.scan.idle)
    action = SubElement(SubElement(task, "Actions", {"Context": "Author"}), "Exec")
    program, *arguments = start.words
    _add(action, "Command", program)
    _add(action, "Arguments", subprocess.list2cmdline(arguments))
    indent(task)
    text = tostring(task, encoding="unicode").encode("ascii", "xmlcharrefreplace").decode()
    return f'<?xml version="1.0"?>\n{text}\n'


def _settings(settings: Element, *, idle: bool) -> None:
    _add(settings, "MultipleInstancesPolicy", "IgnoreNew")
    _add(settings, "DisallowStartIfOnBatteries", "false")
    _add(settings, "StopIfGoingOnBatteries", "false")
    _add(settings, "StartWhenAvailable", "true")  # makes up for a machine that was off
    _add(settings, "ExecutionTimeLimit", "PT0S")  # none: the job's window says when reading ends
    _add(settings, "Priority", _IDLE if idle else _BELOW_NORMAL)


def _notes(starts: Starts, start: Start) -> str:
    lines = [
        f"To install: schtasks /Create /TN {start.unit} /XML FILE /RU USER /RP *",
        "USER is one who may read all roots over the network; SYSTEM may not.",
        f"Times are in the zone of the machine, here {zone_text()}. {skipped_text(starts)}",
        "What happens to a task in an hour that the clock skips or repeats is not specified (Microsoft, KB 325413).",
    ]
    if start.part is Part.NIGHTLY:
        lines.append("The look whether there was a night is a second task: print it with --only watch.")
    else:
        lines.append(f"It fails if no night came to an end within {MAX_AGE}.")
    if name := starts.job.notify.urls_env:
        lines.append(
            f"The addresses are not here, and a task has no environment of its own: set {name} for that user alone, or "
            "keep the addresses in a file (notify.urls_file)."
        )
    return "\n".join(["", *lines, ""])


def _add(parent: Element, name: str, text: str) -> None:
    SubElement(parent, name).text = text


def _refuse_variable(word: str) -> None:
    """Refuse what the Task Scheduler replaces: %NAME% by a variable (IExecAction), $(Arg0) by a parameter."""
    if found := _VARIABLE.search(word):
        raise UsageProblem(
            f"{shown(word)} holds {shown(found[0])}, which the Task Scheduler takes for a variable",
            "reach it by another name",
        )
