"""The calendar, against tables of cases and against a reading of the wall clock by brute force.

`working` below is the rule as a person would check it with a table of the zone's offsets, one
instant at a time: it looks for what a wall time may stand for instead of asking for it.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta, timezone
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from verifier.hours import (
    DAYS,
    Busy,
    Dates,
    Span,
    Stretch,
    WorkingHours,
    days_in_words,
    parse_date,
    parse_days,
)

thorough = settings(max_examples=150, deadline=None, database=None)
often = settings(max_examples=200, deadline=None, database=None)

LISBON = ZoneInfo("Europe/Lisbon")
NEW_YORK = ZoneInfo("America/New_York")
MINUTE, HOUR, DAY = 60, 3600, 86400

STUDIO = WorkingHours(
    LISBON,
    (Span.parse("Mon-Fri 08:30-19:00"), Span.parse("Sat 10:00-14:00")),
    (Dates.parse("2026-12-24..2027-01-02"),),
    (Busy(Dates.parse("2027-02-01..2027-02-14"), (Span.parse("Mon-Sun 07:00-24:00"),)),),
    600,
)


def hours(
    *working: str,
    zone: str = "Europe/Lisbon",
    off: tuple[str, ...] = (),
    busy: dict[str, tuple[str, ...]] | None = None,
    margin: int = 0,
) -> WorkingHours:
    return WorkingHours(
        ZoneInfo(zone),
        tuple(Span.parse(text) for text in working),
        tuple(Dates.parse(text) for text in off),
        tuple(
            Busy(Dates.parse(dates), tuple(Span.parse(text) for text in spans))
            for dates, spans in (busy or {}).items()
        ),
        margin,
    )


def at(text: str, zone: ZoneInfo = LISBON) -> float:
    """``2026-11-02 08:30`` on the studio's clock, or a time with an offset."""
    moment = datetime.fromisoformat(text)
    return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).timestamp()


def shown(rule: WorkingHours, start: str, end: str) -> list[tuple[str, str]]:
    """The open stretches with the offset in force, as a person would write them."""
    zone = rule.zone
    assert isinstance(zone, ZoneInfo)
    return [
        tuple(f"{rule.local(each):%Y-%m-%d %H:%M%z}" for each in (stretch.start, stretch.end))
        for stretch in rule.open_stretches(at(start, zone), at(end, zone))
    ]


# ---------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("Mon", (0,)),
        ("Mon-Fri", (0, 1, 2, 3, 4)),
        ("Mon,Wed", (0, 2)),
        ("mon, WED", (0, 2)),
        ("Monday-Friday", (0, 1, 2, 3, 4)),
        ("Fri-Mon", (0, 4, 5, 6)),
        ("Sat-Sun,Tue", (1, 5, 6)),
        ("Mon-Sun", (0, 1, 2, 3, 4, 5, 6)),
        ("Sun-Sat", (0, 1, 2, 3, 4, 5, 6)),
        ("Wed-Wed", (2,)),
    ],
)
def test_days_are_understood(text: str, days: tuple[int, ...]) -> None:
    assert parse_days(text) == days


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Mom", '"Mom" is no day of the week (did you mean Mon?)'),
        ("Mon-Frid", '"Frid" is no day of the week (did you mean Fri'),
        ("Mon,,Wed", '"" is no day'),
        ("Mon-", '"" is no day'),
        ("Mon-Wed-Fri", '"Wed-Fri" is no day'),
        ("1", '"1" is no day'),
    ],
)
def test_what_are_no_days_is_named(text: str, said: str) -> None:
    with pytest.raises(ValueError) as refused:
        parse_days(text)
    assert said in str(refused.value)


