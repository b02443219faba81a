"""Pairing what is left: altered names, relocations one to one, folders that moved."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import entry, file, folder, link, reconciled, unread
from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.tree.entry import Kind

if TYPE_CHECKING:
    from tests.reconcile.trees import Outcome
    from verifier.tree.entry import Entry

Paths = tuple[str | None, str | None]
E_ACUTE: Final = "\u00e9"
"""NFC c3 a9, NFD 65 cc 81 (computed; Unicode Standard Annex 15)."""


def classes(old: list[Entry], new: list[Entry]) -> dict[Paths, str]:
    """Reconcile and return the class of every finding."""
    return reconciled(old, new).classes


# ---- Altered names


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("Report.txt", "report.TXT", "letter case"),
        (f"caf{E_ACUTE}", unicodedata.normalize("NFD", f"caf{E_ACUTE}"), "Unicode form (NFC on old, NFD on new)"),
        (unicodedata.normalize("NFD", f"caf{E_ACUTE}"), f"caf{E_ACUTE}", "Unicode form (NFD on old, NFC on new)"),
        # U+212B ANGSTROM SIGN is U+00C5 under NFC, U+212A KELVIN SIGN is K (Unicode Standard Annex 15).
        ("\u212b", "\u00c5", "Unicode form"),
        ("1\u212a", "1K", "Unicode form"),
        # Sharp s folds to ss, the fi ligature to two letters (Unicode CaseFolding.txt, status F).
        ("\ufb01sh", "FISH", "letter case"),
        ("stra\u00dfe", "STRASSE", "letter case"),
        # Stand-ins: Linux cifs_unicode.h. Scheme A is U+F000 plus the code; B counts up from U+F020.
        ("a:b", "a\uf03ab", "stand-in"),
        ("a\uf03ab", "a:b", "stand-in"),
        ("a*b", "a\uf021b", "stand-in"),
        ("end.", "end\uf029", "stand-in"),
        ("end ", "end\uf028", "stand-in"),
        ("back\\\\slash", "back\uf05cslash", "stand-in"),
        ("back\\\\slash", "back\uf026slash", "stand-in"),
        ("tab\tname", "tab\uf009name", "stand-in"),
        ("why?", "why\uf03f", "stand-in"),
    ],
    ids=ascii,
)
def test_an_altered_name_with_the_same_content(old: str, new: str, words: str) -> None:
    """Same folder, same content, and a name that differs as file systems alter names: it needs a look, and says why."""
    outcome = reconciled([file(f"d/{old}", b"1")], [file(f"d/{new}", b"1")])
    found = outcome.at(f"d/{old}")
    assert (found.cls, found.new_path) == (Class.NAME_ALTERED, f"d/{new}")
    assert found.severity == Severity.ATTENTION
    assert words in found.reason
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("a", "b"),
        # A full-width letter is a compatibility form, never the same name (Unicode Standard Annex 15).
        ("\uff41b", "ab"),
        ("x2", "x\u00b2"),
        ("a:b", "a\uf03cb"),
    ],
    ids=ascii,
)
def test_other_names_are_not_altered_ones(old: str, new: str) -> None:
    """The same content under a name that no file system would make of the old one is relocated."""
    assert classes([file(old, b"1")], [file(new, b"1")]) == {(old, new): Class.RELOCATED}


def test_an_altered_name_with_other_content_is_missing_and_says_what_is_there() -> None:
    """A name that nearly agrees proves nothing where the size is another; the reason points at it."""
    outcome = reconciled([file("Report", b"1")], [file("report", b"22")])
    assert outcome.classes == {("Report", None): Class.MISSING, (None, "report"): Class.EXTRA}
    assert "report has nearly the same name and other content" in outcome.at("Report").reason


def test_damage_under_an_altered_name_is_damage() -> None:
    """A target that alters all names does not turn damage into loss: same place, same size, other bytes."""
    outcome = reconciled([file("Report", b"1")], [file("report", b"2")])
    assert outcome.classes == {("Report", "report"): Class.CONTENT_CHANGED}
    assert outcome.at("Report").cause == Cause.SILENT
    assert "its name differs in letter case" in outcome.at("Report").reason


def test_names_that_differ_only_in_case_go_to_the_right_partner() -> None:
    """Twins by case find their partners by content, and one that is lost is not covered by the other."""
    old = [file("A", b"1"), file("a", b"2")]
    assert classes(old, [file("a", b"2")]) == {("A", None): Class.MISSING}
    assert classes([file("Aa", b"1"), file("aA", b"2")], [file("AA", b"2")]) == {
        ("aA", "AA"): Class.NAME_ALTERED,
        ("Aa", None): Class.MISSING,
    }


def test_twins_by_case_with_the_same_content_are_counted() -> None:
    """A case-insensitive file system keeps one of two twins; the other is missing, though its bytes are there once."""
    old = [file("Aa", b"1"), file("aA", b"1")]
    outcome = reconciled(old, [file("AA", b"1")])
    assert sorted(outcome.classes.values()) == [Class.MISSING, Class.NAME_ALTERED]


def test_empty_files_and_links_keep_their_partner_under_an_altered_name() -> None:
    """Same folder and nearly the same name are enough for content that identifies nothing by itself."""
    old = [file("Empty", b""), link("Link", "x"), entry("Pipe", Kind.FIFO)]
    new = [file("empty", b""), link("link", "x"), entry("pipe", Kind.FIFO)]
    assert set(classes(old, new).values()) == {Class.NAME_ALTERED}


def test_a_link_with_another_target_under_an_altered_name_is_missing() -> None:
    """A link's content is its target."""
    assert classes([link("Link", "x")], [link("link", "y")]) == {
        ("Link", None): Class.MISSING,
        (None, "link"): Class.EXTRA,
    }


