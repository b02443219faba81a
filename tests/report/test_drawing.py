"""What the page draws: to scale, nothing that matters too small to be seen, and the same in words."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.report.evidence import IDENTICAL, finding, one_of_each, wanted, written
from verifier.classes import Class, Severity, Side
from verifier.errors import ManifestDamaged
from verifier.reconcile.findings import Tally
from verifier.reconcile.folders import FolderSize, Ground
from verifier.report import drawing
from verifier.report.drawing import (
    FROM_ELSEWHERE,
    LONGEST_NAME,
    MOST_BLOCKS,
    MOST_SHELVES,
    NOTHING,
    SMALLEST,
    Bar,
    Fill,
    Picture,
    Shelf,
    bars,
    picture,
)
from verifier.tree.names import shown, to_text

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from verifier.reconcile.findings import Finding


# ---- The balance


def drawn_bars(folder: Path, findings: Iterable[Finding], **given: Any) -> dict[tuple[Side, str], Bar]:
    """Return the balance of some findings, by side and by what a bar's length stands for."""
    with written(folder, findings, **given) as (context, _):
        return {(bar.side, bar.by): bar for bar in bars(context)}


def test_the_balance_is_drawn_to_scale(tmp_path: Path) -> None:
    """Each class is as long as its bytes or entries, as a share of the larger side, one piece after the other."""
    findings = [
        *(finding(Class.MISSING, f"m/{n}", old_size=2000) for n in range(10)),
        finding(Class.CONTENT_CHANGED, "c", "c", old_size=0, new_size=5000),
    ]
    drawn = drawn_bars(tmp_path, findings)
    assert list(drawn) == [(side, by) for by in ("bytes", "entries") for side in Side]
    told = {
        key: [(piece.title, round(piece.begin, 6), round(piece.length, 6)) for piece in bar.pieces]
        for key, bar in drawn.items()
    }
    entries = IDENTICAL.entries + 11
    assert told == {
        (Side.OLD, "bytes"): [("identical", 0, 20), ("missing", 20, 80)],
        (Side.NEW, "bytes"): [("identical", 0, 20), ("content-changed", 20, 20)],
        (Side.OLD, "entries"): [
            ("identical", 0, round(4000 / entries, 6)),
            ("missing", round(4000 / entries, 6), round(1000 / entries, 6)),
            ("content-changed", round(5000 / entries, 6), round(100 / entries, 6)),
        ],
        (Side.NEW, "entries"): [
            ("identical", 0, round(4000 / entries, 6)),
            ("content-changed", round(4000 / entries, 6), round(100 / entries, 6)),
        ],
    }


def test_the_pieces_of_a_side_add_up_to_the_side(tmp_path: Path) -> None:
    """No class is left out and none overlaps: the pieces touch, and end where the side ends."""
    with written(tmp_path, one_of_each()) as (context, _):
        drawn = bars(context)
        wholes = {
            by: {side: sum(t[number] for t in facts.account.values()) for side, facts in context.sides.items()}
            for by, number in (("bytes", 2), ("entries", 0))
        }
    assert len(drawn) == 4
    for bar in drawn:
        end = 0.0
        for piece in bar.pieces:
            assert piece.begin == pytest.approx(end)
            assert piece.length > 0
            end = piece.begin + piece.length
        assert end == pytest.approx(100 * wholes[bar.by][bar.side] / max(wholes[bar.by].values()))
    assert {piece.title for bar in drawn for piece in bar.pieces} == {cls.value for cls in Class}


def test_sides_without_bytes_have_no_bar_of_bytes(tmp_path: Path) -> None:
    """Nothing is divided by nothing: where neither side has bytes, only entries are drawn."""
    with written(tmp_path) as (context, _):
        empty = {cls: Tally(3) if cls is Class.IDENTICAL else Tally() for cls in Class}
        sides = {side: replace(facts, account=empty) for side, facts in context.sides.items()}
        assert {bar.by for bar in bars(replace(context, sides=sides))} == {"entries"}


