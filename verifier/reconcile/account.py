"""The account of each side: every entry in exactly one class, in number and in bytes."""

from __future__ import annotations

from functools import reduce
from typing import TYPE_CHECKING

from verifier.classes import Class, Side
from verifier.errors import AccountUnbalanced
from verifier.reconcile.findings import Findings, Tally, tally_sql

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping


def settle(findings: Findings, identical: Tally, held: Mapping[Side, Tally]) -> dict[Side, dict[Class, Tally]]:
    """Draw up both accounts, write them into the findings file and hold them against the manifests.

    What was identical is what the join did not set apart, the findings were written one by one, and the totals are
    counted from the manifests anew: they meet only if no entry was lost or counted twice.

    Args:
        findings: All of them.
        identical: The pairs in which nothing differs.
        held: What each side's manifest holds.

    Raises:
        AccountUnbalanced: If a side's sum over the classes is not what its manifest holds.
    """
    accounts = {}
    for side in Side:
        tallies = {Class.IDENTICAL: identical} | _by_class(findings.connection, side)
        _check(side, held[side], tallies)
        findings.set_account(side, tallies)
        accounts[side] = {cls: tallies.get(cls, Tally()) for cls in Class}
    return accounts


def _by_class(connection: sqlite3.Connection, side: Side) -> dict[Class, Tally]:
    rows = connection.execute(
        f"""
        SELECT "class", {tally_sql(f"{side}_kind", f"{side}_size")}
        FROM findings WHERE {side}_path IS NOT NULL GROUP BY "class"
        """  # noqa: S608
    )
    return {Class(row[0]): Tally(*row[1:]) for row in rows}


def _check(side: Side, held: Tally, tallies: dict[Class, Tally]) -> None:
    counted = reduce(Tally.plus, tallies.values())
    if held != counted:
        raise AccountUnbalanced(
            f"internal error: the {side} side holds {held.entries} entries with {held.bytes} bytes, "
            f"the classes account for {counted.entries} with {counted.bytes}",
            "no report was written; please report this defect",
        )
