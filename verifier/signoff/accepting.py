"""Accepting findings by name, withdrawing that, and telling what is on record."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verifier.decisions.covering import Choice, Covered, accept, cover
from verifier.decisions.exceptions import (
    LONGEST_NAME,
    LONGEST_TEXT,
    Exceptions,
    Wanted,
    Withdrawal,
    instant_text,
    text_trouble,
)
from verifier.errors import EvidenceUnwritable, NotAManifest, UsageProblem
from verifier.evidence import EXCEPTIONS_FILE, FINDINGS_FILE, SIGNOFF_FILE, held
from verifier.manifest.database import named
from verifier.reconcile.findings import Findings
from verifier.report.amounts import size_text
from verifier.report.context import build_context
from verifier.report.parts import counted
from verifier.report.write import write_report
from verifier.tree.names import shown
from verifier.verdict import PHRASES, things

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path

    from verifier.decisions.exceptions import Acceptance
    from verifier.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Recorded:
    """An exception that was just recorded, and what came of it."""

    acceptance: Acceptance
    choice: Choice
    verdict: Verdict
    """As it is now."""

    def lines(self) -> list[str]:
        """Tell it, with nothing in it that a terminal would act on."""
        one = self.acceptance
        files, folders, links = (self.choice.kinds.get(kind, 0) for kind in ("file", "directory", "link"))
        others = sum(self.choice.kinds.values()) - files - folders - links
        what = f"{things(files, folders, links, others)} {PHRASES[one.cls]}"
        if self.choice.causes:
            told = sorted(self.choice.causes.items(), key=lambda cause: (-cause[1], cause[0]))
            what += f" ({', '.join(f'{number:,} {cause}' for cause, number in told)})"
        if one.covers.files:
            what += f", {size_text(one.covers.bytes)}"
        left = []
        if self.choice.covered:
            left.append(f"{self.choice.covered:,} accepted already")
        if self.choice.not_repeated:
            left.append(f"{self.choice.not_repeated:,} that did not repeat and cannot be accepted")
        what += f"; left out: {', '.join(left)}" if left else ""
        return [f"exception {one.number} covers {what}", _told(self.verdict)]


def record(evidence: Path, wanted: Wanted) -> Recorded:
    """Accept findings of a finished check by name, and write its report again.

    Args:
        evidence: The folder of the check.
        wanted: The exception.

    Raises:
        NotAManifest: If the folder does not hold a finished check.
        UsageProblem: If a text cannot be put on record, the exception would have ended, nothing matches, or the check
            is signed.
        EvidenceUnwritable: If it cannot be written.
        ManifestDamaged: If something in the folder is not what was written.
    """
    _refuse_texts(
        ("--path", wanted.pattern, LONGEST_TEXT, "; write ? for a character that cannot be typed"),
        ("--because", wanted.because, LONGEST_TEXT, ""),
        ("--by", wanted.by, LONGEST_NAME, ""),
    )
    if wanted.until is not None and wanted.until <= wanted.at:
        raise UsageProblem(f"--until {instant_text(wanted.until)} is in the past", "give a later day, or none")
    with _deciding(evidence):
        with Findings.open(evidence / FINDINGS_FILE) as findings:
            build_context(evidence, findings, as_of=wanted.at)
            acceptance, choice = accept(evidence, findings, wanted)
        return Recorded(acceptance, choice, _written_again(evidence, f"exception {acceptance.number} is on record"))


def withdraw(evidence: Path, number: int, by: str, because: str, at: datetime) -> list[str]:
    """Withdraw an exception of a finished check, which stays on record, and write the report again.

    Args:
        evidence: The folder of the check.
        number: Of the exception.
        by: Who says so.
        because: Why.
        at: When; aware.

    Returns:
        Lines that tell it.

    Raises:
        UsageProblem: If there is no such exception, it is withdrawn, or the check is signed; as `record` otherwise.
        EvidenceUnwritable: If it cannot be written.
    """
    _refuse_texts(("--because", because, LONGEST_TEXT, ""), ("--by", by, LONGEST_NAME, ""))
    with _deciding(evidence):
        with Findings.open(evidence / FINDINGS_FILE) as findings:
            build_context(evidence, findings, as_of=at)
        path = evidence / EXCEPTIONS_FILE
        if not path.exists():
            raise UsageProblem(f"{named(evidence)} has no accepted findings", "there is nothing to withdraw")
        with Exceptions.change(path) as store:
            one = store.withdraw(number, Withdrawal(instant_text(at), by, because))
        verdict = _written_again(evidence, f"exception {number} is withdrawn")
    return [f"exception {number} is withdrawn: {one.cls}, {one.pattern}, {counted(one.covers)}", _told(verdict)]


def _refuse_texts(*texts: tuple[str, str, int, str]) -> None:
    for option, text, longest, more in texts:
        if why := text_trouble(text, longest):
            raise UsageProblem(f"{option} {why}", f"give one line of text{more}")


@contextmanager
def _deciding(evidence: Path) -> Iterator[None]:
    """Hold the folder of a finished check that nobody has signed; looks first, because holding makes a folder."""
    if not (evidence / FINDINGS_FILE).is_file():
        raise NotAManifest(
            f"{named(evidence)} does not hold a finished check", "name a folder that `verifier check` wrote"
        )
    with held(evidence):
        if (evidence / SIGNOFF_FILE).exists():
            raise UsageProblem(
                f"{named(evidence)} holds a signed check, and what was signed stays as it is",
                f"check again into another folder with --accepted {named(evidence)}, and decide there",
            )
        yield


def _written_again(evidence: Path, done: str) -> Verdict:
    """Write the report again, and return its verdict; what was decided is on record whatever comes of it."""
    try:
        return write_report(evidence).verdict
    except EvidenceUnwritable as error:
        raise EvidenceUnwritable(
            f"{done}, but the report could not be written again: {error.what}",
            f"free some space there, then `verifier report {named(evidence)}`",
        ) from error


def _told(verdict: Verdict) -> str:
    why = "" if verdict.exit_code == 0 else f" ({'; '.join(verdict.reasons)})"
    return shown(f"verdict now: {verdict.kind}{why}")


def on_record(evidence: Path, now: datetime) -> list[str]:
    """Tell line by line which exceptions are on record; nothing is written.

    Args:
        evidence: The folder of a finished check.
        now: The moment at which an exception has to hold; aware.

    Raises:
        NotAManifest: If the folder does not hold a finished check.
        ManifestDamaged: If something in the folder is not what was written.
    """
    with Findings.open(evidence / FINDINGS_FILE) as findings:
        accepted = cover(findings, evidence, now)
    if not accepted:
        return [f"nothing is accepted by name in {named(evidence)}"]
    return [shown(line) for one in accepted for line in _exception(one)]


def _exception(covered: Covered) -> Iterator[str]:
    one = covered.acceptance
    state = "holds" if covered.holds else f"ended on {one.until}"
    yield f"exception {one.number}: {one.cls}, {one.pattern}: {'withdrawn' if one.withdrawn else state}"
    now = counted(covered.now) if covered.now.entries else "nothing"
    yield f"    covered {counted(one.covers)} when it was accepted; covers {now} now"
    until = "" if one.until is None else f", until {one.until}"
    yield f"    accepted by {one.by} on {one.at}{until}"
    yield f"    because {one.because}"
    if one.withdrawn is not None:
        yield f"    withdrawn by {one.withdrawn.by} on {one.withdrawn.at}"
        yield f"    because {one.withdrawn.because}"
