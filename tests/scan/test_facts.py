"""What a manifest says about a side beside its entries: its file system, and whose files these are."""

from __future__ import annotations

import grp
import json
import os
import pwd
import unicodedata
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.scan.scans import Crash, Engines, crash_at, entries_of, facts_of, scan_tree
from tests.strategies import lay_out
from verifier.manifest.store import Manifest
from verifier.scan import guard
from verifier.scan.scanner import ScanOptions
from verifier.tree.accounts import group_names, owner_names
from verifier.tree.file_system import FileSystem
from verifier.tree.probe import Held, Streams, UnicodeForms
from verifier.tree.share import Share

if TYPE_CHECKING:
    from pathlib import Path

NAME = unicodedata.normalize("NFC", "Gru\u0308\u00dfe").encode()
NEW_FACTS = ("mount_options", "unicode", "xattrs", "acls", "streams", "hard_links", "inodes", "compresses")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Return a small tree."""
    return lay_out(tmp_path / "root", {NAME: b"1", b"folder": {b"file": b"2"}})


def test_what_is_known_about_the_share_is_in_the_manifest(root: Path, manifest: Path) -> None:
    """Whoever compares two manifests has no share to ask."""
    scan_tree(root, manifest)
    share, facts = Share.at(root), facts_of(manifest)
    assert facts["mount_options"] == share.mount_options != ""
    assert facts["unicode"] == share.held.unicode
    assert facts["hard_links"] == str(int(share.file_system.hard_links))
    assert set(NEW_FACTS) <= set(facts)
    for name in ("hard_links", "inodes", "compresses", "owners", "modes"):
        assert facts[name] in ("0", "1")


@pytest.mark.parametrize(
    ("held", "file_system", "wanted"),
    [
        (
            Held(UnicodeForms.SAME, xattrs=True, acls=True, streams=Streams.XATTR),
            FileSystem(),
            ("rw", "same", "1", "1", "xattr", "1", "1", "0"),
        ),
        (
            Held(UnicodeForms.DISTINCT, xattrs=False, acls=False, streams=Streams.NONE),
            FileSystem(inodes=False, hard_links=False, compresses=True),
            ("rw", "distinct", "0", "0", "none", "0", "0", "1"),
        ),
        (Held(), FileSystem(), ("rw", "", "", "", "", "1", "1", "0")),
    ],
    ids=["all", "nothing", "not known"],
)
def test_each_fact_has_one_text_for_yes_for_no_and_for_not_known(
    root: Path, manifest: Path, held: Held, file_system: FileSystem, wanted: tuple[str, ...]
) -> None:
    """1, 0 and the empty text, or a word: other versions and other programs read them."""
    share = replace(Share.at(root), held=held, file_system=file_system, mount_options="rw")
    with Manifest.create(manifest) as written:
        written.set_facts(**share.facts())
    facts = facts_of(manifest)
    assert tuple(facts[name] for name in NEW_FACTS) == wanted


def test_a_root_that_may_hang_is_described_in_full(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What another process found out about it arrives whole."""
    monkeypatch.setattr(Share, "is_local", staticmethod(lambda _: False))
    found = guard.look_at(root)
    assert found == Share.at(root)
    assert found.held.unicode is not None


# ---- Names of owners and groups


@pytest.fixture
def known(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let this host know users 1000 and 1001 and group 100, and nobody else."""

    def user(uid: int) -> pwd.struct_passwd:
        return pwd.struct_passwd(({1000: "mill", 1001: "be\nck"}[uid], "x", uid, 100, "", "", ""))

    def group(gid: int) -> grp.struct_group:
        return grp.struct_group(({100: "bakers"}[gid], "x", gid, []))

    monkeypatch.setattr(pwd, "getpwuid", user)
    monkeypatch.setattr(grp, "getgrgid", group)


@pytest.mark.parametrize("listing_only", [False, True], ids=["read", "listed"])
def test_the_names_of_all_owners_and_groups_are_facts(root: Path, manifest: Path, listing_only: bool) -> None:
    """Numbers mean something on their own host only; a listing, too, says what they meant there."""
    scan_tree(root, manifest, ScanOptions(listing_only=listing_only))
    facts, entries = facts_of(manifest), entries_of(manifest).values()
    assert json.loads(facts["owner_names"]) == owner_names({entry.uid for entry in entries})
    assert json.loads(facts["group_names"]) == group_names({entry.gid for entry in entries})
    assert str(os.getuid()) in json.loads(facts["owner_names"])


@pytest.mark.real(root=True)
@pytest.mark.parametrize("listing_only", [False, True], ids=["read", "listed"])
def test_every_number_that_occurs_is_looked_up(
    root: Path, manifest: Path, inline: Engines, known: None, listing_only: bool
) -> None:
    """Of files, folders, links and what cannot be read; those that the host does not know are not named."""
    (root / "link").symlink_to("nowhere")
    os.mkfifo(root / "pipe")
    owners = {
        root / "folder": (1000, 5000), root / "folder" / "file": (6000, 100), root / "link": (1001, 5001),
        root / "pipe": (6001, 5002),
    }  # fmt: skip
    for path, (uid, gid) in owners.items():
        os.chown(path, uid, gid, follow_symlinks=False)
    scan_tree(root, manifest, ScanOptions(listing_only=listing_only))
    facts = facts_of(manifest)
    assert json.loads(facts["owner_names"]) == {"1000": "mill", "1001": r"be\x0ack"}
    assert json.loads(facts["group_names"]) == {"100": "bakers"}


def test_names_come_with_the_end_of_a_scan(root: Path, manifest: Path) -> None:
    """A scan that did not come to its end has not met all owners: it names none."""
    with pytest.raises(Crash):
        scan_tree(root, manifest, on_progress=crash_at(lambda _: True))
    facts = facts_of(manifest)
    assert (facts["owner_names"], facts["group_names"]) == ("", "")
    scan_tree(root, manifest)
    assert json.loads(facts_of(manifest)["owner_names"])


def test_names_are_no_part_of_the_fingerprint(root: Path, manifest: Path, tmp_path: Path) -> None:
    """What a host calls its users says nothing about the tree: check and fingerprint hold without these facts."""
    first = scan_tree(root, manifest)
    with Manifest.recover(manifest) or pytest.fail("no manifest") as opened:
        marks = ", ".join("?" * (len(NEW_FACTS) + 2))
        gone = opened.connection.execute(
            f"DELETE FROM facts WHERE key IN ({marks})", (*NEW_FACTS, "owner_names", "group_names")
        )
        assert gone.rowcount == len(NEW_FACTS) + 2
        opened.commit()
    with Manifest.open(manifest) as opened:
        opened.check()
    assert scan_tree(root, tmp_path / "again.manifest.sqlite").fingerprint == first.fingerprint
