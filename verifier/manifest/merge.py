"""Several manifests as one: what one share was split into, put together again.

The combined tree has a top folder for each part, called by its label: entry ``x/y`` of the part labelled ``archive`` is
``archive/x/y``. Its manifest is a manifest like any other; only the fact ``roots`` says that it was put together.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import PurePath, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Final

from verifier.errors import AlgorithmMismatch, UsageProblem
from verifier.manifest.database import address, attach, database_errors, named
from verifier.manifest.store import Manifest
from verifier.tree.cache import ColdCount
from verifier.tree.entry import Entry, Kind, State
from verifier.tree.names import raw_of, shown, to_bytes, to_text

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
    from pathlib import Path

ROOTS: Final = "roots"
"""The fact that only a manifest has that was put together: JSON, a list with an object for each part."""
_NAMELESS: Final = "root"


def roots_of(facts: Mapping[str, str]) -> dict[str, str]:
    """Return the roots that a manifest's facts name, as they are shown, by their labels; a single root's is empty."""
    if not facts.get(ROOTS):
        return {"": facts["root"]}
    return {str(one["label"]): str(one["root"]) for one in json.loads(facts[ROOTS])}


def folder_name(path: PurePath) -> str:
    """Return the last component of a path; for a drive or a server's share what it is called, else ``root``."""
    if path.name not in ("", "..") and "\0" not in path.name:
        return path.name
    return next((word for word in reversed(re.split(r"[\\/:]", path.drive)) if word), _NAMELESS)


def root_name(root: str) -> str:
    """Return the last component of the root that a manifest names.

    Args:
        root: Its fact ``root``: a path of whatever system it was made on, as it is shown.
    """
    try:
        path = os.fsdecode(to_bytes(root))
    except ValueError:
        return _NAMELESS
    return folder_name(PurePosixPath(path) if path.startswith("/") else PureWindowsPath(path))


def label_roots(names: Sequence[str]) -> list[str]:
    """Return a label for each root, as manifest text: its name; for one that is called as another before it, a new one.

    Args:
        names: What the roots are called, in the order in which they were given.
    """
    taken = set(names)
    labels: list[str] = []
    for name in names:
        label, number = name, 2
        # What is really called so keeps its name; `taken` has it from the beginning.
        while label in labels or (label != name and label in taken):
            label, number = f"{name}-{number}", number + 1
        labels.append(label)
    return [to_text(os.fsencode(label)) for label in labels]


def merge(parts: Sequence[tuple[str, Path]], into: Path) -> None:
    """Write a manifest of the combined tree, sealed where all parts are; memory does not grow with them.

    Args:
        parts: For each part its label, as manifest text, and its manifest. Labels differ.
        into: Where the combined manifest goes; nobody sees it there before it is whole.

    Raises:
        AlgorithmMismatch: If the parts were made with different algorithms.
        UsageProblem: If a part was itself put together, or `into` is there already.
        EvidenceUnwritable: If it cannot be written.
        ManifestDamaged: If a part is not what was written.
    """
    opened = [_part(label, path) for label, path in parts]
    _refuse_unlike(opened)
    if into.exists():
        raise UsageProblem(f"{named(into)} is there already", "choose another name, or move it away")
    unfinished = into.with_name(f"{into.name}.part")
    unfinished.unlink(missing_ok=True)
    devices = _Devices()
    with Manifest.create(unfinished) as manifest:
        # Rows come nearly in the order of the combined tree: what a table is filled with at its end stays compact.
        for number, part in sorted(enumerate(opened), key=lambda item: f"{item[1].label}/"):
            manifest.add([part.folder])
            manifest.commit()
            with database_errors(part.path):
                _take(manifest.connection, part, devices.numbering(part.facts, number))
        manifest.set_facts(**_combined(opened))
        if all(part.sealed for part in opened):
            manifest.set_facts(fingerprint=manifest.seal())
    unfinished.replace(into)


