"""Removing evidence: these folders and nothing else, and none that is half removed looks whole."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING, Any, Final

import pytest

from tests.conftest import without_rights
from tests.ledger.records import night
from tests.reconcile.trees import scratch
from verifier.errors import EvidenceUnwritable, UsageProblem
from verifier.evidence import FINDINGS_FILE, PAGE_FILE, SIGNOFF_FILE
from verifier.ledger.places import GOING, LEDGER_FILE, RUNS
from verifier.ledger.retention import remove, runs_signed, runs_there

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ONE, TWO, THREE = (night(number).run for number in range(3))
FILES: Final = (FINDINGS_FILE, PAGE_FILE, "old.manifest.sqlite", "more/deep/file")


def lay_out(base: Path) -> Path:
    """Make a job's evidence folder with the evidence of three runs."""
    for run in (ONE, TWO, THREE):
        for name in FILES:
            place = base / RUNS / run / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(f"{run} {name}")
    (base / LEDGER_FILE).write_text("a ledger")
    (base / "ours.txt").write_text("ours")
    return base


@pytest.fixture
def folder() -> Iterator[Path]:
    """Give a job's evidence folder with the evidence of three runs."""
    with scratch() as base:
        yield lay_out(base)


def contents(folder: Path) -> set[str]:
    """Return every file below a folder."""
    return {str(one.relative_to(folder)) for one in folder.rglob("*") if one.is_file() or one.is_symlink()}


def test_these_and_nothing_else(folder: Path) -> None:
    """What is not there is not missed; one that is named twice is removed once."""
    others = {name for name in contents(folder) if TWO not in name}
    assert remove(folder, [TWO, "19990101T000000Z", TWO]) == [TWO]
    assert contents(folder) == others
    assert runs_there(folder) == {ONE, THREE}
    assert remove(folder, []) == []
    assert contents(folder) == others


def test_where_there_are_no_runs_there_is_nothing_to_do(tmp_path: Path) -> None:
    """A job's first night."""
    assert remove(tmp_path, [ONE]) == []
    assert runs_there(tmp_path) == runs_signed(tmp_path) == set()
    assert contents(tmp_path) == set()


@pytest.mark.parametrize(
    "name",
    [
        "",
        ".",
        "..",
        "../ours.txt",
        f"../{RUNS}/{ONE}",
        f"{ONE}/more",
        f"/{ONE}",
        f"{GOING}{ONE}",
        ONE.lower(),
        f"{ONE}\n",
    ],
)
def test_a_name_that_is_no_runs_is_refused(folder: Path, name: str) -> None:
    """With all that were named beside it: who names such a thing is wrong about the rest, too."""
    before = contents(folder)
    with pytest.raises(UsageProblem, match="is no run's name, and nothing was removed") as caught:
        remove(folder, [ONE, name, TWO])
    assert str(caught.value).isprintable()
    assert contents(folder) == before


def test_no_link_is_followed(folder: Path) -> None:
    """In the place of a run's folder, inside one, in the place of what is going, and in that of all of them."""
    elsewhere = folder / "elsewhere"
    shutil.copytree(folder / RUNS / ONE, elsewhere)
    kept = contents(elsewhere)
    (folder / RUNS / TWO / "link").symlink_to(elsewhere)
    (folder / RUNS / "20270101T023000Z").symlink_to(elsewhere)
    assert "20270101T023000Z" not in runs_there(folder)
    with pytest.raises(EvidenceUnwritable, match=r"20270101T023000Z cannot be removed .it is no folder"):
        remove(folder, ["20270101T023000Z", TWO])
    assert runs_there(folder) == {ONE, THREE}
    (folder / RUNS / f"{GOING}x").symlink_to(elsewhere)
    with pytest.raises(EvidenceUnwritable, match=f"{GOING}x cannot be removed"):
        remove(folder, [THREE])
    assert runs_there(folder) == {ONE}
    assert contents(elsewhere) == kept
    (folder / RUNS).rename(folder / "behind")
    (folder / RUNS).symlink_to(folder / "behind")
    with pytest.raises(EvidenceUnwritable, match="is a link, and nothing is removed behind one"):
        remove(folder, [ONE])
    assert (folder / "behind" / ONE / FINDINGS_FILE).exists()


