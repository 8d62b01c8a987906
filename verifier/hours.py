"""The calendar: when people work and nothing may be read, and when it is open.

Pure: no I/O and no clock, so a simulated year takes milliseconds.  Instants are seconds since 1970
in UTC; working hours are wall-clock times in a time zone.

On the two nights a year when clocks change, a wall time may stand for two instants: it comes
twice, or it is skipped and can be read with the clock's old or new setting.  Work then counts
from the earliest reading of its start to the latest reading of its end, so that no instant is
called open that any reading calls working.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, date, datetime, timedelta, tzinfo
from difflib import get_close_matches
from itertools import pairwise
from typing import Final

from msgspec import Struct

Moment = datetime | float
"""A point in time as it is asked for: a datetime with an offset, or seconds since 1970."""

DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_FULL_NAMES: Final = (
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
)

_MINUTE: Final = 60
_DAY: Final = 86_400
_MINUTES_A_DAY: Final = 1440
_EPOCH_DAY: Final = date(1970, 1, 1).toordinal()
_LAST_DAY: Final = date.max.toordinal() - 7

_REACH: Final = 3
"""Days around a window in which work may begin that touches it: one because it may end on the
next day, one for the distance between local and UTC dates, one for a clock change of a day (as
in Samoa in 2011)."""

_FIRST_WINDOW: Final = 2 * _DAY
_LONGEST_WINDOW: Final = 64 * _DAY
"""Stretches are worked out a window at a time, in doubling steps: the next one at once, and years
without much repetition."""

_SEARCHED: Final = 30 * 366 * _DAY
"""How far beyond the last exception a change is looked for.  An ordinary week changes within
days; only hours whose margin fills the week may open as rarely as a clock change."""


class Span(Struct, frozen=True, order=True):
    """Working hours that begin on certain days of the week.

    ``days`` are sorted, 0 is Monday.  ``start`` and ``end`` are minutes after the midnight with
    which the day begins; an ``end`` over 1440 lies on the next day.
    """

    days: tuple[int, ...]
    start: int
    end: int

    def __post_init__(self) -> None:
        if not self.days or list(self.days) != sorted(set(self.days) & set(range(7))):
            raise ValueError("the days are not sorted, or are none of a week's")
        if not 0 <= self.start < _MINUTES_A_DAY:
            raise ValueError("it begins outside of its day")
        whole_day = (self.start, self.end) == (0, _MINUTES_A_DAY)
        if not (whole_day or self.start < self.end < self.start + _MINUTES_A_DAY):
            raise ValueError("it ends before it begins, or over a day later")

    @classmethod
    def parse(cls, text: str) -> Span:
        """``"Mon-Fri 08:30-19:00"`` as a value; days as in `parse_days`.

        A span whose end is not after its start ends on the next day.  Raises ValueError.
        """
        match = _SPAN.fullmatch(text.strip())
        if match is None:
            raise ValueError("it is not days, a blank, and two times with a hyphen between")
        start, end = _clock_minutes(match["start"]), _clock_minutes(match["end"])
        if start == _MINUTES_A_DAY:
            raise ValueError("24:00 can only be an end")
        if start == end:
            raise ValueError("it ends when it begins; a whole day is 00:00-24:00")
        return cls(parse_days(match["days"]), start, end if end > start else end + _MINUTES_A_DAY)

    def __str__(self) -> str:
        end = self.end if self.end <= _MINUTES_A_DAY else self.end - _MINUTES_A_DAY
        return f"{days_in_words(self.days)} {_clock(self.start)}-{_clock(end)}"


_TIME: Final = r"[0-9]{1,2}:[0-9]{2}"
_SPAN: Final = re.compile(rf"(?P<days>.*\S)\s+(?P<start>{_TIME})\s*-\s*(?P<end>{_TIME})")


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02}:{minutes % 60:02}"


def _clock_minutes(text: str) -> int:
    hours, minutes = (int(part) for part in text.split(":"))
    if minutes > 59 or hours * 60 + minutes > _MINUTES_A_DAY:
        raise ValueError(f"{text} is no time of day")
    return hours * 60 + minutes


def parse_days(text: str) -> tuple[int, ...]:
    """Days of the week, 0 is Monday: ``Mon``, ``Mon-Fri``, ``Mon,Wed``, ``Fri-Mon,Wed``.

    Names may be short or in full, in any case.  A range may run over the week's end.  Raises
    ValueError.
    """
    found: set[int] = set()
    for part in text.split(","):
        first, hyphen, last = part.partition("-")
        number = _day(first)
        length = (_day(last) - number) % 7 if hyphen else 0
        found.update((number + step) % 7 for step in range(length + 1))
    return tuple(sorted(found))


def _day(name: str) -> int:
    wanted = name.strip().lower()
    short = [day.lower() for day in DAYS]
    for names in (short, _FULL_NAMES):
        if wanted in names:
            return names.index(wanted)
    near = get_close_matches(wanted, short, 1) or get_close_matches(wanted, _FULL_NAMES, 1)
    hint = f" (did you mean {near[0].capitalize()}?)" if near else ""
    raise ValueError(f'"{name.strip()}" is no day of the week{hint}')


def days_in_words(days: Iterable[int]) -> str:
    """The reverse of `parse_days`, with days that follow each other as ranges.

    >>> days_in_words((0, 1, 2, 3, 4)), days_in_words((0, 2, 5, 6))
    ('Mon-Fri', 'Mon,Wed,Sat,Sun')
    """
    runs: list[list[int]] = []
    for day in days:
        if runs and runs[-1][-1] == day - 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    return ",".join(
        f"{DAYS[run[0]]}-{DAYS[run[-1]]}" if len(run) > 2 else ",".join(DAYS[day] for day in run)
        for run in runs
    )


class Dates(Struct, frozen=True, order=True):
    """The days from ``first`` to ``last``, both included."""

    first: date
    last: date

    def __post_init__(self) -> None:
        if self.last < self.first:
            raise ValueError("it ends before it begins")

    @classmethod
    def parse(cls, text: str) -> Dates:
        """``"2026-12-24"`` or ``"2026-12-24..2027-01-02"``.  Raises ValueError."""
        first, dots, last = text.partition("..")
        begin = parse_date(first)
        return cls(begin, parse_date(last) if dots else begin)

    def __contains__(self, day: date) -> bool:
        return self.first <= day <= self.last

    def overlaps(self, other: Dates) -> bool:
        """True when a day is in both."""
        return self.first <= other.last and other.first <= self.last

    def __str__(self) -> str:
        return f"{self.first}" if self.first == self.last else f"{self.first}..{self.last}"


_DATE: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def parse_date(text: str) -> date:
    """A date such as ``"2026-12-24"``.  Raises ValueError."""
    written = text.strip()
    if _DATE.fullmatch(written):
        try:
            return date.fromisoformat(written)
        except ValueError:
            pass
    raise ValueError(f'"{written}" is no date')


class Busy(Struct, frozen=True):
    """A period in which other working hours take the place of the weekly ones."""

    dates: Dates
    working: tuple[Span, ...]


class Stretch(Struct, frozen=True, order=True):
    """From ``start`` up to but not including ``end``, in seconds since 1970."""

    start: float
    end: float

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return self.end - self.start


class WorkingHours(Struct, frozen=True):
    """When nothing may be read; everything else is open.

    Working hours belong to the day on which they begin: a night that begins in a busy period
    runs its course after it.  ``days_off`` win over everything: such a date is free from midnight
    to midnight, and nothing but that date.  ``margin`` is in whole seconds: before work starts it
    is closed that much earlier.  Busy periods must not overlap.
    """

    zone: tzinfo
    working: tuple[Span, ...] = ()
    days_off: tuple[Dates, ...] = ()
    busy: tuple[Busy, ...] = ()
    margin: int = 0

    def __post_init__(self) -> None:
        if self.margin < 0:
            raise ValueError("the margin is negative")
        periods = sorted(period.dates for period in self.busy)
        if any(one.overlaps(two) for one, two in pairwise(periods)):
            raise ValueError("two busy periods overlap")

    def is_open(self, at: Moment) -> bool:
        """Whether reading is allowed at that instant."""
        instant = _seconds(at)
        return not any(start <= instant < end for start, end in self._closed(instant, instant))

    def next_change(self, after: Moment) -> int | None:
        """The first instant later than ``after`` at which it opens or closes, or None if never."""
        if not self.working and not self.busy:
            return None
        instant = _seconds(after)
        limit = max(instant, self._last_exception()) + _SEARCHED
        for stretch in self.open_stretches(instant, limit):
            change = stretch.end if stretch.start == instant else stretch.start
            return None if change >= limit else int(change)
        return None

    def open_stretches(self, start: Moment, end: Moment) -> Iterator[Stretch]:
        """The open hours from ``start`` to ``end``, in order, each as long as it can be.

        Worked out as they are asked for: ``end`` may be many years away.
        """
        waiting: Stretch | None = None
        for left, right in _windows(_seconds(start), _seconds(end)):
            for piece in _between(self._closed(left, right), left, right):
                if waiting is not None and waiting.end == piece.start:
                    waiting = Stretch(waiting.start, piece.end)
                    continue
                if waiting is not None:
                    yield waiting
                waiting = piece
        if waiting is not None:
            yield waiting

    def open_seconds(self, start: Moment, end: Moment) -> float:
        """How much of the time from ``start`` to ``end`` is open."""
        return sum(stretch.seconds for stretch in self.open_stretches(start, end))

    def ever_open(self) -> bool:
        """False when an ordinary week, without days off, leaves not one whole minute to read."""
        week = WorkingHours(UTC, self.working, margin=self.margin)
        return any(each.seconds >= _MINUTE for each in week.open_stretches(0, 7 * _DAY))

    def local(self, instant: float) -> datetime:
        """An instant as the studio's clock shows it."""
        return datetime.fromtimestamp(instant, self.zone)

    def _last_exception(self) -> float:
        days = [each.last for each in self.days_off] + [each.dates.last for each in self.busy]
        return max((_midnight_utc(day.toordinal()) for day in days), default=0)

    def _closed(self, left: float, right: float) -> list[tuple[int, int]]:
        """What is closed and may touch ``left`` to ``right``: sorted, apart, margins included."""
        first = _day_number(left) - _REACH
        last = _day_number(right) + _REACH + -(-self.margin // _DAY)
        work = self._work(first, last)
        off = self._off(first - _REACH, last + _REACH)
        work = _without(work, off) if off else work
        return _joined((start - self.margin, end) for start, end in work)

    def _work(self, first: int, last: int) -> list[tuple[int, int]]:
        """Work that begins on the days ``first`` to ``last``, as if no day were off."""
        found = []
        for number in range(max(first, 2), min(last, _LAST_DAY) + 1):
            day = date.fromordinal(number)
            weekday = day.weekday()
            for span in self._in_force(day):
                if weekday in span.days:
                    midnight = datetime(day.year, day.month, day.day, tzinfo=self.zone)
                    start = min(_readings(midnight + timedelta(minutes=span.start)))
                    end = max(_readings(midnight + timedelta(minutes=span.end)))
                    found.append((start, end))
        return _joined(found)

    def _in_force(self, day: date) -> tuple[Span, ...]:
        for period in self.busy:
            if day in period.dates:
                return period.working
        return self.working

    def _off(self, first: int, last: int) -> list[tuple[int, int]]:
        """The days off that touch the days ``first`` to ``last``, as instants."""
        found = []
        for dates in self.days_off:
            begin = max(dates.first.toordinal(), first, 2)
            end = min(dates.last.toordinal(), last, _LAST_DAY)
            if begin <= end:
                found.append((self._day_begins(begin), self._day_begins(end + 1)))
        return _joined(found)

    def _day_begins(self, number: int) -> int:
        """The first instant that the wall clock gives that date, or a later one."""
        day = date.fromordinal(number)
        midnight = datetime(day.year, day.month, day.day, tzinfo=self.zone)
        once, again = _readings(midnight)
        if once <= again:
            return once
        # Midnight is skipped: the day begins at the clock change, which lies in between.
        return _first_true(again, once, lambda instant: self.local(instant).date() >= day)


def _seconds(moment: Moment) -> float:
    if isinstance(moment, datetime):
        if moment.tzinfo is None:
            raise ValueError("a time without an offset stands for no instant")
        return moment.timestamp()
    return moment


def _day_number(instant: float) -> int:
    return int(instant // _DAY) + _EPOCH_DAY


def _midnight_utc(number: int) -> int:
    return (number - _EPOCH_DAY) * _DAY


def _readings(wall: datetime) -> tuple[int, int]:
    """Both instants that a wall time may stand for; nearly always the same one.

    Source: PEP 495.  A time that comes twice gives them in order, a skipped one in reverse.
    """
    return int(wall.timestamp()), int(wall.replace(fold=1).timestamp())


def _first_true(below: int, at_most: int, holds: Callable[[int], bool]) -> int:
    """The first instant over ``below`` from which on something holds; it does at ``at_most``."""
    while at_most - below > 1:
        middle = (below + at_most) // 2
        if holds(middle):
            at_most = middle
        else:
            below = middle
    return at_most


def _joined(stretches: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Sorted, with those that overlap or touch made one and empty ones left out."""
    joined: list[tuple[int, int]] = []
    for start, end in sorted(stretches):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        elif start < end:
            joined.append((start, end))
    return joined


def _without(
    stretches: list[tuple[int, int]], holes: list[tuple[int, int]]
) -> list[tuple[int, int]]:
    """What is left of ``stretches`` outside ``holes``; both are sorted and apart."""
    left = []
    for start, end in stretches:
        for hole_start, hole_end in holes:
            if start < hole_start < end:
                left.append((start, hole_start))
            if hole_start < end:
                start = max(start, hole_end)
        if start < end:
            left.append((start, end))
    return left


def _between(closed: list[tuple[int, int]], left: float, right: float) -> Iterator[Stretch]:
    """What lies from ``left`` to ``right`` outside ``closed``, which is sorted and apart."""
    for start, end in closed:
        if start >= right:
            break
        if start > left:
            yield Stretch(left, start)
        left = max(left, end)
    if left < right:
        yield Stretch(left, right)


def _windows(start: float, end: float) -> Iterator[tuple[float, float]]:
    length = _FIRST_WINDOW
    while start < end:
        yield start, min(start + length, end)
        start += length
        length = min(length * 2, _LONGEST_WINDOW)
