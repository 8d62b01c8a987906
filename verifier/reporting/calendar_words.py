"""Instants and days in the words of a page, on the studio's clock and in no system's language."""

from __future__ import annotations

from datetime import date, datetime, tzinfo
from typing import Final

DAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS: Final = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def moment(at: float, zone: tzinfo) -> str:
    """In full: ``Wednesday 25 November 2026, 03:12``."""
    local = datetime.fromtimestamp(at, zone)
    return f"{DAYS[local.weekday()]} {in_full(local.date())}, {local:%H:%M}"


def short_moment(at: float, zone: tzinfo) -> str:
    """For notes and tables: ``25 Nov 2026, 03:12``."""
    local = datetime.fromtimestamp(at, zone)
    return f"{short(local.date())}, {local:%H:%M}"


def in_full(day: date) -> str:
    """``25 November 2026``."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def short(day: date) -> str:
    """``25 Nov 2026``."""
    return f"{day.day} {MONTHS[day.month - 1][:3]} {day.year}"


def month(day: date) -> str:
    """``November 2026``."""
    return f"{MONTHS[day.month - 1]} {day.year}"
