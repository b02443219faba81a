"""What a person reads of a ledger: plain lines of at most 100 columns."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Final

from verifier.classes import Cause, Class, Side, VerdictKind
from verifier.ledger.record import Outcome, RunRecord
from verifier.ledger.schema import at_of, headline_of
from verifier.report import terminal
from verifier.report.amounts import duration_text, share_of, size_text
from verifier.report.terminal import Line, cut
from verifier.tree.names import shown
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from enum import StrEnum

    from verifier.ledger.record import LedgerEntry, SideRecord

WIDTH: Final = 100
_SHORT: Final = {
    VerdictKind.TRUSTWORTHY: "trustworthy",
    VerdictKind.WITH_EXCEPTIONS: "with exceptions",
    VerdictKind.NOT_TRUSTWORTHY: "not trustworthy",
    VerdictKind.INCONCLUSIVE: "inconclusive",
}
_TONES: Final = {"trustworthy": "good", "with exceptions": "good", "not trustworthy": "bad"}
_wide: Final = partial(terminal.flowing, width=WIDTH)
_COMES_TO: Final = max(map(len, _SHORT.values()))


def what_it_came_to(run: RunRecord) -> str:
    """Return a run's verdict, or how it ended without one, in a word or two."""
    if run.outcome is Outcome.FINISHED and run.verdict is not None:
        return _SHORT[run.verdict]
    return {Outcome.COULD_NOT_RUN: "could not run", Outcome.WINDOW_ENDED: "window ended"}.get(
        run.outcome, run.outcome.value
    )


def local_text(text: str) -> str:
    """Return a time of a record in the zone of this machine, to the minute."""
    return f"{datetime.fromisoformat(text).astimezone():%Y-%m-%d %H:%M}"


def list_line(entry: LedgerEntry) -> Line:
    """Return an entry's line in a list: run, when it began, how long it took, phase, what it came to, the news."""
    record = entry.record
    if not isinstance(record, RunRecord):
        return Line(cut(shown(f"{'':16}  {_weekday(record.at)}  {headline_of(record)}"), WIDTH), "strong")
    word = what_it_came_to(record)
    columns = (
        f"{record.run:<16}",
        _weekday(record.started),
        f"{_took(record):>11}",
        f"{record.phase.value:<7}",
        f"{word:<{_COMES_TO}}",
        headline_of(record),
    )
    return Line(cut(shown("  ".join(columns)), WIDTH).rstrip(), _TONES.get(word, "unsure"))


def shown_lines(entry: LedgerEntry, run: RunRecord, evidence: str) -> Iterator[Line]:
    """Yield everything that is known of a run.

    Args:
        entry: Its entry.
        run: Its record.
        evidence: Where its evidence is, or that it is not there.
    """
    word = what_it_came_to(run)
    yield from _wide(f"{run.run}: {word.upper()}", tone=_TONES.get(word, "unsure"))
    if run.news.headline:
        yield from _wide(run.news.headline)
    yield from _several("", run.reasons)
    yield Line("")
    ended = f", ended {local_text(run.finished)}, after {_took(run)}" if run.finished else ""
    yield from _row("began", f"{local_text(run.started)}{ended}")
    yield from _row("phase", run.phase.value)
    yield from _row("exit code", str(run.exit_code))
    yield from _row("evidence", evidence)
    yield from _row("report", run.report_id)
    yield from _row("findings", run.findings_digest)
    yield from _row("tool", run.tool)
    news = run.news
    counts = f"{news.new:,} new, {news.worse:,} worse, {news.repaired:,} repaired, {news.known:,} known before"
    yield from _row("news", f"{counts}, {news.accepted:,} accepted by name")
    yield from _several("", news.lines)
    if run.classes:
        yield Line("")
        for name, (entries, files, size) in sorted(run.classes.items(), key=lambda one: _place(Class, one[0])):
            counts = f"{entries:>14,}  {count_of(files, 'file', 'files'):>20}  {size_text(size):>8}"
            yield from _wide(f"  {shown(name):<16}{counts}")
        for name, entries in sorted(run.causes.items(), key=lambda one: _place(Cause, one[0])):
            yield from _wide(f"  {shown(name):<16}{entries:>14,}  of the changed content")
    for name, side in sorted(run.sides.items(), key=lambda one: _place(Side, one[0])):
        yield Line("")
        yield from _side(name, side)
    yield from _several("Warnings", run.warnings)
    yield from _several("Evidence that was removed after it", run.pruned)
    yield Line("")
    yield from _row("entry", f"{entry.number}")
    yield from _row("digest", entry.digest)
    yield from _row("previous", entry.previous)


def _place(words: type[StrEnum], word: str) -> int:
    """Return where a word comes in the order of the contract; behind all where it is none of it."""
    return [*words].index(words(word)) if word in set(words) else len(words)


def _side(name: str, side: SideRecord) -> Iterator[Line]:
    yield from _wide(f"{name}  {side.label}" if side.label else name, tone="strong")
    yield from _row("root", side.root)
    yield from _row("holds", f"{count_of(side.entries, 'entry', 'entries')}, {_amount(side.files, side.bytes)}")
    rate = f", {size_text(round(side.read_bytes / side.seconds))}/s" if side.seconds > 0 and side.read_bytes else ""
    yield from _row("read now", f"{_amount(side.read_files, side.read_bytes)}, in {duration_text(side.seconds)}{rate}")
    shares = _share(side.fresh_files, side.files), _share(side.fresh_bytes, side.bytes)
    yield from _row(
        "fresh", f"{_amount(side.fresh_files, side.fresh_bytes)}: {shares[0]} of the files, {shares[1]} of the bytes"
    )
    yield from _row("longest unread", local_text(side.oldest_read) if side.oldest_read else "")
    yield from _row("problems", f"{side.problems:,}" if side.problems else "none")
    yield from _row("fingerprint", side.fingerprint)


def _amount(files: int, size: int) -> str:
    return f"{count_of(files, 'file', 'files')}, {size_text(size)}"


def _share(part: int, whole: int) -> str:
    """Return a share in per cent; of nothing there is none."""
    return share_of(part, whole) if whole else "none"


def _weekday(text: str) -> str:
    return f"{datetime.fromisoformat(text).astimezone():%a %H:%M}"


def _took(run: RunRecord) -> str:
    if not run.finished:
        return "?"
    took = datetime.fromisoformat(at_of(run)) - datetime.fromisoformat(run.started)
    return duration_text(max(took.total_seconds(), 0))


def _several(title: str, texts: Sequence[str]) -> Iterator[Line]:
    if title and texts:
        yield Line("")
        yield Line(title, "strong")
    for text in texts:
        yield from _wide(text, "  - ", "    ")


def _row(name: str, text: str) -> Iterator[Line]:
    """Yield a name and a text; nothing where there is no text."""
    if text:
        yield from _wide(text, f"  {name:<14}  ", " " * 18)
