"""Findings as they are streamed from their file: in the contract's order, all or the first, whole or in part."""

from __future__ import annotations

import random
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tests.reconcile.trees import scratch
from tests.report.evidence import finding
from verifier.classes import Class
from verifier.reconcile.findings import Finding, Findings

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


@contextmanager
def kept(findings: Iterable[Finding]) -> Iterator[Findings]:
    """Return a findings file that holds these."""
    with scratch() as base, Findings.create(base / "findings.sqlite") as store:
        store.add(findings)
        yield store


def many(number: int) -> list[Finding]:
    """Return findings about sheets of a herbarium in any order, some of one side only."""
    paths = [f"sheets/{count:05}.tif" for count in range(number)]
    random.Random(3).shuffle(paths)
    return [
        finding(Class.RELOCATED, None if n % 5 == 0 else path, None if n % 5 == 1 else path)
        for n, path in enumerate(paths)
    ]


def test_any_limit_gives_the_first_findings() -> None:
    """A limit cuts the contract's order, none gives all, and nothing is what was asked for with 0."""
    with kept(many(20)) as store:
        whole = list(store.stream())
        assert len(whole) == 20
        assert [list(store.stream(limit=limit)) for limit in (0, 1, 7, 20, 99)] == [
            whole[:limit] for limit in (0, 1, 7, 20, 99)
        ]
        chosen = [found for found in whole if found.old_path is None]
        assert list(store.stream("old_path IS NULL")) == chosen
        assert list(store.stream("old_path IS ?", (None,), 2)) == chosen[:2]


def test_rows_of_some_columns_have_the_order_of_the_findings() -> None:
    """Read in parts of any size, all rows come once, in one order; a path that is not there is the empty text."""
    with kept(many(50)) as store:
        whole = [(found.reason, found.new_path or "", found.old_path or "", found.cls) for found in store.stream()]
        for size in (1, 7, 25, 50, 1000):
            parts = list(store.ordered("reason", "new_path", "old_path", "class", size=size))
            assert [row for part in parts for row in part] == whole
            assert {len(part) for part in parts[:-1]} <= {size}


def test_findings_of_the_same_paths_keep_the_order_in_which_they_were_written() -> None:
    """The order is fixed also where paths are equal, or a side that has nothing meets one whose path is empty."""
    reasons = [str(number) for number in range(40)]
    nothing = [None, ""]
    findings = [
        finding(Class.RELOCATED, nothing[n % 2], nothing[n // 2 % 2], reason=reason) for n, reason in enumerate(reasons)
    ]
    with kept(findings) as store:
        assert [found.reason for found in store.stream()] == reasons
        assert [row for part in store.ordered("reason") for row in part] == [(reason,) for reason in reasons]


def test_all_findings_are_sorted_by_merging() -> None:
    """SQLite has a sorter that merges runs, and falls back to a tree, four times slower, where a LIMIT may come."""
    statements: list[str] = []
    with kept(many(3)) as store:
        store.connection.set_trace_callback(statements.append)
        assert len(list(store.stream())) == len([row for part in store.ordered("class") for row in part]) == 3
        store.connection.set_trace_callback(None)
        assert len(statements) == 2
        for statement in statements:
            steps = [row[1] for row in store.connection.execute(f"EXPLAIN {statement}")]
            assert "SorterOpen" in steps
            assert "OpenEphemeral" not in steps
