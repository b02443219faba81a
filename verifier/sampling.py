"""What a random sample says about the whole: how many files can still differ, and how many have to be read.

The hypergeometric distribution: of N files D differ, and n are read, drawn at random without putting any back. The
chance that at most k of them differ is

    P(K <= k) = sum over i <= k of C(D, i) C(N - D, n - i) / C(N, n)

and a number D is ruled out with 95 % confidence where that chance is 5 % or less. For a plain random sample this bound
is exact.

**What drawing in strata does to it.** The sample of a tree is drawn in strata, each of which gets its share rounded up.
Rounding up reads more files than were asked for, mostly in small strata; a large one is not read more densely for
that, and damage that lies only there is not found more easily. So what is read for good measure does not lower the
bound: it is that of a plain sample of n files in N where n / N is the least share that was read of any stratum
(`most_in_strata`). At that share strata mostly help, because damage that lies together in one of them is missed less
often than by a plain sample. Damage that is spread over them as evenly as can be is missed a little more often: not
with a chance of 5 %, but, in all arrangements that were tried, with one of up to 5.1 % where the bound is up to 1 % of
the files, of up to 6.4 % where it is up to 10 %, and of 12.5 % for six files in three strata of two.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from decimal import ROUND_CEILING, Decimal
from fractions import Fraction
from itertools import chain
from typing import TYPE_CHECKING, Final, Self

from verifier.errors import UsageProblem

if TYPE_CHECKING:
    from collections.abc import Iterable

CONFIDENCE: Final = 0.95
_ROUNDING: Final = 1e-12
"""A chance that is the allowed one but for so much of itself is the allowed one: 1 - 0.95 is not 0.05 in binary."""
_NEGLIGIBLE: Final = 1e-18


def probability_of_at_most(found: int, population: int, differing: int, drawn: int) -> float:
    """Return the chance that at most so many files of a plain random sample differ.

    Exact to about 1e-12 of itself. Takes time proportional to the smaller one of `differing` and `drawn`.

    Args:
        found: How many of the sample differ at most.
        population: How many files there are.
        differing: How many of them differ.
        drawn: How many are in the sample.

    Raises:
        ValueError: If more differ or are drawn than there are, or a number is negative.
    """
    if not (0 <= differing <= population and 0 <= drawn <= population):
        raise ValueError(f"{differing} differing and {drawn} drawn of {population}")
    least, most = max(0, drawn + differing - population), min(drawn, differing)
    if found < least:
        return 0.0
    if found >= most:
        return 1.0
    peak = (drawn + 1) * (differing + 1) // (population + 2)
    if found <= peak:
        return _chance(found, population, differing, drawn) * _sum_down(found, population, differing, drawn)
    above = found + 1
    return 1.0 - _chance(above, population, differing, drawn) * _sum_up(above, population, differing, drawn)


def _chance(found: int, population: int, differing: int, drawn: int) -> float:
    """Return the chance that exactly so many differ: a product of ratios, as a sum of logarithms that loses nothing.

    Drawing n of N with D marked and drawing D of N with n marked is the same, so the shorter product is taken.
    """
    few, many = sorted((differing, drawn))
    others = few - found
    return math.exp(
        math.fsum(
            chain(
                (math.log((few - i) / (i + 1)) for i in range(min(found, others))),
                (_log_of_share(many - i, population - i) for i in range(found)),
                (_log_of_share(population - many - i, population - found - i) for i in range(others)),
            )
        )
    )


def _log_of_share(part: int, whole: int) -> float:
    """Return the logarithm of a share, exact near 0 and near 1."""
    return math.log(part / whole) if 2 * part < whole else math.log1p((part - whole) / whole)


def _sum_down(found: int, population: int, differing: int, drawn: int) -> float:
    """Return the chances of all numbers up to `found`, as multiples of that of `found` itself."""
    total = term = 1.0
    for i in range(found, 0, -1):
        term *= i * (population - differing - drawn + i) / ((differing - i + 1) * (drawn - i + 1))
        total += term
        if term < total * _NEGLIGIBLE:
            break
    return total


def _sum_up(found: int, population: int, differing: int, drawn: int) -> float:
    """Return the chances of all numbers from `found` on, as multiples of that of `found` itself."""
    total = term = 1.0
    for i in range(found, min(differing, drawn)):
        term *= (differing - i) * (drawn - i) / ((i + 1) * (population - differing - drawn + i + 1))
        total += term
        if term < total * _NEGLIGIBLE:
            break
    return total


def _is_ruled_out(chance: float, confidence: float) -> bool:
    return chance <= (1 - confidence) * (1 + _ROUNDING)


def most_differing(population: int, drawn: int, found: int, confidence: float = CONFIDENCE) -> int:
    """Return how many files can differ in all: the largest number that a plain random sample does not rule out.

    Args:
        population: How many files there are.
        drawn: How many of them are in the sample, and were read.
        found: How many of these differ.
        confidence: The chance, at least, that a larger number would have shown more of itself.

    Raises:
        ValueError: If more are drawn than there are, or found than drawn, or the confidence is not between 0 and 1.
    """
    _check_confidence(confidence)
    if not 0 <= found <= drawn <= population:
        raise ValueError(f"{found} found among {drawn} drawn of {population}")
    # What was found is never ruled out, and good files that were seen always are. In between, the chance to find so
    # few falls with every file more: double the steps until a number is ruled out, then halve what is left.
    possible, limit, step = found, population - (drawn - found), 1
    while possible + step <= limit:
        if _is_ruled_out(probability_of_at_most(found, population, possible + step, drawn), confidence):
            limit = possible + step - 1
            break
        possible += step
        step *= 2
    while possible < limit:
        middle = (possible + limit + 1) // 2
        if _is_ruled_out(probability_of_at_most(found, population, middle, drawn), confidence):
            limit = middle - 1
        else:
            possible = middle
    return possible


def needed(population: int, differing: int, confidence: float = CONFIDENCE) -> int:
    """Return the size of the smallest plain random sample that shows at least one of some differing files.

    Args:
        population: How many files there are.
        differing: How many of them differ, 1 or more.
        confidence: With what chance at least.

    Raises:
        ValueError: If none differ, or more than there are, or the confidence is not between 0 and 1.
    """
    _check_confidence(confidence)
    if not 1 <= differing <= population:
        raise ValueError(f"{differing} differing of {population}")
    too_few, enough = 0, population - differing + 1
    while enough - too_few > 1:
        middle = (too_few + enough) // 2
        if _is_ruled_out(probability_of_at_most(0, population, differing, middle), confidence):
            enough = middle
        else:
            too_few = middle
    return enough


def most_in_strata(strata: Iterable[tuple[int, int]], found: int, confidence: float = CONFIDENCE) -> int:
    """Return how many files can differ in all, after a sample that was drawn at random in each stratum.

    As `most_differing` of a plain sample with the least share that was read of any stratum. Files that were drawn and
    could not be read count as not drawn; of a stratum of which nothing was read every file can differ.

    Args:
        strata: For each how many files it has, and how many of them were read.
        found: How many of all that were read differ.
        confidence: As for `most_differing`.

    Raises:
        ValueError: If more were read than there are, or found than read.
    """
    population = read = unseen = 0
    least = (1, 1)
    for size, of_it in strata:
        if not of_it:
            unseen += size
            continue
        population += size
        read += of_it
        if of_it * least[1] < least[0] * size:
            least = (of_it, size)
    if not 0 <= found <= read <= population:
        raise ValueError(f"{found} found among {read} read of {population}")
    plain = population * least[0] // least[1]
    most = most_differing(population, plain, min(found, plain), confidence)
    return min(most, population - (read - found)) + unseen


def _check_confidence(confidence: float) -> None:
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence}")


@dataclass(frozen=True, slots=True)
class Asked:
    """How large a sample is to be: a number of files, or a share of them."""

    text: str = field(compare=False)
    """As it was asked for."""
    files: int | None = None
    share: Fraction | None = None
    """More than 0, up to 1."""

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``N`` or ``P%``.

        Raises:
            UsageProblem: If it is neither, is nothing, or is more than all.
        """
        match = _ASKED.fullmatch(text)
        if match is None:
            raise UsageProblem(f"--sample {_brief(text)} is not a sample", _HINT)
        if match["files"] is not None:
            asked = cls(text, files=int(match["files"]))
        else:
            asked = cls(text, share=Fraction(match["percent"]) / 100)
        if not (asked.files or asked.share):
            raise UsageProblem(f"--sample {_brief(text)} is nothing", _HINT)
        if asked.share is not None and asked.share > 1:
            raise UsageProblem(f"--sample {_brief(text)} is more than all files", _HINT)
        return asked

    def of(self, files: int) -> int:
        """Return how many of so many files that is: a share is rounded up, and nobody gets more than there are."""
        if self.share is not None:
            return math.ceil(self.share * files)
        assert self.files is not None
        return min(files, self.files)


