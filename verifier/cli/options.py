"""Options that several commands share, and how their texts are read."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, TypeVar

import typer

from verifier.amount import MOST_BYTES, MOST_SECONDS, seconds_of, size_of
from verifier.classes import Field
from verifier.errors import UsageProblem
from verifier.tree.digests import Algorithm
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verifier.reconcile.options import PlaceMap
    from verifier.sampling import Asked
    from verifier.scan.plan import Reread


def read_path(text: str) -> Path:
    """Return a path from the command line.

    Raises:
        UsageProblem: If it is empty, as an unset variable in a script is: that is not the current folder.
    """
    if not text:
        raise UsageProblem("a path is empty", "give every path; is a variable in a script not set?")
    return Path(text)


SEVERAL_ROOTS: Final = (
    "Several, where one old share was split: together they are one tree, in which each is a folder called by its "
    "label, the last component of its path (a manifest's is that of the root it was made of), with -2, -3 added where "
    "two are called the same."
)
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
Sample = Annotated[
    str | None,
    typer.Option(
        "--sample",
        metavar="N|PERCENT",
        help="An early answer: list both sides, then read so many files, drawn at random, and at least one of every "
        "top folder and size class; say how many can differ at most. Unless that is all of them, such a run never "
        "proves a copy. Example: --sample 3000, or --sample 0.5%",
    ),
]
Seed = Annotated[
    int | None,
    typer.Option(
        "--seed",
        metavar="N",
        min=0,
        max=2**53 - 1,
        help="With --sample: draw the sample that belongs to this number. Default: another number each time, which "
        "summary.json names. Example: --seed 7",
    ),
]
Readers = Annotated[
    str,
    typer.Option(
        "--readers",
        metavar="N|auto",
        help="Files read at the same time on each device, 1 to 64. auto begins low and tries what is fastest.",
    ),
]
LimitRate = Annotated[
    str | None,
    typer.Option(
        "--limit-rate",
        metavar="RATE",
        help="Read at most so much a second on each side, all readers together. Example: --limit-rate 150MB/s",
    ),
]
Idle = Annotated[
    bool, typer.Option("--idle", help="Lowest priority of processor and disk, so that others hardly notice.")
]
Cold = Annotated[
    bool,
    typer.Option(
        "--cold",
        help="Have the system drop a file's pages from this machine's memory before it is read, and report whether "
        "they were gone.",
    ),
]
_REUSE = (
    "An earlier, complete manifest of the same root: what has not changed since by size, times and inode is carried "
    "over instead of read."
)
Reuse = Annotated[Path | None, typer.Option("--reuse", parser=read_path, metavar="MANIFEST", help=_REUSE)]
ReuseAll = Annotated[
    list[Path] | None,
    typer.Option("--reuse", parser=read_path, metavar="MANIFEST", help=f"{_REUSE} Repeatable, once for each root."),
]
RereadWhich = Annotated[
    str | None,
    typer.Option(
        "--reread",
        metavar="all|never|AGE",
        help="With --reuse: read unchanged files again, too: all, none (default), or those that were last read longer "
        "ago than AGE, the longest unread first. Example: --reread 30d",
    ),
]
RereadBudget = Annotated[
    str | None,
    typer.Option(
        "--reread-budget",
        metavar="BYTES|DURATION",
        help="Read at most so much again, or for so long. Example: --reread-budget 500GB, or 4h",
    ),
]
StallAfter = Annotated[
    str,
    typer.Option(
        "--stall-after",
        metavar="DURATION",
        help="A read that has not moved for so long is reported by name and given up.",
    ),
]
ProgressJson = Annotated[
    Path | None,
    typer.Option(
        "--progress-json",
        parser=read_path,
        metavar="FILE",
        help="Append a JSON object a second that says how far each side is, for other programs.",
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
        help="What lay below OLD_PREFIX is expected below NEW_PREFIX, which begins with a label where there are "
        "several NEW. Repeatable; the longest prefix wins. Example: --map scans=archive/scans",
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
Compare = Annotated[
    list[Field] | None,
    typer.Option(
        "--compare",
        help="Compare this metadata field although a side may make it up, or although it is only counted otherwise. "
        "Repeatable. Example: --compare directory-mtime",
    ),
]
Ignore = Annotated[
    list[Field] | None,
    typer.Option("--ignore", help="Leave this metadata field out. Repeatable. Content is never left out."),
]
Accepted = Annotated[
    Path | None,
    typer.Option(
        "--accepted",
        parser=read_path,
        metavar="FILE",
        help="Take along what was accepted by name (verifier accept) after an earlier check of the same sides: its "
        "evidence folder, or the exceptions.sqlite in it. What is new, or changed since, is not covered. "
        "Example: --accepted proof-2026-11",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress on standard error.")]
Replace = Annotated[
    bool,
    typer.Option(
        "--replace",
        help="Discard what a finished check left in the evidence folder; never what somebody accepted by name there.",
    ),
]

MAX_READERS: Final = 64


def read_size(option: str, text: str) -> int | None:
    """Return a number of bytes; None where the text does not look like one.

    Raises:
        UsageProblem: If it is zero.
    """
    size = size_of(text)
    if size is None:
        return None
    if size > MOST_BYTES:
        raise UsageProblem(f"{option} {shown(text)[:40]!r} is more than any disk holds", "give less")
    return _not_zero(option, text, size)


def read_duration(option: str, text: str) -> float | None:
    """Return seconds; None where the text does not look like a duration.

    Raises:
        UsageProblem: If it is zero.
    """
    seconds = seconds_of(text)
    if seconds is None:
        return None
    if seconds > MOST_SECONDS:
        raise UsageProblem(f"{option} {shown(text)[:40]!r} is longer than a century", "give less")
    return _not_zero(option, text, seconds)


_N = TypeVar("_N", int, float)


def _not_zero(option: str, text: str, value: _N) -> _N:
    if value <= 0:
        raise UsageProblem(f"{option} {text!r} is nothing", "leave the option out, or give more")
    return value


def read_rate(text: str | None) -> int | None:
    """Return a rate in bytes a second; None where none was given.

    Raises:
        UsageProblem: If it is no rate.
    """
    if text is None:
        return None
    rate = read_size("--limit-rate", text.removesuffix("/s"))
    if rate is None:
        raise UsageProblem(f"--limit-rate {text!r} is not a rate", "write it like 150MB/s or 100MiB/s")
    return rate


def read_stall(text: str) -> float:
    """Return after how many seconds a read hangs.

    Raises:
        UsageProblem: If it is no duration.
    """
    seconds = read_duration("--stall-after", text)
    if seconds is None:
        raise UsageProblem(f"--stall-after {text!r} is not a duration", "write it like 60s or 5min")
    return seconds


def read_reread(policy: str | None, budget: str | None, *, reuses: bool) -> Reread:
    """Return which unchanged files are read again.

    Raises:
        UsageProblem: If a text cannot be read, or nothing is reused.
    """
    from verifier.scan.plan import Reread

    if (policy or budget) and not reuses:
        option = "--reread" if policy else "--reread-budget"
        raise UsageProblem(f"{option} says what to read again, and nothing is reused", "give --reuse MANIFEST, too")
    older: timedelta | None = None
    if policy == "all" or (policy is None and budget is not None):
        older = timedelta(0)
    elif policy not in (None, "never"):
        seconds = read_duration("--reread", policy)
        if seconds is None:
            raise UsageProblem(f"--reread {policy!r} is not known", "write all, never, or an age like 30d")
        older = timedelta(seconds=seconds)
    if budget is None:
        return Reread(older)
    if older is None:
        raise UsageProblem("--reread never leaves nothing to spend --reread-budget on", "leave one of them out")
    size, duration = read_size("--reread-budget", budget), read_duration("--reread-budget", budget)
    if size is None and duration is None:
        raise UsageProblem(f"--reread-budget {budget!r} is not known", "write bytes like 500GB, or a duration like 4h")
    return Reread(older, size, duration)


def read_sample(text: str | None) -> Asked | None:
    """Return how large a sample is to be; None where none was asked for.

    Raises:
        UsageProblem: If the text is no number of files and no share of them.
    """
    from verifier.sampling import Asked

    return None if text is None else Asked.parse(text)


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


def refuse_in_trees(option: str, path: Path | None, roots: Sequence[Path]) -> None:
    """Refuse a file that would be written into a tree.

    Raises:
        UsageProblem: If it would.
        RootUnavailable: If a root is not there.
    """
    from verifier.scan.guard import look_at

    if path is None:
        return
    for root in roots:
        share = look_at(root)
        if share.contains(path.parent):
            raise UsageProblem(
                f"{option} {shown(str(path))} lies inside {share.named}, and nothing is ever written into a tree",
                "put it somewhere else",
            )


def read_maps(texts: list[str] | None) -> tuple[PlaceMap, ...]:
    """Return the maps in the order they were given.

    Raises:
        UsageProblem: If one cannot be read.
    """
    from verifier.reconcile.options import PlaceMap

    return tuple(PlaceMap.parse(text) for text in texts or ())
