"""Nights in which a shift was expected and none ran, shifts that came to no end of their own, and
by when the next message must be there.

Pure: no I/O and no clock.  Instants are seconds since 1970 in UTC.  A night is as in `forecast`: it
belongs to the day on which it begins, and runs from that day's noon to the next.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import Final, Protocol

from msgspec import Struct

from verifier.forecast import EVERY_NIGHT
from verifier.hours import WorkingHours

WORTH_A_SHIFT: Final = 3600
"""Open seconds of a night without which nobody expects a shift in it."""

LOOKED_BACK: Final = 60
"""Nights: whoever was away for longer needs no list of them."""

_LOOKED_AHEAD: Final = 370
"""Nights in which the next one is looked for; days off do not go on for longer."""

_BELL_AT_MOST: Final = 3 * 86_400
"""Seconds after a night for which a stretch that began in it is waited for: a long weekend.  What
is open for longer, as where no working hours are set, is due at the night's end."""


class Ran(Protocol):
    """A shift as recorded; ``ended`` is None while it runs, and for ever if it was cut off."""

    @property
    def started(self) -> int:
        """When it began."""

    @property
    def ended(self) -> int | None:
        """When it ended."""

    @property
    def stopped_by(self) -> str | None:
        """Why it ended."""


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


class Missed(Struct, frozen=True):
    """What did not happen as expected.  ``unfinished`` are the starts of shifts that were cut off
    or stopped before their work was done.
    """

    nights: tuple[Night, ...] = ()
    unfinished: tuple[int, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.nights or self.unfinished)


def missed(
    hours: WorkingHours,
    shifts: Sequence[Ran],
    now: float,
    *,
    since: float | None = None,
    nights: Collection[int] = EVERY_NIGHT,
    running: bool = False,
) -> Missed:
    """The nights that are over and in which no shift ran, and the shifts that did not finish.

    Nothing is expected before the first of ``shifts``, which are in the order of their starts;
    with ``since`` only what was over, or began, after it.  With ``running`` the last one is not
    called cut off.  At most the last `LOOKED_BACK` nights are looked at.
    """
    if not shifts:
        return Missed()
    first = shifts[0].started
    earliest = max(first, now - LOOKED_BACK * 86_400)
    last = shifts[-1]
    none_ran = tuple(
        night
        for night in nights_from(hours, earliest, now, nights)
        if night.closes <= now
        and (since is None or night.closes > since)
        and night.start > first
        and not any(
            each.started < night.end and _end(each, last, running, now) >= night.start
            for each in shifts
        )
    )
    unfinished = tuple(
        each.started
        for each in shifts
        if (since is None or each.started >= since)
        and (each.stopped_by == "signal" or (each.ended is None and not (running and each is last)))
    )
    return Missed(none_ran, unfinished)


def _end(shift: Ran, last: Ran, running: bool, now: float) -> float:
    if shift.ended is not None:
        return shift.ended
    return now if running and shift is last else shift.started


def due(
    hours: WorkingHours,
    now: float,
    nights: Collection[int] = EVERY_NIGHT,
    weekday: int | None = None,
) -> float | None:
    """When the shift of the next night that is expected will have ended at the latest.

    That night begins after ``now``, and with ``weekday``, 0 is Monday, on the next such day or
    later.  None when none is expected within a year.
    """
    ahead = now + _LOOKED_AHEAD * 86_400
    for night in nights_from(hours, now, ahead, nights):
        # The first night that is expected on that weekday, or after it.
        if night.start > now:
            today = hours.local(now).date()
            wait = 0 if weekday is None else (weekday - today.weekday()) % 7
            if night.day >= today + timedelta(days=wait):
                return night.bell
    return None


def week_began(hours: WorkingHours, now: float, weekday: int) -> float:
    """The last midnight, on the studio's clock, with which that weekday began; 0 is Monday."""
    today = hours.local(now).date()
    day = today - timedelta(days=(today.weekday() - weekday) % 7)
    return datetime(day.year, day.month, day.day, tzinfo=hours.zone).timestamp()


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
