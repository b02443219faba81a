"""Which of several copies became which: the closest name and folder, by number, and what is said of the rest."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import file, folder, reconciled
from verifier.classes import Class, Side
from verifier.reconcile.closeness import MOST_COPIES, closest
from verifier.reconcile.options import PlaceMap
from verifier.rules.load import load_rules

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tests.reconcile.trees import Outcome

OTHERS: Final = "others"


def paired(old: Sequence[str], new: Sequence[str]) -> list[tuple[str, str]]:
    """Pair paths that are expected where they were."""
    return closest(dict(zip(old, old, strict=True)), dict(zip(new, new, strict=True)))


def moves(old: Iterable[str], new: Iterable[str], **options: Any) -> dict[str | None, str | None]:
    """Return where each old path went that is a copy of one content; None where it went nowhere, or came from."""
    outcome = reconciled([*map(file, old), file(OTHERS, b"x")], [*map(file, new), file(OTHERS, b"x")], **options)
    return {one.old_path: one.new_path for one in outcome.findings if "file" in (one.old_kind, one.new_kind)}


# ---- By name and folder


@pytest.mark.parametrize(
    ("old", "new", "pairs"),
    [
        pytest.param(
            ["a/left.jpg", "a/right.jpg"],
            ["b/right (2).jpg", "b/left (2).jpg"],
            {"a/left.jpg": "b/left (2).jpg", "a/right.jpg": "b/right (2).jpg"},
            id="the more alike name",
        ),
        pytest.param(
            ["a/one", "b/two"],
            ["b/x", "a/y"],
            {"a/one": "a/y", "b/two": "b/x"},
            id="the same folder before any name",
        ),
        pytest.param(
            ["north/plan.dwg", "south/plan.dwg"],
            ["z/south/plan.dwg", "y/north/plan.dwg"],
            {"north/plan.dwg": "y/north/plan.dwg", "south/plan.dwg": "z/south/plan.dwg"},
            id="the same end of the path",
        ),
        pytest.param(
            ["a/plan.dwg", "b/draft.dwg"],
            ["c/plan.dwg", "a/other.xyz"],
            {"a/plan.dwg": "c/plan.dwg", "b/draft.dwg": "a/other.xyz"},
            id="the same name before the same folder",
        ),
        pytest.param(
            ["top/a/1.x", "top/a/2.x"],
            ["other/b/1-.x", "top/b/9.x", "top/b/2-.x"],
            {"top/a/2.x": "top/b/2-.x", "top/a/1.x": "other/b/1-.x", None: "top/b/9.x"},
            id="names before what paths begin with",
        ),
    ],
)
def test_copies_go_to_the_closest(old: list[str], new: list[str], pairs: dict[str | None, str]) -> None:
    """Of several copies the ones with most in common are one file that was moved: name, then folder, then the rest."""
    assert moves(old, new) == pairs


@pytest.mark.parametrize(
    ("old", "new", "pairs"),
    [
        pytest.param(
            ["2023/in/logo.png", "2024/in/logo.png"],
            ["archive/2024/in/logo.png"],
            {"2024/in/logo.png": "archive/2024/in/logo.png", "2023/in/logo.png": None},
            id="one of two was lost",
        ),
        pytest.param(
            ["2024/in/logo.png"],
            ["a/2023/in/logo.png", "a/2024/in/logo.png"],
            {"2024/in/logo.png": "a/2024/in/logo.png", None: "a/2023/in/logo.png"},
            id="one of two is new",
        ),
        pytest.param(
            ["work/a/logo.png"],
            ["other/b/logo.png", "work/c/logo.png"],
            {"work/a/logo.png": "work/c/logo.png", None: "other/b/logo.png"},
            id="nearer by its beginning",
        ),
    ],
)
def test_copies_of_one_name_go_to_the_closest_too(old: list[str], new: list[str], pairs: dict[str | None, str]) -> None:
    """That many folders hold a file of one name makes folders count more, not less: the right one is called lost."""
    assert moves(old, new) == pairs


def test_closeness_is_measured_without_maps_from_where_a_file_was() -> None:
    """Without a map the folder that a file was in is the folder that it is looked for in."""
    old = ["shelf/2023/aaa.jpg", "shelf/2024/z.jpg"]
    assert moves(old, ["shelf/2024/aa.jpg", "shelf/2023/keep"])[old[1]] == "shelf/2024/aa.jpg"


def test_closeness_is_measured_from_the_mapped_place() -> None:
    """With a map the mapped place is the right place, and what is nearest to it is the file."""
    old = ["shelf/2023/aaa.jpg", "shelf/2024/z.jpg"]
    new = ["library/shelf/2024/aa.jpg", "library/shelf/2023/keep"]
    found = moves(old, new, maps=(PlaceMap("shelf", "library/shelf"),))
    assert found[old[1]] == "library/shelf/2024/aa.jpg"


PATHS: Final = st.lists(st.sampled_from(["a", "b", "ab", "abc", "x y", "\u00e9", "c.d"]), min_size=1, max_size=3).map(
    "/".join
)
SOME: Final = st.lists(PATHS, max_size=6, unique=True)


@given(old=SOME, new=SOME)
def test_pairs_are_one_to_one_and_as_many_as_there_can_be(old: list[str], new: list[str]) -> None:
    """Nobody is paired twice, nobody is left while somebody of the other side is left, and order plays no part."""
    pairs = paired(old, new)
    assert len(pairs) == min(len(old), len(new))
    assert len({one for one, _ in pairs}) == len({other for _, other in pairs}) == len(pairs)
    assert {one for one, _ in pairs} <= set(old)
    assert {other for _, other in pairs} <= set(new)
    assert paired(old[::-1], new[::-1]) == pairs


@given(paths=SOME, more=SOME)
def test_a_path_is_closest_to_itself(paths: list[str], more: list[str]) -> None:
    """Whatever else there is, who has the same path is the partner."""
    assert set(zip(paths, paths, strict=True)) <= set(paired(paths, [*paths, *(set(more) - set(paths))]))


def test_closeness_is_the_same_seen_from_either_side() -> None:
    """Who is closest to whom does not depend on which side is called old."""
    old, new = ["x/acb"], ["y/bab", "y/daba"]
    assert set(paired(old, new)) == {(one, other) for other, one in paired(new, old)}


# ---- Very many copies


@pytest.mark.parametrize(("old_copies", "new_copies"), [(MOST_COPIES - 2, 2), (MOST_COPIES, 2), (40, 38), (3, 40)])
def test_more_copies_than_can_be_compared_are_paired_by_number(old_copies: int, new_copies: int) -> None:
    """Beyond the limit nobody looks for the closest, and not one copy more or less is lost."""
    outcome = reconciled(
        [*(file(f"a/{n:02}-old") for n in range(old_copies)), file(OTHERS, b"x")],
        [*(file(f"b/{n:02}-new") for n in range(new_copies)), file(OTHERS, b"x")],
    )
    old, new = outcome.accounts[Side.OLD], outcome.accounts[Side.NEW]
    both = min(old_copies, new_copies)
    assert (old[Class.RELOCATED].files, old[Class.MISSING].files) == (both, old_copies - both)
    assert (new[Class.RELOCATED].files, new[Class.EXTRA].files) == (both, new_copies - both)
    # What is left over is the end of the paths' order, where nobody chose.
    if old_copies + new_copies > MOST_COPIES:
        files = [one for one in outcome.findings if "file" in (one.old_kind, one.new_kind)]
        lost = [one.old_path for one in files if one.cls == Class.MISSING]
        assert lost == [f"a/{n:02}-old" for n in range(both, old_copies)]


# ---- How many arrived


def reason(outcome: Outcome, path: str) -> str:
    """Return why a path is missing."""
    found = outcome.at(path)
    assert found.cls == Class.MISSING
    return found.reason


def test_three_of_four_copies_arrived() -> None:
    """A lost duplicate is missing, and says how many there were, how many came, and where one of them is."""
    old = [file(f"{room}/plan") for room in "abcd"]
    outcome = reconciled(old, [file("a/plan"), file("b/plan"), file("c/plan")])
    assert outcome.of(Class.MISSING) == [("d", None), ("d/plan", None)]
    assert reason(outcome, "d/plan") == (
        "not on the new side under this name; 3 of 4 copies arrived, one of them is a/plan"
    )


def test_copies_that_were_moved_have_arrived() -> None:
    """Where they are plays no part in how many there are."""
    old = [*(file(f"{room}/plan") for room in "abcd"), file("m", b"m")]
    outcome = reconciled(old, [file("m", b"m"), file("x/1"), file("y/2")])
    lost = [path for path, _ in outcome.of(Class.MISSING) if path and path.endswith("plan")]
    assert len(lost) == 2
    for path in lost:
        assert "2 of 4 copies arrived, one of them is x/1" in reason(outcome, path)


def test_content_that_is_another_files_now_survives() -> None:
    """A file whose content another one took over is lost as itself, and the bytes are not."""
    outcome = reconciled([file("a", b"ours"), file("b", b"theirs")], [file("b", b"ours")])
    assert reason(outcome, "a") == "not on the new side under this name; its content is there as b"
    assert outcome.at("b").cls == Class.CONTENT_CHANGED


def test_content_that_is_gone_is_not_said_to_survive() -> None:
    """None of two copies arrived: there is nothing to point at."""
    outcome = reconciled([file("a"), file("b"), file("c", b"c")], [file("c", b"c")])
    assert reason(outcome, "a") == reason(outcome, "b") == "not on the new side, under this name or another"


def test_an_empty_file_never_survives_elsewhere() -> None:
    """All empty files are alike; that there is one says nothing about the one that is lost."""
    outcome = reconciled([file("a", b""), file("b", b""), file("c")], [file("b", b""), file("c")])
    assert reason(outcome, "a") == "not on the new side, under this name or another"


def test_what_was_not_read_counts_for_nothing() -> None:
    """A file of the same size whose content is not known is no copy that arrived."""
    lost = file("a", b"1234")
    unread = file("b", b"5678")._replace(digest=None, head=None, state="listed")
    outcome = reconciled([lost, file("c")], [unread, file("c")])
    assert "arrived" not in reason(outcome, "a")
    assert "is there as" not in reason(outcome, "a")


def test_the_copy_that_is_named_can_be_shown() -> None:
    """A hostile name is told as every name is."""
    outcome = reconciled([file("a"), file("b\n")], [file("b\n")])
    assert reason(outcome, "a").endswith("1 of 2 copies arrived, one of them is b\\x0a")


def test_what_a_rule_set_aside_still_says_where_bytes_are() -> None:
    """Bytes in a bin are bytes: the loss stands, and whoever looks for them is told where they lie."""
    outcome = reconciled([file("a"), file("c", b"c")], [file("$RECYCLE.BIN/$R1"), file("c", b"c")], rules=load_rules())
    assert reason(outcome, "a").endswith("its content is there as $RECYCLE.BIN/$R1")


@settings(max_examples=8)
@given(
    old=st.lists(st.sampled_from("abcdefgh"), min_size=1, max_size=6, unique=True),
    new=st.lists(st.sampled_from("abcdefgh"), max_size=6, unique=True),
)
def test_as_many_are_missing_as_there_are_fewer(old: list[str], new: list[str]) -> None:
    """Among any copies of one content, the numbers in the reasons are those of a count by hand."""
    outcome = reconciled([*map(file, old), file("zz", b"z")], [*map(file, new), file("zz", b"z")])
    missing = [path for path, _ in outcome.of(Class.MISSING)]
    assert len(missing) == max(0, len(old) - len(new))
    for path in missing:
        assert path is not None
        expected = f"{len(new)} of {len(old)} copies arrived, one of them is {min(new)}" if new else "or another"
        assert reason(outcome, path).endswith(expected)


def test_an_altered_name_comes_before_closeness() -> None:
    """A copy in the same place with its name decomposed is that file, however alike another is."""
    composed = "caf\u00e9.txt"
    decomposed = unicodedata.normalize("NFD", composed)
    found = reconciled([file(f"d/{composed}"), folder("e")], [file(f"d/{decomposed}"), file(f"e/{composed}")])
    assert found.at(f"d/{composed}").new_path == f"d/{decomposed}"
    assert found.of(Class.EXTRA) == [(None, f"e/{composed}")]