@given(st.sets(st.integers(0, 6), min_size=1))
def test_days_survive_their_words(days: set[int]) -> None:
    assert parse_days(days_in_words(sorted(days))) == tuple(sorted(days))


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("Mon-Fri 08:30-19:00", 510, 1140),
        ("Mon-Fri 8:30 - 19:00", 510, 1140),
        ("Mon-Sun 07:00-24:00", 420, 1440),
        ("Mon-Sun 00:00-24:00", 0, 1440),
        ("Mon-Fri 22:00-06:00", 1320, 1800),
        ("Fri 22:00-00:00", 1320, 1440),
        ("Fri 23:59-23:58", 1439, 2878),
    ],
)
def test_a_span_is_minutes_from_the_midnight_of_its_day(text: str, start: int, end: int) -> None:
    span = Span.parse(text)
    assert (span.start, span.end) == (start, end)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "Mon-Fri",
        "08:30-19:00",
        "Mon-Fri 08:30",
        "Mon-Fri 08:30-19:60",
        "Mon-Fri 08:30-24:01",
        "Mon-Fri 24:00-06:00",
        "Mon-Fri 25:00-26:00",
        "Mon-Fri 08:30-08:30",
        "Mon-Fri 00:00-00:00",
        "Mon-Fri 08.30-19.00",
        "Mon-Fri 08:30-19:00 Sat",
        "Mon-Fri 08:30-12:00, 13:00-19:00",
        "Mon-Fri ٠٨:30-19:00",
    ],
)
def test_what_is_no_span_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        Span.parse(text)


@pytest.mark.parametrize(
    ("days", "start", "end"),
    [
        ((), 0, 60),
        ((1, 0), 0, 60),
        ((0, 0), 0, 60),
        ((7,), 0, 60),
        ((0,), -1, 60),
        ((0,), 1440, 1500),
        ((0,), 60, 60),
        ((0,), 60, 1500),
    ],
)
def test_a_span_that_makes_no_sense_cannot_be_made(
    days: tuple[int, ...], start: int, end: int
) -> None:
    with pytest.raises(ValueError):
        Span(days, start, end)


@pytest.mark.parametrize(
    "text", ["2026-02-29", "2026-12-24..", "..2026-12-24", "24.12.2026", "20261224", "2026-W52-4"]
)
def test_what_is_no_date_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        Dates.parse(text)
    with pytest.raises(ValueError):
        parse_date(text)


def test_dates_that_end_before_they_begin_are_refused() -> None:
    with pytest.raises(ValueError, match="ends before it begins"):
        Dates.parse("2027-01-02..2026-12-24")


def test_busy_periods_that_overlap_are_refused() -> None:
    with pytest.raises(ValueError, match="overlap"):
        hours(busy={"2027-02-01..2027-02-14": ("Mon 08:00-09:00",), "2027-02-14": ()})


def test_a_negative_margin_is_refused() -> None:
    with pytest.raises(ValueError, match="margin"):
        hours("Mon 08:00-09:00", margin=-1)


def test_a_time_without_an_offset_is_no_instant() -> None:
    with pytest.raises(ValueError, match="offset"):
        STUDIO.is_open(datetime(2026, 11, 2, 9))


# ---------------------------------------------------------------- the studio's own week


@pytest.mark.parametrize(
    ("moment", "is_open", "changes"),
    [
        ("2026-11-02 03:00", True, "2026-11-02 08:20"),  # a Monday
        ("2026-11-02 08:19", True, "2026-11-02 08:20"),
        ("2026-11-02 08:20", False, "2026-11-02 19:00"),  # the margin
        ("2026-11-02 12:00", False, "2026-11-02 19:00"),
        ("2026-11-02 19:00", True, "2026-11-03 08:20"),  # at the moment at which work ends
        ("2026-11-06 19:00", True, "2026-11-07 09:50"),
        ("2026-11-07 14:00", True, "2026-11-09 08:20"),  # over the Sunday
        ("2026-12-23 19:00", True, "2027-01-04 08:20"),  # days off
        ("2027-01-31 12:00", True, "2027-02-01 06:50"),  # a busy period begins
        ("2027-02-07 06:49", True, "2027-02-07 06:50"),  # on its Sunday too
        ("2027-02-07 23:59", False, "2027-02-08 00:00"),
        ("2027-02-15 00:00", True, "2027-02-15 08:20"),  # and is over
    ],
)
def test_the_studio_knows_when_it_may_read(moment: str, is_open: bool, changes: str) -> None:
    assert STUDIO.is_open(at(moment)) is is_open
    assert STUDIO.next_change(at(moment)) == at(changes)


