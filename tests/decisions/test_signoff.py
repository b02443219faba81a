"""The sign-off's text: one form and no other, and nothing in it that nobody could have signed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pytest
from blake3 import blake3
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.decisions.records import forged, signoff
from verifier.classes import VerdictKind
from verifier.decisions.exceptions import LONGEST_NAME, LONGEST_TEXT
from verifier.decisions.signoff import (
    LARGEST_BYTES,
    Looked,
    Point,
    SignedFile,
    SignOff,
    read_signoff,
    readable,
)
from verifier.errors import ManifestDamaged
from verifier.evidence import SIGNOFF_FILE

if TYPE_CHECKING:
    from pathlib import Path

EXCEPTION: Final[dict[str, Any]] = json.loads(signoff().to_json())["exceptions"][0]
NAMED: Final = {"bytes": 1, "blake3": "a" * 64}
WRONG: Final[dict[str, dict[str, Any]]] = {
    "another format": {"format": "verifier/summary"},
    "a later version": {"version": 2},
    "a version that is a truth": {"version": True},
    "no version": {"version": ...},
    "a key more": {"approved": True},
    "an unknown verdict": {"verdict": "fine"},
    "a verdict that needs a reason": {"verdict": "not-trustworthy"},
    "an inconclusive one": {"verdict": "inconclusive"},
    "no verdict": {"verdict": None},
    "reasons in one text": {"reasons": "all is well"},
    "a reason that is a number": {"reasons": [1]},
    "no reasons at all": {"reasons": None},
    "an id that is none": {"report_id": "0123"},
    "an id in capitals": {"report_id": "0123456789ABCDEF"},
    "nobody": {"by": ""},
    "somebody who is a number": {"by": 7},
    "a name too long": {"by": "x" * (LONGEST_NAME + 1)},
    "a name of two lines": {"by": "R.\nCurator"},
    "a name that hides something": {"by": "R. \u202eCurator"},
    "a role that is nothing": {"role": None},
    "a role with an escape sequence": {"role": "\x1b[2J"},
    "no statement": {"statement": ""},
    "a statement too long": {"statement": "x" * (LONGEST_TEXT + 1)},
    "a statement with a tab": {"statement": "a\tb"},
    "a statement with half a character": {"statement": "a\udc80b"},
    "a reason to sign of two lines": {"despite": "a\nb"},
    "a time without a zone": {"at": "2026-11-21T22:00:00"},
    "a time in another form": {"at": "20261121T220000+0100"},
    "a time to the microsecond": {"at": "2026-11-21T22:00:00.000001+01:00"},
    "no time": {"at": None},
    "a check without a zone": {"checked": "2026-11-21T22:00:00"},
    "a check at no time": {"checked": "yesterday"},
    "a host that is a list": {"host": ["herbarium"]},
    "a host with half a character": {"host": "\udc80"},
    "a tool that is nothing": {"tool": None},
    "a key of another kind": {"key": "MD5:00:11"},
    "a key too short": {"key": "SHA256:abc"},
    "one side": {"fingerprints": {"old": "0" * 64}},
    "three sides": {"fingerprints": {"new": "0" * 64, "old": "0" * 64, "spare": "0" * 64}},
    "a fingerprint that is none": {"fingerprints": {"new": "0" * 63, "old": "0" * 64}},
    "a fingerprint that is a number": {"fingerprints": {"new": 0, "old": "0" * 64}},
    "fingerprints in a list": {"fingerprints": ["old", "new"]},
    "sides in another order": {"fingerprints": {"old": "0" * 64, "new": "f" * 64}},
    "rules without a digest": {"rules": ""},
    "exceptions that are texts": {"exceptions": ["all of it"]},
    "an exception with a key more": {"exceptions": [EXCEPTION | {"really": True}]},
    "an exception with a key less": {"exceptions": [{k: v for k, v in EXCEPTION.items() if k != "because"}]},
    "an exception that was withdrawn": {"exceptions": [EXCEPTION | {"withdrawn": ["2026", "X", "y"]}]},
    "an exception of no class": {"exceptions": [EXCEPTION | {"cls": "odd"}]},
    "an exception that covers a truth": {"exceptions": [EXCEPTION | {"covers": EXCEPTION["covers"] | {"files": True}}]},
    "an exception that covers less than nothing": {
        "exceptions": [EXCEPTION | {"covers": EXCEPTION["covers"] | {"files": -1}}]
    },
    "an exception until no time": {"exceptions": [EXCEPTION | {"until": "for ever"}]},
    "an exception whose pattern is a number": {"exceptions": [EXCEPTION | {"pattern": 5}]},
    "an exception without a digest": {"exceptions": [EXCEPTION | {"digest": ""}]},
    "an exception that is half a number": {"exceptions": [EXCEPTION | {"number": 1.5}]},
    "cautions that are numbers": {"cautions": [1]},
    "limits that are nothing": {"not_proved": None},
    "a checklist of texts": {"checklist": ["fresh"]},
    "a point that was looked at otherwise": {"checklist": [{"text": "a", "looked": "yes", "told": "b"}]},
    "a point that says a number": {"checklist": [{"text": "a", "looked": "seen", "told": 5}]},
    "a point with a key more": {"checklist": [{"text": "a", "looked": "seen", "told": "b", "c": 1}]},
    "files in a list": {"files": ["report.html"]},
    "a file of no size": {"files": {"a": {"bytes": None, "blake3": "a" * 64}}},
    "a file of half a byte": {"files": {"a": {"bytes": 0.5, "blake3": "a" * 64}}},
    "a file whose size is a truth": {"files": {"a": {"bytes": True, "blake3": "a" * 64}}},
    "a file of less than nothing": {"files": {"a": {"bytes": -1, "blake3": "a" * 64}}},
    "a file with another digest": {"files": {"a": {"bytes": 1, "blake3": "A" * 64}}},
    "a file with a key more": {"files": {"a": NAMED | {"sha256": ""}}},
    "files in another order": {"files": {"b": NAMED, "a": NAMED}},
    "a file elsewhere": {"files": {"../a": NAMED}},
    "a file below": {"files": {"a/b": NAMED}},
    "a file without a name": {"files": {"": NAMED}},
    "the sign-off itself": {"files": {SIGNOFF_FILE: NAMED}},
    "its own signature": {"files": {f"{SIGNOFF_FILE}.sig": NAMED}},
}


def test_what_is_written_is_read() -> None:
    """Every field comes back as it was, in its own type."""
    signed = signoff()
    back = SignOff.from_json(signed.to_json())
    assert back == signed
    assert type(back.verdict) is VerdictKind
    assert back.checklist[0] == Point("Is it fresh?", Looked.SEEN, "Yes.")
    assert type(back.files["report.html"]) is SignedFile
    assert back.exceptions[0].covers.entries == 2


def test_the_digest_is_over_everything_before_it() -> None:
    """BLAKE3 of the same text without that key: somebody can compute it without this tool."""
    text = signoff().to_json()
    plain = json.loads(text)
    digest = plain.pop("digest")
    assert digest == blake3(json.dumps(plain, indent=2, ensure_ascii=False).encode()).hexdigest()
    assert digest == signoff().digest
    assert list(json.loads(text))[-1] == "digest"


@settings(max_examples=30)
@given(by=st.text(max_size=20), statement=st.text(max_size=60), name=st.text(max_size=8))
def test_any_text_that_may_be_signed_comes_back(by: str, statement: str, name: str) -> None:
    """And any other is refused when it is read, whatever it is."""
    signed = signoff(by=by, statement=statement, files={name: SignedFile(1, "a" * 64)})
    if signed.wrong() is None:
        assert SignOff.from_json(signed.to_json()) == signed
        return
    with pytest.raises(ValueError, match=r"is not what a sign-off holds|not what was written"):
        SignOff.from_json(signed.to_json())


def test_the_text_of_a_forger_who_changes_nothing_is_the_same() -> None:
    """So what is refused below is refused for what was changed."""
    assert forged() == signoff().to_json()


@pytest.mark.parametrize("changes", WRONG.values(), ids=WRONG)
def test_what_nobody_could_have_signed_is_refused(changes: dict[str, Any]) -> None:
    """Also with the right digest of itself: a forger must not get anything else than a sign-off read."""
    with pytest.raises(ValueError, match=r"."):
        SignOff.from_json(forged(**changes))


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text + " ",
        lambda text: text[:-1],
        lambda text: text.replace("  ", "\t", 1),
        lambda text: text.replace("Ü", "\\u00dc"),
        lambda text: text.replace('"version": 1', '"version": 1.0'),
        lambda text: text.replace('"version": 1', '"version": 1,\n  "version": 1'),
        lambda text: "\ufeff" + text,
        lambda text: text.replace("findings", "Findings"),
        lambda text: json.dumps(json.loads(text)),
        lambda text: json.dumps(json.loads(text), indent=2, ensure_ascii=False, sort_keys=True) + "\n",
        lambda _: "",
        lambda _: "null\n",
        lambda _: "[]\n",
        lambda _: "{}\n",
        lambda _: '"text"\n',
        lambda _: "[" * 100_000,
        lambda _: '{"format": ' * 5000,
        lambda _: "1" * 5000,
        lambda _: "NaN",
    ],
)
def test_there_is_one_form(change: Any) -> None:
    """What says the same in other bytes is another text: a signature is over bytes."""
    with pytest.raises(ValueError, match=r"."):
        SignOff.from_json(change(signoff().to_json()))


def test_a_folder_without_one_has_none(tmp_path: Path) -> None:
    """Nobody signed."""
    assert read_signoff(tmp_path) is None


@pytest.mark.parametrize("data", [b"", b"{}", b"\xff\xfe", b"\0" * 10, b"[" * 100_000])
def test_a_damaged_one_is_one_line_and_exit_4(tmp_path: Path, data: bytes) -> None:
    """Whoever reads it says that it was changed, and never goes on as if nobody had signed."""
    (tmp_path / SIGNOFF_FILE).write_bytes(data)
    with pytest.raises(ManifestDamaged, match=r"signoff.json was changed after it was signed") as damaged:
        read_signoff(tmp_path)
    assert damaged.value.exit_code == 4


def test_one_that_is_far_too_large_is_not_read(tmp_path: Path) -> None:
    """Nor is memory spent on it."""
    with (tmp_path / SIGNOFF_FILE).open("wb") as file:
        file.truncate(LARGEST_BYTES + 1)
    with pytest.raises(ManifestDamaged, match="larger than any sign-off"):
        read_signoff(tmp_path)


def test_a_file_is_digested_as_it_is(tmp_path: Path) -> None:
    """Size and BLAKE3 of the bytes; an empty one, and one of more than a block."""
    for size in (0, 1, 5 * 2**20 + 3):
        data = bytes(size)
        (tmp_path / "file").write_bytes(data)
        assert SignedFile.of(tmp_path / "file") == (size, blake3(data).hexdigest())


@pytest.mark.parametrize(
    ("text", "may"),
    [
        ("R. Curator", True),
        ("Ῥόδη, βοτανικός", True),
        ("植物標本室", True),
        ("O'Brien & Söhne <b>", True),
        ("", False),
        (" ", False),
        (" R.", False),
        ("R.\u00a0Curator", False),
        ("R.\u200bCurator", False),
        ("\ue000", False),
    ],
)
def test_what_may_stand_in_a_sign_off(text: str, may: bool) -> None:
    """Any writing, and nothing that is not seen as what it is."""
    assert readable(text, 20) is may
    assert readable(f"First.\n{text}\nLast.", 60, lines=True) is (may or not text.strip() or text == " R.")
    assert not readable(f"First.\n{text}\nLast.", 60)
