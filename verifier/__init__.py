"""verifier: after a file server was moved, say with evidence whether the copy can be trusted.

The Python API, loaded when it is first used::

    from verifier import CheckRequest, check          # the main job: two sides in, an evidence folder out
    from verifier import ScanOptions, ScanRequest, scan
    from verifier import ReconcileOptions, reconcile, judge, write_report, load_rules

A scan of many files starts reader processes, so a script that calls `check` or `scan` needs the usual
``if __name__ == "__main__":`` around its own start (Python documentation, multiprocessing, programming guidelines).
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from verifier.version import __version__

if TYPE_CHECKING:
    from verifier.check import CheckRequest, check
    from verifier.reconcile.options import PlaceMap, ReconcileOptions
    from verifier.reconcile.reconciler import reconcile
    from verifier.report.write import write_report
    from verifier.rules.load import load_rules
    from verifier.scan.scanner import ScanOptions, ScanRequest, scan
    from verifier.verdict import judge

_HOMES = {
    "CheckRequest": "verifier.check",
    "PlaceMap": "verifier.reconcile.options",
    "ReconcileOptions": "verifier.reconcile.options",
    "ScanOptions": "verifier.scan.scanner",
    "ScanRequest": "verifier.scan.scanner",
    "check": "verifier.check",
    "judge": "verifier.verdict",
    "load_rules": "verifier.rules.load",
    "reconcile": "verifier.reconcile.reconciler",
    "scan": "verifier.scan.scanner",
    "write_report": "verifier.report.write",
}

__all__ = [
    "CheckRequest",
    "PlaceMap",
    "ReconcileOptions",
    "ScanOptions",
    "ScanRequest",
    "__version__",
    "check",
    "judge",
    "load_rules",
    "reconcile",
    "scan",
    "write_report",
]


def __getattr__(name: str) -> object:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(home), name)
