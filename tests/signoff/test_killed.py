"""Signing that ends early, by whatever: the folder is not signed, or it is and can be made whole."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.signoff.gardens import Garden, make_key
from verifier.decisions.signoff import read_signoff
from verifier.errors import EvidenceUnwritable
from verifier.evidence import PAGE_FILE, REPORT_FILES, SIGNATURE_FILE, SIGNOFF_FILE, STAGING
from verifier.report.again import write_again

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Mount

REPOSITORY = Path(__file__).resolve().parents[2]


def killed_everywhere(garden: Garden, key: Path | None) -> dict[str, int]:
    """Return how often the folder was found in which state."""
    command = [sys.executable, "-m", "tests.signoff.killed", str(garden.base), str(key or "")]
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY)}
    ended = subprocess.run(command, capture_output=True, text=True, cwd=REPOSITORY, env=environment, check=False)
    assert ended.returncode == 0, ended.stderr
    found: dict[str, int] = ast.literal_eval(ended.stdout)
    return found


@pytest.mark.slow
def test_killed_at_every_step(garden: Garden) -> None:
    """Nothing is lost, nothing is half signed; signed again, or the report written again, all of it holds."""
    found = killed_everywhere(garden, None)
    assert found["not signed"] > 20
    assert found["report to be written again"] >= 1
    assert found["signed"] >= 1


@pytest.mark.slow
@pytest.mark.real(programs=("ssh-keygen",))
def test_killed_at_every_step_with_a_key(garden: Garden, tmp_path: Path) -> None:
    """A signature that was put in place before the end stands in no way."""
    found = killed_everywhere(garden, make_key(tmp_path / "key"))
    assert set(found) == {"not signed", "report to be written again", "signed"}


def broken(replace: Callable[..., Any], names: set[str]) -> Callable[..., Any]:
    """Return a Path.replace that fails for files of some names."""

    def instead(self: Path, target: Path) -> Path:
        if Path(target).name in names and Path(target).parent.name != STAGING:
            raise OSError(5, "Input/output error")
        found: Path = replace(self, target)
        return found

    return instead


def test_a_sign_off_that_cannot_be_put_in_place_takes_its_signature_with_it(
    garden: Garden, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Otherwise a signature would stand there without what it is over."""
    before = garden.contents()
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", broken(Path.replace, {SIGNOFF_FILE}))
        with pytest.raises(EvidenceUnwritable, match=f"{SIGNOFF_FILE} cannot be written"):
            garden.sign()
    assert garden.contents() == before
    garden.sign()
    assert garden.odd() == {}


@pytest.mark.real(programs=("ssh-keygen",))
def test_the_same_with_a_key(garden: Garden, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The signature was in place by then."""
    key = make_key(tmp_path / "key")
    before = garden.contents()
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", broken(Path.replace, {SIGNOFF_FILE}))
        with pytest.raises(EvidenceUnwritable):
            garden.sign(ssh_key=key)
    assert garden.contents() == before
    garden.sign(ssh_key=key)
    assert SIGNATURE_FILE in garden.contents()
    assert garden.odd() == {}


def test_a_report_that_could_not_be_put_in_place_is_written_again(
    garden: Garden, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder is signed by then."""
    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", broken(Path.replace, {PAGE_FILE}))
        with pytest.raises(EvidenceUnwritable, match=f"{PAGE_FILE} cannot be written"):
            garden.sign()
    assert read_signoff(garden.evidence) is not None
    assert set(garden.odd()) <= set(REPORT_FILES)
    write_again(garden.evidence)
    assert garden.odd() == {}


def test_files_are_on_the_disk_before_their_names_are(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a power cut a name must not stand for a file that never reached the disk."""
    done: list[str] = []
    real = os.fsync, Path.replace

    def synced(descriptor: int) -> None:
        done.append(f"sync {Path(f'/proc/self/fd/{descriptor}').readlink().name}")
        real[0](descriptor)

    def replaced(self: Path, target: Path) -> Path:
        done.append(f"name {Path(target).name}")
        return real[1](self, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", replaced)
    garden.sign()
    last = done[-3 * (1 + len([name for name in REPORT_FILES if (garden.evidence / name).exists()])) :]
    assert last[:3] == [f"sync {SIGNOFF_FILE}", f"name {SIGNOFF_FILE}", f"sync {garden.evidence.name}"]
    for turn in range(0, len(last), 3):
        name = last[turn].removeprefix("sync ")
        assert last[turn : turn + 3] == [f"sync {name}", f"name {name}", f"sync {garden.evidence.name}"]


@pytest.mark.real(mounts=True)
def test_a_full_disk_signs_nothing(garden: Garden, tmp_path: Path, mount: Mount) -> None:
    """One line, exit code 4, the folder as it was; with room it is signed."""
    place = tmp_path / "small"
    place.mkdir()
    evidence = garden.contents()
    size = sum(map(len, evidence.values()))
    mount("-t", "tmpfs", "-o", f"size={size // 1024 + 128}k", "none", place)
    small = Garden(place)
    small.evidence.mkdir()
    for name, data in evidence.items():
        (small.evidence / name).write_bytes(data)
    filler = place / "filler"
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(bytes(4096))
    for kept in (0, 8192, 20480):
        os.truncate(filler, max(0, filler.stat().st_size - kept))
        with pytest.raises(EvidenceUnwritable, match="No space left") as full:
            small.sign()
        assert full.value.exit_code == 4
        assert small.contents() == evidence
    filler.unlink()
    small.sign()
    assert small.odd() == {}
