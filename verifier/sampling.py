"""A random sample, and what it proves: exact, by the hypergeometric distribution.

Pure: it opens nothing and reads no clock, and all chance comes from the seed that is passed in.
No normal approximation is made anywhere.

Of ``of`` units so many are bad; ``drawn`` of them are drawn without replacement, each as likely as
any other.  How many bad ones are among those has the hypergeometric distribution (Johnson, Kotz
and Kemp, Univariate Discrete Distributions, chapter 6).
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from typing import Final

from blake3 import blake3
from msgspec import Struct

_CONTEXT: Final = "verifier spot-check: the order in which a sample is drawn"
_WIDTH: Final = 16
"""Bytes of a random number: two units get the same one less often than once in 10^24 draws."""

_NEAR: Final = 1e-9
"""A chance that differs from the one asked for by less than this part of it is compared exactly:
many times what rounding can have made of it."""

_EXACTLY_UP_TO: Final = 5_000
"""Units drawn, or bad, up to which whole numbers decide such a case.  Two chances are equal only
where one of the two is far smaller."""


class Draw:
    """Random numbers that are the same for the same seed, on every system and in every version."""

    def __init__(self, seed: int) -> None:
        self._key = blake3(str(seed).encode(), derive_key_context=_CONTEXT).digest()

    def rank(self, unit: bytes) -> bytes:
        """Where a unit stands in a random order of all units.

        The first of that order are a uniform sample without replacement, however many they are,
        and need no more than one pass over a stream that holds each unit once (the bottom-k
        sample: Cohen and Kaplan, Summarizing data using bottom-k sketches, 2007).
        """
        return blake3(unit, key=self._key).digest(_WIDTH)

    def numbers(self, below: int, most: int) -> array[int]:
        """The first ``most`` of a random order of the numbers from 0 up to ``below``.

        All of them when there are no more.  Memory grows with ``most`` alone.
        """
        most = min(most, below)
        found, seen = array("Q"), set[int]()
        for number in self._uniform(below):
            if len(found) >= most:
                break
            if number not in seen:
                seen.add(number)
                found.append(number)
        return found

    def _uniform(self, below: int) -> Iterator[int]:
        """Numbers under ``below``, each as likely: what lies above is drawn again, not folded."""
        stream = blake3(key=self._key)
        spare = 8 * _WIDTH - max(1, below - 1).bit_length()
        at = 0
        while True:
            number = int.from_bytes(stream.digest(_WIDTH, seek=at), "big") >> spare
            at += _WIDTH
            if number < below:
                yield number


class Piece(Struct, frozen=True, gc=False):
    """Part ``number`` of a file; ``first`` is the first draw that hit one of its bytes."""

    path: bytes
    size: int
    number: int
    first: int


def pieces_hit(
    files: Iterable[tuple[bytes, int]], drawn: Sequence[int], length: int
) -> tuple[list[Piece], array[int]]:
    """The pieces of ``length`` bytes in which drawn bytes lie, in the order of their first draw.

    ``files`` are paths and sizes; byte numbers count through all of them, one file after the
    other.  Beside the pieces comes, for each draw, the place of its piece in that list.
    """
    hit: list[tuple[int, bytes, int, int]] = []
    of_draw = array("Q", bytes(8 * len(drawn)))
    stream = iter(files)
    path, size, start = b"", 0, 0
    last: tuple[int, int] | None = None
    for draw in sorted(range(len(drawn)), key=drawn.__getitem__):
        while drawn[draw] >= start + size:
            start += size
            path, size = next(stream)
        number = (drawn[draw] - start) // length
        if last != (start, number):
            last = start, number
            hit.append((draw, path, size, number))
        elif draw < hit[-1][0]:
            hit[-1] = (draw, path, size, number)
        of_draw[draw] = len(hit) - 1
    order = sorted(range(len(hit)), key=lambda each: hit[each][0])
    place = array("Q", bytes(8 * len(hit)))
    for now, before in enumerate(order):
        place[before] = now
    for draw, before in enumerate(of_draw):
        of_draw[draw] = place[before]
    return [
        Piece(hit[each][1], hit[each][2], hit[each][3], hit[each][0]) for each in order
    ], of_draw


def draws_needed(of: int, at_most: Fraction, confidence: Fraction) -> int:
    """The fewest draws that would show at least one bad unit if too many were bad.

    Too many is more than the part ``at_most`` of ``of`` units; "would show" is with a chance of
    ``confidence`` or more.  It is the smallest n with
    C(of - K, n) / C(of, n) <= 1 - confidence, where K is the smallest number above at_most * of
    (discovery sampling: Cochran, Sampling Techniques, 3rd edition, section 3.6).
    """
    too_many = math.floor(at_most * of) + 1
    if too_many > of:
        return 0
    enough = of - too_many + 1
    fewest = 0
    while fewest < enough:
        middle = (fewest + enough) // 2
        if _seldom(0, middle, too_many, of, 1 - confidence):
            enough = middle
        else:
            fewest = middle + 1
    return fewest


def most_bad(of: int, drawn: int, bad: int, confidence: Fraction) -> int:
    """The upper bound on how many of ``of`` units are bad, after ``bad`` of ``drawn`` were.

    The largest number of bad units with which so few would still be drawn with a chance above
    1 - confidence.  Whatever the true number is, the bound is at least that with a chance of
    ``confidence`` or more: the one-sided interval of Clopper and Pearson (1934) for the
    hypergeometric distribution, by inverting its tail (Buonaccorsi, The American Statistician 41,
    1987; Wright, Exact Confidence Bounds when Sampling from Small Finite Universes, 1991).

    With no bad unit drawn this holds whatever made the drawing end, such as the clock: the bound
    is wrong only if the first bad unit of the whole order comes behind the draw from which on the
    true number is excluded, and that has a chance of 1 - confidence at most.
    """
    if not 0 <= bad <= drawn <= of:
        raise ValueError(f"{bad} bad of {drawn} drawn of {of} cannot be")
    least, most = bad, of - drawn + bad
    while least < most:
        middle = (least + most + 1) // 2
        if _seldom(bad, drawn, middle, of, 1 - confidence):
            most = middle - 1
        else:
            least = middle
    return least


def chance_of_at_most(bad: int, drawn: int, all_bad: int, of: int) -> float:
    """The chance that ``drawn`` hold at most ``bad`` bad units, where ``all_bad`` of ``of`` are so.

    The point chance by Loader's saddle-point form (Fast and Accurate Computation of Binomial
    Probabilities, 2000), which keeps 12 digits where factorials would have lost all of them; its
    neighbours by their ratios, from there to the end of the shorter tail.
    """
    least = max(0, drawn - (of - all_bad))
    if bad < least:
        return 0.0
    if bad >= min(drawn, all_bad):
        return 1.0
    if bad * of <= drawn * all_bad:
        return min(1.0, _tail(bad, drawn, all_bad, of, -1))
    return max(0.0, 1.0 - _tail(bad + 1, drawn, all_bad, of, 1))


def _seldom(bad: int, drawn: int, all_bad: int, of: int, limit: Fraction) -> bool:
    """Whether at most ``bad`` are drawn with a chance of ``limit`` or less; exact in a tie too."""
    chance, asked = chance_of_at_most(bad, drawn, all_bad, of), float(limit)
    fewer, more = sorted((drawn, all_bad))
    if abs(chance - asked) > _NEAR * asked or fewer > _EXACTLY_UP_TO:
        return chance <= asked
    # The distribution is the same when drawn and bad change places.
    ways = sum(
        math.comb(more, each) * math.comb(of - more, fewer - each)
        for each in range(max(0, fewer + more - of), bad + 1)
    )
    return ways * limit.denominator <= math.comb(of, fewer) * limit.numerator


def _tail(first: int, drawn: int, all_bad: int, of: int, step: int) -> float:
    """The chance of ``first`` and of all numbers beyond it in the direction of ``step``."""
    good, at = of - all_bad, first
    last = max(0, drawn - good) if step < 0 else min(drawn, all_bad)
    term = total = 1.0
    while at != last:
        if step < 0:
            term *= at * (good - drawn + at) / ((all_bad - at + 1) * (drawn - at + 1))
        else:
            term *= (all_bad - at) * (drawn - at) / ((at + 1) * (good - drawn + at + 1))
        total += term
        at += step
        if term < total * 1e-18:
            break
    return total * math.exp(_log_chance(first, drawn, all_bad, of))


def _log_chance(bad: int, drawn: int, all_bad: int, of: int) -> float:
    """The logarithm of the chance of exactly so many, none of them impossible."""
    share, rest = drawn / of, (of - drawn) / of
    return (
        _log_binomial(bad, all_bad, share, rest)
        + _log_binomial(drawn - bad, of - all_bad, share, rest)
        - _log_binomial(drawn, of, share, rest)
    )


def _log_binomial(hits: int, tries: int, share: float, rest: float) -> float:
    """The logarithm of the binomial chance of ``hits`` in ``tries``; ``rest`` is 1 - share."""
    misses = tries - hits
    if not hits:
        return tries * (math.log1p(-share) if share < 0.5 else math.log(rest)) if tries else 0.0
    if not misses:
        return tries * (math.log1p(-rest) if rest < 0.5 else math.log(share))
    return (
        _stirling_error(tries)
        - _stirling_error(hits)
        - _stirling_error(misses)
        - _deviance(hits, tries * share)
        - _deviance(misses, tries * rest)
        + 0.5 * (math.log(tries) - math.log(2 * math.pi) - math.log(hits) - math.log(misses))
    )


def _stirling_error(number: int) -> float:
    """By how much Stirling's formula misses the logarithm of ``number`` factorial."""
    if number < 16:
        exact = math.log(math.factorial(number))
        return exact - (number + 0.5) * math.log(number) + number - 0.5 * math.log(2 * math.pi)
    square = float(number) * number
    series = 1 / 1188
    for term in (1 / 1680, 1 / 1260, 1 / 360, 1 / 12):
        series = term - series / square
    return series / number


def _deviance(seen: float, expected: float) -> float:
    """seen * log(seen / expected) + expected - seen, without the loss of its digits."""
    apart = seen - expected
    if abs(apart) >= 0.1 * (seen + expected):
        return seen * math.log(seen / expected) - apart
    part = apart / (seen + expected)
    total, term = apart * part, 2 * seen * part
    for power in range(3, 1000, 2):
        term *= part * part
        after = total + term / power
        if after == total:
            break
        total = after
    return total
