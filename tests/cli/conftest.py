"""The command line in this process, and two trees that no command may touch."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING, Final, NamedTuple, Protocol

import pytest

from tests.reconcile.trees import FOLDER, Node, plant, snapshot
from verifier.cli.app import run

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TREE: Final = {b"a": Node(b"one"), b"b/c": Node(b"two" * 100), b"b/d": FOLDER, b"b/e": Node(b"three")}


class Ended(NamedTuple):
    """How a command ended."""

    code: int
    out: str
    err: str


class Command(Protocol):
    """Runs one command line in this process."""

    def __call__(self, *arguments: object) -> Ended:
        """Run it and return how it ended."""


@pytest.fixture
def verifier(capsys: pytest.CaptureFixture[str]) -> Iterator[Command]:
    """Give a function that runs a command line as the `verifier` program would."""
    before = signal.getsignal(signal.SIGTERM)

    def called(*arguments: object) -> Ended:
        capsys.readouterr()
        code = run([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return Ended(code, captured.out, captured.err)

    yield called
    signal.signal(signal.SIGTERM, before)


class Place:
    """A folder with two equal trees in it."""

    def __init__(self, base: Path) -> None:
        self.base = base
        self.old = plant(base / "old", TREE)
        self.new = plant(base / "new", TREE)
        self.proof = base / "proof"

    def everything(self) -> list[tuple[str, int, int, int, int, int]]:
        """Return all there is, with everything about it that writing would change."""
        return snapshot(self.base)


@pytest.fixture
def place(tmp_path: Path) -> Place:
    """Give two equal trees; the evidence is to go beside them."""
    return Place(tmp_path)
