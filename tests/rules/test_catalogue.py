"""The rules that ship: each claims what it is for, and no real file that merely has the name.

Sizes and names of impostors are invented. Where a fact about a format is checked, its source stands beside it.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.rules.trees import Tree, directory, file, rule, rules
from verifier.rules.guards import Candidate
from verifier.rules.load import load_rules
from verifier.rules.matcher import Matcher
from verifier.rules.pattern import Pattern, compile_pattern
from verifier.rules.rule import Action, Rule
from verifier.tree.entry import Kind

STANDARD: Final = load_rules()
MATCHER: Final = Matcher(STANDARD)
BY_NAME: Final = {rule.name: rule for rule in STANDARD.rules}

OLE2 = bytes.fromhex("d0cf11e0a1b11ae1")  # compound file, from memory
DS_STORE = b"\x00\x00\x00\x01Bud1"  # published format descriptions of .DS_Store (PRONOM fmt/394)
APPLEDOUBLE = bytes.fromhex("00051607")  # RFC 1740, appendix B
APPLESINGLE = bytes.fromhex("00051600")  # RFC 1740, appendix A: holds the data as well
VIM = b"b0VIM 8.1"  # PRONOM, Vim SWAP File
QUOTA_USER = bytes.fromhex("111fc0d9")  # 0xd9c01f11, little-endian: Linux fs/quota/quotaio_v2.h
QUOTA_GROUP = bytes.fromhex("2719c0d9")  # 0xd9c01927, the same file
JPEG = bytes.fromhex("ffd8ffe000104a46")
TEXT = b"Dear all,"
OFFICE = (
    *("doc", "docx", "docm", "dot", "dotx", "dotm", "rtf", "DOCX"),
    *("xls", "xlsx", "xlsm", "xlsb", "xlt", "xltx", "xltm", "xlam"),
    *("ppt", "pptx", "pptm", "pps", "ppsx", "ppsm", "pot", "potx", "potm"),
    *("pub", "vsd", "vsdx", "vsdm"),
)
HEX24 = "0123456789abcdef01234567"


class Sample(NamedTuple):
    """An entry, the other paths around it, and the rule that claims it, if any."""

    name: str
    entry: Candidate
    around: tuple[str, ...] = ()


def link(path: str) -> Candidate:
    """Return a link."""
    return Candidate(path, Kind.LINK, 20, None)


CLAIMED: Final = [
    Sample("temporary-file", file("a/Report.TMP")),
    Sample("windows-shortcut", file("a/Archive.LNK")),
    Sample("windows-disk-check-folder", directory("FOUND.000")),
    Sample("windows-disk-check-file", file("FILE0001.CHK")),
    Sample("samba-streams", directory("share/.streams")),
    Sample("windows-thumbnail-cache", file("a/Thumbs.db", 32 * 1024**2, OLE2)),
    Sample("windows-thumbnail-cache", file("a/thumbs.DB", 5120, OLE2)),
    Sample("windows-media-thumbnail-cache", file("a/ehthumbs.db", 5120, OLE2)),
    Sample("windows-media-thumbnail-cache", file("a/ehthumbs_vista.db", 5120, OLE2)),
    Sample("windows-folder-settings", file("a/Desktop.ini", 129, b"[.ShellClassInfo")),
    Sample("windows-folder-settings", file("a/desktop.ini", 129, b"\r\n[.ShellClassIn")),
    Sample("windows-folder-settings", file("a/desktop.ini", 400, "\ufeff\r\n[.Shel".encode("utf-16-le"))),
    Sample("windows-bin", directory("users/ada/$RECYCLE.BIN")),
    Sample("windows-old-bin", directory("RECYCLER")),
    Sample("windows-old-bin", directory("Recycled")),
    Sample("windows-volume-information", directory("d/System Volume Information")),
    Sample("windows-memory-file", file("pagefile.sys", 2**34, None)),
    Sample("windows-memory-file", file("hiberfil.sys", 2**34, None)),
    Sample("windows-memory-file", file("SWAPFILE.SYS", 2**28, None)),
    *(Sample("office-owner-file", file(f"a/~$tter.{ending}", 165, b"\x03Ada")) for ending in OFFICE),
    Sample("office-temporary-file", file("a/~WRL0003.tmp", 40_000, OLE2)),
    Sample("office-temporary-file", file("a/~WRD0000.tmp", 0, b"")),
    Sample("office-temporary-file", file("a/~DF1A2B.tmp", 512, b"\0")),
    # One entry of 64 bytes a user, 255 users at most, in the database's folder: Microsoft KB 136128.
    Sample("access-lock", file("a/Plants.ldb", 255 * 64, b"DESK"), ("a/Plants.mdb",)),
    Sample("access-lock", file("a/Plants.laccdb", 64, b"DESK"), ("a/Plants.accdb",)),
    Sample("layout-lock", file("a/~poster~k3l2.idlk", 0, b"")),
    Sample(
        "libreoffice-lock", file("a/.~lock.notes.odt#", 80, b",ada,desk")
    ),  # name: LibreOffice, Global templates of github/gitignore
    Sample("macos-folder-view", file("a/.DS_Store", 6148, DS_STORE)),
    Sample("appledouble-file", file("a/._photo.jpg", 4096, APPLEDOUBLE), ("a/photo.jpg",)),
    Sample("appledouble-file", file("._folder", 120, APPLEDOUBLE), ("folder/x",)),
    Sample("appledouble-folder", directory("a/.AppleDouble")),
    Sample("appledouble-folder-content", file("a/.AppleDouble/p.jpg", 589, APPLEDOUBLE), ("a/p.jpg",)),
    Sample("appledouble-folder-parent", file("a/.AppleDouble/.Parent", 589, APPLEDOUBLE)),
    Sample("macos-archive-folder", directory("a/__MACOSX")),
    Sample("macos-archive-folder", directory("a/__MACOSX/b/c")),
    Sample("macos-archive-content", file("a/__MACOSX/b/._photo.jpg", 220, APPLEDOUBLE)),
    Sample("macos-archive-content", file("__MACOSX/._photo.jpg", 220, APPLEDOUBLE)),
    Sample("afp-database", directory("a/.AppleDB")),
    Sample("afp-database", directory("a/.AppleDesktop")),
    Sample("afp-bin", directory("a/Network Trash Folder")),
    Sample("afp-bin", directory("a/.TemporaryItems")),
    Sample("afp-temporary-items", directory("Temporary Items")),
    Sample("macos-folder-icon", file("a/Icon\r", 0, b"")),
    Sample("macos-folder-icon", file("a/Icon\uf00d", 0, b"")),
    Sample("macos-index", directory(".Spotlight-V100")),
    Sample("macos-index", directory(".fseventsd")),
    Sample("macos-share-settings", file(".apdisk", 291, b"<?xml ")),
    Sample("macos-volume-icon", file(".VolumeIcon.icns", 60_000, b"icns\0\0")),
    Sample("macos-bin", directory(".Trashes")),
    Sample("macos-bin", directory("users/ada/.Trash")),
    Sample("macos-document-versions", directory(".DocumentRevisions-V100")),
    # "$topdir/.Trash-$uid", with subfolders files and info: freedesktop.org Trash specification 1.0.
    Sample("freedesktop-bin", directory("usb/.Trash-1000"), ("usb/.Trash-1000/info/",)),
    Sample("freedesktop-bin", directory("usb/.Trash-0"), ("usb/.Trash-0/files/x",)),
    Sample("kde-folder-view", file("a/.directory", 70, b"[Dolphin]")),
    Sample("vim-swap-file", file("a/.notes.txt.swp", 12288, VIM)),
    Sample("vim-swap-file", file("a/.notes.txt.swa", 12288, VIM)),
    Sample("editor-backup", file("a/notes.txt~", 900, TEXT), ("a/notes.txt",)),
    Sample("emacs-auto-save", file("a/#notes.txt#", 900, TEXT), ("a/notes.txt",)),
    Sample("emacs-lock", link("a/.#notes.txt")),
    Sample("ext-lost-and-found", directory("lost+found")),  # at the root, made by mke2fs: mklost+found(8)
    Sample("quota-file", file("aquota.user", 7168, QUOTA_USER)),
    Sample("quota-file", file("aquota.group", 7168, QUOTA_GROUP)),
    Sample("nfs-deleted-while-open", file(f"a/.nfs{HEX24}", 900, TEXT)),
    Sample("fuse-deleted-while-open", file("a/.fuse_hidden0000001200000001", 900, TEXT)),
    Sample("snapshot-folder", directory("tank/.zfs")),  # zfsprops(7), snapdir
    Sample("snapshot-folder", directory("a/.snapshot")),
    Sample("snapshot-folder", directory("a/~snapshot")),
    Sample("snapshot-folder", directory("a/.snapshots")),
    Sample("snapshot-folder", directory("#snapshot")),
    Sample("samba-snapshot", directory("a/@GMT-2024.03.05-23.00.59")),  # vfs_shadow_copy2(8), shadow:format
    Sample("nas-index", directory("a/@eaDir")),
    Sample("nas-index", directory("a/.@__thumb")),
    Sample("nas-temporary-folder", directory("@tmp")),
    Sample("nas-bin", directory("#recycle")),
    Sample("nas-bin", directory("share/@Recycle")),
    Sample("nas-bin", directory("share/.recycle")),  # vfs_recycle(8), recycle:repository
]

IMPOSTORS: Final = [
    Sample("temporary-file", directory("a/work.tmp")),
    Sample("windows-shortcut", directory("a/walks.lnk")),
    Sample("windows-disk-check-folder", file("found.000", 9, TEXT)),
    Sample("windows-disk-check-folder", directory("found.2024")),
    Sample("windows-disk-check-file", directory("FILE0001.CHK")),
    Sample("samba-streams", file(".streams", 9, TEXT)),
    Sample("windows-thumbnail-cache", directory("a/Thumbs.db")),
    Sample("windows-thumbnail-cache", file("a/Thumbs.db", 38_000_000, OLE2)),
    Sample("windows-thumbnail-cache", file("a/Thumbs.db", 5120, b"SQLite format 3\0")),
    Sample("windows-thumbnail-cache", file("a/Thumbs.db", 5120, None)),
    Sample("windows-thumbnail-cache", file("a/Thumbs.db\n", 5120, OLE2)),
    Sample("windows-media-thumbnail-cache", file("a/ehthumbs.db", 38_000_000, OLE2)),
    Sample("windows-media-thumbnail-cache", file("a/ehthumbs.db", 5120, TEXT)),
    Sample("windows-folder-settings", directory("a/desktop.ini")),
    Sample("windows-folder-settings", file("a/desktop.ini", 200, JPEG)),
    Sample("windows-folder-settings", file("a/desktop.ini", 2_000_000, b"[.ShellClassInfo")),
    Sample("windows-bin", file("$RECYCLE.BIN", 9, TEXT)),
    Sample("windows-old-bin", directory("projects/Recycled")),
    Sample("windows-volume-information", file("System Volume Information", 9, TEXT)),
    Sample("windows-memory-file", file("dumps/pagefile.sys", 2**34, None)),
    Sample("windows-memory-file", directory("hiberfil.sys")),
    Sample("office-owner-file", file("a/~$letter.docx", 48_000, b"PK\x03\x04")),
    Sample("office-owner-file", directory("a/~$letter.docx")),
    Sample("office-owner-file", file("a/~$prices.txt", 165, TEXT)),
    Sample("office-temporary-file", directory("a/~WRL0003.tmp")),
    Sample("office-temporary-file", file("a/~WRL0003.tmp", 20_000_000, OLE2)),
    Sample("access-lock", file("a/000005.ldb", 9_000, b"\0"), ("a/CURRENT",)),
    Sample("access-lock", file("a/Plants.ldb", 2_000_000, b"\0"), ("a/Plants.mdb",)),
    Sample("access-lock", file("a/Plants.ldb", 64, b"\0"), ("Plants.mdb",)),
    Sample("layout-lock", file("a/poster.idlk", 9_000_000, b"\0")),
    Sample("libreoffice-lock", file("a/.~lock.notes.odt#", 48_000, b"PK\x03\x04")),
    Sample("macos-folder-view", file("a/.DS_Store", 2 * 10**9, DS_STORE)),
    Sample("macos-folder-view", file("a/.DS_Store", 6148, TEXT)),
    Sample("macos-folder-view", directory("a/.DS_Store")),
    Sample("appledouble-file", file("a/._photo.jpg", 4096, APPLEDOUBLE), ("photo.jpg",)),
    Sample("appledouble-file", file("a/._photo.jpg", 4097, APPLEDOUBLE), ("a/photo.jpg",)),
    Sample("appledouble-file", file("a/._photo.jpg", 4096, JPEG), ("a/photo.jpg",)),
    Sample("appledouble-file", file("a/._photo.jpg", 4096, APPLESINGLE), ("a/photo.jpg",)),
    Sample("appledouble-file", file("a/._", 4096, APPLEDOUBLE)),
    Sample("appledouble-file", directory("a/._photo.jpg"), ("a/photo.jpg",)),
    Sample("appledouble-folder", file(".AppleDouble", 9, TEXT)),
    Sample("appledouble-folder-content", file("a/.AppleDouble/Font", 90_000, APPLEDOUBLE), ("a/Font",)),
    Sample("appledouble-folder-content", file("a/.AppleDouble/p.jpg", 589, APPLEDOUBLE)),
    Sample("appledouble-folder-content", file("a/.AppleDouble/p.jpg", 589, JPEG), ("a/p.jpg",)),
    Sample("appledouble-folder-parent", file("a/.AppleDouble/.Parent", 589, JPEG)),
    Sample("appledouble-folder-parent", file("a/.AppleDouble/.Parent", 90_000, APPLEDOUBLE)),
    Sample("macos-archive-folder", file("a/__MACOSX", 9, TEXT)),
    Sample("macos-archive-content", file("a/__MACOSX/b/photo.jpg", 220, JPEG)),
    Sample("macos-archive-content", file("a/__MACOSX/b/._font", 90_000, APPLEDOUBLE)),
    Sample("macos-archive-content", file("a/__MACOSX/b/._photo.jpg", 220, JPEG)),
    Sample("afp-database", file(".AppleDB", 9, TEXT)),
    Sample("afp-bin", file("Network Trash Folder", 9, TEXT)),
    Sample("afp-temporary-items", directory("inventory/Temporary Items")),
    Sample("macos-folder-icon", file("a/Icon", 0, b"")),
    Sample("macos-folder-icon", file("a/Icon\r", 300, JPEG)),
    Sample("macos-index", file(".fseventsd", 9, TEXT)),
    Sample("macos-share-settings", file(".apdisk", 9_000_000, TEXT)),
    Sample("macos-volume-icon", file(".VolumeIcon.icns", 60_000, JPEG)),
    Sample("macos-volume-icon", file(".VolumeIcon.icns", 10**9, b"icns\0\0")),
    Sample("macos-bin", file(".Trash", 9, TEXT)),
    Sample("macos-document-versions", file(".DocumentRevisions-V100", 9, TEXT)),
    Sample("freedesktop-bin", directory("a/.Trash-2019 photos"), ("a/.Trash-2019 photos/1.jpg",)),
    Sample("freedesktop-bin", file("a/.Trash-1000", 9, TEXT)),
    Sample("kde-folder-view", file("a/.directory", 9_000_000, b"[Dolphin]")),
    Sample("kde-folder-view", file("a/.directory", 70, JPEG)),
    Sample("vim-swap-file", file("a/.notes.txt.swp", 12288, TEXT)),
    Sample("vim-swap-file", file("a/.film.swf", 12288, VIM[:2])),
    Sample("editor-backup", file("a/notes.txt~", 900, TEXT)),
    Sample("editor-backup", directory("a/old~"), ("a/old/",)),
    Sample("emacs-auto-save", file("a/#notes.txt#", 900, TEXT)),
    Sample("emacs-lock", file("a/.#notes.txt.1.5", 900, TEXT)),
    Sample("ext-lost-and-found", directory("lost+found"), ("lost+found/#1234",)),
    Sample("ext-lost-and-found", directory("a/lost+found")),
    Sample("quota-file", file("aquota.user", 7168, TEXT)),
    Sample("quota-file", file("a/aquota.user", 7168, QUOTA_USER)),
    Sample("nfs-deleted-while-open", file(f"a/.nfs{HEX24}0", 900, TEXT)),
    Sample("nfs-deleted-while-open", file("a/.nfs-mounts", 900, TEXT)),
    Sample("fuse-deleted-while-open", directory("a/.fuse_hidden0000001200000001")),
    Sample("snapshot-folder", file("a/.snapshot", 9, TEXT)),
    Sample("samba-snapshot", directory("a/@GMT-talks 2024")),
    Sample("nas-index", file("a/@eaDir", 9, TEXT)),
    Sample("nas-temporary-folder", directory("a/@tmp")),
    Sample("nas-bin", directory("a/recycle")),
]


def named(sample: Sample) -> str:
    """Return a readable id."""
    return f"{sample.name}: {sample.entry.kind} {sample.entry.path!a} {sample.entry.size}"


def claimer(sample: Sample) -> Rule | None:
    """Return the rule that claims a sample."""
    path = sample.entry.path + ("/" if sample.entry.kind == Kind.DIRECTORY else "")
    claim = MATCHER.claim(sample.entry, Tree(path, *sample.around))
    return claim.rule if claim is not None and claim.holds else None


@pytest.mark.parametrize("sample", CLAIMED, ids=named)
def test_claims_what_it_is_for(sample: Sample) -> None:
    """Each rule claims the thing that it describes, at its place and with its looks."""
    rule = claimer(sample)
    assert rule is not None
    assert rule.name == sample.name


@pytest.mark.parametrize("sample", IMPOSTORS, ids=named)
def test_never_claims_an_impostor(sample: Sample) -> None:
    """A real file or folder that has the name, or nearly, is not claimed by the rule: it stays data."""
    rule = claimer(sample)
    assert rule is None or rule.action is Action.KEEP
    assert rule is None or rule.name != sample.name


@pytest.mark.parametrize("name", sorted(BY_NAME))
def test_every_rule_and_pattern_has_samples(name: str) -> None:
    """No rule ships without a name that each of its patterns claims and an impostor that it does not."""
    assert name in {sample.name for sample in IMPOSTORS}
    for pattern in BY_NAME[name].patterns:
        alone = Matcher(rules(rule(pattern, ignore_case=BY_NAME[name].ignore_case)))
        paths = [(s.entry.path, s.entry.kind) for s in CLAIMED if s.name == name]
        assert any(list(alone.levels(*each))[-1][1] for each in paths), pattern


# The catalogue's default for each row: set aside (I), after a check (C), keep (K), skip (S), report (L).
DEFAULTS: Final = {
    "I": """windows-thumbnail-cache windows-media-thumbnail-cache windows-memory-file macos-folder-view afp-database
        macos-index macos-share-settings macos-volume-icon kde-folder-view ext-lost-and-found quota-file""",
    "C": """windows-folder-settings windows-bin windows-old-bin appledouble-file appledouble-folder
        appledouble-folder-content appledouble-folder-parent afp-bin afp-temporary-items macos-folder-icon macos-bin
        macos-document-versions macos-archive-folder macos-archive-content office-temporary-file vim-swap-file
        editor-backup emacs-auto-save emacs-lock freedesktop-bin nas-index nas-temporary-folder nas-bin""",
    "K": """temporary-file windows-shortcut windows-disk-check-folder windows-disk-check-file samba-streams""",
    "S": """windows-volume-information snapshot-folder samba-snapshot""",
    "L": """office-owner-file access-lock layout-lock libreoffice-lock nfs-deleted-while-open
        fuse-deleted-while-open""",
}


def test_actions_are_those_of_the_catalogue() -> None:
    """What may hold somebody's work needs a named decision; what is too broad is kept; a lock is only reported."""
    letters = {
        (Action.SET_ASIDE, False): "I",
        (Action.SET_ASIDE, True): "C",
        (Action.KEEP, False): "K",
        (Action.DO_NOT_DESCEND, False): "S",
        (Action.REPORT, False): "L",
    }
    found = {rule.name: letters[rule.action, rule.decision] for rule in STANDARD.rules}
    assert found == {name: letter for letter, names in DEFAULTS.items() for name in names.split()}


