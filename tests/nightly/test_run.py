"""Nights of a job: what each rests on, what it writes down, and what becomes of one that is ended in the middle."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from tests.nightly.jobs import TREE, WHO, Garden, laid_out, run_command
from tests.nightly.killed import killed_night
from tests.scan.scans import edit
from verifier import clock
from verifier.classes import Class, Phase, Side, VerdictKind
from verifier.decisions.exceptions import Wanted
from verifier.errors import EvidenceUnwritable, JobFileError, UsageProblem
from verifier.evidence import FINDINGS_FILE, MANIFEST_FILES
from verifier.job.load import load_job
from verifier.ledger import opening
from verifier.ledger.chain import check as check_ledger
from verifier.ledger.ledger import Ledger
from verifier.ledger.places import HISTORY_FILE, HOLDER_FILE, LEDGER_FILE, LOCK_FILE, RUNS, UNFINISHED
from verifier.ledger.record import Outcome, PhaseRecord
from verifier.manifest import seal
from verifier.nightly import run as run_module
from verifier.nightly.lock import Holder, hold, read_holder
from verifier.nightly.run import night
from verifier.nightly.step import advance
from verifier.rules.load import load_rules
from verifier.signoff import accepting
from verifier.trial import try_rules

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("clock_ahead")

NAME = "scans/0003.tif"


@pytest.fixture
def garden(tmp_path: Path) -> Garden:
    """Return two equal servers in the phase ``frozen``."""
    return laid_out(tmp_path)


@pytest.fixture
def later() -> Iterator[Callable[[float], None]]:
    """Return a function that sets the clock so many days ahead."""
    yield lambda days: clock.set_source(lambda: datetime.now(UTC) + timedelta(days=days, seconds=5))
    clock.set_source(None)


def sound(garden: Garden) -> bool:
    """Tell whether the ledger and all evidence are what was written; the clock may have gone back."""
    with Ledger.open(garden.evidence / LEDGER_FILE) as ledger:
        return all(fault.is_warning for fault in check_ledger(ledger, garden.evidence, None))


# ---- One night after another


def test_a_first_night_reads_everything_and_the_next_carries_it_over(garden: Garden) -> None:
    """Trustworthy both times; in the second nothing is read, and nothing is new."""
    first, second = garden.night(), garden.night()
    assert first.record.verdict is second.record.verdict is VerdictKind.TRUSTWORTHY
    sides = [ended.record.sides["new"] for ended in (first, second)]
    assert [side.read_files for side in sides] == [len(TREE), 0]
    assert {side.fresh_files for side in sides} == {len(TREE)}
    assert second.record.news.headline == "nothing new"
    assert [path.name for path in sorted((garden.evidence / RUNS).iterdir())] == [one.run for one in garden.runs()]
    assert (garden.evidence / HISTORY_FILE).is_file()
    assert not (garden.evidence / UNFINISHED).exists()
    assert not (garden.evidence / HOLDER_FILE).exists()
    assert sound(garden)


def test_what_is_new_rings_once_and_a_repair_is_told(garden: Garden) -> None:
    """A lost file is new the night after, known from then on, and repaired when it is back."""
    garden.night()
    (garden.new / NAME).unlink()
    assert garden.night().record.news.headline == "1 new missing file"
    known = garden.night().record
    assert (known.news.headline, known.exit_code) == ("nothing new, 1 known", 1)
    shutil.copy2(garden.old / NAME, garden.new / NAME)
    assert garden.night().record.news.headline == "1 repaired"


def test_what_weighs_more_than_the_night_before_rings_again(garden: Garden) -> None:
    """A damaged file that is damaged once more, or lost, is worse, and not known."""
    garden.night()
    facts = (garden.new / NAME).stat()
    for what, data in (("new: silent", b"x" * facts.st_size), ("worse: empty", b"")):
        (garden.new / NAME).write_bytes(data)
        os.utime(garden.new / NAME, ns=(facts.st_atime_ns, facts.st_mtime_ns))
        assert garden.night().record.news.lines == (f"{what}: {NAME}",)
    (garden.new / NAME).unlink()
    assert garden.night().record.news.headline == "1 worse"


def test_what_was_accepted_in_the_evidence_stays_accepted(garden: Garden) -> None:
    """Somebody accepts by name in the run's evidence: the next nights take it along, and do not ring."""
    garden.night()
    (garden.new / NAME).unlink()
    lost = garden.night().record
    wanted = Wanted("*", Class.MISSING, "the sheet was given back", "K. Keeper", clock.now().replace(microsecond=0))
    accepting.record(garden.evidence / lost.evidence, wanted)
    for _ in range(2):
        record = garden.night().record
        assert (record.verdict, record.exit_code) == (VerdictKind.WITH_EXCEPTIONS, 0)
        assert record.news.headline == "nothing new, 1 known and accepted"
    assert sound(garden)


