"""What a night is, whether it is worth a shift, and until when a shift that began in it may run.

Pure: no I/O and no clock.  Instants are seconds since 1970 in UTC.  A night is as in `forecast`: it
belongs to the day on which it begins, and runs from that day's noon to the next.  Which of them had
a shift, `expected` says.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import date, datetime, timedelta
from typing import Final

from msgspec import Struct

from verifier.forecast import EVERY_NIGHT
from verifier.hours import WorkingHours

WORTH_A_SHIFT: Final = 3600
"""Open seconds of a night without which nobody expects a shift in it."""

_BELL_AT_MOST: Final = 3 * 86_400
"""Seconds after a night for which a stretch that began in it is waited for: a long weekend.  What
is open for longer, as where no working hours are set, is due at the night's end."""


class Night(Struct, frozen=True, order=True):
    """A night that is worth a shift: from noon to noon, and when it is open in between.

    ``opens`` and ``closes`` are its first and last open moment; ``bell`` is when a shift that
    began in it ends at the latest.
    """

    day: date
    start: float
    end: float
    opens: float
    closes: float
    bell: float


def nights_from(
    hours: WorkingHours, start: float, end: float, nights: Collection[int] = EVERY_NIGHT
) -> Iterator[Night]:
    """The nights that are worth a shift, from the one that ``start`` lies in, begun before ``end``.

    Worked out as they are asked for.
    """
    day = hours.local(start).date() - timedelta(days=1)
    noon = _noon(hours, day)
    while noon < end:
        following = _noon(hours, day + timedelta(days=1))
        if following > start and day.weekday() in nights:
            night = _night(hours, day, noon, following)
            if night is not None:
                yield night
        day, noon = day + timedelta(days=1), following


def week_began(hours: WorkingHours, now: float, weekday: int) -> float:
    """The last midnight, on the studio's clock, with which that weekday began; 0 is Monday."""
    return _midnight(hours, _first_day(hours, now, weekday))


def week_ends(hours: WorkingHours, now: float, weekday: int) -> float:
    """The next midnight with which it will."""
    return _midnight(hours, _first_day(hours, now, weekday) + timedelta(days=7))


def _first_day(hours: WorkingHours, now: float, weekday: int) -> date:
    today = hours.local(now).date()
    return today - timedelta(days=(today.weekday() - weekday) % 7)


def _night(hours: WorkingHours, day: date, noon: float, following: float) -> Night | None:
    pieces = list(hours.open_stretches(noon, following))
    if sum(each.seconds for each in pieces) < WORTH_A_SHIFT:
        return None
    closes = bell = pieces[-1].end
    if closes == following:
        after = next(iter(hours.open_stretches(following, following + _BELL_AT_MOST)), None)
        if after is not None and after.start == following:
            bell = after.end if after.end < following + _BELL_AT_MOST else following
    return Night(day, noon, following, pieces[0].start, closes, bell)


def _noon(hours: WorkingHours, day: date) -> float:
    return datetime(day.year, day.month, day.day, 12, tzinfo=hours.zone).timestamp()


def _midnight(hours: WorkingHours, day: date) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=hours.zone).timestamp()
