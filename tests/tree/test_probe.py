"""What a root tells about itself, asked without changing anything."""

from __future__ import annotations

import errno
import os
import pickle
import unicodedata
from typing import TYPE_CHECKING

import pytest

from tests.strategies import lay_out
from verifier.tree.attributes import ACCESS_ACL
from verifier.tree.file_system import FILE_SYSTEMS, NOT_NTFS, FileSystem
from verifier.tree.probe import Held, Root, Streams, UnicodeForms, case_sensitive, probe, unicode_forms
from verifier.tree.share import NAMES_ASKED, Share

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

COMPOSED = unicodedata.normalize("NFC", "Gru\u0308\u00dfe")
DECOMPOSED = unicodedata.normalize("NFD", COMPOSED)


# ---- Letter case


def test_letter_case_is_asked_of_existing_names(tmp_path: Path) -> None:
    """Where names have letters the question has an answer, and asking leaves nothing behind."""
    root = lay_out(tmp_path / "root", {b"Name": b"", b"123": b""})
    share = Share.at(root)
    assert share.case_sensitive is not (root / "nAME").exists()
    assert sorted(p.name for p in root.iterdir()) == ["123", "Name"]


def test_both_cases_side_by_side_leave_the_question_open(tmp_path: Path) -> None:
    """Two names that differ by case alone say nothing the probe could use, and must not be taken for one."""
    root = lay_out(tmp_path / "root", {b"name": b"1", b"NAME": b"2"})
    if len(list(root.iterdir())) == 2:
        assert Share.at(root).case_sensitive is not False


@pytest.mark.parametrize("names", [(), ("123", "4.5"), ("\u4e2d",)], ids=["none", "digits", "no case"])
def test_without_letters_nothing_is_claimed(tmp_path: Path, names: tuple[str, ...]) -> None:
    """No name with a letter, no answer: nothing is created to find out."""
    assert Share.at(lay_out(tmp_path / "root", {name.encode(): b"" for name in names})).case_sensitive is None


def test_a_file_found_under_its_other_case_means_insensitive(tmp_path: Path) -> None:
    """A second name of the same inode stands for a file system that folds case, which this one does not."""
    (tmp_path / "Name").touch()
    os.link(tmp_path / "Name", tmp_path / "nAME")
    for all_names in (True, False):
        assert case_sensitive(Root(tmp_path, ["Name"], all_names)) is False


def test_a_name_that_is_there_and_not_listed_is_another_form_of_one_that_is(tmp_path: Path) -> None:
    """A program that answers for a file system may give each form of a name a number of its own (exfat-fuse does).

    Where the listing was cut short the other name may as well be a file of its own: then nothing is claimed.
    """
    lay_out(tmp_path / "root", {b"Name": b"1", b"nAME": b"2"})
    assert case_sensitive(Root(tmp_path / "root", ["Name"], all_names=True)) is False
    assert case_sensitive(Root(tmp_path / "root", ["Name"], all_names=False)) is None


def test_a_cut_listing_still_finds_names_that_are_told_apart(tmp_path: Path) -> None:
    """In a root with many names the other case of one of them is not there: that is an answer."""
    root = lay_out(tmp_path / "root", {f"name {n:04}".encode(): b"" for n in range(NAMES_ASKED + 5)})
    assert Share.at(root).case_sensitive is not (root / "NAME 0007").exists()


# ---- Unicode forms


@pytest.mark.parametrize("name", [COMPOSED, DECOMPOSED], ids=["composed", "decomposed"])
def test_unicode_forms_are_asked_of_existing_names(tmp_path: Path, name: str) -> None:
    """Whichever form is there, the other one is asked for, and asking leaves nothing behind."""
    root = lay_out(tmp_path / "root", {name.encode(): b"", b"plain": b""})
    other = DECOMPOSED if name == COMPOSED else COMPOSED
    same = (root / other).exists()
    assert Share.at(root).held.unicode == (UnicodeForms.SAME if same else UnicodeForms.DISTINCT)
    assert len(list(root.iterdir())) == 2


