"""Ways to read: each of them can be forced on a scan, whatever its tree would call for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verifier.scan import engine, side

if TYPE_CHECKING:
    import pytest


def force(monkeypatch: pytest.MonkeyPatch, kind: str, processes: int) -> None:
    """Have every scan read in one way from its first name on."""
    real_open = side.SideScan._open
    monkeypatch.setattr(side.SideScan, "_open", lambda scan, _: real_open(scan, side.EngineKind(kind)))
    monkeypatch.setattr(engine, "automatic_processes", lambda: processes)
