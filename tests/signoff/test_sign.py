"""Signing: what is written, what is refused, and that nothing is left behind when it is."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import pytest
from blake3 import blake3

from tests.reconcile.trees import Node, plant
from tests.scan.scans import edit, reseal
from tests.signoff.gardens import CURATOR, Garden, add_findings, now
from verifier.check import CheckRequest, check
from verifier.classes import Class, Side, VerdictKind
from verifier.decisions.covering import accept, cover
from verifier.decisions.exceptions import LONGEST_NAME, LONGEST_TEXT, Exceptions, Wanted, Withdrawal
from verifier.decisions.signoff import Looked, read_signoff
from verifier.errors import (
    EvidenceUnwritable,
    ManifestDamaged,
    NotAManifest,
    SignOffInconclusive,
    SignOffRefused,
    UsageProblem,
    VerifierError,
)
from verifier.evidence import EXCEPTIONS_FILE, FINDINGS_FILE, REPORT_FILES, SIGNATURE_FILE, SIGNOFF_FILE, STAGING, held
from verifier.reconcile.findings import Findings
from verifier.report.words import CAUTIONS, NOT_PROVED
from verifier.rules.load import load_rules
from verifier.sampling import Asked
from verifier.scan.scanner import ScanOptions

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

BAD_TEXTS: Final = {
    "an escape sequence": "\x1b[2Jall is well",
    "a line break": "R. Curator\nhead of all",
    "a carriage return": "R. Curator\rnobody",
    "a mark that turns the writing round": "R. \u202erotaruC",
    "a letter that shows nothing": "R.\u3164Curator",
    "a byte that is no text": "R. \udcffCurator",
    "spaces alone": "   ",
    "a space at its end": "R. Curator ",
}


def accept_damage(garden: Garden, **changes: Any) -> None:
    """Accept by name that content was changed."""
    wanted = Wanted("herbarium/", Class.CONTENT_CHANGED, "scanned anew", CURATOR, now())
    with Findings.open(garden.evidence / FINDINGS_FILE) as findings:
        cover(findings, garden.evidence, now())
        accept(garden.evidence, findings, replace(wanted, **changes))


def test_the_record_says_who_took_which_verdict_knowing_what(garden: Garden) -> None:
    """Verdict, fingerprints, rules, time, host, version, statement, cautions and limits as they were shown."""
    before = now()
    signed = garden.sign(role="head of collections")
    run = json.loads(Findings.open(garden.evidence / FINDINGS_FILE).facts()["run"])
    assert (signed.by, signed.role, signed.despite, signed.key) == (CURATOR, "head of collections", "", "")
    assert (signed.verdict, list(signed.reasons)) == (VerdictKind.TRUSTWORTHY, run["verdict"]["reasons"])
    assert signed.fingerprints == {side: run["sides"][side]["facts"]["fingerprint"] for side in Side}
    assert signed.rules == run["rules"]["digest"] == load_rules().digest
    assert (signed.cautions, signed.not_proved, signed.tool) == (CAUTIONS, NOT_PROVED, run["tool"])
    assert signed.host == os.uname().nodename
    assert before <= datetime.fromisoformat(signed.at) <= now()
    assert signed.checked == run["finished"]
    assert signed.statement == (
        f"I have read report {signed.report_id} with its reasons, limits and cautions, and I take its verdict as it "
        "stands: trustworthy."
    )
    assert read_signoff(garden.evidence) == signed


def test_every_file_is_digested_whole(garden: Garden) -> None:
    """The digests are those of the bytes that lie there, of every file but the sign-off itself."""
    (garden.evidence / "photo of the racks.jpg").write_bytes(b"\xff\xd8 not ours")
    signed = garden.sign()
    there = garden.contents()
    assert set(there) == {*signed.files, SIGNOFF_FILE}
    for name, file in signed.files.items():
        assert (file.bytes, file.blake3) == (len(there[name]), blake3(there[name]).hexdigest())
    assert {"old.manifest.sqlite", "new.manifest.sqlite", "findings.sqlite", "report.html"} < set(signed.files)


def test_the_evidence_itself_is_left_as_it_was(garden: Garden) -> None:
    """Only the report is written anew, because it shows who signed; nothing else is touched."""
    before = garden.contents()
    garden.sign()
    after = garden.contents()
    assert set(after) - set(before) == {SIGNOFF_FILE}
    assert {name for name in before if before[name] != after[name]} <= set(REPORT_FILES)


def test_a_statement_of_ones_own_may_have_several_lines(garden: Garden) -> None:
    """It is kept as it was given."""
    statement = "I have looked at the herbarium.\n\nI have not looked at the notes."
    assert garden.sign(statement=statement).statement == statement


@pytest.mark.parametrize("text", BAD_TEXTS.values(), ids=BAD_TEXTS)
@pytest.mark.parametrize("field", ["by", "role", "despite"])
def test_no_text_can_hide_anything(garden: Garden, field: str, text: str) -> None:
    """What is signed is what everybody sees: nothing invisible, nothing active, one line; and nothing is written."""
    before = garden.contents()
    with pytest.raises(UsageProblem, match=f"--{field} .*cannot stand in a sign-off"):
        garden.sign(**{field: text})
    assert garden.contents() == before


@pytest.mark.parametrize(
    ("field", "longest"), [("by", LONGEST_NAME), ("role", LONGEST_NAME), ("statement", LONGEST_TEXT)]
)
def test_texts_have_a_greatest_length(garden: Garden, field: str, longest: int) -> None:
    """As many characters as are told, and not one more."""
    with pytest.raises(UsageProblem, match=f"at most {longest:,} characters"):
        garden.sign(**{field: "é" * (longest + 1)})
    assert getattr(garden.sign(**{field: "é" * longest}), field) == "é" * longest


def test_a_statement_cannot_hide_anything_either(garden: Garden) -> None:
    """Line breaks are all that it may have besides what is seen."""
    with pytest.raises(UsageProblem, match="--statement"):
        garden.sign(statement="read\r\nand understood")


def test_nobody_is_no_signer(garden: Garden) -> None:
    """A name is needed."""
    with pytest.raises(UsageProblem, match="--by"):
        garden.sign(by="")


# ---- The verdict


def test_a_copy_that_cannot_be_trusted_is_not_signed_for(damaged: Garden) -> None:
    """Exit code 1, and the folder is as it was."""
    before = damaged.contents()
    with pytest.raises(SignOffRefused, match=r"not trustworthy \(1 file with changed content\).*--despite") as refused:
        damaged.sign()
    assert (refused.value.exit_code, damaged.contents()) == (1, before)


def test_what_was_only_listed_is_inconclusive(garden: Garden) -> None:
    """Exit code 3; with a reason it is signed, and the record says that there is no fingerprint."""
    garden.check(scan=ScanOptions(listing_only=True))
    with pytest.raises(SignOffInconclusive, match="inconclusive") as refused:
        garden.sign()
    assert refused.value.exit_code == 3
    signed = garden.sign(despite="only to try the form")
    assert (signed.verdict, signed.despite) == (VerdictKind.INCONCLUSIVE, "only to try the form")
    assert signed.fingerprints == {"old": "", "new": ""}
    assert garden.odd() == {}


def test_a_sample_is_inconclusive_and_is_signed_with_what_was_drawn(garden: Garden) -> None:
    """The file that says what was drawn is part of what is signed."""
    garden.check(sample=Asked.parse("1"), seed=1)
    with pytest.raises(SignOffInconclusive):
        garden.sign()
    assert "sample.sqlite" in garden.sign(despite="the rest is read next week").files


def test_a_reason_is_kept_and_takes_the_verdict_as_it_is(damaged: Garden) -> None:
    """It does not change the verdict."""
    signed = damaged.sign(despite="the sheet is scanned anew")
    assert (signed.verdict, signed.despite) == (VerdictKind.NOT_TRUSTWORTHY, "the sheet is scanned anew")
    assert "not trustworthy" in signed.statement


def test_a_reason_without_a_need_is_refused(garden: Garden) -> None:
    """Who gives one believes that something stands in the way, and should find out what."""
    with pytest.raises(UsageProblem, match="nothing stands in the way"):
        garden.sign(despite="to be safe")
    assert read_signoff(garden.evidence) is None


def test_accepted_exceptions_in_force_are_part_of_what_is_signed(damaged: Garden) -> None:
    """With them the copy is trustworthy, and the record names each."""
    accept_damage(damaged)
    signed = damaged.sign()
    assert signed.verdict is VerdictKind.WITH_EXCEPTIONS
    (exception,) = signed.exceptions
    assert (exception.number, exception.pattern, exception.because) == (1, "herbarium/", "scanned anew")
    assert exception.covers.entries == 1
    assert EXCEPTIONS_FILE in signed.files
    assert read_signoff(damaged.evidence) == signed


def test_an_exception_whose_time_is_over_no_longer_counts(damaged: Garden) -> None:
    """What it covered stands in the way again at the moment of the sign-off, whatever the last report said."""
    change_run(damaged.evidence, lambda run: run.update(finished=(now() - timedelta(days=3)).isoformat()))
    accept_damage(damaged, at=now() - timedelta(days=2), until=now() - timedelta(days=1))
    with pytest.raises(SignOffRefused, match="changed content"):
        damaged.sign()
    assert damaged.sign(despite="it was accepted until yesterday").exceptions == ()


def test_a_withdrawn_exception_does_not_count(damaged: Garden) -> None:
    """It stays on record in its own file, and is not among those in force."""
    accept_damage(damaged)
    with Exceptions.change(damaged.evidence / EXCEPTIONS_FILE) as store:
        store.withdraw(1, Withdrawal(now().isoformat(), CURATOR, "it was a mistake"))
    with pytest.raises(SignOffRefused):
        damaged.sign()


# ---- The checklist


def test_the_checklist_is_part_of_the_record(garden: Garden) -> None:
    """As it was shown, with what was seen and what only a person can know."""
    looked = [point.looked for point in garden.sign().checklist]
    person, seen = Looked.PERSON, Looked.SEEN
    assert looked == [person, seen, person, person, seen, seen, person, person]


# ---- The evidence is what was written


def delete_row(evidence: Path) -> None:
    """Lose a row of a manifest."""
    edit(evidence / "new.manifest.sqlite", "DELETE FROM entries WHERE path = 'notes/fen.txt'")


def change_mode(evidence: Path) -> None:
    """Change what no count shows."""
    edit(evidence / "new.manifest.sqlite", "UPDATE entries SET mode = 511 WHERE path = 'notes/fen.txt'")


def delete_row_and_reseal(evidence: Path) -> None:
    """Lose a row of a manifest and hide it."""
    delete_row(evidence)
    reseal(evidence / "new.manifest.sqlite")


def rename_root(evidence: Path) -> None:
    """Say that the manifest is of another root, which no fingerprint covers."""
    edit(evidence / "old.manifest.sqlite", "UPDATE facts SET value = '/srv/other' WHERE key = 'root'")


def carry(evidence: Path) -> None:
    """Say that what was read was carried over, which no fingerprint covers."""
    edit(evidence / "old.manifest.sqlite", "UPDATE entries SET state = 'carried' WHERE path = 'notes/fen.txt'")


def drop_fact(evidence: Path) -> None:
    """Lose a fact of a manifest."""
    edit(evidence / "old.manifest.sqlite", "DELETE FROM facts WHERE key = 'host'")


def drop_finding(evidence: Path) -> None:
    """Lose what stands in the way."""
    add_findings(evidence, "DELETE FROM findings WHERE \"class\" = 'content-changed'")


def soften_finding(evidence: Path) -> None:
    """Call what stands in the way a note."""
    add_findings(evidence, "UPDATE findings SET severity = 'note' WHERE \"class\" = 'content-changed'")


def soften_verdict(evidence: Path) -> None:
    """Say that the copy can be trusted."""
    change_run(evidence, lambda run: run["verdict"].update(kind="trustworthy"))


def unbalance(evidence: Path) -> None:
    """Say that the side held more than is accounted for."""
    add_findings(evidence, "UPDATE account SET entries = entries + 1 WHERE \"class\" = 'identical' AND side = 'old'")


def shift_account(evidence: Path) -> None:
    """Account for what was changed as if it were identical; the sums stay."""
    for sign, cls in (("+", "identical"), ("-", "content-changed")):
        columns = ", ".join(f"{column} = {column} {sign} {n}" for column, n in (("entries", 1), ("files", 1)))
        add_findings(evidence, f"UPDATE account SET {columns} WHERE \"class\" = '{cls}'")


def forget_rules(evidence: Path) -> None:
    """Say nothing of the rules."""
    change_run(evidence, lambda run: run["rules"].update(digest=""))


def swap_manifests(evidence: Path) -> None:
    """Put each side's manifest in the other's place."""
    old, new, aside = (evidence / name for name in ("old.manifest.sqlite", "new.manifest.sqlite", "aside"))
    old.rename(aside)
    new.rename(old)
    aside.rename(new)


def forge_severity(evidence: Path) -> None:
    """Write a word that no check writes."""
    add_findings(evidence, "UPDATE findings SET severity = 'harmless' WHERE \"class\" = 'content-changed'")


def overwrite_findings(evidence: Path) -> None:
    """Damage a page of the findings."""
    overwrite_page(evidence, "findings")


def overwrite_what_nobody_reads(evidence: Path) -> None:
    """Damage a page that nothing is read from."""
    overwrite_page(evidence, "_sqlite_migrations")


def overwrite_page(evidence: Path, table: str) -> None:
    """Put zeros in the place of a table's first page."""
    data = bytearray((evidence / FINDINGS_FILE).read_bytes())
    with closing(sqlite3.connect(evidence / FINDINGS_FILE)) as plain:
        (root,) = plain.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
        (size,) = plain.execute("PRAGMA page_size").fetchone()
    data[(root - 1) * size : root * size] = bytes(size)
    (evidence / FINDINGS_FILE).write_bytes(data)


