"""A schedule as units of systemd, in a script for the shell that puts them in place.

Sources: systemd.unit(5) and systemd.syntax(7) for quoting, systemd.service(5), systemd.exec(5), systemd.timer(5).
"""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING, Final

from verifier.errors import UsageProblem
from verifier.schedules.scheduler import Part
from verifier.schedules.starts import MAX_AGE, skipped_text, zone_text
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verifier.schedules.starts import Start, Starts

FOLDER: Final = "/etc/systemd/system"
_END: Final = "END_OF_UNIT"
_PLAIN: Final = re.compile(r"[A-Za-z0-9_@+=:,./-]+", re.ASCII)
_TEMPORARY: Final = ("/tmp", "/var/tmp")  # noqa: S108  nothing is written there: it is asked what lies there


def units(starts: Starts, only: Part | None = None) -> dict[str, str]:
    """Return the units by the names of their files.

    Raises:
        UsageProblem: If systemd cannot start a program in this place.
    """
    found = {}
    for start in starts.chosen(only):
        found[f"{start.unit}.service"] = _service(starts, start)
        found[f"{start.unit}.timer"] = _timer(starts, start)
    return found


def script(starts: Starts, only: Part | None = None) -> str:
    """Return a script that puts the units in place and begins the schedule, with what it does as comments.

    Raises:
        UsageProblem: As `units`.
    """
    lines = [f"# {line}" for line in _notes(starts)]
    lines += ["set -e", f"mkdir -p -m 700 {shlex.quote(str(starts.job.evidence))}"]
    for name, text in units(starts, only).items():
        lines += ["", f"cat > {FOLDER}/{name} <<'{_END}'", text + _END]
    timers = " ".join(f"{start.unit}.timer" for start in starts.chosen(only))
    lines += ["", "systemctl daemon-reload", f"systemctl enable --now {timers}"]
    return "\n".join(lines) + "\n"


def _notes(starts: Starts) -> Iterator[str]:
    yield f"The nights of the job {shown(starts.job.name)}, and hours later a look whether there was one."
    yield "To install: read this, then give it to sh as root."
    yield f"Times are in the zone of this machine, now {zone_text()} (systemd.time(7))."
    yield skipped_text(starts)
    yield "On a day whose clock skips the time there is no run at all (systemd-analyze calendar shows it); one that the"
    yield "clock repeats is run once. Persistent=true makes up for a machine that was off, not for a skipped hour:"
    yield "choose a time that every day has."
    yield f"What a night says goes to {shown(str(starts.log_file))}, what is printed to the journal (journalctl -u)."
    yield f"The look says so, and fails, if no night came to an end within {MAX_AGE}; systemctl --failed lists it."
    yield "The units run as root, who may read everything. For another user say User= in both services, and let that"
    yield "user own the evidence folder."
    if name := starts.job.notify.urls_env:
        yield f"The addresses are not here. Write a line {name}=... into {_variables_file(starts)},"
        yield "a file that root owns, mode 600."


def _variables_file(starts: Starts) -> str:
    return f"/etc/verifier/{starts.unit}.env"


def _service(starts: Starts, start: Start) -> str:
    job = starts.job
    what = "Night of the job" if start.part is Part.NIGHTLY else "Look whether there was a night of the job"
    lines = [
        "[Unit]",
        f"Description={what} {_quoted(job.name)}",
        "Wants=network-online.target",
        "After=network-online.target remote-fs.target",
        "",
        "[Service]",
        "Type=oneshot",
        f"ExecStart={_command(start.words)}",
        *(f"Environment={_word(f'{name}={value}')}" for name, value in starts.environment.items()),
    ]
    if job.notify.urls_env:
        lines.append(f"EnvironmentFile=-{_variables_file(starts)}")
    if job.scan.idle:
        lines += ["Nice=19", "IOSchedulingClass=idle"]
    lines += [
        "NoNewPrivileges=true",
        "ProtectSystem=strict",
        f"ReadWritePaths={_word(str(job.evidence))}",
        # With a hyphen: where a root is not there, the run says so itself, and tells somebody.
        f"ReadOnlyPaths={' '.join(_word(f'-{root}') for root in starts.roots)}",
        _temporary(starts),
    ]
    return "\n".join(lines) + "\n"


def _temporary(starts: Starts) -> str:
    """Return what lets SQLite write its temporary files; a folder of its own would hide what lies in the shared one."""
    job = starts.job
    named = [job.path, job.evidence, *starts.roots, *job.rules, job.accepted, job.notify.urls_file, starts.program[0]]
    if any(str(path).startswith(f"{place}/") for path in named for place in _TEMPORARY):
        return f"ReadWritePaths={' '.join(_TEMPORARY)}"
    return "PrivateTmp=true"


def _timer(starts: Starts, start: Start) -> str:
    lines = [
        "[Unit]",
        f"Description=Each day at {start.at:%H:%M}: {start.part.value} of the job {_quoted(starts.job.name)}",
        "",
        "[Timer]",
        f"OnCalendar=*-*-* {start.at:%H:%M}:00",
        "Persistent=true",
        "",
        "[Install]",
        "WantedBy=timers.target",
    ]
    return "\n".join(lines) + "\n"


def _command(words: tuple[str, ...]) -> str:
    """Return a command line; behind a colon no $ is a variable, not even in the program's own path."""
    program, *arguments = words
    if any(c in "\"'\\" for c in program):  # "Executable name contains special characters", says systemd
        raise UsageProblem(
            f"{shown(program)} holds a quote or a backslash, which systemd takes in no program's path",
            "install this program in another folder",
        )
    colon = ":" if any("$" in word for word in words) else ""
    return " ".join([_word(f"{colon}{program}"), *map(_word, arguments)])


def _word(word: str) -> str:
    return word if _PLAIN.fullmatch(word) else _quoted(word)


def _quoted(word: str) -> str:
    """Return a word in quotes as a unit file has it; % begins a specifier unless it is doubled."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{escaped}"'