@pytest.mark.parametrize("rule", STANDARD.rules, ids=lambda rule: rule.name)
def test_a_fact_from_memory_alone_sets_nothing_aside_quietly(rule: Rule) -> None:
    """Every rule names its source, and one that rests on memory needs a decision, keeps, skips or reports."""
    assert rule.source
    if rule.source == "from memory":
        assert rule.decision or rule.action is not Action.SET_ASIDE


@pytest.mark.parametrize("rule", STANDARD.rules, ids=lambda rule: rule.name)
def test_every_rule_says_what_kind_it_means(rule: Rule) -> None:
    """A folder that is named like a file's clutter, or a file like a folder's, is never claimed."""
    assert rule.guards.kind is not None


@pytest.mark.parametrize(
    ("entry", "why"),
    [
        (file("Thumbs.db", 38_000_000, OLE2), "named like a thumbnail cache, but 38 MB: kept as data"),
        (directory("Thumbs.db"), "named like a thumbnail cache, but a directory: kept as data"),
        (
            file("._p.jpg", 100, APPLEDOUBLE),
            "named like an AppleDouble header, but there is no p.jpg: kept as data",
        ),
        (
            file("Thumbs.db", 100, None),
            "named like a thumbnail cache, but its first bytes were not read: kept as data",
        ),
    ],
)
def test_says_why_an_impostor_is_kept(entry: Candidate, why: str) -> None:
    """The reason is a sentence for a person."""
    claim = MATCHER.claim(entry, Tree())
    assert claim is not None
    assert (claim.holds, claim.why) == (False, why)


