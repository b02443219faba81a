"""summary.json: the contract's keys, every class with its zeros, numbers that an independent recount agrees with."""

from __future__ import annotations

import csv
import json
import os
from collections import Counter
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import pytest

import verifier
from tests.reconcile.trees import (
    FOLDER,
    SECOND_NS,
    T0_NS,
    Node,
    file,
    plant,
    reconciled,
    scratch,
    unread,
    with_parents,
    write_manifest,
)
from tests.report.decided import signoff
from verifier.check import CheckRequest, check
from verifier.classes import Class, Severity, Side
from verifier.decisions.covering import accept, cover
from verifier.decisions.exceptions import Exceptions, Wanted, Withdrawal
from verifier.evidence import EXCEPTIONS_FILE, FINDINGS_FILE
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import Findings
from verifier.report.machine import summary
from verifier.report.write import write_report
from verifier.rules.load import load_rules
from verifier.tree.entry import Kind, State
from verifier.tree.trouble import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from verifier.tree.entry import Entry

CONTRACT: Final[dict[str, Any]] = {
    "format": str,
    "version": int,
    "verdict": str,
    "reasons": list,
    "exit_code": int,
    "sides": dict,
    "classes": dict,
    "account": dict,
    "compared_metadata": list,
    "not_compared": list,
    "rules": dict,
    "gravest": list,
    "decisions": dict,
    "accepted": list,
    "accepted_findings": dict,
    "started": str,
    "finished": str,
    "tool": str,
}
"""The contract's keys and what they hold; more keys may come."""
ACCEPTED: Final[dict[str, Any]] = {
    "number": int,
    "class": str,
    "path": str,
    "because": str,
    "by": str,
    "at": str,
    "holds": bool,
    "covered_then": dict,
    "covered_now": dict,
    "digest": str,
}
"""What an exception holds besides `until` and `withdrawn`, which may be null."""
SIDE: Final[dict[str, Any]] = {
    "label": str,
    "root": str,
    "entries": int,
    "files": int,
    "directories": int,
    "bytes": int,
    "proved_files": int,
    "proved_bytes": int,
    "carried_files": int,
    "carried_bytes": int,
    "oldest_read": str,
    "asked_cold": bool,
    "cold_files": int,
    "warm_files": int,
    "problems": list,
    "complete": bool,
    "fingerprint": str,
    "algorithm": str,
}
OLD: Final[dict[bytes, Node]] = {
    b"same/a": Node(b"aaa"),
    b"same/\xff": Node(b"bytes"),
    b"gone/one": Node(b"1" * 10),
    b"gone/two": Node(b"2" * 20),
    b"damaged": Node(b"x" * 700),
    b"cut": Node(b"y" * 50),
    b"moved": Node(b"moved away"),
    b"Case": Node(b"case"),
    b"touched": Node(b"touched"),
    b"kind": Node(b"a file"),
    b"Thumbs.db": Node(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(100)),
    b"link": Node(b"target", Kind.LINK),
    b"empty folder": FOLDER,
}
NEW: Final[dict[bytes, Node]] = {
    b"same/a": Node(b"aaa"),
    b"same/\xff": Node(b"bytes"),
    b"damaged": Node(b"x" * 100 + bytes(600)),
    b"cut": Node(b"y" * 30),
    b"elsewhere/moved": Node(b"moved away"),
    b"case": Node(b"case"),
    b"touched": Node(b"touched", mtime_ns=T0_NS + SECOND_NS),
    b"kind": FOLDER,
    b"extra": Node(b"more"),
    b"link": Node(b"target", Kind.LINK),
    b"empty folder": FOLDER,
}


class Checked:
    """A finished check of two trees."""

    def __init__(self, base: Path, **request: Any) -> None:
        self.roots = {side: base / side for side in Side}
        plant(self.roots[Side.OLD], OLD)
        plant(self.roots[Side.NEW], NEW)
        self.evidence = base / "proof"
        given = {"rules": load_rules(), **request}
        self.context = check(CheckRequest(self.roots[Side.OLD], self.roots[Side.NEW], self.evidence, **given))
        self.summary = json.loads((self.evidence / "summary.json").read_text("utf-8"))
        with (self.evidence / "differences.csv").open(encoding="utf-8", newline="") as table:
            self.rows = list(csv.DictReader(table, strict=True))


