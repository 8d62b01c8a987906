"""The ceiling is an exact token bucket for all readers at once; yielding heeds only others."""

from __future__ import annotations

import itertools
import math
import random
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier.pace import (
    BURST,
    GRANTED_AT_ONCE,
    PATIENCE_FROM,
    PATIENCE_TO,
    RELEASE_AT,
    Ceiling,
    Pace,
    Yielding,
)

often = settings(max_examples=200, deadline=None, database=None)

MEGABYTE = 1_000_000
rates = st.one_of(
    st.floats(MEGABYTE, 5_000 * MEGABYTE), st.sampled_from([MEGABYTE, 400 * MEGABYTE, 5e9])
)
WINDOW = 10.0
TOLERANCE = 0.05


# --------------------------------------------------------------------------------- the ceiling


class Bucket:
    """A token bucket as the textbook has it, in exact fractions; it may be overdrawn by a grant."""

    def __init__(self, rate: float, most: int, now: float) -> None:
        self._rate = Fraction(rate)
        self._most = most
        self._full = Fraction(BURST) * self._rate
        self._tokens = Fraction(0)
        self._now = Fraction(now)

    def ask(self, wanted: int, now: float) -> tuple[int, Fraction]:
        """As `Ceiling.ask`, and how near to the edge the decision was."""
        passed = Fraction(now) - self._now
        self._now += passed
        self._tokens = min(self._full, self._tokens + passed * self._rate)
        margin = abs(self._tokens) / self._rate
        if self._tokens < 0:
            return 0, margin
        granted = min(wanted, self._most)
        self._tokens -= granted
        return granted, margin


steps = st.lists(
    st.tuples(
        st.one_of(st.integers(0, 40), st.integers(1, 8 * MEGABYTE)).filter(bool),
        st.one_of(st.just(0.0), st.floats(0, 0.02), st.floats(0, 1.5)),
    ),
    max_size=80,
)


@often
@given(rates, steps, st.floats(0, 1e7))
def test_what_is_granted_is_what_an_exact_token_bucket_grants(rate, steps, now):
    ceiling = Ceiling(rate, [0.0])
    ceiling.begin(now)
    bucket = Bucket(rate, ceiling.most, now)
    for wanted, passed in steps:
        now += passed
        granted, margin = bucket.ask(wanted, now)
        answer = ceiling.ask(wanted, now)
        if margin < 1e-6 and granted != answer.granted:
            return  # at the edge a rounding error decides, and the two go apart
        assert answer.granted == granted
        assert math.isclose(answer.wait, 0 if granted else margin, abs_tol=1e-6)


readers = st.lists(
    st.tuples(
        st.sampled_from([4_000, 100_000, MEGABYTE, 4 * MEGABYTE]),  # what it asks for
        st.floats(0, 0.004),  # how long it takes for a block
    ),
    min_size=1,
    max_size=6,
)


def granted_by(ceiling: Ceiling, readers: list[tuple[int, float]], until: float, begun: float):
    """A simulation: each reader asks, waits as told, reads, asks again.  Moments and bytes."""
    late = random.Random(14)  # nobody wakes to the microsecond, nor always before the others
    ready = [begun] * len(readers)
    grants: list[tuple[float, int, int]] = []
    for _ in range(60_000):
        reader = min(range(len(readers)), key=ready.__getitem__)
        now = ready[reader]
        if now >= until:
            break
        wanted, takes = readers[reader]
        granted, wait = ceiling.ask(wanted, now)
        if granted:
            grants.append((now, granted, reader))
        ready[reader] = now + (takes if granted else wait) + late.uniform(1e-6, 1e-4)
    return grants, min(min(ready), until)


@settings(max_examples=40, deadline=None, database=None)
@given(rates, readers, st.floats(0, 3))
def test_no_window_sees_more_than_the_rate_and_its_burst(rate, readers, idle):
    ceiling = Ceiling(rate, [0.0])
    ceiling.begin(0.0)
    grants, _ = granted_by(ceiling, readers, idle + 12.0, begun=idle)
    most = rate * (WINDOW + BURST) + ceiling.most
    assert most <= rate * WINDOW * (1 + TOLERANCE)
    first = total = 0
    for now, granted, _reader in grants:
        total += granted
        while grants[first][0] <= now - WINDOW:
            total -= grants[first][1]
            first += 1
        assert total <= most * (1 + 1e-9)


@settings(max_examples=40, deadline=None, database=None)
@given(rates, readers)
def test_readers_that_can_keep_up_get_all_of_the_rate(rate, readers):
    ceiling = Ceiling(rate, [0.0])
    ceiling.begin(0.0)
    grants, ended = granted_by(ceiling, readers, 10.0, begun=0.0)
    could = sum(min(wanted, ceiling.most) / (takes + 1e-4) for wanted, takes in readers)
    if could >= 1.5 * rate and ended >= 3.0:
        total = sum(granted for _, granted, _ in grants)
        assert total >= (1 - TOLERANCE) * rate * ended


def test_after_a_stall_only_a_burst_is_made_up_for():
    ceiling = Ceiling(10 * MEGABYTE, [0.0])
    ceiling.begin(0.0)
    at_once = sum(
        answer.granted
        for answer in itertools.takewhile(
            lambda answer: answer.granted, (ceiling.ask(MEGABYTE, 3600.0) for _ in range(1000))
        )
    )
    assert at_once <= 10 * MEGABYTE * (BURST + GRANTED_AT_ONCE)


