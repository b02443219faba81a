"""What a message says: what is new first, then the verdict, both sides, what to do, and where the rest is.

Plain text of at most 78 characters a line (RFC 5322, section 2.1.1). Names and other programs' words are shown as
`verifier.tree.names.shown` shows them, so nothing in a subject or body is active.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Final

from verifier.classes import Side
from verifier.evidence import PAGE_FILE
from verifier.job.job import Occasion
from verifier.ledger.places import HISTORY_FILE
from verifier.ledger.record import Outcome
from verifier.manifest.database import named
from verifier.messages.advice import to_do
from verifier.messages.message import Message
from verifier.report.amounts import duration_text, instant_text, share_of, size_text
from verifier.report.words import CAUTIONS, HEADLINES, MEANINGS
from verifier.tree.names import shown
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from verifier.ledger.record import RunRecord, SideRecord
    from verifier.messages.night import Night

WIDTH: Final = 78
LONGEST_SUBJECT: Final = 200
"""Characters; a header line holds at most 998 (RFC 5322), and mail programs show fewer."""
_REASONS: Final = 8
_GRAVEST: Final = 20
_WARNINGS: Final = 10
_RUNS: Final = 14
"""How many lines of each are shown at most; what is left out is counted."""

OUTCOMES: Final[dict[Outcome, str]] = {
    Outcome.FINISHED: "finished",
    Outcome.WINDOW_ENDED: "not finished in its time window",
    Outcome.INTERRUPTED: "interrupted",
    Outcome.COULD_NOT_RUN: "could not run",
    Outcome.KILLED: "ended from outside without a word",
}
"""How a run ended, as a subject says it."""


def compose(job_name: str, night: Night, occasion: Occasion, folder: Path, *, weekly: bool = False) -> Message:
    """Write the message about a run.

    Args:
        job_name: What the job calls itself.
        night: The run, and those before it.
        occasion: Why it is written.
        folder: The job's evidence folder.
        weekly: Whether the week's summary belongs in it.
    """
    news = what_is_new(night)
    parts = [
        _wrapped([news]),
        _run(job_name, night.record),
        _verdict(night.record),
        _listed("The gravest:", night.record.news.lines, _GRAVEST),
        _sides(night.record),
        _listed("Warnings:", night.record.warnings, _WARNINGS),
        _week(night.week) if weekly else [],
        _next(night.record),
        _places(night, folder),
        _wrapped([CAUTIONS[0]]),
    ]
    about = f"week: {_week_in_short(night.week)}; last run: {news}" if occasion is Occasion.WEEKLY else news
    return Message(
        night.record.run,
        occasion,
        subject_of(job_name, about),
        "\n".join("\n".join((*part, "")) for part in parts if part),
    )


def compose_test(job_name: str) -> Message:
    """Write a message that says nothing but that it arrived."""
    text = f"This is a test. Messages about the job {_line(job_name)} arrive here. Nothing was checked for it."
    return Message("", Occasion.EVERY, subject_of(job_name, "test message"), "\n".join((*_wrapped([text]), "")))


def subject_of(job_name: str, text: str) -> str:
    """Return a subject: one line without anything active, cut where it is too long."""
    subject = f"[{_line(job_name)}] {_line(text)}"
    return subject if len(subject) <= LONGEST_SUBJECT else f"{subject[: LONGEST_SUBJECT - 3].rstrip()}..."


def what_is_new(night: Night) -> str:
    """Say in one line what a run came to, what is new first."""
    record = night.record
    why = _line(record.reasons[0]) if record.reasons else ""
    if record.outcome is Outcome.FINISHED:
        verdict = "" if record.verdict is None else HEADLINES[record.verdict].lower()
        return _line(record.news.headline).rstrip(".") or verdict or "finished"
    text = OUTCOMES[record.outcome]
    if record.outcome is Outcome.WINDOW_ENDED and night.windows_ended > 1:
        text = f"{text}, {night.windows_ended} times since it last finished"
    return f"{text}: {why}" if why else text


def _run(job_name: str, record: RunRecord) -> list[str]:
    began, ended = instant_text(record.started), instant_text(record.finished)
    times = f"Began {began}, ended {ended}." if began and ended else f"Began {began}."
    name = f"Job {_line(job_name)}, phase {record.phase.value}, run {_line(record.run)}."
    return [*_wrapped([name]), *_wrapped([times])]


def _verdict(record: RunRecord) -> list[str]:
    if record.verdict is None:
        return _listed("Besides:", record.reasons[1:], _REASONS)  # the first is the news
    words = f"Verdict: {HEADLINES[record.verdict]}. {MEANINGS[record.verdict]}"
    return [*_wrapped([words]), *_listed("", record.reasons, _REASONS)]


def _sides(record: RunRecord) -> list[str]:
    lines: list[str] = []
    for side in Side:
        if (one := record.sides.get(side.value)) is not None:
            lines += _wrapped(_side(side, one), "  ", "    ")
    return ["Sides:", *lines] if lines else []


def _side(side: Side, one: SideRecord) -> Iterator[str]:
    label = f" ({_line(one.label)})" if one.label and one.label != side.value else ""
    yield f"{side.value}{label}: {_line(one.root)}"
    read = f"{count_of(one.read_files, 'file', 'files')}, {size_text(one.read_bytes)}"
    took = f" in {duration_text(one.seconds)}" if one.seconds else ""
    problems = f", {count_of(one.problems, 'error', 'errors')} met" if one.problems else ""
    yield f"  {count_of(one.files, 'file', 'files')}, {size_text(one.bytes)}; read this time {read}{took}{problems}"
    oldest = instant_text(one.oldest_read)
    since = f"; the longest unread on {oldest}" if oldest else ""
    yield f"  {share_of(one.fresh_files, one.files)} of its files read within the promised time{since}"


def _week(runs: Sequence[RunRecord]) -> list[str]:
    lines = [f"The last seven days: {_week_in_short(runs)}."]
    if len(runs) > _RUNS:
        lines.append(f"  ... {count_of(len(runs) - _RUNS, 'earlier run', 'earlier runs')}, in the history")
    for run in runs[-_RUNS:]:
        began = instant_text(run.started)[:16]
        if run.verdict is not None:
            what = f"{HEADLINES[run.verdict].lower()}; {_line(run.news.headline)}".removesuffix("; ")
        else:
            why = f": {_line(run.reasons[0])}" if run.reasons else ""
            what = f"{OUTCOMES[run.outcome]}{why}"
        lines += _wrapped([f"{began}  {what}"], "  ", "    ")
    for side in Side:
        sides = [run.sides[side.value] for run in runs if side.value in run.sides]
        if files := sum(one.read_files for one in sides):
            amount = size_text(sum(one.read_bytes for one in sides))
            lines.append(f"  Read on the {side.value} side: {count_of(files, 'file', 'files')}, {amount}.")
    return lines


def _week_in_short(runs: Sequence[RunRecord]) -> str:
    finished = sum(run.outcome is Outcome.FINISHED for run in runs)
    sums = [
        (sum(run.news.new for run in runs), "new"),
        (sum(run.news.worse for run in runs), "worse"),
        (sum(run.news.repaired for run in runs), "repaired"),
    ]
    found = ", ".join(f"{number:,} {word}" for number, word in sums if number) or "nothing new"
    rest = "" if finished == len(runs) else f" of {len(runs):,}"
    return f"{finished:,}{rest} {'run' if len(runs) == 1 else 'runs'} finished, {found}"


def _next(record: RunRecord) -> list[str]:
    advice = to_do(record)
    where = " (DIR is the report's folder)" if any(" DIR" in text for text in advice) else ""
    return _listed(f"What to do next{where}:", advice, len(advice))


def _places(night: Night, folder: Path) -> list[str]:
    record = night.record
    lines: list[str] = []
    if record.evidence:
        lines += ["Report:", *_wrapped([named(folder / record.evidence / PAGE_FILE)], "  ")]
    lines += ["History:", *_wrapped([named(folder / HISTORY_FILE)], "  ")]
    if night.entry_digest:
        lines += ["Ledger entry (note it: it proves later that no entry was removed):", f"  {night.entry_digest}"]
    return lines


def _listed(title: str, texts: Sequence[str], most: int) -> list[str]:
    if not texts:
        return []
    lines = [title] if title else []
    lines += _wrapped([f"- {_line(text)}" for text in texts[:most]], "  ", "    ")
    if len(texts) > most:
        lines.append(f"  ... and {len(texts) - most:,} more, in the report")
    return lines


def _line(text: str) -> str:
    return shown(text).strip()


def _wrapped(paragraphs: Iterable[str], first: str = "", further: str | None = None) -> list[str]:
    further = first if further is None else further
    lines: list[str] = []
    for paragraph in paragraphs:
        # A name may be longer than a line, and then has to be broken.
        lines += textwrap.wrap(
            paragraph, WIDTH, initial_indent=first, subsequent_indent=further, break_on_hyphens=False
        ) or [first.rstrip()]
    return lines