@pytest.fixture(scope="module")
def checked() -> Iterator[Checked]:
    """Give one check of two small trees with many differences."""
    with scratch() as base:
        yield Checked(base)


def has_shape(told: Mapping[str, Any], shape: Mapping[str, Any]) -> bool:
    """Tell whether every key of a shape is there with a value of its type, and nothing else is null."""
    return all(type(told[key]) is kind for key, kind in shape.items())


def test_every_key_of_the_contract_is_there_with_its_type(checked: Checked) -> None:
    """Programs may rely on these; more may come, none may go."""
    told = checked.summary
    assert has_shape(told, CONTRACT)
    assert (told["format"], told["version"]) == ("verifier/summary", 1)
    assert set(told["sides"]) == set(told["account"]) == {"old", "new"}
    for side in told["sides"].values():
        assert has_shape(side, SIDE)
    for account in told["account"].values():
        assert has_shape(account, {"entries": int, "by_class": dict, "balanced": bool})
    assert has_shape(told["rules"], {"digest": str, "files": list})
    assert all(set(one) == {"field", "why"} and all(one.values()) for one in told["not_compared"])


def test_every_class_is_there_zeros_included(checked: Checked) -> None:
    """A program never has to guess what a missing key means."""
    told = checked.summary
    for classes in (told["classes"], *(account["by_class"] for account in told["account"].values())):
        assert list(classes) == [cls.value for cls in Class]
        assert all(set(tally) == {"entries", "files", "bytes"} for tally in classes.values())
    assert told["classes"]["unsettled"] == {"entries": 0, "files": 0, "bytes": 0}


def test_the_sides_are_what_a_walk_counts(checked: Checked) -> None:
    """Entries, files, folders and bytes, counted again with os.walk and lstat."""
    for side, root in checked.roots.items():
        folders = files = others = size = 0
        for where, below, names in os.walk(root):
            folders += len(below)
            for name in names:
                facts = (root / where / name).lstat()
                if (root / where / name).is_symlink():
                    others += 1
                else:
                    files += 1
                    size += facts.st_size
        told = checked.summary["sides"][side]
        assert (told["files"], told["directories"], told["bytes"]) == (files, folders, size)
        assert told["entries"] == files + folders + others
        assert (told["proved_files"], told["proved_bytes"]) == (files, size)
        assert (told["carried_files"], told["carried_bytes"], told["problems"]) == (0, 0, [])
        assert told["complete"] is True
        assert told["algorithm"] == "blake3"
        assert told["root"] == str(root)
        with Manifest.open(checked.evidence / f"{side}.manifest.sqlite") as manifest:
            assert told["fingerprint"] == manifest.seal()


def test_the_classes_are_what_the_table_counts(checked: Checked) -> None:
    """Each class has as many entries as the table has rows of it; identical pairs are the rest."""
    counted = Counter(row["class"] for row in checked.rows)
    told = checked.summary["classes"]
    assert {cls: tally["entries"] for cls, tally in told.items() if tally["entries"]} == {
        **counted,
        "identical": told["identical"]["entries"],
    }
    assert told["identical"] == {"entries": 5, "files": 2, "bytes": 8}
    assert told["missing"] == {"entries": 3, "files": 2, "bytes": 30}
    assert told["content-changed"] == {"entries": 2, "files": 2, "bytes": 750}
    assert told["kind-changed"] == {"entries": 1, "files": 1, "bytes": 6}
    assert told["clutter"] == {"entries": 1, "files": 1, "bytes": 108}
    assert told["extra"] == {"entries": 2, "files": 1, "bytes": 4}
    assert {cls: told[cls]["entries"] for cls in ("relocated", "name-altered", "metadata-only")} == {
        "relocated": 1,
        "name-altered": 1,
        "metadata-only": 1,
    }
    assert checked.summary["causes"] == {"zero-filled": 1, "truncated": 1}


