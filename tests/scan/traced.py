"""What a command asked the kernel to do, as strace(1) saw it."""

from __future__ import annotations

import os
import re
import subprocess
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

OPENING: Final = frozenset({"open", "openat", "openat2", "creat"})
LOCKING: Final = frozenset({"flock", "fcntl"})
MOVING: Final = frozenset({"chdir", "fchdir"})
CHANGING: Final = frozenset({
    "creat", "unlink", "unlinkat", "rename", "renameat", "renameat2", "mkdir", "mkdirat", "rmdir", "mknod", "mknodat",
    "link", "linkat", "symlink", "symlinkat", "chmod", "fchmod", "fchmodat", "chown", "lchown", "fchown", "fchownat",
    "utime", "utimes", "futimesat", "utimensat", "truncate", "ftruncate", "fallocate", "setxattr", "lsetxattr",
    "fsetxattr", "removexattr", "lremovexattr", "fremovexattr", "flock",
})  # fmt: skip
"""Calls that change a name, its facts or its content, or lock it, whatever their arguments are."""
_WRITE_FLAGS: Final = re.compile(r"\bO_(WRONLY|RDWR|CREAT|TRUNC|APPEND|TMPFILE)\b")
_LOCK_COMMANDS: Final = re.compile(r"\bF_(SETLKW?|SETLKW?64|OFD_SETLKW?|SETLEASE|NOTIFY)\b")
_CALL: Final = re.compile(r"^(?P<pid>\d+) +(?P<name>\w+)\((?P<rest>.*)$")
_STRING: Final = re.compile(r'"((?:[^"\\]|\\.)*)"')
_DESCRIPTOR: Final = re.compile(r"<(/[^>]*)>")


@dataclass(frozen=True, slots=True)
class Call:
    """One system call."""

    pid: int
    name: str
    text: str
    """Its arguments and what it returned, as strace wrote them, with the path of every descriptor."""
    cwd: str
    """The process's working folder, which calls without a descriptor go by."""

    @property
    def paths(self) -> set[str]:
        """Every path that the call could mean: each string as it is, and below each descriptor's or working folder."""
        above = set(_DESCRIPTOR.findall(self.text)) or {self.cwd}
        strings = _STRING.findall(self.text)
        below = {os.path.join(folder, string) for folder in above for string in strings}  # noqa: PTH118  strings
        return {os.path.normpath(path) for path in below | set(_DESCRIPTOR.findall(self.text))}

    @property
    def changes(self) -> bool:
        """Whether the call could change or lock what it names."""
        if self.name in OPENING - CHANGING:
            return bool(_WRITE_FLAGS.search(self.text))
        if self.name == "fcntl":
            return bool(_LOCK_COMMANDS.search(self.text))
        return self.name in CHANGING

    def names(self, trees: Iterable[Path]) -> bool:
        """Tell whether the call names a tree's root or anything below it."""
        return any(path == str(tree) or path.startswith(f"{tree}/") for path in self.paths for tree in trees)


def traced(command: Sequence[str | Path], log: Path, environment: dict[str, str], cwd: Path) -> tuple[int, list[Call]]:
    """Run a command and every process it starts under strace.

    Returns:
        Its exit code, and the calls that open, change or lock, in order. A process is taken to start in `cwd`.
    """
    calls = ",".join(f"?{name}" for name in sorted(OPENING | CHANGING | LOCKING | MOVING))
    strace = ["strace", "-f", "-y", "--seccomp-bpf", "-o", str(log), "-e", f"trace={calls}", "-e", "signal=none"]
    done = subprocess.run(
        [*strace, "--", *command], env=environment, cwd=cwd, capture_output=True, check=False, timeout=120
    )
    found: list[Call] = []
    folders: dict[int, str] = {}
    for line in log.read_text(errors="backslashreplace").splitlines():
        if match := _CALL.match(line):
            pid = int(match["pid"])
            call = Call(pid, match["name"], match["rest"], folders.get(pid, str(cwd)))
            found.append(call)
            if call.name in MOVING:
                (folders[pid],) = call.paths
    return done.returncode, found