def test_a_full_lost_and_found_is_data_and_says_so() -> None:
    """What a disk check found is somebody's file: it is kept, and so is what is in it (mklost+found(8))."""
    tree = Tree("lost+found/#1234")
    claim = MATCHER.claim(directory("lost+found"), tree)
    assert claim is not None
    assert not claim.holds
    assert claim.why.endswith(", but not empty: kept as data")
    assert MATCHER.claim(file("lost+found/#1234", 9, TEXT), tree) is None


def test_a_lost_and_found_that_could_not_be_listed_is_not_empty() -> None:
    """Usually only root may list it: what was not seen is not nothing."""
    claim = MATCHER.claim(directory("lost+found"), Tree("lost+found/", unlisted=["lost+found"]))
    assert claim is not None
    assert not claim.holds


@pytest.mark.parametrize("inside", ["Thumbs.db", "notes~", "$RECYCLE.BIN"])
@pytest.mark.parametrize("folder", [".streams", "found.000"])
def test_nothing_in_a_kept_folder_is_set_aside(folder: str, inside: str) -> None:
    """Alternate streams and a disk check's finds are data down to the last name."""
    claim = MATCHER.claim(file(f"{folder}/{inside}", 100, OLE2), Tree(f"{folder}/{inside}", f"{folder}/notes"))
    assert claim is not None
    assert claim.rule.action is Action.KEEP


