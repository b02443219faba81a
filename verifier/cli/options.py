"""Options that several commands share, and how their texts are read."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from verifier.errors import UsageProblem
from verifier.tree.digests import Algorithm

if TYPE_CHECKING:
    from verifier.reconcile.options import PlaceMap


def read_path(text: str) -> Path:
    """Return a path from the command line.

    Raises:
        UsageProblem: If it is empty, as an unset variable in a script is: that is not the current folder.
    """
    if not text:
        raise UsageProblem("a path is empty", "give every path; is a variable in a script not set?")
    return Path(text)


Evidence = Annotated[
    Path,
    typer.Option(
        "--evidence",
        parser=read_path,
        metavar="DIR",
        help="Folder for everything that is written; new or empty, outside both trees. "
        "Example: --evidence proof-2026-11",
    ),
]
AlgorithmChoice = Annotated[
    Algorithm | None,
    typer.Option(
        "--algorithm",
        help="Digest of the content. Default: that of a given manifest, else blake3. sha256 where a FIPS hash is "
        "required; xxh3-128 is fast and finds faults, not forgeries.",
    ),
]
ListingOnly = Annotated[
    bool,
    typer.Option("--listing-only", help="Compare names and sizes, read no content. Such a run never proves a copy."),
]
Readers = Annotated[
    str,
    typer.Option(
        "--readers",
        metavar="N|auto",
        help="Files read at the same time on each side, 1 to 64. A single spinning disk is fastest with 1.",
    ),
]
CrossMounts = Annotated[
    bool,
    typer.Option("--cross-mounts", help="Enter other file systems that are mounted inside a tree."),
]
RuleFiles = Annotated[
    list[Path] | None,
    typer.Option(
        "--rules",
        parser=read_path,
        metavar="FILE",
        help="Rule file (TOML) that adds to or overrides the rules that ship. Repeatable; later files win.",
    ),
]
Maps = Annotated[
    list[str] | None,
    typer.Option(
        "--map",
        metavar="OLD_PREFIX=NEW_PREFIX",
        help="What lay below OLD_PREFIX is expected below NEW_PREFIX. Repeatable; the longest prefix wins. "
        "Example: --map scans=archive/scans",
    ),
]
FrozenAt = Annotated[
    str | None,
    typer.Option(
        "--frozen-at",
        metavar="TIME",
        help="When the old side was frozen or its snapshot taken (ISO 8601): later changes there are drift, still to "
        "be copied. Example: --frozen-at 2026-11-21T22:00+01:00",
    ),
]
LiveSince = Annotated[
    str | None,
    typer.Option(
        "--live-since",
        metavar="TIME",
        help="When people began to work on the new side (ISO 8601): later changes there are drift, expected.",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress on standard error.")]
Replace = Annotated[bool, typer.Option("--replace", help="Discard what a finished check left in the evidence folder.")]

MAX_READERS: Final = 64


def read_readers(text: str) -> int | None:
    """Return the number of readers; None for ``auto``.

    Raises:
        UsageProblem: If it is neither ``auto`` nor a number from 1 to `MAX_READERS`.
    """
    if text == "auto":
        return None
    if text.isdecimal() and 1 <= int(text) <= MAX_READERS:
        return int(text)
    raise UsageProblem(f"--readers {text!r} is not a number of readers", f"give 1 to {MAX_READERS}, or auto")


def read_time(option: str, text: str | None) -> datetime | None:
    """Return a point in time; one without a zone is local.

    Raises:
        UsageProblem: If it is not ISO 8601.
    """
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError) as error:
        raise UsageProblem(
            f"{option} {text!r} is not a time", "write it like 2026-11-21T22:00+01:00, or without a zone for local time"
        ) from error


def read_maps(texts: list[str] | None) -> tuple[PlaceMap, ...]:
    """Return the maps in the order they were given.

    Raises:
        UsageProblem: If one cannot be read.
    """
    from verifier.reconcile.options import PlaceMap

    return tuple(PlaceMap.parse(text) for text in texts or ())
