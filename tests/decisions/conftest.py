"""A migration that is checked again and again, in memory where there is some."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.decisions.checks import Checks
from tests.reconcile.trees import scratch

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def checks() -> Iterator[Checks]:
    """Give a migration that nobody has checked yet."""
    with scratch() as base:
        yield Checks(base)
