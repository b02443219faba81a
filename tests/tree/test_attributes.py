"""Extended attributes as a manifest keeps them, and POSIX ACLs as readable text."""

from __future__ import annotations

import json
import os
import struct
import subprocess
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3
from hypothesis import given
from hypothesis import strategies as st

from verifier.tree.attributes import ACCESS_ACL, DEFAULT_ACL, acl_text, xattrs_of

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

# linux/posix_acl_xattr.h and linux/posix_acl.h: version 2; tags of user::, user:N:, group::, group:N:, mask:: and
# other::; what has no number has ACL_UNDEFINED_ID.
VERSION: Final = 2
TAGS: Final = {"user:": 0x01, "user": 0x02, "group:": 0x04, "group": 0x08, "mask:": 0x10, "other:": 0x20}
NO_NUMBER: Final = 0xFFFFFFFF

Row = tuple[int, int, int]
"""Tag, permissions and number."""


def packed(rows: Iterable[Row], version: int = VERSION) -> bytes:
    """Return an ACL as the kernel gives it."""
    return struct.pack("<I", version) + b"".join(struct.pack("<HHI", *row) for row in rows)


def rows_of(text: str) -> list[Row]:
    """Return what a text of acl(5) says, in its order."""
    rows = []
    for entry in text.split(","):
        word, number, letters = entry.split(":")
        bits = sum(bit for letter, bit in zip(letters, (4, 2, 1), strict=True) if letter != "-")
        rows.append((TAGS[word] if number else TAGS[word + ":"], bits, int(number) if number else NO_NUMBER))
    return rows


MINIMAL: Final = [(0x01, 6, NO_NUMBER), (0x04, 4, NO_NUMBER), (0x20, 0, NO_NUMBER)]
EXTENDED: Final = [*MINIMAL[:1], (0x02, 4, 1000), (0x04, 4, NO_NUMBER), (0x10, 6, NO_NUMBER), (0x20, 0, NO_NUMBER)]


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        (MINIMAL, "user::rw-,group::r--,other::---"),
        (EXTENDED, "user::rw-,user:1000:r--,group::r--,mask::rw-,other::---"),
        ([*MINIMAL, (0x10, 7, NO_NUMBER)], "user::rw-,group::r--,mask::rwx,other::---"),
        (
            [*EXTENDED, (0x08, 5, 0), (0x08, 1, 4294967294)],
            "user::rw-,user:1000:r--,group::r--,group:0:r-x,group:4294967294:--x,mask::rw-,other::---",
        ),
    ],
    ids=["minimal", "named user", "mask alone", "named groups"],
)
def test_an_acl_is_one_readable_line(rows: list[Row], text: str) -> None:
    """Tags as the words of acl(5), "ACL text forms", numbers for users and groups, permissions as rwx."""
    assert acl_text(packed(rows)) == text


def acls() -> st.SearchStrategy[list[Row]]:
    """Draw a valid ACL (acl(5), "Valid ACLs"), its entries in any order."""
    bits, numbers = st.integers(0, 7), st.integers(0, 2**32 - 2)
    named = st.dictionaries(st.tuples(st.sampled_from([0x02, 0x08]), numbers), bits, max_size=6)
    needed = st.tuples(bits, bits, bits, bits, st.booleans())

    def put_together(given: tuple[tuple[int, int, int, int, bool], dict[tuple[int, int], int]]) -> list[Row]:
        (user, group, other, mask, has_mask), some = given
        rows = [(0x01, user, NO_NUMBER), (0x04, group, NO_NUMBER), (0x20, other, NO_NUMBER)]
        rows += [(0x10, mask, NO_NUMBER)] if has_mask or some else []
        return rows + [(tag, permissions, number) for (tag, number), permissions in some.items()]

    return st.tuples(needed, named).map(put_together).flatmap(st.permutations)


@given(rows=acls())
def test_the_text_says_all_that_the_acl_says(rows: list[Row]) -> None:
    """Read back, the text has every entry of the ACL and no other, so two texts are equal where two ACLs are."""
    text = acl_text(packed(rows))
    assert text is not None
    assert sorted(rows_of(text)) == sorted(rows)


@given(rows=acls())
def test_the_order_in_which_entries_are_kept_does_not_matter(rows: list[Row]) -> None:
    """Which entry is stored first decides nothing (acl(5), "Access check algorithm"): it is no difference."""
    assert acl_text(packed(rows)) == acl_text(packed(sorted(rows)))


