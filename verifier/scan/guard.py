"""Processes beside a scan: a look at a root that may not answer, and the check of a manifest that is reused.

A look at a share whose server is gone can hang for ever, inside the system, where nothing can end it. So a root that
does not lie on a local file system is looked at by a process of its own, which is left behind if need be.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier.errors import Interrupted, RootUnavailable, VerifierError
from verifier.manifest.store import Manifest
from verifier.scan.engine import context, end_process
from verifier.tree.mount_table import mounted_at
from verifier.tree.share import Share

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection

ANSWER_S: Final = 60.0
"""How long a root may take to answer."""


def look_at(root: Path, within_s: float = ANSWER_S) -> Share:
    """Return a root's share, or say that it does not answer.

    Args:
        root: The root.
        within_s: Seconds that it may take.

    Raises:
        RootUnavailable: If it is not there, is no directory, may not be listed, or does not answer.
    """
    # By its name alone: following links would touch what may hang.
    if Share.is_local(mounted_at(Path(os.path.normpath(root.absolute()))).type_name):
        return Share.at(root)
    ours, theirs = context().Pipe(duplex=False)
    process = context().Process(target=_look, args=(theirs, root), daemon=True)  # type: ignore[attr-defined]
    process.start()
    theirs.close()
    try:
        answer = ours.recv() if ours.poll(within_s) else None
    except (EOFError, OSError):
        answer = None
    finally:
        ours.close()
    end_process(process, 1.0)
    if isinstance(answer, VerifierError):
        raise answer
    if not isinstance(answer, Share):
        raise RootUnavailable(f"{root} does not answer", "is the server up, and the share mounted?")
    return answer


def _look(connection: Connection, root: Path) -> None:
    try:
        answer: object = Share.at(root)
    except VerifierError as error:
        answer = error
    connection.send(answer)


class CheckAside:
    """Holds a manifest against its own fingerprint in a process of its own, while a scan that reuses it goes on.

    Args:
        manifest: The manifest.
    """

    def __init__(self, manifest: Path) -> None:
        self._ours, theirs = context().Pipe(duplex=False)
        self._process = context().Process(target=_check, args=(theirs, manifest), daemon=True)  # type: ignore[attr-defined]
        self._process.start()
        theirs.close()
        self._answered = False

    def raise_if_not(self, timeout_s: float = 0.0) -> None:
        """Raise what the check found, if it has ended and found something.

        Raises:
            ManifestDamaged: If the manifest is not what was written.
            Interrupted: If the check was ended from outside.
        """
        if self._answered or not self._ours.poll(timeout_s):
            return
        self._answered = True
        try:
            answer = self._ours.recv()
        except (EOFError, OSError) as error:
            raise Interrupted("the check of the reused manifest was ended from outside", "run it again") from error
        finally:
            self._ours.close()
        self._process.join()
        if isinstance(answer, VerifierError):
            raise answer

    def wait(self, meanwhile: Callable[[], None]) -> None:
        """Wait for the end of the check.

        Args:
            meanwhile: Called again and again; may raise.

        Raises:
            VerifierError: As `raise_if_not`.
        """
        while not self._answered:
            self.raise_if_not(0.1)
            meanwhile()

    def end(self) -> None:
        """End the check, if it goes on."""
        if not self._answered:
            self._process.kill()
            self._process.join()


def _check(connection: Connection, path: Path) -> None:
    answer: VerifierError | None = None
    try:
        with Manifest.open(path) as manifest:
            manifest.check(structure=False)
    except VerifierError as error:
        answer = error
    connection.send(answer)
