"""The sign-off: who took a check's verdict as it stands, when, knowing what, and the digests of all that it rests on.

It is ``signoff.json`` in the evidence folder. What `SignOff.to_json` writes is the only form that is read, and it holds
a digest of itself, so a changed byte is found; who signed is proved by a signature over these bytes, or by nothing.
"""

from __future__ import annotations

import json
import re
import stat
from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self

from blake3 import blake3

from verifier.classes import TRUSTED, Class, Side, VerdictKind
from verifier.decisions.exceptions import LONGEST_NAME, LONGEST_TEXT, Acceptance, is_instant
from verifier.errors import ManifestDamaged
from verifier.evidence import SIGNATURE_FILE, SIGNOFF_FILE, file_digest
from verifier.manifest.database import named
from verifier.reconcile.findings import Tally
from verifier.tree.names import shown

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

LARGEST_BYTES: Final = 16_000_000
"""More than any sign-off takes."""
FINGERPRINT: Final = re.compile(r"SHA256:[A-Za-z0-9+/]{43}")
"""How ssh-keygen writes a key's fingerprint (ssh-keygen(1), -l): SHA-256 in base64 without padding."""
_FORMAT: Final = {"format": "verifier/signoff", "version": 1}
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
_REPORT_ID: Final = re.compile(r"[0-9a-f]{16}")


class Looked(StrEnum):
    """How far a point of the checklist was looked at."""

    SEEN = "seen"
    """This tool looked, and it holds."""
    OPEN = "open"
    """This tool looked, and it does not hold."""
    PERSON = "person"
    """Only a person can know."""


class Point(NamedTuple):
    """One point of the checklist before anything is wiped (`verifier.decisions.checklist`)."""

    text: str
    looked: Looked
    told: str
    """What was seen, or what to do to know."""


class SignedFile(NamedTuple):
    """A file of the evidence as it was when it was signed."""

    bytes: int
    blake3: str
    """Hex."""

    @classmethod
    def of(cls, path: Path) -> Self:
        """Read a file whole; every byte of it counts, whatever made it.

        Raises:
            OSError: If it cannot be read.
        """
        return cls(path.stat().st_size, file_digest(path).hexdigest())


