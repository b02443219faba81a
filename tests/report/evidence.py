"""Findings files written by hand, with an account that balances and a verdict that was really judged."""

from __future__ import annotations

import json
from collections import defaultdict
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from tests.reconcile.trees import file, write_manifest
from tests.report.markup import Page
from verifier.classes import DEFAULT_SEVERITY, Class, Side, VerdictKind
from verifier.decisions.covering import accept, cover
from verifier.decisions.exceptions import Exceptions, Wanted, Withdrawal
from verifier.decisions.signoff import Looked, Point, SignOff
from verifier.evidence import EXCEPTIONS_FILE, FINDINGS_FILE, MANIFEST_FILES
from verifier.reconcile.findings import Finding, Findings, Tally
from verifier.report.context import build_context
from verifier.report.page import render_page
from verifier.verdict import Verdict, judge

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from verifier.decisions.covering import Covered
    from verifier.reconcile.folders import Ground
    from verifier.report.context import ReportContext

T0_NS: Final = 1_700_000_000_000_000_000
IDENTICAL: Final = Tally(40, 30, 5000)
RULES: Final[dict[str, dict[str, object]]] = {
    "bin": {"what": "bin with deleted files", "maker": "a desktop", "action": "set-aside", "decision": True},
    "previews": {"what": "preview cache", "maker": "a desktop", "action": "set-aside", "decision": False},
    "open-sign": {"what": "sign of an open file", "maker": "an office", "action": "report", "decision": False},
}
NO_POLICY: Final[dict[str, dict[str, str]]] = {"class": {}, "field": {}}
MARKUP: Final = "\"'><script>alert(1)</script><img src=x onerror=alert(1)><a href=javascript:x>&amp;{{ 7*7 }}{% x %}"
"""A text that would do something wherever it were taken for markup or for a template."""
FINISHED: Final = datetime(2024, 3, 4, 6, 1, tzinfo=UTC)
"""When the check ended."""
POINTS: Final = (
    Point("Both sides were read whole", Looked.SEEN, "every file of both sides was read to its end"),
    Point("Nothing waits to be copied again", Looked.OPEN, "12 files, 3.4 MB: verifier recopy lists them"),
    Point("Every rule that asks for a decision has one", Looked.OPEN, "rule bin has none"),
    Point("A second verified copy exists", Looked.PERSON, "name the place where it is kept"),
    Point("Retention duties are met", Looked.PERSON, "ask whoever keeps the records of the garden"),
    Point("The administrator knows", Looked.PERSON, "the person who answers for these field notes"),
    Point("Programs were tried with the new side", Looked.PERSON, "open some herbarium sheets from a desk"),
)


def finding(cls: Class, old: str | None = "old/name", new: str | None = None, **changes: Any) -> Finding:
    """Return a finding about files of 100 bytes, with the severity that the default policy gives."""
    return Finding(
        cls.value,
        None,
        DEFAULT_SEVERITY[cls].value,
        old,
        new,
        None if old is None else "file",
        None if new is None else "file",
        None if old is None else 100,
        None if new is None else 100,
        None if old is None else T0_NS,
        None if new is None else T0_NS,
        None,
        None,
        None,
        False,
        "why it is so",
    )._replace(**changes)


def one_of_each(path: str = "some/path", reason: str = "why it is so") -> list[Finding]:
    """Return a finding of every class, a folder of one fate, and every kind of thing to decide about."""
    aside: dict[str, Any] = {"rule": "bin", "decision": True, "reason": reason}
    found = [
        finding(Class.MISSING, f"m/{path}", reason=reason),
        finding(Class.MISSING, f"g/{path}", old_kind="directory", group_path=f"g/{path}", reason=reason),
        finding(Class.MISSING, f"g/{path}/1", group_path=f"g/{path}", reason=reason),
        finding(Class.CONTENT_CHANGED, f"c/{path}", f"c/{path}", cause="silent", reason=reason),
        finding(Class.KIND_CHANGED, f"k/{path}", f"k/{path}", new_kind="link", reason=reason),
        finding(Class.UNREADABLE, f"u/{path}", f"u/{path}", reason=reason),
        finding(Class.UNSETTLED, f"s/{path}", f"s/{path}", reason=reason),
        finding(Class.UNPROVEN, f"p/{path}", f"p/{path}", reason=reason),
        finding(Class.NAME_ALTERED, f"n/{path}", f"N/{path}", reason=reason),
        finding(Class.RELOCATED, f"r/{path}", f"q/{path}", reason=reason),
        finding(Class.METADATA_ONLY, f"t/{path}", f"t/{path}", fields="mtime;mode", reason=reason),
        finding(Class.EXTRA, None, f"e/{path}", reason=reason),
        finding(Class.DRIFT, f"d/{path}", f"d/{path}", reason=reason),
        finding(Class.CLUTTER, f"b/{path}", **aside),
        finding(Class.CLUTTER, f"v/{path}", rule="previews", reason=reason),
        finding(Class.CLUTTER, f"o/{path}", rule="open-sign", severity="attention", reason=reason),
    ]
    assert {Class(f.cls) for f in found} == set(Class) - {Class.IDENTICAL}
    return found


