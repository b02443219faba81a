"""The verdict: what outweighs what, and the reasons in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from verifier.classes import DEFAULT_SEVERITY, EXIT_CODES, Class, Severity, Side, VerdictKind
from verifier.reconcile.findings import Finding, Findings, Tally
from verifier.sampling import Sampled
from verifier.tree.entry import Kind
from verifier.verdict import PHRASES, count_of, judge, things

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from verifier.verdict import Verdict

ONE_SIDED: Final = {Class.MISSING: Side.OLD, Class.EXTRA: Side.NEW}
SOME: Final = Tally(10, 10, 100)


def finding(cls: Class, severity: Severity | None = None, kind: Kind = Kind.FILE, number: int = 0) -> Finding:
    """Return a finding as a reconciliation would write it."""
    on_old = ONE_SIDED.get(cls) is not Side.NEW
    on_new = ONE_SIDED.get(cls) is not Side.OLD
    return Finding(
        cls.value,
        None,
        (severity or DEFAULT_SEVERITY[cls]).value,
        f"f{number}" if on_old else None,
        f"f{number}" if on_new else None,
        kind.value if on_old else None,
        kind.value if on_new else None,
        1 if on_old else None,
        1 if on_new else None,
        *(None, None, None, None, None, False, "because"),
    )


@pytest.fixture
def judged(tmp_path: Path) -> Iterator[Callable[..., Verdict]]:
    """Give a function that judges findings, an account that goes with them, and unfinished scans."""
    opened: list[Findings] = []

    def judge_these(
        findings: Iterable[Finding] = (),
        identical: Tally = SOME,
        incomplete: dict[Side, str] | None = None,
        carried: dict[Side, int] | None = None,
        sample: Sampled | None = None,
    ) -> Verdict:
        store = Findings.create(tmp_path / f"{len(opened)}.sqlite")
        opened.append(store)
        given = list(findings)
        store.add(given)
        old = {cls: Tally() for cls in Class} | {Class.IDENTICAL: identical}
        for one in given:
            if one.old_kind is not None:
                before = old[Class(one.cls)]
                is_file = one.old_kind == Kind.FILE
                old[Class(one.cls)] = Tally(before.entries + 1, before.files + is_file, before.bytes + is_file)
        return judge(store, {Side.OLD: old, Side.NEW: old}, incomplete or {}, carried, sample)

    yield judge_these
    for store in opened:
        store.close()


def test_nothing_found_is_trustworthy_and_says_what_it_rests_on(judged: Callable[..., Verdict]) -> None:
    """A clean run names how much was read."""
    verdict = judged(identical=Tally(1300, 1234, 5))
    assert verdict.kind is VerdictKind.TRUSTWORTHY
    assert verdict.reasons == ("1,234 files read on both sides, every one with the same content",)
    assert verdict.exit_code == 0


@pytest.mark.parametrize(
    "carried", [{Side.OLD: 1}, {Side.NEW: 1234}, {Side.OLD: 5, Side.NEW: 1}, {Side.OLD: 0, Side.NEW: 7}], ids=str
)
def test_what_was_not_read_now_is_said_and_never_claimed_as_read(
    judged: Callable[..., Verdict], carried: dict[Side, int]
) -> None:
    """Files that are known from an earlier scan are a reason of their own, for each side that has any."""
    verdict = judged(identical=Tally(1300, 1234, 5), carried=carried)
    assert verdict.kind is VerdictKind.TRUSTWORTHY
    assert verdict.reasons[0] == "1,234 files on both sides, every one with the same content"
    assert verdict.reasons[1:] == tuple(
        f"{count_of(number, 'file', 'files')} of the {side} side not read now: known from an earlier scan, unchanged "
        "since by size and times"
        for side, number in carried.items()
        if number
    )
    assert not any(" read on " in reason for reason in verdict.reasons)


def test_nothing_carried_needs_no_mention(judged: Callable[..., Verdict]) -> None:
    """Zeros are not a reason: then every file was read."""
    assert judged(carried={Side.OLD: 0, Side.NEW: 0}) == judged()


def test_one_file_is_one_file(judged: Callable[..., Verdict]) -> None:
    """Numbers and nouns agree."""
    assert judged(identical=Tally(1, 1, 5)).reasons[0].startswith("1 file read")


@pytest.mark.parametrize("cls", [cls for cls in Class if cls is not Class.IDENTICAL])
def test_each_class_leads_to_the_verdict_of_the_contract(judged: Callable[..., Verdict], cls: Class) -> None:
    """missing, content-changed and kind-changed block trust; what was not read or settled is inconclusive."""
    blocks = {Class.MISSING, Class.CONTENT_CHANGED, Class.KIND_CHANGED}
    unsure = {Class.UNREADABLE, Class.UNSETTLED, Class.UNPROVEN}
    expected = (
        VerdictKind.NOT_TRUSTWORTHY
        if cls in blocks
        else VerdictKind.INCONCLUSIVE
        if cls in unsure
        else VerdictKind.TRUSTWORTHY
    )
    verdict = judged([finding(cls)])
    assert verdict.kind is expected
    assert verdict.exit_code == {"not-trustworthy": 1, "inconclusive": 3, "trustworthy": 0}[expected]
    if expected is not VerdictKind.TRUSTWORTHY:
        assert verdict.reasons == (f"1 file {PHRASES[cls]}",)


def test_a_blocker_outweighs_inconclusive_and_both_are_told(judged: Callable[..., Verdict]) -> None:
    """Not trustworthy, and what is also unread comes after it."""
    verdict = judged([finding(Class.UNREADABLE, number=1), finding(Class.MISSING, number=2)])
    assert verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert verdict.reasons == ("1 file missing", "1 file that could not be read or listed")


def test_an_unfinished_scan_is_inconclusive_on_either_side(judged: Callable[..., Verdict]) -> None:
    """Each side's reason is told, and neither lets a blocker go unsaid."""
    for incomplete in ({Side.OLD: "stopped"}, {Side.NEW: "stopped"}, {Side.OLD: "stopped", Side.NEW: "share gone"}):
        verdict = judged(incomplete=incomplete)
        assert verdict.kind is VerdictKind.INCONCLUSIVE
        assert verdict.reasons == tuple(
            f"the scan of the {side} side is incomplete: {why}" for side, why in incomplete.items()
        )
    verdict = judged([finding(Class.MISSING)], incomplete={Side.NEW: "stopped"})
    assert verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert verdict.reasons == ("1 file missing", "the scan of the new side is incomplete: stopped")