@pytest.mark.parametrize(
    "value",
    [
        b"",
        b"\x02\x00\x00",
        packed([]),
        packed(EXTENDED, version=1),
        packed(EXTENDED)[:-1],
        packed(EXTENDED) + b"\0",
        packed([*MINIMAL, (0x40, 4, NO_NUMBER)]),
        packed([(0x01, 8, NO_NUMBER), *MINIMAL[1:]]),
        packed(MINIMAL[:2]),
        packed([*MINIMAL, MINIMAL[0]]),
        packed([*MINIMAL, (0x02, 4, 1000)]),
        packed([*EXTENDED, (0x02, 5, 1000)]),
        packed([*EXTENDED, (0x10, 5, NO_NUMBER)]),
    ],
    ids=[
        "nothing", "half a version", "no entries", "another version", "cut", "one byte more", "unknown tag",
        "unknown permission", "no other", "two owners", "named without mask", "one user twice", "two masks",
    ],
)  # fmt: skip
def test_what_is_no_valid_acl_is_not_made_one(value: bytes) -> None:
    """A value that does not decode to the last bit, or breaks a rule of acl(5), is left to its digest."""
    assert acl_text(value) is None


def _keep(path: Path, attribute: str, value: bytes) -> None:
    try:
        os.setxattr(path, attribute, value)
    except OSError:
        pytest.skip(f"this file system does not let {attribute} be set")


def test_the_text_stands_where_the_digest_of_other_attributes_stands(tmp_path: Path) -> None:
    """A folder's own ACL and the one that it gives to new names are texts; everything else stays a digest."""
    folder = tmp_path / "folder"
    folder.mkdir()
    _keep(folder, ACCESS_ACL, packed(EXTENDED))
    _keep(folder, DEFAULT_ACL, packed([*EXTENDED[:2], (0x04, 0, NO_NUMBER), *EXTENDED[3:]]))
    _keep(folder, "user.note", packed(EXTENDED))
    found = json.loads(xattrs_of(str(folder)) or "null")
    assert found == {
        "system.posix_acl_access": "user::rw-,user:1000:r--,group::r--,mask::rw-,other::---",
        "system.posix_acl_default": "user::rw-,user:1000:r--,group::---,mask::rw-,other::---",
        "user.note": blake3(packed(EXTENDED)).hexdigest(length=16),
    }


def test_an_acl_that_does_not_decode_is_a_digest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A network file system may give anything under the name: it is compared as the bytes that it is."""
    monkeypatch.setattr(os, "listxattr", lambda _: [ACCESS_ACL])
    monkeypatch.setattr(os, "getxattr", lambda *_: b"another form")
    assert json.loads(xattrs_of(str(tmp_path)) or "") == {ACCESS_ACL: blake3(b"another form").hexdigest(length=16)}


def test_a_value_that_may_not_be_read_is_null(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """That there is such an attribute is known, what it says is not."""

    def refuse(*_: object) -> bytes:
        raise PermissionError(1, "no")

    monkeypatch.setattr(os, "listxattr", lambda _: ["user.a", ACCESS_ACL])
    monkeypatch.setattr(os, "getxattr", refuse)
    assert json.loads(xattrs_of(str(tmp_path)) or "") == {"user.a": None, ACCESS_ACL: None}


def test_a_place_that_cannot_be_asked_has_no_answer(tmp_path: Path) -> None:
    """Attributes that may not be listed, or are not there, are None: not known, rather than none."""
    assert xattrs_of(str(tmp_path / "gone")) is None


@pytest.mark.real(programs=("setfacl", "getfacl"))
@pytest.mark.parametrize(
    "entries",
    ["u:1000:r", "u:0:rwx,u:65533:-,g:12:x,g:4294967294:rw", "m::x,g:7:rwx", "u::r,g::-,o::w"],
    ids=["one user", "many", "narrow mask", "only the mode"],
)
def test_the_text_is_what_getfacl_says(tmp_path: Path, entries: str) -> None:
    """Held against the system's own program, for a file, for a folder and for what the folder gives on."""
    for place, options in ((tmp_path / "file", ()), (tmp_path / "folder", ()), (tmp_path / "folder", ("-d",))):
        if place.name == "file":
            place.touch()
        else:
            place.mkdir(exist_ok=True)
        subprocess.run(["setfacl", *options, "-m", entries, place], check=True)
        said = subprocess.run(
            ["getfacl", "--omit-header", "--numeric", "--no-effective", "--absolute-names",
             "--default" if options else "--access", place],
            check=True, capture_output=True, text=True,
        ).stdout  # fmt: skip
        found = json.loads(xattrs_of(str(place)) or "null").get(DEFAULT_ACL if options else ACCESS_ACL)
        wanted = ",".join(line.removeprefix("default:") for line in said.split())
        # An ACL that says no more than the mode is kept in the mode alone (acl(5), "Correspondence").
        assert found == wanted or (found is None and not options and wanted.count(",") == 2)
        assert (found is None) == (entries == "u::r,g::-,o::w" and not options)
