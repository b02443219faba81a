"""Which names count as one name in another form: letter case, Unicode form, stand-ins for reserved characters."""

from __future__ import annotations

import unicodedata
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.tree.names import StandIns, alteration, comparison_form, has_stand_in, to_text

# UAX #15, Unicode Normalization Forms, figures 3 to 5, and the Unicode Character Database's CaseFolding.txt.
SAME: Final = {
    "e acute, composed and decomposed": ("\u00e9", "e\u0301"),
    "Angstrom sign and A with ring": ("\u212b", "\u00c5"),
    "Angstrom sign and A, ring": ("\u212b", "A\u030a"),
    "Kelvin sign and K": ("\u212a", "K"),
    "two marks in either order": ("q\u0307\u0323", "q\u0323\u0307"),
    "Hangul syllable and its letters": ("\ud55c", "\u1112\u1161\u11ab"),
    "letter case": ("Fen-Boardwalk.SVG", "fen-boardwalk.svg"),
    "letter case and Unicode form": ("\u00c9t\u00e9", "e\u0301te\u0301"),
    "sharp s and ss": ("stra\u00dfe", "STRASSE"),
    "sharp s and its capital": ("stra\u00dfe", "STRA\u1e9eE"),
    "dotted I and i, dot": ("\u0130", "i\u0307"),
    "the three sigmas": ("\u03a3\u03c3", "\u03c2\u03c3"),
    "iota below, in either order": ("\u1fb3\u0301", "\u1fb4"),
}
DIFFERENT: Final = {
    "another letter": ("a", "b"),
    "with and without accent": ("\u00e9", "e"),
    "dotted I and i": ("\u0130", "i"),
    "dotless i and i": ("\u0131", "i"),
    "superscript two and 2": ("\u00b2", "2"),
    "circled one and 1": ("\u2460", "1"),
    "full-width A and A": ("\uff21", "A"),
    "half and 1/2": ("\u00bd", "1\u20442"),
    "ellipsis and three dots": ("\u2026", "..."),
    "Cyrillic a and a": ("\u0430", "a"),
    "with and without a space": ("a b", "ab"),
}


@pytest.mark.parametrize(("one", "other"), SAME.values(), ids=SAME.keys())
def test_names_that_a_file_system_may_fold_have_one_form(one: str, other: str) -> None:
    """What differs by case or canonical form alone is looked at as one name."""
    assert comparison_form(one) == comparison_form(other)


@pytest.mark.parametrize(("one", "other"), DIFFERENT.values(), ids=DIFFERENT.keys())
def test_names_that_merely_look_alike_stay_apart(one: str, other: str) -> None:
    """Compatibility forms (UAX #15: NFKC), accents and other scripts' letters make other names."""
    assert comparison_form(one) != comparison_form(other)


def test_the_inputs_are_what_they_are_taken_for() -> None:
    """The bytes of the composed and decomposed e acute, and what NFC makes of the two signs (UAX #15, figure 3)."""
    assert "\u00e9".encode() == bytes.fromhex("c3a9")
    assert unicodedata.normalize("NFD", "\u00e9").encode() == bytes.fromhex("65cc81")
    assert unicodedata.normalize("NFC", "\u212b") == "\u00c5"
    assert unicodedata.normalize("NFC", "\u212a") == "K"


def test_a_ligature_is_kept_by_the_normal_forms_and_folded_as_case() -> None:
    """The fi ligature is no canonical form of "fi" (UAX #15, figure 6), but full case folding makes it so.

    Source: CaseFolding.txt, ``FB01; F; 0066 0069``. The form is wider than any file system's folding on purpose.
    """
    ligature = "\ufb01"
    assert unicodedata.normalize("NFC", ligature) == unicodedata.normalize("NFD", ligature) == ligature
    assert comparison_form(ligature) == "fi"


@given(text=st.text(max_size=12))
def test_canonical_forms_never_matter(text: str) -> None:
    """A name, its NFC and its NFD have one comparison form, whatever is in it (Unicode Standard, D145)."""
    forms = {comparison_form(unicodedata.normalize(form, text)) for form in ("NFC", "NFD")}
    assert forms == {comparison_form(text)}


@given(one=st.text(max_size=6), other=st.text(max_size=6))
def test_equality_is_canonical_caseless_matching(one: str, other: str) -> None:
    """Forms are equal exactly where the standard's definition D145 says that the texts match."""
    if has_stand_in(one) or has_stand_in(other):
        return
    for left, right in ((one, other), (one, one.upper()), (one, one.swapcase())):
        assert (comparison_form(left) == comparison_form(right)) == (_d145(left) == _d145(right))


