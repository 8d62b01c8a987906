"""What a night is, until when a shift in it may run, and when a week began."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from verifier.hours import Span, WorkingHours
from verifier.night import nights_from, week_began, week_ends

ZONE = ZoneInfo("Europe/Lisbon")
HOURS = WorkingHours(
    ZONE,
    (Span.parse("Mon-Fri 08:30-19:00"), Span.parse("Sat 10:00-14:00")),
    margin=600,
)
ALWAYS = WorkingHours(ZONE)


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp())


# 2026-11-23 is a Monday.


@pytest.mark.parametrize(
    ("hours", "night", "closes", "bell"),
    [
        (HOURS, "2026-11-24", "2026-11-25 08:20", "2026-11-25 08:20"),
        (HOURS, "2026-11-27", "2026-11-28 09:50", "2026-11-28 09:50"),
        (HOURS, "2026-11-28", "2026-11-29 12:00", "2026-11-30 08:20"),
        (HOURS, "2026-11-29", "2026-11-30 08:20", "2026-11-30 08:20"),
        (ALWAYS, "2026-11-24", "2026-11-25 12:00", "2026-11-25 12:00"),
    ],
)
def test_a_shift_may_go_on_beyond_its_night_until_the_bell(hours, night, closes, bell):
    (found, *_) = nights_from(hours, at(f"{night} 12:00"), at(f"{night} 12:01"))
    assert (str(found.day), found.closes, found.bell) == (night, at(closes), at(bell))


def test_a_week_begins_with_its_day_s_first_midnight():
    assert week_began(HOURS, at("2026-11-25 09:00"), 0) == at("2026-11-23 00:00")
    assert week_began(HOURS, at("2026-11-23 00:00"), 0) == at("2026-11-23 00:00")
    assert week_began(HOURS, at("2026-11-22 23:59"), 0) == at("2026-11-16 00:00")


def test_a_week_ends_with_that_midnight_also_when_the_clocks_change_in_it():
    assert week_ends(HOURS, at("2026-11-25 09:00"), 0) == at("2026-11-30 00:00")
    assert week_ends(HOURS, at("2026-10-21 09:00"), 0) == at("2026-10-26 00:00")