def test_the_account_is_recounted_from_the_table(checked: Checked) -> None:
    """Each side's classes sum up to what the side holds, in number and in bytes, and the table agrees row by row."""
    for side in Side:
        account = checked.summary["account"][side]
        of_side = [row for row in checked.rows if row[f"{side}_path"]]
        counted = Counter(row["class"] for row in of_side)
        sizes: Counter[str] = Counter()
        kinds = dict(kinds_of(checked, side))
        for row in of_side:
            if kinds[row[f"{side}_path"]] == Kind.FILE:
                sizes[row["class"]] += int(row[f"{side}_size"])
        by_class = account["by_class"]
        for cls in Class:
            if cls is not Class.IDENTICAL:
                assert by_class[cls]["entries"] == counted[cls]
                assert by_class[cls]["bytes"] == sizes[cls]
        held = checked.summary["sides"][side]
        assert account["balanced"] is True
        assert sum(tally["entries"] for tally in by_class.values()) == account["entries"] == held["entries"]
        assert sum(tally["files"] for tally in by_class.values()) == held["files"]
        assert sum(tally["bytes"] for tally in by_class.values()) == held["bytes"]


def kinds_of(checked: Checked, side: Side) -> Iterator[tuple[str, str]]:
    """Yield each path of a side with its kind, from its manifest."""
    with Manifest.open(checked.evidence / f"{side}.manifest.sqlite") as manifest:
        for entry in manifest.entries():
            yield entry.path, entry.kind


def test_the_verdict_and_its_exit_code(checked: Checked) -> None:
    """The verdict's text, its reasons and the code that the process ends with."""
    told = checked.summary
    assert (told["verdict"], told["exit_code"]) == ("not-trustworthy", 1)
    assert told["reasons"] == ["2 files and 1 folder missing", "2 files with changed content", "1 file of another kind"]


def test_times_have_a_zone_and_run_forward(checked: Checked) -> None:
    """Started and finished are ISO 8601 with zone, and in this order."""
    times = [datetime.fromisoformat(checked.summary[key]) for key in ("started", "finished")]
    assert all(time.tzinfo is not None for time in times)
    assert times[0] <= times[1] <= datetime.now(UTC)
    for side in Side:
        of_side = [datetime.fromisoformat(checked.summary["sides"][side][key]) for key in ("started", "finished")]
        assert times[0] <= of_side[0] <= of_side[1] <= times[1]


def test_the_rules_and_the_tool_are_named(checked: Checked) -> None:
    """Which rules decided, by digest and by file, and which version of the tool."""
    told = checked.summary["rules"]
    assert (told["digest"], told["files"]) == (load_rules().digest, ["standard"])
    assert sum(one["entries"] for one in told["set_aside"]) == checked.summary["classes"]["clutter"]["entries"]
    assert checked.summary["tool"] == f"verifier {verifier.__version__}"


def test_what_is_compared_and_what_is_not_is_said(checked: Checked) -> None:
    """No metadata field goes unmentioned."""
    told = checked.summary
    left_out = {one["field"] for one in told["not_compared"]}
    assert set(told["compared_metadata"]) | left_out >= {"mtime", "mode", "owner", "group", "xattrs"}
    assert not set(told["compared_metadata"]) & left_out


def test_the_file_is_what_the_context_says(checked: Checked) -> None:
    """The written file is the summary of the same numbers that every other form shows."""
    assert json.loads(json.dumps(summary(checked.context))) == checked.summary


def test_a_policy_that_was_changed_is_shown() -> None:
    """A site that weighs a class or a field otherwise finds that in the summary, and the verdict follows it."""
    with scratch() as base:
        policy = base / "ours.toml"
        policy.write_text('[policy.class]\nextra = "blocker"\nmissing = "note"\n[policy.field]\nmtime = "attention"\n')
        told = Checked(base / "run", rules=load_rules([policy])).summary
    assert told["policy"] == {"class": {"extra": "blocker", "missing": "note"}, "field": {"mtime": "attention"}}
    assert told["rules"]["digest"] != load_rules().digest
    assert len(told["rules"]["files"]) == 2
    assert "1 file and 1 folder on the new side only" in told["reasons"]
    assert not [reason for reason in told["reasons"] if "missing" in reason]


