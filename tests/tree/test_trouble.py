"""What an error means for a scan."""

from __future__ import annotations

import errno

import pytest

from verifier.tree.trouble import Trouble, errno_name, now_text, trouble_of

# Names and causes: errno(3), open(2), read(2), nfs(5), unix(7). What to do about each is advice of the trade.
EXPECTED = {
    Trouble.AGAIN: "EIO EREMOTEIO EAGAIN EBUSY ETXTBSY EINTR",
    Trouble.RACE: "ENOENT ENOTDIR",
    Trouble.PERMANENT: "EPERM EACCES ELOOP ENAMETOOLONG ENODATA EBADMSG EUCLEAN EILSEQ EISDIR EINVAL EOPNOTSUPP",
    Trouble.OWN_LIMIT: "EMFILE ENFILE EOVERFLOW ENOSPC EDQUOT ENOMEM",
    Trouble.SHARE_GONE: "ENODEV ENOLINK ENETDOWN ENETUNREACH ENETRESET ENOTCONN ESHUTDOWN ETIMEDOUT ECONNREFUSED "
    "ECONNRESET ECONNABORTED EHOSTDOWN EHOSTUNREACH ESTALE EKEYEXPIRED ENOKEY",
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


def test_times_are_iso_8601_in_utc() -> None:
    """Manifests of two sites compare: seconds, and the zone is written."""
    assert now_text().endswith("+00:00")
    assert len(now_text()) == len("2026-11-21T22:00:00+00:00")