def test_a_folder_whose_case_changed_takes_everything_with_it() -> None:
    """One folder's name alters every path below it; nothing of it is missing or extra."""
    old = [file("Docs/a/b", b"1"), file("Docs/empty", b""), link("Docs/l", "a"), folder("Docs/nothing")]
    new = [one._replace(path=one.path.replace("Docs", "DOCS")) for one in old]
    outcome = reconciled(old, new)
    assert {found.cls for found in outcome.findings} == {Class.NAME_ALTERED}
    assert len(outcome.findings) == 6
    assert "the name of a folder above it" in outcome.at("Docs/a/b").reason
    assert "its name differs in letter case" in outcome.at("Docs").reason
    assert {found.group_path for found in outcome.findings} == {"Docs"}


def test_damage_below_a_folder_whose_case_changed_is_not_excused() -> None:
    """A file with other bytes there has changed content, also under a folder of another name."""
    old = [file("Docs/a", b"1"), file("Docs/b", b"2")]
    new = [file("DOCS/a", b"1"), file("DOCS/b", b"3")]
    outcome = reconciled(old, new)
    assert (outcome.at("Docs/b").cls, outcome.at("Docs/b").new_path) == (Class.CONTENT_CHANGED, "DOCS/b")
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_metadata_of_an_altered_name_is_compared() -> None:
    """What else differs is listed beside the name."""
    outcome = reconciled([file("A", b"1")], [file("a", b"1", mode=0o600)])
    assert (outcome.at("A").cls, outcome.at("A").fields) == (Class.NAME_ALTERED, "mode")


def test_one_scheme_of_stand_ins_is_read_at_a_time() -> None:
    """U+F022 is a colon in one scheme and a quotation mark in the other: the scheme under which more names meet counts.

    Source: Linux cifs_unicode.h, and Samba's macOS map.
    """
    scheme_b = [file(f"{n}\uf022{n}\uf021", n.encode()) for n in "123"]
    outcome = reconciled([file(f"{n}:{n}*", n.encode()) for n in "123"], scheme_b)
    assert set(outcome.classes.values()) == {Class.NAME_ALTERED}
    scheme_a = [file(f"{n}\uf022{n}\uf03f", n.encode()) for n in "123"]
    outcome = reconciled([file(f'{n}"{n}?', n.encode()) for n in "123"], scheme_a)
    assert set(outcome.classes.values()) == {Class.NAME_ALTERED}


