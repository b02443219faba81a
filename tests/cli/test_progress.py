"""How far a run is: in lines for people, in objects for programs."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
from dataclasses import fields
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.reconcile.trees import Node, plant
from verifier.classes import Side
from verifier.cli import progress as progress_module
from verifier.cli.progress import Bars, Lines, display, estimated, line, measured, preliminary_lines, short_name
from verifier.reconcile.findings import Tally
from verifier.reconcile.preliminary import Preliminary
from verifier.scan.progress import Progress

if TYPE_CHECKING:
    from tests.cli.conftest import Command, Place

REPOSITORY: Final = Path(__file__).resolve().parents[2]
FIELDS: Final = {field.name for field in fields(Progress)}
KB, MB, GB, TB = 10**3, 10**6, 10**9, 10**12

# ---- One line


@pytest.mark.parametrize(
    ("progress", "said"),
    [
        (Progress("old", "listing", entries=1234), "listing, 1,234 entries"),
        (
            Progress("old", "listing", entries=9, files_done=7, bytes_done=5),
            "listing, 9 entries, 7 small files read on the way",
        ),
        (Progress("old", "waiting", entries=1234), "listed, 1,234 entries, waiting for the other side"),
        (
            Progress("old", "reading", 9, 2000, 3 * TB, 1000, TB, rate=150e6),
            "reading, 1,000 of 2,000 files, 1 TB of 3 TB, 150 MB/s",
        ),
        (
            Progress("old", "reading", 9, 2000, 3 * TB, 1000, TB, rate=150e6, seconds_left=13_333.0),
            "reading, 1,000 of 2,000 files, 1 TB of 3 TB, 150 MB/s, about 3 h 42 min left",
        ),
        (
            Progress("old", "reading again", 9, 5, 500, 1, 100, rate=7.6),
            "reading again, 1 of 5 files, 100 B of 500 B, 8 B/s",
        ),
        (Progress("old", "sealing"), "sealing"),
        (Progress("old", "done", 12, bytes_done=3 * MB, readers=1), "done, 12 entries, 3 MB read by 1 reader"),
        (Progress("old", "done", 12, bytes_done=3 * MB, readers=6), "done, 12 entries, 3 MB read by 6 readers"),
        (Progress("old", "done", 12, readers=6), "done, 12 entries, 0 B read"),
        (Progress("old", "listing", 1, carried_files=1500), "listing, 1 entries, 1,500 files known from before"),
        (Progress("old", "sealing", problems=1), "sealing, 1 problem"),
        (Progress("old", "sealing", problems=1234), "sealing, 1,234 problems"),
        (
            Progress("old", "sealing", longest="a/big", longest_s=34.6),
            "sealing, 35 s without a byte of a/big",
        ),
        (Progress("old", "sealing", longest="a/big", longest_s=9.9), "sealing"),
    ],
)  # fmt: skip
def test_a_line_says_how_far_a_side_is(progress: Progress, said: str) -> None:
    """Done and total, rate, time left, errors, and the file that has been read longest, where there is one."""
    assert line(progress) == said


@pytest.mark.parametrize("path", ["a\nb", "\x1b[2J", "\u202egpj.exe", "\\xff"])
def test_a_file_of_any_name_is_shown_and_does_nothing(path: str) -> None:
    """The name of the slowest file is data."""
    assert line(Progress("old", "reading", longest=path, longest_s=99)).isprintable()


def reading(measured_s: float, **changes: Any) -> Progress:
    """Return a side that has read for so long."""
    told: dict[str, Any] = {"size_bytes": 100 * GB, "bytes_done": 10 * GB, "seconds_left": 540.0, **changes}
    return Progress("old", "reading", measured_s=measured_s, **told)


def test_the_time_is_estimated_once_after_the_first_minute() -> None:
    """What is left at the rate of the first minute, for each side once."""
    told: set[str] = set()
    assert estimated(reading(59.9), told) is None
    assert estimated(reading(60.0), told) == (
        "old: at the rate of the first minute, 167 MB/s, the 90 GB left take 9 min 00 s"
    )
    assert estimated(reading(61.0), told) is None
    assert estimated(Progress("new", "reading", measured_s=60.0, seconds_left=1.0), told) is not None


@pytest.mark.parametrize("stage", ["listing", "reading again", "sealing", "done"])
def test_only_reading_is_estimated(stage: str) -> None:
    """Before and after there is no rate that would say anything."""
    assert estimated(Progress("old", stage, measured_s=99.0, seconds_left=5.0), set()) is None


def test_what_cannot_be_told_is_not_estimated() -> None:
    """Without a time left nothing is said, and the side is asked again."""
    told: set[str] = set()
    assert estimated(reading(99.0, seconds_left=None), told) is None
    assert estimated(reading(100.0), told) is not None


NOTHING: Final = Tally(0, 0, 0)
ACCOUNT: Final = Preliminary(
    {Side.OLD: Tally(2000, 1500, 5 * TB), Side.NEW: Tally(1990, 1490, 4 * TB)},
    {Side.OLD: Tally(1400, 1400, 4 * TB), Side.NEW: NOTHING},
    Tally(1, 1, 20),
    Tally(12, 10, 3 * KB),
    Tally(1, 1, 7),
    Tally(2, 1, 9),
    Tally(1388, 1388, 3 * TB),
)


def test_the_early_answer_is_told_in_a_few_lines() -> None:
    """Missing, new, other sizes, other kinds, and what is still to be read on each side; numbers and nouns agree."""
    first, *rest = preliminary_lines(ACCOUNT)
    assert first.startswith("preliminary account, from names and sizes alone")
    assert [" ".join(text.split()) for text in rest] == [
        "not at their place on the new side: 1 entry (1 file, 20 B)",
        "on the new side only: 12 entries (10 files, 3 kB)",
        "of another size: 1 file",
        "of another kind: 2 entries (1 file, 9 B)",
        "old: 1,500 files, 5 TB; still to read: 1,400 files, 4 TB",
        "new: 1,490 files, 4 TB; still to read: 0 files, 0 B",
    ]


def test_an_early_answer_without_differences_says_so() -> None:
    """Nothing is said as nothing; it promises no more than names and sizes can."""
    same = Tally(9, 5, 5)
    account = Preliminary(dict.fromkeys(Side, same), dict.fromkeys(Side, same), *(NOTHING,) * 4, same)
    told = preliminary_lines(account)
    assert sum(text.endswith(" nothing") for text in told) == 3
    assert not any("kind" in text for text in told)
    assert "moves, altered names and rules come later" in told[0]


# ---- Lines where nobody watches


def test_a_log_gets_a_line_a_stage_and_one_each_half_minute(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """However often a scan tells, a log does not fill; each side has its own clock."""
    now = [1000.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    lines = Lines()
    for second in range(61):
        now[0] = 1000.0 + second
        lines.show(Progress("old", "reading", files=second))
        if second < 2:
            lines.show(Progress("new", "listing" if second == 0 else "reading"))
    told = capsys.readouterr().err.splitlines()
    assert [text.split(",")[0] for text in told] == [
        "old: reading", "new: listing", "new: reading", "old: reading", "old: reading",
    ]  # fmt: skip


def test_quiet_is_quiet(capsys: pytest.CaptureFixture[str]) -> None:
    """With quiet nothing is shown, whatever is told."""
    with display(quiet=True) as shown:
        shown.show(Progress("old", "reading"))
        shown.preliminary(ACCOUNT)
        shown.stage("reconciling")
    assert capsys.readouterr() == ("", "")


# ---- Bars of several sides


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("old", "old"),
        ("new/archive", "new/archive"),
        ("new/" + "a" * 20, "new/" + "a" * 20),
        ("new/photographs-of-the-herbarium", "new/photogr...-herbarium"),
        ("new/\x1b[2J", "new/\\x1b[2J"),
    ],
)
def test_a_name_before_a_bar_is_short_and_does_nothing(label: str, name: str) -> None:
    """Of a long one both ends stay, because the end tells datasets apart."""
    assert short_name(label) == name
    assert len(short_name(label)) <= progress_module.NAME_WIDTH


def test_a_bar_says_first_what_is_needed_most() -> None:
    """A narrow terminal cuts the end off: rate, time left, problems and what hangs come before the counts."""
    side = Progress(
        "new/a", "reading", 9, 2000, 3 * 10**12, 1000, 10**12, problems=2, rate=150e6, seconds_left=13_333.0,
        longest="a/big", longest_s=34.6,
    )  # fmt: skip
    assert measured(side) == (
        "150 MB/s, 3 h 42 min left, 2 problems, 35 s at a/big, 1 TB of 3 TB, 1,000 of 2,000 files"
    )
    assert measured(Progress("new/a", "reading", 9, 1, 10, rate=5)) == "5 B/s, 0 B of 10 B, 0 of 1 files"


def test_bars_of_several_sides_stand_below_each_other(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A line for each side, its name as wide as the widest, so that what follows can be compared."""
    monkeypatch.setenv("COLUMNS", "80")
    bars = Bars()
    names = ["old", "new/projects", "new/archive"]
    for name in (*names, *names):
        bars.show(Progress(name, "reading", 9, 4, 100, 1, 25, rate=5))
    drawn = re.split(r"[\r\n]|\x1b\[A", capsys.readouterr().err)
    bars.close()
    for name in names:
        last = [line for line in drawn if line.startswith(f"{name} ")][-1]
        assert last.startswith(f"{name:12}  reading 25%|")
        assert "5 B/s, 25 B of 100 B, 1 of 4 files" in last


