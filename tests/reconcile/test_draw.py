"""Drawing a sample from two listings: which pairs can be drawn, how many of each stratum, and what comes of it."""

from __future__ import annotations

import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING, Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reconcile.trees import file, folder, link, scratch, unread, with_parents, write_manifest
from verifier.classes import Side
from verifier.errors import ManifestDamaged, NotAManifest, UsageProblem
from verifier.manifest.sample import SAMPLE_FILE, SampleFile
from verifier.reconcile import draw as module
from verifier.reconcile.draw import KEYS, SIZES, Wanted, draw, hold_to, outcome, to_read
from verifier.reconcile.options import PlaceMap, ReconcileOptions
from verifier.reconcile.reconciler import reconcile
from verifier.sampling import Asked, most_in_strata
from verifier.tree.entry import Entry, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

BOTH: Final = frozenset(Side)


@dataclass(frozen=True, slots=True)
class Drawn:
    """A sample, as its file says."""

    pairs: dict[str, str]
    """New path by old path."""
    strata: dict[tuple[str, int], tuple[int, int]]
    """How many pairs each stratum has, and how many of them were drawn."""
    facts: dict[str, str]


def listed(path: str, size: int = 7) -> Entry:
    """Return a file that was listed and not read."""
    return unread(file(path), size=size)


def drawn_from(
    base: Path,
    old: Iterable[Entry],
    new: Iterable[Entry] | None = None,
    asked: str = "100%",
    *,
    seed: int = 1,
    maps: Sequence[PlaceMap] = (),
    scanned: frozenset[Side] = BOTH,
) -> Drawn:
    """Draw from two listings, of which the new one is like the old one unless it is given."""
    entries = with_parents(old)
    others = entries if new is None else with_parents(new)
    for side, those in ((Side.OLD, entries), (Side.NEW, others)):
        (base / side).unlink(missing_ok=True)
        write_manifest(base / side, those, complete=False)
    (base / SAMPLE_FILE).unlink(missing_ok=True)
    draw(base / SAMPLE_FILE, base / Side.OLD, base / Side.NEW, Wanted(Asked.parse(asked), seed, tuple(maps), scanned))
    return look_into(base / SAMPLE_FILE)


def look_into(sample: Path) -> Drawn:
    """Read a sample's file, and see that it adds up."""
    with SampleFile.open(sample) as opened:
        strata = opened.connection.execute("SELECT stratum, folder, up_to, population, drawn FROM strata").fetchall()
        pairs = opened.connection.execute("SELECT old_path, new_path, stratum FROM drawn").fetchall()
        facts = opened.facts()
    assert Counter(stratum for _, _, stratum in pairs) == {row[0]: row[4] for row in strata}
    assert facts["population"] == str(sum(row[3] for row in strata))
    assert facts["drawn"] == str(len(pairs))
    return Drawn({old: new for old, new, _ in pairs}, {(row[1], row[2]): (row[3], row[4]) for row in strata}, facts)


def key_of(seed: int, place: str) -> int:
    """Return the key of a place."""
    key = module._key_of(seed)(place)
    assert key is not None
    return key


@pytest.fixture
def place() -> Iterator[Path]:
    """Give a folder in memory."""
    with scratch() as base:
        yield base


# ---- What can be drawn


def pair(name: str, old: Entry | None, new: Entry | None) -> Any:
    """Name a case: the entries of both sides at one place."""
    return pytest.param(old, new, id=name)


DRAWN: Final = [
    pair("listed on both sides", listed("a"), listed("a")),
    pair("read on the old side", file("a", b"1234567"), listed("a")),
    pair("read on the new side", listed("a"), file("a", b"1234567")),
    pair("known from before on one side", unread(file("a"), size=7), file("a", b"1234567", state="carried")),
    pair("empty on both sides", listed("a", 0), listed("a", 0)),
]
NOT_DRAWN: Final = [
    pair("read on both sides", file("a"), file("a")),
    pair("known from before on both sides", file("a", state="carried"), file("a", state="carried")),
    pair("on the old side only", listed("a"), None),
    pair("on the new side only", None, listed("a")),
    pair("of another size", listed("a", 7), listed("a", 8)),
    pair("of another kind", listed("a", 7), link("a", "1234567")),
    pair("two folders", folder("a"), folder("a")),
    pair("two links", link("a", "x"), link("a", "x")),
    pair("unreadable on a side", listed("a"), unread(listed("a"), State.UNREADABLE, "EACCES: open")),
    pair("unsettled on a side", unread(listed("a"), State.UNSETTLED, "it changed"), listed("a")),
    pair("under another name", listed("a"), listed("A")),
]