def test_the_two_schemes_are_never_accepted_at_once() -> None:
    """In one tree U+F022 cannot stand for both: the name of the other scheme is not an altered name."""
    old = [file("a:", b"1"), file("b:", b"2"), file('c"', b"3")]
    new = [file("a\uf022", b"1"), file("b\uf022", b"2"), file("c\uf022", b"3")]
    assert classes(old, new) == {
        ("a:", "a\uf022"): Class.NAME_ALTERED,
        ("b:", "b\uf022"): Class.NAME_ALTERED,
        ('c"', "c\uf022"): Class.RELOCATED,
    }


LETTERS: Final = st.text(st.sampled_from('aZ\u00e9\u00df\u0130i:*?<>|" .'), min_size=1, max_size=6).filter(
    lambda text: text.strip(".") != ""
)
SCHEME_A: Final = str.maketrans({c: chr(0xF000 + ord(c)) for c in '"*:<>?|'})
SCHEME_B: Final = str.maketrans({c: chr(0xF020 + n) for n, c in enumerate('"*:<>?\\|')})


@settings(max_examples=20, deadline=None)
@given(
    names=st.lists(LETTERS, min_size=1, max_size=4, unique_by=lambda t: unicodedata.normalize("NFC", t)), data=st.data()
)
def test_names_as_file_systems_alter_them_are_always_met(names: list[str], data: st.DataObject) -> None:
    """Case, Unicode form or one scheme of stand-ins, for a whole tree: every file is met, none is lost."""
    alter = data.draw(
        st.sampled_from(
            [
                lambda text: unicodedata.normalize("NFD", text),
                lambda text: text.translate(SCHEME_A),
                lambda text: text.translate(SCHEME_B),
            ]
        )
    )
    old = [file(f"{n}{name}", f"{n}".encode()) for n, name in enumerate(names)]
    new = [file(f"{n}{alter(name)}", f"{n}".encode()) for n, name in enumerate(names)]
    expected = {(a.path, b.path): Class.NAME_ALTERED for a, b in zip(old, new, strict=True) if a.path != b.path}
    assert classes(old, new) == expected


# ---- Relocations


def test_the_same_content_at_another_path_is_relocated() -> None:
    """Moved, renamed, or both: the content is there, and the reason says where."""
    outcome = reconciled(
        [folder("x"), file("x/a", b"1"), file("b", b"22"), file("c", b"333")],
        [folder("x"), file("a", b"1"), file("new name", b"22"), file("x/y", b"333")],
    )
    assert outcome.classes == {
        ("x/a", "a"): Class.RELOCATED,
        ("b", "new name"): Class.RELOCATED,
        ("c", "x/y"): Class.RELOCATED,
    }
    assert outcome.at("b").reason == "same content, at new name"
    assert outcome.verdict.kind is VerdictKind.TRUSTWORTHY


def test_relocations_are_one_to_one() -> None:
    """Of four copies three arrived: three are paired, one is missing, whatever the names."""
    old = [file(f"copy {n}", b"same") for n in range(4)]
    outcome = reconciled(old, [file(f"other {n}", b"same") for n in range(3)])
    counts = outcome.accounts[Side.OLD]
    assert (counts[Class.RELOCATED].files, counts[Class.MISSING].files) == (3, 1)
    outcome = reconciled(old, [file("copy 1", b"same"), file("other 1", b"same"), file("other 2", b"same")])
    counts = outcome.accounts[Side.OLD]
    assert (counts[Class.IDENTICAL].files, counts[Class.RELOCATED].files, counts[Class.MISSING].files) == (1, 2, 1)


@settings(max_examples=12, deadline=None)
@given(old_count=st.integers(0, 5), new_count=st.integers(0, 5), same=st.integers(0, 5))
def test_copies_are_never_counted_twice(old_count: int, new_count: int, same: int) -> None:
    """Of n copies on the old side and m on the new, as many are lost as are fewer; no more, no less."""
    both = [file(f"both {n}", b"same") for n in range(same)]
    old = [*both, *(file(f"old {n}", b"same") for n in range(old_count)), file("anchor")]
    new = [*both, *(file(f"new {n}", b"same") for n in range(new_count)), file("anchor")]
    accounts = reconciled(old, new).accounts
    assert accounts[Side.OLD][Class.MISSING].files == max(0, old_count - new_count)
    assert accounts[Side.NEW][Class.EXTRA].files == max(0, new_count - old_count)
    assert accounts[Side.OLD][Class.RELOCATED].files == min(old_count, new_count)


