"""Which nights had a shift, which were missed, and when silence begins to mean something."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.expected import GRACE, Missed, expected, expected_from
from verifier.hours import Busy, Dates, Span, WorkingHours
from verifier.ledger import Shift

LISBON = ZoneInfo("Europe/Lisbon")
WORKING = (Span.parse("Mon-Fri 08:30-19:00"), Span.parse("Sat 10:00-14:00"))
HOURS = WorkingHours(LISBON, WORKING, margin=600)


def at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=LISBON).timestamp()


def shift(started: str, ended: str | None = None, by: str = "done") -> Shift:
    if ended is None:
        return Shift(1, int(at(started)), None, None)
    return Shift(1, int(at(started)), int(at(ended)), by)


def days(nights) -> list[str]:
    return [f"{each.day:%a %d}" for each in nights]


TUESDAY = shift("2026-11-24 19:05", "2026-11-25 02:10")


def test_before_any_shift_nothing_was_missed_and_the_next_night_is_expected():
    found = expected(HOURS, [], at("2026-11-25 09:00"))
    assert (found.began, found.last, found.missed) == (None, None, ())
    assert days([found.next]) == ["Wed 25"]
    assert found.by == at("2026-11-26 08:20") + GRACE


def test_after_a_shift_the_next_night_is_the_one_after_it():
    found = expected(HOURS, [TUESDAY], at("2026-11-25 02:10"))
    assert found.missed == ()
    assert days([found.last, found.next]) == ["Tue 24", "Wed 25"]
    assert (found.next.opens, found.next.closes) == (at("2026-11-25 19:00"), at("2026-11-26 08:20"))


def test_a_night_is_missed_only_when_it_is_over():
    assert expected(HOURS, [TUESDAY], at("2026-11-26 08:19")).missed == ()
    found = expected(HOURS, [TUESDAY], at("2026-11-26 08:20"))
    assert days(found.missed) == days(found.lately.nights) == ["Wed 25"]
    assert days([found.next]) == ["Thu 26"]


def test_a_missed_night_followed_by_a_shift_is_missed_but_not_lately():
    thursday = shift("2026-11-26 19:05", "2026-11-26 23:00")
    found = expected(HOURS, [TUESDAY, thursday], at("2026-11-27 01:00"))
    assert days(found.missed) == ["Wed 25"]
    assert not found.lately


def test_a_shift_of_a_whole_weekend_belongs_to_each_of_its_nights():
    weekend = shift("2026-11-27 19:00", "2026-11-30 08:20")
    found = expected(HOURS, [weekend], at("2026-11-30 09:00"))
    assert found.missed == ()
    assert days([found.last]) == ["Sun 29"]


def test_a_shift_that_was_cut_off_counts_for_the_night_it_began_in_only():
    found = expected(HOURS, [shift("2026-11-27 19:00")], at("2026-11-30 09:00"))
    assert days(found.missed) == ["Sat 28", "Sun 29"]


def test_a_lunch_break_is_no_night():
    hours = WorkingHours(
        LISBON, (Span.parse("Mon-Sun 08:00-12:30"), Span.parse("Mon-Sun 13:00-12:00"))
    )
    assert expected(hours, [], at("2026-11-25 09:00")).next is None


def test_without_working_hours_a_shift_is_expected_from_noon_to_noon():
    found = expected(WorkingHours(LISBON), [TUESDAY], at("2026-11-25 02:10"))
    assert days([found.last, found.next]) == ["Tue 24", "Wed 25"]
    assert found.by == at("2026-11-26 12:00") + GRACE


def test_a_holiday_is_a_night_like_any_other():
    off = WorkingHours(LISBON, WORKING, (Dates.parse("2026-12-24..2027-01-02"),))
    found = expected(off, [shift("2026-12-23 19:05", "2026-12-23 23:00")], at("2026-12-26 13:00"))
    assert days(found.missed) == ["Thu 24", "Fri 25"]


@pytest.mark.parametrize("night", ["2026-03-28", "2026-10-24"])
def test_the_night_in_which_clocks_change_is_one_night(night):
    day = datetime.fromisoformat(night)
    ran = [shift(f"{day + timedelta(days=step):%Y-%m-%d} 20:00") for step in range(-1, 2)]
    found = expected(HOURS, ran, at(f"{day + timedelta(days=2):%Y-%m-%d} 09:00"))
    assert found.missed == ()


@given(st.lists(st.integers(0, 40), max_size=12, unique=True), st.integers(0, 40 * 24))
def test_every_night_over_since_the_first_shift_is_had_or_missed_and_never_both(nights, hour):
    start = datetime(2026, 11, 2, tzinfo=LISBON)
    ran = [shift(f"{start + timedelta(days=night):%Y-%m-%d} 21:00") for night in sorted(nights)]
    now = (start + timedelta(hours=hour)).timestamp()
    ran = [each for each in ran if each.started <= now]
    found = expected(HOURS, ran, now)
    had = {HOURS.local(each.started).date() for each in ran}
    missed = {each.day for each in found.missed}
    assert not had & missed
    if had:
        over = {
            day.date()
            for day in (start + timedelta(days=step) for step in range(42))
            if day.date() >= min(had) and closes(day) <= now
        }
        assert missed == over - had
    assert found.next is not None and found.next.day not in had and found.next.closes > now


def closes(day: datetime) -> float:
    following = day + timedelta(days=1)
    if following.weekday() == 6:
        return at(f"{following:%Y-%m-%d} 12:00")
    return at(f"{following:%Y-%m-%d} {'09:50' if following.weekday() == 5 else '08:20'}")


def test_a_night_that_the_settings_do_not_name_is_neither_missed_nor_waited_for():
    weekends = (5, 6)
    found = expected(HOURS, [TUESDAY], at("2026-11-27 09:00"), weekends)
    assert found.missed == ()
    assert found.next is not None and f"{found.next.day:%a}" == "Sat"
    assert expected(HOURS, [TUESDAY], at("2026-11-27 09:00")).missed != ()


# ------------------------------------------------------------------------------- what was not told


@pytest.mark.parametrize(
    ("second", "unfinished"),
    [
        (shift("2026-11-25 19:05"), True),
        (shift("2026-11-25 19:05", "2026-11-25 19:30", "signal"), True),
        (shift("2026-11-25 19:05", "2026-11-26 08:20", "working-hours"), False),
        (shift("2026-11-25 19:05", "2026-11-26 06:30", "until"), False),
        (shift("2026-11-25 19:05", "2026-11-25 19:06", "trouble"), False),
    ],
)
def test_a_shift_that_was_cut_off_or_stopped_did_not_finish(second, unfinished):
    found = expected(HOURS, [TUESDAY, second], at("2026-11-26 09:00")).lately
    assert found.unfinished == ((second.started,) if unfinished else ())
    assert found.nights == ()


def test_a_shift_that_was_cut_off_does_not_hide_the_night_that_was_missed_before_it():
    # Fails when any shift, and not only one that came to its end, counts as having told of it.
    stopped = shift("2026-11-26 19:05", "2026-11-26 19:10", "signal")
    found = expected(HOURS, [TUESDAY, stopped], at("2026-11-27 09:00")).lately
    assert days(found.nights) == ["Wed 25"]
    later = shift("2026-11-27 19:05", "2026-11-27 22:00")
    assert not expected(HOURS, [TUESDAY, stopped, later], at("2026-11-28 09:00")).lately


def test_a_shift_that_still_runs_is_not_called_cut_off_and_covers_its_nights():
    running = shift("2026-11-25 19:05")
    always, now = WorkingHours(LISBON), at("2026-11-28 09:00")
    assert not expected(always, [TUESDAY, running], now, running=True).lately
    found = expected(always, [TUESDAY, running], now).lately
    assert found.unfinished == (running.started,) and days(found.nights) == ["Thu 26"]


def test_a_shift_by_a_clock_that_was_ahead_hides_no_night_that_was_missed_since():
    ahead = shift("2027-03-01 19:05", "2027-03-02 02:10")
    found = expected(HOURS, [TUESDAY, ahead], at("2026-11-28 12:00"))
    assert days(found.lately.nights) == ["Wed 25", "Thu 26", "Fri 27"]
    assert (found.lately.since, found.lately.nights_since) == (TUESDAY.ended, 3)
    assert days([found.last]) == ["Tue 24"]


def test_a_shift_whose_clock_ran_away_touches_the_night_in_which_it_began():
    runaway = shift("2026-11-24 19:05", "2027-03-02 02:10")
    found = expected(HOURS, [runaway], at("2026-11-27 12:00"))
    assert days(found.lately.nights) == ["Wed 25", "Thu 26"]
    assert found.lately.since == runaway.started


def test_where_all_shifts_are_dated_ahead_nothing_is_known_of_the_nights():
    ahead = shift("2027-03-01 19:05", "2027-03-02 02:10")
    found = expected(HOURS, [ahead], at("2026-11-28 12:00"))
    assert (found.began, found.last, found.lately) == (None, None, Missed())


def test_a_night_that_is_hardly_open_is_not_expected():
    busy = Busy(Dates.parse("2026-11-25..2026-11-26"), (Span.parse("Mon-Sun 12:00-11:30"),))
    hours = WorkingHours(LISBON, WORKING, busy=(busy,))
    found = expected(hours, [TUESDAY], at("2026-11-28 10:00"))
    assert days(found.missed) == ["Fri 27"]


# ------------------------------------------------------------------------------ by when to be told


def test_a_shift_may_take_a_whole_weekend_before_anybody_is_called_silent():
    # Fails when the end of the night, and not the bell, is what people are told to wait for.
    friday = shift("2026-11-27 19:05", "2026-11-27 23:00")
    found = expected(HOURS, [friday], at("2026-11-27 23:00"))
    assert days([found.next]) == ["Sat 28"] and found.next.closes == at("2026-11-29 12:00")
    assert found.by == at("2026-11-30 08:20") + GRACE


def test_before_tonight_s_shift_it_is_tonight_s_that_is_waited_for():
    found = expected(HOURS, [TUESDAY], at("2026-11-25 17:00"))
    assert found.by == at("2026-11-26 08:20") + GRACE
    tonight = shift("2026-11-25 19:05")
    while_it_runs = expected(HOURS, [TUESDAY, tonight], at("2026-11-25 23:00"), running=True)
    assert while_it_runs.by == at("2026-11-27 08:20") + GRACE


# Fails when the last shift that came to its end is taken for the last one of all.
def test_since_when_no_shift_has_run_counts_from_the_last_one_whatever_became_of_it():
    now = at("2026-11-27 17:00")
    silent = expected(HOURS, [TUESDAY], now).lately
    assert (silent.since, silent.nights_since) == (TUESDAY.ended, len(silent.nights) or None)
    stopped = Shift(2, int(at("2026-11-25 20:00")), int(at("2026-11-25 21:00")), "signal")
    after = expected(HOURS, [TUESDAY, stopped], now).lately
    assert (after.since, after.nights_since) == (stopped.ended, 1)
    cut_off = Shift(2, stopped.started, None, None)
    assert expected(HOURS, [TUESDAY, cut_off], now).lately.since == cut_off.started
    runs = expected(HOURS, [TUESDAY, cut_off], now, running=True).lately
    assert (runs.since, runs.nights_since) == (None, 0)
    assert expected(HOURS, [TUESDAY], at("2026-11-25 07:00")).lately.since is None


def test_who_is_told_weekly_only_need_hear_nothing_of_the_nights_before():
    by = expected_from(HOURS, at("2026-11-30 00:00"))
    assert by == at("2026-12-01 08:20") + GRACE
    assert expected_from(HOURS, at("2026-11-30 00:00"), (4,)) == at("2026-12-05 09:50") + GRACE
    busy = WorkingHours(LISBON, (Span.parse("Mon-Sun 12:00-11:30"),))
    assert expected_from(busy, at("2026-11-30 00:00")) is None


@given(
    st.floats(at("2026-01-01 00:00"), at("2027-12-31 00:00")),
    st.integers(0, 80),
    st.booleans(),
)
def test_silence_is_called_bad_only_after_the_bell_of_a_night_without_a_shift(now, back, running):
    began = now - back * 3600
    ended = None if running else int(now)
    ran = [Shift(1, int(began), ended, None if running else "done")]
    found = expected(HOURS, ran, now, running=running)
    assert found.next is not None and found.by is not None
    assert found.next.closes > now and found.by >= found.next.bell + GRACE > now + GRACE
    assert found.missed == ()
    # A shift at the last moment of that night is all it takes, and moves the moment on.
    late = int(found.next.closes) - 1
    then = expected(HOURS, [*ran, Shift(2, late, late, "done")], found.next.closes)
    assert found.next not in then.missed and then.by is not None and then.by >= found.by
    assert then.lately == Missed() or running


def test_a_shift_that_was_cut_off_does_not_run_because_one_dated_ahead_does():
    cut_off, ahead = shift("2026-11-25 19:05"), shift("2027-03-01 19:05")
    found = expected(HOURS, [cut_off, ahead], at("2026-11-28 12:00"), running=True)
    assert days(found.missed) == ["Thu 26", "Fri 27"]
    assert found.lately.unfinished == (cut_off.started,)