@pytest.mark.parametrize(("old", "new"), DRAWN)
def test_pairs_that_only_reading_can_tell_apart_can_be_drawn(place: Path, old: Entry, new: Entry) -> None:
    """Files at one place, of one size, not both known."""
    drawn = drawn_from(place, [old, file("known")], [new, file("known")])
    assert drawn.pairs == {"a": "a"}
    assert (drawn.facts["population"], drawn.facts["drawn"]) == ("1", "1")


@pytest.mark.parametrize(("old", "new"), NOT_DRAWN)
def test_what_is_judged_without_reading_or_cannot_be_read_is_not_drawn(
    place: Path, old: Entry | None, new: Entry | None
) -> None:
    """Missing, extra, of another size or kind: the listing shows it. What could not be read before is a finding."""
    drawn = drawn_from(
        place, [one for one in (old, file("known")) if one], [one for one in (new, file("known")) if one]
    )
    assert (drawn.pairs, drawn.strata, drawn.facts["population"]) == ({}, {}, "0")


@pytest.mark.parametrize("given", Side)
def test_what_a_given_manifest_does_not_know_cannot_be_drawn(place: Path, given: Side) -> None:
    """Nobody reads the files of a manifest, so drawing them would show nothing."""
    known, unknown = [file("a", b"1234567"), listed("b")], [listed("a"), listed("b")]
    sides = (known, unknown) if given is Side.OLD else (unknown, known)
    assert drawn_from(place, *sides, scanned=BOTH - {given}).pairs == {"a": "a"}
    assert drawn_from(place, *sides).pairs == {"a": "a", "b": "b"}


def test_maps_say_which_files_are_a_pair(place: Path) -> None:
    """The place on the new side is where the map puts it; strata go by the old side's folders."""
    old = [listed("scans/1"), listed("scans/2"), listed("text/1")]
    new = [listed("archive/scans/1"), listed("scans/2"), listed("text/1")]
    drawn = drawn_from(place, old, new, maps=[PlaceMap.parse("scans=archive/scans")])
    assert drawn.pairs == {"scans/1": "archive/scans/1", "text/1": "text/1"}
    assert set(drawn.strata) == {("scans", 4096), ("text", 4096)}


def test_of_two_files_that_come_to_one_place_only_one_is_drawn(place: Path) -> None:
    """Two folders that were merged: no file of the new side is read for two of the old one."""
    merged = drawn_from(place, [listed("a/1"), listed("b/1")], [listed("b/1")], maps=[PlaceMap.parse("a=b")])
    assert list(merged.pairs.values()) == ["b/1"]


# ---- How many of each stratum

TREE: Final = [
    *(listed(f"large/{n}", 100_000) for n in range(900)),
    *(listed(f"large/sub/deep/{n}", 0) for n in range(50)),
    *(listed(f"small/{n}", 3000) for n in range(9)),
    listed("single/one", 2**40),
    listed("in the root"),
    listed("zz/x", 2**62),
]


def test_every_top_folder_and_every_size_class_is_in_the_sample(place: Path) -> None:
    """Each stratum gets its share, rounded up; files in the root are a folder of their own."""
    drawn = drawn_from(place, TREE, asked="10%")
    assert drawn.facts["population"] == "962"
    assert drawn.strata == {
        ("", 4096): (1, 1),
        ("large", 0): (50, ceil(50 * 97 / 962)),
        ("large", 2**20): (900, ceil(900 * 97 / 962)),
        ("single", SIZES[-1]): (1, 1),
        ("small", 4096): (9, 1),
        ("zz", SIZES[-1]): (1, 1),
    }


@pytest.mark.parametrize("edge", SIZES[:-1])
def test_size_classes_end_where_they_say(place: Path, edge: int) -> None:
    """A file of exactly that size is the last one in its class."""
    drawn = drawn_from(place, [listed("d/at", edge), listed("d/above", edge + 1)])
    assert sorted(up_to for _, up_to in drawn.strata) == [edge, SIZES[SIZES.index(edge) + 1]]


sizes = st.sampled_from([0, 1, 4096, 4097, 70_000, 2**21, 2**25, 2**30])
trees = st.dictionaries(
    st.tuples(st.sampled_from(["", "a", "b", "a-b", "a b", "\u00e4"]), st.integers(0, 30)), sizes, min_size=1
)


