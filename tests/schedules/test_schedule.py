"""What to install, for each scheduler: what it takes from the text is what was meant, whatever the paths hold."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from collections import defaultdict
from dataclasses import replace
from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree as ET

import pytest
from hypothesis import assume, example, given

from tests.schedules.named import AT, HOSTILE, job, names, starts
from verifier.errors import UsageProblem
from verifier.job.job import JobSide, Scanning
from verifier.schedules import cron, systemd, windows_task
from verifier.schedules.schedule import schedule_text
from verifier.schedules.scheduler import Part, Scheduler
from verifier.schedules.windows_task import NAMESPACE
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verifier.schedules.starts import Starts

SECRET: Final = "s3cr3t-of-the-garden"
TELL: Final = "import json, os, sys; print(json.dumps([sys.argv[1:], os.environ.get('X')]))"
EVERYTHING: Final = " ".join(HOSTILE)


def test_each_scheduler_is_told_of_both(monkeypatch: pytest.MonkeyPatch) -> None:
    """The night and the look are in it, or one of them where only one is asked for; a Windows task is one."""
    monkeypatch.delenv("PYTHONPATH", raising=False)
    for scheduler in (Scheduler.CRON, Scheduler.SYSTEMD):
        text = schedule_text(job(), AT, scheduler)
        assert (" nightly /srv" in text, " watch /srv" in text) == (True, True)
        text = schedule_text(job(), AT, scheduler, Part.WATCH)
        assert (" nightly /srv" in text, " watch /srv" in text) == (False, True)
    for part in Part:
        text = schedule_text(job(), AT, Scheduler.WINDOWS_TASK, part)
        assert f"-m verifier {part} /srv" in text
    assert schedule_text(job(), AT, Scheduler.WINDOWS_TASK) == schedule_text(
        job(), AT, Scheduler.WINDOWS_TASK, Part.NIGHTLY
    )


@pytest.mark.parametrize("scheduler", Scheduler)
def test_an_address_is_never_in_it(scheduler: Scheduler, monkeypatch: pytest.MonkeyPatch) -> None:
    """The variable is mentioned by name, with advice where it goes; a file of addresses needs none."""
    monkeypatch.setenv("HERBARIUM_ADDRESSES", f"json://{SECRET}")
    text = schedule_text(job(urls_env="HERBARIUM_ADDRESSES"), AT, scheduler)
    assert "HERBARIUM_ADDRESSES" in text
    assert SECRET not in text
    assert "ADDRESSES" not in schedule_text(job(urls_file=Path("/etc/urls")), AT, scheduler)


# ---- cron


def lines_of(table: str) -> list[str]:
    """Return the lines of a crontab that start something."""
    return [line for line in table.splitlines() if not line.startswith("#")]


def debian(command: str) -> str:
    r"""Return what Debian's cron 3.0pl1 gives to the shell (tried): ``\%`` is %, ``\\`` one backslash, % the end."""
    return re.sub(r"\\([\\%])|%.*", lambda match: match[1] or "", command)


def others(command: str) -> str:
    r"""Return what a cron gives to the shell that takes away a backslash before % alone (crontab(5))."""
    return re.sub(r"\\%|%.*", lambda match: "%" if match[0] == "\\%" else "", command)


def given_by(cron_of: str, line: str) -> tuple[list[str], str]:
    """Return the five fields of a line, and the command that a cron gives to the shell."""
    *fields, command = line.split(" ", 5)
    return fields, (debian if cron_of == "debian" else others)(command)


@pytest.mark.parametrize("cron_of", ["debian", "others"])
@given(below=names(), value=names())
@example(below=EVERYTHING, value=EVERYTHING)
def test_cron_starts_what_was_meant(cron_of: str, below: str, value: str) -> None:
    """Time, words and variables arrive as they were, with both ways in which crons treat backslashes."""
    made = starts(job(below=below), value=value)
    for line, start in zip(lines_of(cron.table(made)), made.chosen(), strict=True):
        fields, command = given_by(cron_of, line)
        assert fields == [str(start.at.minute), str(start.at.hour), "*", "*", "*"]
        assert shlex.split(command) == [f"X={value}", *start.words]


