"""What an error means for a scan."""

from __future__ import annotations

import errno
import time

import pytest

from verifier.clock import now_text
from verifier.tree import trouble as module
from verifier.tree.trouble import CORRUPT, MEDIUM, Trouble, errno_name, pause_after, trouble_of

# Names and causes: errno(3), open(2), read(2), nfs(5), unix(7). What to do about each is advice of the trade.
# ESTALE is what a handle says whose file was removed or replaced on the server (nfs(5)): one file's matter at first.
EXPECTED = {
    Trouble.AGAIN: "EIO EREMOTEIO EAGAIN EBUSY ETXTBSY EINTR",
    Trouble.RACE: "ENOENT ENOTDIR ESTALE",
    Trouble.PERMANENT: "EPERM EACCES ELOOP ENAMETOOLONG ENODATA EBADMSG EUCLEAN EILSEQ EISDIR EINVAL EOPNOTSUPP",
    Trouble.OWN_LIMIT: "EMFILE ENFILE EOVERFLOW ENOSPC EDQUOT ENOMEM",
    Trouble.SHARE_GONE: "ENXIO ENODEV ENOLINK EKEYEXPIRED ENOKEY",
    Trouble.SHARE_SILENT: "ENETDOWN ENETUNREACH ENETRESET ENOTCONN ESHUTDOWN ETIMEDOUT ECONNREFUSED ECONNRESET "
    "ECONNABORTED EHOSTDOWN EHOSTUNREACH",
}
CASES = [(name, trouble) for trouble, names in EXPECTED.items() for name in names.split()]


@pytest.mark.parametrize(("name", "trouble"), CASES, ids=[name for name, _ in CASES])
def test_an_error_means_what_the_manual_says(name: str, trouble: Trouble) -> None:
    """A dead server is not a missing file, a busy file is not a damaged one."""
    error = OSError(getattr(errno, name), "")
    assert trouble_of(error) is trouble
    # Some names share a number: EAGAIN and EWOULDBLOCK, EDEADLK and EDEADLOCK (errno(3)).
    assert getattr(errno, errno_name(error)) == getattr(errno, name)


def test_an_unknown_error_is_permanent_and_has_a_name() -> None:
    """What nobody foresaw makes the entry unreadable, never good."""
    assert trouble_of(OSError(9999, "")) is Trouble.PERMANENT
    assert trouble_of(OSError("no number at all")) is Trouble.PERMANENT
    assert errno_name(OSError("no number at all")) == "OSError"


@pytest.mark.parametrize("meaning", Trouble)
def test_pauses_grow_and_are_longest_where_a_share_is_silent(monkeypatch: pytest.MonkeyPatch, meaning: Trouble) -> None:
    """Each further attempt waits longer than the one before; a server that reboots needs more than a hiccup does."""
    slept: list[float] = []
    monkeypatch.setattr(module, "PAUSE_S", 2.0)
    monkeypatch.setattr(module, "SILENCE_S", 30.0)
    monkeypatch.setattr(module, "_SLICE_S", 1000.0)
    monkeypatch.setattr(time, "sleep", slept.append)
    for attempt in (1, 2, 3):
        pause_after(attempt, meaning)
    assert slept == ([30.0, 60.0, 90.0] if meaning is Trouble.SHARE_SILENT else [2.0, 4.0, 6.0])


def test_a_pause_is_no_hanging(monkeypatch: pytest.MonkeyPatch) -> None:
    """While it waits a reader shows all the time that it lives, and a request to stop ends the wait."""
    slept: list[float] = []
    monkeypatch.setattr(module, "PAUSE_S", 0.45)
    monkeypatch.setattr(time, "sleep", slept.append)
    beats: list[float] = []
    pause_after(1, Trouble.AGAIN, lambda: beats.append(sum(slept)))
    assert slept == pytest.approx([0.1, 0.1, 0.1, 0.1, 0.05])
    assert beats == pytest.approx([0.0, 0.1, 0.2, 0.3, 0.4])


def test_groups_of_errors_are_of_names_that_exist() -> None:
    """An error is found in its group by the name that `errno_name` gives it; a wrong spelling would never match."""
    for name in MEDIUM | CORRUPT:
        assert errno_name(OSError(getattr(errno, name), "")) == name
    assert {trouble_of(OSError(getattr(errno, name), "")) for name in MEDIUM} == {Trouble.AGAIN}
    assert {trouble_of(OSError(getattr(errno, name), "")) for name in CORRUPT} == {Trouble.PERMANENT}


def test_times_are_iso_8601_in_utc() -> None:
    """Manifests of two sites compare: seconds, and the zone is written."""
    assert now_text().endswith("+00:00")
    assert len(now_text()) == len("2026-11-21T22:00:00+00:00")
