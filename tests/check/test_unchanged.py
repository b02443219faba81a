"""Findings that are taken over from an earlier check because nothing has changed: what reconciling would find again."""

from __future__ import annotations

import importlib
import os
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from tests.reconcile.trees import Node, plant
from tests.scan.scans import edit
from verifier.check import CheckRequest, check
from verifier.classes import Class, Field, Phase, Severity
from verifier.evidence import FINDINGS_FILE
from verifier.reconcile.findings import Findings
from verifier.reconcile.options import PlaceMap
from verifier.rules.load import load_rules
from verifier.rules.rule import Policy, RuleSet

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.report.context import ReportContext

pytestmark = pytest.mark.usefixtures("clock_ahead")

TREE = {f"scans/{n}".encode(): Node(b"%d" % n * 100) for n in range(6)}


class Twice:
    """Two trees that are checked twice, and whether the second time was reconciled."""

    def __init__(self, base: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.base = base
        self.old, self.new = plant(base / "old", TREE), plant(base / "new", TREE)
        self.reconciled = 0
        module = importlib.import_module("verifier.check")
        real = module.reconcile

        def counting(*arguments: Any) -> Any:
            self.reconciled += 1
            return real(*arguments)

        monkeypatch.setattr(module, "reconcile", counting)

    def first(self, **asked: Any) -> ReportContext:
        """Check for the first time."""
        return check(CheckRequest(self.old, self.new, self.base / "first", **asked))

    def second(self, **asked: Any) -> ReportContext:
        """Check again, from what the first check knew."""
        first = self.base / "first"
        reuse = tuple(first / f"{side}.manifest.sqlite" for side in ("old", "new"))
        request = CheckRequest(self.old, self.new, self.base / "second", reuse=reuse, unchanged_since=first)
        return check(replace(request, **asked))


@pytest.fixture
def twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Twice:
    """Return two equal trees."""
    return Twice(tmp_path, monkeypatch)


def rows(context: ReportContext) -> list[Any]:
    """Return the findings of a check."""
    with Findings.open(context.evidence / FINDINGS_FILE) as findings:
        return list(findings.stream())


def test_nothing_changed_is_not_reconciled_and_says_the_same(twice: Twice) -> None:
    """The same findings, verdict and account; when and how it was looked at is that of the second check."""
    (twice.new / "extra").write_bytes(b"on the new side only")
    (twice.old / "scans" / ".DS_Store").write_bytes(b"\0\0\0\1Bud1")
    rules = load_rules()
    first, second = twice.first(rules=rules), twice.second(rules=rules)
    assert twice.reconciled == 1
    assert rows(first) == rows(second) != []
    assert first.verdict.kind is second.verdict.kind
    assert [side.account for side in first.sides.values()] == [side.account for side in second.sides.values()]
    assert second.sides[next(iter(second.sides))].totals["carried_files"] > 0
    assert "not read now: known from an earlier scan" in str(second.verdict.reasons)
    assert second.run["started"] >= first.run["finished"]


@pytest.mark.parametrize(
    "asked",
    [
        {"compare": frozenset({Field.DIRECTORY_MTIME})},
        {"ignore": frozenset({Field.MODE})},
        {"maps": (PlaceMap("nowhere", "elsewhere"),)},
        {"frozen_at": datetime(2026, 11, 20, tzinfo=UTC)},
        {"live_since": datetime(2026, 11, 20, tzinfo=UTC)},
        {"phase": Phase.FROZEN},
        {"rules": RuleSet((), Policy({Class.EXTRA: Severity.ATTENTION}, {}))},
    ],
    ids=["compare", "ignore", "maps", "frozen_at", "live_since", "phase", "rules"],
)
def test_another_term_is_reconciled(twice: Twice, asked: dict[str, Any]) -> None:
    """What a check is told is part of what it finds."""
    twice.first()
    twice.second(**asked)
    assert twice.reconciled == 2


@pytest.mark.parametrize("what", ["content", "name", "mode", "gone"])
def test_another_tree_is_reconciled(twice: Twice, what: str) -> None:
    """Anything that the fingerprint covers."""
    twice.first()
    place = twice.new / "scans" / "3"
    match what:
        case "content":
            place.write_bytes(b"other")
        case "name":
            place.rename(place.with_name("three"))
        case "mode":
            place.chmod(0o600)
        case _:
            place.unlink()
    twice.second()
    assert twice.reconciled == 2


def test_what_stands_in_the_way_is_looked_at_every_time(twice: Twice) -> None:
    """A file that differs is read again on both sides each time, so that a reading that does not repeat is noticed."""
    place = twice.new / "scans" / "3"
    facts = place.stat()
    place.write_bytes(b"x" * facts.st_size)
    os.utime(place, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    twice.first()
    assert twice.second().exit_code == 1
    assert twice.reconciled == 2


def test_damaged_findings_are_not_taken_over(twice: Twice) -> None:
    """What is wrong with the earlier evidence only means that there is more to do."""
    twice.first()
    (twice.base / "first" / FINDINGS_FILE).write_bytes(b"no database")
    assert twice.second().exit_code == 0
    assert twice.reconciled == 2


def test_an_earlier_error_is_not_taken_over(twice: Twice) -> None:
    """A side that met errors may not meet them again, or others."""
    twice.first()
    for name in ("first/old.manifest.sqlite", "first/findings.sqlite"):
        assert (twice.base / name).exists()
    edit(
        twice.base / "first" / FINDINGS_FILE,
        "UPDATE facts SET value = replace(value, '\"problems\": []', '\"problems\": [{}]') WHERE key = 'run'",
    )
    twice.second()
    assert twice.reconciled == 2