@pytest.mark.parametrize("cron_of", ["debian", "others"])
def test_the_shell_takes_it_as_it_was_meant(cron_of: str) -> None:
    """sh, which cron gives the command to, hands every hostile name on, and runs nothing in it."""
    made = starts(job(below=EVERYTHING), (sys.executable, "-c", TELL), EVERYTHING)
    (start, _), (line, _) = made.chosen(), lines_of(cron.table(made))
    _, command = given_by(cron_of, line)
    done = subprocess.run(["/bin/sh", "-c", command], check=True, capture_output=True, text=True, env={})
    assert json.loads(done.stdout) == [list(start.words[3:]), EVERYTHING]
    assert done.stderr == ""


def test_a_line_that_cron_would_refuse_is_refused() -> None:
    """More than `LONGEST_COMMAND` bytes would be refused by cron, when it is installed."""
    made = starts(job(below="g" * 240), value="x" * 1000)
    with pytest.raises(UsageProblem, match=r"the command for nightly has \d+ bytes, and cron takes 998; use shorter"):
        cron.table(made)


@pytest.mark.real(programs=("crontab",))
def test_the_crontab_of_debian_takes_it(tmp_path: Path) -> None:
    """It is a table, to the last byte of the longest line that is printed; one byte more would be none."""
    place = tmp_path / "table"
    length = len(lines_of(cron.table(starts(job())))[0].encode()) - len("30 2 * * * ")
    longest = cron.table(starts(job(), value="x" * (cron.LONGEST_COMMAND - length + len("''"))))
    for table, taken in (
        (cron.table(starts(job(below=EVERYTHING))), True),
        (longest, True),
        (longest.replace("xxx", "xxxx", 1), False),
    ):
        place.write_text(table)
        done = subprocess.run(["crontab", "-n", place], check=False, capture_output=True, text=True)
        assert (done.returncode == 0) == taken, done.stderr


# ---- systemd


def settings_of(unit: str) -> dict[str, list[str]]:
    """Return the settings of a unit file, by section and name (systemd.syntax(7)); the last line has no backslash."""
    found: dict[str, list[str]] = defaultdict(list)
    section = ""
    for line in unit.splitlines():
        assert not line.endswith("\\")
        if match := re.fullmatch(r"\[(\w+)\]", line):
            section = match[1]
        elif line:
            name, _, value = line.partition("=")
            found[f"{section}.{name}"].append(value)
    return found


def words_of(value: str) -> list[str]:
    """Return the words of a setting: quotes and escapes (systemd.syntax(7)), then specifiers (systemd.unit(5))."""
    found = []
    for match in re.finditer(r'"((?:[^"\\]|\\.)*)"(?= |$)|([^" ]+)', value):
        word = match[2] if match[1] is None else re.sub(r"\\([\\\"])", r"\1", match[1])
        assert "%" not in word.replace("%%", "")
        found.append(word.replace("%%", "%"))
    return found


@given(name=names(), below=names(), value=names())
@example(name=EVERYTHING, below=EVERYTHING, value=EVERYTHING)
def test_systemd_starts_what_was_meant(name: str, below: str, value: str) -> None:
    """Words, variables and paths arrive as they were: no specifier, no variable, no end of a line."""
    made = starts(job(name, below), value=value)
    units = systemd.units(made)
    assert list(units) == [f"{made.unit}{part}.{kind}" for part in ("", "_watch") for kind in ("service", "timer")]
    base = f"/srv/{below}"
    for start in made.chosen():
        service = settings_of(units[f"{start.unit}.service"])
        command = words_of(service["Service.ExecStart"][0])
        # systemd.service(5): behind a colon nothing is a variable; without one no $ may be there.
        assert command[0].startswith(":") or "$" not in "".join(command)
        assert (command[0].removeprefix(":"), *command[1:]) == start.words
        assert [words_of(one) for one in service["Service.Environment"]] == [[f"X={value}"]]
        assert words_of(service["Service.ReadWritePaths"][0]) == [f"{base}/proofs"]
        assert words_of(service["Service.ReadOnlyPaths"][0]) == [f"-{base}/{root}" for root in ("old", "new", "more")]
        assert words_of(service["Unit.Description"][0])[-1] == name
        timer = settings_of(units[f"{start.unit}.timer"])
        assert timer["Timer.OnCalendar"] == [f"*-*-* {start.at:%H:%M}:00"]
        assert timer["Timer.Persistent"] == ["true"]
        assert timer["Install.WantedBy"] == ["timers.target"]


