"""A sign-off as somebody could have made it, and the text of one that nobody could."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from blake3 import blake3

from verifier.classes import Class, Side, VerdictKind
from verifier.decisions.exceptions import Acceptance
from verifier.decisions.signoff import Looked, Point, SignedFile, SignOff
from verifier.reconcile.findings import Tally


def signoff(**changes: Any) -> SignOff:
    """Return a sign-off with something in every field, changed as a test wants."""
    made = SignOff(
        verdict=VerdictKind.WITH_EXCEPTIONS,
        reasons=("accepted by name: 2 files missing", "3 files read on both sides"),
        report_id="0123456789abcdef",
        by="R. Curator",
        role="head of collections",
        statement="I have read it.\n\nÜbrigens: \u00ab all \u00bb of it.",
        despite="",
        at="2026-11-21T22:00:00+01:00",
        host="herbarium",
        tool="verifier 0.1.0",
        key="SHA256:" + "aB3/+" * 8 + "abc",
        fingerprints={Side.OLD: "0" * 64, Side.NEW: "f" * 64},
        rules="d" * 64,
        exceptions=(
            Acceptance(
                2,
                "notes/*.tmp",
                Class.MISSING,
                "nobody needs them",
                "R. Curator",
                "2026-11-20T08:00:00+00:00",
                "2027-01-01T00:00:00+00:00",
                Tally(2, 2, 40),
                "e" * 64,
            ),
        ),
        cautions=("A copy is not a backup.",),
        not_proved=("That it was good before.",),
        checklist=(Point("Is it fresh?", Looked.SEEN, "Yes."), Point("Is it allowed?", Looked.PERSON, "Ask.")),
        files={"findings.sqlite": SignedFile(4096, "a" * 64), "report.html": SignedFile(0, "b" * 64)},
        checked="2026-11-21T20:00:00+01:00",
    )
    return replace(made, **changes)


def forged(**changes: Any) -> str:
    """Return the text of a sign-off in which some values are others, with the right digest of itself.

    Args:
        changes: By key; a value that is `...` leaves the key out.
    """
    plain: dict[str, Any] = json.loads(signoff().to_json())
    del plain["digest"]
    for key, value in changes.items():
        plain[key] = value
        if value is ...:
            del plain[key]
    body = json.dumps(plain, indent=2, ensure_ascii=False)
    plain["digest"] = blake3(body.encode(errors="surrogatepass")).hexdigest()
    return json.dumps(plain, indent=2, ensure_ascii=False) + "\n"