def test_without_a_policy_none_is_shown(checked: Checked) -> None:
    """The default weights need no mention."""
    assert checked.summary["policy"] == {"class": {}, "field": {}}


def test_gates_and_maps_are_shown() -> None:
    """What the run was told is in the summary, so that a reader can judge what it excused."""
    from verifier.reconcile.options import PlaceMap  # noqa: PLC0415

    when = datetime(2026, 11, 21, 22, tzinfo=UTC)
    with scratch() as base:
        told = Checked(base, frozen_at=when, live_since=when, maps=(PlaceMap.parse("gone=lost"),)).summary
    assert (told["frozen_at"], told["live_since"]) == (when.isoformat(), when.isoformat())
    assert told["maps"] == ["gone=lost"]


def sides_of(base: Path, old: list[Entry], new: list[Entry], **new_facts: Any) -> dict[str, Any]:
    """Check two manifests and return the summary."""
    for name, entries, facts in (("o", old, dict[str, Any]()), ("n", new, new_facts)):
        write_manifest(base / name, with_parents(entries), **facts)
    check(CheckRequest(base / "o", base / "n", base / "proof"))
    told: dict[str, Any] = json.loads((base / "proof" / "summary.json").read_text("utf-8"))
    return told


def test_an_unfinished_side_says_so(tmp_path: Path) -> None:
    """An interrupted scan is not complete, has no fingerprint, and its files that were read are counted."""
    new = [file("a", b"12"), unread(file("b", b"345"))]
    facts: dict[str, Any] = {"complete": False, "interrupted": "stopped before the end"}
    told = sides_of(tmp_path, [file("a", b"12"), file("b", b"345")], new, **facts)
    side = told["sides"]["new"]
    assert side["complete"] is False
    assert side["fingerprint"] == ""
    assert (side["files"], side["proved_files"], side["proved_bytes"]) == (2, 1, 2)
    assert (told["verdict"], told["exit_code"]) == ("inconclusive", 3)
    assert "the scan of the new side is incomplete: stopped before the end" in told["reasons"]


def carried(path: str, data: bytes, read_at: str) -> Entry:
    """Return a file that is known from an earlier scan."""
    return file(path, data, state=State.CARRIED.value, read_at=read_at)


def test_what_is_known_from_before_is_never_counted_as_read(tmp_path: Path) -> None:
    """Carried files have counts of their own, and the side says how old its oldest evidence is."""
    old = [file("a", b"12"), carried("b", b"345", "2026-09-01T04:00:00+00:00"), unread(file("c", b"6789"))]
    new = [file("a", b"12"), file("b", b"345"), file("c", b"6789")]
    told = sides_of(tmp_path, old, new)["sides"]
    keys = ("files", "proved_files", "proved_bytes", "carried_files", "carried_bytes", "oldest_read")
    assert [told["old"][key] for key in keys] == [3, 1, 2, 1, 3, "2026-09-01T04:00:00+00:00"]
    assert [told["new"][key] for key in keys] == [3, 3, 9, 0, 0, "2026-11-20T20:30:00+00:00"]


def test_a_side_of_which_nothing_was_read_has_no_oldest_reading(tmp_path: Path) -> None:
    """Null, not a date that somebody would take for evidence."""
    assert sides_of(tmp_path, [file("a")], [unread(file("a"))])["sides"]["new"]["oldest_read"] is None


def test_whether_it_was_read_cold_is_told(tmp_path: Path) -> None:
    """Whether it was asked for, and how many files did and did not have pages in memory when they were read."""
    facts = {"asked_cold": True, "cold_files": 7, "warm_files": 2}
    told = sides_of(tmp_path, [file("a")], [file("a")], **facts)["sides"]
    assert {key: told["new"][key] for key in facts} == facts
    assert {key: told["old"][key] for key in facts} == {"asked_cold": False, "cold_files": 0, "warm_files": 0}


