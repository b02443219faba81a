"""What a person reads after signing, and after a look at what was signed: plain lines of at most 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from verifier.classes import TRUSTED, Side
from verifier.decisions.signoff import Looked, Point
from verifier.evidence import PAGE_FILE, SIGNOFF_FILE
from verifier.manifest.database import named
from verifier.report.terminal import WIDTH, Line, flowing
from verifier.report.words import HEADLINES, LOOKED_WORDS, despite_what
from verifier.signoff.verify import HARMLESS, State

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verifier.decisions.signoff import SignOff
    from verifier.signoff.verify import Verified

_MARK: Final = max(map(len, LOOKED_WORDS.values()))
_STATE: Final = max(map(len, State))


def signed_lines(signed: SignOff, evidence: Path) -> Iterator[Line]:
    """Yield what somebody who has just signed must know."""
    yield from _head(signed, f"SIGNED: {HEADLINES[signed.verdict].upper()}")
    yield Line("")
    yield from _rows(
        ("report", signed.report_id),
        *((side.value, signed.fingerprints[side] or "only listed: no fingerprint") for side in Side),
        ("rules", signed.rules),
        ("key", signed.key or "none: nothing but digests holds it together"),
        ("files", f"{len(signed.files)}, each with its digest in {SIGNOFF_FILE}"),
        ("digest", f"{signed.digest}, of the sign-off itself: write it down elsewhere"),
    )
    yield Line("")
    yield Line("Before anything is wiped", "strong")
    for point in signed.checklist:
        yield from _point(point)
    yield Line("")
    yield Line("Cautions, which were shown with this", "strong")
    for caution in signed.cautions:
        yield from flowing(caution, "  - ", "    ")
    if not signed.key:
        yield Line("")
        yield from flowing(
            "Signed without a key (--ssh-key): whoever can write in that folder can change everything in it and sign "
            "anew, and nothing in it would show that."
        )
    yield Line("")
    yield from _rows(
        ("Sign-off", named(evidence / SIGNOFF_FILE)),
        ("Report", named(evidence / PAGE_FILE)),
        ("Later", f"verifier signoff --check {named(evidence)}"),
    )


def verified_lines(found: Verified) -> Iterator[Line]:
    """Yield what a look at a signed folder came to."""
    yield Line("THE SIGN-OFF HOLDS", "good") if found.holds else Line("THE SIGN-OFF DOES NOT HOLD", "bad")
    if found.signed is not None:
        headline = HEADLINES[found.signed.verdict]
        yield from _head(found.signed, headline if found.holds else f"It was signed as: {headline}", holds=found.holds)
        yield from flowing(found.age)
    yield Line("")
    width = max(len(answer.what) for answer in found.answers)
    for answer in sorted(found.answers, key=lambda one: one.state in HARMLESS):
        mark = f"  {answer.state.value:<{_STATE}}  "
        tone = "plain" if answer.state in HARMLESS else "bad"
        first = f"{mark}{answer.what:<{min(width, 24)}}  "
        yield from flowing(answer.told, first, " " * len(mark) + "  ", tone)
    if found.not_proved:
        yield Line("")
        yield Line("What this does not prove", "strong")
        for text in found.not_proved:
            yield from flowing(text, "  - ", "    ")


def _head(signed: SignOff, headline: str, *, holds: bool = True) -> Iterator[Line]:
    """Yield the verdict, who took it, and in which words; a reason to sign all the same comes large."""
    trusted = signed.verdict in TRUSTED
    yield Line(headline, ("good" if holds else "plain") if trusted else "bad")
    if signed.despite:
        yield Line("*" * WIDTH, "bad")
        yield Line(f"SIGNED DESPITE {despite_what(signed).upper()}. The reason that was given:", "bad")
        yield from flowing(signed.despite, "    ", "    ", "bad")
        yield Line("*" * WIDTH, "bad")
    role = f", {signed.role}" if signed.role else ""
    yield from flowing(f"by {signed.by}{role}, {signed.at}, on {signed.host}, with {signed.tool}")
    for text in signed.statement.split("\n"):
        yield from flowing(text, "  ", "  ")


def _point(point: Point) -> Iterator[Line]:
    first = f"  {LOOKED_WORDS[point.looked]:<{_MARK}}  "
    tone = "bad" if point.looked is Looked.OPEN else "plain"
    yield from flowing(f"{point.text} {point.told}", first, " " * len(first), tone)


def _rows(*rows: tuple[str, str]) -> Iterator[Line]:
    width = max(len(name) for name, _ in rows)
    for name, text in rows:
        yield from flowing(text, f"{name:<{width}}  ", " " * (width + 2))
