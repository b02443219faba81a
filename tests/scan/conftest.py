"""Pauses that take no time, ways to hold a scan to one engine or one stage, and trees for the second look."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from tests.scan.pairs import Trees
from tests.scan.scans import Engines
from verifier.scan import second, side
from verifier.tree import trouble

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(autouse=True)
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait a moment only between two attempts."""
    monkeypatch.setattr(trouble, "PAUSE_S", 0.0001)
    monkeypatch.setattr(trouble, "SILENCE_S", 0.0001)


@pytest.fixture
def inline(monkeypatch: pytest.MonkeyPatch) -> Engines:
    """Read everything in this process, whatever the tree's file system and size are, so that faults reach it."""
    engines = Engines()
    monkeypatch.setattr(side, "PoolEngine", engines)
    return engines


@pytest.fixture
def list_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read nothing while listing, as in a tree whose listing takes longer than a minute."""
    monkeypatch.setattr(side, "READ_WHILE_LISTING_S", -math.inf)


@pytest.fixture
def every_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tell of every step, and commit after every step."""
    monkeypatch.setattr(side, "TELL_EVERY_S", 0.0)
    monkeypatch.setattr(side, "COMMIT_EVERY_S", 0.0)


@pytest.fixture
def manifest(tmp_path: Path) -> Path:
    """Return where the manifest goes."""
    return tmp_path / "old.manifest.sqlite"


@pytest.fixture
def trees(tmp_path: Path) -> Trees:
    """Return two empty trees."""
    return Trees(tmp_path)


@pytest.fixture(params=["here", "aside"])
def either_way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Look in threads of this process, then in a process of its own, whatever file system the trees lie on."""
    monkeypatch.setattr(second, "is_here", lambda _: request.param == "here")


@pytest.fixture
def aside(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look in a process of its own."""
    monkeypatch.setattr(second, "is_here", lambda _: False)
