"""Both sides of a check as they were named: one old root and one or several new ones, each a folder or a manifest."""

from __future__ import annotations

import socket
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path, PurePath, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, NamedTuple

from verifier.classes import Side
from verifier.errors import AlgorithmMismatch, RootUnavailable, UsageProblem
from verifier.manifest.database import named
from verifier.manifest.merge import ROOTS, folder_name, label_roots, root_name
from verifier.manifest.store import Manifest
from verifier.scan.guard import look_at
from verifier.scan.resume import check_reuse
from verifier.tree.digests import Algorithm
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from verifier.reconcile.options import PlaceMap
    from verifier.tree.share import Share


class Origin(NamedTuple):
    """Where a tree lies, or lay when its manifest was made."""

    host: str
    file_system: str
    mount_source: str
    root: str
    """As it is shown."""


@dataclass(frozen=True, slots=True)
class Given:
    """One root as it was named: a share to scan, or a manifest to take."""

    side: Side
    path: Path
    share: Share | None
    origin: Origin
    together: bool = False
    """Whether it is a manifest that was put together from several roots."""
    label: str = ""
    """Manifest text of the folder that it is in its side's combined tree; empty where it is the only root."""
    number: int = 0
    """Its place among several roots of its side, from 1; 0 where it is the only one."""

    @property
    def name(self) -> str:
        """What it is called while it is scanned: ``old``, ``new``, or ``new/archive``."""
        return f"{self.side}/{shown(self.label)}" if self.label else self.side.value

    @property
    def said(self) -> str:
        """What it is called in a sentence: ``the new side``, or ``the new root archive``."""
        return f"the {self.side} root {shown(self.label)}" if self.label else f"the {self.side} side"


def look_at_sides(old: Path, new: Sequence[Path]) -> list[Given]:
    """Look at all roots and return them as they are to be used, the old side's first.

    Raises:
        UsageProblem: If a file is no manifest, or one root is there twice or inside another.
        RootUnavailable: If a root is not there or is empty.
        ManifestDamaged: If a manifest is not what was written.
    """
    given = [_given(Side.OLD, old), *(_given(Side.NEW, path) for path in new)]
    if len(new) > 1:
        labels = label_roots([_called(one, path) for one, path in zip(given[1:], new, strict=True)])
        given[1:] = [
            _labelled(one, label, number) for number, (one, label) in enumerate(zip(given[1:], labels, strict=True), 1)
        ]
    _refuse_same(given)
    _refuse_empty(given)
    return given


def new_roots(given: Sequence[Given]) -> dict[str, Path]:
    """Return the trees of the new side that can be reached, by their labels; a single root's is the empty text."""
    return {one.label: one.share.root for one in given if one.side is Side.NEW and one.share is not None}


def check_map_labels(maps: Sequence[PlaceMap], given: Sequence[Given]) -> None:
    """Refuse a map to a place that none of several new roots can have.

    Raises:
        UsageProblem: If there is one.
    """
    labels = [one.label for one in given if one.label]
    for one in maps:
        if labels and one.new and one.new.split("/")[0] not in labels:
            raise UsageProblem(
                f"--map {shown(str(one))}: no new root is called {shown(one.new.split('/')[0])}",
                f"begin NEW_PREFIX with one of {', '.join(map(shown, labels))}",
            )


def _given(side: Side, path: Path) -> Given:
    if not _is_file(path):
        share = look_at(path)
        origin = Origin(socket.gethostname(), share.type_name, share.mount_source, share.named)
        return Given(side, path, share, origin)
    with Manifest.open(path) as manifest:
        manifest.check()
        facts = manifest.facts()
    origin = Origin(*(facts.get(key, "") for key in Origin._fields))
    return Given(side, path.resolve(), None, origin, together=bool(facts.get(ROOTS)))


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # it may not be looked at: Share.at says so
        return False


def _called(one: Given, path: Path) -> str:
    if one.share is None:
        return root_name(one.origin.root)
    # As it was typed; a path like `..` says nothing, so there it is what the folder is called.
    return folder_name(path if path.name not in ("", "..") else one.share.root)


def _labelled(one: Given, label: str, number: int) -> Given:
    if one.together:
        raise UsageProblem(
            f"{named(one.path)} was put together from several roots", "give the manifests of its roots instead"
        )
    return replace(one, label=label, number=number)


def _refuse_same(given: Sequence[Given]) -> None:
    """Refuse roots of which one holds another: what is there once would be counted twice."""
    for one, other in combinations(given, 2):
        across = one.side is not other.side
        if one.share is None and other.share is None and one.path == other.path:
            raise UsageProblem(
                f"{named(one.path)} is given {'as both sides' if across else 'twice'}",
                "name two different manifests or folders" if across else "name each new root once",
            )
        if one.share is not None and other.share is not None:
            _refuse_one_tree(one.share, other.share, across=across)
        elif not across:
            # A tree against its own earlier manifest is a check; the same tree twice on one side is none.
            _refuse_one_origin(one, other)