def test_a_file_found_under_its_other_form_means_that_forms_are_one(tmp_path: Path) -> None:
    """A second name of the same inode stands for a file system that does not tell forms apart."""
    (tmp_path / COMPOSED).touch()
    os.link(tmp_path / COMPOSED, tmp_path / DECOMPOSED)
    assert unicode_forms(Root(tmp_path, [COMPOSED], all_names=False)) is UnicodeForms.SAME
    assert unicode_forms(Root(tmp_path, [COMPOSED, DECOMPOSED], all_names=True)) is None


@pytest.mark.parametrize(
    "names",
    [[], [b"plain", b"123"], [b"\xff\xfe"], ["\u4e2d\u6587".encode()], ["\u00e9e\u0301".encode()]],
    ids=["none", "ASCII", "no UTF-8", "one form only", "mixed forms"],
)
def test_without_a_name_of_two_forms_nothing_is_claimed(tmp_path: Path, names: list[bytes]) -> None:
    """A name that is the same in both forms, or in neither, is no question."""
    assert Share.at(lay_out(tmp_path / "root", dict.fromkeys(names, b""))).held.unicode is None


def test_a_form_that_the_system_cannot_spell_is_no_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In an encoding without combining characters the other form cannot even be asked for."""
    (tmp_path / COMPOSED).touch()

    def lstat(path: Path) -> os.stat_result:
        str(path).encode("latin-1")
        return os.lstat(path)

    monkeypatch.setattr("pathlib.Path.lstat", lstat)
    assert unicode_forms(Root(tmp_path, [COMPOSED], all_names=True)) is None


# ---- Attributes, ACLs and streams: what each answer of the system means


class Answers:
    """What getxattr and listxattr say about a root; anything else that is asked for is ENODATA."""

    def __init__(self, answers: Mapping[str, int | bytes], listed: list[str] | int = 0) -> None:
        self._answers = answers
        self._listed: list[str] | int = listed or []

    def get(self, _: object, attribute: str) -> bytes:
        """Answer as os.getxattr does."""
        kind = "user" if attribute.startswith("user.") else attribute
        answer = self._answers.get(kind, errno.ENODATA)
        if isinstance(answer, int):
            raise OSError(answer, "no")
        return answer

    def list(self, _: object) -> list[str]:
        """Answer as os.listxattr does."""
        if isinstance(self._listed, int):
            raise OSError(self._listed, "no")
        return self._listed


def probed(
    monkeypatch: pytest.MonkeyPatch, root: Path, answers: Answers, type_name: str = "ext4"
) -> tuple[Held, FileSystem]:
    """Probe an empty root that answers so."""
    monkeypatch.setattr(os, "getxattr", answers.get, raising=False)
    monkeypatch.setattr(os, "listxattr", answers.list, raising=False)
    return probe(Root(root, [], all_names=True), type_name, FILE_SYSTEMS.get(type_name, FileSystem()))


NTFS_ATTRIBUTE = "system.ntfs_attrib"
NO = errno.ENOTSUP


@pytest.mark.parametrize(
    ("answers", "held"),
    [
        (Answers({}), Held(None, True, True, Streams.XATTR)),
        (Answers({"user": b"there is one"}), Held(None, True, True, Streams.XATTR)),
        (Answers({"user": NO}), Held(None, False, True, Streams.NONE)),
        (Answers({"user": NO, ACCESS_ACL: NO}), Held(None, False, False, Streams.NONE)),
        (Answers({ACCESS_ACL: NO}), Held(None, True, False, Streams.XATTR)),
        (Answers({ACCESS_ACL: b"\x02\0\0\0"}, [ACCESS_ACL]), Held(None, True, True, Streams.XATTR)),
        (Answers({"user": errno.EACCES, ACCESS_ACL: errno.EIO}), Held(None, None, None, None)),
        (Answers({}, errno.EACCES), Held(None, None, True, None)),
    ],
    ids=["both", "an attribute of the name", "nouser_xattr", "neither", "noacl", "an ACL", "no answers", "no list"],
)
def test_what_a_root_answers_is_what_is_held(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, answers: Answers, held: Held
) -> None:
    """getxattr(2): ENODATA where one could be and is not, ENOTSUP where none can be; else nobody knows."""
    assert probed(monkeypatch, tmp_path, answers) == (held, FileSystem())


@pytest.mark.parametrize(
    ("answers", "acls"),
    [
        (Answers({}), None),
        (Answers({"user": NO}), False),
        (Answers({ACCESS_ACL: NO}), False),
        (Answers({ACCESS_ACL: b"\x02\0\0\0"}), None),
        (Answers({ACCESS_ACL: b"\x02\0\0\0"}, [ACCESS_ACL]), True),
        (Answers({"user": errno.EACCES}), None),
    ],
    ids=["no data", "no attributes at all", "not supported", "given, not listed", "given and listed", "no answer"],
)
def test_a_program_that_says_nothing_about_acls_does_not_hold_them(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, answers: Answers, acls: bool | None
) -> None:
    """The kernel makes "there is none" of a program that does not know the question (Linux, fs/fuse/acl.c)."""
    assert probed(monkeypatch, tmp_path, answers, "fuse.any")[0].acls is acls


@pytest.mark.parametrize(
    ("answers", "acls", "found"),
    [
        (Answers({NTFS_ATTRIBUTE: b"\x10\0\0\0"}), False, FILE_SYSTEMS["fuseblk"]),
        (Answers({NTFS_ATTRIBUTE: b"\x10\0\0\0", ACCESS_ACL: NO}), False, FILE_SYSTEMS["fuseblk"]),
        (Answers({NTFS_ATTRIBUTE: NO, "user": NO}), False, NOT_NTFS),
        (Answers({NTFS_ATTRIBUTE: errno.EACCES}), None, FILE_SYSTEMS["fuseblk"]),
        (
            Answers({NTFS_ATTRIBUTE: b"\x10\0\0\0", ACCESS_ACL: b"\x02\0\0\0"}),
            None,
            FileSystem(100, owners=True, modes=True, inodes=False, compresses=True),
        ),
    ],
    ids=["NTFS", "NTFS with permissions", "exFAT", "no answer", "NTFS with ACLs"],
)
def test_a_program_on_a_block_device_is_ntfs_where_it_answers_as_that(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, answers: Answers, acls: bool | None, found: FileSystem
) -> None:
    """The mount table calls NTFS and exFAT alike ``fuseblk``; only NTFS has system.ntfs_attrib (ntfs3.rst)."""
    held, file_system = probed(monkeypatch, tmp_path, answers, "fuseblk")
    assert (held.acls, file_system) == (acls, found)


@pytest.mark.parametrize(("type_name", "streams"), [("vfat", Streams.NONE), ("cifs", None), ("ext4", Streams.XATTR)])
def test_streams_need_a_type_that_shows_them(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, type_name: str, streams: Streams | None
) -> None:
    """Attributes alone are no streams: FAT has none, and those of an SMB mount are others (mount.cifs(8))."""
    assert probed(monkeypatch, tmp_path, Answers({}), type_name)[0].streams == streams


def test_a_platform_without_attributes_claims_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Where Python has no such calls (macOS, Windows) nothing is known about attributes."""
    monkeypatch.setattr("verifier.tree.probe._HAS_XATTRS", False)
    held, _ = probe(Root(tmp_path, [], all_names=True), "apfs", FILE_SYSTEMS["apfs"])
    assert held == Held()


def test_a_share_crosses_a_process_border_with_all_that_is_known(tmp_path: Path) -> None:
    """A root that may hang is looked at by another process, and what that found must arrive whole."""
    share = Share.at(lay_out(tmp_path / "root", {COMPOSED.encode(): b"", b"Name": b""}))
    assert share.held != Held()
    assert pickle.loads(pickle.dumps(share)) == share
