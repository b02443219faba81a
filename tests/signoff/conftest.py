"""Finished checks, made once and copied for every test; in memory where possible: signing waits for the disk."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from tests.reconcile.trees import scratch
from tests.signoff.gardens import Garden, damage, lay_out

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="session")
def original() -> Iterator[Garden]:
    """Give a garden that no test changes."""
    with scratch() as base:
        yield lay_out(base / "garden")


@pytest.fixture(scope="session")
def damaged_original() -> Iterator[Garden]:
    """Give a garden with a damaged sheet on the new side, checked, that no test changes."""
    with scratch() as base:
        garden = lay_out(base / "garden")
        damage(garden)
        yield garden


@pytest.fixture
def garden(original: Garden) -> Iterator[Garden]:
    """Give a checked garden that a test may do with as it likes; its trees are not those that were checked."""
    with scratch() as base:
        yield Garden(shutil.copytree(original.base, base / "garden", symlinks=True))


@pytest.fixture
def damaged(damaged_original: Garden) -> Iterator[Garden]:
    """Give a copy of the damaged one."""
    with scratch() as base:
        yield Garden(shutil.copytree(damaged_original.base, base / "damaged", symlinks=True))


@pytest.fixture
def fresh() -> Iterator[Garden]:
    """Give a garden whose trees are those that were checked."""
    with scratch() as base:
        yield lay_out(base / "fresh")
