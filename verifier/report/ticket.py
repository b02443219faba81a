"""``summary.md``: what somebody who only has the ticket must know, as Markdown to paste into it.

It says what `ReportContext` says and looks at nothing else. Names and texts that others wrote go through
`verifier.report.markdown`, and none of them stands in the table: trackers disagree about bars in code spans there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

from verifier.classes import STANDS_IN_THE_WAY, TRUSTED, Class, Severity, Side
from verifier.decisions.exceptions import LONGEST_TEXT
from verifier.evidence import FINDINGS_FILE, MANIFEST_FILES, PAGE_FILE, SUMMARY_FILE, TABLE_FILE, TICKET_FILE
from verifier.report.amounts import instant_text, size_text
from verifier.report.context import problem_lines
from verifier.report.markdown import name, prose
from verifier.report.overview import warnings
from verifier.report.parts import counted
from verifier.report.words import HEADLINES, MEANINGS, MEANS, NOT_PROVED, despite_what
from verifier.verdict import count_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from verifier.decisions.covering import Covered
    from verifier.decisions.signoff import SignOff
    from verifier.reconcile.findings import Systematic, Tally
    from verifier.report.context import Named, ReportContext, RuleUse, SideFacts
    from verifier.report.parts import Part

LINES: Final = 10
"""Lines of one list,"""
LIST_BYTES: Final = 3200
"""and what they may take together, so that hostile names make no ticket too long for a tracker."""
LONGEST_INSTANT: Final = 60
"""Characters that are shown of what should be a time and is none."""
_Item = TypeVar("_Item")


def ticket(context: ReportContext) -> str:
    """Return the ticket, a hundred lines or so and never more than 60 kB; the same evidence gives the same text."""
    sections = (
        _answer,
        _signoff,
        _sides,
        _in_the_way,
        _to_decide,
        _accepted,
        _systematic,
        _account,
        _set_aside,
        _not_compared,
        _limits,
        _rest,
    )
    # Each paragraph is one line: many trackers keep line breaks.
    return "\n\n".join(block for section in sections for block in section(context)) + "\n"


def _list(items: Sequence[_Item], line_of: Callable[[_Item], str], more: str, most: int = LINES) -> str:
    """Return a list that is never too long; what is left out is counted, and `more` says where it is."""
    taken: list[str] = []
    room = LIST_BYTES
    for item in items[:most]:
        line = line_of(item)
        room -= len(line.encode())
        if room < 0:
            break
        taken.append(f"- {line}")
    left_out = len(items) - len(taken)
    return "\n".join([*taken, f"- and {left_out:,} more {more}"] if left_out else taken)


def _answer(context: ReportContext) -> Iterator[str]:
    kind = context.verdict.kind
    yield f"# Verification of a moved file tree: {HEADLINES[kind].lower()}"
    yield f"**{MEANINGS[kind]}** {'This rests on:' if kind in TRUSTED else 'In the way:'}"
    yield _list(context.verdict.reasons, prose, f"in `{SUMMARY_FILE}`", 2 * LINES)
    for warning in warnings(context):
        yield f"**Note first:** {prose(warning)}"
    started, finished = (_when(context.run[key]) for key in ("started", "finished"))
    tool = name(context.run["tool"])
    yield f"Report `{context.report_id}`, made with {tool} from {started} to {finished}. Exit code {context.exit_code}."


def _when(text: str) -> str:
    return instant_text(text) or prose(text, LONGEST_INSTANT)


def _signoff(context: ReportContext) -> Iterator[str]:
    signed = context.signoff
    if signed is None:
        return
    yield "## Sign-off"
    role = f" ({prose(signed.role)})" if signed.role else ""
    key = f"with the key {name(signed.key)}" if signed.key else "without a key"
    yield (
        f"Signed by **{prose(signed.by)}**{role}, {_when(signed.at)}, on {name(signed.host)}, {key}: "
        f"“{HEADLINES[signed.verdict]}”."
    )
    yield from _conditions(context, signed)
    if signed.statement:
        yield f"> {prose(signed.statement, LONGEST_TEXT)}"


def _conditions(context: ReportContext, signed: SignOff) -> Iterator[str]:
    """Say what a reader of a sign-off must not miss."""
    if signed.despite:
        yield f"**Signed despite {despite_what(signed)}, because:** {prose(signed.despite, LONGEST_TEXT)}"
    if signed.report_id != context.report_id:
        yield f"**It was given for report {name(signed.report_id)}, and this is another one.**"


def _sides(context: ReportContext) -> Iterator[str]:
    yield "## The two sides"
    yield "\n".join(f"- **{side.value.capitalize()}:** {_side(context.sides[side])}" for side in Side)
    gates = (("The old side was frozen at", "frozen_at"), ("The new side is in use since", "live_since"))
    if context.phase:
        yield f"**Phase {prose(context.phase)}.**"
    told = [f"{what} {_when(context.run[key])}." for what, key in gates if context.run[key]]
    if told:
        yield " ".join(told)
    if problems := problem_lines(context):
        yield "Errors that were met:"
        yield _list(problems, prose, f"in `{PAGE_FILE}`")


def _side(side: SideFacts) -> str:
    facts, totals = side.facts, side.totals
    fingerprint = name(facts["fingerprint"]) if facts["fingerprint"] else "none"
    whole = "" if side.complete else " **Its scan is not complete.**"
    return (
        f"{name(side.whereabouts)}, label {name(facts['label'])}, on {name(facts['host'])}: "
        f"{count_of(totals['files'], 'file', 'files')}, {size_text(totals['bytes'])} ({totals['bytes']:,} bytes), "
        f"{_read(side)}.{whole} Fingerprint ({prose(facts['algorithm'])}) {fingerprint}"
    )


def _read(side: SideFacts) -> str:
    files, read, known = (side.totals[key] for key in ("files", "proved_files", "carried_files"))
    carried = f", {known:,} not read now but known from an earlier scan" if known else ""
    return "every file read" if read == files else f"{f'{read:,}' if read else 'none'} of them read{carried}"


def _in_the_way(context: ReportContext) -> Iterator[str]:
    parts = [part for part in context.parts if part.severity in STANDS_IN_THE_WAY]
    if not parts:
        return
    yield "## What stands in the way"
    yield "\n".join(map(_part, parts))
    if context.gravest:
        yield "By name, one of each kind before a second of any:"
        yield _gravest(context.gravest, sum(part.tally.entries for part in parts))


def _part(part: Part) -> str:
    told = f"- **{part.heading}: {part.count}**, {part.means}. {part.advice} {part.reweighed}".rstrip()
    return "\n".join([told, *(f"  - {cause}: {number:,}, {means}" for cause, number, means in part.causes)])


def _gravest(found: Sequence[Named], in_the_way: int) -> str:
    shown = _list(found, _named, f"of these in `{TABLE_FILE}`")
    unnamed = in_the_way - sum(one.entries or 1 for one in found)
    return f"{shown}\n- besides, {count_of(unnamed, 'entry', 'entries')} in `{TABLE_FILE}`" if unnamed > 0 else shown


def _named(one: Named) -> str:
    path = f"{name(f'{one.path}/')} ({count_of(one.entries, 'entry', 'entries')})" if one.entries else name(one.path)
    return f"{one.what}: {path}"


def _to_decide(context: ReportContext) -> Iterator[str]:
    parts = [part for part in context.parts if part.severity is Severity.ATTENTION]
    if not (parts or context.decisions):
        return
    yield "## What needs a decision"
    if context.decisions:
        yield "Rules set this aside, and it may be somebody's work. Decide by name before the old side goes:"
        uses = [use for use in context.rules if use.name in context.decisions]
        yield _list(uses, lambda use: _decision(use, context.decisions[use.name]), f"in `{PAGE_FILE}`")
    if parts:
        yield "This needs a look:"
        yield "\n".join(map(_part, parts))


def _decision(use: RuleUse, tally: Tally) -> str:
    return f"{name(use.name)}, {prose(use.what)}: {counted(tally)} on the old side"


def _accepted(context: ReportContext) -> Iterator[str]:
    if not context.accepted:
        return
    yield "## What was accepted by name"
    holding = [one for one in context.accepted if one.holds]
    yield (
        f"{count_of(len(holding), 'exception holds', 'exceptions hold')} of {len(context.accepted):,} on record. "
        f"Covered: {_amount(context.accepted_findings)}."
    )
    # What holds comes first: the verdict rests on it.
    others = [one for one in context.accepted if not one.holds]
    yield _list([*holding, *others], _exception, f"in `{SUMMARY_FILE}`")


def _exception(one: Covered) -> str:
    known = one.acceptance
    until = f", until {_when(known.until)}" if known.until else ""
    return (
        f"No. {known.number:,}, {name(known.pattern)}, {known.cls.value}, {_state(one)}. "
        f"Accepted by {prose(known.by)}, {_when(known.at)}{until}: {prose(known.because)}"
    )


def _state(one: Covered) -> str:
    then = f"when it was accepted it covered {_amount(one.acceptance.covers)}"
    if one.holds:
        return f"holds: now it covers {_amount(one.now)}; {then}"
    gone = one.acceptance.withdrawn
    if gone is None:
        return f"**does not hold any more**; {then}"
    return f"**withdrawn** by {prose(gone.by)}, {_when(gone.at)} ({prose(gone.because)}); {then}"


def _amount(tally: Tally) -> str:
    return counted(tally) if tally.entries else "nothing"


def _systematic(context: ReportContext) -> Iterator[str]:
    if not context.systematic:
        return
    yield "## What differs the same way everywhere"
    yield _list(context.systematic, _fact, f"in `{SUMMARY_FILE}`")


def _fact(one: Systematic) -> str:
    besides = f", {count_of(one.exceptions, 'exception', 'exceptions')}" if one.exceptions else ""
    note = f"; {prose(one.note)}" if one.note else ""
    return f"{prose(one.text)}: {count_of(one.tally.entries, 'entry', 'entries')}{besides}{note}"


def _account(context: ReportContext) -> Iterator[str]:
    yield "## Where everything went"
    sides = [context.sides[side] for side in Side]
    unbalanced = [side.side.value for side in sides if not side.balanced]
    if unbalanced:
        yield f"**The account of the {' and the '.join(unbalanced)} side does not balance. Rely on nothing here.**"
    else:
        yield "Every entry of either side is in one class, and once."
    rows = ["| Class | Old: entries | Old: bytes | New: entries | New: bytes | What it means |"]
    rows.append("|---|---:|---:|---:|---:|---|")
    for cls in Class:
        if any(side.account[cls].entries for side in sides):
            counts = [count for side in sides for count in (side.account[cls].entries, side.account[cls].bytes)]
            rows.append(_row(cls.value, counts, MEANS[cls]))
    totals = [side.totals[key] for side in sides for key in ("entries", "bytes")]
    yield "\n".join([*rows, _row("**everything**", totals, "as counted from the scans")])


def _row(what: str, counts: Sequence[int], means: str) -> str:
    return f"| {what} | {' | '.join(f'{count:,}' for count in counts)} | {means} |"


def _set_aside(context: ReportContext) -> Iterator[str]:
    if not context.rules:
        return
    yield "## What rules set aside"
    yield _list(context.rules, lambda use: _rule(use, use.name in context.decisions), f"rules in `{SUMMARY_FILE}`")


def _rule(use: RuleUse, asks: bool) -> str:
    decision = "; **needs a decision**" if asks else ""
    return (
        f"{name(use.name)}, {prose(use.what)}: {count_of(use.entries, 'entry', 'entries')}, "
        f"{size_text(use.old_bytes)} on the old side, {size_text(use.new_bytes)} on the new side{decision}"
    )


def _not_compared(context: ReportContext) -> Iterator[str]:
    if not context.run["not_compared"]:
        return
    yield "## What was not compared"
    yield _list(
        context.run["not_compared"], lambda field: f"{name(field[0])}: {prose(field[1])}", f"in `{SUMMARY_FILE}`"
    )


def _limits(context: ReportContext) -> Iterator[str]:
    yield "## What this does not prove"
    yield "\n".join(f"- {limit}" for limit in NOT_PROVED)
    yield "## Before anything is wiped"
    yield "\n".join(f"- {caution}" for caution in context.cautions)


def _rest(context: ReportContext) -> Iterator[str]:
    yield "## Where the rest is"
    found = sum(tally.entries for cls, tally in context.classes.items() if cls is not Class.IDENTICAL)
    lines = [
        f"- `{PAGE_FILE}`: the whole report, to read, print and sign",
        f"- `{TABLE_FILE}`: every finding, {count_of(found, 'row', 'rows')}",
        f"- `{SUMMARY_FILE}`: the numbers of this ticket, for programs",
        f"- {', '.join(f'`{file}`' for file in (FINDINGS_FILE, *MANIFEST_FILES.values()))}: what all of it rests on",
    ]
    yield f"In the evidence folder, where this text is `{TICKET_FILE}`:"
    yield "\n".join(lines)
    if context.to_copy.entries:
        yield f"Still to be copied again: {counted(context.to_copy)}. `verifier recopy` lists them."