def test_the_open_stretches_of_a_week_are_listed() -> None:
    assert shown(STUDIO, "2026-11-02 12:00", "2026-11-09 12:00") == [
        ("2026-11-02 19:00+0000", "2026-11-03 08:20+0000"),
        ("2026-11-03 19:00+0000", "2026-11-04 08:20+0000"),
        ("2026-11-04 19:00+0000", "2026-11-05 08:20+0000"),
        ("2026-11-05 19:00+0000", "2026-11-06 08:20+0000"),
        ("2026-11-06 19:00+0000", "2026-11-07 09:50+0000"),
        ("2026-11-07 14:00+0000", "2026-11-09 08:20+0000"),
    ]


def test_open_seconds_are_those_of_the_stretches() -> None:
    week = (at("2026-11-02 00:00"), at("2026-11-09 00:00"))
    worked = 5 * (10.5 * HOUR + 600) + 4 * HOUR + 600
    assert STUDIO.open_seconds(*week) == 7 * DAY - worked


@pytest.mark.parametrize("kind", ["datetime", "other zone", "seconds"])
def test_an_instant_may_be_given_in_any_form(kind: str) -> None:
    moment = datetime(2026, 11, 2, 8, 20, tzinfo=LISBON)
    form = {
        "datetime": moment,
        "other zone": moment.astimezone(timezone(timedelta(hours=5, minutes=45))),
        "seconds": moment.timestamp(),
    }[kind]
    assert not STUDIO.is_open(form)
    assert STUDIO.next_change(form) == at("2026-11-02 19:00")


def test_the_order_of_asking_makes_an_empty_window() -> None:
    assert list(STUDIO.open_stretches(at("2026-11-03 00:00"), at("2026-11-02 00:00"))) == []
    assert list(STUDIO.open_stretches(at("2026-11-03 00:00"), at("2026-11-03 00:00"))) == []


# ---------------------------------------------------------------- over midnight, days off, busy


def test_a_night_runs_into_the_day_after_its_own() -> None:
    night = hours("Mon-Fri 22:00-06:00")
    assert not night.is_open(at("2026-11-07 05:59"))  # Saturday, from Friday's night
    assert night.is_open(at("2026-11-07 06:00"))
    assert night.is_open(at("2026-11-07 23:00"))
    assert night.is_open(at("2026-11-09 03:00"))  # Monday: Sunday has no night
    assert not night.is_open(at("2026-11-09 22:00"))


def test_a_day_off_is_free_from_midnight_to_midnight_and_nothing_else_is() -> None:
    night = hours("Mon-Fri 22:00-06:00", off=("2026-11-04",))  # a Wednesday
    assert shown(night, "2026-11-03 22:00", "2026-11-05 23:00") == [
        ("2026-11-04 00:00+0000", "2026-11-05 00:00+0000"),
        ("2026-11-05 06:00+0000", "2026-11-05 22:00+0000"),
    ]


def test_the_margin_reaches_into_a_day_off() -> None:
    early = hours("Thu 00:00-06:00", off=("2026-11-04",), margin=600)
    assert early.next_change(at("2026-11-04 12:00")) == at("2026-11-04 23:50")


def test_days_off_win_over_a_busy_period() -> None:
    rule = hours(
        "Mon-Fri 09:00-17:00",
        off=("2027-02-10",),
        busy={"2027-02-08..2027-02-14": ("Mon-Sun 07:00-24:00",)},
    )
    assert rule.is_open(at("2027-02-10 12:00"))
    assert not rule.is_open(at("2027-02-11 08:00"))


