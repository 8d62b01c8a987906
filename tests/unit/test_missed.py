"""Nights without a shift, shifts without an end, and by when the next message must be there."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st
from msgspec import Struct

from verifier.hours import Busy, Dates, Span, WorkingHours
from verifier.missed import Missed, due, missed, nights_from, week_began

often = effort(max_examples=200, deadline=None, database=None)

ZONE = ZoneInfo("Europe/Lisbon")
HOURS = WorkingHours(
    ZONE,
    (Span.parse("Mon-Fri 08:30-19:00"), Span.parse("Sat 10:00-14:00")),
    margin=600,
)
ALWAYS = WorkingHours(ZONE)


class Ran(Struct, frozen=True):
    started: int
    ended: int | None = None
    stopped_by: str | None = "done"


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp())


def ran(start: str, end: str | None, by: str | None = "done") -> Ran:
    return Ran(at(start), None if end is None else at(end), by if end else None)


def days(found: Missed) -> list[str]:
    return [str(each.day) for each in found.nights]


# 2026-11-23 is a Monday.
MONDAY = ran("2026-11-23 19:05", "2026-11-23 22:00")


def test_a_shift_each_night_misses_nothing():
    shifts = [MONDAY, ran("2026-11-24 19:05", "2026-11-24 22:00")]
    assert not missed(HOURS, shifts, at("2026-11-25 09:00"))


def test_a_night_is_missed_once_its_last_open_moment_is_over_and_not_before():
    assert not missed(HOURS, [MONDAY], at("2026-11-25 08:19"))
    assert days(missed(HOURS, [MONDAY], at("2026-11-25 08:20"))) == ["2026-11-24"]


def test_a_shift_after_midnight_belongs_to_the_night_before():
    shifts = [MONDAY, ran("2026-11-25 02:45", "2026-11-25 03:00")]
    assert not missed(HOURS, shifts, at("2026-11-25 12:00"))


def test_one_shift_over_a_weekend_covers_its_nights():
    shifts = [MONDAY, ran("2026-11-27 19:05", "2026-11-30 08:20", "working-hours")]
    found = missed(HOURS, shifts, at("2026-11-30 09:00"))
    assert days(found) == ["2026-11-24", "2026-11-25", "2026-11-26"]


def test_only_nights_on_which_a_shift_is_expected_can_be_missed():
    found = missed(HOURS, [MONDAY], at("2026-11-30 09:00"), nights=(4, 5))
    assert days(found) == ["2026-11-27", "2026-11-28"]


def test_a_night_that_is_hardly_open_is_not_expected():
    busy = Busy(Dates.parse("2026-11-24..2026-11-25"), (Span.parse("Mon-Sun 12:00-11:30"),))
    hours = WorkingHours(ZONE, HOURS.working, busy=(busy,))
    assert days(missed(hours, [MONDAY], at("2026-11-27 09:00"))) == ["2026-11-26"]


def test_before_any_shift_nothing_is_expected():
    assert not missed(HOURS, [], at("2026-11-30 09:00"))


def test_what_was_over_before_is_not_told_again():
    now = at("2026-11-27 09:00")
    assert days(missed(HOURS, [MONDAY], now, since=at("2026-11-26 00:00"))) == [
        "2026-11-25",
        "2026-11-26",
    ]


def test_where_it_is_always_open_a_night_is_over_at_noon():
    assert not missed(ALWAYS, [MONDAY], at("2026-11-25 11:59"))
    assert days(missed(ALWAYS, [MONDAY], at("2026-11-25 12:00"))) == ["2026-11-24"]


@pytest.mark.parametrize(
    ("shift", "unfinished"),
    [
        (ran("2026-11-24 19:05", None), True),
        (ran("2026-11-24 19:05", "2026-11-24 19:30", "signal"), True),
        (ran("2026-11-24 19:05", "2026-11-25 08:20", "working-hours"), False),
        (ran("2026-11-24 19:05", "2026-11-25 06:30", "until"), False),
    ],
)
def test_a_shift_that_was_cut_off_or_stopped_did_not_finish(shift: Ran, unfinished: bool):
    found = missed(HOURS, [MONDAY, shift], at("2026-11-25 09:00"))
    assert found.unfinished == ((shift.started,) if unfinished else ())
    assert days(found) == []


def test_a_shift_that_still_runs_is_not_called_cut_off_and_covers_its_nights():
    running = ran("2026-11-24 19:05", None)
    now = at("2026-11-26 09:00")
    assert not missed(ALWAYS, [MONDAY, running], now, running=True)
    assert missed(ALWAYS, [MONDAY, running], now).unfinished == (running.started,)


@pytest.mark.parametrize(
    ("now", "by"),
    [
        ("2026-11-23 22:00", "2026-11-25 08:20"),  # tonight has been told of: the next one
        ("2026-11-24 08:00", "2026-11-25 08:20"),
        ("2026-11-27 23:00", "2026-11-30 08:20"),  # Saturday's runs until Monday's bell
        ("2026-11-28 23:00", "2026-11-30 08:20"),
    ],
)
def test_the_next_message_is_due_at_the_bell_of_the_next_night(now: str, by: str):
    assert due(HOURS, at(now)) == at(by)


def test_where_it_is_always_open_it_is_due_at_the_night_s_end():
    assert due(ALWAYS, at("2026-11-23 22:00")) == at("2026-11-25 12:00")


def test_with_a_weekly_message_only_it_is_due_after_that_day_s_night():
    assert due(HOURS, at("2026-11-24 06:00"), weekday=0) == at("2026-12-01 08:20")


def test_where_no_night_is_expected_nothing_is_due():
    hours = WorkingHours(ZONE, (Span.parse("Mon-Sun 12:00-11:30"),))
    assert due(hours, at("2026-11-24 06:00")) is None


def test_a_week_begins_with_its_day_s_first_midnight():
    assert week_began(HOURS, at("2026-11-25 09:00"), 0) == at("2026-11-23 00:00")
    assert week_began(HOURS, at("2026-11-23 00:00"), 0) == at("2026-11-23 00:00")
    assert week_began(HOURS, at("2026-11-22 23:59"), 0) == at("2026-11-16 00:00")


@often
@given(st.integers(at("2026-01-01 00:00"), at("2027-12-31 00:00")))
def test_silence_is_called_bad_only_after_a_whole_night_that_is_still_to_come(now: int):
    by = due(HOURS, now)
    assert by is not None
    (night, *_) = [each for each in nights_from(HOURS, now, now + 9 * 86_400) if each.start > now]
    assert now < night.opens < by
    assert by >= night.closes
    # A shift in that night is all it takes.
    assert not missed(
        HOURS, [Ran(now, now), Ran(int(night.opens), int(night.opens))], by - 1
    ).nights
