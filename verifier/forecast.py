"""When reading will end: work walked forward through the open hours.

Pure: no I/O and no clock.  Instants are seconds since 1970 in UTC, sizes bytes.

Reading may be kept to certain nights.  A night belongs to the day on which it begins, and runs
from the noon of that day to the next noon on the studio's clock, so that every instant belongs to
exactly one night: a stretch from Friday 19:00 to Monday 08:00 is Friday's until Saturday noon,
then Saturday's until Sunday noon, then Sunday's.  Where clocks skip a noon, the night goes on to
the noon after it; where noon comes twice, the first one counts.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import date, datetime, timedelta
from typing import Final

from msgspec import Struct

from verifier.hours import Stretch, WorkingHours

EVERY_NIGHT: Final = tuple(range(7))
"""The days on which a night begins, 0 is Monday: all of them."""

_DAY: Final = 86_400
_WEEK: Final = 7 * _DAY

LOOKED_AHEAD: Final = 3653 * _DAY
"""Ten years: what would end later will not end in any way that helps a person."""


def stretches(
    hours: WorkingHours, start: float, end: float, nights: Collection[int] = EVERY_NIGHT
) -> Iterator[Stretch]:
    """The open hours of ``nights`` from ``start`` to ``end``, in order, each as long as it can be.

    Worked out as they are asked for.
    """
    if set(nights) >= set(EVERY_NIGHT):
        yield from hours.open_stretches(start, end)
        return
    waiting: Stretch | None = None
    for piece in _of_nights(hours, start, end, frozenset(nights)):
        if waiting is not None and waiting.end == piece.start:
            waiting = Stretch(waiting.start, piece.end)
            continue
        if waiting is not None:
            yield waiting
        waiting = piece
    if waiting is not None:
        yield waiting


def ends(
    hours: WorkingHours,
    start: float,
    size: int,
    bytes_per_second: float,
    nights: Collection[int] = EVERY_NIGHT,
) -> float | None:
    """When ``size`` bytes will have been read, begun at ``start``; None if not in ten years."""
    if size <= 0:
        return start
    if bytes_per_second <= 0:
        return None
    left = size / bytes_per_second
    for stretch in stretches(hours, start, start + LOOKED_AHEAD, nights):
        if stretch.seconds >= left:
            return stretch.start + left
        left -= stretch.seconds
    return None


def open_seconds(
    hours: WorkingHours, start: float, seconds: float, nights: Collection[int] = EVERY_NIGHT
) -> float:
    """How much of the ``seconds`` from ``start`` on may be read in."""
    return sum(each.seconds for each in stretches(hours, start, start + seconds, nights))


def hours_a_week(
    hours: WorkingHours, start: float, seconds: float, nights: Collection[int] = EVERY_NIGHT
) -> float:
    """Open hours a week, on average over the ``seconds`` from ``start`` on; 0 of no time at all."""
    if seconds <= 0:
        return 0.0
    return open_seconds(hours, start, seconds, nights) / seconds * _WEEK / 3600


def longest(
    hours: WorkingHours, start: float, weeks: float, nights: Collection[int] = EVERY_NIGHT
) -> Stretch | None:
    """The longest open stretch, the first of several, in the ``weeks`` from ``start`` on."""
    found = stretches(hours, start, start + weeks * _WEEK, nights)
    return max(found, key=lambda each: each.seconds, default=None)


class Target(Struct, frozen=True):
    """Whether so many bytes can be read within ``seconds``, and what it would take.

    ``needed`` and ``available`` are seconds of reading; ``needed`` is None when nothing is read
    at all.
    """

    seconds: float
    size: int
    needed: float | None
    available: float

    @property
    def met(self) -> bool:
        """True when all of it is read in time."""
        return self.needed is not None and self.needed <= self.available

    @property
    def hours_a_week(self) -> float:
        """What is open."""
        return _a_week(self.available, self.seconds)

    @property
    def hours_a_week_needed(self) -> float | None:
        """What would have to be open; over 168 when no hours would do at that pace."""
        return None if self.needed is None else _a_week(self.needed, self.seconds)

    @property
    def hours_a_week_missing(self) -> float | None:
        """How many more would have to be open: 0 when it is met, None when none would help."""
        if self.met:
            return 0.0
        if self.needed is None or self.needed > self.seconds:
            return None
        return _a_week(self.needed - self.available, self.seconds)

    @property
    def bytes_per_second_needed(self) -> float | None:
        """The pace that would do in the hours that are open; None when none are."""
        if self.size <= 0:
            return 0.0
        return self.size / self.available if self.available > 0 else None


def within(
    hours: WorkingHours,
    start: float,
    size: int,
    bytes_per_second: float,
    seconds: float,
    nights: Collection[int] = EVERY_NIGHT,
) -> Target:
    """Whether ``size`` bytes can be read in the ``seconds`` from ``start`` on."""
    if size <= 0:
        needed: float | None = 0.0
    else:
        needed = size / bytes_per_second if bytes_per_second > 0 else None
    return Target(seconds, size, needed, open_seconds(hours, start, seconds, nights))


def _a_week(part: float, seconds: float) -> float:
    return part / seconds * _WEEK / 3600 if seconds > 0 else 0.0


def _of_nights(
    hours: WorkingHours, start: float, end: float, nights: frozenset[int]
) -> Iterator[Stretch]:
    """Open stretches cut at every noon; those of other nights are left out."""
    for stretch in hours.open_stretches(start, end):
        # Not a day back from the date: the day before may have been skipped, noon and all.
        night = hours.local(stretch.start).date()
        while _noon(hours, night) > stretch.start:
            night -= timedelta(days=1)
        noon = _noon(hours, night + timedelta(days=1))
        begin = stretch.start
        while begin < stretch.end:
            if begin < noon and night.weekday() in nights:
                yield Stretch(begin, min(noon, stretch.end))
            begin = max(begin, noon)
            night += timedelta(days=1)
            noon = _noon(hours, night + timedelta(days=1))


def _noon(hours: WorkingHours, day: date) -> float:
    """When the studio's clock shows noon of that day; for a noon that is skipped, later."""
    return datetime(day.year, day.month, day.day, 12, tzinfo=hours.zone).timestamp()