def test_a_busy_night_runs_its_course_after_the_period() -> None:
    rule = hours("Mon-Fri 09:00-17:00", busy={"2027-02-08": ("Mon 22:00-06:00",)})
    assert shown(rule, "2027-02-08 00:00", "2027-02-10 00:00") == [
        ("2027-02-08 00:00+0000", "2027-02-08 22:00+0000"),
        ("2027-02-09 06:00+0000", "2027-02-09 09:00+0000"),
        ("2027-02-09 17:00+0000", "2027-02-10 00:00+0000"),
    ]


def test_a_night_before_a_busy_period_runs_its_course_into_it() -> None:
    rule = hours("Sun 22:00-06:00", busy={"2027-02-08": ("Mon 12:00-13:00",)})
    assert shown(rule, "2027-02-07 22:00", "2027-02-09 00:00") == [
        ("2027-02-08 06:00+0000", "2027-02-08 12:00+0000"),
        ("2027-02-08 13:00+0000", "2027-02-09 00:00+0000"),
    ]


def test_spans_that_touch_or_overlap_are_one() -> None:
    rule = hours("Mon 08:00-12:00", "Mon 12:00-15:00", "Mon 14:00-18:00", margin=300)
    assert rule.next_change(at("2026-11-02 08:00")) == at("2026-11-02 18:00")


def test_a_margin_as_long_as_the_break_closes_it() -> None:
    rule = hours("Mon 08:00-12:00", "Mon 13:00-18:00", margin=HOUR)
    assert rule.next_change(at("2026-11-02 08:00")) == at("2026-11-02 18:00")


# ---------------------------------------------------------------- never and always


def test_without_working_hours_it_is_always_open() -> None:
    free = hours()
    assert free.is_open(0)
    assert free.next_change(at("2026-11-02 12:00")) is None
    assert list(free.open_stretches(0, 40 * 366 * DAY)) == [Stretch(0, 40 * 366 * DAY)]
    assert free.ever_open()


def test_work_around_the_clock_never_changes() -> None:
    never = hours("Mon-Sun 00:00-24:00")
    assert not never.is_open(at("2026-11-02 12:00"))
    assert never.next_change(at("2026-11-02 12:00")) is None
    assert list(never.open_stretches(0, 40 * 366 * DAY)) == []


def test_a_day_off_opens_work_around_the_clock() -> None:
    rule = hours("Mon-Sun 00:00-24:00", off=("2031-11-04",))
    assert rule.next_change(at("2026-11-02 12:00")) == at("2031-11-04 00:00")
    assert rule.next_change(at("2031-11-04 00:00")) == at("2031-11-05 00:00")
    assert rule.next_change(at("2031-11-05 00:00")) is None


def test_a_far_busy_period_is_the_next_change_of_free_hours() -> None:
    rule = hours(busy={"2071-11-04": ("Mon-Sun 09:00-10:00",)})
    assert rule.next_change(at("2026-11-02 12:00")) == at("2071-11-04 09:00")
    assert rule.next_change(at("2071-11-04 10:00")) is None


@pytest.mark.parametrize(
    ("spans", "margin", "open_"),
    [
        (("Mon-Fri 08:30-19:00",), 600, True),
        (("Mon-Sun 00:00-24:00",), 0, False),
        (("Mon-Sun 08:00-20:00", "Mon-Sun 20:00-08:00"), 0, False),
        (("Mon-Sun 12:00-11:59",), 0, True),  # one minute
        (("Mon-Sun 12:00-11:59",), 1, False),  # 59 seconds of one
        (("Mon-Sun 00:00-23:50",), 600, False),
        (("Mon-Sun 00:00-23:50",), 540, True),
        (("Mon-Sat 00:00-24:00",), DAY, False),
        (("Mon-Sat 00:00-24:00",), DAY - 60, True),
        (("Mon 09:00-10:00",), 6 * DAY + 22 * HOUR, True),
        (("Mon 09:00-10:00",), 6 * DAY + 23 * HOUR, False),
        (("Mon 09:00-10:00",), 100 * DAY, False),
        ((), 100 * DAY, True),
    ],
)
def test_hours_that_leave_no_open_minute_are_told(
    spans: tuple[str, ...], margin: int, open_: bool
) -> None:
    assert hours(*spans, margin=margin).ever_open() is open_


