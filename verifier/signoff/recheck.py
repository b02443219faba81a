"""Listing the old side again before it is signed for: what was changed, added or removed since the check?

Only names and facts are asked for; no content is read, and nothing is written but a listing of its own. What a folder
that cannot be listed now holds is not known, and is never called gone.
"""

from __future__ import annotations

import os
import socket
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier import clock
from verifier.classes import Side
from verifier.decisions.checklist import MOST_NAMED, Relisted
from verifier.errors import Interrupted, ManifestDamaged, RootUnavailable, UsageProblem
from verifier.evidence import MANIFEST_FILES
from verifier.manifest.database import attach, database_errors
from verifier.manifest.merge import roots_of
from verifier.manifest.store import Manifest
from verifier.scan.guard import look_at
from verifier.scan.scanner import ScanOptions, ScanRequest, scan_all
from verifier.tree.names import shown, to_bytes

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from verifier.scan.progress import Progress
    from verifier.tree.share import Share

LISTING_FILE: Final = "old-again.manifest.sqlite"
_DIFFERING: Final = """
INSERT INTO differing
SELECT was.path,
       CASE WHEN now.path IS NULL THEN 'gone'
            WHEN now.kind = 'unknown' THEN 'unlisted'
            WHEN was.kind = 'directory' AND now.kind = 'directory' THEN 'unlisted'
            ELSE 'changed' END
FROM was.entries AS was LEFT JOIN now.entries AS now ON now.path = was.path
WHERE now.path IS NULL OR was.kind <> now.kind OR was.target IS NOT now.target
   OR (was.kind = 'directory' AND was.state = 'contentless' AND now.state <> 'contentless')
   OR (was.kind IN ('file', 'link') AND (
        was.size <> now.size OR abs(was.mtime_ns - now.mtime_ns) >= :step
        OR (:ctimes AND was.ctime_ns <> now.ctime_ns)))
"""
# Of folders only the kind: their times tell of names that came and went, and those are compared themselves.
_ADDED: Final = """
INSERT INTO differing
SELECT now.path, 'new' FROM now.entries AS now LEFT JOIN was.entries AS was ON was.path = now.path
WHERE was.path IS NULL
"""
_BELOW_UNLISTED: Final = """
UPDATE differing SET what = 'unlisted' WHERE what = 'gone' AND EXISTS (
    SELECT 1 FROM differing AS folder
    WHERE folder.what = 'unlisted' AND differing.path > folder.path || '/' AND differing.path < folder.path || '0')
"""
_EXAMPLES: Final = "SELECT path, what FROM differing ORDER BY what = 'unlisted', what, path LIMIT ?"


def old_root(facts: Mapping[str, str], elsewhere: Path | None) -> Share:
    """Return the share in which the old side lies now.

    Args:
        facts: Of the evidence's manifest of the old side.
        elsewhere: Where it is mounted now, if that is another place than when it was checked.

    Raises:
        UsageProblem: If the old side was put together from several roots.
        RootUnavailable: If it is not there, is empty, or is another mount than when it was checked.
    """
    recorded = roots_of(facts)
    if "" not in recorded:
        raise UsageProblem("the old side was put together from several roots", "leave --recheck-old out")
    if elsewhere is None:
        _refuse_other_host(facts)
    share = look_at(_path(recorded[""]) if elsewhere is None else elsewhere)
    if share.is_empty():
        raise RootUnavailable(f"the old side, {share.named}, is an empty folder", "is the share mounted?")
    was, now = (facts.get("file_system"), facts.get("mount_source")), (share.type_name, share.mount_source)
    if elsewhere is None and was != now:
        raise RootUnavailable(
            f"{share.named} was {' on '.join(one or 'not recorded' for one in was)} when it was checked, and is "
            f"{' on '.join(now)} now",
            "mount what was there, or name it with --old-root",
        )
    return share


