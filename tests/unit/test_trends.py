"""Growth, room and pace from rows of measurements."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.trends import growth_a_day, pace_change, runs_out

DAY = 86_400
GB = 10**9


def test_steady_growth_is_told_to_the_byte():
    assert growth_a_day([(day * DAY, day * GB) for day in range(30)]) == pytest.approx(GB)


def test_one_project_that_leaves_does_not_count_as_shrinking():
    measured = [(day * DAY, day * GB - (500 * GB if day > 60 else 0)) for day in range(80)]
    assert growth_a_day(measured) > 0.5 * GB


def test_under_a_week_tells_no_growth():
    assert growth_a_day([(day * DAY, day * GB) for day in range(6)]) is None
    assert growth_a_day([]) is None


def test_only_the_last_quarter_counts():
    years_of_calm = [(day * DAY, 0) for day in range(700)]
    measured = [*years_of_calm, *((day * DAY, (day - 700) * GB) for day in range(700, 800))]
    assert growth_a_day(measured) == pytest.approx(GB)


@given(st.floats(1e3, 1e12), st.integers(10, 400))
def test_growth_scales_with_what_is_measured(slope, days):
    measured = [(day * DAY, round(day * slope)) for day in range(days)]
    assert growth_a_day(measured) == pytest.approx(slope, rel=0.01)


def test_room_runs_out_when_growth_has_used_it_up():
    assert runs_out(10 * GB, 2 * GB, 1000) == 1000 + 5 * DAY


@pytest.mark.parametrize("growth", [None, 0, -1.0])
def test_room_that_nothing_uses_up_never_runs_out(growth):
    assert runs_out(GB, growth, 0) is None


def test_a_pace_that_falls_by_a_third_is_called_fallen_and_one_slow_night_is_not():
    steady = [180e6] * 20
    assert pace_change([*steady, *[120e6] * 5]).fallen
    assert not pace_change([*steady, 20e6]).fallen
    assert not pace_change([*steady, *[150e6] * 5]).fallen


def test_too_few_shifts_are_not_compared():
    assert pace_change([]) is None
    assert pace_change([180e6] * 5 + [90e6] * 4).before is None