def test_errors_are_told_by_kind(tmp_path: Path) -> None:
    """What was being done, which error, on how many entries, below which folder, after how many attempts."""
    problems = [Problem(f"accounts/{n}", "open", "EACCES", 1, "2026-11-20T20:30:00+00:00") for n in range(3)]
    problems.append(Problem("x", "read", "EIO", 3, "2026-11-20T20:30:00+00:00"))
    for name, met in (("o", ()), ("n", problems)):
        write_manifest(tmp_path / name, [file("a")], met)
    check(CheckRequest(tmp_path / "o", tmp_path / "n", tmp_path / "proof"))
    told = json.loads((tmp_path / "proof" / "summary.json").read_text("utf-8"))["sides"]
    assert told["old"]["problems"] == []
    assert told["new"]["problems"] == [
        {"operation": "open", "error": "EACCES", "entries": 3, "folder": "accounts", "attempts": 1},
        {"operation": "read", "error": "EIO", "entries": 1, "folder": "", "attempts": 3},
    ]


def test_sizes_beyond_32_and_53_bits_are_exact(tmp_path: Path) -> None:
    """A number of bytes is a whole number, however large."""
    large = 2**60 + 1
    told = sides_of(tmp_path, [file("a", size=large), file("b")], [file("b")])
    assert told["classes"]["missing"]["bytes"] == large
    assert told["account"]["old"]["by_class"]["missing"]["bytes"] == large


def test_a_finding_of_two_sides_counts_once_with_the_old_sides_bytes(tmp_path: Path) -> None:
    """Bytes of a class are what the old side holds; where it has nothing, the new side's."""
    told = sides_of(tmp_path, [file("a", b"123"), file("c")], [file("a", b"12345"), file("b", b"1234567"), file("c")])
    assert told["classes"]["content-changed"] == {"entries": 1, "files": 1, "bytes": 3}
    assert told["classes"]["extra"] == {"entries": 1, "files": 1, "bytes": 7}
    assert told["account"]["new"]["by_class"]["content-changed"]["bytes"] == 5


def test_the_verdict_is_the_same_as_that_of_the_findings_themselves(tmp_path: Path) -> None:
    """The main job adds nothing to what reconciling and judging say."""
    old, new = [file("a", b"1"), file("b", b"2")], [file("a", b"1"), unread(file("b", b"2"), State.UNREADABLE, "EIO")]
    told = sides_of(tmp_path, old, new)
    outcome = reconciled(old, new)
    assert told["verdict"] == outcome.verdict.kind
    assert told["reasons"] == list(outcome.verdict.reasons)


def test_a_severity_never_leaves_the_contracts_set(checked: Checked) -> None:
    """Severities in the table are the contract's five."""
    assert {row["severity"] for row in checked.rows} <= {severity.value for severity in Severity}


# ---- What people decided


def test_what_nobody_decided_is_empty_and_not_missing(checked: Checked) -> None:
    """Without exceptions and a sign-off the keys are there, and null only where there is no sign-off."""
    told = checked.summary
    assert (told["accepted"], told["signoff"], told["decisions"]) == ([], None, {})
    assert told["accepted_findings"] == {"entries": 0, "files": 0, "bytes": 0}


def test_the_gravest_are_named(checked: Checked) -> None:
    """What comes first, as the cause or else the class, with a path as the table has it; a folder with its number."""
    assert checked.summary["gravest"] == [
        {"what": "zero-filled", "path": "damaged", "entries": 0},
        {"what": "truncated", "path": "cut", "entries": 0},
        {"what": "missing", "path": "gone", "entries": 3},
        {"what": "kind-changed", "path": "kind", "entries": 0},
    ]