def side_facts(side: Side, **changes: str) -> dict[str, str]:
    """Return a manifest's facts for a scan that went well."""
    return {
        "label": side.value,
        "root": f"/srv/{side}",
        "host": f"{side}-server",
        "platform": "Linux",
        "file_system": "ext4",
        "algorithm": "blake3",
        "listing_only": "0",
        "cross_mounts": "0",
        "complete": "1",
        "interrupted": "",
        "started": "2024-03-04T05:00:00+00:00",
        "finished": "2024-03-04T06:00:00+00:00",
        "fingerprint": ("0" if side is Side.OLD else "f") * 64,
    } | changes


def wanted(pattern: str, cls: Class = Class.MISSING, **changes: Any) -> Wanted:
    """Return an exception that a curator asks for while the check ends."""
    return replace(Wanted(pattern, cls, "known to be rotten", "A Curator", FINISHED), **changes)


def signed(context: ReportContext, **changes: Any) -> SignOff:
    """Return a sign-off of a check, as it is made for it."""
    signoff = SignOff(
        verdict=context.verdict.kind,
        reasons=context.verdict.reasons,
        report_id=context.report_id,
        by="B Gardener",
        role="keeper of the herbarium",
        statement="I have read this report.",
        despite="",
        at="2024-03-05T09:00:00+00:00",
        host="garden-desk",
        tool="verifier 0.1.0",
        key="",
        fingerprints={side.value: context.sides[side].facts["fingerprint"] for side in Side},
        rules="d" * 64,
        exceptions=(),
        cautions=context.cautions,
        not_proved=(),
        checklist=context.checklist,
        files={},
    )
    return replace(signoff, **changes)


def tallies(findings: Iterable[Finding], side: Side) -> dict[Class, Tally]:
    """Return one side's account."""
    counted: dict[Class, list[int]] = defaultdict(lambda: [0, 0, 0])
    for found in findings:
        path, kind, size = (
            (found.old_path, found.old_kind, found.old_size)
            if side is Side.OLD
            else (found.new_path, found.new_kind, found.new_size)
        )
        if path is None:
            continue
        entry = counted[Class(found.cls)]
        entry[0] += 1
        if kind == "file":
            entry[1] += 1
            entry[2] += size or 0
    return {Class.IDENTICAL: IDENTICAL} | {cls: Tally(*entry) for cls, entry in counted.items()}


