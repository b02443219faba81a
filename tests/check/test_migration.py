"""After a real migration: a hundred thousand harmless differences, and one bit that is not."""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pytest
from blake3 import blake3

from tests.reconcile.trees import SECOND_NS, T0_NS, file, folder, scratch, write_manifest
from verifier.check import CheckRequest, check
from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.evidence import FINDINGS_FILE
from verifier.manifest.store import Manifest
from verifier.reconcile.findings import EXPLAINED, Finding, Findings, Systematic
from verifier.report.terminal import summarise
from verifier.rules.load import load_rules

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verifier.report.context import ReportContext
    from verifier.tree.entry import Entry

pytestmark = pytest.mark.slow

DEPARTMENTS: Final = 20
PROJECTS: Final = 50
PLAIN: Final = 97_700
"""Files that are data and stayed at their place."""
MOVED: Final = 300
CLUTTER: Final = {"Thumbs.db": 600, ".DS_Store": 500, "desktop.ini": 400, "$RECYCLE.BIN/$R": 300, "~$report.docx": 200}
"""Clutter of several shipped rules, 2,000 files; the first kind is on both sides and was written anew."""
LEADING: Final = {
    "Thumbs.db": bytes.fromhex("d0cf11e0a1b11ae1"),  # from memory
    ".DS_Store": bytes.fromhex("0000000142756431"),  # from memory
    "desktop.ini": b"[.ShellClassInfo]",  # Microsoft documentation of Desktop.ini
}
FOLDERS: Final = DEPARTMENTS + DEPARTMENTS * PROJECTS
DAMAGED: Final = "dept-13/project-37/plan-042.pdf"
OLD_PLACE: Final = "dept-07/handover"
NEW_PLACE: Final = "dept-11/taken over/handover"
HOUR_NS: Final = 3600 * SECOND_NS


def old_side() -> list[Entry]:
    """Return what lay on the old server, all of one owner."""
    one, place = file("x", b"1", uid=1000), folder("x", uid=1000)
    projects = [f"dept-{d:02}/project-{p:02}" for d in range(DEPARTMENTS) for p in range(PROJECTS)]
    found = [place._replace(path=path) for path in [*(f"dept-{d:02}" for d in range(DEPARTMENTS)), *projects]]
    found += [place._replace(path=path) for path in (OLD_PLACE, "dept-11/taken over", "dept-00/$RECYCLE.BIN")]
    paths = [f"{projects[n % len(projects)]}/plan-{n // len(projects):03}.pdf" for n in range(PLAIN)]
    paths += [f"{OLD_PLACE}/{n:03}.tif" for n in range(MOVED)]
    for number, path in enumerate(paths):
        digest, mtime_ns = blake3(path.encode()).digest(), T0_NS + number * SECOND_NS
        found.append(one._replace(path=path, size=1000 + number % 7919, digest=digest, mtime_ns=mtime_ns))
    for name, number in CLUTTER.items():
        for n in range(number):
            path = f"dept-00/{name}{n:03}" if "/" in name else f"{projects[n]}/{name}"
            digest = blake3(path.encode()).digest()
            found.append(one._replace(path=path, size=162, digest=digest, head=LEADING.get(name, b"")[:16]))
    return sorted(found)


