"""When reading will end, against a count of single minutes, across clock changes."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier import forecast
from verifier.hours import Busy, Dates, Span, Stretch, WorkingHours, parse_days

often = settings(max_examples=60, deadline=None, database=None)

MINUTE, HOUR, DAY, WEEK = 60, 3600, 86_400, 604_800
LISBON = ZoneInfo("Europe/Lisbon")
STUDIO = WorkingHours(LISBON, (Span.parse("Mon-Fri 08:00-19:00"),))


def at(written: str, zone: ZoneInfo = LISBON) -> float:
    return datetime.fromisoformat(written).replace(tzinfo=zone).timestamp()


MONDAY = at("2026-11-23 12:00")


# By hand


@pytest.mark.parametrize(
    ("start", "seconds", "ends"),
    [
        ("2026-11-23 12:00", 1, "2026-11-23 19:00:01"),
        ("2026-11-23 12:00", 13 * HOUR, "2026-11-24 08:00"),
        ("2026-11-23 12:00", 13 * HOUR + 1, "2026-11-24 19:00:01"),
        ("2026-11-23 20:00", HOUR, "2026-11-23 21:00"),
        ("2026-11-27 18:00", 61 * HOUR, "2026-11-30 08:00"),
        ("2026-11-23 12:00", 0, "2026-11-23 12:00"),
    ],
)
def test_reading_goes_on_through_the_open_hours(start: str, seconds: int, ends: str) -> None:
    assert forecast.ends(STUDIO, at(start), 1000 * seconds, 1000) == at(ends)


def test_a_night_on_which_clocks_go_back_is_an_hour_longer() -> None:
    free = WorkingHours(LISBON, (Span.parse("Mon-Sun 08:00-20:00"),))
    assert forecast.ends(free, at("2026-10-24 20:00"), 13 * HOUR, 1) == at("2026-10-25 08:00")
    assert forecast.ends(free, at("2026-03-28 20:00"), 11 * HOUR, 1) == at("2026-03-29 08:00")


def test_what_would_take_over_ten_years_has_no_end() -> None:
    assert forecast.ends(STUDIO, MONDAY, 10**15, 1) is None
    assert forecast.ends(STUDIO, MONDAY, 1, 0) is None
    always = WorkingHours(LISBON)
    almost = forecast.LOOKED_AHEAD
    assert forecast.ends(always, MONDAY, almost, 1) == MONDAY + almost
    assert forecast.ends(always, MONDAY, almost + 1, 1) is None


def test_hours_that_never_open_have_no_end() -> None:
    never = WorkingHours(LISBON, (Span.parse("Mon-Sun 00:00-24:00"),))
    assert forecast.ends(never, MONDAY, 1, 10**9) is None
    assert forecast.longest(never, MONDAY, 4) is None
    assert forecast.hours_a_week(never, MONDAY, WEEK) == 0


def test_a_weekend_belongs_noon_to_noon_to_the_nights_it_holds() -> None:
    friday, saturday, sunday, monday = (
        at(f"2026-11-{each}") for each in ("27 19:00", "28 12:00", "29 12:00", "30 08:00")
    )

    def of(nights: str) -> list[Stretch]:
        span = friday - HOUR, monday + HOUR
        return list(forecast.stretches(STUDIO, *span, parse_days(nights)))

    assert of("Fri") == [Stretch(friday, saturday)]
    assert of("Sat") == [Stretch(saturday, sunday)]
    assert of("Sun") == [Stretch(sunday, monday)]
    assert of("Fri,Sun") == [Stretch(friday, saturday), Stretch(sunday, monday)]
    assert of("Sat,Sun") == [Stretch(saturday, monday)]
    assert of("Mon-Thu") == []
    assert of("Mon-Sun") == [Stretch(friday, monday)]


def test_a_night_whose_noon_is_skipped_goes_on_to_the_next_noon() -> None:
    apia = ZoneInfo("Pacific/Apia")  # where 30 December 2011, a Friday, did not happen
    thursday, saturday = at("2011-12-29 12:00", apia), at("2011-12-31 12:00", apia)
    assert saturday - thursday == DAY
    free = WorkingHours(apia)
    span = thursday - DAY, saturday + DAY
    assert list(forecast.stretches(free, *span, [3])) == [Stretch(thursday, saturday)]
    assert list(forecast.stretches(free, *span, [4])) == []
    assert list(forecast.stretches(free, *span, [5])) == [Stretch(saturday, saturday + DAY)]


def test_the_week_of_the_studio_is_as_long_as_a_person_counts() -> None:
    assert forecast.hours_a_week(STUDIO, MONDAY, 2 * WEEK) == pytest.approx(168 - 5 * 11)
    assert forecast.hours_a_week(STUDIO, MONDAY, WEEK, [5, 6]) == pytest.approx(24 + 20)
    assert forecast.hours_a_week(STUDIO, MONDAY, 0) == 0


def test_the_longest_stretch_is_the_first_weekend() -> None:
    weekend = Stretch(at("2026-11-27 19:00"), at("2026-11-30 08:00"))
    assert forecast.longest(STUDIO, MONDAY, 4) == weekend


# The target


def test_a_target_that_is_met_misses_nothing() -> None:
    found = forecast.within(STUDIO, MONDAY, 113 * HOUR, 1, WEEK)
    assert found.met
    assert found.hours_a_week == found.hours_a_week_needed == pytest.approx(113)
    assert found.hours_a_week_missing == 0
    assert found.bytes_per_second_needed == 1


def test_a_target_that_is_missed_says_by_how_much() -> None:
    found = forecast.within(STUDIO, MONDAY, 2 * 123 * HOUR, 1, 2 * WEEK)
    assert not found.met
    assert found.hours_a_week_missing == pytest.approx(10)
    assert found.bytes_per_second_needed == 123 / 113


def test_a_target_that_no_hours_would_reach_asks_for_a_pace_only() -> None:
    found = forecast.within(STUDIO, MONDAY, 169 * HOUR, 1, WEEK)
    assert found.hours_a_week_missing is None
    assert found.bytes_per_second_needed == 169 / 113


def test_without_a_pace_or_hours_there_is_nothing_to_say() -> None:
    still = forecast.within(STUDIO, MONDAY, 1000, 0, WEEK)
    assert not still.met
    assert still.hours_a_week_needed is None
    assert still.hours_a_week_missing is None
    never = WorkingHours(LISBON, (Span.parse("Mon-Sun 00:00-24:00"),))
    assert forecast.within(never, MONDAY, 1000, 1, WEEK).bytes_per_second_needed is None


def test_nothing_to_read_meets_every_target() -> None:
    found = forecast.within(STUDIO, MONDAY, 0, 0, WEEK)
    assert found.met
    assert found.bytes_per_second_needed == 0


# Minute by minute

AROUND = [
    ("Europe/Lisbon", "2026-03-29"),
    ("Europe/Lisbon", "2026-10-25"),
    ("America/New_York", "2026-11-01"),
    ("Australia/Lord_Howe", "2026-04-05"),  # half an hour
    ("America/Santiago", "2026-09-06"),  # at midnight
    ("Asia/Kathmandu", "2026-06-14"),
    ("Pacific/Apia", "2011-12-30"),  # a day that did not happen
]


def weekly_spans() -> st.SearchStrategy[Span]:
    def made(days: set[int], start: int, length: int) -> Span:
        return Span(tuple(sorted(days)), start, start + length)

    return st.builds(
        made,
        st.sets(st.integers(0, 6), min_size=1),
        st.integers(0, 1439),
        st.integers(1, 1439),
    )


Case = tuple[WorkingHours, float, frozenset[int]]


@st.composite
def cases(draw: st.DrawFn) -> Case:
    zone, night = draw(st.sampled_from(AROUND))
    day = date.fromisoformat(night)
    hours = WorkingHours(
        ZoneInfo(zone),
        tuple(draw(st.lists(weekly_spans(), max_size=3))),
        tuple(Dates(day, day) for _ in range(draw(st.integers(0, 1)))),
        tuple(
            Busy(Dates(day + timedelta(days=1), day + timedelta(days=2)), (span,))
            for span in draw(st.lists(weekly_spans(), max_size=1))
        ),
        draw(st.sampled_from([0, 600])),
    )
    start = datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()
    start += MINUTE * draw(st.integers(-4 * 1440, 0))
    return hours, start, draw(st.frozensets(st.integers(0, 6), min_size=1))


SPAN = 6 * DAY


def open_minutes(hours: WorkingHours, start: float, nights: frozenset[int]) -> list[float]:
    """The minutes that may be read in: looked at one by one, each in the night of the last noon.

    Which minutes are open is proven by the tests of the hours themselves.
    """
    is_open = {
        minute
        for each in hours.open_stretches(start, start + SPAN)
        for minute in range(int(each.start), int(each.end), MINUTE)
    }
    found = []
    noon: date | None = None
    # Begun days before, since the last noon may be longer ago than a day where one was skipped.
    for minute in range(int(start) - 2 * DAY, int(start) + SPAN, MINUTE):
        wall = hours.local(minute)
        if (wall.hour, wall.minute) == (12, 0):
            noon = wall.date()
        if minute in is_open:
            assert noon is not None
            if noon.weekday() in nights:
                found.append(float(minute))
    return found


@often
@given(cases())
def test_every_minute_belongs_to_the_night_of_the_last_noon(case: Case) -> None:
    hours, start, nights = case
    found = list(forecast.stretches(hours, start, start + SPAN, nights))
    covered = [
        float(minute) for each in found for minute in range(int(each.start), int(each.end), MINUTE)
    ]
    assert covered == open_minutes(hours, start, nights)
    assert all(one.end < two.start for one, two in pairwise(found))


@often
@given(cases(), st.integers(1, 6 * 1440))
def test_reading_ends_where_a_count_of_minutes_ends(case: Case, minutes: int) -> None:
    hours, start, nights = case
    counted = open_minutes(hours, start, nights)
    ended = forecast.ends(hours, start, 512 * MINUTE * minutes, 512, nights)
    if minutes <= len(counted):
        assert ended == counted[minutes - 1] + MINUTE
    else:
        assert ended is None or ended > start + SPAN


@often
@given(cases(), st.integers(1, 6 * 1440))
def test_a_target_is_met_when_the_reading_ends_in_time(case: Case, minutes: int) -> None:
    hours, start, nights = case
    available = len(open_minutes(hours, start, nights))
    target = forecast.within(hours, start, 64 * MINUTE * minutes, 64, SPAN, nights)
    assert target.available == available * MINUTE
    assert target.met is (minutes <= available)
    ended = forecast.ends(hours, start, 64 * MINUTE * minutes, 64, nights)
    assert target.met is (ended is not None and ended <= start + SPAN)
    missing = target.hours_a_week_missing
    if minutes <= SPAN // MINUTE:
        assert missing == pytest.approx(max(0, minutes - available) / 60 * WEEK / SPAN)
    else:
        assert missing is None


@often
@given(cases())
def test_the_nights_of_a_week_share_its_open_hours_out(case: Case) -> None:
    hours, start, nights = case
    others = frozenset(range(7)) - nights
    parts = sum(
        forecast.open_seconds(hours, start, SPAN, each) for each in (nights, others) if each
    )
    assert parts == hours.open_seconds(start, start + SPAN)
