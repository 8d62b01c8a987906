"""Which nights had a shift, which had none, and by when the next one must have shown itself.

Pure: no I/O and no clock.  Instants are seconds since 1970 in UTC.  What a night is, and whether it
is worth a shift, `missed` says.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import timedelta
from typing import Final

from msgspec import Struct

from verifier.forecast import EVERY_NIGHT
from verifier.hours import WorkingHours
from verifier.ledger.values import Shift
from verifier.missed import Night, nights_from

GRACE: Final = 3600.0
"""Seconds after the hours close in which the shift judges, records and writes what it found."""

LOOKED_BACK: Final = timedelta(days=400)
"""In which missed nights are looked for: over a year."""

LOOKED_AHEAD: Final = timedelta(days=400)
"""In which the next night is looked for."""


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


def expected(
    hours: WorkingHours,
    shifts: Iterable[Shift],
    now: float,
    nights: Collection[int] = EVERY_NIGHT,
) -> Expected:
    """What was expected of ``shifts``, in the order in which they started, as of ``now``.

    A shift belongs to every night whose open hours it touches.  One that never ended touches only
    the instant at which it started: nobody knows how long it ran.
    """
    ran = [
        (float(each.started), float(each.started if each.ended is None else each.ended))
        for each in shifts
    ]
    ahead = nights_from(hours, now, now + LOOKED_AHEAD.total_seconds(), nights)
    following = next((each for each in ahead if each.closes > now and not _had(each, ran)), None)
    by = None if following is None else following.closes + GRACE
    if not ran:
        return Expected(None, None, (), (), following, by)
    began = min(start for start, _ in ran)
    earliest = max(began, now - LOOKED_BACK.total_seconds())
    past = [
        each
        for each in nights_from(hours, earliest, now, nights)
        if each.closes <= now or _had(each, ran)
    ]
    missed = tuple(each for each in past if each.closes > began and not _had(each, ran))
    last = max((each for each in past if _had(each, ran)), default=None)
    lately = tuple(each for each in missed if last is None or each > last)
    return Expected(began, last, missed, lately, following, by)


def _had(night: Night, ran: Sequence[tuple[float, float]]) -> bool:
    return any(start < night.closes and end >= night.opens for start, end in ran)
