"""The terminal summary: the verdict first, one screen, and nothing in it that a terminal would act on."""

from __future__ import annotations

import dataclasses
import shutil
import unicodedata
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.decisions.records import signoff
from tests.reconcile.trees import entry, file, folder, link, scratch, unread, with_parents, write_manifest
from verifier.check import CheckRequest, check
from verifier.classes import Cause, Class, Severity, Side, VerdictKind
from verifier.reconcile.findings import Finding, Findings, Tally
from verifier.report.context import ReportContext, build_context
from verifier.report.terminal import summarise
from verifier.rules.load import load_rules
from verifier.tree.entry import Entry, Kind, State
from verifier.tree.names import to_text
from verifier.verdict import PHRASES, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

LINES: Final = 24
COLUMNS: Final = 80
HEADLINE: Final = {
    VerdictKind.TRUSTWORTHY: "TRUSTWORTHY",
    VerdictKind.WITH_EXCEPTIONS: "TRUSTWORTHY WITH ACCEPTED EXCEPTIONS",
    VerdictKind.NOT_TRUSTWORTHY: "NOT TRUSTWORTHY",
    VerdictKind.INCONCLUSIVE: "INCONCLUSIVE",
}


def width(text: str) -> int:
    """Return the columns a text takes: two for a wide character, none for one that combines (UAX #11)."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def hold_to_one_screen(texts: Sequence[str]) -> None:
    """Assert that a summary fits on one screen and is safe to print."""
    assert len(texts) <= LINES, f"{len(texts)} lines"
    for text in texts:
        assert text.isprintable(), ascii(text)
        assert width(text) <= COLUMNS, f"{width(text)} columns: {text}"


@pytest.fixture
def summary_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[str]]:
    """Give a function that checks two manifests and returns the summary's lines; the evidence has a short name."""
    monkeypatch.chdir(tmp_path)

    def summarised(old: list[Entry], new: list[Entry], **request: Any) -> list[str]:
        for name, entries in (("o", old), ("n", new)):
            write_manifest(Path(name), with_parents(entries))
        context = check(CheckRequest(Path("o"), Path("n"), Path("proof"), **request))
        return lines_of(context)

    return summarised


def lines_of(context: ReportContext) -> list[str]:
    """Return the summary's lines of a finished check."""
    return [line.text for line in summarise(context)]


def everything() -> tuple[list[Entry], list[Entry]]:
    """Return two sides in which every class and every cause shows, with long names."""
    long = "x" * 120
    data = b"y" * 700
    old = [
        file("same"),
        file(f"{long}/silent", data),
        file(f"{long}/zero", data),
        file(f"{long}/cut", b"0123456789"),
        file(f"{long}/empty", data),
        file(f"{long}/older", data),
        file(f"{long}/later", data),
        file(f"{long}/grown", b"12"),
        file(f"{long}/lost", b"lost"),
        file(f"{long}/kind", b"kind"),
        file(f"{long}/moved", b"moved"),
        file(f"{long}/CASE", b"case"),
        file(f"{long}/mode", b"mode"),
        file(f"{long}/unread", b"unread"),
        file(f"{long}/moving", b"moving"),
        file(f"{long}/listed", b"listed"),
        file("$RECYCLE.BIN/letter", b"dear"),
    ]
    new = [
        file("same"),
        file(f"{long}/silent", b"z" * 700),
        file(f"{long}/zero", bytes(700)),
        file(f"{long}/cut", b"01234"),
        file(f"{long}/empty", b""),
        file(f"{long}/older", b"z" * 700, mtime_ns=5),
        file(f"{long}/later", b"z" * 700, mtime_ns=2**62),
        file(f"{long}/grown", b"123"),
        folder(f"{long}/kind"),
        file("moved here", b"moved"),
        file(f"{long}/case", b"case"),
        file(f"{long}/mode", b"mode", mode=0),
        unread(file(f"{long}/unread", b"unread"), State.UNREADABLE, "EIO: read"),
        unread(file(f"{long}/moving", b"moving"), State.UNSETTLED, "changed while it was being read"),
        unread(file(f"{long}/listed", b"listed")),
        file("extra", b"extra"),
    ]
    return old, new