def test_days_off_do_not_make_up_for_a_week_without_an_open_minute() -> None:
    assert not hours("Mon-Sun 00:00-24:00", off=("2026-12-24",)).ever_open()


# ---------------------------------------------------------------- when clocks change


@pytest.mark.parametrize(
    ("zone", "span", "window", "expected"),
    [
        pytest.param(
            "America/New_York",
            "Sun 00:30-06:00",
            ("2026-03-08 00:00", "2026-03-08 12:00"),
            [
                ("2026-03-08 00:00-0500", "2026-03-08 00:30-0500"),
                ("2026-03-08 06:00-0400", "2026-03-08 12:00-0400"),
            ],
            id="work over the skipped hour is an hour shorter",
        ),
        pytest.param(
            "America/New_York",
            "Sun 02:30-06:00",
            ("2026-03-08 00:00", "2026-03-08 07:00"),
            [
                ("2026-03-08 00:00-0500", "2026-03-08 01:30-0500"),
                ("2026-03-08 06:00-0400", "2026-03-08 07:00-0400"),
            ],
            id="a skipped start is read with the clock already changed",
        ),
        pytest.param(
            "America/New_York",
            "Sat 22:00-02:30",
            ("2026-03-07 21:00", "2026-03-08 05:00"),
            [
                ("2026-03-07 21:00-0500", "2026-03-07 22:00-0500"),
                ("2026-03-08 03:30-0400", "2026-03-08 05:00-0400"),
            ],
            id="a skipped end is read with the clock not changed yet",
        ),
        pytest.param(
            "America/New_York",
            "Sun 01:30-06:00",
            ("2026-11-01 00:00", "2026-11-01 07:00"),
            [
                ("2026-11-01 00:00-0400", "2026-11-01 01:30-0400"),
                ("2026-11-01 06:00-0500", "2026-11-01 07:00-0500"),
            ],
            id="a start that comes twice counts the first time",
        ),
        pytest.param(
            "America/New_York",
            "Sat 22:00-01:30",
            ("2026-10-31 21:00", "2026-11-01 04:00"),
            [
                ("2026-10-31 21:00-0400", "2026-10-31 22:00-0400"),
                ("2026-11-01 01:30-0500", "2026-11-01 04:00-0500"),
            ],
            id="an end that comes twice counts the second time",
        ),
        pytest.param(
            "Australia/Lord_Howe",
            "Sun 01:45-03:00",
            ("2026-04-05 00:00", "2026-04-05 04:00"),
            [
                ("2026-04-05 00:00+1100", "2026-04-05 01:45+1100"),
                ("2026-04-05 03:00+1030", "2026-04-05 04:00+1030"),
            ],
            id="a change of half an hour",
        ),
        pytest.param(
            "America/Sao_Paulo",
            "Sun 06:00-08:00",
            ("2018-11-03 20:00", "2018-11-04 06:00"),
            [("2018-11-03 20:00-0300", "2018-11-04 06:00-0200")],
            id="a midnight that is skipped",
        ),
        pytest.param(
            "America/Sao_Paulo",
            "Sat 20:00-24:00",
            ("2018-02-17 19:00", "2018-02-18 02:00"),
            [
                ("2018-02-17 19:00-0200", "2018-02-17 20:00-0200"),
                ("2018-02-18 00:00-0300", "2018-02-18 02:00-0300"),
            ],
            id="an hour before midnight that comes twice",
        ),
    ],
)
def test_clock_changes_never_open_working_hours(
    zone: str, span: str, window: tuple[str, str], expected: list[tuple[str, str]]
) -> None:
    assert shown(hours(span, zone=zone), *window) == expected


