"""How the metadata of two entries of one kind differs, in words and in marks.

A mark says one difference in terms that many entries can share: ``owner 1000 3001``, ``mtime +3600 s``. What is marked
alike everywhere becomes one systematic difference (`verifier.reconcile.systematic`).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.classes import Field
from verifier.reconcile.compared import SPARSE_BYTES
from verifier.tree.entry import Kind
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from verifier.reconcile.compared import Comparison
    from verifier.tree.entry import Entry

QUARTER_NS: Final = 900 * 10**9
"""Zones differ by whole, half and quarter hours."""
LONGEST_MARK: Final = 200
MOST_MARKS: Final = 16
_SECOND_COPIES: Final = frozenset({"trusted.SGI_ACL_FILE", "trusted.SGI_ACL_DEFAULT"})
"""Where XFS keeps access control lists, which the system shows under their own names as well: seen on real mounts."""
_ACLS: Final = frozenset({"system.posix_acl_access", "system.posix_acl_default"})
_STREAM: Final = "user.DosStream."
"""How a file server for Windows keeps alternate streams in attributes: vfs_streams_xattr(8)."""
Attributes = dict[str, str | None]


class Difference(NamedTuple):
    """One way in which two entries differ."""

    field: Field | None
    """None for the name."""
    text: str
    mark: str
    """Several, one a line, where several things differ in one field."""


def shift_of(delta_ns: int, tolerance_ns: int) -> int:
    """Return a difference of two times as a multiple of 900 s, in seconds; 0 where it is none."""
    quarters = round(delta_ns / QUARTER_NS)
    return quarters * 900 if abs(delta_ns - quarters * QUARTER_NS) <= tolerance_ns else 0


def differences(old: Entry, new: Entry, comparison: Comparison, relinked: str | None = None) -> list[Difference]:
    """Return the compared fields in which two entries of one kind differ, in the order of `Field`.

    Args:
        old: The old side's entry.
        new: The new side's.
        comparison: What is compared.
        relinked: How the structure of its hard links changed, if it did.
    """
    found = [*_times(old, new, comparison), *_rights(old, new, comparison), *_attributes(old, new, comparison)]
    if relinked is not None and Field.HARD_LINKS in comparison.fields:
        text = "shared its inode with other names" if relinked == "split" else "shares its inode with other names now"
        found.append(Difference(Field.HARD_LINKS, f"hard-links ({text})", f"{Field.HARD_LINKS} {relinked}"))
    if Field.SPARSE in comparison.fields and (was := holes(old)) != holes(new):
        text = "old has holes, new has none" if was else "new has holes, old has none"
        found.append(Difference(Field.SPARSE, f"sparse ({text})", f"{Field.SPARSE} {'filled' if was else 'hollow'}"))
    return found


def holes(entry: Entry) -> bool:
    """Tell whether far less is allocated for a file than it is long."""
    if entry.kind != Kind.FILE or entry.allocated is None:
        return False
    return entry.size - entry.allocated >= SPARSE_BYTES and entry.allocated * 2 < entry.size


def _times(old: Entry, new: Entry, comparison: Comparison) -> Iterator[Difference]:
    field = {Kind.FILE.value: Field.MTIME, Kind.DIRECTORY.value: Field.DIRECTORY_MTIME}.get(old.kind)
    delta_ns = new.mtime_ns - old.mtime_ns
    if field is None or field not in comparison.fields or abs(delta_ns) <= comparison.tolerance_ns:
        return
    shift = shift_of(delta_ns, comparison.tolerance_ns)
    yield Difference(field, f"{field} ({duration(delta_ns)} on new)", f"{field} {shift:+d} s" if shift else field.value)


def _rights(old: Entry, new: Entry, comparison: Comparison) -> Iterator[Difference]:
    fields = comparison.fields
    if Field.MODE in fields and old.kind != Kind.LINK and old.mode != new.mode:
        text = f"mode ({old.mode:04o}, new {new.mode:04o})"
        yield Difference(Field.MODE, text, f"mode {old.kind} {old.mode:04o} {new.mode:04o}")
    for field, was, now, names in (
        (Field.OWNER, old.uid, new.uid, comparison.owners),
        (Field.GROUP, old.gid, new.gid, comparison.groups),
    ):
        if field in fields and (was != now or was in names.renamed):
            yield Difference(field, f"{field} ({names.told(was, now)})", f"{field} {was} {now}")


def _attributes(old: Entry, new: Entry, comparison: Comparison) -> Iterator[Difference]:
    if old.xattrs == new.xattrs or old.xattrs is None or new.xattrs is None:
        return
    before, after = (_sorted_out(_attributes_of(text), comparison.streams) for text in (old.xattrs, new.xattrs))
    for field in (Field.ACL, Field.XATTRS, Field.STREAMS):
        if field in comparison.fields and before[field] != after[field]:
            changes = _changes(before[field], after[field])
            if any(changes.values()):
                told = "; ".join(f"{word} {', '.join(map(shown, names))}" for word, names in changes.items() if names)
                text = _acl_text(before[field], after[field]) if field is Field.ACL else told
                yield Difference(field, f"{field} ({text})", _marks(field, changes))


def _attributes_of(text: str) -> Attributes:
    """Read a manifest's column of attributes; it may come from anybody."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        return {"(not readable)": text}
    return {name: value if value is None else str(value) for name, value in found.items()}