def test_a_class_is_filled_by_the_gravest_that_is_open(tmp_path: Path) -> None:
    """What weighs most fills a class; what a policy makes light, or somebody accepted, is no longer in the way."""
    findings = [
        finding(Class.MISSING, "m/1"),
        finding(Class.UNREADABLE, "u"),
        finding(Class.NAME_ALTERED, "n", "N"),
        finding(Class.METADATA_ONLY, "t/1", "t/1", fields="mtime"),
        finding(Class.METADATA_ONLY, "t/2", "t/2", fields="acl", severity="attention"),
        finding(Class.EXTRA, None, "e", severity="none"),
        finding(Class.CLUTTER, "b", rule="bin", decision=True),
        finding(Class.CONTENT_CHANGED, "rotten", "rotten"),
    ]
    accepted = [wanted("rotten", Class.CONTENT_CHANGED)]
    drawn = drawn_bars(tmp_path, findings, exceptions=accepted)
    fills = {piece.title: piece.fill for bar in drawn.values() for piece in bar.pieces}
    assert fills == {
        "identical": Fill.SAME,
        "missing": Fill.WAY,
        "unreadable": Fill.OPEN,
        "name-altered": Fill.LOOK,
        "metadata-only": Fill.LOOK,
        "extra": Fill.NOTED,
        "clutter": Fill.NOTED,
        "content-changed": Fill.NOTED,
    }


@pytest.mark.parametrize(("size", "marked"), [(21, False), (19, True)])
def test_what_matters_and_is_too_small_has_a_mark(tmp_path: Path, size: int, marked: bool) -> None:
    """A lost file is seen in the balance however small it is beside the tree; what is only noted needs no mark."""
    small = [finding(Class.MISSING, "m", old_size=size), finding(Class.DRIFT, "d", "d", old_size=1, new_size=1)]
    drawn = drawn_bars(tmp_path, small)
    pieces = {piece.title: piece for piece in drawn[Side.OLD, "bytes"].pieces}
    assert (pieces["missing"].length < SMALLEST) == marked
    assert pieces["missing"].marked == marked
    assert pieces["drift"].length < SMALLEST
    assert not pieces["drift"].marked


def test_a_lost_file_without_bytes_is_drawn_among_the_entries(tmp_path: Path) -> None:
    """What has no bytes has no piece of them, and has one of the entries."""
    drawn = drawn_bars(tmp_path, [finding(Class.MISSING, "m", old_size=0)])
    assert [piece.title for piece in drawn[Side.OLD, "bytes"].pieces] == ["identical"]
    assert [piece.title for piece in drawn[Side.OLD, "entries"].pieces] == ["identical", "missing"]


# ---- The folders


def old(path: str, size: int = 1000, entries: int = 10) -> FolderSize:
    """Return a folder of the old side."""
    return FolderSize(path, Side.OLD, entries, entries, size)


def new(path: str, size: int = 1000, entries: int = 10) -> FolderSize:
    """Return a folder that only the new side has."""
    return FolderSize(path, Side.NEW, entries, entries, size)


def drawn_folders(
    folder: Path, findings: Iterable[Finding], *sizes: FolderSize, base: str = "", others: int = 0, **given: Any
) -> Picture:
    """Return the picture of some findings on folders of these sizes."""
    ground = Ground(base, tuple(sorted(sizes)), others)
    folder.mkdir(exist_ok=True)
    with written(folder, findings, ground=ground, **given) as (_, store):
        drawn = picture(store)
    assert drawn is not None
    return drawn


def shelf_of(drawn: Picture, name: str) -> Shelf:
    """Return the one shelf of a name."""
    (found,) = [shelf for shelf in drawn.shelves if shelf.name == name]
    return found


def told(shelf: Shelf) -> list[tuple[str, float, float, Fill]]:
    """Return a shelf's pieces, positions rounded."""
    return [(p.title, round(p.begin, 6), round(p.length, 6), p.fill) for p in shelf.pieces]


def test_without_sizes_there_is_no_picture(tmp_path: Path) -> None:
    """Evidence of a check that recorded no sizes draws nothing, and makes nothing up."""
    with written(tmp_path, one_of_each()) as (_, store):
        assert picture(store) is None


@pytest.mark.parametrize("text", ["", "{}", '{"base":"","folders":[["a","old",1,1,-1]],"others":0}'])
def test_sizes_that_were_altered_are_an_error_of_one_line(tmp_path: Path, text: str) -> None:
    """An evidence file that somebody changed ends in a known error that names it."""
    with written(tmp_path, ground=text) as (_, store), pytest.raises(ManifestDamaged, match=r"findings\.sqlite.*check"):
        picture(store)


