"""``verifier nightly`` and ``verifier job advance``, as cron and people type them."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

import pytest

from tests.nightly.jobs import Garden, laid_out
from verifier.cli.app import run

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("clock_ahead")


@pytest.fixture
def garden(tmp_path: Path) -> Garden:
    """Return two equal servers, and a job file in the phase ``frozen``."""
    made = laid_out(tmp_path)
    made.write()
    return made


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    """Run a command; return its exit code, and what it printed on both streams."""
    code = run([str(one) for one in arguments])
    out, err = capsys.readouterr()
    return code, out, err


def test_good_nights_print_nothing_and_bad_ones_begin_with_what_is_new(
    garden: Garden, capsys: pytest.CaptureFixture[str]
) -> None:
    """Silent twice; then the news, once; the night after it is known."""
    assert said(capsys, "nightly", garden.file) == (0, "", "")
    assert said(capsys, "nightly", garden.file) == (0, "", "")
    (garden.new / "scans/0003.tif").unlink()
    code, out, err = said(capsys, "nightly", garden.file)
    assert (code, out.splitlines()[0], err) == (1, "[herbarium] 1 new missing file", "")
    assert max(map(len, out.splitlines())) <= 78 + len(str(garden.base))
    assert said(capsys, "nightly", garden.file) == (1, "", "")


def test_a_share_that_is_not_there_is_one_line_on_standard_error(
    garden: Garden, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 4, and what to do."""
    garden.new.rename(garden.base / "away")
    code, out, err = said(capsys, "nightly", garden.file)
    assert (code, out, err.count("\n")) == (4, "", 1)
    assert err.startswith(f"verifier: {garden.new} ")


def test_the_log_has_the_run_in_each_line(garden: Garden, capsys: pytest.CaptureFixture[str]) -> None:
    """As text, and as objects; the evidence folder, in which it may lie, need not be there before."""
    for number, options in enumerate(((), ("--log-json",))):
        log = garden.evidence / f"log {number}"
        assert said(capsys, "nightly", garden.file, "--log-file", log, *options)[0] == 0
        run_name = garden.runs()[number].run
        lines = log.read_text().splitlines()
        assert len(lines) >= 2
        for line in lines:
            assert (json.loads(line)["run"] if options else line.split()[2]) == run_name


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--log-json",), "give --log-file, too"),
        (("--log-file", "new/log"), "lies inside"),
    ],
    ids=["nothing is logged", "in a tree"],
)
def test_a_log_that_cannot_be_meant_is_refused(
    garden: Garden,
    options: tuple[str, ...],
    told: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Exit code 2 in one line, and nothing is written."""
    monkeypatch.chdir(garden.base)
    code, out, err = said(capsys, "nightly", garden.file, *options)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert told in err
    assert not garden.evidence.exists()
    assert not (garden.new / "log").exists()


def test_afresh_reads_everything(garden: Garden, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is carried over from the run before."""
    for options in ((), (), ("--afresh",)):
        said(capsys, "nightly", garden.file, *options)
    assert [one.sides["new"].read_files for one in garden.runs()] == [12, 0, 12]


def test_a_job_is_moved_on_by_name(garden: Garden, capsys: pytest.CaptureFixture[str]) -> None:
    """Not before its first run; then with time and name, and what the phase means."""
    code, _, err = said(capsys, "job", "advance", garden.file)
    assert (code, "run `verifier nightly` first" in err) == (2, True)
    said(capsys, "nightly", garden.file)
    code, out, _ = said(capsys, "job", "advance", garden.file, "--by", "K. Keeper")
    assert code == 0
    assert re.match(r"herbarium is in phase live now, since \S+, by K\. Keeper\n", out)
    assert "K. Keeper" in said(capsys, "ledger", garden.file)[1]
    assert "K. Keeper" in (garden.evidence / "history.html").read_text("utf-8")


def test_who_moves_it_on_is_one_line_of_text(garden: Garden, capsys: pytest.CaptureFixture[str]) -> None:
    """A name that would act on a terminal is refused: exit code 2."""
    said(capsys, "nightly", garden.file)
    code, _, err = said(capsys, "job", "advance", garden.file, "--by", "K.\x1b[31m Keeper")
    assert (code, err.startswith("verifier: --by ")) == (2, True)


def test_a_job_without_addresses_sends_no_test(garden: Garden, capsys: pytest.CaptureFixture[str]) -> None:
    """What is asked for cannot be: exit code 2, after all that could be tried."""
    code, out, err = said(capsys, "job", "check", garden.file, "--send")
    assert code == 2
    assert "old.root" in out
    assert "names no address" in err