def killed_at(action: int, folder: Path) -> bool:
    """Remove two runs, and end before something is done on the disk; tell whether it came so far.

    Args:
        action: What is not done any more, counted from 1.
        folder: The evidence folder.
    """
    left = [action]
    real: dict[str, Any] = {name: getattr(os, name) for name in ("rename", "unlink", "rmdir", "fsync")}

    def counted(name: str) -> Any:
        def instead(*arguments: Any, **more: Any) -> Any:
            left[0] -= 1
            if left[0] == 0:
                raise KeyboardInterrupt
            return real[name](*arguments, **more)

        return instead

    with pytest.MonkeyPatch.context() as patch:
        for name in real:
            patch.setattr(os, name, counted(name))
        try:
            remove(folder, [ONE, TWO])
        except KeyboardInterrupt:
            return True
    return False


def test_none_that_is_half_removed_looks_whole() -> None:
    """Ended before each thing that is done on the disk; and the next call clears what is left."""
    action = 1
    while True:
        with scratch() as base:
            folder = lay_out(base)
            whole = {run: contents(folder / RUNS / run) for run in (ONE, TWO, THREE)}
            ended = killed_at(action, folder)
            for run in runs_there(folder):
                assert contents(folder / RUNS / run) == whole[run]
            assert THREE in runs_there(folder)
            assert set(remove(folder, [ONE, TWO])) <= {ONE, TWO}
            assert os.listdir(folder / RUNS) == [THREE]  # noqa: PTH208  also what is hidden
        if not ended:
            break
        action += 1
    assert action > 2 + 1 + 2 * len(FILES)


def test_the_new_name_is_on_the_disk_before_anything_is_removed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else a power cut could undo the renaming, and leave half of the evidence under a run's name."""
    done: list[str] = []
    real: dict[str, Any] = {name: getattr(os, name) for name in ("rename", "unlink", "rmdir", "fsync")}

    def told(name: str) -> Any:
        def instead(*arguments: Any, **more: Any) -> Any:
            done.append(name)
            return real[name](*arguments, **more)

        return instead

    for name in real:
        monkeypatch.setattr(os, name, told(name))
    remove(folder, [ONE, TWO])
    assert done[:3] == ["rename", "rename", "fsync"]
    assert "unlink" in done[3:]


def test_what_cannot_be_removed_is_told_and_stops_nothing_else(open_ground: Path) -> None:
    """One line that names it; the others are gone, and it does not look whole."""
    folder = lay_out(open_ground)
    for path in [folder / RUNS, *(folder / RUNS).rglob("*")]:
        path.chmod(0o777)
    (folder / RUNS / TWO / "more").chmod(0o555)
    with without_rights(), pytest.raises(EvidenceUnwritable, match=r"cannot be removed .Permission denied") as caught:
        remove(folder, [ONE, TWO, THREE])
    assert caught.value.exit_code == 4
    assert runs_there(folder) == set()
    assert [one.name for one in (folder / RUNS).iterdir()] == [f"{GOING}{TWO}"]
    (folder / RUNS / f"{GOING}{TWO}" / "more").chmod(0o777)
    assert remove(folder, []) == []
    assert contents(folder / RUNS) == set()


def test_what_is_signed_is_seen(folder: Path) -> None:
    """By its sign-off, whatever that says, also where it is a link to nowhere; and in what cannot be looked into."""
    assert runs_signed(folder) == set()
    (folder / RUNS / ONE / SIGNOFF_FILE).write_text("{")
    (folder / RUNS / TWO / SIGNOFF_FILE).symlink_to("nowhere")
    assert runs_signed(folder) == {ONE, TWO}


def test_what_cannot_be_looked_into_counts_as_signed(open_ground: Path) -> None:
    """Who cannot tell removes nothing."""
    folder = lay_out(open_ground)
    (folder / RUNS / TWO).chmod(0o000)
    with without_rights():
        assert runs_signed(folder) == {TWO}