def migrate(old: Path, new: Path) -> None:
    """Write what the new server has: every time an hour later, one owner for another, and what else happened."""
    shutil.copyfile(old, new)
    copied = Manifest.recover(new)
    assert copied is not None
    with copied:
        run = copied.connection.execute
        run("BEGIN")
        run("UPDATE entries SET uid = 3001")
        run("UPDATE entries SET mtime_ns = mtime_ns + ? WHERE kind = 'file'", (HOUR_NS,))
        anew = blake3(b"written anew").digest()
        run("UPDATE entries SET digest = ?, size = 200 WHERE path LIKE '%/Thumbs.db'", (anew,))
        for name in list(CLUTTER)[1:]:
            run("DELETE FROM entries WHERE path LIKE ?", (f"%/{name.removesuffix('/$R')}%",))
        moved = "path = ? OR (path > ? || '/' AND path < ? || '0')"
        run(f"UPDATE entries SET path = ? || substr(path, ?) WHERE {moved}",
            (NEW_PLACE, len(OLD_PLACE) + 1, OLD_PLACE, OLD_PLACE, OLD_PLACE))  # fmt: skip
        # One bit of the content, and with it the digest; nothing else.
        flipped = run("UPDATE entries SET digest = ? WHERE path = ?", (blake3(b"one bit").digest(), DAMAGED)).rowcount
        assert flipped == 1
        run("COMMIT")
        copied.connection.isolation_level = "DEFERRED"
        copied.set_facts(label="new", root="/srv/new", fingerprint=copied.seal())


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check of both sides came to."""

    context: ReportContext
    lines: list[str]
    """The terminal summary."""
    grave: list[Finding]
    """Findings that stand in the way."""
    facts: list[Systematic]
    explained: dict[Class, int]
    """Findings of each class that differ in nothing but systematic ways."""
    processor_s: float


@pytest.fixture(scope="module")
def checked() -> Iterator[Checked]:
    """Check both sides once, as the command line does."""
    with scratch() as base:
        write_manifest(base / "old", old_side())
        migrate(base / "old", base / "new")
        begun = time.process_time()
        context = check(CheckRequest(base / "old", base / "new", base / "proof", load_rules()))
        processor_s = time.process_time() - begun
        with Findings.open(base / "proof" / FINDINGS_FILE) as findings:
            lines = [line.text for line in summarise(context)]
            grave = list(findings.stream("severity IN (?, ?)", (Severity.BLOCKER, Severity.INCONCLUSIVE)))
            counts = findings.counts('"class"', EXPLAINED)
            explained = {Class(cls): int(number) for cls, is_explained, number in counts if int(is_explained)}
            yield Checked(context, lines, grave, findings.systematic(), explained, processor_s)


def test_the_first_screen_names_the_damaged_file(checked: Checked) -> None:
    """What matters is on the first 24 lines of the summary, and all of it is less than 40."""
    assert len(checked.lines) < 40
    assert checked.lines[0] == "NOT TRUSTWORTHY"
    (where,) = (number for number, line in enumerate(checked.lines) if DAMAGED in line)
    assert where < 24
    assert "silent" in checked.lines[where]


def test_one_finding_stands_in_the_way(checked: Checked) -> None:
    """The flipped bit, and nothing else, keeps the copy from being trusted and has to be copied again."""
    assert [(found.old_path, found.cls, found.cause) for found in checked.grave] == [
        (DAMAGED, Class.CONTENT_CHANGED, Cause.SILENT)
    ]
    assert checked.context.verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert checked.context.verdict.reasons == ("1 file with changed content",)
    assert (checked.context.to_copy.entries, checked.context.exit_code) == (1, 1)


def test_every_entry_is_in_the_class_that_was_planted(checked: Checked) -> None:
    """A hundred thousand files and a thousand folders, each where it belongs, on both sides."""
    context = checked.context
    counted = {cls: (tally.entries, tally.files) for cls, tally in context.classes.items() if tally.entries}
    assert counted == {
        Class.CLUTTER: (2_001, 2_000),
        Class.CONTENT_CHANGED: (1, 1),
        Class.RELOCATED: (MOVED + 1, MOVED),
        Class.METADATA_ONLY: (PLAIN - 1 + FOLDERS + 1, PLAIN - 1),
    }
    assert context.sides[Side.OLD].totals["files"] == 100_000
    assert all(context.sides[side].balanced for side in Side)
    assert {use.name: use.entries for use in context.rules} == {
        "windows-thumbnail-cache": 600,
        "macos-folder-view": 500,
        "windows-folder-settings": 400,
        "windows-bin": 301,
        "office-owner-file": 200,
    }


def test_what_differs_everywhere_is_two_facts(checked: Checked) -> None:
    """A shift and a mapping, with everything that shows them and no exception, explain all that was not moved."""
    files = PLAIN - 1 + MOVED
    assert [(one.text, one.tally.entries, one.tally.files, one.exceptions) for one in checked.facts] == [
        ("times of files are 1 h later on the new side", files, files, 0),
        ("owner 1000, new 3001", files + FOLDERS + 2, files, 0),
    ]
    assert checked.explained == {
        Class.METADATA_ONLY: PLAIN - 1 + FOLDERS + 1,
        Class.RELOCATED: MOVED + 1,
    }


def test_the_moved_folder_is_one_line(checked: Checked) -> None:
    """Three hundred files that went with their folder are told in one line, as the bin is."""
    told = {(one.cls, one.path): one.tally.entries for one in checked.context.folders}
    assert told == {(Class.RELOCATED, OLD_PLACE): MOVED + 1, (Class.CLUTTER, "dept-00/$RECYCLE.BIN"): 301}


def test_it_takes_no_longer_than_so_many_findings_need(checked: Checked) -> None:
    """A hundred thousand findings take a tenth of a millisecond each, the report included; four times that is wrong."""
    assert checked.processor_s < 40
