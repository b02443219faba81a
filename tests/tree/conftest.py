"""Trees that several tests of this folder look at, and pauses that take no time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.tree.deep import DeepTree
from verifier.tree import trouble

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def deep_tree(tmp_path: Path) -> Iterator[DeepTree]:
    """Return a tree deeper than a path can say, and remove it again."""
    with DeepTree(tmp_path / "deep") as deep:
        yield deep


@pytest.fixture(autouse=True)
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait a moment only between two attempts."""
    monkeypatch.setattr(trouble, "PAUSE_S", 0.0001)
    monkeypatch.setattr(trouble, "SILENCE_S", 0.0001)