def _d145(text: str) -> str:
    return unicodedata.normalize("NFD", unicodedata.normalize("NFD", text).casefold())


# ---- Stand-ins. Sources: Linux fs/smb/client/cifs_unicode.h (scheme A), the same file's SFM_ values (scheme B).

RESERVED: Final = '"*:<>?\\|'
IN_A: Final = dict(zip(RESERVED, "\uf022\uf02a\uf03a\uf03c\uf03e\uf03f\uf05c\uf07c", strict=True))
IN_B: Final = dict(zip(RESERVED + " .", (chr(0xF020 + n) for n in range(10)), strict=True))
TABLE: Final = [(StandIns.ADDED_CODE, *pair) for pair in IN_A.items()] + [
    (StandIns.FIXED_LIST, *pair) for pair in IN_B.items()
]


@pytest.mark.parametrize(("scheme", "reserved", "stand_in"), TABLE, ids=repr)
def test_a_stand_in_is_the_character_it_stands_for(scheme: StandIns, reserved: str, stand_in: str) -> None:
    """A name with a stand-in has the form of the name with the reserved character, as text."""
    plain = to_text(f"plot {reserved} 7".encode())
    assert has_stand_in(f"plot {stand_in} 7")
    assert comparison_form(f"plot {stand_in} 7", scheme) == comparison_form(plain, scheme)


@pytest.mark.parametrize("scheme", StandIns)
@pytest.mark.parametrize("code", range(1, 0x20))
def test_control_characters_have_the_same_stand_ins_in_both_schemes(scheme: StandIns, code: int) -> None:
    """U+F001 to U+F01F stand for the controls 1 to 31 in either scheme."""
    assert comparison_form(f"a{chr(0xF000 + code)}\u00e9", scheme) == f"a{chr(code)}\u00e9"


def test_one_code_means_two_characters() -> None:
    """U+F022 is a quotation mark in one scheme and a colon in the other: never both under one scheme."""
    assert comparison_form("\uf022", StandIns.ADDED_CODE) == '"'
    assert comparison_form("\uf022", StandIns.FIXED_LIST) == ":"
    for scheme in StandIns:
        assert comparison_form('"', scheme) != comparison_form(":", scheme)


@pytest.mark.parametrize("code", [0xF020, 0xF021, 0xF023, 0xF028, 0xF029])
def test_what_one_scheme_does_not_use_stays_itself_there(code: int) -> None:
    """The code-adding scheme has no stand-in for a space, a dot or characters that nobody reserves."""
    assert comparison_form(chr(code), StandIns.ADDED_CODE) == chr(code)


@pytest.mark.parametrize(
    ("scheme", "backslash"), [(StandIns.ADDED_CODE, "\uf05c"), (StandIns.FIXED_LIST, "\uf026")], ids=["A", "B"]
)
def test_a_backslash_that_was_stood_in_for_begins_no_escape(scheme: StandIns, backslash: str) -> None:
    """A stand-in for a backslash before "xff" is not the name that is the one byte 0xff."""
    assert comparison_form(f"{backslash}xff", scheme) == comparison_form(to_text(b"\\xff"), scheme)
    assert comparison_form(f"{backslash}xff", scheme) != comparison_form(to_text(b"\xff"), scheme)


def test_other_private_characters_are_no_stand_ins() -> None:
    """Private use beyond the schemes' codes is somebody's own character."""
    assert not any(has_stand_in(c) for c in ("\ue000", "\uf000", "\uf07d", "\uf8ff", "a:b", "\u00e9"))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("Fen.svg", "fen.svg", "letter case"),
        ("B\u00c4R", "b\u00e4r", "letter case"),
        ("\u00e9", "e\u0301", "Unicode form (NFC on old, NFD on new)"),
        ("e\u0301", "\u00e9", "Unicode form (NFD on old, NFC on new)"),
        ("a:b", "a\uf03ab", "a stand-in for a reserved character"),
        ("a\uf03ab", "a:b", "a stand-in for a reserved character"),
        ("a\uf022b", "a\uf03ab", "a stand-in for a reserved character"),
        ("\u00c9", "e\u0301", "Unicode form (NFC on old, NFD on new) and letter case"),
    ],
    ids=["case", "case beyond ASCII", "form", "form back", "stand-in", "stand-in back", "two schemes", "form and case"],
)
def test_the_difference_is_said_in_words(old: str, new: str, words: str) -> None:
    """A person is told what to look for, and which side has which form."""
    assert alteration(old, new) == words
