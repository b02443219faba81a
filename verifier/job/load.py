"""A job file into a job."""

from __future__ import annotations

import io
import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from verifier.errors import JobFileError, UsageProblem
from verifier.job.job import Job, JobSide, Keeping, Notifying, Scanning, Window
from verifier.job.shape import JobShape
from verifier.manifest.database import named
from verifier.reconcile.options import PlaceMap, check_fields, check_maps
from verifier.toml import parsed, place, validated

if TYPE_CHECKING:
    from collections.abc import Iterator

LARGEST_BYTES: Final = 1024 * 1024
"""A job file of more is none; this one would be read whole."""
ADDRESS: Final = "://"
"""What every address has, and no path needs."""


def load_job(path: Path) -> Job:
    """Read a job file.

    Raises:
        JobFileError: If it cannot be read or does not validate; it names file, key, fault and what is allowed.
    """
    to_do = "name a readable TOML file"
    try:
        regular = stat.S_ISREG(path.stat().st_mode)
        with path.open("rb") if regular else io.BytesIO() as file:  # a pipe would be waited for
            content = file.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a name with a NUL
        reason = getattr(error, "strerror", "") or type(error).__name__
        raise JobFileError(f"job file {named(path)} cannot be read: {reason}", to_do) from error
    if not regular:
        raise JobFileError(f"job file {named(path)} is not a file", to_do)
    if len(content) > LARGEST_BYTES:
        raise JobFileError(f"{named(path)} has more than 1 MiB, too much for a job file", "name another file")
    return read_job(path, content)


def read_job(path: Path, content: bytes) -> Job:
    """Build a job from a job file's content.

    Args:
        path: Where the file is, or will be; relative paths in it are relative to its folder.
        content: Its bytes.

    Raises:
        JobFileError: If it does not validate.
    """
    path = path.absolute()
    label = named(path)
    written = parsed(label, content, "job file", JobFileError)
    _refuse_addresses(label, written)
    shape = validated(JobShape, label, written, JobFileError)
    job = _job(path, shape)
    try:
        check_maps(job.maps)
        check_fields(job.compare, job.ignore)
    except UsageProblem as error:
        raise JobFileError(f"{label}: {error.what}", error.hint) from error
    _refuse_in_trees(label, job)
    return job


def _job(path: Path, shape: JobShape) -> Job:
    folder = path.parent
    old, scan, keep, notify = shape.old, shape.scan, shape.keep, shape.notify
    return Job(
        path=path,
        name=shape.name,
        phase=shape.phase,
        old=None if old is None else JobSide((folder / old.root,), old.label),
        new=JobSide(tuple(folder / root for root in shape.new.roots), shape.new.label),
        evidence=folder / shape.evidence.folder,
        maps=tuple(PlaceMap(one.old, one.new) for one in shape.maps),
        rules=tuple(folder / file for file in shape.rules.files),
        compare=shape.rules.compare,
        ignore=shape.rules.ignore,
        frozen_at=shape.gates.frozen_at,
        live_since=shape.gates.live_since,
        accepted=None if shape.evidence.accepted is None else folder / shape.evidence.accepted,
        scan=Scanning(
            algorithm=scan.algorithm,
            readers=scan.readers,
            limit_rate=scan.limit_rate,
            idle=scan.idle,
            cold=scan.cold,
            cross_mounts=scan.cross_mounts,
            stall_after_s=scan.stall_after,
            reread_s=scan.reread,
        ),
        window=Window(shape.window.until, shape.window.at_most),
        keep=Keeping(keep.every, keep.weekly, keep.monthly),
        notify=Notifying(notify.on, notify.urls_env, None if notify.urls_file is None else folder / notify.urls_file),
    )


def _refuse_addresses(label: str, written: dict[str, Any]) -> None:
    """Refuse an address anywhere in the file, before anything else could repeat it in a message."""
    for location, text in _texts_in(written):
        if ADDRESS not in text:
            continue
        where = f"{place(written, location)}: " if location else ""
        if location and location[0] in ("old", "new", "map", "evidence", "rules"):
            raise JobFileError(
                f"{label}: {where}an address, not a place on this machine", "mount the share, and name its folder"
            )
        raise JobFileError(
            f"{label}: {where}an address holds a secret, and a job file is for everybody to read",
            "keep it where notify.urls_env or notify.urls_file says",
        )


def _texts_in(written: dict[str, Any]) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Yield each text of a file, keys among them, and where it is: the table, its number among several, the key.

    A key comes before what stands under it. Not by recursion: tables may be nested more deeply than that can go.
    """
    waiting: list[tuple[tuple[str | int, ...], object]] = [((), written)]
    while waiting:
        location, value = waiting.pop()
        if isinstance(value, str):
            yield location, value
        elif isinstance(value, dict):
            for key, below in value.items():
                yield location, key
                waiting.append(((*location, key) if len(location) < 3 else location, below))
        elif isinstance(value, list):
            tables = len(location) == 1 and all(isinstance(one, dict) for one in value)
            waiting.extend(((*location, n) if tables else location, below) for n, below in enumerate(value))


def _refuse_in_trees(label: str, job: Job) -> None:
    """Refuse evidence inside a root as far as the names say so; nothing on the disk is looked at."""
    evidence = _plain(job.evidence)
    for side in (job.old, job.new):
        for root in () if side is None else side.roots:
            if evidence.is_relative_to(_plain(root)):
                raise JobFileError(
                    f"{label}: evidence.folder: {named(evidence)} lies inside {named(root)}, and nothing is ever "
                    "written into a tree",
                    "put it somewhere else",
                )


def _plain(path: Path) -> Path:
    return Path(os.path.normpath(path))
