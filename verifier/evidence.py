"""An evidence folder: what its files are called, who may write in it, and how a file in it is replaced."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Final

from blake3 import blake3
from filelock import FileLock, Timeout

from verifier.classes import Side
from verifier.errors import CannotRun, EvidenceUnwritable
from verifier.manifest.database import named

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path
    from typing import TextIO

MANIFEST_FILES: Final = {side: f"{side}.manifest.sqlite" for side in Side}
FINDINGS_FILE: Final = "findings.sqlite"
EXCEPTIONS_FILE: Final = "exceptions.sqlite"
"""What somebody accepted by name (`verifier.decisions.exceptions`)."""
PAGE_FILE: Final = "report.html"
SUMMARY_FILE: Final = "summary.json"
TICKET_FILE: Final = "summary.md"
TABLE_FILE: Final = "differences.csv"
REPORT_FILES: Final = (PAGE_FILE, SUMMARY_FILE, TICKET_FILE, TABLE_FILE)
"""What is written from the rest, and can be written again."""
SIGNOFF_FILE: Final = "signoff.json"
SIGNATURE_FILE: Final = "signoff.json.sig"
LOCK_FILE: Final = ".lock"
STAGING: Final = ".signing"
"""A folder in which files of a sign-off are made, before they are put in place."""
_ROOM: Final = "free some space there, or put the evidence elsewhere"
_BLOCK_BYTES: Final = 4 * 1024 * 1024


def manifest_file(side: Side, number: int = 0) -> str:
    """Return what the manifest of a side is called, or of one of its several roots, counted from 1."""
    return f"{side}-{number}.manifest.sqlite" if number else MANIFEST_FILES[side]


def file_digest(path: Path) -> blake3:
    """Return BLAKE3 over a file's bytes, in constant memory.

    Raises:
        OSError: If it cannot be read.
    """
    whole = blake3()  # alone: its own threads would be lacking in a process that is forked later
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            whole.update(block)
    return whole


@contextmanager
def held(evidence: Path) -> Iterator[None]:
    """Make an evidence folder if it is not there, and hold it against other runs; the lock ends with this process.

    Raises:
        EvidenceUnwritable: If another run holds it, or it cannot be made or written.
    """
    try:
        evidence.mkdir(parents=True, exist_ok=True)
        lock = FileLock(evidence / LOCK_FILE, timeout=0)
        lock.acquire()
    except Timeout as error:
        raise EvidenceUnwritable(f"{named(evidence)} is held by another run", "wait for it, or name another") from error
    except OSError as error:
        raise EvidenceUnwritable(f"{named(evidence)} cannot be made ({error.strerror})", "name another") from error
    try:
        yield
    finally:
        with suppress(PermissionError):  # Windows removes no open file; what is left of the lock then stands in no way
            (evidence / LOCK_FILE).unlink(missing_ok=True)
        lock.release()


@contextmanager
def made_aside(path: Path) -> Iterator[Path]:
    """Give a free name under which a file can be made; when the block ends well it is put in place, on the disk.

    Raises:
        EvidenceUnwritable: If it cannot be written; what was there before stays.
    """
    temporary = path.with_name(f".{path.name}.part")
    try:
        temporary.unlink(missing_ok=True)
        yield temporary
        with temporary.open("rb+") as file:
            os.fsync(file.fileno())
        temporary.replace(path)
    except CannotRun:
        raise  # an OSError, too, and it says itself what could not be done
    except OSError as error:
        raise EvidenceUnwritable(f"{named(path)} cannot be written ({error.strerror})", _ROOM) from error
    finally:
        temporary.unlink(missing_ok=True)


@contextmanager
def replacing(path: Path) -> Iterator[TextIO]:
    """Write a text file aside and put it in place when it is whole; see `made_aside`."""
    with made_aside(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as file:
        yield file


@contextmanager
def staging(evidence: Path) -> Iterator[Path]:
    """Give an empty folder inside an evidence folder, for files that are put in place together; removed at the end.

    Args:
        evidence: The evidence folder; whoever calls holds it.

    Raises:
        EvidenceUnwritable: If it cannot be made.
    """
    place = evidence / STAGING
    clear_staging(evidence)
    try:
        place.mkdir()
    except OSError as error:
        raise EvidenceUnwritable(f"{named(place)} cannot be made ({error.strerror})", _ROOM) from error
    try:
        yield place
    finally:
        clear_staging(evidence)


def clear_staging(evidence: Path) -> None:
    """Remove what a run that was ended left of `staging`.

    Raises:
        EvidenceUnwritable: If something else is in its place.
    """
    try:
        shutil.rmtree(evidence / STAGING)
    except FileNotFoundError:
        return
    except OSError as error:  # rmtree follows no link
        raise EvidenceUnwritable(
            f"{named(evidence / STAGING)} cannot be removed ({error.strerror or error})", "move it away"
        ) from error


def put_in_place(staged: Path, evidence: Path, names: Iterable[str]) -> None:
    """Move finished files into an evidence folder one by one, each only when the one before it is there for good.

    Raises:
        EvidenceUnwritable: If one cannot be moved; those before it are in place.
    """
    for name in names:
        try:
            with (staged / name).open("rb+") as file:
                os.fsync(file.fileno())
            (staged / name).replace(evidence / name)
            settle(evidence)
        except OSError as error:
            raise EvidenceUnwritable(f"{named(evidence / name)} cannot be written ({error.strerror})", _ROOM) from error


def settle(folder: Path) -> None:
    """Have the system write down which names a folder holds, where it can be asked to.

    Raises:
        OSError: If the folder cannot be opened.
    """
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # some file systems have no such call
            os.fsync(descriptor)
    finally:
        os.close(descriptor)
