"""The README's commands, samples and table, held against the program."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from verifier.classes import EXIT_CODES, Class, Phase
from verifier.cli.app import run
from verifier.report.words import CAUTIONS
from verifier.rules.model import read_rules

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```\w*\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)
# What a user who may read everything sees instead of what an ordinary user sees: see sample_trees/README.md.
AS_ROOT = {
    "1 file that could not be read or listed": None,
    "95 files, 135 MB, 94 read": "95 files, 135 MB, every file read",
    "6 with other metadata": "7 with other metadata",
}


def normal(text: str) -> list[str]:
    """Return lines without what differs from run to run: places, and the spaces that follow from them."""
    without_places = re.sub(r"\S*/(old|new|evidence/report.html)\b", r"DIR/\1", text)
    return [" ".join(line.split()) for line in without_places.splitlines() if line.strip()]


def test_the_sample_is_what_the_demo_prints(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The README's sample output is true: a new user sees these lines."""
    sample = next(block for block in BLOCKS if block.startswith("NOT TRUSTWORTHY"))
    run(["demo", "--folder", str(tmp_path / "demo"), "--quiet"])
    if os.geteuid() == 0:
        for ordinary, root in AS_ROOT.items():
            sample = sample.replace(f"  {ordinary}\n" if root is None else ordinary, root or "")
    assert normal(capsys.readouterr().out) == normal(sample)


def test_the_explanation_is_what_the_command_prints(capsys: pytest.CaptureFixture[str]) -> None:
    """The README's example of a guard that does not hold is true."""
    sample = next(block for block in BLOCKS if block.startswith("$ verifier rules explain"))
    command, _, output = sample.partition("\n")
    assert run(command.split()[2:]) == 0
    assert capsys.readouterr().out == output


def test_the_rule_file_in_the_readme_is_valid() -> None:
    """A rule file copied from the README loads."""
    example = next(block for block in BLOCKS if block.startswith("[[rule]]"))
    loaded = read_rules([("readme", example.encode())])
    assert [rule.name for rule in loaded.rules] == ["scanner-previews"]
    assert loaded.policy


def test_every_class_exit_code_and_caution_is_told() -> None:
    """The README names every class, every exit code and every caution."""
    for cls in Class:
        assert f"| `{cls.value}` |" in README
    for code in {*EXIT_CODES.values(), 2, 4}:
        assert f"| {code} |" in README
    flat = " ".join(README.split())
    for caution in CAUTIONS:
        assert caution in flat


@pytest.mark.parametrize(
    "command",
    [
        "check",
        "scan",
        "reconcile",
        "report",
        "accept",
        "recopy",
        "signoff",
        "inspect",
        "demo",
        "rules list",
        "rules explain",
        "rules check",
        "job new",
        "job check",
        "job advance",
        "job keys",
        "nightly",
        "ledger list",
        "ledger show",
        "ledger check",
        "watch",
        "schedule",
    ],
)
def test_every_command_has_help_with_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Help says what the command does and shows one that can be typed."""
    assert run([*command.split(), "--help"]) == 0
    assert f"Example: verifier {command}" in capsys.readouterr().out


def test_every_phase_is_told() -> None:
    """The README says what each phase of a migration means."""
    for phase in Phase:
        assert f"| `{phase.value}` |" in README


def test_every_option_named_in_the_readme_exists() -> None:
    """An option that the README names is one that some command knows."""
    known = ""
    for command in (
        "check",
        "scan",
        "reconcile",
        "report",
        "accept",
        "recopy",
        "signoff",
        "rules explain",
        "rules check",
        "job new",
        "job check",
        "job advance",
        "nightly",
        "ledger check",
        "watch",
        "schedule",
    ):
        asked = [sys.executable, "-m", "verifier", *command.split(), "--help"]
        known += subprocess.run(asked, check=True, capture_output=True, text=True, cwd=ROOT).stdout
    ours = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README)) - {"--help"}
    assert ours
    assert {option for option in ours if option not in known} == set()
