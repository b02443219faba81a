"""The sign-off: who took a check's verdict as it stands, when, knowing what, and the digests of all that it rests on.

It is ``signoff.json`` in the evidence folder. What `SignOff.to_json` writes is the only form that is read, and it holds
a digest of itself, so a changed byte is found; who signed is proved by a signature over these bytes, or by nothing.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Self

from blake3 import blake3

from verifier.classes import Side, VerdictKind
from verifier.errors import ManifestDamaged
from verifier.evidence import SIGNOFF_FILE
from verifier.manifest.database import named

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

LARGEST_BYTES: Final = 16_000_000
"""More than any sign-off takes."""
_FORMAT: Final = {"format": "verifier/signoff", "version": 1}


class Looked(StrEnum):
    """How far a point of the checklist was looked at."""

    SEEN = "seen"
    """This tool looked, and it holds."""
    OPEN = "open"
    """This tool looked, and it does not hold."""
    PERSON = "person"
    """Only a person can know."""


class Point(NamedTuple):
    """One point of the checklist before anything is wiped."""

    text: str
    looked: Looked
    told: str
    """What was seen, or what to do to know."""


class SignedFile(NamedTuple):
    """A file of the evidence as it was when it was signed."""

    bytes: int
    blake3: str
    """Hex."""


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
    despite: str
    """Why it is signed although the copy cannot be trusted, or changed since; empty where it needs no reason."""
    at: str
    """ISO 8601 with zone."""
    host: str
    tool: str
    key: str
    """Fingerprint of the OpenSSH key that signs it; empty without one."""
    fingerprints: Mapping[str, str]
    """Of both sides' manifests."""
    rules: str
    """Digest of rules, policy and tolerance."""
    exceptions: tuple[Mapping[str, Any], ...]
    """Those that were in force, as they are on record."""
    cautions: tuple[str, ...]
    """As they were shown."""
    not_proved: tuple[str, ...]
    checklist: tuple[Point, ...]
    files: Mapping[str, SignedFile]
    """By name: everything that lay in the evidence folder."""

    def to_json(self) -> str:
        """Return it as text, with a digest of itself as its last key."""
        plain = _FORMAT | {field.name: getattr(self, field.name) for field in fields(self)}
        plain["checklist"] = [point._asdict() for point in self.checklist]
        plain["files"] = {name: file._asdict() for name, file in sorted(self.files.items())}
        body = json.dumps(plain, indent=2, ensure_ascii=False)
        plain["digest"] = blake3(body.encode(errors="surrogatepass")).hexdigest()
        return json.dumps(plain, indent=2, ensure_ascii=False) + "\n"

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Return the sign-off that a text stands for.

        Raises:
            ValueError: If it is anything but what `to_json` writes.
        """
        try:
            plain = json.loads(text)
            signed = cls._from_plain(plain)
            if signed.to_json() == text:
                return signed
        except (AttributeError, KeyError, RecursionError, TypeError) as error:
            raise ValueError(f"not a sign-off: {error}") from error
        raise ValueError("not what was written when it was signed")

    @classmethod
    def _from_plain(cls, plain: dict[str, Any]) -> Self:
        given = {field.name: plain[field.name] for field in fields(cls)}
        given["verdict"] = VerdictKind(plain["verdict"])
        for name in ("reasons", "exceptions", "cautions", "not_proved"):
            given[name] = tuple(plain[name])
        given["checklist"] = tuple(Point(p["text"], Looked(p["looked"]), p["told"]) for p in plain["checklist"])
        given["files"] = {name: SignedFile(file["bytes"], file["blake3"]) for name, file in plain["files"].items()}
        if datetime.fromisoformat(plain["at"]).tzinfo is None or set(plain["fingerprints"]) != set(Side):
            raise ValueError("its time has no zone, or it does not name both sides")
        return cls(**given)


def read_signoff(evidence: Path) -> SignOff | None:
    """Return an evidence folder's sign-off; None where nobody signed.

    Raises:
        ManifestDamaged: If there is one and it is not what was written.
    """
    path = evidence / SIGNOFF_FILE
    try:
        with path.open("rb") as file:
            return SignOff.from_json(file.read(LARGEST_BYTES).decode())
    except FileNotFoundError:
        return None
    except ValueError as error:
        raise ManifestDamaged(
            f"{named(path)} was changed after it was signed ({error})", "take it from a copy, or check and sign anew"
        ) from error
