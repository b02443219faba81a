"""The program behind a faulty mount: shows a real folder read-only, with faults by path.

    python -m tests.faulty.server SOURCE POINT CONTROL

CONTROL is a JSON object from paths to faults (`Fault`), with ``*`` for every path and an empty path for the root. It is
read again whenever it changes; calls are then counted anew, and what hangs goes on if it no longer should hang. Beside
it, in CONTROL.met, stands a line for each call that a fault at a named path met. The program ends with its standard
input, so that no mount outlives the test that made it.

Some libfuse versions let the system ask one thing at a time about the names in one folder (they never set
FUSE_PARALLEL_DIROPS; seen with 3.14): there a getattr or readdir that hangs makes its whole folder hang.

Kept light and apart from the verifier: it stands in for another machine, or for a broken disk.
"""

from __future__ import annotations

import errno
import json
import os
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

EVERYWHERE: Final = "*"
"""Stands for every path in a control file."""
THREADS: Final = 128
"""Requests answered at the same time: more than any scan has readers, so that those that hang hold up no others."""
LOOK_EVERY_S: Final = 0.02


class Operation(StrEnum):
    """A request that a fault may meet."""

    OPEN = "open"
    READ = "read"
    READDIR = "readdir"
    GETATTR = "getattr"
    READLINK = "readlink"


@dataclass(frozen=True, slots=True)
class Fault:
    """What goes wrong at one path. By default it meets every call of every operation."""

    on: tuple[Operation, ...] = tuple(Operation)
    """The operations that it meets."""
    skip: int = 0
    """So many calls go well first."""
    times: int | None = None
    """So many calls after those are met; None for all."""
    delay_ms: float = 0.0
    """The call waits for so long."""
    error: str = ""
    """Name of the errno that the call fails with."""
    stall: bool = False
    """The call is not answered until the control file says otherwise."""
    vanish: bool = False
    """The program ends in the middle of the call: the mount is dead."""
    most_bytes: int | None = None
    """A read gives so many bytes at most, without the system's cache that would ask again."""
    wrong_bytes: bool = False
    """A read gives other bytes than those that are there: every bit turned."""
    grows_by: int = 0
    """With every read the file is so many bytes longer and a nanosecond younger."""
    link_target: str = ""
    """The name is a link to this, whatever it was."""


def faults_from(text: str) -> dict[str, Fault]:
    """Return what a control file says."""
    return {
        path: Fault(**fault | ({"on": tuple(Operation(name) for name in fault["on"])} if "on" in fault else {}))
        for path, fault in json.loads(text).items()
    }


def met_beside(control: Path) -> Path:
    """Return where the calls that faults met are written down."""
    return control.with_name(f"{control.name}.met")


