"""How fast places may be read, by the settings, and were read lately, as the ledger tells."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from verifier.ledger import Ledger, PlaceName
from verifier.pace import Pace
from verifier.settings import Settings

SHIFTS_LOOKED_AT = 30
"""Shifts whose pace counts: a month of nights."""

ENOUGH: Final = 256 << 20
"""Bytes from which a pace is one that a large file would be read at: small files take their time
to be found and opened, and a schedule that believed in that would leave out every large one."""


def paces_of(
    ledger: Ledger, places: Iterable[PlaceName], enough: int = ENOUGH
) -> dict[PlaceName, float]:
    """Bytes a second of each place while it was being read, from at least ``enough`` bytes."""
    found: dict[PlaceName, float] = {}
    for place in places:
        spent = [each for each in ledger.shifts.spent(place, SHIFTS_LOOKED_AT) if each.seconds]
        seconds = sum(each.seconds or 0.0 for each in spent)
        size = sum(each.bytes for each in spent)
        if seconds and size >= enough:
            found[place] = size / seconds
    return found


def pace_by(settings: Settings) -> Pace:
    """How readers behave by the settings: everybody else is served first."""
    at_most = settings.pace.at_most
    return Pace(
        None if at_most is None else at_most.bytes_per_second,
        give_way=True,
        yield_above=settings.pace.yield_above,
    )