def test_folders_are_drawn_largest_first_and_to_scale(tmp_path: Path) -> None:
    """A bar is divided by bytes, in the order of names, with what lies in no folder of its own at the end."""
    drawn = drawn_folders(
        tmp_path, [], old("small", 10, 1), old("large", 1000, 5), old("large/b", 100), old("large/a", 300)
    )
    assert [shelf.name for shelf in drawn.shelves] == ["large", "small"]
    assert told(drawn.shelves[0]) == [
        ("a: nothing found", 0, 30, Fill.SAME),
        ("b: nothing found", 30, 10, Fill.SAME),
        ("everything else: nothing found", 40, 60, Fill.SAME),
    ]
    assert drawn.shelves[0].tally == Tally(6, 5, 1000), "the folder itself is one entry more"
    assert drawn.shelves[0].words == NOTHING
    assert not drawn.shelves[0].grave
    assert drawn.left_out == 0
    assert drawn.elsewhere == NOTHING


@pytest.mark.parametrize(
    ("size", "steps"), [(0, 0), (1, 0), (9, 0), (10, 1), (99, 1), (100, 2), (10**9, 9), (10**15, 15), (2**63 - 1, 18)]
)
def test_a_bar_grows_by_one_step_for_ten_times_as_many_bytes(tmp_path: Path, size: int, steps: int) -> None:
    """The height tells how much a folder holds, and is never nothing."""
    assert drawn_folders(tmp_path, [], old("a", size)).shelves[0].height == 6 + 2 * steps


def test_a_folder_is_shaded_by_the_gravest_found_in_it(tmp_path: Path) -> None:
    """One lost file among a thousand notes shades its folder; words count everything, rules' finds last."""
    findings = [
        *(finding(Class.METADATA_ONLY, f"t/x/{n:03}", f"t/x/{n:03}", fields="mtime") for n in range(300)),
        finding(Class.CLUTTER, "t/x/Thumbs.db", rule="previews"),
        finding(Class.MISSING, "t/x/deep/er/lost"),
        finding(Class.NAME_ALTERED, "t/y/a", "t/y/A"),
        finding(Class.UNREADABLE, "t/z/a"),
        finding(Class.EXTRA, None, "t/n/a"),
        finding(Class.UNPROVEN, "t/file"),
    ]
    inner = [old(f"t/{name}", 100) for name in "xyzn"]
    shelf = shelf_of(drawn_folders(tmp_path, findings, old("t"), *inner), "t")
    assert told(shelf) == [
        ("n: 1 on the new side only", 0, 10, Fill.NOTED),
        ("x: 1 missing, 300 with other metadata, 1 set aside by a rule", 10, 10, Fill.WAY),
        ("y: 1 under an altered name", 20, 10, Fill.LOOK),
        ("z: 1 entry that could not be read or listed", 30, 10, Fill.OPEN),
        ("everything else: 1 not read on both sides", 40, 60, Fill.OPEN),
    ]
    assert shelf.grave == tuple(p.title for p in shelf.pieces if p.fill in (Fill.WAY, Fill.OPEN))
    assert shelf.words.startswith(
        "1 missing, 1 entry that could not be read or listed, 1 not read on both sides, 1 under an"
    )


def test_a_policy_and_what_was_accepted_shade_a_folder(tmp_path: Path) -> None:
    """A folder is in the way by the weight of what is open in it, not by its class."""
    findings = [
        finding(Class.MISSING, "a/accepted"),
        finding(Class.EXTRA, None, "b/one", severity="blocker"),
        finding(Class.MISSING, "c/light", severity="none"),
    ]
    sizes = [old(name) for name in "abc"]
    drawn = drawn_folders(tmp_path, findings, *sizes, exceptions=[wanted("a/")])
    assert {shelf.name: shelf.pieces[0].fill for shelf in drawn.shelves} == {
        "a": Fill.NOTED,
        "b": Fill.WAY,
        "c": Fill.NOTED,
    }
    assert shelf_of(drawn, "a").words == "1 missing"


