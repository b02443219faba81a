"""What a job names, tried: are the roots there, can the evidence be written, can somebody be told?

Nothing is sent, nothing is left behind, and nothing of an address is shown.
"""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from itertools import combinations
from typing import TYPE_CHECKING, Final

from verifier import clock
from verifier.classes import Phase, Side
from verifier.decisions.carrying import record_in
from verifier.errors import RootUnavailable, VerifierError
from verifier.job.address import addresses
from verifier.job.fstab import FSTAB, not_mounted
from verifier.job.sending import INSTALL, can_send, fault_of
from verifier.manifest.database import named
from verifier.manifest.store import Manifest
from verifier.report.amounts import size_text
from verifier.rules.load import load_rules
from verifier.scan.guard import look_at
from verifier.sides import algorithm_of, check_map_labels, look_at_sides
from verifier.tree.names import shown
from verifier.tree.trouble import errno_name
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from verifier.job.job import Job, Notifying
    from verifier.tree.share import Share

LITTLE_SPACE_BYTES: Final = 10**9
"""Less than this is little: two manifests take about 400 bytes for each entry of a side (measured), every night."""
_CLOCK_SLACK_S: Final = 60.0


class State(StrEnum):
    """What trying something came to."""

    OK = "ok"
    WARNING = "warning"
    """It can be used, and may not be what was meant."""
    WRONG = "wrong"
    """It cannot be used."""


@dataclass(frozen=True, slots=True)
class Tried:
    """One thing that was tried."""

    what: str
    """In the words of the job file: ``new.roots``, ``evidence.folder``."""
    state: State
    detail: str
    """One line."""

    def __str__(self) -> str:
        return f"{self.state:<8}{self.what:<18}{self.detail}"


def try_job(job: Job, phase: Phase | None = None) -> list[Tried]:
    """Try everything that a job names, and return what came of it, in the order of the job file.

    Args:
        job: The job.
        phase: The phase it is in; None takes the one in which it begins. The old side of a retired job is left alone.
    """
    sides, shares = _sides(job, phase or job.phase)
    return [
        *sides,
        _rules(job),
        *_gates(job),
        _evidence(job.evidence, shares),
        *_accepted(job),
        *_notify(job.notify),
        _clock(job),
    ]


def _wrong(what: str, error: Exception) -> Tried:
    return Tried(what, State.WRONG, str(error))


def _sides(job: Job, phase: Phase) -> tuple[list[Tried], list[Share] | None]:
    """Try each root by itself, then all of them together; return the folders among them, None if a root failed."""
    old = None if job.old is None or phase is Phase.RETIRED else job.old.roots[0]
    roots = [] if old is None else [(f"{Side.OLD}.root", old)]
    roots += [(f"{Side.NEW}.roots", root) for root in job.new.roots]
    tried: list[Tried] = []
    shares: list[Share] = []
    for what, root in roots:
        try:
            tried.append(_manifest(what, root) if _is_file(root) else _folder(what, root, shares))
        except (VerifierError, OSError) as error:
            tried.append(_wrong(what, error))
    if any(one.state is State.WRONG for one in tried):
        return tried, None
    try:
        tried.append(Tried("sides", State.OK, _together(job, old, shares)))
    except VerifierError as error:
        tried.append(_wrong("sides", error))
    return tried, shares


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # it may not be looked at: look_at says so
        return False


def _manifest(what: str, path: Path) -> Tried:
    with Manifest.open(path) as manifest:
        facts = manifest.facts()
    if facts.get("complete") != "1":
        return Tried(what, State.WRONG, f"{named(path)} is a manifest of a scan that did not finish; finish the scan")
    return Tried(what, State.OK, f"{named(path)}, a manifest of {shown(facts.get('root', ''))}")


def _folder(what: str, path: Path, shares: list[Share]) -> Tried:
    share = look_at(path)
    if share.is_empty():
        raise RootUnavailable(f"{share.named} is an empty folder", "is the share mounted?")
    shares.append(share)
    point = not_mounted(share.root)
    if point is not None:
        detail = f"{share.named} is there, but {named(point)} is not mounted, which {FSTAB} names; mount it"
        return Tried(what, State.WARNING, detail)
    where = " from ".join(filter(None, (share.type_name, share.mount_source)))
    return Tried(what, State.OK, f"{share.named}, on {where}")


