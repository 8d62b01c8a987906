"""Which nights had a shift, which had none, and by when the next one must have shown itself.

What a page says of this, a message, `preflight` and `notify` say too, since all of them ask here.
Pure: no I/O and no clock.  Instants are seconds since 1970 in UTC.  What a night is, and whether it
is worth a shift, `night` says.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from datetime import timedelta
from typing import Final, Protocol

from msgspec import Struct

from verifier.forecast import EVERY_NIGHT
from verifier.hours import WorkingHours
from verifier.night import Night, nights_from

GRACE: Final = 3600.0
"""Seconds after the bell in which a shift judges and records what it found, writes its page, and
waits for its messages, of which two may each take as long as the settings allow: 15 minutes."""

LOOKED_BACK: Final = timedelta(days=400)
"""In which missed nights are looked for: over a year."""

LOOKED_AHEAD: Final = timedelta(days=400)
"""In which the next night is looked for."""

AHEAD: Final = 60.0
"""Seconds that a shift may be dated later than now, as after a clock was put back a little."""

STOPPED: Final = "signal"
"""Why a shift ended that somebody stopped: what it was to do was not done."""


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


class Missed(Struct, frozen=True):
    """What did not happen as expected.  ``unfinished`` are the starts of shifts that were cut off
    or stopped before their work was done.  ``since`` is when the last shift of all ended, or began
    if it was cut off, where it was followed by nights without any, ``nights_since`` so many.
    """

    nights: tuple[Night, ...] = ()
    unfinished: tuple[int, ...] = ()
    since: float | None = None
    nights_since: int = 0

    def __bool__(self) -> bool:
        return bool(self.nights or self.unfinished)


class Expected(Struct, frozen=True):
    """What was to be expected by a moment.

    ``began`` is when the first shift of all did, before which nothing was expected; ``last`` the
    latest night that had a shift.  ``missed`` are the nights over by then without one, the oldest
    first; ``lately`` what was missed after the last shift that came to an end of its own.  ``next``
    is the first night without a shift that is not over, and ``by`` when what it found must be
    known: later than that, silence means that nothing checks any more.  Both are None where it is
    never open long enough.
    """

    began: float | None
    last: Night | None
    missed: tuple[Night, ...]
    lately: Missed
    next: Night | None
    by: float | None


def expected(
    hours: WorkingHours,
    shifts: Sequence[Ran],
    now: float,
    nights: Collection[int] = EVERY_NIGHT,
    *,
    running: bool = False,
) -> Expected:
    """What was expected of ``shifts``, in the order in which they started, as of ``now``.

    A shift belongs to every night whose open hours it touches.  One that never ended touches only
    the instant at which it started, since nobody knows how long it ran; but the last one runs
    still where ``running`` says so, and is then not called cut off.  Of one that began later than
    now, by a clock that was wrong, nobody knows which night it belongs to; and one that ended
    later than now touches only its start.
    """
    running = running and bool(shifts) and shifts[-1].started <= now + AHEAD
    shifts = [each for each in shifts if each.started <= now + AHEAD]
    last = shifts[-1] if shifts else None
    ran = [(float(each.started), _until(each, running and each is last, now)) for each in shifts]
    following = next(
        (each for each in _ahead(hours, now, nights) if each.closes > now and not _had(each, ran)),
        None,
    )
    by = None if following is None else following.bell + GRACE
    if not ran:
        return Expected(None, None, (), Missed(), following, by)
    began = min(start for start, _ in ran)
    earliest = max(began, now - LOOKED_BACK.total_seconds())
    past = [
        each
        for each in nights_from(hours, earliest, now, nights)
        if each.closes <= now or _had(each, ran)
    ]
    missed = tuple(each for each in past if each.closes > began and not _had(each, ran))
    had = max((each for each in past if _had(each, ran)), default=None)
    return Expected(began, had, missed, _lately(shifts, missed, running, now), following, by)


def expected_from(
    hours: WorkingHours, since: float, nights: Collection[int] = EVERY_NIGHT
) -> float | None:
    """By when what the first night that begins at ``since`` or later found must be known.

    For whoever need hear nothing of the nights until then; None where there is no such night.
    """
    following = next((each for each in _ahead(hours, since, nights) if each.start >= since), None)
    return None if following is None else following.bell + GRACE


def _until(shift: Ran, running: bool, now: float) -> float:
    if shift.ended is not None and shift.ended <= now + AHEAD:
        return float(shift.ended)
    runs = running and shift.ended is None
    return now if runs else float(shift.started)


def _lately(shifts: Sequence[Ran], missed: Sequence[Night], running: bool, now: float) -> Missed:
    since: float | None = None
    for each in shifts:
        if each.ended is not None and each.stopped_by != STOPPED:
            since = _until(each, False, now)
    unfinished = [
        each.started
        for each in shifts
        if (since is None or each.started >= since)
        and (each.stopped_by == STOPPED or each.ended is None)
        and not (running and each.ended is None and each is shifts[-1])
    ]
    nights = tuple(each for each in missed if since is None or each.closes > since)
    runs = running and shifts[-1].ended is None
    latest = math.inf if runs else _until(shifts[-1], False, now)
    silent = sum(each.closes > latest for each in nights)
    return Missed(nights, tuple(unfinished), latest if silent else None, silent)


def _ahead(hours: WorkingHours, start: float, nights: Collection[int]) -> Iterator[Night]:
    return nights_from(hours, start, start + LOOKED_AHEAD.total_seconds(), nights)


def _had(night: Night, ran: Sequence[tuple[float, float]]) -> bool:
    return any(start < night.closes and end >= night.opens for start, end in ran)