@pytest.fixture
def decayed(tmp_path: Path, later: Callable[[float], None]) -> Garden:
    """Return a garden whose new server held other bytes of one file the night before, though nothing wrote it since.

    The file itself cannot be changed so without a disk of its own; that it was another is written into what is known.
    """
    garden = laid_out(tmp_path, more='[scan]\nreread = "10s"\n')
    manifest = garden.evidence / garden.night().record.evidence / MANIFEST_FILES[Side.NEW]
    edit(manifest, f"UPDATE entries SET digest = zeroblob(32) WHERE path = '{NAME}'")
    with closing(sqlite3.connect(manifest)) as connection:
        digests = [seal.run_digest(connection, run) for run in seal.runs(connection)]
    edit(manifest, f"UPDATE facts SET value = '{seal.fingerprint('blake3', digests)}' WHERE key = 'fingerprint'")
    later(1)
    return garden


def test_decay_is_found_when_a_file_is_read_again(decayed: Garden, later: Callable[[float], None]) -> None:
    """Both sides hold the same, and it is damage all the same: new once, known from then on, though nothing differs."""
    first = decayed.night().record
    assert (first.news.headline, first.causes) == ("1 new damaged file", {"silent": 1})
    assert first.news.lines == (f"new: silent: {NAME}",)
    later(2)
    second = decayed.night().record
    assert (second.news.headline, second.verdict) == ("nothing new, 1 known", VerdictKind.NOT_TRUSTWORTHY)


def test_rules_tried_on_a_nights_evidence_change_nothing_by_themselves(decayed: Garden) -> None:
    """What had decayed, and the phase it was judged in, is part of the evidence: the same rules say the same again."""
    evidence = decayed.evidence / decayed.night().record.evidence
    trial = try_rules(evidence, load_rules())
    assert (trial.before.kind, trial.after.kind) == (VerdictKind.NOT_TRUSTWORTHY, VerdictKind.NOT_TRUSTWORTHY)
    assert trial.changes == ()


# ---- What it rests on


def test_a_share_that_is_not_mounted_is_written_down_and_nothing_is_missing(garden: Garden) -> None:
    """An empty folder in a root's place: exit code 4, an entry that says so, and the night after goes on as before."""
    garden.night()
    garden.new.rename(garden.base / "away")
    garden.new.mkdir()
    failed = garden.night().record
    assert (failed.outcome, failed.exit_code, failed.verdict) == (Outcome.COULD_NOT_RUN, 4, None)
    assert "is the share mounted?" in failed.reasons[0]
    garden.new.rmdir()
    (garden.base / "away").rename(garden.new)
    assert garden.night().record.news.headline == "nothing new"
    assert sound(garden)


def test_another_mount_in_a_roots_place_is_refused_until_somebody_says_so(garden: Garden) -> None:
    """What was on one device is on another: exit code 4; said to be meant, everything is read again."""
    evidence = garden.evidence / garden.night().record.evidence
    edit(evidence / MANIFEST_FILES[Side.NEW], "UPDATE facts SET value = '/dev/elsewhere' WHERE key = 'mount_source'")
    refused = garden.night().record
    assert refused.exit_code == 4
    assert "was ext4 on /dev/elsewhere" in refused.reasons[0] or "on /dev/elsewhere" in refused.reasons[0]
    again = garden.night(afresh=True).record
    assert (again.verdict, again.sides["new"].read_files) == (VerdictKind.TRUSTWORTHY, len(TREE))


def test_a_damaged_manifest_of_the_night_before_is_not_carried_over(garden: Garden) -> None:
    """The disk of the evidence damaged it: said, and what the night before that knew is taken, or all is read."""
    evidence = garden.evidence / garden.night().record.evidence
    edit(evidence / MANIFEST_FILES[Side.OLD], f"UPDATE entries SET digest = zeroblob(32) WHERE path = '{NAME}'")
    (garden.old / "scans" / "one more").write_bytes(b"so that the fingerprint is another")
    record = garden.night().record
    assert record.outcome is Outcome.FINISHED
    assert record.sides["old"].read_files == len(TREE) + 1
    assert record.warnings[0].startswith("evidence: ")


