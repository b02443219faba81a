"""What people decide about findings, made by hand: exceptions and sign-offs."""

from __future__ import annotations

from typing import Any, Final

from verifier.classes import Class, Side, VerdictKind
from verifier.decisions.covering import Covered
from verifier.decisions.exceptions import Acceptance
from verifier.decisions.signoff import SignOff
from verifier.reconcile.findings import Tally
from verifier.report.words import CAUTIONS, NOT_PROVED

AT: Final = "2026-11-28T10:00:00+00:00"
"""When everything was decided unless a test says otherwise."""


def signoff(text: str = "text", **changes: Any) -> SignOff:
    """Return a sign-off in which every text is the same."""
    given: dict[str, Any] = {
        "verdict": VerdictKind.NOT_TRUSTWORTHY,
        "reasons": (text,),
        "report_id": text,
        "by": text,
        "role": text,
        "statement": text,
        "despite": text,
        "at": AT,
        "host": text,
        "tool": text,
        "key": text,
        "fingerprints": dict.fromkeys(Side, text),
        "rules": text,
        "exceptions": (),
        "cautions": CAUTIONS,
        "not_proved": NOT_PROVED,
        "checklist": (),
        "files": {},
    }
    return SignOff(**given | changes)


def exception(number: int = 1, text: str = "text", *, holds: bool = True, **changes: Any) -> Covered:
    """Return an exception in which every text is the same, that covers a file of 12 bytes of two."""
    given: dict[str, Any] = {
        "number": number,
        "pattern": text,
        "cls": Class.MISSING,
        "because": text,
        "by": text,
        "at": AT,
        "until": None,
        "covers": Tally(2, 2, 24),
        "digest": "d" * 64,
    }
    return Covered(Acceptance(**given | changes), holds, Tally(1, 1, 12) if holds else Tally())