def test_the_verdict_comes_first(summary_of: Callable[..., list[str]]) -> None:
    """A person reads the answer before anything else, then what it means, then why."""
    lines = summary_of([file("a"), file("b", b"2")], [file("a")])
    assert lines[0] == "NOT TRUSTWORTHY"
    assert "Do not wipe the old side" in lines[1]
    assert lines[2] == "  1 file missing"
    hold_to_one_screen(lines)


def test_a_clean_copy_is_told_in_a_few_lines(summary_of: Callable[..., list[str]]) -> None:
    """Good news needs no screen; the caution stays."""
    lines = summary_of([file("a")], [file("a")])
    assert lines[0] == "TRUSTWORTHY"
    assert "1 identical" in lines
    assert "not a backup" in lines[-1]
    assert len(lines) < 14
    hold_to_one_screen(lines)


def test_every_class_and_cause_at_once_fits_on_one_screen(summary_of: Callable[..., list[str]]) -> None:
    """However much is wrong, the screen holds the worst of it and the counts of the rest."""
    lines = summary_of(*everything(), rules=load_rules())
    hold_to_one_screen(lines)
    assert lines[0] == "NOT TRUSTWORTHY"
    text = "\n".join(lines)
    for word in ("silent", "zero-filled", "truncated", "empty", "missing"):
        assert word in text


def test_large_numbers_of_everything_fit_on_one_screen(summary_of: Callable[..., list[str]], tmp_path: Path) -> None:
    """Millions of files, terabytes, long roots and both sides unfinished: still one screen."""
    summary_of(*everything(), rules=load_rules())
    with Findings.open(tmp_path / "proof" / "findings.sqlite") as findings:
        context = build_context(Path("proof"), findings)
        sides = {
            side: dataclasses.replace(
                facts,
                facts={**facts.facts, "complete": "0", "root": "/srv/" + "department/" * 30 + "share"},
                totals={**facts.totals, "files": 38_123_456, "proved_files": 37_123_456, "bytes": 87_654_321_000_000},
            )
            for side, facts in context.sides.items()
        }
        many = Tally(12_345_678, 12_345_678, 10**15)
        reasons = tuple(
            [f"1,234,567 files, 123,456 folders, 12,345 links and 1,234 other entries {PHRASES[cls]}" for cls in Class]
            + [
                f"the scan of the {side} side is incomplete: the share went away: ESTALE while reading x"
                for side in Side
            ]
        )
        context = dataclasses.replace(
            context,
            verdict=Verdict(VerdictKind.NOT_TRUSTWORTHY, reasons),
            sides=sides,
            classes=dict.fromkeys(Class, many),
        )
        lines = [line.text for line in summarise(context)]
    hold_to_one_screen(lines)
    assert "38,123,456 files" in "\n".join(lines)
    assert sum("INCOMPLETE" in line for line in lines) == 2
    # What does not fit is said to be left out.
    assert any("more" in line and "in the report" in line for line in lines)


@pytest.mark.parametrize("despite", ["", "the logger never rests"])
def test_a_sign_off_is_said_in_one_line(summary_of: Callable[..., list[str]], tmp_path: Path, despite: str) -> None:
    """Who signed, when, and in spite of what; a name of any length fits."""
    summary_of(*everything(), rules=load_rules())
    signed = signoff(by="\u690d\u7269 " * 40, despite=despite, verdict=VerdictKind.NOT_TRUSTWORTHY)
    with Findings.open(tmp_path / "proof" / "findings.sqlite") as findings:
        context = dataclasses.replace(build_context(Path("proof"), findings), signoff=signed)
    lines = [line.text for line in summarise(context)]
    hold_to_one_screen(lines)
    (said,) = [line for line in lines if line.startswith("Signed")]
    assert said.startswith(f"Signed{' despite this verdict' if despite else ''}, {signed.at}, by \u690d\u7269")