class Control:
    """The control file, as it is now. Used by many threads."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._seen = (0, 0)
        self._faults: dict[str, Fault] = {}
        self._calls: Counter[str] = Counter()
        self._met = met_beside(path).open("ab", buffering=0)

    def meet(self, path: str, operation: Operation) -> list[Fault]:
        """Return the faults that meet a call now, and count it."""
        with self._lock:
            due = [where for where in self._about(path, operation) if self._is_due(where)]
            if path in due:
                self._met.write(f"{operation} {path}\n".encode(errors="surrogateescape"))
            return [self._faults[where] for where in due]

    def still(self, path: str, operation: Operation) -> bool:
        """Tell whether a call that was not answered is still not to be answered."""
        with self._lock:
            return any(self._faults[where].stall for where in self._about(path, operation))

    def _about(self, path: str, operation: Operation) -> Iterator[str]:
        self._refresh()
        return (
            where
            for where in (EVERYWHERE, path)
            if (fault := self._faults.get(where)) is not None and operation in fault.on
        )

    def _refresh(self) -> None:
        facts = self._path.stat()
        now = (facts.st_ino, facts.st_mtime_ns)
        if now != self._seen:
            self._seen = now
            self._faults = faults_from(self._path.read_text(encoding="utf-8"))
            self._calls.clear()

    def _is_due(self, where: str) -> bool:
        fault = self._faults[where]
        self._calls[where] += 1
        met = self._calls[where] - fault.skip
        return met > 0 and (fault.times is None or met <= fault.times)


class FaultyFileSystem:
    """The operations that mfusepy asks for, in the form that it asks for them (raw file information).

    Args:
        source: The folder that is shown.
        control: Says what goes wrong.
    """

    use_ns: Final = True
    """Times are whole nanoseconds."""

    def __init__(self, source: Path, control: Control) -> None:
        self._source = os.fsencode(source)
        self._control = control
        self._grown: Counter[str] = Counter()

    def init_with_config(self, connection: Any, _config: Any) -> None:
        """Let the system have as many reads under way as there are threads; it allows 12 by default."""
        connection.max_background = THREADS
        connection.congestion_threshold = THREADS

    def getattr(self, path: str, _info: Any = None) -> dict[str, int]:
        """Return what lstat says, or the fault has it say."""
        faults = self._meet(path, Operation.GETATTR)
        facts = os.lstat(self._place(path))
        shown = {name: getattr(facts, name) for name in _FACTS}
        shown |= {f"st_{which}time": getattr(facts, f"st_{which}time_ns") for which in "amc"}
        if grown := self._grown[path]:
            shown["st_size"] += grown
            shown["st_mtime"] += grown
            shown["st_ctime"] += grown
        for fault in faults:
            if fault.link_target:
                shown |= {"st_mode": 0o120777, "st_size": len(fault.link_target)}
        return shown

    def readlink(self, path: str) -> str:
        """Return a link's text."""
        for fault in self._meet(path, Operation.READLINK):
            if fault.link_target:
                return fault.link_target
        return os.fsdecode(os.readlink(self._place(path)))  # noqa: PTH115  names are bytes here

    def readdir(self, path: str, _handle: int) -> Iterator[str | tuple[str, dict[str, int], int]]:
        """Yield the names of a folder with their kinds."""
        self._meet(path, Operation.READDIR)
        yield from (".", "..")
        with os.scandir(self._place(path)) as listing:
            for item in listing:
                facts = item.stat(follow_symlinks=False)
                yield os.fsdecode(item.name), {"st_mode": facts.st_mode, "st_ino": facts.st_ino}, 0

    def open(self, path: str, info: Any) -> int:
        """Open a file for reading; a mount with this program behind it is read-only."""
        faults = self._meet(path, Operation.OPEN)
        info.fh = os.open(self._place(path), os.O_RDONLY | os.O_NOFOLLOW)
        info.direct_io = any(fault.most_bytes is not None for fault in faults)
        return 0

    def read(self, path: str, size: int, offset: int, info: Any) -> bytes:
        """Return bytes of a file, or what the fault gives in their place."""
        faults = self._meet(path, Operation.READ)
        for fault in faults:
            self._grown[path] += fault.grows_by
            size = min(size, size if fault.most_bytes is None else fault.most_bytes)
        data = os.pread(info.fh, size, offset)
        if grown := self._grown[path]:
            end = os.fstat(info.fh).st_size + grown
            data = data.ljust(max(0, min(size, end - offset)), b"+")
        return data.translate(_TURNED) if any(fault.wrong_bytes for fault in faults) else data

    def release(self, _path: str, info: Any) -> int:
        """Close a file."""
        os.close(info.fh)
        return 0

    def _place(self, path: str) -> bytes:
        return self._source + os.fsencode(path)

    def _meet(self, path: str, operation: Operation) -> list[Fault]:
        """Let the faults of a path have their way with a call, and return them.

        Raises:
            OSError: If one of them is an error.
        """
        name = path.removeprefix("/")
        faults = self._control.meet(name, operation)
        for fault in faults:
            if fault.delay_ms:
                time.sleep(fault.delay_ms / 1000)
            if fault.vanish:
                os._exit(1)
            while fault.stall and self._control.still(name, operation):
                time.sleep(LOOK_EVERY_S)
            if fault.error:
                raise OSError(getattr(errno, fault.error), fault.error)
        return faults


_FACTS: Final = ("st_mode", "st_ino", "st_nlink", "st_uid", "st_gid", "st_rdev", "st_size", "st_blocks", "st_blksize")
_TURNED: Final = bytes(255 - value for value in range(256))


def _end_with_input() -> None:
    sys.stdin.buffer.read()
    os._exit(0)


def main(source: str, point: str, control: str, remember_s: str = "0") -> None:
    """Mount, and serve until somebody unmounts.

    Args:
        source: The folder that is shown.
        point: Where.
        control: The control file.
        remember_s: How long the system may keep names and facts without asking again, seconds.
    """
    # The binding takes libfuse 2 where both are there; that answers 10 requests at a time at most.
    os.environ["FUSE_LIBRARY_NAME"] = "fuse3"
    from mfusepy import FUSE  # type: ignore[import-untyped]  # noqa: PLC0415  only this program needs it

    threading.Thread(target=_end_with_input, daemon=True).start()
    FUSE(
        FaultyFileSystem(Path(source).resolve(), Control(Path(control))),
        point,
        raw_fi=True,
        foreground=True,
        nothreads=False,
        max_threads=THREADS,
        ro=True,
        allow_other=True,
        default_permissions=True,
        use_ino=True,
        entry_timeout=float(remember_s),
        attr_timeout=float(remember_s),
        fsname="faulty",
        subtype="faulty",
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