@contextmanager
def written(
    folder: Path,
    findings: Iterable[Finding] = (),
    *,
    kind: VerdictKind | None = None,
    facts: Mapping[Side, Mapping[str, str]] | None = None,
    totals: Mapping[Side, Mapping[str, Any]] | None = None,
    problems: Mapping[Side, Sequence[Mapping[str, Any]]] | None = None,
    rules: Mapping[str, Mapping[str, object]] = RULES,
    policy: Mapping[str, Mapping[str, str]] | None = None,
    rule_files: Sequence[str] = ("standard",),
    uncounted: int = 0,
    ground: Ground | str | None = None,
    exceptions: Sequence[Wanted] = (),
    withdrawn: Mapping[int, Withdrawal] | None = None,
    accepted: Sequence[Covered] | None = None,
    signing: Mapping[str, Any] | None = None,
    **run: object,
) -> Iterator[tuple[ReportContext, Findings]]:
    """Write a findings file and open it as a report does.

    Args:
        folder: Where to.
        findings: What is in it.
        kind: A verdict to put in place of the judged one.
        facts: Facts of a side's manifest that are otherwise.
        totals: Counts of a side's manifest that are otherwise; without any, everything was read in this scan.
        problems: Kinds of errors that a side met.
        rules: The rules of the run, by name.
        policy: Severities that differ from the defaults.
        rule_files: Labels of the rule files.
        uncounted: Entries of the old side that no class accounts for.
        ground: Sizes of folders, or what stands in their place.
        exceptions: What is accepted.
        withdrawn: Which of them are withdrawn, by number.
        accepted: Exceptions that are shown in place of those on record.
        signing: What is otherwise in the sign-off that is being made; None for no sign-off.
        run: Further facts of the run that are otherwise.
    """
    findings = list(findings)
    facts = facts or {}
    known = {side: side_facts(side, **facts.get(side, {})) for side in Side}
    accounts = {side: tallies(findings, side) for side in Side}
    sides: dict[str, Any] = {}
    for side in Side:
        entries, files, size = (sum(values) for values in zip(*accounts[side].values(), strict=True))
        read = 0 if known[side]["listing_only"] == "1" else files
        counted: dict[str, Any] = {
            "entries": entries + (uncounted if side is Side.OLD else 0),
            "files": files,
            "directories": entries - files,
            "bytes": size,
            "proved_files": read,
            "proved_bytes": size if read else 0,
            "carried_files": 0,
            "carried_bytes": 0,
            "oldest_read": "2024-03-04T05:30:00+00:00" if read else None,
            "unreadable": 0,
            "unsettled": 0,
            "unread": files - read,
            "not_entered": 0,
        } | dict((totals or {}).get(side, {}))
        sides[side.value] = {"facts": known[side], "totals": counted, "problems": (problems or {}).get(side, [])}
    with Findings.create(folder / FINDINGS_FILE) as store:
        store.add(findings)
        for side in Side:
            store.set_account(side, accounts[side])
        incomplete = {side: known[side]["interrupted"] for side in Side if known[side]["complete"] != "1"}
        whole = {side: {cls: accounts[side].get(cls, Tally()) for cls in Class} for side in Side}
        verdict = judge(store, whole, incomplete)
        facts_of_run = {
            "started": "2024-03-04T05:00:00+00:00",
            "finished": "2024-03-04T06:01:00+00:00",
            "tool": "verifier 0.1.0",
            "verdict": {"kind": verdict.kind.value, "reasons": verdict.reasons},
            "sides": sides,
            "compared": ["mode", "mtime"],
            "not_compared": [["ctime", "set by the system"]],
            "tolerance_ns": 0,
            "maps": [],
            "frozen_at": None,
            "live_since": None,
            "trees_seen": True,
            "incomplete": incomplete,
            "sample": None,
            "rules": {
                "digest": "d" * 64,
                "files": list(rule_files),
                "policy": NO_POLICY if policy is None else policy,
                "tolerance": {"mtime_ns": 0, "zero_run_bytes": 512},
                "rules": rules,
            },
        } | run
        store.set_facts({"run": json.dumps(facts_of_run)})
        if ground is not None:
            store.set_facts({"ground": ground if isinstance(ground, str) else ground.to_json()})
        store.commit()
    if exceptions:
        _accept(folder, exceptions, withdrawn or {})
    with Findings.open(folder / FINDINGS_FILE) as store:
        signoff = None if signing is None else signed(build_context(folder, store), **signing)
    with Findings.open(folder / FINDINGS_FILE) as store:
        context = build_context(folder, store, signoff)
        if accepted is not None:
            context = replace(context, accepted=tuple(accepted))
        if kind is not None:
            context = replace(context, verdict=Verdict(kind, context.verdict.reasons))
        yield context, store


def _accept(folder: Path, exceptions: Iterable[Wanted], withdrawn: Mapping[int, Withdrawal]) -> None:
    """Record exceptions beside findings; the manifests hold nothing that was found, so no content tells rows apart."""
    for name in MANIFEST_FILES.values():
        write_manifest(folder / name, [file("a file")])
    for one in exceptions:
        with Findings.open(folder / FINDINGS_FILE) as store:
            cover(store, folder, FINISHED)
            accept(folder, store, one)
    with Exceptions.change(folder / EXCEPTIONS_FILE) as record:
        for number, withdrawal in withdrawn.items():
            record.withdraw(number, withdrawal)


def page(folder: Path, findings: Iterable[Finding] = (), **given: Any) -> str:
    """Return the page about findings; arguments as for `written`."""
    folder.mkdir(parents=True, exist_ok=True)
    with written(folder, findings, **given) as (context, store):
        return render_page(context, store)


def parsed(folder: Path, findings: Iterable[Finding] = (), **given: Any) -> Page:
    """Return the page about findings as a parser sees it; arguments as for `written`."""
    return Page(page(folder, findings, **given))
