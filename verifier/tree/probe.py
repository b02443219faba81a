"""Read-only questions to a root: what the file system there tells apart, and what it holds beside content.

Nothing is created to find out, so some answers are None: nothing in the root shows it.
"""

from __future__ import annotations

import errno
import os
import unicodedata
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Final, NamedTuple

from verifier.tree.attributes import ACCESS_ACL
from verifier.tree.file_system import NOT_NTFS, FileSystem, is_fuse

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

_NOBODYS: Final = "user.is-there-an-attribute-of-this-name"
_NTFS: Final = "system.ntfs_attrib"
_HAS_XATTRS: Final = hasattr(os, "listxattr")


class UnicodeForms(StrEnum):
    """Whether a name in its composed and in its decomposed form (UAX #15, NFC and NFD) is one file."""

    SAME = "same"
    DISTINCT = "distinct"


class Streams(StrEnum):
    """How alternate data streams are seen."""

    XATTR = "xattr"
    """As extended attributes ``user.*``."""
    NONE = "none"
    """Not at all."""


@dataclass(frozen=True, slots=True)
class Held:
    """What was found out about a root; None where nothing shows it."""

    unicode: UnicodeForms | None = None
    xattrs: bool | None = None
    """Whether extended attributes of users are held, and listed."""
    acls: bool | None = None
    """Whether POSIX ACLs are held, and listed."""
    streams: Streams | None = None


NOTHING_KNOWN: Final = Held()


class Root(NamedTuple):
    """A root to be asked."""

    path: Path
    names: Sequence[str]
    """Names in it, as the system gave them."""
    all_names: bool
    """Whether it has no others."""


def probe(root: Root, type_name: str, file_system: FileSystem) -> tuple[Held, FileSystem]:
    """Ask a root, and return what it holds, and what its file system holds in the light of that.

    Args:
        root: The root.
        type_name: Its file system's type, as the mount table names it.
        file_system: What the type holds.
    """
    xattrs = _xattrs(root.path)
    acl = _error_of(root.path, ACCESS_ACL)
    ntfs = _is_ntfs(root.path) if type_name.lower() == "fuseblk" else None
    if ntfs is False:
        file_system = NOT_NTFS
    elif ntfs and acl == 0:
        # Mounted with the option acl: ACLs, owner and mode are stored (ntfs-3g(8)), and every file shows an ACL. With
        # the option permissions owner and mode are stored as well; neither the mount table nor any attribute tells
        # that for certain from other options, so there they are taken as made up.
        file_system = replace(file_system, owners=True, modes=True)
    if is_fuse(type_name) and acl in (0, errno.ENODATA):
        acls = _acls_by_fuse(root.path, acl, xattrs, ntfs)
    else:
        acls = {0: True, errno.ENODATA: True, errno.ENOTSUP: False}.get(acl)
    return Held(unicode_forms(root), xattrs, acls, _streams(file_system, xattrs)), file_system


def case_sensitive(root: Root) -> bool | None:
    """Tell whether two names may differ by letter case alone, by asking for existing names in the other case.

    The answer holds for the root itself. On ext4 and f2fs each folder may be told to fold the case and the Unicode form
    of its names (chattr(1), attribute F), so folders below the root may be otherwise.
    """
    same = _same_as_other_form(root, _other_case)
    return None if same is None else not same


def unicode_forms(root: Root) -> UnicodeForms | None:
    """Tell whether Unicode forms are told apart, by asking for existing names in the other form.

    The answer holds for the root itself, as that of `case_sensitive`.
    """
    same = _same_as_other_form(root, _other_form)
    if same is None:
        return None
    return UnicodeForms.SAME if same else UnicodeForms.DISTINCT


def _same_as_other_form(root: Root, other_of: Callable[[str], str | None]) -> bool | None:
    """Tell whether a name of the root leads to the same file in another form, which the root does not list."""
    known = set(root.names)
    for name in root.names:
        other = other_of(name)
        if other is None or other in known:
            continue
        try:
            # Programs that answer for a file system may number one file anew under each form of its name: what the root
            # does not list, and has nevertheless, is another form of what it lists.
            if os.path.samestat((root.path / other).lstat(), (root.path / name).lstat()) or root.all_names:
                return True
        except FileNotFoundError:
            return False
        except (OSError, UnicodeError):  # the system's encoding may have no such character
            continue
    return None


def _other_case(name: str) -> str | None:
    swapped = name.swapcase()
    return swapped if swapped != name and swapped.swapcase() == name else None


def _other_form(name: str) -> str | None:
    composed, decomposed = (unicodedata.normalize(form, name) for form in ("NFC", "NFD"))
    if composed == decomposed or name not in (composed, decomposed):
        return None
    return decomposed if name == composed else composed


def _error_of(root: Path, attribute: str) -> int:
    """Return the errno of asking the root for an attribute: 0 where it has it, ENOSYS where there is no such call."""
    if not _HAS_XATTRS:
        return errno.ENOSYS
    try:
        os.getxattr(root, attribute)
    except OSError as error:
        return error.errno or errno.EIO
    return 0


def _xattrs(root: Path) -> bool | None:
    """Tell whether user attributes are held; not by listing them, which gives an empty list where there can be none.

    getxattr(2): ENOTSUP where the file system has none or they are disabled (nouser_xattr, mount(8)), ENODATA where the
    name alone is not there.
    """
    error = _error_of(root, _NOBODYS)
    if error == errno.ENOTSUP:
        return False
    if error not in (0, errno.ENODATA):
        return None
    try:
        os.listxattr(root)
    except OSError:
        return None
    return True


def _acls_by_fuse(root: Path, acl: int, xattrs: bool | None, ntfs: bool | None) -> bool | None:
    """Tell whether POSIX ACLs are held and listed where a program answers.

    The kernel makes ENODATA of its giving no answer at all (Linux, fs/fuse/acl.c), and ntfs-3g gives ACLs that it does
    not list, so a scan cannot see them: not known, then.
    """
    if not xattrs:
        return xattrs
    if acl == 0:
        return True if ACCESS_ACL in os.listxattr(root) else None
    return False if ntfs else None


def _is_ntfs(root: Path) -> bool | None:
    """Tell whether a root answers for an attribute that drivers of NTFS have for every file.

    Linux ntfs3.rst names it; ntfs-3g 2022.10.3 was seen to have it whatever its mount options are.
    """
    error = _error_of(root, _NTFS)
    if error in (errno.ENOTSUP, errno.ENODATA):
        return False
    return True if error == 0 else None


def _streams(file_system: FileSystem, xattrs: bool | None) -> Streams | None:
    if file_system.streams is None:
        return None
    if not file_system.streams or xattrs is False:
        return Streams.NONE
    return Streams.XATTR if xattrs else None