def test_the_service_may_write_the_evidence_and_nothing_else() -> None:
    """The system itself keeps the promise that no tree is written in, and lets others have disk and processor first."""
    service = settings_of(systemd.units(starts(job()))["verifier-herbarium.service"])
    held = {name.partition(".")[2]: values for name, values in service.items() if name.startswith("Service.")}
    assert {name: values for name, values in held.items() if name not in ("ExecStart", "Environment")} == {
        "Type": ["oneshot"],
        "Nice": ["19"],
        "IOSchedulingClass": ["idle"],
        "NoNewPrivileges": ["true"],
        "ProtectSystem": ["strict"],
        "ReadWritePaths": ["/srv/garden/proofs"],
        "ReadOnlyPaths": ["-/srv/garden/old -/srv/garden/new -/srv/garden/more"],
        "PrivateTmp": ["true"],
    }


def test_a_job_that_may_disturb_others_has_no_low_priority() -> None:
    """What the job says about reading holds here, too."""
    text = systemd.units(starts(job(scan=Scanning(idle=False))))["verifier-herbarium.service"]
    assert ("Nice" in text, "IOSchedulingClass" in text) == (False, False)


def test_what_lies_in_a_temporary_folder_is_seen() -> None:
    """A private /tmp would hide a root that lies there."""
    made = starts(replace(job(), old=JobSide((Path("/tmp/old"),))))
    service = settings_of(systemd.units(made)["verifier-herbarium.service"])
    assert "Service.PrivateTmp" not in service
    assert service["Service.ReadWritePaths"] == ["/srv/garden/proofs", "/tmp /var/tmp"]


def test_the_variable_of_the_addresses_comes_from_a_file() -> None:
    """The file's name is in both services, with a hyphen: without it the run itself says what is missing."""
    units = systemd.units(starts(job(urls_env="HERBARIUM_ADDRESSES")))
    assert [settings_of(text)["Service.EnvironmentFile"] for name, text in units.items() if "service" in name] == [
        ["-/etc/verifier/verifier-herbarium.env"]
    ] * 2


def test_a_program_that_systemd_would_not_start_is_refused() -> None:
    """No quotes and no backslashes may be in the path of a program, by systemd's own word."""
    for bad in ("it's", 'a "b"', "a\\b"):
        with pytest.raises(UsageProblem, match="which systemd takes in no program's path"):
            systemd.units(starts(job(), (f"/opt/{bad}/python", "-P")))


def test_the_script_puts_the_units_in_place(tmp_path: Path) -> None:
    """The shell makes the evidence folder and the files as they were meant, and then begins the schedule."""
    made = starts(replace(job(EVERYTHING, EVERYTHING), evidence=tmp_path / EVERYTHING / "proofs"), value=EVERYTHING)
    (tmp_path / "units").mkdir()
    (tmp_path / "bin").mkdir()
    systemctl = tmp_path / "bin/systemctl"
    systemctl.write_text(f'#!/bin/sh\necho "$@" >> {shlex.quote(str(tmp_path))}/said\n')
    systemctl.chmod(0o755)
    script = systemd.script(made).replace(systemd.FOLDER, str(tmp_path / "units"))
    done = subprocess.run(
        ["/bin/sh"],
        input=script,
        env={"PATH": f"{tmp_path}/bin:{os.environ['PATH']}"},
        check=True,
        text=True,
        capture_output=True,
    )
    assert (done.stdout, done.stderr) == ("", "")
    assert {path.name: path.read_text() for path in (tmp_path / "units").iterdir()} == systemd.units(made)
    assert made.job.evidence.stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "said").read_text().splitlines() == [
        "daemon-reload",
        f"enable --now {made.unit}.timer {made.unit}_watch.timer",
    ]


