"""Keeps how everything stands when a shift has ended, for the pictures that pages draw of time."""

from __future__ import annotations

from verifier.errors import PlaceUnreachable
from verifier.jobs.opening import all_places
from verifier.ledger import Ledger, PlaceName, Shift
from verifier.places.addresses import Address
from verifier.places.opening import place_at
from verifier.settings import Settings


def record_night(settings: Settings, ledger: Ledger, shift: Shift, now: float) -> None:
    """What the places that ``shift`` looked through hold, and the verdicts of their mirrors.

    Only of those is the room asked for: a place that did not answer might not answer again.
    Raises LedgerFailed.
    """
    known = set(ledger.places())
    free: dict[PlaceName, int | None] = {}
    for name, address in all_places(settings):
        walk = ledger.shifts.last_walk(name) if name in known else None
        if walk is not None and walk.at >= shift.started:
            free[name] = _free(address)
    tallies = {
        name: ledger.nights.tallies(name)
        for name in free
        if not name.is_source and PlaceName(name.share) in free
    }
    ledger.nights.record(shift.id, int(now), free, tallies)


def _free(address: Address) -> int | None:
    """Bytes that are left where a place lies; None where nobody can say."""
    try:
        return place_at(address).room()
    except PlaceUnreachable:
        return None