@pytest.mark.parametrize("name", [MANIFEST_FILES[Side.NEW], FINDINGS_FILE])
@pytest.mark.parametrize("left", [b"", b"no database at all" * 100], ids=["empty", "garbage"])
def test_evidence_that_cannot_be_read_stops_no_night(garden: Garden, name: str, left: bytes) -> None:
    """A file of the last run is gone to pieces: said, the run before it is taken, and the night comes to its end."""
    garden.night()
    (garden.evidence / garden.night().record.evidence / name).write_bytes(left)
    (garden.new / NAME).unlink()
    record = garden.night().record
    assert (record.outcome, record.news.headline) == (Outcome.FINISHED, "1 new missing file")
    assert record.warnings[0].startswith("evidence: ")
    assert garden.night().record.news.headline == "nothing new, 1 known"


def test_the_only_evidence_there_is_may_be_damaged(garden: Garden) -> None:
    """With nothing left to rest on everything is read, and what stands in the way is new."""
    first = garden.evidence / garden.night().record.evidence
    for name in (MANIFEST_FILES[Side.OLD], FINDINGS_FILE):
        (first / name).write_bytes(b"no database at all")
    (garden.new / NAME).unlink()
    record = garden.night().record
    assert (record.news.headline, record.sides["new"].read_files) == ("1 new missing file", len(TREE) - 1)


def test_a_clock_that_was_set_back_neither_hides_nor_loses_anything(
    garden: Garden, later: Callable[[float], None]
) -> None:
    """Runs that lie in the future are said to; tonight rests on none of them, and is written down after them."""
    garden.night()
    later(40)
    garden.night()
    later(1)
    record = garden.night().record
    assert record.outcome is Outcome.FINISHED
    assert any(warning.startswith("clock: ") for warning in record.warnings)
    assert [one.outcome for one in garden.runs()] == [Outcome.FINISHED] * 3
    assert sound(garden)


def test_two_runs_in_one_second_have_two_names(garden: Garden, later: Callable[[float], None]) -> None:
    """The clock stands still, or was set back by a little: no evidence is put in another's place."""
    moment = datetime.now(UTC) + timedelta(days=1)
    clock.set_source(lambda: moment)
    runs = [garden.night().record.run for _ in range(3)]
    assert runs[1:] == [f"{runs[0]}-2", f"{runs[0]}-3"]
    later(0)


@pytest.mark.parametrize("phase", ["frozen", "live", "retired"])
def test_another_algorithm_is_read_anew_or_refused(tmp_path: Path, phase: str) -> None:
    """Where the new side is held against what is known by the other one it is refused, else everything is read."""
    garden = laid_out(tmp_path, phase)
    garden.night()
    garden.more = '[scan]\nalgorithm = "sha256"\n'
    record = garden.night().record
    if phase == "frozen":
        assert (record.verdict, record.news.headline) == (VerdictKind.TRUSTWORTHY, "nothing new")
        assert record.sides["new"].read_files == len(TREE)
        garden.more = ""
        assert garden.night().record.sides["new"].read_files == 0, "what is known decides where the job says nothing"
    else:
        assert (record.outcome, record.exit_code) == (Outcome.COULD_NOT_RUN, 2)
        assert record.reasons[0].endswith('was read with "blake3"; keep "blake3"')


# ---- One at a time


def test_a_second_run_says_who_holds_the_job_since_when(garden: Garden) -> None:
    """Exit code 4, at once, and nothing is written."""
    garden.night()
    with hold(garden.evidence) as held:
        held.begin("20261201T023000Z", "2026-12-01T02:30:00+00:00")
        done = garden.command()
        held.end()
    assert (done.returncode, done.stdout) == (4, "")
    assert f"is held by process {os.getpid()} on " in done.stderr
    assert "since 2026-12-01T02:30:00+00:00 (run 20261201T023000Z)" in done.stderr
    assert done.stderr.count("\n") == 1
    assert len(garden.runs()) == 1


def test_the_lock_of_a_dead_process_does_not_block(garden: Garden) -> None:
    """Where the file itself is the lock, as where a file system has no others, and its process is gone."""
    garden.night()
    (garden.evidence / LOCK_FILE).touch()
    assert garden.night().record.outcome is Outcome.FINISHED