def _together(job: Job, old: Path | None, shares: Sequence[Share]) -> str:
    if old is None:
        for one, other in combinations(shares, 2):
            if one.contains(other.root) or other.contains(one.root):
                raise RootUnavailable(
                    f"{one.named} and {other.named} hold the same files",
                    "name folders of which neither holds the other",
                )
        return "the old side is gone: the new one is held against its own last manifest"
    given = look_at_sides(old, job.new.roots)
    check_map_labels(job.maps, given)
    algorithm = algorithm_of(job.scan.algorithm, given)
    return f"none holds another; digests are {algorithm}"


def _rules(job: Job) -> Tried:
    try:
        rules = load_rules(job.rules)
    except VerifierError as error:
        return _wrong("rules.files", error)
    files = ", ".join(map(shown, rules.files))
    return Tried("rules.files", State.OK, f"{count_of(len(rules.rules), 'rule', 'rules')} from {files}")


def _gates(job: Job) -> list[Tried]:
    tried = []
    for key, instant in (("frozen_at", job.frozen_at), ("live_since", job.live_since)):
        if instant is not None:
            later = instant > clock.now()
            detail = f"{instant.isoformat()}{' is in the future: until then it excuses nothing' if later else ''}"
            tried.append(Tried(f"gates.{key}", State.WARNING if later else State.OK, detail))
    return tried


def _evidence(folder: Path, shares: Sequence[Share] | None) -> Tried:
    what = "evidence.folder"
    for share in shares or ():
        if share.contains(folder):
            detail = f"{named(folder)} lies inside {share.named}, and nothing is ever written into a tree"
            return Tried(what, State.WRONG, f"{detail}; put it somewhere else")
    try:
        place = next(step for step in (folder, *folder.parents) if os.path.lexists(step))
        if not place.is_dir():
            return Tried(what, State.WRONG, f"{named(place)} is not a folder; name another")
        _try_to_write(place, certain=shares is not None)
        free = shutil.disk_usage(place).free
    except OSError as error:
        return Tried(what, State.WRONG, f"{named(folder)} cannot be written ({errno_name(error)}); name another")
    detail = f"{named(folder)} {'is there' if place == folder else 'can be made'}, {size_text(free)} free"
    if free < LITTLE_SPACE_BYTES:
        return Tried(what, State.WARNING, f"{detail}: two manifests take about 0.4 kB for each file, every night")
    return Tried(what, State.OK, detail)


def _try_to_write(place: Path, *, certain: bool) -> None:
    """Write a file without a name, of which nothing stays, not even the folder's new time (open(2), O_TMPFILE).

    Args:
        place: The folder.
        certain: That it is in none of the trees; else only the permissions are asked.

    Raises:
        OSError: If it cannot be written there.
    """
    if not certain:
        if not os.access(place, os.W_OK | os.X_OK, effective_ids=os.access in os.supports_effective_ids):
            raise PermissionError(errno.EACCES, "may not be written")
        return
    with tempfile.TemporaryFile(dir=place) as file:
        file.write(b"\0" * 4096)
        file.flush()
        os.fsync(file.fileno())


def _accepted(job: Job) -> list[Tried]:
    what = "evidence.accepted"
    if job.accepted is None:
        return []
    try:
        return [Tried(what, State.OK, f"{named(record_in(job.accepted))} is a record of accepted findings")]
    except (VerifierError, OSError) as error:
        return [_wrong(what, error)]


def _notify(notify: Notifying) -> list[Tried]:
    if not notify.on:
        return [Tried("notify.on", State.WARNING, "is empty: nobody is told")]
    what = "notify.urls_env" if notify.urls_env else "notify.urls_file"
    try:
        found = [secret.reveal() for secret in addresses(notify)]
    except VerifierError as error:
        return [_wrong(what, error)]
    if not can_send():
        return [Tried(what, State.WRONG, f"messages cannot be sent, because apprise is not installed; {INSTALL}")]
    tried = []
    for number, address in enumerate(found, 1):
        if fault := fault_of(address):
            tried.append(Tried(what, State.WRONG, f"address {number} of {len(found)} {fault}"))
    return tried or [Tried(what, State.OK, f"{count_of(len(found), 'address', 'addresses')}; nothing was sent")]


def _clock(job: Job) -> Tried:
    now = clock.now()
    local = now.astimezone()
    detail = f"it is {local:%Y-%m-%d %H:%M} {local.tzname()} (UTC{local:%z}) here"
    try:
        written = datetime.fromtimestamp(job.path.stat().st_mtime, UTC)
    except (OSError, OverflowError, ValueError):
        return Tried("clock", State.OK, detail)
    if (written - now).total_seconds() > _CLOCK_SLACK_S:
        return Tried("clock", State.WARNING, f"{detail}, and the job file is from later: is the clock right?")
    return Tried("clock", State.OK, detail)
