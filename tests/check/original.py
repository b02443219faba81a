"""The tree that is copied to every kind of file system: a few hundred files with all that such a move can lose.

What a target cannot hold at all (links, names that are twins but for letter case, reserved characters) is left out
where a test says so; what it can only flatten (times, owners, modes, attributes, holes, hard links) is always there.
"""

from __future__ import annotations

import os
import struct
import unicodedata
from enum import Enum, auto
from pathlib import Path
from typing import TYPE_CHECKING, Final

from verifier.tree.attributes import ACCESS_ACL, DEFAULT_ACL

if TYPE_CHECKING:
    from collections.abc import Collection

SECOND_NS: Final = 10**9
DAY_NS: Final = 86_400 * SECOND_NS
USUAL_NS: Final = (
    1_700_000_001_234_567_891,
    1_700_000_002_000_000_000,
    1_600_000_000_999_999_999,
    1_500_000_001_000_000_100,
    1_234_567_891_500_000_000,
)
"""Odd and even seconds, whole ones and nanoseconds."""
CLERK: Final = (1000, 1000)
PHOTOGRAPHER: Final = (3001, 100)
"""The two owners and their groups."""
NO_NUMBER: Final = 0xFFFFFFFF
ACL: Final = struct.pack(
    "<I" + "HHI" * 5, 2, 1, 6, NO_NUMBER, 2, 6, 3001, 4, 4, NO_NUMBER, 16, 6, NO_NUMBER, 32, 0, NO_NUMBER
)
"""user::rw-,user:3001:rw-,group::r--,mask::rw-,other::--- in the form of linux/posix_acl_xattr.h."""
NOTE: Final = "user.note"
HOLES_BYTES: Final = 6 * 1024 * 1024

LEDGER: Final = tuple(f"ledger/{year}/page {n:03}.txt" for year in range(2003, 2011) for n in range(20))
LOST_FOLDER: Final = "ledger/2008"
PLANS: Final = tuple(f"plans/plan {n:02}.txt" for n in range(16))
"""Files of several kilobytes to which nothing has happened yet."""
NOTED: Final = tuple(f"letters/letter {n:02}.txt" for n in range(16))
"""Files with an attribute of their own: on NTFS an alternate stream."""
SHARED: Final = tuple(f"shared/minutes {n:02}.txt" for n in range(14))
"""Files with an ACL, in a folder that gives one to new names."""
PHOTOS: Final = tuple(f"photos/IMG_{n:04}.JPG" for n in range(24))
ACCENTED: Final = tuple(
    unicodedata.normalize("NFC", path)
    for path in (
        *(f"G\u00e4rten/Stra\u00dfe nach S\u00fcden {n:02}.txt" for n in range(12)),
        "G\u00e4rten/plain name.txt",
        "caf\u00e9 \u00e9t\u00e9.txt",
        "\ud55c\uae00.txt",
    )
)
TWINS: Final = ("twins/README", "twins/Readme", "twins/readme")
RESERVED: Final = tuple(
    f"remarks/{name}"
    for name in (
        "what next?.txt",
        "ratio 1:2.txt",
        "a<b>c.txt",
        'say "so".txt',
        "all*.txt",
        "this|that.txt",
        "back\\slash.txt",
        "::double::.txt",
        "why?? why!.txt",
        "from 9:00/to 10:00.txt",
        "from 9:00/plain.txt",
    )
)
"""Names with characters that Windows reserves (Win32 documentation, Naming Files); two in a folder with one."""
EMPTY: Final = ("nothing.txt", "ledger/2003/blank", "photos/.keep")
HOLES: Final = "disk image.raw"
THUMBNAILS: Final = "photos/Thumbs.db"
THUMBNAILS_DATA: Final = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(2040)
FOLDER_VIEW: Final = "ledger/.DS_Store"
FOLDER_VIEW_DATA: Final = bytes.fromhex("0000000142756431") + bytes(6140)
CLUTTER: Final = (THUMBNAILS, FOLDER_VIEW)
"""With the first bytes that the rules that ship want."""
NEW_CLUTTER: Final = "shared/.DS_Store"
"""What a desktop leaves behind in the copy."""
SECOND_NAMES: Final = {"archive/first page.txt": LEDGER[0], "archive/second page.txt": LEDGER[1]}
"""Second names of files: hard links."""
LINKS: Final = {"current": "ledger/2010", "photos/cover": "IMG_0003.JPG", "nowhere": "../gone"}
NOTED_FOLDER: Final = "letters"
SHARED_FOLDER: Final = "shared"
SET_UID: Final = LEDGER[5]
SET_GID_FOLDER: Final = "ledger"

