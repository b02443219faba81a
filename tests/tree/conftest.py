"""Trees that several tests of this folder look at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.tree.deep import DeepTree

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def deep_tree(tmp_path: Path) -> Iterator[DeepTree]:
    """Return a tree deeper than a path can say, and remove it again."""
    with DeepTree(tmp_path / "deep") as deep:
        yield deep