def test_wide_characters_take_two_columns(summary_of: Callable[..., list[str]]) -> None:
    """A path of ideographs is shortened by what it takes on the screen, not by the number of its characters."""
    name = "\u690d\u7269\u6a19\u672c" * 20
    old = [file("same"), *(file(f"{name}{n}", b"%d" % n) for n in range(8))]
    hold_to_one_screen(summary_of(old, [file("same")]))


def test_one_of_each_kind_is_named_before_a_second_of_any(summary_of: Callable[..., list[str]]) -> None:
    """A flood of one kind does not hide the only file of a worse one; damage that nobody can see comes first."""
    old = [file("same"), file("rotten", b"1"), *(file(f"lost {n}", b"lost %d" % n) for n in range(50))]
    lines = summary_of(old, [file("same"), file("rotten", b"2")])
    named = [line.split()[0] for line in lines if line.startswith("  ") and ("rotten" in line or "lost" in line)]
    assert named[0] == "silent"
    assert set(named) == {"silent", "missing"}


def test_a_lost_folder_is_one_line_with_its_count(summary_of: Callable[..., list[str]]) -> None:
    """A folder that is lost as a whole is named once, with how much that is."""
    old = [file("same"), *(file(f"gone/{n}", b"%d" % n) for n in range(50))]
    lines = summary_of(old, [file("same")])
    assert [line.split(maxsplit=1)[1] for line in lines if line.startswith("  missing")] == ["gone/ (51 entries)"]


def test_the_count_of_a_lost_folder_is_right_however_many_there_are(summary_of: Callable[..., list[str]]) -> None:
    """With hundreds of lost folders every one that is named has its own count."""
    old = [file("same")]
    for number in range(230):
        old += [file(f"{number:03}/{n}", b"%d %d" % (number, n) * 9) for n in range(1 + (number > 9) * 2)]
    lines = summary_of(old, [file("same")])
    named = [line.split(maxsplit=1)[1] for line in lines if line.startswith("  missing")]
    assert named
    for line in named:
        path, _, count = line.partition("/ (")
        assert count == ("4 entries)" if int(path) > 9 else "2 entries)")


def test_an_empty_folder_that_is_lost_is_named_alone(summary_of: Callable[..., list[str]]) -> None:
    """A group of one is a finding like another."""
    lines = summary_of([file("same"), folder("hollow")], [file("same")])
    (line,) = [line for line in lines if line.startswith("  missing")]
    assert line.rstrip("/").endswith("hollow")


def test_one_file_is_one_file(summary_of: Callable[..., list[str]]) -> None:
    """Numbers and nouns agree in every line."""
    lines = summary_of([file("a")], [file("a")])
    assert not [line for line in lines if "1 files" in line]


def test_what_must_be_decided_is_said(summary_of: Callable[..., list[str]]) -> None:
    """Bytes that a rule set aside and somebody may miss are not buried in a count."""
    lines = summary_of([file("same"), file("$RECYCLE.BIN/letter", b"dear")], [file("same")], rules=load_rules())
    assert lines[0] == "TRUSTWORTHY"
    assert any("1 file set aside needs a decision by name" in line for line in lines)


@pytest.mark.parametrize(("number", "said"), [(1, "1 finding accepted"), (28_000, "28,000 findings accepted")])
def test_what_is_accepted_by_name_is_said(
    summary_of: Callable[..., list[str]], tmp_path: Path, number: int, said: str
) -> None:
    """In the foot, whatever else fills the screen; where nothing is accepted it needs no line."""
    plain = summary_of(*everything(), rules=load_rules())
    assert not any("accepted" in line for line in plain)
    with Findings.open(tmp_path / "proof" / "findings.sqlite") as findings:
        context = build_context(Path("proof"), findings)
        lines = lines_of(dataclasses.replace(context, accepted_findings=Tally(number, number, 1)))
    assert f"{said} by name: see the report" in lines
    hold_to_one_screen(lines)


