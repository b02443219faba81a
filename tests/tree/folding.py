"""A program behind a mount that tells neither letter case nor Unicode forms apart, as HFS+ and some servers do.

    python -m tests.tree.folding SOURCE POINT

Shows the names and facts of a folder. Each form of a name that is asked for has an inode number of its own, as libfuse
gives them. The program ends with its standard input, so that no mount outlives the test that made it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
import unicodedata
from contextlib import contextmanager
from errno import ENOENT
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import tests

if TYPE_CHECKING:
    from collections.abc import Iterator

PATIENCE_S: Final = 10.0
_FACTS: Final = ("st_mode", "st_nlink", "st_uid", "st_gid", "st_size")


def folded(name: str) -> str:
    """Return what all forms of a name have in common."""
    return unicodedata.normalize("NFD", unicodedata.normalize("NFD", name).casefold())


class Folding:
    """The operations that mfusepy asks for."""

    use_ns = True

    def __init__(self, source: Path) -> None:
        self._source = source

    def getattr(self, path: str, _handle: Any = None) -> dict[str, int]:
        """Return the facts of the one name that has this form."""
        wanted = folded(path.removeprefix("/"))
        names = [name for name in os.listdir(self._source) if folded(name) == wanted]  # noqa: PTH208  names as they are
        if wanted and not names:
            raise OSError(ENOENT, "no such name in any form")
        facts = os.lstat(self._source / names[0] if wanted else self._source)
        return {name: getattr(facts, name) for name in _FACTS} | {"st_mtime": facts.st_mtime_ns}

    def readdir(self, _path: str, _handle: int) -> list[str]:
        """Return the names, each in the form in which it was given."""
        return [".", "..", *os.listdir(self._source)]  # noqa: PTH208  names as they are


@contextmanager
def folding_mount(source: Path, point: Path) -> Iterator[None]:
    """Show a folder in this way for a while."""
    server = subprocess.Popen(
        [sys.executable, "-m", "tests.tree.folding", source, point],
        stdin=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(Path(tests.__file__).parents[1])},
    )
    try:
        until = time.monotonic() + PATIENCE_S
        while not point.is_mount():
            if server.poll() is not None or time.monotonic() > until:
                raise RuntimeError("not mounted")
            time.sleep(0.01)
        yield
    finally:
        server.kill()
        server.communicate()
        subprocess.run(["umount", "--lazy", point], check=False, capture_output=True)


def _end_with_input() -> None:
    sys.stdin.buffer.read()
    os._exit(0)


def main(source: str, point: str) -> None:
    """Mount, and serve until somebody unmounts."""
    os.environ["FUSE_LIBRARY_NAME"] = "fuse3"
    from mfusepy import FUSE, Operations  # type: ignore[import-untyped]  # noqa: PLC0415  only this program needs it

    threading.Thread(target=_end_with_input, daemon=True).start()
    served = type("Served", (Folding, Operations), {})
    FUSE(served(Path(source)), point, foreground=True, ro=True, allow_other=True, fsname="folding", subtype="folding")


if __name__ == "__main__":
    main(*sys.argv[1:])