def _refuse_other_host(facts: Mapping[str, str]) -> None:
    host, here = facts.get("host", ""), socket.gethostname()
    if host != here:
        raise RootUnavailable(
            f"the old side was scanned on {shown(host) or 'a machine that is not recorded'}, and this is {shown(here)}",
            "sign there, or name where it is mounted here with --old-root",
        )


def _path(root: str) -> Path:
    try:
        return Path(os.fsdecode(to_bytes(root)))
    except ValueError as error:
        raise ManifestDamaged(
            f"the root of the old side is no path ({shown(root)})", "name it with --old-root"
        ) from error


def relist(
    evidence: Path, elsewhere: Path | None, staged: Path, on_progress: Callable[[Progress], None] = lambda _: None
) -> Relisted:
    """List the old side again and compare it with the evidence.

    Args:
        evidence: The evidence folder.
        elsewhere: Where the old side is mounted now, if that is another place.
        staged: A folder in which the listing may be made.
        on_progress: Told how far it is.

    Raises:
        RootUnavailable: As `old_root`.
        Interrupted: If it could not be listed to its end.
    """
    was = evidence.resolve() / MANIFEST_FILES[Side.OLD]
    with Manifest.open(was) as manifest:
        facts = manifest.facts()
    share = old_root(facts, elsewhere)
    now = staged.resolve() / LISTING_FILE
    options = ScanOptions(listing_only=True, cross_mounts=facts.get("cross_mounts") == "1", barred_in=was)
    (outcome,) = scan_all([ScanRequest("old", share.root, now)], options, on_progress)
    if outcome.interrupted:
        raise Interrupted(
            f"the old side could not be listed again to its end ({outcome.interrupted}); nothing was signed",
            "try again",
        )
    same = elsewhere is None or _is_as_recorded(share, facts)
    ctimes = same and facts.get("inodes") == "1"
    step = max(int(facts.get("grain_ns") or 1), share.file_system.grain_ns)
    where = share.named if same else f"{share.named} ({share.type_name}), which was {facts.get('root')} when checked"
    return _compared(was, now, step, ctimes=ctimes)._replace(where=shown(where), entries=outcome.totals.entries)


def _is_as_recorded(share: Share, facts: Mapping[str, str]) -> bool:
    now = (socket.gethostname(), share.named, share.type_name, share.mount_source)
    return now == tuple(facts.get(name) for name in ("host", "root", "file_system", "mount_source"))


def _compared(was: Path, now: Path, step_ns: int, *, ctimes: bool) -> Relisted:
    """Compare both listings.

    Args:
        was: The manifest of the check.
        now: That of the listing.
        step_ns: Times that differ by less are one time.
        ctimes: Whether change times mean the same in both.
    """
    with database_errors(was), closing(sqlite3.connect("file::memory:", uri=True, isolation_level=None)) as connection:
        connection.execute("PRAGMA trusted_schema = OFF")
        attach(connection, "was", was)
        attach(connection, "now", now)
        connection.execute("CREATE TEMP TABLE differing (path TEXT PRIMARY KEY, what TEXT NOT NULL) WITHOUT ROWID")
        connection.execute(_DIFFERING, {"step": step_ns, "ctimes": ctimes})
        connection.execute(_ADDED)
        connection.execute("CREATE INDEX temp.by_what ON differing (what, path)")
        connection.execute(_BELOW_UNLISTED)
        counts = dict(connection.execute("SELECT what, count(*) FROM differing GROUP BY what"))
        examples = connection.execute(_EXAMPLES, (MOST_NAMED,)).fetchall()
    at = clock.now_text()
    told = tuple(f"{shown(path)} ({'not listed' if what == 'unlisted' else what})" for path, what in examples)
    gone, added, changed, unlisted = (counts.get(what, 0) for what in ("gone", "new", "changed", "unlisted"))
    return Relisted(at, "", 0, gone, added, changed, unlisted, ctimes, told)