@pytest.mark.parametrize("path", ["a/.zfs", ".snapshots", "a/b/#snapshot", "x/@GMT-2024.03.05-23.00.59"])
def test_snapshots_are_not_entered(path: str) -> None:
    """A folder of snapshots is skipped at any depth, and what would be in it belongs to it."""
    assert MATCHER.descend(path) is not None
    assert MATCHER.descend(path.rpartition("/")[0] or "docs") is None
    claim = MATCHER.claim(file(f"{path}/notes.txt"), Tree(f"{path}/notes.txt"))
    assert claim is not None
    assert (claim.via, claim.rule.action) == (path, Action.DO_NOT_DESCEND)


LITERALS: Final = [
    pattern
    for rule in STANDARD.rules
    for text in rule.patterns
    for pattern in [compile_pattern(text, ignore_case=rule.ignore_case)]
    if pattern.by_name and pattern.literal is not None
]


def test_the_catalogue_has_literal_names() -> None:
    """Guards the next test: names without a wildcard are found, with brackets around one character and without."""
    literals = {pattern.literal for pattern in LITERALS}
    assert {"Thumbs.db", "#snapshot", "Icon\r", ".DS_Store", "lost+found"} <= literals
    assert len(literals) > 40


@given(pattern=st.sampled_from(LITERALS), data=st.data())
def test_one_character_makes_another_name(pattern: Pattern, data: st.DataObject) -> None:
    """A name that differs from a pattern's literal by one character is never claimed by that pattern."""
    literal = pattern.literal
    assert literal is not None
    at = data.draw(st.integers(0, len(literal)), label="at")
    new = data.draw(st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), label="new")
    inserted, replaced, removed = (
        literal[:at] + middle for middle in (new + literal[at:], new + literal[at + 1 :], literal[at + 1 :])
    )
    changed = data.draw(st.sampled_from([inserted, replaced, removed]), label="changed")
    matcher = Matcher(rules(rule(pattern.text, ignore_case=pattern.ignore_case)))
    ((_, found),) = matcher.levels(changed, Kind.DIRECTORY)
    same = _ascii_lower(changed) == _ascii_lower(literal) if pattern.ignore_case else changed == literal
    assert bool(found) is same


def _ascii_lower(text: str) -> str:
    return "".join(c.lower() if c.isascii() else c for c in text)