def verified(folder: Path, units: dict[str, str]) -> str:
    """Return what systemd says about units; empty if it would start them."""
    for name, text in units.items():
        (folder / name).write_text(text)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *(str(folder / name) for name in units)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert (done.returncode == 0) == (not done.stderr), done.stderr
    return done.stderr


@pytest.mark.real(programs=("systemd-analyze",))
def test_systemd_takes_the_units(tmp_path: Path) -> None:
    """systemd-analyze verify has nothing to say, and does have where a unit is wrong."""
    folder = tmp_path / "p%h $x \u00fc;&"
    folder.mkdir()
    program = folder / "python %d"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    made = starts(job(EVERYTHING, EVERYTHING, urls_env="HERBARIUM_ADDRESSES"), (str(program), "-P"), EVERYTHING)
    units = systemd.units(made)
    assert verified(tmp_path, units) == ""
    service = f"{made.unit}.service"
    for other in ("%%i", "%h"):  # another folder, and root's home
        assert "not executable" in verified(tmp_path, {service: units[service].replace("%%h", other)})


@pytest.mark.real(programs=("systemd-analyze",))
def test_what_is_said_about_summer_time_is_what_systemd_does() -> None:
    """A time that the clock skips is skipped, and one that it repeats comes once, in Berlin in 2027 and 2026."""

    def next_two(base: str) -> list[str]:
        asked = ["systemd-analyze", "calendar", f"--base-time={base}", "--iterations=2", "*-*-* 02:30:00"]
        done = subprocess.run(
            asked, env={**os.environ, "TZ": "Europe/Berlin", "LC_ALL": "C"}, check=True, capture_output=True, text=True
        )
        return re.findall(r"(?:Next elapse|Iter\. #2): (.*)", done.stdout)

    assert next_two("2027-03-27 12:00") == ["Mon 2027-03-29 02:30:00 CEST", "Tue 2027-03-30 02:30:00 CEST"]
    assert next_two("2026-10-24 12:00") == ["Sun 2026-10-25 02:30:00 CEST", "Mon 2026-10-26 02:30:00 CET"]
    assert "there is no run at all" in systemd.script(starts(job()))


# ---- Windows


