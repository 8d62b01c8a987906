"""The figures against exact fractions and scipy, and the draw against chance itself."""

from __future__ import annotations

import math
import random
from collections import Counter
from contextlib import closing
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from verifier.jobs.spot_check.sample import HELD_IN_ORDER, Extent, Request, Sample, population_of
from verifier.ledger import Ledger, PlaceName
from verifier.model import Kind, Sighting
from verifier.sampling import (
    Draw,
    chance_of_at_most,
    draws_needed,
    most_bad,
    pieces_hit,
)

often = settings(max_examples=300, deadline=None)

SURE = Fraction(19, 20)
ESTATES = 2_000
NOISE = 3.5 * math.sqrt(0.05 * 0.95 / ESTATES)
"""By how much a share of 0.95 in so many estates can miss: once in four thousand runs."""


def exactly(bad: int, drawn: int, all_bad: int, of: int) -> Fraction:
    """The chance of at most ``bad``, counted out in whole numbers."""
    ways = sum(
        math.comb(all_bad, each) * math.comb(of - all_bad, drawn - each)
        for each in range(min(bad, drawn, all_bad) + 1)
    )
    return Fraction(ways, math.comb(of, drawn))


@st.composite
def estates(draw: st.DrawFn, most: int) -> tuple[int, int, int]:
    """How many units there are, how many are bad, and how many are drawn; edges often."""
    of = draw(st.integers(1, most))
    some = st.one_of(st.sampled_from([0, 1, of]), st.integers(0, of), st.integers(0, min(of, 50)))
    return of, draw(some), draw(some)


# ------------------------------------------------------------------------------- the chances


@often
@given(estates(400), st.integers(0, 400))
def test_a_chance_is_what_counting_it_out_gives(estate: tuple[int, int, int], bad: int) -> None:
    of, all_bad, drawn = estate
    exact = float(exactly(bad, drawn, all_bad, of))
    assert chance_of_at_most(bad, drawn, all_bad, of) == pytest.approx(exact, rel=1e-11, abs=1e-300)