@dataclass(frozen=True, slots=True)
class SignOff:
    """A sign-off."""

    verdict: VerdictKind
    reasons: tuple[str, ...]
    report_id: str
    by: str
    role: str
    """Empty where none was given."""
    statement: str
    """May hold line breaks."""
    despite: str
    """Why it is signed although the copy cannot be trusted, or changed since; empty where it needs no reason."""
    at: str
    """ISO 8601 with zone, to the second."""
    host: str
    tool: str
    key: str
    """Fingerprint of the OpenSSH key that signs it; empty without one."""
    fingerprints: Mapping[str, str]
    """Of both sides' manifests; empty for one that was only listed."""
    rules: str
    """Digest of rules, policy and tolerance."""
    exceptions: tuple[Acceptance, ...]
    """Those that were in force."""
    cautions: tuple[str, ...]
    """As they were shown."""
    not_proved: tuple[str, ...]
    checklist: tuple[Point, ...]
    files: Mapping[str, SignedFile]
    """By name, as manifest text: everything that lay in the evidence folder."""
    checked: str = ""
    """When the check ended, ISO 8601 with zone."""

    def to_json(self) -> str:
        """Return it as text, with a digest of itself as its last key."""
        plain, digest = self._plain()
        return _written(plain | {"digest": digest}) + "\n"

    @property
    def digest(self) -> str:
        """The digest of itself, hex: written down elsewhere, it shows whether this is the same sign-off."""
        return self._plain()[1]

    def _plain(self) -> tuple[dict[str, Any], str]:
        plain = _FORMAT | {field.name: getattr(self, field.name) for field in fields(self)}
        plain["fingerprints"] = dict(sorted(self.fingerprints.items()))
        plain["exceptions"] = [asdict(one) | {"covers": one.covers._asdict()} for one in self.exceptions]
        plain["checklist"] = [point._asdict() for point in self.checklist]
        plain["files"] = {name: file._asdict() for name, file in sorted(self.files.items())}
        return plain, blake3(_written(plain).encode(errors="surrogatepass")).hexdigest()

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Return the sign-off that a text stands for.

        Raises:
            ValueError: If it is anything but what `to_json` writes.
        """
        try:
            signed = cls._from_plain(json.loads(text))
            if signed.to_json() == text:
                return signed
        except (AttributeError, KeyError, RecursionError, TypeError) as error:
            raise ValueError(f"not a sign-off: {error}") from error
        raise ValueError("not what was written when it was signed")

    @classmethod
    def _from_plain(cls, plain: dict[str, Any]) -> Self:
        given = {field.name: plain[field.name] for field in fields(cls)}
        given["verdict"] = VerdictKind(plain["verdict"])
        for name in ("reasons", "cautions", "not_proved"):
            given[name] = tuple(plain[name])
        given["exceptions"] = tuple(_acceptance(**one) for one in plain["exceptions"])
        given["checklist"] = tuple(Point(p["text"], Looked(p["looked"]), p["told"]) for p in plain["checklist"])
        given["files"] = {name: SignedFile(file["bytes"], file["blake3"]) for name, file in plain["files"].items()}
        signed = cls(**given)
        if (wrong := signed.wrong()) is not None:
            raise ValueError(f"{wrong} is not what a sign-off holds")
        return signed

    def wrong(self) -> str | None:
        """Return the name of a field that holds what nobody could have signed; None where all is as it must be."""
        texts = (self.host, self.tool, *self.reasons, *self.cautions, *self.not_proved)
        points = [text for point in self.checklist for text in (point.text, point.told)]
        holds = {
            "report_id": _is(_REPORT_ID, self.report_id),
            "by": readable(self.by, LONGEST_NAME),
            "role": self.role == "" or readable(self.role, LONGEST_NAME),
            "statement": readable(self.statement, LONGEST_TEXT, lines=True),
            "despite": self.despite == "" or readable(self.despite, LONGEST_TEXT),
            "verdict": self.verdict in TRUSTED or self.despite != "",
            "at": is_instant(self.at),
            "checked": self.checked == "" or is_instant(self.checked),
            "key": self.key == "" or _is(FINGERPRINT, self.key),
            "fingerprints": set(self.fingerprints) == set(Side)
            and all(one == "" or _is(_DIGEST, one) for one in self.fingerprints.values()),
            "rules": _is(_DIGEST, self.rules),
            "exceptions": all(_is_in_force(one) for one in self.exceptions),
            "files": all(_is_file(name, file) for name, file in self.files.items()),
            "text": all(_is_text(text) for text in (*texts, *points)),
        }
        return next((name for name, right in holds.items() if not right), None)


def read_signoff(evidence: Path) -> SignOff | None:
    """Return an evidence folder's sign-off; None where nobody signed.

    Raises:
        ManifestDamaged: If there is one and it is not what was written.
    """
    try:
        return SignOff.from_json(signed_bytes(evidence).decode())
    except FileNotFoundError:
        return None
    except ValueError as error:
        raise ManifestDamaged(
            f"{named(evidence / SIGNOFF_FILE)} was changed after it was signed ({error})",
            "take it from a copy, or check and sign anew",
        ) from error


def signed_bytes(evidence: Path) -> bytes:
    """Return the bytes of an evidence folder's sign-off, which a signature is over.

    Raises:
        FileNotFoundError: If nobody signed.
        ValueError: If it is no file, or larger than any sign-off.
    """
    path = evidence / SIGNOFF_FILE
    if not stat.S_ISREG(path.lstat().st_mode):  # opening a pipe would wait for a writer
        raise ValueError("it is not a file")
    with path.open("rb") as file:
        data = file.read(LARGEST_BYTES + 1)
    if len(data) > LARGEST_BYTES:
        raise ValueError("it is larger than any sign-off")
    return data


def readable(text: object, longest: int, *, lines: bool = False) -> bool:
    """Tell whether a text that somebody gave can stand in a sign-off: something, not too long, nothing hidden in it.

    Args:
        text: The text.
        longest: Characters that it may have.
        lines: Whether it may have several lines.
    """
    if not isinstance(text, str) or not text.strip() or text != text.strip() or len(text) > longest:
        return False
    return all(shown(line) == line for line in (text.split("\n") if lines else [text]))


def _written(plain: Mapping[str, Any]) -> str:
    return json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False)


def _acceptance(*, covers: dict[str, int], **plain: Any) -> Acceptance:
    return Acceptance(**plain | {"cls": Class(plain["cls"]), "covers": Tally(**covers)})


def _is_in_force(one: Acceptance) -> bool:
    numbers = (one.number, *one.covers)
    texts = (one.pattern, one.because, one.by)
    return (
        all(type(number) is int and number >= 0 for number in numbers)
        and all(_is_text(text) for text in texts)
        and is_instant(one.at)
        and (one.until is None or is_instant(one.until))
        and _is(_DIGEST, one.digest)
        and one.withdrawn is None
    )


def _is_file(name: str, file: SignedFile) -> bool:
    beside = name in (SIGNOFF_FILE, SIGNATURE_FILE, "", ".", "..") or "/" in name
    return not beside and type(file.bytes) is int and file.bytes >= 0 and _is(_DIGEST, file.blake3)


def _is(pattern: re.Pattern[str], value: object) -> bool:
    return isinstance(value, str) and pattern.fullmatch(value) is not None


def _is_text(value: object) -> bool:
    """Tell whether a value is a text that UTF-8 can hold: bytes that were no text come from Python as surrogates."""
    return isinstance(value, str) and not any("\ud800" <= character <= "\udfff" for character in value)
