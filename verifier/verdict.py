"""From findings to a verdict, with its reasons in words."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from verifier.classes import EXIT_CODES, STANDS_IN_THE_WAY, Cause, Class, Phase, Severity, Side, VerdictKind
from verifier.reconcile.findings import ACCEPTED
from verifier.sampling import Sampled

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verifier.reconcile.findings import Findings, Tally


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer, and why."""

    kind: VerdictKind
    reasons: tuple[str, ...]
    """What stands in the way, heaviest first; for a trustworthy copy, what it rests on."""

    @property
    def exit_code(self) -> int:
        """The process's exit code."""
        return EXIT_CODES[self.kind]


PHRASES: Final[dict[Class, str]] = {
    Class.IDENTICAL: "identical",
    Class.CLUTTER: "set aside by a rule",
    Class.MISSING: "missing",
    Class.CONTENT_CHANGED: "with changed content",
    Class.KIND_CHANGED: "of another kind",
    Class.UNREADABLE: "that could not be read or listed",
    Class.UNSETTLED: "that changed while being read",
    Class.UNPROVEN: "not read on both sides",
    Class.NAME_ALTERED: "under an altered name",
    Class.RELOCATED: "at another place",
    Class.METADATA_ONLY: "with other metadata",
    Class.EXTRA: "on the new side only",
    Class.DRIFT: "changed after a time gate",
}
"""How each class is said after a count of things."""

_COMPARED: Final = (
    Class.IDENTICAL,
    Class.METADATA_ONLY,
    Class.NAME_ALTERED,
    Class.RELOCATED,
    Class.CONTENT_CHANGED,
)


def count_of(number: int, singular: str, plural: str) -> str:
    """Return a number with its noun."""
    return f"{number:,} {singular if number == 1 else plural}"


def things(files: int, folders: int, links: int, others: int) -> str:
    """Return counts of files, folders, links and other entries in words; zero counts are left out."""
    parts = [
        count_of(number, *nouns)
        for number, nouns in (
            (files, ("file", "files")),
            (folders, ("folder", "folders")),
            (links, ("link", "links")),
            (others, ("other entry", "other entries")),
        )
        if number
    ]
    return " and ".join(parts) if len(parts) < 3 else ", ".join(parts[:-1]) + " and " + parts[-1]


def judge(  # noqa: PLR0913, PLR0917  what was found, and four facts of the run that it came from
    findings: Findings,
    accounts: Mapping[Side, Mapping[Class, Tally]],
    incomplete: Mapping[Side, str],
    carried: Mapping[Side, int] | None = None,
    sample: Sampled | None = None,
    phase: Phase | None = None,
) -> Verdict:
    """Judge what a reconciliation found, but for what somebody accepted by name.

    Args:
        findings: The findings, whose severities the policy has weighed, with what is accepted marked.
        accounts: Both sides' accounts.
        incomplete: For each side whose scan did not reach its end, or read nothing, why.
        carried: How many files of each side were not read now, but are known from an earlier scan.
        sample: What came of a sample, where only that was read: unless it is the whole, it never proves a copy.
        phase: How far the migration is: while the copy is still being made, it is never proved.
    """
    weighed = _by_severity(findings)
    repeats = _not_repeated(findings, weighed)
    blockers = _reasons(weighed, Severity.BLOCKER)
    open_questions = [] if sample is None or sample.is_whole else [sample.reason]
    open_questions += [f"the scan of the {side} side is incomplete: {why}" for side, why in incomplete.items()]
    open_questions += repeats
    open_questions += _reasons(weighed, Severity.INCONCLUSIVE)
    if phase is Phase.COPYING:
        open_questions.append(_still_copying(findings))
    old = accounts[Side.OLD]
    compared = sum(old[cls].files for cls in _COMPARED)
    if not compared:
        open_questions.append("no file's content was compared, and nothing to check is not success")
    if blockers:
        return Verdict(VerdictKind.NOT_TRUSTWORTHY, tuple(blockers + open_questions))
    if open_questions:
        return Verdict(VerdictKind.INCONCLUSIVE, tuple(open_questions))
    accepted = _accepted(findings)
    kind = VerdictKind.WITH_EXCEPTIONS if accepted else VerdictKind.TRUSTWORTHY
    return Verdict(kind, (*accepted, *_rests_on(findings, old, carried or {})))


