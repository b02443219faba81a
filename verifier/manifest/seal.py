"""The fingerprint of a manifest: what a sign-off names.

BLAKE3 over one line for each entry in path order, after a first line that names this format and the digest algorithm.
Fields are separated by ``|``; the three that can hold anything (path, link target, extended attributes) come last, each
with its length in UTF-8 bytes in front (``12:herbarium/42``), so no two manifests have the same lines.

A line holds what the tree is, not how or when it was looked at: kind, size, mtime, mode, uid, gid, whether the content
is known, its digest, first bytes and segment digests in hex, path, link target, extended attributes. Device and inode
numbers, times of reading and whether a digest was carried over are left out, so two scans of an unchanged tree have
one fingerprint.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from blake3 import blake3

if TYPE_CHECKING:
    import sqlite3

_KNOWN: Final = "CASE WHEN state IN ('proved', 'carried', 'contentless') THEN 'known' ELSE state END"


def _sized(column: str) -> str:
    return f"length(CAST(coalesce({column}, '') AS BLOB)), coalesce({column}, '')"


def _hex(column: str) -> str:
    return f"hex(coalesce({column}, ''))"


# Put together by SQLite, in one call a row: a third less time than with its || operator, and ten times fewer objects
# than handing every field to Python.
_LINES: Final = f"""
SELECT printf('%s|%d|%d|%d|%d|%d|%s|%s|%s|%s|%d:%s|%d:%s|%d:%s' || char(10),
              kind, size, mtime_ns, mode, uid, gid, {_KNOWN}, {_hex("digest")}, {_hex("head")}, {_hex("segments")},
              {_sized("path")}, {_sized("target")}, {_sized("xattrs")})
FROM entries ORDER BY path
"""  # noqa: S608

HOLDS_NUL: Final = """
SELECT 1 FROM entries WHERE instr(CAST(path AS BLOB), x'00')
    OR instr(CAST(coalesce(target, '') AS BLOB), x'00') OR instr(CAST(coalesce(xattrs, '') AS BLOB), x'00') LIMIT 1
"""
"""A row with a text that SQLite's printf would cut at a NUL. No scan writes one, so who finds one finds a forgery."""


def fingerprint(connection: sqlite3.Connection, algorithm: str) -> str:
    """Return the fingerprint of an open manifest, in hex; reads every row once, in constant memory."""
    whole = blake3(f"verifier manifest 1 {algorithm}\n".encode())
    lines = connection.execute(_LINES)
    while batch := lines.fetchmany(2000):
        whole.update("".join([line for (line,) in batch]).encode())
    return whole.hexdigest()
