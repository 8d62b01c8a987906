"""The job `audit`: how far every byte has been read again, and whether that will stay in time.

From the ledger alone: it touches no share, so that it may be asked at any hour, and records
nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from itertools import pairwise
from typing import Final

from msgspec import Struct

from verifier import forecast
from verifier.forecast import Target
from verifier.jobs.opening import all_places, places_of
from verifier.jobs.shift import CLOCK_FAR_AHEAD
from verifier.jobs.spending import Budget, budgets, days_for
from verifier.ledger import Ledger, PlaceName, Round
from verifier.ledger.shifts import Spent
from verifier.settings import Settings

AGES: Final = tuple(timedelta(days=days) for days in (7, 30, 90, 365))
"""Where the ages of last readings are parted: a week, a month, three, a year."""

LOOKED_AT: Final = 60
"""The last shifts that read of a place among which its pace is looked for: two months of nights."""

ENOUGH: Final = 24 * 3600.0
"""Seconds of reading that tell a pace, taken from the newest shift back: two long nights, since a
disk that was changed or filled up reads otherwise than it did half a year ago."""

_FOR_EVER: Final = 1 << 62
_DAY: Final = 86_400


class AgeGroup(Struct, frozen=True):
    """Files whose last reading is under ``under`` old, and as old as the group before it ends.

    ``under`` is None for the oldest.
    """

    under: timedelta | None
    files: int
    bytes: int


class Pace(Struct, frozen=True):
    """How fast a place is read while it is being read.

    ``seconds`` are those of reading that it was taken from, None where only the length of whole
    shifts is known, so that it may be faster than this.
    """

    bytes_per_second: float
    seconds: float | None


class PlaceAudit(Struct, frozen=True):
    """What there is to say of one place.

    ``known`` is False where no shift has looked through it; nothing else tells anything then.
    ``late`` says that a file was read, or stands there unread, for longer than the target;
    ``target`` whether all can be read in that time, None while no pace is known.  ``budget`` is
    what may be read of it a month, None for as much as one likes; ``affordable`` whether that lets
    every byte be read within the target; ``too_large`` how many files are larger than all of it, so
    that no shift ever reads them, and ``largest`` the size of the largest of those.  Where readings
    are ``dated_ahead`` of now, by a clock that was wrong, nobody knows how old they are.
    """

    place: PlaceName
    known: bool
    hours_a_week: float
    round: Round | None = None
    files: int = 0
    bytes: int = 0
    files_this_round: int = 0
    bytes_this_round: int = 0
    oldest_read: int | None = None
    ages: tuple[AgeGroup, ...] = ()
    unread_files: int = 0
    unread_bytes: int = 0
    pace: Pace | None = None
    round_ends: float | None = None
    late: bool = False
    unreadable: int = 0
    target: Target | None = None
    budget: Budget | None = None
    affordable: bool = True
    too_large: int = 0
    largest: int = 0
    dated_ahead: bool = False

    @property
    def only_listed(self) -> bool:
        """True where no shift reads any content, so that no target holds."""
        return self.budget is not None and self.budget.limit is None

    @property
    def only_in_part(self) -> bool:
        """True where shifts read, but not all was read because reading costs, by intent."""
        return self.budget is not None and not self.only_listed and bool(self.unread_files)

    @property
    def budget_days(self) -> float | None:
        """The days in which a budget lets all of it be read once; None without one."""
        if self.budget is None or self.budget.limit is None:
            return None
        return days_for(self.bytes, self.budget.limit)

    @property
    def on_target(self) -> bool | None:
        """Whether every byte is within the target and can stay so; None while nobody can say.

        None too where nothing but the listing is known by intent.
        """
        if self.only_listed:
            return None
        if self.late or self.unreadable or (self.target is not None and not self.target.met):
            return False
        if not self.affordable:
            return False
        return None if not self.known or self.target is None or self.dated_ahead else True


class Audit(Struct, frozen=True):
    """Every place that was asked for, as of ``now``."""

    now: float
    every_byte_within: timedelta
    nights: tuple[int, ...]
    places: tuple[PlaceAudit, ...]

    @property
    def known(self) -> bool:
        """False before any shift has looked through any of the places."""
        return any(each.known for each in self.places)

    @property
    def exit_status(self) -> int:
        """0 all is on target, 1 something is not or nobody can say, 3 nothing is known at all."""
        if not self.known:
            return 3
        return 0 if all(each.on_target or each.only_listed for each in self.places) else 1


def audit(settings: Settings, ledger: Ledger, share: str | None, now: float) -> Audit:
    """The places of one share, or of all.  Raises RequestRefused for a share that there is not."""
    places = all_places(settings) if share is None else places_of(settings.share(share))
    walked = set(ledger.places())
    limited = {each.place: each for each in budgets(settings, ledger, now)}
    found = [
        _of(settings, ledger, name, limited.get(name), now)
        if name in walked and ledger.shifts.last_walk(name) is not None
        else PlaceAudit(
            name,
            known=False,
            hours_a_week=_hours_a_week(settings, now),
            budget=limited.get(name),
        )
        for name, _ in places
    ]
    return Audit(now, settings.audit.every_byte_within, settings.audit.nights, tuple(found))


def _of(
    settings: Settings, ledger: Ledger, name: PlaceName, budget: Budget | None, now: float
) -> PlaceAudit:
    within = settings.audit.every_byte_within.total_seconds()
    totals, current = ledger.work.totals(name), ledger.rounds.current(name)
    ages, files, size = _by_age(ledger, name, current, int(now))
    oldest, latest = ledger.work.oldest_read(name), ledger.work.latest_read(name)
    pace = pace_of(ledger.shifts.spent(name, LOOKED_AT))
    listed = budget is not None and budget.limit is None
    overdue = int(now - within)
    target = None
    if not listed and (pace is not None or not totals.bytes):
        rate = 0.0 if pace is None else pace.bytes_per_second
        nights = settings.audit.nights
        target = forecast.within(settings.hours, now, totals.bytes, rate, within, nights)
    hidden = ledger.hidden.files(name, 0 if current is None else current.started)
    waits = totals.unread_bytes + totals.wanted_bytes - hidden.unread_bytes - hidden.wanted_bytes
    rest = max(0, totals.read_bytes - size - hidden.late_bytes)
    ends = _round_ends(settings, current, waits, rest, pace, now)
    too_large = largest = 0
    if budget is not None and budget.limit is not None:
        too_large, largest = ledger.work.larger_than(name, budget.limit)
    return PlaceAudit(
        name,
        True,
        _hours_a_week(settings, now),
        current,
        totals.files,
        totals.bytes,
        files,
        size,
        oldest,
        ages,
        totals.unread_files,
        totals.unread_bytes,
        pace,
        None if listed or too_large else _later(ends, budget, waits + rest, now),
        not listed
        and (
            (oldest is not None and oldest < overdue)
            or ledger.work.unread_since_before(name, overdue)
        ),
        ledger.findings.unreadable(name),
        target,
        budget,
        not too_large
        and (
            budget is None
            or budget.limit is None
            or days_for(totals.bytes, budget.limit) * _DAY <= within
        ),
        too_large,
        largest,
        latest is not None and latest > now + CLOCK_FAR_AHEAD,
    )


def _later(ends: float | None, budget: Budget | None, size: int, now: float) -> float | None:
    """When a round ends whose bytes a budget allows only month by month."""
    if ends is None or budget is None or budget.limit is None or size <= budget.left:
        return ends
    return max(ends, now + days_for(size - budget.left, budget.limit) * _DAY)


def _hours_a_week(settings: Settings, now: float) -> float:
    """Open hours of audit nights, on average over the time of the target."""
    seconds = settings.audit.every_byte_within.total_seconds()
    return forecast.hours_a_week(settings.hours, now, seconds, settings.audit.nights)


def _by_age(
    ledger: Ledger, name: PlaceName, current: Round | None, now: int
) -> tuple[tuple[AgeGroup, ...], int, int]:
    """The groups, the youngest first, and how many files and bytes this round has read.

    Every reading is counted once: the start of the round parts one of the groups in two.
    """
    limits = [now - int(age.total_seconds()) for age in AGES]
    started = _FOR_EVER if current is None else current.started
    cuts = sorted({-_FOR_EVER, *limits, started, _FOR_EVER})
    counted = [
        (start, *ledger.work.read_between(name, start, end)) for start, end in pairwise(cuts)
    ]
    ends, starts = (_FOR_EVER, *limits), (*limits, -_FOR_EVER)
    groups = tuple(
        AgeGroup(under, *_sum(counted, start, end))
        for under, start, end in zip((*AGES, None), starts, ends, strict=True)
    )
    return (groups, *_sum(counted, started, _FOR_EVER))


def _sum(counted: Sequence[tuple[int, int, int]], start: int, end: int) -> tuple[int, int]:
    within = [each for each in counted if start <= each[0] < end]
    return sum(files for _, files, _ in within), sum(size for _, _, size in within)


def pace_of(spent: Sequence[Spent]) -> Pace | None:
    """How fast a place is read, from what the last shifts did there, the newest first.

    All that was read over all the time in which the place was being read: what a shift waited
    for others, or was idle because nothing was left here, does not count.  Where no such time
    is recorded, the fastest of the shifts tells, by its whole length, since no place was read
    slower than that.
    """
    size, seconds = 0, 0.0
    for each in _with_seconds(spent):
        size, seconds = size + each.bytes, seconds + (each.seconds or 0.0)
        if seconds >= ENOUGH:
            break
    if seconds > 0:
        return Pace(size / seconds, seconds)
    whole = [
        each.bytes / max(1, each.ended - each.started) for each in spent if each.ended is not None
    ]
    return Pace(max(whole), None) if whole else None


def _with_seconds(spent: Sequence[Spent]) -> Iterator[Spent]:
    """Those that say how long they read; one that was cut off may have read longer than it says."""
    return (each for each in spent if each.seconds and each.ended is not None)


def _round_ends(
    settings: Settings,
    current: Round | None,
    waits: int,
    rest: int,
    pace: Pace | None,
    now: float,
) -> float | None:
    """When the round ended or will: what was never read comes first, in any night."""
    if current is None:
        return None
    if current.ended is not None:
        return current.ended
    rate = 0.0 if pace is None else pace.bytes_per_second
    first = forecast.ends(settings.hours, now, waits, rate)
    if first is None:
        return None
    return forecast.ends(settings.hours, first, rest, rate, settings.audit.nights)