def judge_again(findings: Findings, run: Mapping[str, Any]) -> Verdict:
    """Judge the findings of a finished check as that check did, but for what is accepted.

    Args:
        findings: The findings, with what is accepted marked.
        run: What the check recorded of itself (`verifier.check`).
    """
    return judge(
        findings,
        {side: findings.account(side) for side in Side},
        {Side(side): why for side, why in run["incomplete"].items()},
        {side: run["sides"][side]["totals"]["carried_files"] for side in Side},
        Sampled(**run["sample"]) if run.get("sample") else None,
        Phase(run["phase"]) if run.get("phase") else None,
    )


def _still_copying(findings: Findings) -> str:
    left = findings.tally(f"""old_path IS NOT NULL AND "class" IN ('missing', 'content-changed') AND NOT {ACCEPTED}""")
    what = f": {count_of(left.files, 'file', 'files')} still to be copied" if left.files else ""
    return f"the copy is still being made{what}"


def _accepted(findings: Findings) -> list[str]:
    """Say what would stand in the way if nobody had accepted it."""
    weighed = _by_severity(findings, ACCEPTED)
    reasons = [reason for severity in STANDS_IN_THE_WAY for reason in _reasons(weighed, severity)]
    return [f"accepted by name: {reason}" for reason in reasons]


def _rests_on(findings: Findings, old: Mapping[Class, Tally], carried: Mapping[Side, int]) -> list[str]:
    """Say what a trustworthy copy rests on, and what it leaves to do."""
    found = sum(old[cls].files for cls in (Class.IDENTICAL, Class.METADATA_ONLY, Class.NAME_ALTERED, Class.RELOCATED))
    files = count_of(found, "file", "files")
    reasons = [f"{files} read on both sides, every one with the same content"]
    if any(carried.values()):
        reasons = [f"{files} on both sides, every one with the same content"]
        reasons += [
            f"{count_of(number, 'file', 'files')} of the {side} side not read now: known from an earlier scan, "
            "unchanged since by size and times"
            for side, number in carried.items()
            if number
        ]
    late = findings.tally("drift_side = 'old'").entries
    if late:
        what = count_of(late, "entry", "entries")
        reasons.append(f"{what} of the old side changed after it was frozen: still to be copied")
    decisions = findings.tally(f"decision AND NOT {ACCEPTED}").entries
    if decisions:
        need = "needs" if decisions == 1 else "need"
        reasons.append(f"{count_of(decisions, 'file', 'files')} set aside by a rule {need} a decision by name")
    return reasons


def _by_severity(findings: Findings, where: str = f"NOT {ACCEPTED}") -> dict[Severity, dict[Class, list[int]]]:
    weighed: dict[Severity, dict[Class, list[int]]] = defaultdict(lambda: defaultdict(lambda: [0, 0, 0, 0]))
    for cls, severity, kind, number in findings.counts(
        '"class"', "severity", "coalesce(old_kind, new_kind)", where=where
    ):
        position = {"file": 0, "directory": 1, "link": 2}.get(kind, 3)
        weighed[Severity(severity)][Class(cls)][position] += int(number)
    return weighed


def _not_repeated(findings: Findings, weighed: dict[Severity, dict[Class, list[int]]]) -> list[str]:
    """Take what did not repeat out of what is weighed, and say it in words of its own."""
    number = findings.tally("cause = ?", (Cause.NOT_REPEATED.value,)).entries
    if not number:
        return []
    counted = weighed[Severity.INCONCLUSIVE]
    counted[Class.CONTENT_CHANGED][0] -= number
    if not any(counted[Class.CONTENT_CHANGED]):
        del counted[Class.CONTENT_CHANGED]
    files = count_of(number, "file", "files")
    return [f"{files} that differed at one reading and not at the next: suspect memory, cable or controller"]


def _reasons(weighed: Mapping[Severity, Mapping[Class, list[int]]], severity: Severity) -> list[str]:
    found = weighed.get(severity, {})
    return [f"{things(*found[cls])} {PHRASES[cls]}" for cls in Class if cls in found]