@pytest.mark.parametrize(
    "findings",
    [
        [],
        [finding(Class.CLUTTER)],
        [finding(Class.EXTRA)],
        [finding(Class.IDENTICAL, kind=Kind.DIRECTORY), finding(Class.METADATA_ONLY, kind=Kind.DIRECTORY)],
        [finding(Class.RELOCATED, kind=Kind.LINK)],
        [finding(Class.DRIFT)._replace(new_path=None, new_kind=None, new_size=None)],
    ],
    ids=[
        "nothing at all",
        "only clutter",
        "only extra files",
        "only folders",
        "only links",
        "only files not copied yet",
    ],
)
def test_nothing_to_check_is_not_success(judged: Callable[..., Verdict], findings: list[Finding]) -> None:
    """Without one file whose content was compared there is no trust."""
    verdict = judged(findings, identical=Tally(5, 0, 0))
    assert verdict.kind is VerdictKind.INCONCLUSIVE
    assert "nothing to check is not success" in verdict.reasons[-1]


SAMPLE: Final = Sampled("20", 1, 1000, 20, 20, 0, 138)
WHOLE: Final = Sampled("100%", 1, 1000, 1000, 1000, 0, 0)


def test_a_sample_is_inconclusive_and_its_bound_comes_before_what_was_not_read(judged: Callable[..., Verdict]) -> None:
    """What was read says more than what was not, however much that is."""
    unread = [finding(Class.UNPROVEN, number=n) for n in range(5)]
    verdict = judged([*unread, finding(Class.UNREADABLE, number=9)], sample=SAMPLE)
    assert verdict.kind is VerdictKind.INCONCLUSIVE
    assert verdict.reasons == (
        "20 of 1,000 files read, none differ: with 95 % confidence at most 13.8 % of them differ",
        "1 file that could not be read or listed",
        "5 files not read on both sides",
    )


def test_a_sample_never_proves_a_copy_whatever_the_policy_says(judged: Callable[..., Verdict]) -> None:
    """Unread files that are weighed as nothing are unread all the same."""
    verdict = judged([finding(Class.UNPROVEN, Severity.NOTE)], sample=SAMPLE)
    assert verdict.kind is VerdictKind.INCONCLUSIVE
    assert verdict.reasons == (SAMPLE.reason,)


def test_damage_outweighs_a_sample_and_the_bound_is_still_said(judged: Callable[..., Verdict]) -> None:
    """What is found in the sample comes first, then what it means for the rest."""
    found = Sampled("20", 1, 1000, 20, 20, 1, 216)
    verdict = judged([finding(Class.CONTENT_CHANGED)], sample=found)
    assert verdict.kind is VerdictKind.NOT_TRUSTWORTHY
    assert verdict.reasons == (
        "1 file with changed content",
        "1 of 20 read differ: with 95 % confidence at most 21.6 % of 1,000 files do",
    )


def test_a_sample_of_everything_is_judged_by_the_ordinary_rules(judged: Callable[..., Verdict]) -> None:
    """Nothing was left out: it may be trustworthy, and what is still unread counts as ever."""
    assert judged(sample=WHOLE).kind is VerdictKind.TRUSTWORTHY
    assert judged(sample=WHOLE).reasons == judged().reasons
    assert judged([finding(Class.UNPROVEN)], sample=WHOLE).reasons == ("1 file not read on both sides",)