def test_a_line_shows_a_label_of_any_text(capsys: pytest.CaptureFixture[str]) -> None:
    """A root's name is data: it moves no cursor in a log or a terminal."""
    Lines().show(Progress("new/\x1b[2J", "listing"))
    assert capsys.readouterr().err == "new/\\x1b[2J: listing, 0 entries\n"


# ---- Objects for programs


def objects(path: Path) -> list[dict[str, Any]]:
    """Return the objects of a progress file; every line is one."""
    text = path.read_text("utf-8")
    assert text.endswith("\n")
    found = [json.loads(one) for one in text.splitlines()]
    assert all(type(one) is dict for one in found)
    return found


def test_an_object_has_every_field_of_each_side(tmp_path: Path) -> None:
    """Time, stage, and for each side what `Progress` has; hostile names are valid JSON on one line."""
    path = tmp_path / "progress"
    told = Progress("old", "reading", 9, 8, 7, 6, 5, 4, 3, 2.5, 1.5, 0.5, 'a"\n\u2028\x1b[2J', 61.0, 2)
    with display(quiet=True, progress_json=path) as shown:
        shown.show(told)
        shown.show(Progress("new", "done"))
        shown.stage("reconciling")
    last = objects(path)[-1]
    assert set(last) == {"time", "stage", "sides"}
    assert (last["stage"], set(last["sides"])) == ("reconciling", {"old", "new"})
    assert last["sides"]["old"] == {field.name: getattr(told, field.name) for field in fields(told)}
    assert datetime.fromisoformat(last["time"]).tzinfo is not None