@often
@given(estates(10**7), st.floats(-6, 6))
def test_a_chance_is_what_scipy_says_for_ten_million(
    estate: tuple[int, int, int], away: float
) -> None:
    of, all_bad, drawn = estate
    mean = drawn * all_bad / of
    bad = max(0, round(mean + away * math.sqrt(mean + 1)))
    theirs = float(stats.hypergeom.cdf(bad, of, all_bad, drawn))
    # Theirs loses digits to factorials of so large numbers.
    assert chance_of_at_most(bad, drawn, all_bad, of) == pytest.approx(theirs, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("of", [10**9, 10**12, 240 * 10**12, 10**17 + 3])
@pytest.mark.parametrize("drawn", [1, 299, 2_995])
@pytest.mark.parametrize("bad", [0, 1, 7])
def test_a_chance_keeps_its_digits_where_bytes_are_counted(of: int, drawn: int, bad: int) -> None:
    all_bad = of // 1000 + 1
    exact = float(exactly(bad, drawn, all_bad, of))
    assert chance_of_at_most(bad, drawn, all_bad, of) == pytest.approx(exact, rel=1e-10)


def test_edges_are_certain() -> None:
    assert chance_of_at_most(0, 0, 5, 10) == 1.0  # none drawn
    assert chance_of_at_most(0, 10, 0, 10) == 1.0  # none bad
    assert chance_of_at_most(4, 10, 5, 10) == 0.0  # all drawn
    assert chance_of_at_most(5, 10, 5, 10) == 1.0
    assert chance_of_at_most(2, 3, 10, 10) == 0.0  # all bad
    assert chance_of_at_most(3, 3, 10, 10) == 1.0
    assert chance_of_at_most(0, 6, 5, 10) == 0.0  # more drawn than there are good ones


# -------------------------------------------------------------------------- how many to draw


@often
@given(
    st.integers(1, 3_000),
    st.fractions(Fraction(1, 2000), Fraction(9, 10)),
    st.sampled_from([Fraction(1, 2), Fraction(9, 10), SURE, Fraction(99, 100)]),
)
def test_the_number_of_draws_is_the_fewest_that_would_show_too_many(
    of: int, at_most: Fraction, sure: Fraction
) -> None:
    drawn = draws_needed(of, at_most, sure)
    too_many = math.floor(at_most * of) + 1
    assert too_many > at_most * of >= too_many - 1
    assert 1 - exactly(0, drawn, too_many, of) >= sure
    assert 1 - exactly(0, drawn - 1, too_many, of) < sure


@pytest.mark.parametrize("of", [1_000, 54_321, 10**6, 10**7])
@pytest.mark.parametrize("at_most", ["0.0001", "0.001", "0.01", "0.2"])
def test_the_number_of_draws_is_scipys(of: int, at_most: str) -> None:
    drawn = draws_needed(of, Fraction(at_most), SURE)
    too_many = math.floor(Fraction(at_most) * of) + 1
    assert stats.hypergeom.pmf(0, of, too_many, drawn) <= 0.05 * (1 + 1e-6)
    assert stats.hypergeom.pmf(0, of, too_many, drawn - 1) >= 0.05 * (1 - 1e-6)


@pytest.mark.parametrize(("of", "drawn"), [(1, 1), (20, 19), (100, 95), (1_000, 950)])
def test_a_tie_is_decided_by_whole_numbers(of: int, drawn: int) -> None:
    """One bad unit is missed with a chance of exactly a twentieth."""
    assert draws_needed(of, Fraction(1, 10**6), SURE) == drawn
    assert most_bad(of, drawn, 0, SURE) == 0
    if of > 1:
        assert most_bad(of, drawn - 1, 0, SURE) == 1


def test_a_thousandth_of_a_large_share_takes_some_three_thousand_draws() -> None:
    assert draws_needed(5 * 10**6, Fraction(1, 1000), SURE) == 2_993
    assert draws_needed(240 * 10**12, Fraction(1, 1000), SURE) == 2_995


# ------------------------------------------------------------------------------ what it shows


@often
@given(
    st.integers(1, 250).flatmap(
        lambda of: st.tuples(st.just(of), st.integers(0, of)).flatmap(
            lambda pair: st.tuples(st.just(pair[0]), st.just(pair[1]), st.integers(0, pair[1]))
        )
    ),
    st.sampled_from([Fraction(1, 2), SURE, Fraction(999, 1000)]),
)
def test_the_bound_is_the_most_that_so_few_do_not_exclude(
    case: tuple[int, int, int], sure: Fraction
) -> None:
    of, drawn, bad = case
    bound = most_bad(of, drawn, bad, sure)
    not_excluded = [
        each
        for each in range(bad, of - drawn + bad + 1)
        if exactly(bad, drawn, each, of) > 1 - sure
    ]
    assert bound == max(not_excluded)


@pytest.mark.parametrize("of", [10**4, 10**6, 10**7])
@pytest.mark.parametrize("drawn", [10, 2_994, 9_999])
@pytest.mark.parametrize("bad", [0, 1, 9])
def test_the_bound_is_scipys(of: int, drawn: int, bad: int) -> None:
    bound = most_bad(of, drawn, bad, SURE)
    assert stats.hypergeom.cdf(bad, of, bound, drawn) > 0.05 * (1 - 1e-6)
    if bound < of - drawn + bad:
        assert stats.hypergeom.cdf(bad, of, bound + 1, drawn) <= 0.05 * (1 + 1e-6)


@often
@given(st.integers(1, 10**7), st.fractions(Fraction(1, 10**5), Fraction(1, 2)))
def test_a_sample_of_that_size_without_a_bad_one_shows_what_was_asked(
    of: int, at_most: Fraction
) -> None:
    assert most_bad(of, draws_needed(of, at_most, SURE), 0, SURE) <= at_most * of


@often
@given(st.integers(1, 5_000), st.data())
def test_more_draws_never_show_less_and_more_bad_ones_never_less_bad(
    of: int, data: st.DataObject
) -> None:
    drawn = data.draw(st.integers(0, of - 1))
    bad = data.draw(st.integers(0, drawn))
    bound = most_bad(of, drawn, bad, SURE)
    assert most_bad(of, drawn + 1, bad, SURE) <= bound
    assert most_bad(of, drawn + 1, bad + 1, SURE) >= bound


def test_nothing_drawn_excludes_nothing_and_all_drawn_leaves_no_doubt() -> None:
    assert most_bad(1_000, 0, 0, SURE) == 1_000
    assert most_bad(1_000, 1_000, 0, SURE) == 0
    assert most_bad(1_000, 1_000, 7, SURE) == 7
    assert most_bad(1_000, 10, 10, SURE) == 1_000


@pytest.mark.parametrize("case", [(10, 11, 0), (10, 5, 6), (10, 5, -1)])
def test_what_cannot_be_is_refused(case: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="cannot be"):
        most_bad(*case, SURE)


# ----------------------------------------------------------------------------- true coverage


def drawn_files(seed: int, of: int) -> list[int]:
    draw = Draw(seed)
    return sorted(range(of), key=lambda unit: draw.rank(b"files/%07d.tif" % unit))


def test_the_stated_confidence_is_kept_in_two_thousand_estates() -> None:
    chance = random.Random(4)
    held = 0
    for seed in range(ESTATES):
        of = chance.randint(50, 1_500)
        all_bad = max(1, round(of * chance.uniform(0.002, 0.3)))
        drawn = chance.randint(10, of - 1)
        order = drawn_files(seed, of)
        bad = sum(unit < all_bad for unit in order[:drawn])
        held += most_bad(of, drawn, bad, SURE) >= all_bad
    assert 0.95 - NOISE <= held / ESTATES <= 0.985


def test_it_is_kept_where_just_too_many_are_bad_and_no_better_than_it_must_be() -> None:
    of, at_most = 1_000, Fraction(1, 100)
    drawn = draws_needed(of, at_most, SURE)
    held = 0
    for seed in range(ESTATES):
        bad = sum(unit < 11 for unit in drawn_files(seed, of)[:drawn])
        held += most_bad(of, drawn, bad, SURE) >= 11
    assert 0.95 - NOISE <= held / ESTATES <= 0.952 + NOISE


@pytest.mark.parametrize("bad_ones", ["large", "small", "any"])
def test_it_is_kept_where_the_clock_ends_the_reading_whichever_files_are_bad(
    bad_ones: str,
) -> None:
    held, naive = by_the_clock(bad_ones)
    assert held >= 0.95 - NOISE
    if bad_ones == "large":
        # To count all that is finished, and not only what lies before the first that is not,
        # would leave out the large files, which are the bad ones here.
        assert naive < 0.9


def by_the_clock(bad_ones: str) -> tuple[float, float]:
    """How often the bound holds: of what lies before an unfinished file, and of all finished."""
    chance = random.Random(11)
    held = naive = 0
    for seed in range(ESTATES):
        of, minutes = chance.randint(60, 300), chance.uniform(20, 60)
        seconds = [chance.lognormvariate(0, 1.5) for _ in range(of)]
        by_size = sorted(range(of), key=seconds.__getitem__, reverse=bad_ones == "large")
        if bad_ones == "any":
            chance.shuffle(by_size)
        bad = set(by_size[: max(1, round(of * chance.uniform(0.02, 0.3)))])
        ends, free = [], [0.0] * 4  # four files are read at a time
        for unit in drawn_files(seed, of):
            reader = min(range(4), key=free.__getitem__)
            free[reader] += seconds[unit]
            ends.append((unit, free[reader] <= minutes))
        finished = [unit for unit, done in ends if done]
        prefix = []
        for unit, done in ends:
            if not done:
                break
            prefix.append(unit)
        held += most_bad(of, len(prefix), len(bad & set(prefix)), SURE) >= len(bad)
        naive += most_bad(of, len(finished), len(bad & set(finished)), SURE) >= len(bad)
    return held / ESTATES, naive / ESTATES


def test_it_is_kept_by_bytes_though_pieces_are_unequal() -> None:
    chance = random.Random(9)
    held = 0
    for seed in range(ESTATES):
        sizes = [chance.choice([1, 300, 640, 2_000, 9_999]) for _ in range(chance.randint(5, 60))]
        files = [(b"%04d" % number, size) for number, size in enumerate(sizes)]
        pieces = [
            (path, at, min(640, size - at * 640))
            for path, size in files
            for at in range(-(-size // 640))
        ]
        bad = {
            (path, at): length
            for path, at, length in chance.sample(pieces, max(1, len(pieces) // 8))
        }
        of = sum(sizes)
        drawn = Draw(seed).numbers(of, min(of, 60))
        hit, of_draw = pieces_hit(files, drawn, 640)
        hits = sum((hit[piece].path, hit[piece].number) in bad for piece in of_draw)
        held += most_bad(of, len(drawn), hits, SURE) >= sum(bad.values())
    assert 0.95 - NOISE <= held / ESTATES <= 0.985


# ---------------------------------------------------------------------------------- the draw


def test_every_file_is_drawn_as_often_as_any_other() -> None:
    of, drawn, times = 60, 12, 6_000
    counted = Counter(unit for seed in range(times) for unit in drawn_files(seed, of)[:drawn])
    # Drawn without replacement, counts vary less than a multinomial's by (of - 1) / (of - drawn).
    expected = times * drawn / of
    statistic = sum((counted[unit] - expected) ** 2 for unit in range(of)) / expected
    statistic *= (of - 1) / (of - drawn)
    assert 0.001 < stats.chi2.sf(statistic, of - 1) < 0.999


def test_every_pair_of_files_is_drawn_as_often_as_any_other() -> None:
    of, times = 8, 8_000
    counted = Counter(frozenset(drawn_files(seed, of)[:2]) for seed in range(times))
    pairs = math.comb(of, 2)
    assert len(counted) == pairs
    statistic = sum((each - times / pairs) ** 2 for each in counted.values()) * pairs / times
    assert 0.001 < stats.chi2.sf(statistic, pairs - 1) < 0.999


def test_every_byte_comes_first_and_last_as_often_as_any_other() -> None:
    below, times = 37, 6_000
    for place in (0, 9):
        counted = Counter(Draw(seed).numbers(below, 10)[place] for seed in range(times))
        expected = times / below
        statistic = sum((counted[each] - expected) ** 2 for each in range(below)) / expected
        assert 0.001 < stats.chi2.sf(statistic, below - 1) < 0.999


@often
@given(st.integers(0, 2**53), st.integers(1, 10**18), st.integers(0, 300))
def test_no_number_is_drawn_twice_and_none_lies_outside(seed: int, below: int, most: int) -> None:
    numbers = Draw(seed).numbers(below, most)
    assert len(numbers) == len(set(numbers)) == min(below, most)
    assert all(0 <= number < below for number in numbers)


def test_all_numbers_are_drawn_when_all_are_asked_for() -> None:
    assert sorted(Draw(1).numbers(200, 10**9)) == list(range(200))


def test_a_seed_draws_the_same_on_every_system_and_another_one_something_else() -> None:
    # Written down, so that a statement can be repeated in ten years.
    assert Draw(7).rank(b"notes/plan.txt").hex() == RANK
    assert list(Draw(7).numbers(240 * 10**12, 3)) == NUMBERS
    assert Draw(8).rank(b"notes/plan.txt") != Draw(7).rank(b"notes/plan.txt")
    assert Draw(8).numbers(10**12, 3) != Draw(7).numbers(10**12, 3)


RANK = "9bd9efd0c6c2eb8c6b5d5a121e9ef881"
NUMBERS = [34_489_485_317_795, 194_583_935_844_833, 81_114_191_927_122]


@often
@given(st.integers(0, 1000), st.integers(1, 50), st.integers(1, 50))
def test_a_longer_sample_begins_with_the_shorter_one(seed: int, some: int, more: int) -> None:
    draw = Draw(seed)
    assert draw.numbers(10**6, some + more)[:some] == draw.numbers(10**6, some)


def test_a_file_keeps_its_rank_when_others_come_and_go() -> None:
    before = drawn_files(5, 40)
    after = [unit for unit in drawn_files(5, 60) if unit < 40]
    assert before == after


# -------------------------------------------------------------------------------- the pieces


@often
@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=12).filter(any),
    st.integers(0, 1000),
    st.integers(1, 60),
    st.integers(1, 15),
)
def test_each_drawn_byte_lies_in_its_piece_and_pieces_come_in_the_order_of_their_draws(
    sizes: list[int], seed: int, most: int, length: int
) -> None:
    files = [(b"%02d" % number, size) for number, size in enumerate(sizes)]
    bytes_of = [(path, size, at // length) for path, size in files for at in range(size)]
    drawn = Draw(seed).numbers(len(bytes_of), most)
    pieces, of_draw = pieces_hit(files, drawn, length)
    where = [bytes_of[number] for number in drawn]
    assert [(pieces[at].path, pieces[at].size, pieces[at].number) for at in of_draw] == where
    in_order = list(dict.fromkeys(where))
    assert [(each.path, each.size, each.number) for each in pieces] == in_order
    assert [each.first for each in pieces] == [where.index(each) for each in in_order]


# ------------------------------------------------------------------- a sample from the ledger


@pytest.mark.parametrize(("below", "files"), [(b"", 70_000), (b"2026-021-lock-gates", 20_000)])
def test_a_sample_of_many_files_comes_in_the_same_order_through_the_disk_as_through_memory(
    tmp_path: Path, below: bytes, files: int
) -> None:
    share = PlaceName("current-surveys")
    paths = sorted(
        (b"2026-014-harbour-wall/" if number < 50_000 else b"2026-021-lock-gates/")
        + b"%06d.tif" % number
        for number in range(70_000)
    )
    with Ledger(tmp_path / "ledger.db") as ledger:
        walk = ledger.walk(share)
        walk.take(Sighting(path, Kind.FILE, 10, 5) for path in paths)
        walk.apply(1_800_000_000)
        request = Request(None, share.share, 3, SURE, Fraction(1, 10**6), folder=below)  # type: ignore[arg-type]
        population = population_of(request, ledger)
        assert population == Extent(files, 10 * files)
        with closing(Sample(request, ledger, population)) as sample:
            drawn = [(unit.number, unit.path) for unit in sample]
    most = draws_needed(files, Fraction(1, 10**6), SURE)
    assert (most > HELD_IN_ORDER) == (not below)
    order = sorted((path for path in paths if path.startswith(below)), key=Draw(3).rank)
    assert drawn == list(enumerate(order[:most]))
