"""What several tests of the main job need: a check that can be stopped at every step."""

from __future__ import annotations

import math

import pytest

from verifier.scan import plan
from verifier.scan import side as side_module


@pytest.fixture
def every_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tell of every step and commit after it, read nothing while listing, and read a few files at a time."""
    monkeypatch.setattr(side_module, "TELL_EVERY_S", 0.0)
    monkeypatch.setattr(side_module, "COMMIT_EVERY_S", 0.0)
    monkeypatch.setattr(side_module, "READ_WHILE_LISTING_S", -math.inf)
    monkeypatch.setattr(plan, "LEAST_FILES", 1)
    monkeypatch.setattr(plan, "BATCH_FILES", 8)
