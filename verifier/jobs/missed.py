"""Which nights had no shift though one was expected, as the ledger tells now.

A command that answers from the ledger alone asks this, so that it never sounds as if all were well
while nothing checks any more.
"""

from __future__ import annotations

from typing import Final

from verifier.expected import Missed, expected
from verifier.ledger import Ledger, shift_runs
from verifier.settings import Settings

SHIFTS_LOOKED_AT: Final = 400
"""Shifts among which missed nights are looked for: months of several a night."""


def missed_lately(settings: Settings, ledger: Ledger, now: float) -> Missed:
    """What did not happen as expected since the last shift that came to its end."""
    shifts = ledger.shifts.latest(SHIFTS_LOOKED_AT)
    running = bool(shifts) and shifts[-1].ended is None and shift_runs(ledger.path)
    nights = settings.notify.nights
    return expected(settings.hours, shifts, now, nights, running=running).lately