def change_run(evidence: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Change what the check recorded of itself."""
    with Findings.reopen(evidence / FINDINGS_FILE) as findings:
        run = json.loads(findings.facts()["run"])
        change(run)
        findings.set_facts({"run": json.dumps(run)})
        findings.commit()


TAMPERED: Final = (
    delete_row,
    change_mode,
    delete_row_and_reseal,
    rename_root,
    carry,
    drop_fact,
    drop_finding,
    soften_finding,
    soften_verdict,
    unbalance,
    shift_account,
    forget_rules,
    swap_manifests,
    forge_severity,
    overwrite_findings,
    overwrite_what_nobody_reads,
)


@pytest.mark.parametrize("tamper", TAMPERED, ids=lambda tamper: tamper.__name__)
def test_evidence_that_was_changed_is_not_signed_for(damaged: Garden, tamper: Callable[[Path], None]) -> None:
    """Whatever the reason given: what a check did not write nobody signs for, and nothing is left behind."""
    tamper(damaged.evidence)
    before = damaged.contents()
    with pytest.raises(ManifestDamaged):
        damaged.sign(despite="it is all the same")
    assert damaged.contents() == before


def test_the_manifest_of_each_of_several_new_roots_is_held_too(garden: Garden) -> None:
    """They are signed with the one that was put together of them, so they have to be what that was made of."""
    garden.check(also_new=(plant(garden.base / "fens", {b"fen.txt": Node(b"sedges")}),))
    forged = garden.evidence / "new-2.manifest.sqlite"
    kept = forged.read_bytes()
    edit(forged, "UPDATE entries SET mode = 511 WHERE path = 'fen.txt'")
    reseal(forged)
    with pytest.raises(ManifestDamaged, match=r"new-2.manifest.sqlite is not what was written"):
        garden.sign(despite="the fens are new")
    forged.write_bytes(kept)
    assert {"new-1.manifest.sqlite", "new-2.manifest.sqlite"} < set(garden.sign(despite="the fens are new").files)


@pytest.mark.parametrize("name", ["old.manifest.sqlite", "findings.sqlite"])
def test_evidence_of_which_something_is_missing_is_not_signed_for(garden: Garden, name: str) -> None:
    """It names the file."""
    (garden.evidence / name).unlink()
    with pytest.raises(NotAManifest, match=f"{name} is not there"):
        garden.sign()


def test_a_folder_without_a_check_stays_as_it_is(tmp_path: Path) -> None:
    """Nothing is made where nothing is."""
    with pytest.raises(NotAManifest, match=r"findings.sqlite is not there"):
        Garden(tmp_path).sign()
    assert list(tmp_path.iterdir()) == []


def test_an_earlier_version_s_findings_are_named(garden: Garden) -> None:
    """A check that did not record what is needed is to be done again, and says so."""
    change_run(garden.evidence, lambda run: run.pop("incomplete"))
    with pytest.raises(NotAManifest, match="not hold a finished check of this version"):
        garden.sign()


# ---- What lies there


def test_a_signed_folder_is_not_signed_again(garden: Garden) -> None:
    """It says who signed, and when; exit code 2."""
    signed = garden.sign()
    before = garden.contents()
    with pytest.raises(UsageProblem, match=f"signed by {CURATOR} at {signed.at[:10]}") as refused:
        garden.sign(by="Somebody Else")
    assert (refused.value.exit_code, garden.contents()) == (2, before)


def test_a_sign_off_that_was_changed_is_not_written_over(garden: Garden) -> None:
    """A broken one is still one."""
    garden.sign()
    (garden.evidence / SIGNOFF_FILE).write_text("{}")
    with pytest.raises(ManifestDamaged, match="changed after it was signed"):
        garden.sign()


def test_a_signature_without_its_sign_off_is_not_removed(garden: Garden) -> None:
    """Somebody signed here, and somebody removed what was signed."""
    (garden.evidence / SIGNATURE_FILE).write_text("whatever it is")
    with pytest.raises(UsageProblem, match="somebody signed this"):
        garden.sign()
    assert (garden.evidence / SIGNATURE_FILE).exists()


@pytest.mark.parametrize("kind", ["folder", "link", "pipe"])
def test_what_is_no_file_is_not_signed_for(garden: Garden, kind: str) -> None:
    """Neither left out in silence nor followed."""
    place = garden.evidence / "more"
    match kind:
        case "folder":
            place.mkdir()
        case "link":
            place.symlink_to(garden.old / "notes" / "fen.txt")
        case _:
            os.mkfifo(place)
    with pytest.raises(UsageProblem, match="holds more, which is not a file"):
        garden.sign()


@pytest.mark.parametrize("name", ["findings.sqlite-journal", "old.manifest.sqlite-wal", "exceptions.sqlite-journal"])
def test_a_database_that_was_left_half_written_is_not_signed_for(garden: Garden, name: str) -> None:
    """What SQLite reads beside a file would be part of what it says."""
    (garden.evidence / name).write_bytes(b"")
    with pytest.raises(EvidenceUnwritable, match=name):
        garden.sign()


def test_what_an_ended_signing_left_is_cleared_away(garden: Garden) -> None:
    """A folder and half files of this tool's own, and a signature that was put in place before the end."""
    (garden.evidence / STAGING).mkdir()
    (garden.evidence / STAGING / SIGNOFF_FILE).write_text("half of i")
    (garden.evidence / SIGNATURE_FILE).write_text("of another sign-off")
    for name in (".report.html.part", ".exceptions.sqlite.part"):
        (garden.evidence / name).write_text("half of i")
    garden.sign()
    assert set(garden.contents()) == {*read_signoff(garden.evidence).files, SIGNOFF_FILE}  # type: ignore[union-attr]
    assert garden.odd() == {}


def test_what_stands_in_the_place_of_the_folder_is_not_followed(garden: Garden, tmp_path: Path) -> None:
    """A link there must not lead to files elsewhere being removed."""
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious" / "file").touch()
    (garden.evidence / STAGING).symlink_to(tmp_path / "precious")
    with pytest.raises(EvidenceUnwritable, match="cannot be removed"):
        garden.sign()
    assert (tmp_path / "precious" / "file").exists()


def test_another_run_keeps_a_signing_out(garden: Garden) -> None:
    """Two at a time would sign for what the other one writes."""
    with held(garden.evidence), pytest.raises(EvidenceUnwritable, match="held by another run"):
        garden.sign()


def test_a_check_discards_what_an_ended_signing_left(garden: Garden) -> None:
    """A folder that is not signed may be used again."""
    (garden.evidence / STAGING).mkdir()
    (garden.evidence / STAGING / SIGNOFF_FILE).write_text("half of i")
    with pytest.raises(VerifierError, match="finished check"):
        garden_check(garden, replace=False)
    garden_check(garden, replace=True)
    assert not (garden.evidence / STAGING).exists()


def garden_check(garden: Garden, *, replace: bool) -> None:
    """Check into the folder as it is."""
    check(CheckRequest(garden.old, garden.new, garden.evidence, replace=replace))


def test_a_folder_elsewhere_is_signed_by_any_name(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    """A relative path, a link to the folder: the same record."""
    shutil.move(garden.evidence, garden.base / "moved")
    (garden.base / "proof").symlink_to("moved")
    monkeypatch.chdir(garden.base)
    signed = garden.sign(evidence=garden.evidence.relative_to(garden.base))
    assert read_signoff(garden.base / "moved") == signed