@pytest.mark.parametrize(
    ("zone", "day", "begins", "ends"),
    [
        (
            "America/Sao_Paulo",
            "2018-11-04",
            "2018-11-04 03:00+00:00",
            "2018-11-05 02:00+00:00",
        ),  # 23 hours
        ("America/Sao_Paulo", "2018-11-03", "2018-11-03 03:00+00:00", "2018-11-04 03:00+00:00"),
        ("America/Sao_Paulo", "2018-02-17", "2018-02-17 02:00+00:00", "2018-02-18 03:00+00:00"),
        # From 23:30 straight to 00:30.
        ("America/Toronto", "1919-03-30", "1919-03-30 05:00+00:00", "1919-03-31 04:30+00:00"),
        ("America/Toronto", "1919-03-31", "1919-03-31 04:30+00:00", "1919-04-01 04:00+00:00"),
        # The day that Samoa left out, and the one after it.
        ("Pacific/Apia", "2011-12-31", "2011-12-30 10:00+00:00", "2011-12-31 10:00+00:00"),
    ],
)
def test_a_day_off_is_as_long_as_the_clock_makes_it(
    zone: str, day: str, begins: str, ends: str
) -> None:
    rule = hours("Mon-Sun 00:00-24:00", zone=zone, off=(day,))
    (stretch,) = rule.open_stretches(at(begins) - 9 * DAY, at(ends) + 9 * DAY)
    assert stretch == Stretch(at(begins), at(ends))


# ---------------------------------------------------------------- brute force

PLACES_AND_NIGHTS = [
    ("Europe/Lisbon", "2026-03-29"),
    ("Europe/Lisbon", "2026-10-25"),
    ("America/New_York", "2026-03-08"),
    ("America/New_York", "2026-11-01"),
    ("Australia/Lord_Howe", "2026-04-05"),
    ("Australia/Lord_Howe", "2026-10-04"),
    ("Asia/Kathmandu", "2026-06-14"),
    ("UTC", "2026-06-14"),
    ("America/Sao_Paulo", "2018-02-18"),
    ("America/Sao_Paulo", "2018-11-04"),
    ("America/Sao_Paulo", "2026-06-14"),
]


@cache
def offsets_near(zone: ZoneInfo, day: date) -> tuple[int, ...]:
    """Every offset in seconds that the zone has within two days of a date."""
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    found = []
    for step in range(-96, 97):
        offset = (noon + timedelta(minutes=30 * step)).astimezone(zone).utcoffset()
        assert offset is not None
        found.append(int(offset.total_seconds()))
    return tuple(dict.fromkeys(found))


@cache
def stands_for(zone: ZoneInfo, wall: datetime) -> tuple[int, ...]:
    """The instants that a wall time stands for: those at which the clock shows it, or, when it
    never does, those at which a clock that was changed early or late would."""
    as_utc = int(wall.replace(tzinfo=UTC).timestamp())
    candidates = [as_utc - offset for offset in offsets_near(zone, wall.date())]
    shows = [
        each
        for each in candidates
        if datetime.fromtimestamp(each, zone).replace(tzinfo=None) == wall
    ]
    return tuple(shows or candidates)


def work_intervals(rule: WorkingHours, around: date) -> Iterator[tuple[int, int]]:
    """Every reading of every span that begins within some days of a date."""
    zone = rule.zone
    assert isinstance(zone, ZoneInfo)
    for step in range(-6, 7):
        day = around + timedelta(days=step)
        midnight = datetime(day.year, day.month, day.day)
        in_force = rule.working
        for period in rule.busy:
            if period.dates.first <= day <= period.dates.last:
                in_force = period.working
        for span in in_force:
            if day.weekday() in span.days:
                for start in stands_for(zone, midnight + timedelta(minutes=span.start)):
                    for end in stands_for(zone, midnight + timedelta(minutes=span.end)):
                        yield start, end


class ByTheMinute:
    """Whether each minute of some days around a date is open, found one minute at a time."""

    def __init__(self, rule: WorkingHours, around: date, days: int = 2) -> None:
        noon = int(datetime(around.year, around.month, around.day, 12, tzinfo=UTC).timestamp())
        self.first, self.last = noon - days * DAY, noon + days * DAY
        intervals = list(work_intervals(rule, around))
        minutes = range(self.first, self.last + rule.margin + DAY, MINUTE)
        works = {
            minute: any(start <= minute < end for start, end in intervals)
            and not any(
                dates.first <= datetime.fromtimestamp(minute, rule.zone).date() <= dates.last
                for dates in rule.days_off
            )
            for minute in minutes
        }
        ahead = rule.margin // MINUTE
        self.open = {
            minute: not any(works[minute + MINUTE * step] for step in range(ahead + 1))
            for minute in range(self.first, self.last, MINUTE)
        }


