"""Extended attributes as a manifest keeps them: names with digests of their values, and POSIX ACLs as readable text.

No library that reads ACLs installs without a compiler (pylibacl and its like are source only), so the kernel's format,
two fields and a list, is decoded here.
"""

from __future__ import annotations

import json
import os
import struct
from typing import Final

from blake3 import blake3

from verifier.tree.names import shown, to_text

ACCESS_ACL: Final = "system.posix_acl_access"
DEFAULT_ACL: Final = "system.posix_acl_default"
"""Attributes in which Linux shows a file's ACL, and the one that a folder gives to new names in it (acl(5))."""
_HAS_XATTRS: Final = hasattr(os, "listxattr")

# linux/posix_acl_xattr.h: a version, then entries of tag, permissions and identifier, all little endian.
_VERSION: Final = 2
_HEADER: Final = struct.Struct("<I")
_ENTRY: Final = struct.Struct("<HHI")
# linux/posix_acl.h: ACL_USER_OBJ, ACL_USER, ACL_GROUP_OBJ, ACL_GROUP, ACL_MASK, ACL_OTHER; the words are those of
# acl(5), "ACL text forms".
_USER: Final = 0x02
_GROUP: Final = 0x08
_MASK: Final = 0x10
_ONCE: Final = {0x01: "user", 0x04: "group", 0x20: "other"}
_WORDS: Final = _ONCE | {_USER: "user", _GROUP: "group", _MASK: "mask"}
_PERMISSIONS: Final = tuple(
    "".join(letter if bits & bit else "-" for letter, bit in zip("rwx", (4, 2, 1), strict=True)) for bits in range(8)
)


def xattrs_of(where: int | str) -> str | None:
    """Return extended attributes as JSON, by their names.

    The value of a POSIX ACL is its text (`acl_text`); any other is the first 16 bytes of its BLAKE3 in hex, for it may
    be large, or secret. Names are manifest text.

    Args:
        where: A descriptor, or a path.

    Returns:
        None where the platform or the file system has no extended attributes, or they may not be listed; a single value
        that may not be read is null.
    """
    if not _HAS_XATTRS:
        return None
    try:
        names = os.listxattr(where)
    except OSError:
        return None
    if not names:
        return "{}"
    texts = sorted((shown(to_text(os.fsencode(name))), name) for name in names)
    return json.dumps({text: _value(where, name) for text, name in texts}, ensure_ascii=False)


def _value(where: int | str, name: str) -> str | None:
    try:
        value = os.getxattr(where, name)
    except OSError:
        return None
    text = acl_text(value) if name in (ACCESS_ACL, DEFAULT_ACL) else None
    return blake3(value).hexdigest(length=16) if text is None else text


def acl_text(value: bytes) -> str | None:
    """Return a POSIX ACL in the text form of acl(5), in one line and with numbers for users and groups.

    ``user::rw-,user:1000:r--,group::r--,mask::rw-,other::---``; entries in the order of their tags, then of their
    numbers, whatever order they are kept in.

    Args:
        value: The attribute's value, as the kernel gives it.

    Returns:
        None where it is no valid ACL (acl(5), "Valid ACLs").
    """
    size = len(value) - _HEADER.size
    if size <= 0 or size % _ENTRY.size or _HEADER.unpack_from(value) != (_VERSION,):
        return None
    entries = sorted(_ENTRY.iter_unpack(value[_HEADER.size :]), key=lambda entry: (entry[0], entry[2]))
    if any(tag not in _WORDS or permissions >= len(_PERMISSIONS) for tag, permissions, _ in entries):
        return None
    tags = [tag for tag, _, _ in entries]
    named = [(tag, number) for tag, _, number in entries if tag in (_USER, _GROUP)]
    masks = tags.count(_MASK)
    if any(tags.count(tag) != 1 for tag in _ONCE) or masks > 1 or (named and not masks) or len(set(named)) < len(named):
        return None
    return ",".join(
        f"{_WORDS[tag]}:{number if tag in (_USER, _GROUP) else ''}:{_PERMISSIONS[permissions]}"
        for tag, permissions, number in entries
    )
