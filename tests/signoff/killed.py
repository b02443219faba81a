"""Signing that is killed at its first step, its second, and so on, each time in a process of its own.

Run as a program that does nothing itself: it may fork only as long as it has one thread. A step is whatever the system
is asked to do with a file in the evidence folder (sys.addaudithook; Python documentation, Audit events table).
"""

from __future__ import annotations

import os
import signal
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING

from tests.signoff.gardens import Garden
from verifier.decisions.signoff import read_signoff
from verifier.evidence import PAGE_FILE, REPORT_FILES, STAGING
from verifier.report.again import write_again
from verifier.signoff.verify import State

if TYPE_CHECKING:
    from collections.abc import Mapping

EVENTS = ("open", "os.mkdir", "os.remove", "os.rename", "os.rmdir", "subprocess.Popen")


def killed_at(step: int, garden: Garden, key: Path | None) -> bool:
    """Sign in a process of its own that is killed at a step; False where it came to its end before that."""
    child = os.fork()
    if not child:
        left = [step]

        def look(event: str, arguments: tuple[object, ...]) -> None:
            if event in EVENTS and str(garden.evidence) in str(arguments):
                left[0] -= 1
                if left[0] == 0:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(look)
        try:
            garden.sign(ssh_key=key)
        except BaseException:
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return os.WIFSIGNALED(status)


def held_by_another(garden: Garden, key: Path | None, evidence: Mapping[str, bytes]) -> str:
    """Return what `hold` does, in a process of its own."""
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        try:
            os.write(writing, hold(garden, key, evidence).encode())
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading) as told:
        state = told.read()
    _, status = os.waitpid(child, 0)
    assert not status
    return state


def hold(garden: Garden, key: Path | None, evidence: Mapping[str, bytes]) -> str:
    """Hold that the folder is signed or not signed, and can be made whole; return which it was."""
    for name, data in evidence.items():
        assert name in REPORT_FILES or (garden.evidence / name).read_bytes() == data, name
    signed = read_signoff(garden.evidence)
    if signed is None:
        garden.sign(ssh_key=key)
        assert garden.odd() == {}
        return "not signed"
    odd = garden.odd()
    assert set(odd) <= set(REPORT_FILES), odd
    assert set(odd.values()) <= {State.CHANGED, State.MISSING}
    write_again(garden.evidence)
    assert garden.odd() == {}
    assert not (garden.evidence / STAGING).exists()
    assert read_signoff(garden.evidence) == signed
    return "report to be written again" if odd else "signed"


def main(base: str, key: str) -> None:
    """Kill at every step, and print how often the folder was found in which state."""
    garden = Garden(Path(base))
    (garden.evidence / PAGE_FILE).write_text("<html>An earlier version's.", "utf-8")  # so that the new one is another
    evidence = garden.contents()
    found: dict[str, int] = {}
    step = 1
    while killed_at(step, garden, Path(key) if key else None):
        state = held_by_another(garden, Path(key) if key else None, evidence)
        found[state] = found.get(state, 0) + 1
        garden.restore(evidence)
        step += 1
    print(found)


if __name__ == "__main__":
    main(*sys.argv[1:])