def test_nothing_is_saved_up_before_the_first_block():
    ceiling = Ceiling(10 * MEGABYTE, [0.0])
    ceiling.begin(500.0)
    assert ceiling.ask(MEGABYTE, 500.0).granted
    assert not ceiling.ask(1, 500.0).granted


def test_who_asks_for_little_does_not_keep_those_from_reading_who_ask_for_much():
    ceiling = Ceiling(20 * MEGABYTE, [0.0])
    ceiling.begin(0.0)
    grants, _ = granted_by(ceiling, [(4_000, 1e-5), (MEGABYTE, 1e-5)], 10.0, begun=0.0)
    blocks = sum(reader == 1 for _, _, reader in grants)
    assert blocks > 20


@pytest.mark.parametrize("garbage", [1e300, -1e300, 1e9])
def test_a_moment_that_is_garbage_keeps_nobody_waiting(garbage):
    moment = [garbage]
    ceiling = Ceiling(MEGABYTE, moment)
    assert ceiling.ask(MEGABYTE, 100.0).wait <= GRANTED_AT_ONCE
    assert ceiling.ask(MEGABYTE, 101.0).granted


@given(st.floats(1, 1e10), st.integers(1, 2**40))
def test_a_grant_is_at_least_a_byte_and_at_most_a_tenth_of_a_second(rate, wanted):
    ceiling = Ceiling(rate, [0.0])
    granted, _ = ceiling.ask(wanted, 5.0)
    assert 1 <= granted <= min(wanted, max(1, rate * GRANTED_AT_ONCE))


@pytest.mark.parametrize("rate", [0, -1, math.inf, math.nan])
def test_a_pace_that_is_none_is_refused(rate):
    with pytest.raises(ValueError, match="a pace must be a number over 0"):
        Pace(rate)


def test_a_pace_is_a_value():
    assert Pace() == Pace(None, False)
    assert {Pace(5.0), Pace(5.0)} == {Pace(5.0)}


# ------------------------------------------------------------------------------------ yielding


class Disk:
    """The kernel's figure: it follows what is true, and forgets the rest in ten seconds."""

    def __init__(self) -> None:
        self.figure = 0.0

    def pass_time(self, seconds: float, waiting: float) -> None:
        self.figure = waiting + (self.figure - waiting) * math.exp(-seconds / 10)


def seconds_held(yielding: Yielding, disk: Disk, minutes: int, others: float, own: float) -> float:
    held = 0
    for second in range(minutes * 60):
        holding = yielding.tick(float(second))
        held += holding
        disk.pass_time(1, max(others, 0.0 if holding else own))
    return held


def test_without_a_threshold_or_without_a_figure_nothing_is_ever_held():
    assert not Yielding(None, lambda: 1.0).tick(0.0)
    assert not Yielding(0.2, lambda: None).tick(0.0)


def test_a_hold_begins_above_the_threshold_and_ends_well_below_it():
    pressure = 0.0
    yielding = Yielding(0.2, lambda: pressure)
    for now, pressure, held in (  # noqa: B007 - the function above reads it
        (0.0, 0.2, False),
        (1.0, 0.21, True),
        (60.0, 0.15, True),
        (61.0, 0.2 * RELEASE_AT, False),
        (62.0, 0.19, False),
    ):
        assert yielding.tick(now) is held


def test_it_says_for_how_long_it_has_held():
    pressure = 0.5
    yielding = Yielding(0.2, lambda: pressure)
    assert yielding.held_for(0.0) == 0.0
    yielding.tick(10.0)
    yielding.tick(15.0)
    assert yielding.held_for(17.5) == 7.5
    pressure = 0.0
    yielding.tick(20.0)
    assert yielding.held_for(25.0) == 0.0


def test_a_figure_that_goes_away_ends_the_hold():
    pressure: float | None = 0.5
    yielding = Yielding(0.2, lambda: pressure)
    assert yielding.tick(0.0)
    pressure = None
    assert not yielding.tick(1.0)


def test_while_others_press_it_holds_nearly_all_the_time():
    disk = Disk()
    yielding = Yielding(0.2, lambda: disk.figure)
    assert seconds_held(yielding, disk, 60, others=0.6, own=0.9) > 0.99 * 3600


def test_the_only_user_of_a_busy_disk_is_hardly_kept_from_reading():
    disk = Disk()
    yielding = Yielding(0.2, lambda: disk.figure)
    assert seconds_held(yielding, disk, 240, others=0.0, own=0.95) < 0.06 * 4 * 3600


def test_others_who_come_later_are_heeded_within_its_patience():
    disk = Disk()
    yielding = Yielding(0.2, lambda: disk.figure)
    seconds_held(yielding, disk, 240, others=0.0, own=0.95)
    now = 240 * 60.0
    while not yielding.tick(now):
        disk.pass_time(1, 0.95)
        now += 1
    assert now - 240 * 60 <= PATIENCE_TO
    assert PATIENCE_FROM < PATIENCE_TO


@often
@given(
    st.floats(0.01, 0.9),
    st.lists(st.tuples(st.floats(0, 300), st.one_of(st.none(), st.floats(0, 1))), max_size=60),
)
def test_a_hold_begins_only_above_the_threshold_and_stays_while_it_is_pressed(above, looks):
    pressure: float | None = None
    yielding = Yielding(above, lambda: pressure)
    now, held = 0.0, False
    for passed, pressure in looks:
        now += passed
        holds = yielding.tick(now)
        if holds and not held:
            assert pressure is not None
            assert pressure > above
        if held and pressure is not None and pressure > above * RELEASE_AT:
            assert holds
        if pressure is None:
            assert not holds
        assert (yielding.held_for(now + 1) > 0) is holds
        held = holds