@settings(max_examples=25)
@given(trees, st.integers(1, 40), st.integers(0, 2**53 - 1))
def test_shares_are_fair_whatever_the_tree(tree: dict[tuple[str, int], int], asked: int, seed: int) -> None:
    """Of each stratum its share, rounded up: never less than was asked for, and no more than a file a stratum more."""
    entries = [listed(f"{top}/{n}" if top else str(n), size) for (top, n), size in tree.items()]
    with scratch() as base:
        drawn = drawn_from(base, entries, asked=str(asked), seed=seed)
    whole = len(entries)
    assert drawn.facts["population"] == str(whole)
    wanted = min(asked, whole)
    for population, files in drawn.strata.values():
        assert files == ceil(population * wanted / whole) >= 1
    assert wanted <= len(drawn.pairs) < wanted + len(drawn.strata)
    assert set(drawn.pairs) <= {one.path for one in entries}
    assert all(old == new for old, new in drawn.pairs.items())


# ---- Which


def test_the_same_seed_gives_the_same_sample_and_another_one_another(place: Path) -> None:
    """A sample can be drawn again by whoever doubts it."""
    first, again = (drawn_from(place, TREE, asked="20%", seed=7) for _ in range(2))
    assert first.pairs == again.pairs
    other = drawn_from(place, TREE, asked="20%", seed=8)
    assert other.strata == first.strata
    assert other.pairs != first.pairs


def test_the_order_of_the_rows_plays_no_part(place: Path) -> None:
    """Nor does it matter how the manifests came to be."""
    expected = drawn_from(place, TREE, asked="5%").pairs
    for order in (list(reversed(TREE)), sorted(TREE, key=lambda one: one.path[::-1])):
        for side in Side:
            (place / side).unlink()
            write_manifest(place / side, order, complete=False)
        (place / SAMPLE_FILE).unlink()
        wanted = Wanted(Asked.parse("5%"), 1, (), BOTH)
        draw(place / SAMPLE_FILE, place / Side.OLD, place / Side.NEW, wanted)
        assert look_into(place / SAMPLE_FILE).pairs == expected


def test_a_file_more_elsewhere_does_not_change_who_is_drawn(place: Path) -> None:
    """Each stratum is drawn by itself, by what its places are called."""
    more = drawn_from(place, [*TREE, listed("another/file")], asked="963")
    fewer = drawn_from(place, TREE, asked="962")
    assert {old for old in more.pairs if not old.startswith("another")} == set(fewer.pairs)


def test_every_file_is_drawn_about_equally_often(place: Path) -> None:
    """In each of 400 folders 5 of 20 files are drawn: each name is expected 100 times, wherever it stands."""
    drawn = drawn_from(place, [listed(f"{top:03}/{n:02}") for top in range(400) for n in range(20)], asked="25%")
    assert set(drawn.strata.values()) == {(20, 5)}
    times = Counter(path[-2:] for path in drawn.pairs)
    # Chi-squared, 19 degrees of freedom, is above 43.8 once in a thousand times (from memory); the seed is fixed.
    assert sum((number - 100) ** 2 / (100 * 15 / 20) * 19 / 20 for number in times.values()) < 43.8


