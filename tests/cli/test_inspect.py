"""``verifier inspect`` and ``verifier rules check``, as a user sees them: a story, and what rules would change."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

import pytest

from verifier.cli.app import run

if TYPE_CHECKING:
    from pathlib import Path

CONTENT: Final = bytes(range(256)) * 40
T0_NS: Final = 1_600_000_000_000_000_000
ALL_TEXTS: Final = """
[[rule]]
name = "texts"
pattern = "*.txt"
what = "text"
maker = "us"
action = "set-aside"
source = "common practice, no source"
"""


@pytest.fixture
def base(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Check a copy with a flipped bit, a lost file and a file that agrees; return the folder of it all."""
    for side in ("old", "new"):
        (tmp_path / side / "d").mkdir(parents=True)
        for name in ("damaged.bin", "same.bin", "lost.txt"):
            (tmp_path / side / "d" / name).write_bytes(CONTENT + name.encode())
    changed = bytearray(CONTENT + b"damaged.bin")
    changed[5000] ^= 1
    (tmp_path / "new" / "d" / "damaged.bin").write_bytes(changed)
    (tmp_path / "new" / "d" / "lost.txt").unlink()
    for side in ("old", "new"):
        for path in (tmp_path / side / "d").iterdir():
            os.utime(path, ns=(T0_NS, T0_NS))
    arguments = [str(tmp_path / "old"), str(tmp_path / "new"), "--evidence", str(tmp_path / "proof")]
    assert run(["check", *arguments, "--quiet"]) == 1
    capsys.readouterr()
    return tmp_path


def told(base: Path, path: str, capsys: pytest.CaptureFixture[str]) -> str:
    """Return what `inspect` prints."""
    assert run(["inspect", str(base / "proof"), path]) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("whole", [False, True])
def test_damage_is_shown_where_it_is(base: Path, whole: bool, capsys: pytest.CaptureFixture[str]) -> None:
    """Class, cause, place and number of the differing bytes, and both sides' bytes around them in hex."""
    text = told(base, f"{base}/new/d/damaged.bin" if whole else "d/damaged.bin", capsys)
    assert "content-changed (silent), blocker" in text
    assert "byte 5,000 (0x1388)" in text
    assert "1 of 10,251 bytes that were compared" in text
    old, new = (next(line for line in text.splitlines() if f"{side} bytes" in line) for side in ("old", "new"))
    assert old.split("bytes")[1].split()[0] == new.split("bytes")[1].split()[0] == f"{5000 - 16:010x}"
    assert text.count("#") == 2  # one cell of the map, and the word that says what it means


def test_an_entry_that_agrees_has_a_story_too(base: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Identical entries have no finding; their facts are told all the same, once for both sides."""
    text = told(base, "d/same.bin", capsys)
    assert "identical: same place" in text
    assert text.count("10,248 bytes") == 1


def test_a_lost_file_is_told_from_its_one_side(base: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is missing has facts of the old side only."""
    text = told(base, "d/lost.txt", capsys)
    assert "missing, blocker" in text
    assert "new:" not in text


def test_what_neither_side_has_is_refused(base: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A typing mistake is one line, and exit 2."""
    assert run(["inspect", str(base / "proof"), "d/nothing"]) == 2
    assert "neither side has d/nothing" in capsys.readouterr().err


def test_rules_are_tried_without_touching_the_evidence(base: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A rule that would hide a lost file is seen before it is used; the evidence stays as it is."""
    before = {path.name: path.read_bytes() for path in (base / "proof").iterdir()}
    (base / "texts.toml").write_text(ALL_TEXTS)
    assert run(["rules", "check", str(base / "texts.toml"), "--evidence", str(base / "proof")]) == 0
    text = capsys.readouterr().out
    assert "old: missing (blocker) -> clutter (note, texts): 1 entry" in text
    assert "verdict: not-trustworthy now, not-trustworthy with these rules" in text
    assert "texts: 1 entry" in text
    assert {path.name: path.read_bytes() for path in (base / "proof").iterdir()} == before


def test_the_same_rules_change_nothing(base: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Tried with what was used, a check comes to what it came to: what was seen in the files is remembered."""
    (base / "none.toml").write_text("")
    assert run(["rules", "check", str(base / "none.toml"), "--evidence", str(base / "proof")]) == 0
    assert "no entry would come to another class, weight or rule" in capsys.readouterr().out


def test_a_rule_file_that_does_not_validate_is_exit_2(base: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before anything is tried."""
    (base / "bad.toml").write_text('[tolerance]\nmtime = "soon"')
    assert run(["rules", "check", str(base / "bad.toml"), "--evidence", str(base / "proof")]) == 2
    assert 'tolerance.mtime: "soon" is not a duration' in capsys.readouterr().err
