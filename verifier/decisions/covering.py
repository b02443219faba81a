"""Which findings of a check its exceptions cover, and accepting more of them."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from verifier.classes import Cause
from verifier.decisions.exceptions import OF_FINDING, Acceptance, Exceptions, Wanted
from verifier.errors import UsageProblem
from verifier.evidence import EXCEPTIONS_FILE, MANIFEST_FILES
from verifier.manifest.database import attach, database_errors, named
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import ACCEPTED, Findings, Tally
from verifier.rules.matcher import Matcher
from verifier.rules.pattern import BadPatternError
from verifier.rules.rule import Action, Rule, RuleSet

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime
    from pathlib import Path

_ACCEPTABLE: Final = f"cause IS NOT '{Cause.NOT_REPEATED}'"
"""A reading that does not repeat makes every reading doubtful, and nobody can accept that for one file."""
_CONTENT: Final = {
    "old_digest": "o.digest",
    "new_digest": "n.digest",
    "old_target": "o.target",
    "new_target": "n.target",
}
"""What the manifests say of a finding's content, by the names in the record."""
_BOTH: Final = """
LEFT JOIN old_side.entries o ON o.path = f.old_path LEFT JOIN new_side.entries n ON n.path = f.new_path
"""


@dataclass(frozen=True, slots=True)
class Covered:
    """An exception, and what it covers in a check's findings."""

    acceptance: Acceptance
    holds: bool
    """Whether it was in force at the moment that was asked for."""
    now: Tally
    """Of the findings; nothing where it does not hold."""


def cover(findings: Findings, evidence: Path, as_of: datetime) -> tuple[Covered, ...]:
    """Mark in open findings what the evidence folder's exceptions cover, and say what each of them does.

    Args:
        findings: Of this evidence folder; `verifier.reconcile.findings.ACCEPTED` then tells what is covered.
        evidence: The folder, with the manifests of both sides.
        as_of: The moment at which an exception has to hold; aware.

    Raises:
        NotAManifest: If the record is something else.
        ManifestDamaged: If the record, or a manifest, is not what was written.
    """
    path = evidence / EXCEPTIONS_FILE
    if not path.exists():
        return ()
    with Exceptions.open(path) as store:
        known = store.all()
    holding = [one.number for one in known if one.in_force(as_of)]
    if holding:
        _mark(findings, evidence, holding)
    return tuple(Covered(one, one.number in holding, _covered_now(findings, one.number)) for one in known)


def _mark(findings: Findings, evidence: Path, holding: list[int]) -> None:
    same = " AND ".join(f'c."{name}" IS f."{name}"' for name in OF_FINDING)
    content = " AND ".join(f'c."{name}" IS {source}' for name, source in _CONTENT.items())
    marks = ", ".join("?" * len(holding))
    with _beside(findings, evidence, exceptions=evidence / EXCEPTIONS_FILE):
        # From the findings to the record, which has an index over the paths.
        findings.connection.execute(
            f"""
            INSERT OR IGNORE INTO temp.accepted
            SELECT f.id, c.exception FROM main.findings f CROSS JOIN exceptions.covered c ON {same} {_BOTH}
            WHERE c.exception IN ({marks}) AND f.{_ACCEPTABLE} AND {content} ORDER BY c.exception
            """,  # noqa: S608
            holding,
        )


def _covered_now(findings: Findings, number: int) -> Tally:
    return findings.tally("id IN (SELECT finding FROM accepted WHERE exception = ?)", (number,))


@contextmanager
def _beside(findings: Findings, evidence: Path, **more: Path) -> Iterator[None]:
    """Attach the manifests of an evidence folder, and more, to open findings, and let temporary tables be written."""
    manifests = {side: evidence / name for side, name in MANIFEST_FILES.items()}
    for path in manifests.values():
        Manifest.open(path).close()  # refuses what is none
    files = {f"{side}_side": path for side, path in manifests.items()} | more
    connection = findings.connection
    with database_errors(findings.path):
        for name, path in files.items():
            attach(connection, name, path)
        connection.execute("PRAGMA query_only = OFF")
    try:
        with database_errors(findings.path):
            yield
    finally:
        connection.execute("PRAGMA query_only = ON")
        for name in files:
            connection.execute(f"DETACH DATABASE {name}")


def accept(evidence: Path, findings: Findings, wanted: Wanted) -> Acceptance:
    """Record an exception that covers what a pattern and a class select now and no other exception covers.

    Args:
        evidence: The folder; whoever calls holds it.
        findings: Its findings, with what is accepted marked (`cover`).
        wanted: The exception.

    Raises:
        UsageProblem: If the pattern has no meaning, or nothing is selected.
        EvidenceUnwritable: If the record cannot be written.
    """
    with _beside(findings, evidence):
        _choose(findings, wanted)
        if not findings.any("id IN (SELECT finding FROM chosen)"):
            raise UsageProblem(
                f"no open finding of class {wanted.cls} matches {wanted.pattern!r}",
                f"differences.csv in {named(evidence)} has every path and class",
            )
        names = ", ".join([*(f'f."{name}"' for name in OF_FINDING), *_CONTENT.values()])
        rows = findings.connection.execute(
            f"SELECT {names} FROM temp.chosen CROSS JOIN main.findings f ON f.id = finding {_BOTH} ORDER BY f.id"  # noqa: S608
        )
        with Exceptions.change(evidence / EXCEPTIONS_FILE) as store:
            recorded = store.record(wanted, rows)
            store.commit()
    return recorded


def _choose(findings: Findings, wanted: Wanted) -> None:
    """Note the findings that are asked for in a temporary table."""
    matches = _matching(wanted.pattern)
    connection = findings.connection
    connection.execute("CREATE TEMP TABLE chosen (finding INTEGER PRIMARY KEY)")
    rows = connection.execute(
        f"""
        SELECT id, old_path, old_kind, new_path, new_kind FROM findings
        WHERE "class" = ? AND {_ACCEPTABLE} AND NOT {ACCEPTED} ORDER BY id
        """,  # noqa: S608
        (wanted.cls.value,),
    )
    chosen = ((row[0],) for row in rows if matches(row[1], row[2]) or matches(row[3], row[4]))
    connection.executemany("INSERT INTO chosen VALUES (?)", chosen)


def _matching(pattern: str) -> Callable[[str | None, str | None], bool]:
    """Return what tells whether a pattern means a path of a kind, or a folder above it."""
    try:
        matcher = Matcher(RuleSet((Rule("accepted", (pattern,), "", "", Action.SET_ASIDE, ""),)))
    except BadPatternError as error:
        raise UsageProblem(f"--path {pattern!r}: {error}", "give a gitignore pattern, as in rules") from error

    def matches(path: str | None, kind: str | None) -> bool:
        return path is not None and any(found for _, found in matcher.levels(path, kind or ""))

    return matches
