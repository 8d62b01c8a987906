"""What a row of measurements says of the time to come: growth, room, and a pace that falls.

Pure: no I/O and no clock.  Instants are seconds since 1970 in UTC, sizes bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from statistics import median
from typing import Final

from msgspec import Struct

_DAY: Final = 86_400.0

SHORTEST: Final = 7 * _DAY
"""Seconds that measurements must span for a growth to be told from them: a working week."""

LONGEST: Final = 90 * _DAY
"""Seconds of the latest measurements that count: a quarter, since studios have seasons."""

_POINTS: Final = 120
"""Measurements that are compared with each other; of more, so many evenly spread ones."""

LATEST: Final = 5
"""Shifts whose pace, by its median, is set against those before them."""

BEFORE: Final = 40
"""Shifts before the latest ones that it is set against."""

FALLEN: Final = 0.75
"""Part of its former pace under which a place is called slower."""


def growth_a_day(measured: Sequence[tuple[float, int]]) -> float | None:
    """Bytes a day by which something grows, from (when, bytes) in order; None where too few tell.

    The median of the slopes between all pairs of measurements, so that one project that comes or
    goes does not count as growth.  Source: Theil (1950), Sen (1968).
    """
    if not measured:
        return None
    lately = [each for each in measured if each[0] >= measured[-1][0] - LONGEST]
    if lately[-1][0] - lately[0][0] < SHORTEST:
        return None
    step = max(1, -(-len(lately) // _POINTS))
    chosen = [*lately[:-1:step], lately[-1]]
    slopes = [
        (after - before) / (later - earlier) * _DAY
        for (earlier, before), (later, after) in combinations(chosen, 2)
        if later > earlier
    ]
    return median(slopes) if slopes else None


def runs_out(free: int, growth: float | None, now: float) -> float | None:
    """When ``free`` bytes are used up at so many a day; None where that is not known, or never."""
    if growth is None or growth <= 0:
        return None
    return now + free / growth * _DAY


class PaceChange(Struct, frozen=True):
    """The median pace of the latest shifts, and of those before them, in bytes a second.

    ``before`` is None where there are too few to compare with.
    """

    lately: float
    before: float | None

    @property
    def fallen(self) -> bool:
        """True when a place is read much slower than it was: its disk may be failing."""
        return self.before is not None and self.lately < FALLEN * self.before


def pace_change(paces: Sequence[float]) -> PaceChange | None:
    """How the latest of these paces, the newest last, stand to those before; None without any."""
    if not paces:
        return None
    former = paces[:-LATEST][-BEFORE:]
    before = median(former) if len(former) >= LATEST else None
    return PaceChange(median(paces[-LATEST:]), before)