def arguments_of(line: str) -> list[str]:
    """Return the arguments of a command line as a Windows program reads them ("Parsing C command-line arguments")."""
    found: list[str] = []
    position = 0
    while position < len(line):
        if line[position] in " \t":
            position += 1
            continue
        word, quoted = "", False
        while position < len(line) and (quoted or line[position] not in " \t"):
            slashes = len(line) - position - len(line[position:].lstrip("\\"))
            position += slashes
            if position < len(line) and line[position] == '"':
                word += "\\" * (slashes // 2) + ('"' if slashes % 2 else "")
                quoted ^= not slashes % 2
                position += 1
            else:
                word += "\\" * slashes
                if position < len(line) and (quoted or line[position] not in " \t") and not slashes:
                    word += line[position]
                    position += 1
        found.append(word)
    return found


def task_of(text: str) -> ET.Element:
    """Return a task's definition, its elements without their namespace."""
    root = ET.fromstring(text)
    for element in root.iter():
        assert element.tag.startswith(f"{{{NAMESPACE}}}")
        element.tag = element.tag.removeprefix(f"{{{NAMESPACE}}}")
    return root


def text_at(task: ET.Element, path: str) -> str:
    """Return the text of an element that is there once."""
    (found,) = task.findall(path)
    return found.text or ""


@given(name=names(), below=names())
@example(name="&<]]>-->", below="a & <b> it's \\\\server\\share\\")
def test_windows_starts_what_was_meant(name: str, below: str) -> None:
    """Program and arguments arrive as they were, the night's and the look's, whatever means something to XML."""
    assume("%" not in below and "$(" not in below)
    made = starts(job(name, below))
    for start in made.chosen():
        task = task_of(windows_task.definition(made, start.part))
        assert text_at(task, "Actions/Exec/Command") == start.words[0]
        assert tuple(arguments_of(text_at(task, "Actions/Exec/Arguments"))) == start.words[1:]
        assert text_at(task, "Triggers/CalendarTrigger/StartBoundary").endswith(f"T{start.at:%H:%M}:00")


def children(element: ET.Element | None) -> list[str]:
    """Return the names of an element's children, in order."""
    assert element is not None
    return [child.tag for child in element]


def test_the_task_is_one_by_the_schema() -> None:
    """Elements, their order where there is one, and values are those of MS-TSCH, 2.5.2 to 2.5.7."""
    task = task_of(windows_task.definition(starts(job()), Part.NIGHTLY))
    assert task.get("version") == "1.2"
    # taskType, registrationInfoType, settingsType and principalType are xs:all: any order, each once.
    assert sorted(children(task)) == ["Actions", "Principals", "RegistrationInfo", "Settings", "Triggers"]
    assert sorted(children(task.find("RegistrationInfo"))) == ["Description", "Documentation"]
    # calendarTriggerType: those of triggerBaseType (Enabled, StartBoundary, ...), RandomDelay, then a schedule.
    assert children(task.find("Triggers/CalendarTrigger")) == ["StartBoundary", "ScheduleByDay"]
    assert text_at(task, "Triggers/CalendarTrigger/ScheduleByDay/DaysInterval") == "1"
    # A local time: xs:dateTime without a zone.
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT02:30:00", text_at(task, "Triggers/CalendarTrigger/StartBoundary"))
    assert {child.tag: child.text for child in task.findall("Settings/*")} == {
        "MultipleInstancesPolicy": "IgnoreNew",
        "DisallowStartIfOnBatteries": "false",
        "StopIfGoingOnBatteries": "false",
        "StartWhenAvailable": "true",
        "ExecutionTimeLimit": "PT0S",
        "Priority": "9",
    }
    assert text_at(task, "Principals/Principal/LogonType") == "Password"
    (principal,), (actions,) = task.findall("Principals/Principal"), task.findall("Actions")
    assert actions.get("Context") == principal.get("id")
    assert children(actions) == ["Exec"]
    assert sorted(children(actions.find("Exec"))) == ["Arguments", "Command"]


@pytest.mark.parametrize("encoding", ["ascii", "utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_a_task_may_be_saved_in_any_way(encoding: str) -> None:
    """A shell of Windows saves what a program prints as it likes; the definition stays one."""
    text = windows_task.definition(starts(job(below="K\u00e4fer \U0001f33f")), Part.NIGHTLY)
    root = ET.fromstring(text.encode(encoding))
    assert "K\u00e4fer \U0001f33f" in "".join(root.itertext())


@pytest.mark.parametrize("bad", ["%TEMP%", "a%b%c", "$(Arg0)"])
def test_what_the_task_scheduler_would_replace_is_refused(bad: str) -> None:
    """There is no way to write such a name, so no task is printed that means another folder."""
    with pytest.raises(UsageProblem, match="which the Task Scheduler takes for a variable"):
        windows_task.definition(starts(job(below=bad)), Part.NIGHTLY)
    assert windows_task.definition(starts(job(below="100%")), Part.NIGHTLY)


# ---- what a person reads


def texts_of(made: Starts) -> Sequence[str]:
    """Return what is printed for each scheduler."""
    return [cron.table(made), systemd.script(made), windows_task.definition(made, Part.NIGHTLY)]


def test_what_happens_to_a_skipped_night_is_said() -> None:
    """Each scheduler does something else, and says so in its manual, or nowhere."""
    of_cron, of_systemd, of_windows = texts_of(replace(starts(job()), at=time(2, 30)))
    assert "begins soon after it" in of_cron
    assert "cron(8)" in of_cron
    assert "there is no run at all" in of_systemd
    assert "not specified (Microsoft, KB 325413)" in of_windows
    assert all("In this machine's zone" in text for text in (of_cron, of_systemd, of_windows))


@given(name=names().filter(lambda name: shown(name) == name))
def test_no_comment_is_ended_by_a_name(name: str) -> None:
    """Whatever a job is called, what is printed can be looked at, and every line but those meant is a comment."""
    made = starts(job(name))
    for text in texts_of(made):
        assert all(line.isprintable() for line in text.splitlines())
    assert len(lines_of(cron.table(made))) == 2