def decided(base: Path) -> dict[str, Any]:
    """Accept by name in a check of two sides, withdraw one of them, and return the summary written after that."""
    old = [file("same"), *(file(f"lost {n}", b"%d" % n) for n in range(3)), file("$RECYCLE.BIN/letter", b"dear")]
    for name, entries in (("o", old), ("n", [file("same")])):
        write_manifest(base / name, with_parents(entries))
    proof = base / "proof"
    check(CheckRequest(base / "o", base / "n", proof, rules=load_rules()))
    at = datetime(2100, 1, 1, tzinfo=UTC)
    for pattern, until in (("lost 0", None), ("lost 1", at), ("lost 2", None)):
        with Findings.open(proof / FINDINGS_FILE) as findings:
            cover(findings, proof, at)
            accept(proof, findings, Wanted(pattern, Class.MISSING, f"no {pattern}", "the archivist", at, until))
    with Exceptions.change(proof / EXCEPTIONS_FILE) as store:
        store.withdraw(3, Withdrawal(at.isoformat(), "the head", "found"))
    signed = signoff("text", at="2100-01-02T00:00:00+00:00", statement="all of\nit", despite="", key="")
    write_report(proof, signed)
    told: dict[str, Any] = json.loads((proof / "summary.json").read_text("utf-8"))
    return told


def test_what_was_accepted_is_told_with_what_it_covers(tmp_path: Path) -> None:
    """Every exception on record: who, why, until when, whether it holds at the sign-off, what it covered and covers."""
    told = decided(tmp_path)
    one = {"entries": 1, "files": 1, "bytes": 1}
    none = {"entries": 0, "files": 0, "bytes": 0}
    assert all(has_shape(accepted, ACCEPTED) for accepted in told["accepted"])
    assert all(set(accepted) == {*ACCEPTED, "until", "withdrawn"} for accepted in told["accepted"])
    first, ended, withdrawn = told["accepted"]
    assert (first["number"], first["class"], first["path"]) == (1, "missing", "lost 0")
    assert (first["because"], first["by"], first["at"]) == ("no lost 0", "the archivist", "2100-01-01T00:00:00+00:00")
    assert (first["until"], first["withdrawn"], first["holds"]) == (None, None, True)
    assert (first["covered_then"], first["covered_now"]) == (one, one)
    assert (ended["until"], ended["holds"]) == ("2100-01-01T00:00:00+00:00", False)
    assert (ended["covered_then"], ended["covered_now"]) == (one, none)
    assert withdrawn["withdrawn"] == {"at": "2100-01-01T00:00:00+00:00", "by": "the head", "because": "found"}
    assert (withdrawn["holds"], withdrawn["covered_now"]) == (False, none)
    assert len({accepted["digest"] for accepted in told["accepted"]}) == 3
    assert told["accepted_findings"] == one
    assert told["reasons"] == ["2 files missing"]


def test_decisions_are_told_by_rule(tmp_path: Path) -> None:
    """What each rule set aside that somebody has to decide about by name."""
    assert decided(tmp_path)["decisions"] == {"windows-bin": {"entries": 1, "files": 1, "bytes": 4}}


def test_the_sign_off_is_told_as_it_was_given(tmp_path: Path) -> None:
    """Who signed, when, for which verdict, with which words; nothing of it is made up or left out."""
    assert decided(tmp_path)["signoff"] == {
        "by": "text",
        "role": "text",
        "at": "2100-01-02T00:00:00+00:00",
        "statement": "all of\nit",
        "despite": "",
        "verdict": "not-trustworthy",
        "report_id": "text",
        "key": "",
        "host": "text",
    }


def test_half_a_character_of_a_tampered_folder_does_no_harm(tmp_path: Path) -> None:
    """A lone surrogate, which is no UTF-8, is written as JSON's escape and read back as it was."""
    sides_of(tmp_path, [file("a")], [file("a")])
    with Findings.reopen(tmp_path / "proof" / FINDINGS_FILE) as findings:
        run = json.loads(findings.facts()["run"])
        run["sides"]["old"]["facts"]["label"] = "half \ud83c of it"
        findings.set_facts({"run": json.dumps(run)})
        findings.commit()
    write_report(tmp_path / "proof")
    text = (tmp_path / "proof" / "summary.json").read_bytes().decode()
    assert json.loads(text)["sides"]["old"]["label"] == "half \ud83c of it"
    assert r"label `half \ud83c of it`" in (tmp_path / "proof" / "summary.md").read_text("utf-8")