def test_the_target_of_a_relocation_is_not_extra() -> None:
    """What stands for an old file is no surplus."""
    assert reconciled([file("a", b"1")], [file("b", b"1")]).of(Class.EXTRA) == []


def test_content_that_is_claimed_at_its_own_place_does_not_stand_for_another() -> None:
    """A copy that is on both sides anyway does not cover a file that is lost."""
    outcome = reconciled([file("a", b"1"), file("b", b"1")], [file("a", b"1")])
    assert outcome.classes == {("b", None): Class.MISSING}


def test_copies_in_a_moved_tree_go_to_their_own_folders() -> None:
    """Copies of one file in several folders are told apart by the folder's name, then by their own."""
    old = [file(f"old/{room}/index", b"same") for room in "abc"]
    new = [file(f"new/{room}/index", b"same") for room in "abc"]
    found = classes(old, new)
    assert {paths for paths in found if paths[0] and paths[0].endswith("index")} == {
        (f"old/{room}/index", f"new/{room}/index") for room in "abc"
    }


def test_an_empty_file_is_not_found_under_another_name() -> None:
    """Every empty file has the same content: under another name it identifies nothing."""
    assert classes([file("a", b"")], [file("b", b"")]) == {("a", None): Class.MISSING, (None, "b"): Class.EXTRA}


def test_an_empty_file_is_found_under_its_name_in_another_folder() -> None:
    """The name identifies what the content cannot."""
    assert classes([folder("x"), file("x/__init__", b"")], [folder("x"), file("__init__", b"")]) == {
        ("x/__init__", "__init__"): Class.RELOCATED
    }


def test_a_link_is_found_under_its_name_only() -> None:
    """The same target under another name is another link."""
    assert classes([folder("x"), link("x/l", "t")], [folder("x"), link("l", "t")]) == {("x/l", "l"): Class.RELOCATED}
    assert classes([link("l", "t")], [link("m", "t")]) == {("l", None): Class.MISSING, (None, "m"): Class.EXTRA}


def test_a_link_and_a_file_of_the_same_bytes_are_not_the_same() -> None:
    """A file that holds a link's text does not stand for the link, nor the other way round."""
    assert set(classes([link("a/l", "t")], [file("b/l", b"t")]).values()) == {Class.MISSING, Class.EXTRA}


def test_special_files_are_never_relocated() -> None:
    """A pipe elsewhere is another pipe."""
    assert classes([folder("x"), entry("x/p", Kind.FIFO)], [folder("x"), entry("p", Kind.FIFO)]) == {
        ("x/p", None): Class.MISSING,
        (None, "p"): Class.EXTRA,
    }


def test_an_unread_file_elsewhere_of_name_and_size_is_unproven() -> None:
    """Name and size make a candidate, not a proof."""
    old = [folder("x"), file("x/a", b"12")]
    new = [folder("x"), unread(file("a", b"12"))]
    outcome = reconciled(old, new)
    assert outcome.classes == {("x/a", "a"): Class.UNPROVEN}
    assert outcome.verdict.kind is VerdictKind.INCONCLUSIVE
    assert set(classes(old, [folder("x"), unread(file("a", b"123"))]).values()) == {Class.MISSING, Class.EXTRA}
    assert set(classes(old, [folder("x"), unread(file("b", b"12"))]).values()) == {Class.MISSING, Class.EXTRA}


def test_an_unread_file_under_an_altered_name_is_unproven() -> None:
    """Without its content, a name that nearly agrees proves nothing."""
    assert classes([file("A", b"12")], [unread(file("a", b"12"))]) == {("A", "a"): Class.UNPROVEN}


# ---- Folders


