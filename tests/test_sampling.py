"""What a sample says about the whole: the hypergeometric numbers, the bound in strata, how a sample is asked for."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING, Final

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import hypergeom

from verifier.errors import UsageProblem
from verifier.sampling import (
    Asked,
    Sampled,
    most_differing,
    most_in_strata,
    needed,
    percent,
    probability_of_at_most,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

Point = tuple[int, int, int, int]
"""Found at most, population, differing, drawn."""
POPULATIONS: Final = (1, 2, 3, 10, 57, 1000, 10_000, 1_000_000)
TEN_MILLION: Final = 10_000_000
LONGEST: Final = 3000
"""Terms of the longest product that is worked out exactly."""


def grid(population: int) -> Iterator[Point]:
    """Yield points from corner to corner, around the mean and far from it."""
    n = population
    differing = {0, 1, 2, 10, 100, 1000, n // 100, n // 10, n // 2, n - 1, n}
    drawn = {0, 1, 2, 30, 300, 3000, n // 1000, n // 20, n // 2, n - 1, n}
    for d in sorted(one for one in differing if 0 <= one <= n):
        for s in sorted(one for one in drawn if 0 <= one <= n):
            if min(d, s) > LONGEST:
                continue
            mean = d * s // n
            for k in sorted({0, 1, 2, mean // 2, mean * 9 // 10, mean, mean + 3}):
                yield k, n, d, s


def exactly(found: int, population: int, differing: int, drawn: int) -> Fraction:
    """Return the same chance from whole numbers alone, by the definition of the distribution."""
    few, many = sorted((differing, drawn))
    ways = sum(math.comb(many, i) * math.comb(population - many, few - i) for i in range(min(found, few) + 1))
    return Fraction(ways, math.comb(population, few))


def apart(ours: float, theirs: float | Fraction) -> float:
    """Return how far apart two chances are, as a share; what no double can hold counts as nothing."""
    if theirs < 1e-300:
        return 0.0 if ours < 1e-299 else 1.0
    return float(abs(Fraction(ours) - Fraction(theirs)) / Fraction(theirs))


# ---- The distribution


@pytest.mark.parametrize("population", POPULATIONS)
def test_the_chance_is_scipys(population: int) -> None:
    """Another implementation, scipy.stats.hypergeom.cdf, says the same to nine digits, from one file to a million."""
    points = list(grid(population))
    assert max(apart(probability_of_at_most(*point), float(hypergeom.cdf(*point))) for point in points) <= 1e-9


def test_the_chance_is_scipys_for_ten_million_as_far_as_scipy_goes() -> None:
    """At ten million scipy 1.17 itself is off by up to 2.1e-9 (measured against whole numbers): so near is it."""
    points = list(grid(TEN_MILLION))
    assert max(apart(probability_of_at_most(*point), float(hypergeom.cdf(*point))) for point in points) <= 3e-9


@pytest.mark.parametrize("population", [*POPULATIONS, TEN_MILLION])
def test_the_chance_is_exact(population: int) -> None:
    """The definition, worked out in whole numbers, says the same to twelve digits, up to ten million files."""
    points = [point for point in grid(population) if point[0] <= 300 and min(point[2:]) <= 300]
    assert max(apart(probability_of_at_most(*point), exactly(*point)) for point in points) <= 1e-12


@given(st.data())
def test_all_chances_add_up_and_none_leaves_its_range(data: st.DataObject) -> None:
    """For small numbers every value of the distribution is held against whole numbers, impossible ones included."""
    population = data.draw(st.integers(0, 40))
    differing, drawn = (data.draw(st.integers(0, population)) for _ in range(2))
    for found in range(population + 2):
        ours = probability_of_at_most(found, population, differing, drawn)
        assert 0.0 <= ours <= 1.0
        assert apart(ours, exactly(found, population, differing, drawn)) <= 1e-12


@pytest.mark.parametrize(("population", "differing", "drawn"), [(5, 6, 1), (5, 1, 6), (5, -1, 1), (5, 1, -1)])
def test_numbers_that_cannot_be_are_refused(population: int, differing: int, drawn: int) -> None:
    """More than there are, or less than none."""
    with pytest.raises(ValueError, match="of 5"):
        probability_of_at_most(0, population, differing, drawn)


# ---- How many files have to be read


@pytest.mark.parametrize(
    ("population", "differing", "confidence", "files"),
    [
        # Hypergeometric, P(at least one of D bad in N, n checked) = 1 - C(N-D,n)/C(N,n); values computed, and held
        # against whole numbers below.
        (1_000_000, 1, 0.95, 950_000),
        (1_000_000, 10, 0.95, 258_865),
        (1_000_000, 100, 0.95, 29_512),
        (1_000_000, 1000, 0.95, 2990),
        (10_000, 10, 0.95, 2588),
        (10_000, 10, 0.99, 3689),
    ],
)
def test_how_many_show_one_of_some(population: int, differing: int, confidence: float, files: int) -> None:
    """The smallest sample that shows at least one: one file fewer is too few, by whole numbers too."""
    assert needed(population, differing, confidence) == files
    allowed = 1 - Fraction(str(confidence))
    # The other way round it is the same distribution, with a short product.
    assert exactly(0, population, files, differing) <= allowed < exactly(0, population, files - 1, differing)
    assert most_differing(population, files, 0, confidence) == differing - 1
    assert most_differing(population, files - 1, 0, confidence) == differing


@pytest.mark.parametrize(("drawn", "said"), [(300, "0.994"), (3000, "0.0999")])
def test_the_rule_of_three(drawn: int, said: str) -> None:
    """None in n: at most about 3/n (common practice), exactly 1 - 0.05^(1/n) of a population without end (computed)."""
    most = most_differing(10**9, drawn, 0)
    without_end = 1 - 0.05 ** (1 / drawn)  # 0.994 % and 0.0998 %
    assert most / 10**9 == pytest.approx(without_end, rel=1e-5)
    assert 0.99 < most / 10**9 / (3 / drawn) < 1
    assert percent(most, 10**9) == said


@pytest.mark.parametrize(("population", "differing"), [(10, 0), (10, 11), (0, 0)])
def test_nothing_to_show_is_refused(population: int, differing: int) -> None:
    """No sample shows what is not there."""
    with pytest.raises(ValueError, match="differing"):
        needed(population, differing)


@pytest.mark.parametrize("confidence", [0.0, 1.0, -1.0, 95.0])
def test_a_confidence_lies_between_0_and_1(confidence: float) -> None:
    """Certainty needs everything to be read, and 95 is not 0.95."""
    for ask in (needed, lambda n, d, c: most_differing(n, d, 0, c)):
        with pytest.raises(ValueError, match="confidence"):
            ask(10, 1, confidence)


# ---- How many files can differ

sample = st.integers(1, 400).flatmap(
    lambda n: st.tuples(st.just(n), st.integers(0, n)).flatmap(
        lambda of: st.tuples(st.just(of[0]), st.just(of[1]), st.integers(0, of[1]))
    )
)


@given(sample)
def test_the_bound_is_the_largest_number_that_is_not_ruled_out(drawn: tuple[int, int, int]) -> None:
    """By whole numbers: that many leave a chance of more than 5 %, one more does not, or cannot be."""
    population, files, found = drawn
    most = most_differing(population, files, found)
    allowed = Fraction(5, 100)
    assert found <= most <= population - (files - found)
    assert exactly(found, population, most, files) > allowed
    assert most == population - (files - found) or exactly(found, population, most + 1, files) <= allowed


@given(sample)
def test_reading_more_never_raises_the_bound_and_finding_more_never_lowers_it(drawn: tuple[int, int, int]) -> None:
    """Monotone in what was read, in what was found, and in how sure one wants to be."""
    population, files, found = drawn
    most = most_differing(population, files, found)
    if files < population:
        assert most_differing(population, files + 1, found) <= most
    if found < files:
        assert most_differing(population, files, found + 1) >= most
    assert most_differing(population, files, found, 0.99) >= most
    assert most_differing(population + 1, files, found) >= most


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.just(n), st.integers(1, n))))
def test_more_differing_files_need_a_smaller_sample(both: tuple[int, int]) -> None:
    """And the sample that is needed rules out exactly that many."""
    population, differing = both
    files = needed(population, differing)
    assert most_differing(population, files, 0) < differing
    assert files == 1 or most_differing(population, files - 1, 0) >= differing
    if differing < population:
        assert needed(population, differing + 1) <= files


def test_the_ends_of_the_bound() -> None:
    """Nothing read says nothing; everything read leaves no doubt; what was seen to be good stays good."""
    assert most_differing(1000, 0, 0) == 1000
    assert most_differing(1000, 1000, 0) == 0
    assert most_differing(1000, 1000, 17) == 17
    assert most_differing(1000, 999, 999) == 1000
    assert most_differing(0, 0, 0) == 0


@pytest.mark.parametrize("drawn", [(10, 11, 0), (10, 5, 6), (10, -1, 0), (10, 5, -1)])
def test_a_sample_that_cannot_be_is_refused(drawn: tuple[int, int, int]) -> None:
    """More drawn than there are, or found than drawn."""
    with pytest.raises(ValueError, match="of 10"):
        most_differing(*drawn)


# ---- In strata


def test_one_stratum_is_a_plain_sample() -> None:
    """Nothing is lost where there is nothing to divide."""
    assert most_in_strata([(1_000_000, 2990)], 0) == most_differing(1_000_000, 2990, 0) == 999
    assert most_in_strata([(1_000_000, 2990)], 3) == most_differing(1_000_000, 2990, 3)


def test_files_read_for_good_measure_do_not_lower_the_bound() -> None:
    """5,000 folders of one file each are all read: of the large folder beside them still only 1 in 10,000 was."""
    strata = [(990_000, 99), *((1, 1) for _ in range(5000))]
    plain = 995_000 * 99 // 990_000
    assert most_in_strata(strata, 0) == most_differing(995_000, plain, 0)
    assert most_in_strata(strata, 0) > 20 * most_differing(995_000, 5099, 0)


def test_a_stratum_of_which_nothing_could_be_read_may_differ_as_a_whole() -> None:
    """What is not known counts as the worst."""
    assert most_in_strata([(100, 100), (7, 0)], 0) == 7
    assert most_in_strata([(7, 0)], 0) == 7
    assert most_in_strata([], 0) == 0


def test_good_files_that_were_seen_are_not_among_those_that_can_differ() -> None:
    """However dense or thin the strata were read: what can differ is what was not read, and what was found."""
    assert most_in_strata([(10, 10), (10, 10)], 4) == 4
    assert most_in_strata([(2, 1), (50, 50)], 50) == 51


@given(
    st.lists(st.integers(1, 30), min_size=1, max_size=8).flatmap(
        lambda sizes: st.tuples(
            st.just(sizes), st.integers(1, sum(sizes)), st.lists(st.integers(0, 7), min_size=60, max_size=60)
        )
    )
)
def test_more_damage_than_the_bound_says_hardly_ever_stays_unseen(drawn: tuple[list[int], int, list[int]]) -> None:
    """Wherever it lies: with a chance of 12.5 % at the very most, for a handful of files; of 6.4 % below 10 %."""
    sizes, asked, where = drawn
    whole = sum(sizes)
    strata = [(size, math.ceil(Fraction(size * asked, whole))) for size in sizes]
    most = most_in_strata(strata, 0)
    damaged = [0] * len(sizes)
    for place in where:
        damaged[place % len(sizes)] += sum(damaged) <= most and damaged[place % len(sizes)] < sizes[place % len(sizes)]
    assume(sum(damaged) == most + 1)
    unseen = math.prod(exactly(0, size, bad, files) for (size, files), bad in zip(strata, damaged, strict=True))
    assert unseen <= (0.125 if most > whole / 10 else 0.0641)


# ---- Asking


@pytest.mark.parametrize(
    ("text", "of_a_thousand", "of_seven"),
    [
        ("1", 1, 1),
        ("3000", 1000, 7),
        ("007", 7, 7),
        ("100%", 1000, 7),
        ("100.000 %", 1000, 7),
        ("0.05%", 1, 1),
        ("0.1%", 1, 1),
        ("0.11%", 2, 1),
        ("33.3%", 333, 3),
        ("50%", 500, 4),
    ],
)
def test_a_number_or_a_share(text: str, of_a_thousand: int, of_seven: int) -> None:
    """A share is worked out exactly and rounded up; nobody gets more than there are."""
    asked = Asked.parse(text)
    assert (asked.of(1000), asked.of(7), asked.of(0)) == (of_a_thousand, of_seven, 0)
    assert asked.text == text


def test_two_ways_to_write_one_sample_are_one() -> None:
    """Who goes on with a sample may write it otherwise, and not ask for another."""
    assert Asked.parse("5%") == Asked.parse("5.0 %")
    assert Asked.parse("5%") != Asked.parse("5")
    assert Asked.parse("07") == Asked.parse("7") != Asked.parse("8")


GARBAGE: Final = [
    *("", " ", "%", "a", "5 files", "1e3", "1,000", "1.5", ".5%", "5.%", "5%%", "-5", "-5%", "+5", "+5%", "0x10"),
    *("nan%", "inf%", "5\n", "5%\n", "\u0665", "\u0665%", "5\uff05", "9" * 16, "1" * 5000, "\x1b[2J"),
]


@pytest.mark.parametrize("text", GARBAGE, ids=lambda text: ascii(text[:20]))
def test_what_is_no_sample_is_refused(text: str) -> None:
    """One clear line that can be printed, with the text that was not understood."""
    with pytest.raises(UsageProblem, match=r"--sample .* is not a sample; give a number") as caught:
        Asked.parse(text)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 200


@pytest.mark.parametrize("text", ["0", "00", "0%", "0.000%"])
def test_a_sample_of_nothing_is_refused(text: str) -> None:
    """Reading nothing is `--listing-only`, and must be asked for by that name."""
    with pytest.raises(UsageProblem, match="is nothing"):
        Asked.parse(text)


@pytest.mark.parametrize("text", ["101%", "100.0001%", "999999999999999%"])
def test_more_than_all_is_refused(text: str) -> None:
    """A slip of the decimal point is not taken for everything."""
    with pytest.raises(UsageProblem, match="is more than all files"):
        Asked.parse(text)


# ---- In words


def test_the_reason_says_how_much_was_read_and_what_that_rules_out() -> None:
    """As it stands in the verdict."""
    plain = Sampled("2990", 1, 1_000_000, 2990, 2990, 0, most_differing(1_000_000, 2990, 0))
    assert plain.reason == (
        "2,990 of 1,000,000 files read, none differ: with 95 % confidence at most 0.0999 % of them differ"
    )
    assert not plain.is_whole
    some = Sampled("2990", 1, 1_000_000, 2990, 2990, 3, most_differing(1_000_000, 2990, 3))
    assert some.reason == "3 of 2,990 read differ: with 95 % confidence at most 0.259 % of 1,000,000 files do"


def test_a_sample_of_which_nothing_could_be_read_says_nothing() -> None:
    """It is not said that none differ."""
    assert Sampled("5", 1, 100, 5, 0, 0, 100).reason == (
        "none of the sample's 5 files could be read: it says nothing of 100 files"
    )


@pytest.mark.parametrize(
    ("part", "whole", "text"),
    [
        (0, 7, "0"),
        (7, 7, "100"),
        (1, 3, "33.4"),
        (2, 3, "66.7"),
        (1, 8, "12.5"),
        (1, 20, "5"),
        (999, 1_000_000, "0.0999"),
        (1, 10_000_000, "0.00001"),
        (9_999_999, 10_000_000, "100"),
        (99_999, 1_000_000, "10"),
        (1, 7, "14.3"),
    ],
)
def test_a_bound_is_rounded_up(part: int, whole: int, text: str) -> None:
    """Three digits, never less than it is, and no digits that say nothing."""
    assert percent(part, whole) == text
    assert Fraction(text) / 100 >= Fraction(part, whole)