def test_a_folder_itself_counts_in_its_place(tmp_path: Path) -> None:
    """A finding about a folder belongs to it, and one about a file of the same place to what lies above."""
    gone = {"old_kind": "directory", "old_size": None}
    findings = [
        finding(Class.MISSING, "t", **gone),
        finding(Class.MISSING, "t/x", **gone),
        finding(Class.KIND_CHANGED, "f", "f", new_kind="directory"),
    ]
    drawn = drawn_folders(tmp_path, findings, old("t"), old("t/x", 10), new("f"))
    assert shelf_of(drawn, "t").words == "2 missing"
    assert shelf_of(drawn, "t").pieces[0].title == "x: 1 missing"
    assert shelf_of(drawn, "t").pieces[1].title == "everything else: 1 missing"
    assert shelf_of(drawn, "f").words == FROM_ELSEWHERE
    assert drawn.elsewhere == "1 of another kind"


def test_neighbours_with_the_same_beginning_are_not_mixed_up(tmp_path: Path) -> None:
    """A finding is placed by whole names of folders, also where one name begins another or sorts into it."""
    findings = [finding(Class.MISSING, f"{name}/lost") for name in ("a", "a!", "a-b", "ab", "a/a", "A")]
    drawn = drawn_folders(tmp_path, findings, old("a"), old("a!"), old("a/a", 1), old("ab"))
    assert {shelf.name: shelf.words for shelf in drawn.shelves} == {
        "a": "2 missing",
        "a!": "1 missing",
        "ab": "1 missing",
    }
    assert drawn.elsewhere == "2 missing"


def test_below_a_base_folders_are_drawn_and_the_rest_is_told(tmp_path: Path) -> None:
    """What lies beside the base, in it, or in a folder that was not measured is counted where nothing is drawn."""
    findings = [
        finding(Class.MISSING, "data/scans/a/lost"),
        finding(Class.MISSING, "data/scans/a/b/lost"),
        finding(Class.MISSING, "data/scans/lost"),
        finding(Class.UNSETTLED, "data/scans/unmeasured/x"),
        finding(Class.EXTRA, None, "beside/a"),
        finding(Class.EXTRA, None, "data/scans2/a"),
    ]
    drawn = drawn_folders(tmp_path, findings, old("data/scans/a"), old("data/scans/a/b", 1), base="data/scans")
    assert drawn.base == "data/scans"
    assert [shelf.name for shelf in drawn.shelves] == ["a"]
    assert drawn.shelves[0].words == "2 missing"
    assert drawn.elsewhere == "1 missing, 1 entry that changed while being read, 2 on the new side only"


def test_what_only_the_new_side_has_is_said_to_be_new(tmp_path: Path) -> None:
    """A folder of the new side says what is new in it; one that holds what came from elsewhere says that."""
    findings = [finding(Class.EXTRA, None, "made/x"), finding(Class.RELOCATED, "was/x", "moved/x")]
    drawn = drawn_folders(tmp_path, findings, old("was"), new("made"), new("moved"))
    assert [shelf_of(drawn, name).only_new for name in ("was", "made", "moved")] == [False, True, True]
    assert shelf_of(drawn, "made").words == "1 on the new side only"
    assert shelf_of(drawn, "moved").words == FROM_ELSEWHERE
    assert shelf_of(drawn, "was").words == "1 at another place"


def test_no_crowd_of_large_folders_hides_one_with_damage(tmp_path: Path) -> None:
    """Folders in the way are drawn before larger ones, and what is in those that are not drawn is counted."""
    clean = [old(f"clean{n:02}", 10**6 + n) for n in range(MOST_SHELVES + 3)]
    findings = [
        finding(Class.MISSING, "tiny/lost"),
        finding(Class.EXTRA, None, "clean00/more"),
        finding(Class.EXTRA, None, "clean26/more"),
    ]
    drawn = drawn_folders(tmp_path, findings, *clean, old("tiny", 1), others=5)
    assert len(drawn.shelves) == MOST_SHELVES
    assert drawn.shelves[-1].name == "tiny"
    assert [s.tally.bytes for s in drawn.shelves] == sorted((s.tally.bytes for s in drawn.shelves), reverse=True)
    assert drawn.left_out == 4 + 5
    assert drawn.elsewhere == "1 on the new side only"