def of_folders(outcome: Outcome) -> dict[Paths, str]:
    """Return the class of every finding about a folder."""
    return {
        (found.old_path, found.new_path): found.cls
        for found in outcome.findings
        if Kind.DIRECTORY in (found.old_kind, found.new_kind)
    }


def test_a_moved_folder_is_relocated_with_all_it_holds() -> None:
    """Folders that are gone are paired with those that took their content, at every depth."""
    old = [file("a/b/one", b"1"), file("a/two", b"2"), file("a/b/c/three", b"3")]
    new = [one._replace(path=f"x/y{one.path[1:]}") for one in old]
    outcome = reconciled(old, [*new, folder("a2")])
    assert of_folders(outcome) == {
        ("a", "x/y"): Class.RELOCATED,
        ("a/b", "x/y/b"): Class.RELOCATED,
        ("a/b/c", "x/y/b/c"): Class.RELOCATED,
        (None, "x"): Class.EXTRA,
        (None, "a2"): Class.EXTRA,
    }
    assert outcome.at("a").reason == "what it held is there, at x/y"
    assert outcome.of(Class.MISSING) == []
    assert {found.group_path for found in outcome.findings if found.cls == Class.RELOCATED} == {"a"}


def test_a_moved_folder_with_one_file_lost() -> None:
    """The folder is relocated, and the file that did not come along is missing all the same."""
    old = [file("a/one", b"1"), file("a/two", b"2"), file("a/three", b"3")]
    outcome = reconciled(old, [file("x/one", b"1"), file("x/two", b"2")])
    assert of_folders(outcome) == {("a", "x"): Class.RELOCATED}
    assert outcome.of(Class.MISSING) == [("a/three", None)]
    assert outcome.verdict.kind is VerdictKind.NOT_TRUSTWORTHY


def test_a_dissolved_folder_is_gone_and_everything_in_it_is_elsewhere() -> None:
    """A folder whose content went to folders that were there before is no loss."""
    old = [file("a/one", b"1"), file("a/two", b"2"), folder("b"), folder("c")]
    outcome = reconciled(old, [file("b/one", b"1"), file("c/two", b"2")])
    assert of_folders(outcome) == {("a", None): Class.RELOCATED}
    assert "everything in it is at other places" in outcome.at("a").reason


def test_a_dissolved_folder_with_one_file_lost_is_missing() -> None:
    """Without one new folder in its place it is gone only when everything is accounted for."""
    old = [file("a/one", b"1"), file("a/two", b"2"), folder("b")]
    outcome = reconciled(old, [file("b/one", b"1")])
    assert of_folders(outcome) == {("a", None): Class.MISSING}


def test_an_empty_folder_that_is_gone_is_missing() -> None:
    """A folder without content cannot be found anywhere else."""
    assert reconciled([folder("a"), file("b")], [file("b")]).classes == {("a", None): Class.MISSING}


def test_a_lost_folder_is_one_group() -> None:
    """Everything in a folder that is missing as a whole carries its name; what lies beside it does not."""
    old = [file("a/b/one", b"1"), file("a/two", b"2"), file("a-b", b"3"), file("keep", b"4")]
    outcome = reconciled(old, [file("keep", b"4")])
    groups = {found.old_path: found.group_path for found in outcome.findings}
    assert groups == {"a": "a", "a/b": "a", "a/b/one": "a", "a/two": "a", "a-b": None}


def test_a_lost_folder_inside_one_that_stayed_is_its_own_group() -> None:
    """A group begins at the topmost folder that has the fate."""
    old = [file("a/keep", b"0"), file("a/b/c/one", b"1"), file("a/d/two", b"2")]
    outcome = reconciled(old, [file("a/keep", b"0")])
    assert {found.group_path for found in outcome.findings} == {"a/b", "a/d"}


def test_new_folders_are_grouped_on_the_new_side() -> None:
    """What is extra as a whole is one group by the new side's paths."""
    outcome = reconciled([file("keep")], [file("keep"), file("x/y/one", b"1")])
    assert {found.new_path: found.group_path for found in outcome.findings} == {"x": "x", "x/y": "x", "x/y/one": "x"}