BEFORE_1970_NS: Final = {
    "ledger/2010/page 015.txt": -1_500_000_000,
    "ledger/2010/page 016.txt": -157_766_399 * SECOND_NS + 7,
}
BEFORE_1980_NS: Final = {"ledger/2010/page 017.txt": 0, "ledger/2010/page 018.txt": 315_532_799 * SECOND_NS}
"""1970 begins, and the last second before FAT and exFAT begin (Win32 documentation, File Times; exFAT 7.4.8)."""
AFTER_2038_NS: Final = {"ledger/2010/page 019.txt": 2_222_222_223_333_333_333}


class Without(Enum):
    """What a tree is made without."""

    LINKS = auto()
    TWINS = auto()
    RESERVED = auto()
    ACCENTS = auto()
    OLD_TIMES = auto()
    """Times before 1980."""


def write_original(root: Path, without: Collection[Without] = ()) -> None:
    """Write the tree into a new folder."""
    files = [*LEDGER, *PLANS, *NOTED, *SHARED, *PHOTOS]
    for which, names in ((Without.TWINS, TWINS), (Without.RESERVED, RESERVED), (Without.ACCENTS, ACCENTED)):
        files += () if which in without else names
    root.mkdir(parents=True)
    for turn, path in enumerate(files):
        # Text that no other file has; of several lengths.
        _write(root / path, f"{path} {turn}\n".encode() * (300 if path in PLANS else 20 + turn * 37 % 200))
    for path, data in (
        (THUMBNAILS, THUMBNAILS_DATA),
        (FOLDER_VIEW, FOLDER_VIEW_DATA),
        *((name, b"") for name in EMPTY),
    ):
        _write(root / path, data)
    with (root / HOLES).open("wb") as file:
        file.seek(HOLES_BYTES // 2)
        file.write(b"island" * 1000)
        file.truncate(HOLES_BYTES)
    (root / "empty folder" / "another").mkdir(parents=True)
    (root / "archive").mkdir()
    for name, path in SECOND_NAMES.items():
        (root / name).hardlink_to(root / path)
    for name, target in {}.items() if Without.LINKS in without else LINKS.items():
        (root / name).symlink_to(target)
    _give(root)
    _set_times(root, old_ones=Without.OLD_TIMES not in without)


def _write(place: Path, data: bytes) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(data)


def places_in(root: Path) -> list[Path]:
    """Return everything in a tree, in one order."""
    return sorted(Path(where, name) for where, *names in os.walk(root) for name in (*names[0], *names[1]))


def _give(root: Path) -> None:
    """Give everything its owner, mode and attributes."""
    for turn, place in enumerate(places_in(root)):
        os.chown(place, *(PHOTOGRAPHER if "photos" in place.parts else CLERK), follow_symlinks=False)
        if not place.is_symlink():
            place.chmod(0o755 if place.is_dir() else (0o644, 0o640, 0o600, 0o444)[turn % 4])
    (root / SET_UID).chmod(0o4755)
    (root / SET_GID_FOLDER).chmod(0o2775)
    for path in (*NOTED, NOTED_FOLDER):
        os.setxattr(root / path, NOTE, f"about {path}".encode())
    for path in SHARED:
        os.setxattr(root / path, ACCESS_ACL, ACL)
    os.setxattr(root / SHARED_FOLDER, DEFAULT_ACL, ACL)


def _set_times(root: Path, *, old_ones: bool) -> None:
    special = AFTER_2038_NS | (BEFORE_1970_NS | BEFORE_1980_NS if old_ones else {})
    for turn, place in enumerate(places_in(root)):
        # A day apart, so that no difference of two is that of two others.
        usual_ns = USUAL_NS[turn % len(USUAL_NS)] + turn * DAY_NS
        time_ns = special.get(str(place.relative_to(root)), usual_ns)
        os.utime(place, ns=(time_ns, time_ns), follow_symlinks=False)