def _sorted_out(attributes: Attributes, streams: bool) -> dict[Field, Attributes]:
    found: dict[Field, Attributes] = {Field.ACL: {}, Field.XATTRS: {}, Field.STREAMS: {}}
    for name, value in attributes.items():
        if name in _SECOND_COPIES:
            continue
        if name in _ACLS:
            found[Field.ACL][name] = value
        elif name.startswith(_STREAM) or (streams and name.startswith("user.")):
            found[Field.STREAMS][name] = value
        else:
            found[Field.XATTRS][name] = value
    return found


def _changes(before: Attributes, after: Attributes) -> dict[str, list[str]]:
    """Return which names were lost, gained and changed; a value that a side could not read is no change."""
    both = sorted(before.keys() & after.keys())
    return {
        LOST: sorted(before.keys() - after.keys()),
        GAINED: sorted(after.keys() - before.keys()),
        "changed": [n for n in both if None not in (before[n], after[n]) and before[n] != after[n]],
    }


LOST: Final = "lost"
GAINED: Final = "gained"


def _marks(field: Field, changes: Mapping[str, Sequence[str]]) -> str:
    """Return a mark for each name that was lost or gained; changed values, and very many names, are like no other."""
    names = [f"{field} {word} {shown(name)}" for word in (LOST, GAINED) for name in changes[word]]
    if changes["changed"] or len(names) > MOST_MARKS or max(map(len, names)) > LONGEST_MARK:
        return field.value
    return "\n".join(names)


def _acl_text(before: Attributes, after: Attributes) -> str:
    """Show both lists, so that a person sees who lost or gained what."""
    told = []
    for name in sorted(before.keys() | after.keys()):
        kind = "default " if name.endswith("default") else ""
        was, now = before.get(name, "none"), after.get(name, "none")
        if was != now:
            told.append(f"{kind}{was or 'not read'}, new {kind}{now or 'not read'}")
    return "; ".join(map(shown, told))


def duration(nanoseconds: int) -> str:
    """Say how much later or earlier a time is, in the largest unit that it fills."""
    direction = "later" if nanoseconds > 0 else "earlier"
    seconds = abs(nanoseconds) / 1e9
    for unit, length in (("days", 86400), ("h", 3600), ("min", 60)):
        if seconds >= length:
            return f"{seconds / length:.4g} {unit} {direction}"
    return f"{seconds:.4g} s {direction}"


def marks_of(found: Iterable[Difference]) -> str | None:
    """Return the marks of one entry's differences as one text; None where there are none."""
    return "\n".join(one.mark for one in found) or None
