"""What is new since the run before: what stands in the way or needs a look now and did not then, and what did.

Only what weighs something is compared: what people do every day, and what rules set aside, is no news. What is known
and has not changed does not ring twice; what weighs more now, or stands in the way and changed once more, does.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

from verifier.classes import Cause, Class, Severity
from verifier.decisions.covering import cover
from verifier.evidence import FINDINGS_FILE
from verifier.ledger.record import News
from verifier.manifest.database import attach, database_errors
from verifier.reconcile.findings import ACCEPTED, Findings
from verifier.tree.names import shown
from verifier.verdict import count_of

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

NAMED: Final = 12
"""So many are told by name."""
_STANDING: Final = (Severity.BLOCKER, Severity.INCONCLUSIVE, Severity.ATTENTION)
# What a rule claims is litter, also where it asks for it to be told: in a report, not in the night.
_WEIGHS: Final = ", ".join(f"'{severity}'" for severity in _STANDING)
_STANDS: Final = f"severity IN ({_WEIGHS}) AND \"class\" <> '{Class.CLUTTER}'"
_RANK: Final = " ".join(f"WHEN '{severity}' THEN {rank}" for rank, severity in enumerate(Severity))
_DAMAGES: Final = (Cause.SILENT, Cause.ZERO_FILLED, Cause.TRUNCATED, Cause.EMPTY, Cause.STALE, Cause.OTHER)
_GRAVITY: Final = " ".join(
    f"WHEN '{word}' THEN {rank}"
    for rank, word in enumerate((*_DAMAGES[:4], Class.MISSING, *_DAMAGES[4:], Cause.NEWER, Class.KIND_CHANGED))
)
# A finding is the same one as long as its entry is: the old side's, or the new side's where that is alone.
_STANDING_TABLE: Final = f"""
CREATE TEMP TABLE standing_{{name}} AS
SELECT coalesce('o' || old_path, 'n' || new_path) AS key, "class" AS cls, cause, severity,
       CASE severity {_RANK} END AS rank, coalesce(old_path, new_path) AS path, coalesce(old_kind, new_kind) AS kind,
       CASE severity WHEN 'blocker' THEN
           printf('%s|%s|%d|%d|%d|%d|%Q|%s|%s', "class", coalesce(cause, ''), old_size, new_size, old_mtime_ns,
                  new_mtime_ns, damage, {{was}}, {{now}}) END AS facts
