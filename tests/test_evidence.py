"""Files of an evidence folder are put in place whole, and what goes wrong is said as what it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from verifier.errors import EvidenceUnwritable, ManifestDamaged
from verifier.evidence import made_aside, replacing

if TYPE_CHECKING:
    from pathlib import Path


def test_what_is_damaged_is_not_said_to_be_unwritable(tmp_path: Path) -> None:
    """An error about what is read while a file is written keeps its own words, and the file that was there stays."""
    place = tmp_path / "summary.json"
    place.write_text("before")
    with pytest.raises(ManifestDamaged, match="findings are damaged"), replacing(place) as file:
        file.write("half")
        raise ManifestDamaged("findings are damaged", "check again")
    assert [item.name for item in tmp_path.iterdir()] == [place.name]
    assert place.read_text() == "before"


def test_what_a_run_that_was_ended_left_is_written_over(tmp_path: Path) -> None:
    """A name that is taken by half a file of an earlier run does not stop the next one, nor does its content stay."""
    place = tmp_path / "exceptions.sqlite"
    (tmp_path / ".exceptions.sqlite.part").write_text("half of something longer")
    with made_aside(place) as aside:
        assert not aside.exists()
        aside.write_text("whole")
    assert place.read_text() == "whole"
    assert [item.name for item in tmp_path.iterdir()] == [place.name]


def test_what_cannot_be_written_says_which_file_and_leaves_it(tmp_path: Path) -> None:
    """The system's reason is passed on with the name of the file that was meant, not of the one made aside."""
    place = tmp_path / "report.html"
    place.write_text("before")
    with pytest.raises(EvidenceUnwritable, match=r"report\.html cannot be written \(No space left"), made_aside(place):
        raise OSError(28, "No space left on device")
    assert place.read_text() == "before"