def test_a_file_is_drawn_as_often_as_any_other_whatever_the_seed() -> None:
    """Over 5,000 seeds in a row the keys of one place lie evenly: as many of them in each tenth of the range."""
    tenths = Counter(key_of(seed, "d/1") * 10 // KEYS for seed in range(5000))
    # Chi-squared, 9 degrees of freedom, is above 27.9 once in a thousand times (from memory).
    assert sum((tenths[n] - 500) ** 2 / 500 for n in range(10)) < 27.9


@pytest.mark.parametrize("slack", [-1.0, 0.0])
def test_a_bar_that_is_too_low_changes_nothing(place: Path, monkeypatch: pytest.MonkeyPatch, slack: float) -> None:
    """How many pairs are put aside for the draw is a matter of time only, even where they are too few."""
    expected = drawn_from(place, TREE, asked="10%")
    monkeypatch.setattr(module, "SLACK", slack)
    assert drawn_from(place, TREE, asked="10%") == Drawn(
        expected.pairs,
        expected.strata,
        expected.facts | {"drawn_at": look_into(place / SAMPLE_FILE).facts["drawn_at"]},
    )


# ---- Everything


@pytest.mark.parametrize(
    ("asked", "everything"), [("100%", True), ("12", True), ("11", False), ("10", False), ("90%", False)]
)
def test_a_side_is_read_as_a_whole_only_where_so_much_was_asked_for(place: Path, asked: str, everything: bool) -> None:
    """Ten pairs, and two files on the old side alone: who asks for eleven files does not get twelve read."""
    pairs = [listed(f"d/{n}") for n in range(10)]
    drawn = drawn_from(place, [*pairs, listed("lost/1"), listed("lost/2")], pairs, asked=asked)
    assert drawn.facts["everything"] == str(int(everything))
    assert len(drawn.pairs) == (9 if asked == "90%" else 10)


def test_two_sides_with_nothing_in_common_are_not_read_for_it(place: Path) -> None:
    """A map that was forgotten does not turn an early answer into a long one."""
    drawn = drawn_from(place, [listed(f"a/{n}") for n in range(9)], [listed(f"b/{n}") for n in range(9)], "5")
    assert (drawn.pairs, drawn.facts["population"], drawn.facts["everything"]) == ({}, "0", "0")


# ---- The file


def test_the_sample_is_plain_tables_that_can_be_audited(place: Path) -> None:
    """Any SQLite program shows what was asked, the seed, how many there were, and what was drawn of which stratum."""
    drawn_from(place, TREE, asked="0.5 %", seed=42)
    with closing(sqlite3.connect(place / SAMPLE_FILE)) as plain:
        facts = dict(plain.execute("SELECT key, value FROM facts"))
        columns = [row[1] for row in plain.execute("PRAGMA table_info(drawn)")]
        assert plain.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        left = {row[0] for row in plain.execute("SELECT name FROM sqlite_schema WHERE type IN ('table', 'view')")}
    assert (facts["asked"], facts["seed"], facts["population"]) == ("0.5 %", "42", "962")
    assert columns == ["old_path", "new_path", "stratum"]
    assert left == {"facts", "strata", "drawn", "_sqlite_migrations"}


def test_a_draw_that_fails_leaves_no_sample(place: Path) -> None:
    """A sample is there as a whole or not at all; the next draw is not disturbed by what was left."""
    drawn_from(place, TREE)
    expected = look_into(place / SAMPLE_FILE).pairs
    (place / SAMPLE_FILE).unlink()
    data = (place / Side.NEW).read_bytes()
    (place / Side.NEW).write_bytes(data[:8192] + b"\xa5" * (len(data) - 8192))
    wanted = Wanted(Asked.parse("100%"), 1, (), BOTH)
    with pytest.raises(ManifestDamaged):
        draw(place / SAMPLE_FILE, place / Side.OLD, place / Side.NEW, wanted)
    assert not (place / SAMPLE_FILE).exists()
    (place / Side.NEW).write_bytes(data)
    draw(place / SAMPLE_FILE, place / Side.OLD, place / Side.NEW, wanted)
    assert look_into(place / SAMPLE_FILE).pairs == expected


@pytest.mark.parametrize(
    "content", [b"", b"hello", b"SQLite format 3\0" + b"\xa5" * 5000], ids=["empty", "text", "bad"]
)
def test_what_is_no_sample_is_not_taken_for_one(place: Path, content: bytes) -> None:
    """One line, whatever lies in its place."""
    (place / SAMPLE_FILE).write_bytes(content)
    with pytest.raises((NotAManifest, ManifestDamaged)) as caught:
        hold_to(place / SAMPLE_FILE, Asked.parse("5"), None, ())
    assert "\n" not in str(caught.value)
    (place / SAMPLE_FILE).unlink()
    with pytest.raises(NotAManifest, match="is not there"):
        SampleFile.open(place / SAMPLE_FILE)


MAP: Final = (PlaceMap.parse("x=y"),)


@pytest.mark.parametrize(
    ("asked", "seed", "maps", "refused"),
    [
        ("5%", None, MAP, ""),
        ("5.00 %", 7, MAP, ""),
        ("6%", None, MAP, "--sample 5%, not 6%"),
        ("5", None, MAP, "--sample 5%, not 5"),
        ("5%", 8, MAP, "--seed 7, not 8"),
        ("5%", 7, (), "other maps"),
        ("5%", 7, (PlaceMap.parse("x=z"),), "other maps"),
    ],
)
def test_a_sample_is_gone_on_with_as_it_was_begun(
    place: Path, asked: str, seed: int | None, maps: tuple[PlaceMap, ...], refused: str
) -> None:
    """The same size, the same maps, and the same seed or none: otherwise other files would be read."""
    drawn_from(place, TREE, asked="5%", seed=7, maps=MAP)
    if not refused:
        hold_to(place / SAMPLE_FILE, Asked.parse(asked), seed, maps)
        return
    with pytest.raises(UsageProblem, match=refused) as caught:
        hold_to(place / SAMPLE_FILE, Asked.parse(asked), seed, maps)
    assert "--replace" in str(caught.value)


# ---- What comes of it


def came_of(base: Path, old: Sequence[Entry], new: Sequence[Entry], **options: Any) -> Any:
    """Reconcile both sides as they are after reading, and count what came of the sample."""
    for side, entries in ((Side.OLD, old), (Side.NEW, new)):
        (base / side).unlink()
        write_manifest(base / side, with_parents(entries))
    (base / "findings").unlink(missing_ok=True)
    reconcile(base / Side.OLD, base / Side.NEW, base / "findings", ReconcileOptions(**options))
    return outcome(base / SAMPLE_FILE, base / Side.OLD, base / Side.NEW, base / "findings")


def after_reading(entries: Sequence[Entry], drawn: Iterable[str], data: dict[str, bytes] | None = None) -> list[Entry]:
    """Return entries of which those that were drawn are read."""
    read = set(drawn)
    return [file(one.path, (data or {}).get(one.path, b"1234567")) if one.path in read else one for one in entries]


FILES: Final = [listed(f"d/{n:03}") for n in range(100)]


def test_a_sample_of_equal_files_is_counted(place: Path) -> None:
    """All were read, none differ, and the bound is that of its strata."""
    drawn = drawn_from(place, FILES, asked="30")
    both = after_reading(FILES, drawn.pairs)
    came = came_of(place, both, both)
    assert (came.population, came.drawn, came.read, came.differ) == (100, 30, 30, 0)
    assert (came.asked, came.seed, came.confidence) == ("30", 1, 0.95)
    assert came.most_differing == most_in_strata([(100, 30)], 0) == 8


def test_differing_files_of_the_sample_are_counted(place: Path) -> None:
    """And others are not, though they differ as well: they were not drawn."""
    drawn = drawn_from(place, FILES, asked="30")
    hit = sorted(drawn.pairs)[:2]
    missed = next(one.path for one in FILES if one.path not in drawn.pairs)
    old = after_reading(FILES, [*drawn.pairs, missed])
    new = after_reading(FILES, [*drawn.pairs, missed], dict.fromkeys([*hit, missed], b"7654321"))
    came = came_of(place, old, new)
    assert (came.drawn, came.read, came.differ) == (30, 30, 2)
    assert came.most_differing == most_in_strata([(100, 30)], 2)


def test_what_changed_after_its_gate_differs_too(place: Path) -> None:
    """Expected, and still other content: it is not said that none differ."""
    drawn = drawn_from(place, FILES, asked="30")
    hit = min(drawn.pairs)
    old = after_reading(FILES, drawn.pairs)
    new = [
        one._replace(mtime_ns=one.mtime_ns + 10**12) if one.path == hit else one
        for one in after_reading(FILES, drawn.pairs, {hit: b"7654321"})
    ]
    assert came_of(place, old, new, live_since_ns=old[0].mtime_ns + 1).differ == 1


def test_files_of_the_sample_that_could_not_be_read_say_nothing(place: Path) -> None:
    """They count as not drawn, so what is known is less."""
    drawn = drawn_from(place, FILES, asked="30")
    both = after_reading(FILES, drawn.pairs)
    gone = set(sorted(drawn.pairs)[:5])
    new = [unread(one, State.UNREADABLE, "EIO: read") if one.path in gone else one for one in both]
    came = came_of(place, both, new)
    assert (came.drawn, came.read, came.differ) == (30, 25, 0)
    assert came.most_differing == most_in_strata([(100, 25)], 0)


def test_what_is_left_of_a_sample_is_counted_in_files_and_bytes(place: Path) -> None:
    """For each side by itself: what one side knows need not be read there."""
    known = [file("d/a", b"x" * 7), file("d/b", b"x" * 9)]
    drawn_from(place, [*known, listed("d/c", 11)], [listed("d/a", 7), listed("d/b", 9), listed("d/c", 11)])
    left = to_read(place / SAMPLE_FILE, place / Side.OLD, place / Side.NEW)
    assert left == {Side.OLD: (1, 1, 11), Side.NEW: (3, 3, 27)}