minutes = st.integers(0, 1439)
near_a_change = st.sampled_from([0, 30, 60, 90, 105, 120, 135, 150, 180, 210, 1380, 1410])


@st.composite
def spans(draw: st.DrawFn) -> Span:
    days = draw(st.sets(st.integers(0, 6), min_size=1))
    start = draw(minutes | near_a_change)
    end = draw(minutes | near_a_change)
    if end == start:
        start, end = 0, 1440
    return Span(tuple(sorted(days)), start, end if end > start else end + 1440)


@st.composite
def cases(draw: st.DrawFn) -> tuple[WorkingHours, date]:
    zone, night = draw(st.sampled_from(PLACES_AND_NIGHTS))
    around = date.fromisoformat(night)

    def dates() -> Dates:
        first = around + timedelta(days=draw(st.integers(-4, 4)))
        return Dates(first, first + timedelta(days=draw(st.integers(0, 3))))

    weekly = tuple(draw(st.lists(spans(), max_size=3)))
    off = tuple(dates() for _ in range(draw(st.integers(0, 2))))
    busy = tuple(
        Busy(dates(), tuple(draw(st.lists(spans(), max_size=2))))
        for _ in range(draw(st.integers(0, 1)))
    )
    margin = draw(st.sampled_from([0, 0, 10, 90]))
    return WorkingHours(ZoneInfo(zone), weekly, off, busy, margin * MINUTE), around


@thorough
@given(cases())
def test_every_minute_is_as_brute_force_finds_it(case: tuple[WorkingHours, date]) -> None:
    rule, around = case
    truth = ByTheMinute(rule, around)
    covered = set()
    for stretch in rule.open_stretches(truth.first, truth.last):
        covered.update(range(int(stretch.start), int(stretch.end), MINUTE))
    assert covered == {minute for minute, is_open in truth.open.items() if is_open}
    for minute in range(truth.first, truth.last, 47 * MINUTE):
        assert rule.is_open(minute) is truth.open[minute]


@often
@given(cases())
def test_what_the_wall_clock_calls_working_is_never_open(case: tuple[WorkingHours, date]) -> None:
    rule, around = case
    noon = int(datetime(around.year, around.month, around.day, 12, tzinfo=UTC).timestamp())
    for instant in range(noon - 2 * DAY, noon + 2 * DAY, 17 * MINUTE):
        wall = datetime.fromtimestamp(instant, rule.zone)
        if any(wall.date() in dates for dates in rule.days_off):
            continue
        for back in (0, 1):
            day = wall.date() - timedelta(days=back)
            in_force = next((each.working for each in rule.busy if day in each.dates), rule.working)
            minute = wall.hour * 60 + wall.minute + 1440 * back
            for span in in_force:
                if day.weekday() in span.days and span.start <= minute < span.end:
                    assert not rule.is_open(instant)


@often
@given(cases(), st.integers(0, 4 * DAY), st.integers(0, 4 * DAY))
def test_stretches_are_apart_sorted_and_as_long_as_they_can_be(
    case: tuple[WorkingHours, date], begin: int, length: int
) -> None:
    rule, around = case
    left = int(datetime(around.year, around.month, around.day, tzinfo=UTC).timestamp()) - 2 * DAY
    left, right = left + begin, left + begin + length
    stretches = list(rule.open_stretches(left, right))
    for stretch in stretches:
        assert left <= stretch.start < stretch.end <= right
        assert stretch.start == left or not rule.is_open(stretch.start - 1)
        assert stretch.end == right or not rule.is_open(stretch.end)
        assert rule.is_open(stretch.start)
        assert rule.is_open(stretch.end - 1)
    for one, two in pairwise(stretches):
        assert one.end < two.start
    assert rule.open_seconds(left, right) == sum(each.end - each.start for each in stretches)