def test_no_crowd_of_folders_inside_hides_one_with_damage(tmp_path: Path) -> None:
    """Of many folders inside one, those in the way have a piece; what is found in the others is not lost."""
    inner = [old(f"t/s{n:02}", 1000 + n) for n in range(MOST_BLOCKS + 15)]
    findings = [finding(Class.MISSING, f"t/s{n:02}/lost") for n in range(MOST_BLOCKS + 5)]
    shelf = shelf_of(drawn_folders(tmp_path, findings, old("t", 100_000), *inner), "t")
    *blocks, rest = shelf.pieces
    assert len(blocks) == MOST_BLOCKS
    assert all(block.fill is Fill.WAY for block in blocks)
    assert rest.title == "everything else: 5 missing"
    assert rest.fill is Fill.WAY
    assert rest.begin + rest.length == pytest.approx(100)
    assert sum(int(title.split(": ")[1].split()[0]) for title in shelf.grave) == MOST_BLOCKS + 5


def test_damage_in_a_folder_without_bytes_is_still_drawn(tmp_path: Path) -> None:
    """What is in the way has a piece and a mark where there is nothing to be long; what is not has none."""
    findings = [finding(Class.MISSING, "t/empty/lost", old_size=0), finding(Class.DRIFT, "t/moved/x", "t/moved/x")]
    sizes = [old("t", 1000), old("t/empty", 0), old("t/moved", 0), old("t/full", 1000)]
    shelf = shelf_of(drawn_folders(tmp_path / "one", findings, *sizes), "t")
    assert [(p.title.split(":")[0], p.begin, p.length, p.marked) for p in shelf.pieces] == [
        ("empty", 0, 0, True),
        ("full", 0, 100, False),
    ]
    alone = drawn_folders(tmp_path / "two", [finding(Class.MISSING, "t/lost")], old("t", 0))
    assert [(p.length, p.marked) for p in shelf_of(alone, "t").pieces] == [(0, True)]


@pytest.mark.parametrize("raw", [b"<script>&\"'", b"\xff\xfe", b"a\nb", "\u202egpj.exe".encode(), b"\\"], ids=repr)
def test_hostile_folder_names_are_told_as_they_may_be_shown(tmp_path: Path, raw: bytes) -> None:
    """A folder's name stands in the drawing as anywhere else, and its findings are found under it."""
    name = to_text(raw)
    findings = [finding(Class.MISSING, f"{name}/{name}/lost")]
    drawn = drawn_folders(tmp_path, findings, old(name), old(f"{name}/{name}"))
    assert drawn.shelves[0].name == shown(name)
    assert drawn.shelves[0].pieces[0].title == f"{shown(name)}: 1 missing"
    below = drawn_folders(tmp_path / "below", findings, old(f"{name}/{name}"), base=name)
    assert below.base == shown(name)


def test_a_very_long_name_is_cut_and_says_so(tmp_path: Path) -> None:
    """Beginning and end of a folder's name are drawn, and how much is between them."""
    drawn = drawn_folders(tmp_path, [], old("a" * 100 + "z" * 100))
    half = LONGEST_NAME // 2
    assert drawn.shelves[0].name == f"{'a' * half} [{200 - 2 * half} characters left out here] {'z' * half}"
    assert drawn_folders(tmp_path / "fits", [], old("a" * LONGEST_NAME)).shelves[0].name == "a" * LONGEST_NAME


def test_titles_take_no_more_than_their_share(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where names are long, the last pieces go without a title; pieces and words are all there."""
    monkeypatch.setattr(drawing, "TITLES_BYTES", 300)
    sizes = [old(f"t{t}", 1000 - t) for t in range(3)] + [
        old(f"t{t}/{'&' * 30}{n}", 10) for t in range(3) for n in "ab"
    ]
    shelves = drawn_folders(tmp_path, [], *sizes).shelves
    titles = [piece.title for shelf in shelves for piece in shelf.pieces]
    assert len(titles) == 9
    assert titles[0]
    assert not titles[-1]
    assert sum(len(title.replace("&", "&amp;")) for title in titles) <= 300
    assert [shelf.words for shelf in shelves] == [NOTHING] * 3


@pytest.mark.parametrize("severity", Severity)
def test_every_weight_has_a_fill_and_a_word(tmp_path: Path, severity: Severity) -> None:
    """Whatever a finding weighs, it shades its folder, and the legend, which begins with the gravest, knows how."""
    drawn = drawn_folders(tmp_path, [finding(Class.DRIFT, "t/a", "t/a", severity=severity.value)], old("t"))
    assert drawn.shelves[0].pieces[0].fill is not Fill.SAME
    assert list(drawing.FILL_WORDS) == list(Fill)
