"""Writing both sides of the sample trees to disk: `lay_out`."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.classes import Class, Side
from verifier.demo.expected import PlantedDifference, differences
from verifier.demo.planting import REINSTALL, load_planting
from verifier.demo.trees import FOLDER_MODE, Node, Tree, grow
from verifier.errors import CannotRun
from verifier.tree.entry import Kind
from verifier.tree.names import name_of, parent_of, parts_of, shown, to_text

if TYPE_CHECKING:
    from datetime import datetime


@dataclass(frozen=True, slots=True)
class DemoTrees:
    """The two trees as they lie on disk, and what a check of them must find."""

    old: Path
    """Root of the old side."""
    new: Path
    """Root of the new side."""
    frozen_at: datetime
    """The time gate of the old side."""
    live_since: datetime
    """The time gate of the new side."""
    expected: tuple[PlantedDifference, ...]
    """In order of old path, then new path. Holds for a check with both gates, while somebody is at work."""
    restless: tuple[Path, ...]
    """The files in which `somebody_at_work` works."""


def sample_trees_folder() -> Path:
    """Return where the sample trees are: inside an installed package, else beside the package in a checkout.

    Raises:
        CannotRun: If they are at neither place.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "sample_trees", package.parent / "sample_trees"):
        if (folder / "planting.toml").is_file():
            return folder
    raise CannotRun("the sample trees are not there", REINSTALL)


def lay_out(scratch: Path, samples: Path | None = None) -> DemoTrees:
    """Write both trees below a folder, as ``old`` and ``new``.

    Args:
        scratch: Where to; made if it is not there. Its file system has to hold links and every name.
        samples: The folder with ``old`` and ``planting.toml``; by default the shipped one.

    Raises:
        CannotRun: If the sample trees are not there or not sound, or ``scratch`` cannot hold them.
    """
    samples = sample_trees_folder() if samples is None else samples
    planting = load_planting(samples / "planting.toml")
    sides = grow(samples / "old", planting)
    roots = {side: scratch / side.value for side in Side}
    for side in Side:
        _write(roots[side], sides[side], planting.times[""])
    return DemoTrees(
        roots[Side.OLD],
        roots[Side.NEW],
        planting.frozen_at,
        planting.live_since,
        tuple(_for_this_user(difference, roots) for difference in differences(planting, sides)),
        tuple(
            roots[plant.restless].joinpath(*parts_of(sides[plant.restless].places[plant.path]))
            for plant in planting.plants
            if plant.restless is not None
        ),
    )


def _for_this_user(difference: PlantedDifference, roots: dict[Side, Path]) -> PlantedDifference:
    """Return what is found where nobody was to be able to read something, but whoever runs this may."""
    if difference.cls is not Class.UNREADABLE:
        return difference
    places = ((roots[Side.OLD], difference.old_path), (roots[Side.NEW], difference.new_path))
    if not all(_readable(root.joinpath(*parts_of(path))) for root, path in places if path is not None):
        return replace(difference, fields=())
    assert difference.plant.if_readable is not None
    return replace(difference, cls=difference.plant.if_readable)


def _readable(path: Path) -> bool:
    # Tried, not asked: root may lack the capability to read everything, and others may have it.
    try:
        path.open("rb").close()
    except OSError:
        return False
    return True


def _write(root: Path, tree: Tree, root_mtime_ns: int) -> None:
    try:
        root.mkdir(parents=True)
    except FileExistsError as error:
        raise CannotRun(f"{_named(root)} is already there", "choose an empty scratch folder") from error
    except OSError as error:
        reason = f"{_named(root)} cannot be made ({error.strerror})"
        raise CannotRun(reason, "choose another scratch folder") from error
    for path in sorted(tree.nodes):
        try:
            _write_node(root.joinpath(*parts_of(path)), tree.nodes[path])
        except (OSError, ValueError, NotImplementedError) as error:
            raise _cannot_hold(root, path, error) from error
    _check_names(root, tree)
    # Children before their folders: whatever is made in a folder afterwards would move its time.
    for path in sorted(tree.nodes, reverse=True):
        try:
            _set_metadata(root.joinpath(*parts_of(path)), tree.nodes[path])
        except (OSError, NotImplementedError) as error:
            raise _cannot_hold(root, path, error) from error
    _set_metadata(root, Node(Kind.DIRECTORY, root_mtime_ns, FOLDER_MODE))


def _write_node(where: Path, node: Node) -> None:
    if node.kind is Kind.DIRECTORY:
        where.mkdir()
    elif node.kind is Kind.LINK:
        where.symlink_to(os.fsdecode(node.content))
    else:
        where.write_bytes(node.content)
        if node.size > len(node.content):
            os.truncate(where, node.size)


def _set_metadata(where: Path, node: Node) -> None:
    if node.kind is not Kind.LINK:
        where.chmod(node.mode)
    os.utime(where, ns=(node.mtime_ns, node.mtime_ns), follow_symlinks=False)


def _check_names(root: Path, tree: Tree) -> None:
    """Find a name that the file system took and wrote differently, as HFS+ does with composed letters."""
    on_disk: dict[str, set[str]] = {}
    for path in sorted(tree.nodes):
        above = parent_of(path)
        if above not in on_disk:
            listed = root.joinpath(*parts_of(above)).iterdir()
            on_disk[above] = {to_text(os.fsencode(child.name)) for child in listed}
        if name_of(path) not in on_disk[above]:
            raise _cannot_hold(root, path, None)


def _cannot_hold(root: Path, path: str, error: Exception | None) -> CannotRun:
    reason = getattr(error, "strerror", None) or (str(error) if error else "the name became another one")
    return CannotRun(
        f"the file system of {_named(root)} cannot hold {shown(path)} ({reason})",
        "choose a scratch folder on a local disk of Linux or macOS",
    )


def _named(path: Path) -> str:
    return shown(to_text(os.fsencode(path)))