def test_a_process_with_the_number_of_a_dead_one_is_not_taken_for_it() -> None:
    """Numbers of processes come again: the moment at which it began tells."""
    mine = Holder.this_process("20261201T023000Z", "2026-12-01T02:30:00+00:00")
    assert not mine.is_dead
    assert Holder(mine.run, mine.started, mine.pid, mine.host, mine.born - 3600).is_dead
    assert not Holder(mine.run, mine.started, mine.pid, "another host", mine.born - 3600).is_dead


# ---- Ended in the middle


def test_a_run_killed_while_it_checks_is_written_down_by_the_next(garden: Garden) -> None:
    """The ledger has it as killed, with the time at which it began; what it had read is gone on from."""
    garden.night()
    killed_night(garden.file, "while it checks")
    held = read_holder(garden.evidence)
    assert held is not None
    ended = garden.night()
    killed = garden.runs()[1]
    assert (killed.run, killed.started, killed.outcome) == (held.run, held.started, Outcome.KILLED)
    assert [entry.record for entry in ended.before] == [killed]
    assert ended.record.news.headline == "nothing new"
    assert sound(garden)


@pytest.mark.parametrize("instant", ["before it is counted", "before its entry", "before its place"])
def test_a_finished_check_is_never_lost(garden: Garden, instant: str) -> None:
    """Killed when the check was finished: the next run writes it down, and puts its evidence in its place."""
    garden.night()
    (garden.new / NAME).unlink()
    killed_night(garden.file, instant)
    garden.night()
    runs = garden.runs()
    assert [one.outcome for one in runs] == [Outcome.FINISHED] * 3
    assert [one.news.headline for one in runs] == ["nothing new", "1 new missing file", "nothing new, 1 known"]
    assert (garden.evidence / runs[1].evidence / FINDINGS_FILE).is_file()
    assert sound(garden)


def test_a_run_killed_when_all_was_written_down_is_not_written_twice(garden: Garden) -> None:
    """Between the evidence's place and the end of the hold there is nothing left to do."""
    garden.write()
    killed_night(garden.file, "before the hold ends")
    garden.night()
    assert [one.outcome for one in garden.runs()] == [Outcome.FINISHED] * 2


@pytest.mark.parametrize("left", ["no database", "of another root"])
def test_what_a_night_left_that_cannot_be_gone_on_from_is_given_up(tmp_path: Path, left: str) -> None:
    """A damaged rest, or one of other roots, costs what had been read of it, and not every night from here on."""
    garden = laid_out(tmp_path, more='[window]\nat_most = "0.001s"\n')
    assert garden.night().record.outcome is Outcome.WINDOW_ENDED
    rest = garden.evidence / UNFINISHED / MANIFEST_FILES[Side.OLD]
    if left == "no database":
        rest.write_bytes(rest.read_bytes()[:4000] + b"damaged" * 1000)
    else:
        edit(rest, "UPDATE facts SET value = '/elsewhere' WHERE key = 'root'")
    garden.more = ""
    record = garden.night().record
    assert (record.verdict, record.warnings) == (VerdictKind.TRUSTWORTHY, ())