def test_findings_of_no_weight_are_counted_and_not_named(summary_of: Callable[..., list[str]]) -> None:
    """Notes are numbers; only what stands in the way is named."""
    lines = summary_of([file("same"), file("a", b"1")], [file("same"), file("b", b"1"), file("new", b"3")])
    assert any("1 at another place" in line for line in lines)
    assert any("1 on the new side only" in line for line in lines)
    assert not any(line.startswith("  relocated") for line in lines)


def test_a_side_that_was_not_read_through_says_so(summary_of: Callable[..., list[str]]) -> None:
    """`every file read` is said only where it is so."""
    lines = summary_of([file("a"), file("b")], [file("a"), unread(file("b"))])
    old, new = (next(line for line in lines if line.startswith(side)) for side in ("old", "new"))
    assert "every file read" in old
    assert "1 read" in new
    assert "every file read" not in new


def test_what_is_known_from_before_is_not_said_to_be_read(summary_of: Callable[..., list[str]]) -> None:
    """A side with carried files says how many were read, and how many are only known."""
    old = [file("a"), *(file(name, state=State.CARRIED.value) for name in "bcd")]
    lines = summary_of(old, [file(name) for name in "abcd"])
    ours, theirs = (next(line for line in lines if line.startswith(side)) for side in ("old", "new"))
    assert "1 read, 3 known before" in ours
    assert "every file read" in theirs
    assert "known" not in theirs
    assert lines[0] == "TRUSTWORTHY"
    told = " ".join(line.strip() for line in lines[2:6])
    assert "3 files of the old side not read now: known from an earlier scan" in told
    assert "read on both sides" not in told
    hold_to_one_screen(lines)


def test_hostile_names_do_nothing(summary_of: Callable[..., list[str]]) -> None:
    """Escape sequences, line breaks, direction marks and bytes that are not UTF-8 are shown escaped."""
    names = [
        b"\x1b[2J\x1b]0;owned\x07",
        b"\x9b2J",
        b"a\nTRUSTWORTHY\n",
        b"\rTRUSTWORTHY",
        b"\xe2\x80\xaegpj.exe",
        b"\xff\xfe",
    ]
    old = [file("same"), *(file(to_text(name), name) for name in names)]
    lines = summary_of(old, [file("same")])
    hold_to_one_screen(lines)
    assert sum("TRUSTWORTHY" in line for line in lines if line.startswith("TRUST")) == 0
    assert any("\\x1b[2J" in line for line in lines)


@pytest.mark.parametrize("kind", list(VerdictKind))
def test_every_verdict_has_its_headline(
    summary_of: Callable[..., list[str]], tmp_path: Path, kind: VerdictKind
) -> None:
    """The first line is the verdict in capitals, for each of the four."""
    summary_of([file("a")], [file("a")])
    with Findings.open(tmp_path / "proof" / "findings.sqlite") as findings:
        context = dataclasses.replace(build_context(Path("proof"), findings), verdict=Verdict(kind, ("because",)))
        lines = [line.text for line in summarise(context)]
    assert lines[0] == HEADLINE[kind]
    hold_to_one_screen(lines)


# ---- Any findings at all


@pytest.fixture(scope="module")
def evidence() -> Iterator[Path]:
    """Give the evidence of a small check, to which tests add findings of their own."""
    with scratch() as base:
        for name in ("o", "n"):
            write_manifest(base / name, [file("same"), link("l", "same"), entry("p", Kind.FIFO)])
        check(CheckRequest(base / "o", base / "n", base / "proof", rules=load_rules()))
        yield base / "proof"


PATHS: Final = st.one_of(
    st.binary(min_size=1, max_size=20),
    st.text(min_size=1, max_size=120).map(str.encode),
    st.text(st.sampled_from("\u690d\u7269\u0301\u200b\u202e\x1b\n\r\t[/"), min_size=1, max_size=90).map(str.encode),
).map(to_text)


