"""The account of each side: every entry in exactly one class, in number and in bytes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verifier.classes import Class, Side
from verifier.errors import AccountUnbalanced
from verifier.reconcile.findings import Findings, Tally

if TYPE_CHECKING:
    import sqlite3


def settle(findings: Findings, identical: Tally) -> dict[Side, dict[Class, Tally]]:
    """Draw up both accounts, write them into the findings file and hold them against the manifests.

    What was identical was counted by the join, the findings were written one by one, and the totals are counted from
    the manifests anew: three ways that meet only if no entry was lost or counted twice.

    Args:
        findings: With the manifests attached as ``old`` and ``new``.
        identical: The pairs in which nothing differs.

    Raises:
        AccountUnbalanced: If a side's sum over the classes is not what its manifest holds.
    """
    accounts = {}
    for side in Side:
        tallies = {Class.IDENTICAL: identical} | _by_class(findings.connection, side)
        _check(findings.connection, side, tallies)
        findings.set_account(side, tallies)
        accounts[side] = {cls: tallies.get(cls, Tally()) for cls in Class}
    return accounts


def _by_class(connection: sqlite3.Connection, side: Side) -> dict[Class, Tally]:
    rows = connection.execute(
        f"""
        SELECT "class", count(*), sum({side}_kind = 'file'),
               coalesce(sum(CASE WHEN {side}_kind = 'file' THEN {side}_size END), 0)
        FROM findings WHERE {side}_path IS NOT NULL GROUP BY "class"
        """  # noqa: S608
    )
    return {Class(row[0]): Tally(*row[1:]) for row in rows}


def _check(connection: sqlite3.Connection, side: Side, tallies: dict[Class, Tally]) -> None:
    held = Tally(
        *connection.execute(
            f"""
            SELECT count(*), coalesce(sum(kind = 'file'), 0),
                   coalesce(sum(CASE WHEN kind = 'file' THEN size END), 0)
            FROM {side}.entries
            """  # noqa: S608
        ).fetchone()
    )
    counted = Tally(*(sum(values) for values in zip(*tallies.values(), strict=True)))
    if held != counted:
        raise AccountUnbalanced(
            f"internal error: the {side} side holds {held.entries} entries with {held.bytes} bytes, "
            f"the classes account for {counted.entries} with {counted.bytes}",
            "no report was written; please report this defect",
        )
