"""Names of users and groups."""

from __future__ import annotations

import grp
import os
import pwd
from typing import TYPE_CHECKING

from verifier.tree import accounts
from verifier.tree.accounts import group_names, owner_names

if TYPE_CHECKING:
    import pytest


def _unknown(numbers: set[int]) -> int:
    return next(number for number in range(3_000_000_000, 4_000_000_000) if number not in numbers)


def test_numbers_that_the_host_knows_have_names() -> None:
    """User and group 0 are called as the host's own databases call them."""
    assert owner_names([0]) == {"0": pwd.getpwuid(0).pw_name}
    assert group_names([0]) == {"0": grp.getgrgid(0).gr_name}


def test_numbers_that_nobody_knows_are_left_out() -> None:
    """No name is made up: a number alone is all there is; nor is any number an error, whatever its size."""
    nobody = _unknown({entry.pw_uid for entry in pwd.getpwall()})
    nothing = _unknown({entry.gr_gid for entry in grp.getgrall()})
    for number in (2**32, 2**63, -5):
        assert owner_names([nobody, number]) == {}
        assert group_names([nothing, number]) == {}


def test_names_come_in_the_order_of_their_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that two scans write the same text: by number, not as a set happens to give them, or as texts sort."""
    monkeypatch.setattr(pwd, "getpwuid", lambda uid: pwd.struct_passwd(("u", "x", uid, 0, "", "", "")))
    assert list(owner_names({1000, 9, 100})) == ["9", "100", "1000"]


def test_a_name_can_do_nothing_where_it_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """A directory server may give any name: controls and bytes that are no text are shown as such."""
    name = os.fsdecode(b"\x1b[31mred\xff")
    monkeypatch.setattr(grp, "getgrgid", lambda gid: grp.struct_group((name, "x", gid, [])))
    assert group_names([5]) == {"5": r"\x1b[31mred\xff"}


def test_a_platform_without_accounts_has_no_names(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows has neither numbers nor these databases: no names, and no error."""
    monkeypatch.setattr(accounts, "HAS_ACCOUNTS", False)
    assert owner_names([0]) == group_names([0]) == {}
