"""What reading costs: which places shifts read, within which budget, and what was spent of it.

A place whose reading costs is only listed by shifts, unless the settings give it a budget.  What a
person asks for by hand, a spot-check or a clearance, is read all the same, and counted.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Final

from msgspec import Struct

from verifier.hours import WorkingHours
from verifier.jobs.opening import all_places, open_ledger
from verifier.ledger import Ledger, PlaceName
from verifier.measures import amount
from verifier.places.opening import traits_at
from verifier.settings import Settings

WRITTEN_FROM: Final = 8 * 1024 * 1024
"""Bytes from which what was read is written down: at most so many does a crash forget."""

DAYS_A_MONTH: Final = 31
"""Of the longest month, so that what is said of a budget holds in every month."""


class Budget(Struct, frozen=True):
    """What may be read of a place in a month, and what was read of it so far in this one.

    ``limit`` is None where no shift may read it at all.
    """

    place: PlaceName
    month: str
    limit: int | None
    spent: int

    @property
    def left(self) -> int:
        """What shifts may still read of it this month."""
        return 0 if self.limit is None else max(0, self.limit - self.spent)


def month_of(hours: WorkingHours, now: float) -> str:
    """The month that it is in the studio, such as "2026-11"."""
    return f"{hours.local(now):%Y-%m}"


def days_for(size: int, limit: int) -> float:
    """The days that reading so many bytes takes, at so many a month."""
    return DAYS_A_MONTH * size / limit


def limits_of(settings: Settings) -> dict[PlaceName, int | None]:
    """The places whose reading costs or is limited, with the bytes a month; None for not at all."""
    found: dict[PlaceName, int | None] = {}
    for share in settings.shares:
        rates = {PlaceName(share.name): share.read_at_most}
        rates |= {PlaceName(share.name, each.name): each.read_at_most for each in share.mirrors}
        for name, rate in rates.items():
            if rate is not None:
                found[name] = rate.size
    for name in costly(settings):
        found.setdefault(name, None)
    return found


def costly(settings: Settings) -> frozenset[PlaceName]:
    """The places whose reading costs, whatever may be read of them."""
    return frozenset(
        name for name, address in all_places(settings) if traits_at(address).reading_costs
    )


def only_listed(settings: Settings) -> frozenset[PlaceName]:
    """The places of which no shift reads any content."""
    return frozenset(name for name, limit in limits_of(settings).items() if limit is None)


def budgets(settings: Settings, ledger: Ledger, now: float) -> Iterator[Budget]:
    """What may be and was read this month, of each place whose reading costs or is limited."""
    known, month = set(ledger.places()), month_of(settings.hours, now)
    for name, limit in limits_of(settings).items():
        spent = ledger.spending.of(name, month) if name in known else 0
        yield Budget(name, month, limit, spent)


def spend(settings: Settings, sizes: Mapping[PlaceName, int], now: float) -> None:
    """Write down what a command by hand has read, where that costs and there is a ledger.

    Raises LedgerRefused and LedgerFailed.
    """
    spent = {name: sizes[name] for name in limits_of(settings) if sizes.get(name)}
    if not spent or not os.path.lexists(settings.studio.ledger):
        return
    with open_ledger(settings) as ledger:
        for name, size in spent.items():
            ledger.spending.add(name, month_of(settings.hours, now), size)


def told(budget: Budget, size: int) -> str:
    """What a person should know before so many bytes are read by hand, beside any budget."""
    spent = f"{amount(budget.spent)} were read of it this month"
    if budget.limit is not None:
        spent += f", of {amount(budget.limit)} that shifts may read"
    return f"{budget.place}: {amount(size)} will be read, where reading costs; {spent}."


class Meter:
    """Writes down what is read of places where that costs or is limited, while it is read.

    ``bytes_read`` tells what came off a place so far; what was there before is not counted.
    ``places`` are those that are read at all, None for all.
    """

    def __init__(
        self,
        settings: Settings,
        ledger: Ledger,
        bytes_read: Callable[[PlaceName], int],
        now: Callable[[], float],
        places: Collection[PlaceName] | None = None,
    ) -> None:
        self._hours = settings.hours
        self._ledger = ledger
        self._bytes_read = bytes_read
        self._now = now
        self._limits = {
            name: limit
            for name, limit in limits_of(settings).items()
            if places is None or name in places
        }
        self._written = {name: bytes_read(name) for name in self._limits}
        self._besides = dict.fromkeys(self._limits, 0)
        self._spent: dict[tuple[PlaceName, str], int] = {}

    @property
    def places(self) -> frozenset[PlaceName]:
        """Those that are metered."""
        return frozenset(self._limits)

    def besides(self, place: PlaceName, size: int) -> None:
        """So many bytes were read that ``bytes_read`` does not tell of."""
        if place in self._besides:
            self._besides[place] += size

    def left(self, place: PlaceName) -> float:
        """The bytes that shifts may still read of a place this month."""
        if place not in self._limits:
            return math.inf
        limit = self._limits[place]
        if limit is None:
            return 0
        return limit - self._spent_so_far(place) - self._unwritten(place)

    def write(self, at_least: int = WRITTEN_FROM) -> None:
        """Write down what was read since, of each place where it comes to so much."""
        if not self._limits:
            return
        month = month_of(self._hours, self._now())
        for place in self._limits:
            size = self._unwritten(place)
            if size and size >= at_least:
                self._ledger.spending.add(place, month, size)
                self._written[place] += size - self._besides[place]
                self._besides[place] = 0
                self._spent.pop((place, month), None)

    def _unwritten(self, place: PlaceName) -> int:
        return self._bytes_read(place) - self._written[place] + self._besides[place]

    def _spent_so_far(self, place: PlaceName) -> int:
        key = place, month_of(self._hours, self._now())
        if key not in self._spent:
            known = place in self._ledger.places(place.share)
            self._spent[key] = self._ledger.spending.of(*key) if known else 0
        return self._spent[key]