def test_objects_come_once_a_second_however_often_a_scan_tells(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that grows by a line a second for a night stays small."""
    now = [1000.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    with display(quiet=True, progress_json=tmp_path / "p") as shown:
        for tick in range(101):
            now[0] = 1000.0 + tick / 10
            shown.show(Progress("old", "reading", files_done=tick))
    told = objects(tmp_path / "p")
    assert [one["sides"]["old"]["files_done"] for one in told[:-1]] == list(range(0, 101, 10))
    assert told[-1]["sides"]["old"]["files_done"] == 100


def test_objects_of_two_threads_do_not_mix(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both sides tell at the same time: every line stays whole."""
    monkeypatch.setattr(progress_module, "JSON_EVERY_S", 0.0)
    with display(quiet=True, progress_json=tmp_path / "p") as shown:

        def tell(label: str) -> None:
            for number in range(500):
                shown.show(Progress(label, "reading", files_done=number))

        threads = [threading.Thread(target=tell, args=(side.value,)) for side in Side]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert len(objects(tmp_path / "p")) == 1001


def test_a_progress_file_is_appended_to(tmp_path: Path) -> None:
    """Whoever follows the file keeps what earlier runs wrote."""
    (tmp_path / "p").write_text('{"mine": 1}\n')
    with display(quiet=True, progress_json=tmp_path / "p"):
        pass
    assert objects(tmp_path / "p")[0] == {"mine": 1}
    assert len(objects(tmp_path / "p")) == 2


def started(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the program as a process of its own, with both outputs in one stream, in order."""
    return subprocess.run(
        [sys.executable, "-u", "-m", "verifier", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
        timeout=60,
        env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
    )


@pytest.mark.slow
def test_a_check_of_some_seconds_tells_every_second(tmp_path: Path) -> None:
    """At least an object a second for each side, whole, growing, and a last one in which every side is done."""
    roots = [plant(tmp_path / side, {b"small": Node(b"1")}) for side in Side]
    for root in roots:
        with (root / "large").open("wb") as out:
            out.truncate(100 * MB)
    path = tmp_path / "progress"
    began = time.monotonic()
    ended = started(
        "check", *roots, "--evidence", tmp_path / "proof", "-q", "--progress-json", path, "--limit-rate", "30MB/s"
    )
    took_s = time.monotonic() - began
    assert ended.returncode == 0, ended.stdout
    assert took_s > 2.5
    told = objects(path)
    for one in told:
        assert set(one) == {"time", "stage", "sides"}
        for label, side in one["sides"].items():
            assert set(side) == FIELDS
            assert side["label"] == label
    times = [datetime.fromisoformat(one["time"]).timestamp() for one in told]
    assert times[-1] - times[0] >= 2
    assert all(0 <= later - earlier <= 2 for earlier, later in pairwise(times))
    assert len(told) >= times[-1] - times[0]
    for side in Side:
        done = [one["sides"][side]["bytes_done"] for one in told if side in one["sides"]]
        assert done == sorted(done)
        assert len(set(done)) > 2
        last = told[-1]["sides"][side]
        assert (last["stage"], last["files_done"], last["bytes_done"]) == ("done", 2, 100 * MB + 1)
    assert [one["stage"] for one in told if one["stage"]] == [
        "reconciling", "writing the report", "writing the report",
    ]  # fmt: skip


def test_a_scan_tells_objects_too(verifier: Command, place: Place) -> None:
    """The same option of `scan`, with the one side under its label."""
    path = place.base / "progress"
    arguments = ["scan", place.old, "--manifest", place.base / "m", "--label", "the old one"]
    assert verifier(*arguments, "-q", "--progress-json", path).code == 0
    last = objects(path)[-1]
    assert set(last["sides"]) == {"the old one"}
    assert last["sides"]["the old one"]["stage"] == "done"


def test_a_refused_check_leaves_whole_objects_only(verifier: Command, place: Place) -> None:
    """Whatever ends a run, what is in the file can be read."""
    path = place.base / "progress"
    ended = verifier("check", place.old, place.old, "--evidence", place.proof, "-q", "--progress-json", path)
    assert ended.code == 2
    assert all("sides" in json.loads(one) for one in path.read_text().splitlines())


# ---- The early answer of a check


def test_the_early_answer_comes_before_the_summary(place: Place) -> None:
    """On standard error, before reconciling begins and long before the verdict."""
    (place.new / "a").unlink()
    ended = started("check", place.old, place.new, "--evidence", place.proof)
    told = ended.stdout.splitlines()
    early = next(n for n, text in enumerate(told) if text.startswith("preliminary account"))
    assert "not at their place on the new side: 1 entry (1 file, 3 B)" in told[early + 1]
    assert early < told.index("reconciling") < told.index("NOT TRUSTWORTHY")


def test_the_early_answer_is_on_standard_error_only(verifier: Command, place: Place) -> None:
    """Standard output is the summary's; with --quiet there is no early answer at all."""
    ended = verifier("check", place.old, place.new, "--evidence", place.proof)
    assert "preliminary account" in ended.err
    assert "preliminary" not in ended.out
    ended = verifier("check", place.old, place.new, "--evidence", place.proof, "--replace", "--quiet")
    assert (ended.code, ended.err) == (0, "")
    assert "preliminary" not in ended.out


def test_the_early_answer_follows_maps(verifier: Command, place: Place) -> None:
    """What was moved on purpose is not announced as missing."""
    (place.new / "archive").mkdir()
    (place.new / "b").rename(place.new / "archive" / "b")
    ended = verifier("check", place.old, place.new, "--evidence", place.proof, "--map", "b=archive/b")
    assert "not at their place on the new side: nothing" in ended.err