_ASKED: Final = re.compile(r"(?P<files>[0-9]{1,15})|(?P<percent>[0-9]{1,15}(?:\.[0-9]{1,15})?) ?%", re.ASCII)
_HINT: Final = "give a number of files like 3000, or a share of them like 0.5%"


def _brief(text: str) -> str:
    return ascii(text[:40])


@dataclass(frozen=True, slots=True)
class Sampled:
    """What came of a sample."""

    asked: str
    """As it was asked for."""
    seed: int
    population: int
    """Pairs of files of which only reading can tell whether they are the same."""
    drawn: int
    """How many of them are in the sample."""
    read: int
    """How many of these could be read on both sides."""
    differ: int
    """How many of these have other content."""
    most_differing: int
    """How many of the population can differ."""
    confidence: float = CONFIDENCE

    @property
    def is_whole(self) -> bool:
        """Whether nothing was left out."""
        return self.drawn == self.population

    @property
    def reason(self) -> str:
        """What it says about the whole, in one sentence; the bound is rounded up."""
        if not self.read:
            return (
                f"none of the sample's {self.drawn:,} files could be read: it says nothing of {self.population:,} files"
            )
        bound = f"with {self.confidence * 100:g} % confidence at most {percent(self.most_differing, self.population)} %"
        if not self.differ:
            return f"{self.read:,} of {self.population:,} files read, none differ: {bound} of them differ"
        return f"{self.differ:,} of {self.read:,} read differ: {bound} of {self.population:,} files do"


def percent(part: int, whole: int) -> str:
    """Return a share in percent, to three digits, rounded up, as a bound must be."""
    if not part:
        return "0"
    share = Decimal(part) * 100 / Decimal(whole)
    rounded = share.quantize(Decimal(1).scaleb(share.adjusted() - 2), ROUND_CEILING)
    return f"{rounded:f}".rstrip("0").rstrip(".") if "." in f"{rounded:f}" else f"{rounded:f}"