@often
@given(cases(), st.integers(0, 4 * DAY), st.integers(-1000, 1000))
def test_a_window_cut_in_two_holds_the_same(
    case: tuple[WorkingHours, date], cut: int, offset: int
) -> None:
    rule, around = case
    left = int(datetime(around.year, around.month, around.day, tzinfo=UTC).timestamp()) - 2 * DAY
    left += offset
    right = left + 4 * DAY
    whole = rule.open_seconds(left, right)
    assert rule.open_seconds(left, left + cut) + rule.open_seconds(left + cut, right) == whole


@often
@given(cases(), st.integers(0, 4 * DAY))
@example((hours("Mon-Sun 00:00-24:00", off=("2026-06-14",), zone="UTC"), date(2026, 6, 14)), 0)
def test_the_next_change_is_where_it_opens_or_closes(
    case: tuple[WorkingHours, date], after: int
) -> None:
    rule, around = case
    instant = int(datetime(around.year, around.month, around.day, tzinfo=UTC).timestamp())
    instant += after - 2 * DAY
    now = rule.is_open(instant)
    change = rule.next_change(instant)
    if change is None:
        assert all(rule.is_open(instant + step * 5 * HOUR) is now for step in range(200))
        return
    assert change > instant
    assert rule.is_open(change) is not now
    assert rule.is_open(change - 1) is now
    step = max((change - instant) // 50, 1)
    assert all(rule.is_open(each) is now for each in range(instant, change, step))


@often
@given(cases(), st.floats(0, 4 * DAY))
def test_a_part_of_a_second_belongs_to_its_second(
    case: tuple[WorkingHours, date], after: float
) -> None:
    rule, around = case
    left = int(datetime(around.year, around.month, around.day, tzinfo=UTC).timestamp()) - 2 * DAY
    assert rule.is_open(left + after) is rule.is_open(left + int(after))


@often
@given(st.lists(spans(), max_size=4), st.integers(0, 30))
def test_hours_that_leave_no_minute_leave_none_in_any_week(weekly: list[Span], margin: int) -> None:
    rule = WorkingHours(UTC, tuple(weekly), margin=margin * MINUTE)
    assert rule.ever_open() is (rule.open_seconds(0, 14 * DAY) > 0)


@given(spans())
def test_a_span_survives_its_words(span: Span) -> None:
    assert Span.parse(str(span)) == span


@given(st.dates(), st.dates())
def test_dates_survive_their_words(one: date, two: date) -> None:
    dates = Dates(min(one, two), max(one, two))
    assert Dates.parse(str(dates)) == dates


# ---------------------------------------------------------------- far and fast


def test_a_simulated_year_takes_milliseconds() -> None:
    start = at("2026-01-01 00:00")
    best = min(_took(lambda: STUDIO.open_seconds(start, start + 365 * DAY)) for _ in range(5))
    assert best < 0.05, f"{best * 1000:.1f} ms"


def _took(work: object) -> float:
    started = time.perf_counter()
    work()  # type: ignore[operator]
    return time.perf_counter() - started


def test_stretches_come_one_at_a_time_however_far_the_end_is() -> None:
    far = at("2926-01-01 00:00")
    first = next(STUDIO.open_stretches(at("2026-11-02 12:00"), far))
    assert first == Stretch(at("2026-11-02 19:00"), at("2026-11-03 08:20"))


def test_the_ends_of_the_calendar_are_no_obstacle() -> None:
    last = datetime(9999, 12, 31, 12, tzinfo=UTC)
    assert STUDIO.is_open(last) in (True, False)
    assert STUDIO.is_open(datetime(1, 1, 3, tzinfo=UTC)) in (True, False)
    assert list(STUDIO.open_stretches(last, last)) == []


def test_names_of_days_are_those_of_the_settings() -> None:
    assert DAYS == ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
