"""Which nights had a shift, which had none, and by when the next one must have shown itself.

Pure: no I/O and no clock.  Instants are seconds since 1970 in UTC.  A night runs from noon to noon
on the studio's clock, belongs to the day on which it begins, and is one in which a shift is
expected when it is open for an hour or longer.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import Final

from msgspec import Struct

from verifier.hours import WorkingHours
from verifier.ledger.values import Shift

ENOUGH: Final = 3600.0
"""Seconds that must be open for a night to count: nobody starts a shift for a lunch break."""

GRACE: Final = 3600.0
"""Seconds after the hours close in which the shift judges, records and writes what it found."""

LOOKED_BACK: Final = 400
"""Nights among which missed ones are looked for: over a year."""

LOOKED_AHEAD: Final = 400
"""Nights among which the next one is looked for."""


class Night(Struct, frozen=True, order=True):
    """The open hours of one night: from the first instant that is open to the last."""

    day: date
    opens: float
    closes: float


class Expected(Struct, frozen=True):
    """What was to be expected by a moment.

    ``began`` is when the first shift of all did, before which nothing was expected; ``last`` the
    latest night that had a shift.  ``missed`` are the nights over by then without one, the oldest
    first; ``missed_lately`` those of them after ``last``.  ``next`` is the first night without a
    shift that is not over, and ``by`` when what it found must be known: later than that, silence
    means that nothing checks any more.  Both are None where it is never open long enough.
    """

    began: float | None
    last: Night | None
    missed: tuple[Night, ...]
    missed_lately: tuple[Night, ...]
    next: Night | None
    by: float | None


def expected(hours: WorkingHours, shifts: Iterable[Shift], now: float) -> Expected:
    """What was expected of ``shifts``, in the order in which they started, as of ``now``.

    A shift belongs to every night whose open hours it touches.  One that never ended touches only
    the instant at which it started: nobody knows how long it ran.
    """
    ran = [
        (float(each.started), float(each.started if each.ended is None else each.ended))
        for each in shifts
    ]
    today = hours.local(now).date()
    ahead = _nights(hours, (today + timedelta(days=step) for step in range(-1, LOOKED_AHEAD)))
    following = next((each for each in ahead if each.closes > now and not _had(each, ran)), None)
    by = None if following is None else following.closes + GRACE
    if not ran:
        return Expected(None, None, (), (), following, by)
    began = min(start for start, _ in ran)
    first = max(hours.local(began).date(), today - timedelta(days=LOOKED_BACK))
    days = (first + timedelta(days=step) for step in range(-1, (today - first).days + 1))
    past = [each for each in _nights(hours, days) if each.closes <= now or _had(each, ran)]
    missed = tuple(each for each in past if each.closes > began and not _had(each, ran))
    last = max((each for each in past if _had(each, ran)), default=None)
    lately = tuple(each for each in missed if last is None or each > last)
    return Expected(began, last, missed, lately, following, by)


def _had(night: Night, ran: Sequence[tuple[float, float]]) -> bool:
    return any(start < night.closes and end >= night.opens for start, end in ran)


def _nights(hours: WorkingHours, days: Iterable[date]) -> Iterator[Night]:
    """Those that are open for long enough, of the nights that begin on ``days``."""
    for day in days:
        noon, following = (
            datetime(each.year, each.month, each.day, 12, tzinfo=hours.zone).timestamp()
            for each in (day, day + timedelta(days=1))
        )
        open_hours = list(hours.open_stretches(noon, following)) if noon < following else []
        if sum(each.seconds for each in open_hours) >= ENOUGH:
            yield Night(day, open_hours[0].start, open_hours[-1].end)