def merge_listings(parts: Sequence[tuple[str, Path]], into: Path) -> None:
    """Write what a join of listings asks of a manifest, for the combined tree: paths, kinds, sizes and states.

    No manifest: it is for a moment, while the parts are still being scanned, and takes a fraction of the time.

    Args:
        parts: As `merge`; they may be unfinished, but nobody may hold them.
        into: A file that is not there; whoever asked for it removes it.

    Raises:
        EvidenceUnwritable: If it cannot be written, or somebody holds a part.
        ManifestDamaged: If a part is not what was written.
    """
    with database_errors(into), closing(sqlite3.connect(address(into), uri=True, isolation_level=None)) as listing:
        # Nobody needs it after a crash.
        listing.execute("PRAGMA journal_mode = OFF")
        listing.execute("PRAGMA synchronous = OFF")
        listing.execute(
            "CREATE TABLE entries (path TEXT PRIMARY KEY NOT NULL, kind TEXT NOT NULL, size INTEGER NOT NULL,"
            " state TEXT NOT NULL) WITHOUT ROWID"
        )
        for label, path in sorted(parts, key=lambda part: f"{part[0]}/"):
            attach(listing, "part", path)
            listing.execute(
                "INSERT INTO main.entries VALUES (?, ?, 0, ?)", (label, Kind.DIRECTORY.value, State.CONTENTLESS.value)
            )
            listing.execute(
                "INSERT INTO main.entries SELECT ? || path, kind, size, state FROM part.entries ORDER BY path",
                (f"{label}/",),
            )
            listing.execute("DETACH DATABASE part")


@dataclass(frozen=True, slots=True)
class _Part:
    label: str
    path: Path
    facts: Mapping[str, str]
    folder: Entry
    """Its root, as an entry of the combined tree."""

    @property
    def sealed(self) -> bool:
        """Whether it can be vouched for: read to its end."""
        return bool(self.facts.get("fingerprint")) and self.facts.get("complete") == "1"


def _part(label: str, path: Path) -> _Part:
    with Manifest.open(path) as manifest:
        facts = manifest.facts()
        with database_errors(path):
            problem = manifest.connection.execute(
                "SELECT error FROM problems WHERE path = '' AND operation = 'list' LIMIT 1"
            ).fetchone()
    return _Part(label, path, facts, _folder(label, facts, None if problem is None else problem[0]))


def _folder(label: str, facts: Mapping[str, str], problem: str | None) -> Entry:
    """Return the entry of a part's root, which says so where not all that it holds is known."""
    state, error = State.CONTENTLESS, None
    if facts.get("listed") != "1":
        state, error = State.UNREADABLE, "its listing did not reach the end"
    elif problem is not None:
        state, error = State.UNSETTLED, f"{problem}: list"
    mode, uid, gid, mtime_ns = (_number(facts, f"root_{name}") for name in ("mode", "uid", "gid", "mtime_ns"))
    xattrs = facts.get("root_xattrs") or None
    return Entry(
        label,
        raw_of(label),
        Kind.DIRECTORY.value,
        size=0,
        allocated=None,
        mtime_ns=mtime_ns,
        ctime_ns=mtime_ns,
        mode=mode,
        uid=uid,
        gid=gid,
        nlink=1,
        device=0,
        inode=0,
        target=None,
        xattrs=xattrs,
        head=None,
        digest=None,
        segments=None,
        state=state.value,
        error=error,
        read_at=None,
    )


def _number(facts: Mapping[str, str], name: str) -> int:
    """Return a fact that is a number; 0 where an earlier version did not write it."""
    with suppress(ValueError):
        return int(facts.get(name) or 0)
    return 0


def _refuse_unlike(parts: Sequence[_Part]) -> None:
    for part in parts:
        if part.facts.get(ROOTS):
            raise UsageProblem(
                f"{named(part.path)} was put together from several roots", "give the manifests of its roots instead"
            )
    first = parts[0]
    ours = first.facts.get("algorithm", "")
    for part in parts:
        theirs = part.facts.get("algorithm", "")
        if theirs != ours:
            raise AlgorithmMismatch(
                f"{named(first.path)} was made with {ours}, {named(part.path)} with {theirs}",
                f"scan one of them again with --algorithm {ours} or {theirs}, so that all agree",
            )


class _Devices:
    """Numbers for the devices of the combined tree.

    A device number means something on one host, while the file system is mounted. Two parts keep what they have in
    common, hard links from one into the other, only if they lie on one mount as far as their facts tell; in all other
    cases their devices get different numbers, so that files of two machines never look like names of one inode.
    """

    def __init__(self) -> None:
        self._numbers: dict[tuple[object, int], int] = {}

    def numbering(self, facts: Mapping[str, str], part: int) -> Callable[[int], int]:
        """Return what gives a part's devices their numbers."""
        host, source = facts.get("host"), facts.get("mount_source")
        alone = not host or not source or facts.get("cross_mounts") == "1"
        place: object = part if alone else (host, source, facts.get("file_system"))
        numbers = self._numbers
        return lambda device: numbers.setdefault((place, device), len(numbers) + 1)