def test_ctrl_c_is_written_down_and_gone_on_from(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped from outside in good order: exit code 3."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(run_module, "check", stop)
    record = garden.night().record
    assert (record.outcome, record.exit_code) == (Outcome.INTERRUPTED, 3)
    monkeypatch.undo()
    assert garden.night().record.outcome is Outcome.FINISHED


def test_a_defect_of_the_program_is_written_down_before_it_is_shown(
    garden: Garden, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody watches at night: the ledger says that there was one."""

    def fail(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(run_module, "check", fail)
    with pytest.raises(ZeroDivisionError):
        garden.night()
    assert garden.runs()[0].reasons == ("internal error: ZeroDivisionError",)


# ---- Where it writes


def test_a_ledger_that_another_program_holds(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit code 4, and nothing of the night before is lost."""
    garden.night()
    monkeypatch.setattr(opening, "BUSY_S", 0.05)
    with closing(sqlite3.connect(garden.evidence / LEDGER_FILE, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(EvidenceUnwritable, match="is held by another program") as caught:
            garden.night()
    assert caught.value.exit_code == 4
    assert garden.night().record.news.headline == "nothing new"


def test_a_job_file_that_is_half_written(garden: Garden) -> None:
    """Exit code 2 in one line that says where; nothing was scanned, and nothing is written."""
    garden.write()
    text = garden.file.read_text()
    garden.file.write_text(text[: len(text) // 2])
    done = run_command("nightly", garden.file)
    assert (done.returncode, done.stdout) == (2, "")
    assert str(garden.file) in done.stderr
    assert done.stderr.count("\n") == 1
    assert not garden.evidence.exists()


@pytest.mark.parametrize("through", ["by its name", "through a link"])
def test_nothing_is_written_into_a_tree(garden: Garden, through: str) -> None:
    """A folder for evidence inside a root is refused, also where the root is a link to a folder above it."""
    inside = garden.base / "real" / "evidence"
    garden.new.rename(garden.base / "real")
    garden.new.symlink_to(garden.base / "real")
    place = inside if through == "through a link" else garden.new / "evidence"
    garden.file.write_text(garden.write().path.read_text().replace('folder = "evidence"', f'folder = "{place}"'))
    with pytest.raises((UsageProblem, JobFileError)), night(load_job(garden.file), WHO):
        pass
    assert not inside.exists()


def test_an_evidence_folder_that_cannot_be_made(garden: Garden) -> None:
    """A file is in its place: exit code 4."""
    garden.evidence.write_text("not a folder")
    with pytest.raises(EvidenceUnwritable):
        garden.night()


@pytest.mark.real(root=True, mounts=True)
def test_a_disk_that_is_full_loses_nothing(garden: Garden, mount: Any) -> None:
    """The evidence has no room: exit code 4 and one line; with room again the next night does all of it."""
    garden.evidence.mkdir()
    mount("-t", "tmpfs", "-o", "size=2m", "none", garden.evidence)
    garden.night()
    filler = garden.evidence / "filler"
    with pytest.raises(OSError, match="No space left"), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    done = garden.command()
    assert done.returncode == 4
    assert done.stderr.count("\n") <= 3
    assert "Traceback" not in done.stderr
    filler.unlink()
    assert garden.night().record.news.headline == "nothing new"
    assert sound(garden)


# ---- Phases


def test_moving_on_is_written_down_with_time_and_name(garden: Garden) -> None:
    """From phase to phase in their order, the first written down by the first run."""
    garden.night()
    job = garden.write()
    with hold(garden.evidence), Ledger.write(garden.evidence / LEDGER_FILE) as ledger:
        step = advance(job, ledger, "K. Keeper")
        assert [(one.before, one.phase, one.by) for one in ledger.phases()] == [
            (None, Phase.FROZEN, WHO),
            (Phase.FROZEN, Phase.LIVE, "K. Keeper"),
        ]
    assert step.baseline == garden.runs()[0].evidence
    assert garden.night().record.phase is Phase.LIVE


@pytest.mark.parametrize("despite", ["", "the rest is on tape"])
def test_nobody_leaves_the_old_side_behind_without_a_good_run(garden: Garden, despite: str) -> None:
    """The last run was not trustworthy: refused, unless a reason is given, which the ledger keeps."""
    (garden.new / NAME).unlink()
    garden.night()
    job = garden.write()
    with hold(garden.evidence), Ledger.write(garden.evidence / LEDGER_FILE) as ledger:
        if despite:
            assert advance(job, ledger, WHO, despite=despite).despite == despite
            return
        with pytest.raises(UsageProblem, match="was not-trustworthy; see to it"):
            advance(job, ledger, WHO)


def test_a_file_that_names_another_phase_is_refused(garden: Garden) -> None:
    """Somebody wrote the next phase into the job file instead of moving on: exit code 2, and what to do."""
    garden.night()
    garden.phase = "live"
    with pytest.raises(JobFileError, match="say `verifier job advance` to move on"):
        garden.night()


def test_people_remove_and_change_files_on_the_live_side(garden: Garden) -> None:
    """What had arrived may go and change; what never arrived, and what decays, does not pass."""
    (garden.new / "scans/0007.tif").unlink()
    garden.night()
    job = garden.write()
    with hold(garden.evidence), Ledger.write(garden.evidence / LEDGER_FILE) as ledger:
        advance(job, ledger, WHO, despite="one file is still to come")
    (garden.new / NAME).unlink()
    (garden.new / "scans/0004.tif").write_bytes(b"edited")
    record = garden.night().record
    assert record.classes["drift"][0] == 2
    assert record.classes["missing"][0] == 1
    assert record.news.headline == "nothing new, 1 known"


def test_a_job_that_begins_in_live_learns_what_has_arrived(tmp_path: Path) -> None:
    """Its first finished run says what is there; from then on what people remove is no loss."""
    garden = laid_out(tmp_path, "live")
    garden.night()
    with Ledger.open(garden.evidence / LEDGER_FILE) as ledger:
        steps = [step for step in ledger.records() if isinstance(step, PhaseRecord)]
    assert [step.baseline for step in steps] == ["", garden.runs()[0].evidence]
    (garden.new / NAME).unlink()
    assert garden.night().record.classes["drift"] == (1, 1, len(TREE[NAME.encode()].data))


@pytest.mark.parametrize("roots", [1, 2])
def test_a_job_without_an_old_side_holds_the_new_one_against_itself(tmp_path: Path, roots: int) -> None:
    """Retired from the start: the first night makes the manifest that the next ones are held against."""
    garden = laid_out(tmp_path)
    shutil.copytree(garden.new, garden.base / "archive")
    names = '"new", "archive"' if roots == 2 else '"new"'
    garden.own = f'name = "herbarium"\nphase = "retired"\n[new]\nroots = [{names}]\n[evidence]\nfolder = "evidence"\n'
    for number in range(3):
        record = garden.night().record
        assert (record.verdict, set(record.sides)) == (VerdictKind.TRUSTWORTHY, {"new"}), number
    (garden.new / NAME).unlink()
    (garden.new / "scans/0004.tif").write_bytes(b"edited")
    (garden.new / "scans/0005.tif").rename(garden.new / "moved.tif")
    record = garden.night().record
    assert (record.verdict, record.news.headline) == (VerdictKind.TRUSTWORTHY, "nothing new")
    assert (record.classes["drift"][0], record.classes["relocated"][0]) == (2, 1)
    assert sound(garden)


def test_a_mass_of_changes_is_told_though_each_is_ordinary_work(tmp_path: Path) -> None:
    """A tenth of all files, and fifty: what a program that encrypts a share looks like in the morning."""
    garden = laid_out(tmp_path, "live")
    for root in (garden.old, garden.new):
        for number in range(60):
            (root / f"note {number}").write_text(f"{number}")
    garden.night()
    for number in range(60):
        (garden.new / f"note {number}").write_text("your files are encrypted")
    record = garden.night().record
    assert record.verdict is VerdictKind.TRUSTWORTHY
    assert record.news.new == 1
    assert record.news.unusual == "of 72 files 60 with other content since the run before: is that meant?"
    assert garden.night().record.news.headline == "nothing new"


# ---- The time window


def test_a_window_that_is_too_short_goes_on_the_next_night(tmp_path: Path) -> None:
    """Not finished: exit code 3, nothing is judged; the next run with more time finishes from there."""
    garden = laid_out(tmp_path, more='[window]\nat_most = "0.001s"\n')
    record = garden.night().record
    assert (record.outcome, record.exit_code, record.verdict) == (Outcome.WINDOW_ENDED, 3, None)
    garden.more = ""
    assert garden.night().record.verdict is VerdictKind.TRUSTWORTHY


@pytest.mark.slow
def test_everything_is_read_again_as_often_as_promised(tmp_path: Path, later: Callable[[float], None]) -> None:
    """A night each day for two months: no file is ever older than ten days, and each night reads about as much."""
    garden = laid_out(tmp_path, more='[scan]\nreread = "10d"\nidle = false\n')
    read = []
    for day in range(60):
        later(day)
        record = garden.night().record
        side = record.sides["new"]
        assert side.fresh_files == len(TREE), f"day {day}"
        assert record.warnings == ()
        read.append(side.read_files)
    assert read[0] == len(TREE)
    assert read[1:3] == [0, 0]
    assert max(read[1:]) <= 4


def test_a_run_in_the_second_of_a_killed_one_has_another_name(garden: Garden) -> None:
    """What was killed has no entry yet, and its name is taken all the same."""
    garden.write()
    moment = datetime.now(UTC) + timedelta(days=1)
    killed_night(garden.file, "while it checks", moment)
    clock.set_source(lambda: moment)
    try:
        record = garden.night().record
    finally:
        clock.set_source(None)
    names = [one.run for one in garden.runs()]
    assert names == [f"{moment:%Y%m%dT%H%M%SZ}", f"{moment:%Y%m%dT%H%M%SZ}-2"]
    assert record.outcome is Outcome.FINISHED