FROM {{schema}}.findings WHERE {_STANDS} AND {{open}}
"""  # noqa: S608
_DIGEST: Final = "(SELECT hex(now) FROM {schema}.decays AS d WHERE d.side = '{side}' AND d.path = {side}_path)"


def what_is_new(evidence: Path, before: Path | None, as_of: datetime) -> News:
    """Hold a finished run's findings against those of the one before it.

    Args:
        evidence: Of the run; its findings, and its exceptions if it has any.
        before: Evidence of the last finished run before it; None where there was none, so that all is new.
        as_of: When exceptions have to be in force, aware.

    Raises:
        ManifestDamaged: If a file is not what was written.
        NotAManifest: If there are no findings.
    """
    with Findings.open(evidence / FINDINGS_FILE) as findings:
        cover(findings, evidence, as_of)
        with database_errors(findings.path):
            return _compare(findings.connection, before)


def _compare(connection: sqlite3.Connection, before: Path | None) -> News:
    connection.execute("PRAGMA query_only = OFF")  # temporary tables only: the file itself is open read-only
    _stand(connection, "now", "main", f"NOT {ACCEPTED}")
    if before is None:
        connection.execute("CREATE TEMP TABLE standing_before AS SELECT * FROM standing_now WHERE 0")
    else:
        attach(connection, "before", before / FINDINGS_FILE)
        _stand(connection, "before", "before", "1")
    connection.execute("CREATE INDEX temp.before_by_key ON standing_before (key)")
    connection.execute("CREATE INDEX temp.now_by_key ON standing_now (key)")
    heavier = "n.rank < b.rank OR (n.rank = b.rank AND n.facts IS NOT b.facts)"
    connection.execute(
        f"""
        CREATE TEMP TABLE news AS
        SELECT n.*, CASE WHEN b.key IS NULL THEN 'new' WHEN {heavier} THEN 'worse' ELSE 'known' END AS what
        FROM standing_now AS n LEFT JOIN standing_before AS b ON b.key = n.key
        """  # noqa: S608
    )
    counts = dict(connection.execute("SELECT what, count(*) FROM news GROUP BY what").fetchall())
    repaired = connection.execute(
        f"""
        SELECT count(*) FROM standing_before AS b
        WHERE NOT EXISTS (SELECT 1 FROM standing_now AS n WHERE n.key = b.key)
          AND b.key NOT IN (SELECT coalesce('o' || old_path, 'n' || new_path) FROM main.findings WHERE {ACCEPTED})
        """  # noqa: S608
    ).fetchone()[0]
    accepted = connection.execute(
        f"SELECT count(*) FROM main.findings WHERE {ACCEPTED} AND {_STANDS}"  # noqa: S608
    ).fetchone()[0]
    fresh: dict[tuple[str, str], int] = defaultdict(int)
    for cls, cause, kind, number in connection.execute(
        "SELECT cls, cause, kind, count(*) FROM news WHERE what = 'new' GROUP BY cls, cause, kind"
    ):
        fresh[_noun(Class(cls), cause, str(kind))] += number
    new, worse, known = (counts.get(what, 0) for what in ("new", "worse", "known"))
    headline = _headline(fresh, worse, repaired, known, accepted)
    return News(new, worse, repaired, known, accepted, headline=headline, lines=_by_name(connection))


def _stand(connection: sqlite3.Connection, name: str, schema: str, condition: str) -> None:
    """Make a table of what weighs something in a findings file."""
    there = connection.execute(f"SELECT 1 FROM {schema}.sqlite_master WHERE name = 'decays'").fetchone()  # noqa: S608
    was, now = (_DIGEST.format(schema=schema, side=side) if there is not None else "NULL" for side in ("old", "new"))
    connection.execute(_STANDING_TABLE.format(name=name, schema=schema, was=was, now=now, open=condition))


_NOUNS: Final[dict[Class, str]] = {
    Class.CONTENT_CHANGED: "damaged",
    Class.MISSING: "missing",
    Class.KIND_CHANGED: "changed to another kind",
    Class.UNREADABLE: "unreadable",
    Class.UNSETTLED: "unsettled",
    Class.UNPROVEN: "unread",
    Class.NAME_ALTERED: "renamed in part",
    Class.METADATA_ONLY: "with other metadata",
    Class.EXTRA: "unexpected",
    Class.DRIFT: "changed after the freeze",
}
_BEFORE_NOUN: Final = (
    Class.CONTENT_CHANGED,
    Class.MISSING,
    Class.UNREADABLE,
    Class.UNSETTLED,
    Class.UNPROVEN,
    Class.EXTRA,
)
"""Classes whose word goes before what they are about."""


def _noun(cls: Class, cause: str | None, kind: str) -> tuple[str, str]:
    """Return what a new finding is called, one of it and several."""
    one, several = {"file": ("file", "files"), "directory": ("folder", "folders"), "link": ("link", "links")}.get(
        kind, ("entry", "entries")
    )
    word = _NOUNS.get(cls, str(cls))
    if cls is Class.CONTENT_CHANGED and cause not in _DAMAGES[:4]:
        word = "doubtful" if cause == Cause.NOT_REPEATED else "changed"
    if cls in _BEFORE_NOUN:
        return f"new {word} {one}", f"new {word} {several}"
    return f"new {one} {word}", f"new {several} {word}"


def _headline(fresh: Mapping[tuple[str, str], int], worse: int, repaired: int, known: int, accepted: int) -> str:
    """Say it all in one sentence, the gravest first."""
    parts = [count_of(number, *nouns) for nouns, number in sorted(fresh.items(), key=lambda one: (-one[1], one[0]))]
    parts += [f"{number:,} {word}" for number, word in ((worse, "worse"), (repaired, "repaired")) if number]
    if not parts:
        parts.append("nothing new")
    parts += [f"{number:,} {word}" for number, word in ((known, "known"), (accepted, "known and accepted")) if number]
    return ", ".join(parts)


def _by_name(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Name what is new or worse, the gravest first."""
    rows = connection.execute(
        f"""
        SELECT what, coalesce(cause, cls), path FROM news WHERE what <> 'known'
        ORDER BY rank, CASE coalesce(cause, cls) {_GRAVITY} ELSE 99 END, path LIMIT ?
        """,  # noqa: S608
        (NAMED,),
    ).fetchall()
    return tuple(f"{what}: {word}: {shown(path)}" for what, word, path in rows)