def _refuse_one_tree(one: Share, other: Share, *, across: bool) -> None:
    if (one.device, one.inode) == (other.device, other.inode):
        raise UsageProblem(
            f"{one.named} and {other.named} are the same folder",
            "name the old and the new share" if across else "name each new root once",
        )
    for outer, inner in ((one, other), (other, one)):
        if outer.contains(inner.root):
            raise UsageProblem(
                f"{inner.named} lies inside {outer.named}", "name two folders of which neither holds the other"
            )


def _refuse_one_origin(one: Given, other: Given) -> None:
    if one.origin[:-1] != other.origin[:-1] or not one.origin.root or not other.origin.root:
        return
    ours, theirs = (_path(given.origin.root) for given in (one, other))
    if ours == theirs:
        raise UsageProblem(
            f"{named(one.path)} and {named(other.path)} are of one root, {one.origin.root} on {one.origin.host}",
            "name each new root once",
        )
    for outer, inner in ((ours, theirs), (theirs, ours)):
        if inner.is_relative_to(outer):
            raise UsageProblem(
                f"{named(one.path)} and {named(other.path)}: {inner} lies inside {outer}",
                "name new roots of which none holds another",
            )


def _path(root: str) -> PurePath:
    return PurePosixPath(root) if root.startswith("/") else PureWindowsPath(root)


def _refuse_empty(given: Sequence[Given]) -> None:
    for one in given:
        if one.share is not None and one.share.is_empty():
            raise RootUnavailable(
                f"{one.said}, {one.share.named}, is an empty folder: nothing to check is not success",
                "is the share mounted?",
            )
        if one.share is None:
            with Manifest.open(one.path) as manifest:
                if manifest.totals().entries == 0:
                    raise RootUnavailable(
                        f"{one.said}'s manifest, {named(one.path)}, has no entries: nothing to check is not success",
                        "was the share mounted when it was scanned?",
                    )


def algorithm_of(wanted: Algorithm | None, given: Sequence[Given]) -> Algorithm:
    """Return the algorithm of the scan: a manifest that is given decides, since only equal ones compare.

    Args:
        wanted: What was asked for.
        given: All roots.

    Raises:
        AlgorithmMismatch: If manifests that are given do not agree, or something else was asked for.
    """
    held: dict[str, Path] = {}
    for one in given:
        if one.share is None:
            with Manifest.open(one.path) as manifest:
                held.setdefault(manifest.facts().get("algorithm", ""), one.path)
    if len(held) > 1:
        (ours, old), (theirs, new), *_ = held.items()
        raise AlgorithmMismatch(
            f"{named(old)} was made with {ours}, {named(new)} with {theirs}",
            f"scan one side again with --algorithm {ours} or {theirs}, so that both agree",
        )
    for found, path in held.items():
        if wanted is not None and found != wanted.value and len(given) > len(held):
            raise AlgorithmMismatch(
                f"{named(path)} was made with {found}, and --algorithm asks for {wanted}",
                f"leave --algorithm out to use {found}, or scan that side again with --algorithm {wanted}",
            )
        if found not in list(Algorithm):
            raise AlgorithmMismatch(f"{named(path)} was made with {found!r}, which is not known here", "scan it again")
        return Algorithm(found)
    return wanted or Algorithm.BLAKE3


def match_reused(
    reuse: Sequence[Path], given: Sequence[Given], evidence: Path, algorithm: Algorithm
) -> Mapping[str, Path]:
    """Find out which root each earlier manifest was made of, and whether it may be reused.

    Args:
        reuse: The earlier manifests.
        given: All roots.
        evidence: The folder for what is written.
        algorithm: Of the scan.

    Returns:
        The manifests by `Given.name`.

    Raises:
        UsageProblem: If one cannot be used, or none of the roots is scanned that it was made of.
    """
    found: dict[str, Path] = {}
    for path in reuse:
        if path.resolve().parent == evidence.resolve():
            raise UsageProblem(
                f"--reuse {named(path)} lies in the evidence folder, where this check writes its own",
                "name another folder for the evidence",
            )
        with Manifest.open(path) as manifest:
            facts = manifest.facts()
        root = facts.get("root")
        fitting = [one for one in given if one.share is not None and one.share.named == root]
        if facts.get(ROOTS):
            raise UsageProblem(
                f"--reuse {named(path)} was put together from several roots",
                "give the manifests of its roots, which lie beside it",
            )
        if not fitting or fitting[0].share is None:
            raise UsageProblem(
                f"--reuse {named(path)} was made of {root}, which is "
                f"{'neither side' if len(given) == 2 else 'none of the roots'}",
                "a copy has the same times and sizes and may have other bytes: reuse only a manifest of the same root",
            )
        one, share = fitting[0], fitting[0].share
        if one.name in found:
            raise UsageProblem(f"--reuse is given twice for {one.said}", "give one manifest for each root")
        check_reuse(path, share, algorithm, socket.gethostname())
        found[one.name] = path
    return found
