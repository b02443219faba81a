"""An evidence folder: what its files are called, who may write in it, and how a file in it is replaced."""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Final

from blake3 import blake3
from filelock import FileLock, Timeout

from verifier.classes import Side
from verifier.errors import EvidenceUnwritable
from verifier.manifest.database import named

if TYPE_CHECKING:
    from collections.abc import Iterator
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
_BLOCK_BYTES: Final = 4 * 1024 * 1024


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
def replacing(path: Path) -> Iterator[TextIO]:
    """Write a text file under a temporary name and put it in place when it is whole and on the disk.

    Raises:
        EvidenceUnwritable: If it cannot be written; what was there before stays.
    """
    temporary = path.with_name(f".{path.name}.part")
    try:
        with temporary.open("w", encoding="utf-8", newline="") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as error:
        hint = "free some space there, or put the evidence elsewhere"
        raise EvidenceUnwritable(f"{named(path)} cannot be written ({error.strerror})", hint) from error
    finally:
        temporary.unlink(missing_ok=True)