def _take(connection: sqlite3.Connection, part: _Part, number_of: Callable[[int], int]) -> None:
    """Copy a part's rows below its label."""
    prefix = f"{part.label}/"
    raw_prefix = to_bytes(prefix)
    # Bytes are kept only where they are not UTF-8; below a label that is not, that is everywhere. SQLite's || makes a
    # text of its operands' bytes, whatever they are.
    whole = "CAST(? || CAST(raw AS TEXT) AS BLOB)"
    raw = f"CASE WHEN raw IS NULL THEN NULL ELSE {whole} END"
    if raw_of(part.label) is not None:
        raw = r"CAST(? || coalesce(CAST(raw AS TEXT), replace(path, '\\', '\')) AS BLOB)"
    made = {"path": "? || path", "raw": raw, "device": "number_of(device)"}
    columns = ", ".join(made.get(column, column) for column in Entry._fields)
    connection.create_function("number_of", 1, number_of, deterministic=True)
    attach(connection, "part", part.path)
    connection.execute("PRAGMA part.locking_mode = NORMAL")
    connection.execute(
        f"INSERT INTO main.entries ({', '.join(Entry._fields)}) SELECT {columns} FROM part.entries ORDER BY path",  # noqa: S608
        (prefix, raw_prefix),
    )
    connection.execute(
        "INSERT INTO main.problems SELECT CASE WHEN path = '' THEN ? ELSE ? || path END, operation, error, attempts,"
        " happened_at FROM part.problems ORDER BY rowid",
        (part.label, prefix),
    )
    connection.commit()
    connection.execute("DETACH DATABASE part")


# How facts come together where the parts do not agree. Of all others the whole has what the weakest part has.
_LARGEST: Final = ("grain_ns", "resumed", "readers")
_SUMMED: Final = ("bytes_read", *ColdCount._fields)
_ANY: Final = ("listing_only", "cross_mounts", "compresses")
"""What makes a whole what any part is."""
_NAMED: Final = ("tool", "host", "platform", "file_system", "mount_source", "mount_options", "rules", "reused")
"""What is only read by people: the whole has all of them."""
_BY_NUMBER: Final = ("owner_names", "group_names")


def _combined(parts: Sequence[_Part]) -> dict[str, str]:
    keys = {key for part in parts for key in part.facts if not key.startswith("root_")}
    facts = {
        key: _common({part.facts.get(key, "") for part in parts}, weakest="1" if key in _ANY else "0") for key in keys
    }

    def given(key: str) -> list[str]:
        return [value for part in parts if (value := part.facts.get(key))]

    for key in keys.intersection(_LARGEST):
        facts[key] = str(max(_number(part.facts, key) for part in parts))
    for key in keys.intersection(_SUMMED):
        facts[key] = str(sum(_number(part.facts, key) for part in parts))
    for key in keys.intersection(_NAMED):
        facts[key] = "; ".join(dict.fromkeys(given(key)))
    for key in keys.intersection(_BY_NUMBER):
        facts[key] = _undisputed(given(key))
    facts["label"] = "new"
    facts["root"] = " + ".join(given("root"))
    for key, choose in (("started", min), ("oldest_read", min), ("finished", max)):
        facts[key] = choose(given(key), default="")
    if len(given("finished")) < len(parts):
        facts["finished"] = ""
    facts["interrupted"] = "; ".join(
        f"{shown(part.label)}: {part.facts.get('interrupted') or 'it was ended from outside'}"
        for part in parts
        if part.facts.get("complete") != "1"
    )
    facts["fingerprint"] = ""
    facts[ROOTS] = json.dumps([_told(part) for part in parts], ensure_ascii=False)
    return facts


def _common(values: Collection[str], weakest: str) -> str:
    """Return what holds for all parts: the weakest, if one has it; where they say other things, nothing is known."""
    if len(values) == 1:
        return next(iter(values))
    return weakest if weakest in values else ""


def _undisputed(texts: Iterable[str]) -> str:
    """Return what numbers stand for, JSON, without those that stand for different names on different machines."""
    found: dict[str, set[str]] = {}
    for text in texts:
        with suppress(ValueError, AttributeError):
            for number, name in json.loads(text).items():
                found.setdefault(number, set()).add(str(name))
    names = {number: min(called) for number, called in sorted(found.items()) if len(called) == 1}
    return json.dumps(names, ensure_ascii=False)


def _told(part: _Part) -> dict[str, object]:
    told: dict[str, object] = {"label": part.label}
    for key in ("root", "host", "file_system", "fingerprint", "started", "finished"):
        told[key] = part.facts.get(key, "")
    return {**told, "complete": part.facts.get("complete") == "1"}