def test_a_policy_that_weighs_a_loss_lightly_is_followed(judged: Callable[..., Verdict]) -> None:
    """The severity that the policy gave decides, not the class."""
    assert judged([finding(Class.MISSING, Severity.NOTE)]).kind is VerdictKind.TRUSTWORTHY
    assert judged([finding(Class.EXTRA, Severity.BLOCKER)]).kind is VerdictKind.NOT_TRUSTWORTHY
    assert judged([finding(Class.EXTRA, Severity.BLOCKER)]).reasons == ("1 file on the new side only",)
    assert judged([finding(Class.DRIFT, Severity.INCONCLUSIVE)]).kind is VerdictKind.INCONCLUSIVE
    assert judged([finding(Class.DRIFT, Severity.ATTENTION)]).kind is VerdictKind.TRUSTWORTHY


def test_a_class_under_two_severities_is_counted_under_each(judged: Callable[..., Verdict]) -> None:
    """Only what weighs as a blocker is given as one."""
    verdict = judged(
        [finding(Class.METADATA_ONLY, Severity.BLOCKER, number=1)]
        + [finding(Class.METADATA_ONLY, Severity.NOTE, number=n) for n in (2, 3)]
    )
    assert verdict.reasons == ("1 file with other metadata",)


def test_reasons_come_in_the_order_of_the_classes_and_count_kinds_apart(judged: Callable[..., Verdict]) -> None:
    """Losses first, then damage; files, folders, links and the rest in words."""
    findings = [finding(Class.KIND_CHANGED, number=0)]
    findings += [
        finding(Class.CONTENT_CHANGED, kind=kind, number=n) for n, kind in enumerate([Kind.FILE, Kind.LINK], 1)
    ]
    kinds = [Kind.FILE, Kind.FILE, Kind.DIRECTORY, Kind.LINK, Kind.FIFO, Kind.SOCKET]
    findings += [finding(Class.MISSING, kind=kind, number=n) for n, kind in enumerate(kinds, 10)]
    assert judged(findings).reasons == (
        "2 files, 1 folder, 1 link and 2 other entries missing",
        "1 file and 1 link with changed content",
        "1 file of another kind",
    )


def test_a_trustworthy_copy_still_says_what_is_left_to_do(judged: Callable[..., Verdict]) -> None:
    """What is still to be copied and what needs a decision is said beside the good news."""
    late = finding(Class.DRIFT)._replace(drift_side="old")
    bin_ = finding(Class.CLUTTER, number=2)._replace(decision=True)
    verdict = judged([late, bin_])
    assert verdict.kind is VerdictKind.TRUSTWORTHY
    assert len(verdict.reasons) == 3
    assert "still to be copied" in verdict.reasons[1]
    assert "decision" in verdict.reasons[2]


@pytest.mark.parametrize(
    ("number", "words"), [(1, "1 file set aside by a rule needs"), (2, "2 files set aside by a rule need")]
)
def test_a_verb_agrees_with_its_number(judged: Callable[..., Verdict], number: int, words: str) -> None:
    """One file needs a decision, two need one."""
    reasons = judged([finding(Class.CLUTTER, number=n)._replace(decision=True) for n in range(number)]).reasons
    assert reasons[-1].startswith(f"{words} a decision")


@pytest.mark.parametrize(
    ("counts", "text"),
    [
        ((1, 0, 0, 0), "1 file"),
        ((0, 1, 0, 0), "1 folder"),
        ((0, 0, 1, 0), "1 link"),
        ((0, 0, 0, 1), "1 other entry"),
        ((2, 2, 0, 0), "2 files and 2 folders"),
        ((12345, 0, 2, 1), "12,345 files, 2 links and 1 other entry"),
        ((1, 1, 1, 1), "1 file, 1 folder, 1 link and 1 other entry"),
        ((0, 0, 0, 2), "2 other entries"),
        ((0, 0, 0, 0), ""),
    ],
)
def test_things_are_counted_in_words(counts: tuple[int, int, int, int], text: str) -> None:
    """Singular and plural, thousands apart, and what there is none of is left out."""
    assert things(*counts) == text


def test_a_count_agrees_with_its_noun() -> None:
    """One is singular, everything else is not."""
    assert [count_of(n, "file", "files") for n in (0, 1, 2, 1000)] == ["0 files", "1 file", "2 files", "1,000 files"]


def test_every_verdict_has_an_exit_code_and_every_class_its_words() -> None:
    """The contract's table of exit codes, and no class that a reason could not name."""
    assert {kind.value: code for kind, code in EXIT_CODES.items()} == {
        "trustworthy": 0,
        "trustworthy-with-exceptions": 0,
        "not-trustworthy": 1,
        "inconclusive": 3,
    }
    assert set(PHRASES) == set(Class)
    assert set(DEFAULT_SEVERITY) == set(Class)