@st.composite
def random_findings(draw: st.DrawFn) -> Finding:
    """Return a finding of any class with hostile or long paths."""
    cls = draw(st.sampled_from([cls for cls in Class if cls is not Class.IDENTICAL]))
    old, new = draw(PATHS), draw(PATHS)
    cause = draw(st.sampled_from(list(Cause))).value if cls is Class.CONTENT_CHANGED else None
    kind = draw(st.sampled_from(list(Kind))).value
    group = draw(st.sampled_from([None, old]))
    severity = draw(st.sampled_from(list(Severity))).value
    rule = "windows-bin" if cls is Class.CLUTTER else None
    if cls is Class.EXTRA:
        return Finding(cls, None, severity, None, new, None, kind, None, 1, None, 1, None, None, None, False, "x")
    return Finding(cls, cause, severity, old, new, kind, kind, 1, 1, 1, 1, None, rule, group, False, "x")


@settings(max_examples=25, deadline=None)
@given(found=st.lists(random_findings(), max_size=20), root=PATHS, reasons=st.integers(0, 12))
@example(found=[], root="\x1b[31m", reasons=12)
def test_any_findings_fit_on_one_screen(evidence: Path, found: list[Finding], root: str, reasons: int) -> None:
    """Many, long or hostile: at most 24 lines of 80 columns, all of it printable."""
    with scratch() as base:
        shutil.copy(evidence / "findings.sqlite", base / "findings.sqlite")
        with Findings.reopen(base / "findings.sqlite") as store:
            store.add(found)
            store.commit()
        with Findings.open(base / "findings.sqlite") as findings:
            context = build_context(Path("proof"), findings)
            old = context.sides[Side.OLD]
            context = dataclasses.replace(
                context,
                sides={**context.sides, Side.OLD: dataclasses.replace(old, facts={**old.facts, "root": root})},
                verdict=Verdict(VerdictKind.NOT_TRUSTWORTHY, ("12 files missing",) * reasons),
                accepted_findings=Tally(reasons, reasons, 1),
            )
            lines = [line.text for line in summarise(context)]
    hold_to_one_screen(lines)
    assert lines[0] == "NOT TRUSTWORTHY"


@settings(max_examples=100, deadline=None)
@given(counts=st.lists(st.one_of(st.integers(0, 12), st.integers(0, 10**8)), min_size=len(Class), max_size=len(Class)))
@example(counts=[3, 4, 0, 0, 0, 0, 0, 0, 1, 1, 0, 1, 0])
def test_the_line_of_counts_stays_within_the_width(evidence: Path, counts: list[int]) -> None:
    """Whatever the numbers, each line of them ends before the screen does."""
    with Findings.open(evidence / "findings.sqlite") as findings:
        context = build_context(Path("proof"), findings)
        tallies = {cls: Tally(number, number, number) for cls, number in zip(Class, counts, strict=True)}
        lines = [line.text for line in summarise(dataclasses.replace(context, classes=tallies))]
    hold_to_one_screen(lines)
    assert any(f"{counts[0]:,} identical" in line for line in lines)


def test_a_flood_of_findings_is_summarised_in_a_moment(evidence: Path) -> None:
    """The cost of one screen does not grow with the square of what was lost: 3,000 files in one folder."""
    import time  # noqa: PLC0415

    rows = [
        Finding(
            *(Class.MISSING, None, Severity.BLOCKER, f"gone/{n:04}", None, Kind.FILE, None, 1, None, 1, None),
            *(None, None, "gone", False, "x"),
        )
        for n in range(3_000)
    ]
    with scratch() as base:
        shutil.copy(evidence / "findings.sqlite", base / "findings.sqlite")
        with Findings.reopen(base / "findings.sqlite") as store:
            store.add(rows)
            store.commit()
        with Findings.open(base / "findings.sqlite") as findings:
            context = build_context(Path("proof"), findings)
            began = time.process_time()
            lines = [line.text for line in summarise(context)]
            took_s = time.process_time() - began
    assert any("gone/ (3,000 entries)" in line for line in lines)
    assert took_s < 0.5, f"{took_s:.1f} s of processor time"
