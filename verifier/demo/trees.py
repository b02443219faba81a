"""Both sides as they are to be laid out, grown in memory: `grow`."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from verifier.classes import Side
from verifier.demo.planting import REINSTALL
from verifier.errors import CannotRun
from verifier.tree.entry import Kind
from verifier.tree.names import parent_of, shown, to_bytes, to_text

if TYPE_CHECKING:
    from pathlib import Path

    from verifier.demo.planting import Change, Planting

FILE_MODE: Final = 0o644
FOLDER_MODE: Final = 0o755
_SECOND_NS: Final = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Node:
    """What is to be laid out at one path."""

    kind: Kind
    """File, directory or link."""
    mtime_ns: int
    """Time of last change, nanoseconds since 1970-01-01 UTC."""
    mode: int = FILE_MODE
    """Permission bits; a link's are whatever the system gives it."""
    content: bytes = b""
    """Of a file; the target of a link."""
    reserve: int = 0
    """Size in bytes up to which zero bytes follow a file's content, if that is more than the content."""

    @property
    def size(self) -> int:
        """Return a file's size in bytes."""
        return max(len(self.content), self.reserve)


@dataclass(frozen=True, slots=True)
class Tree:
    """One side."""

    nodes: dict[str, Node]
    """By path, manifest text; the root has none."""
    places: dict[str, str]
    """Where each plant's place is on this side once it was moved, by the plant's path."""


def grow(seed: Path, planting: Planting) -> dict[Side, Tree]:
    """Build both sides from the files in a folder and the table.

    Raises:
        CannotRun: If the folder cannot be read, or a plant does not fit what is there.
    """
    common: dict[str, Node] = {}
    try:
        for found in sorted(seed.rglob("*")):
            parts = found.relative_to(seed).parts
            # The checkout holds no such names; what a desktop has left in it is not part of the sample.
            if not any(part.startswith(".") for part in parts):
                path = "/".join(to_text(os.fsencode(part)) for part in parts)
                common[path] = _seed_node(found, planting.time_of(path))
    except OSError as error:
        raise CannotRun(f"the sample trees cannot be read ({error.strerror})", REINSTALL) from error
    if not common:
        raise CannotRun("the sample trees are empty", REINSTALL)
    return {side: _grow_side(common, planting, side) for side in Side}


def _seed_node(found: Path, mtime_ns: int) -> Node:
    if found.is_dir():
        return Node(Kind.DIRECTORY, mtime_ns, FOLDER_MODE)
    return Node(Kind.FILE, mtime_ns, content=found.read_bytes())


def _grow_side(common: dict[str, Node], planting: Planting, side: Side) -> Tree:
    nodes = dict(common)
    places: dict[str, str] = {}
    for plant in planting.plants:
        place = plant.path
        for change in plant.changes[side]:
            try:
                place = _apply(nodes, planting, place, change)
            except ValueError as error:
                where = f"planting.toml: {shown(plant.path)} on the {side} side"
                raise CannotRun(f"{where}: {error}", REINSTALL) from error
        places[plant.path] = place
    return Tree(nodes, places)


def _apply(nodes: dict[str, Node], planting: Planting, path: str, change: Change) -> str:
    """Apply a change to a tree's nodes and return where its place is afterwards."""
    _make(nodes, planting, path, change)
    if path not in nodes:
        raise ValueError("there is nothing to change")
    node = nodes[path]
    nodes[path] = replace(
        node,
        content=_edited(node, change),
        mode=node.mode if change.mode is None else change.mode,
        mtime_ns=node.mtime_ns if change.mtime_ns is None else change.mtime_ns,
    )
    target = change.move_to or path
    for inside in _at_or_below(nodes, path):
        node = nodes.pop(inside)
        if change.shift_s is not None and node.kind is Kind.FILE:
            node = replace(node, mtime_ns=node.mtime_ns + change.shift_s * _SECOND_NS)
        if not change.remove:
            _put(nodes, planting, target + inside[len(path) :], node)
    return target


def _make(nodes: dict[str, Node], planting: Planting, path: str, change: Change) -> None:
    """Make what a change makes, in the place of whatever is there."""
    mtime_ns = planting.time_of(path)
    if change.folder is not None:
        made = Node(Kind.DIRECTORY, mtime_ns, FOLDER_MODE)
    elif change.link is not None:
        made = Node(Kind.LINK, mtime_ns, content=to_bytes(change.link))
    elif change.copy_of is not None:
        if change.copy_of not in nodes:
            raise ValueError(f"{shown(change.copy_of)} is not there to be copied")
        made = Node(Kind.FILE, mtime_ns, content=nodes[change.copy_of].content)
    elif change.hex is not None or change.text is not None:
        made = Node(Kind.FILE, mtime_ns, content=_filled(change), reserve=change.reserve or 0)
    else:
        return
    for inside in _at_or_below(nodes, path):
        del nodes[inside]
    _put(nodes, planting, path, made)
    for name, text in (change.folder or {}).items():
        _put(nodes, planting, f"{path}/{name}", Node(Kind.FILE, mtime_ns, content=text.encode()))


def _put(nodes: dict[str, Node], planting: Planting, path: str, node: Node) -> None:
    """Put a node, and the folders above it where they are not there."""
    if path in nodes:
        raise ValueError(f"{shown(path)} is already there")
    above = parent_of(path)
    if above and above not in nodes:
        _put(nodes, planting, above, Node(Kind.DIRECTORY, planting.time_of(above), FOLDER_MODE))
    if above and nodes[above].kind is not Kind.DIRECTORY:
        raise ValueError(f"{shown(above)} is not a folder")
    nodes[path] = node


def _filled(change: Change) -> bytes:
    lead, unit = change.hex or b"", (change.text or "").encode()
    if change.fill_to is None:
        return lead + unit
    unit = unit or b"\0"
    return (lead + unit * (change.fill_to // len(unit) + 1))[: change.fill_to]


def _edited(node: Node, change: Change) -> bytes:
    """Return a node's content after a change; an edit that changes nothing is a mistake in the table."""
    data = bytearray(node.content)
    if change.replace is not None:
        find, put = (text.encode() for text in change.replace)
        data = data.replace(find, put)
    if change.append is not None:
        data += change.append.encode()
    if change.truncate is not None:
        del data[change.truncate :]
    if change.zero is not None:
        start, length = change.zero
        data[start : start + length] = bytes(len(data[start : start + length]))
    if change.flip_bit is not None:
        at, bit = divmod(change.flip_bit, 8)
        data[at : at + 1] = bytes(byte ^ 1 << bit for byte in data[at : at + 1])
    asked = (change.replace, change.append, change.truncate, change.zero, change.flip_bit)
    if any(edit is not None for edit in asked) and (node.kind is not Kind.FILE or data == node.content):
        raise ValueError("its content does not change")
    return bytes(data)


def _at_or_below(nodes: dict[str, Node], path: str) -> list[str]:
    return [inside for inside in nodes if inside == path or inside.startswith(f"{path}/")]
