"""Names of users and groups, as this host knows them."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from verifier.tree.names import shown, to_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

try:
    import grp
    import pwd
except ImportError:  # Windows knows no numbers of users and groups
    HAS_ACCOUNTS = False
else:
    HAS_ACCOUNTS = True


def owner_names(uids: Iterable[int]) -> dict[str, str]:
    """Return the names of users by their numbers as text, in the order of the numbers; those unknown are left out.

    Names are as they may be shown. Asks whatever the host asks for them (nsswitch.conf(5)), be it another machine.
    """
    return _names(uids, lambda uid: pwd.getpwuid(uid).pw_name) if HAS_ACCOUNTS else {}


def group_names(gids: Iterable[int]) -> dict[str, str]:
    """Return the names of groups, as `owner_names` those of users."""
    return _names(gids, lambda gid: grp.getgrgid(gid).gr_name) if HAS_ACCOUNTS else {}


def _names(numbers: Iterable[int], name_of: Callable[[int], str]) -> dict[str, str]:
    found = {}
    for number in sorted(numbers):
        try:
            found[str(number)] = shown(to_text(os.fsencode(name_of(number))))
        except (KeyError, OverflowError, OSError):  # not known, no such number on this platform, nobody to be asked
            continue
    return found
