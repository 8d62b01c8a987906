"""Keeps how everything stands when a shift has ended, for the pictures that pages draw of time."""

from __future__ import annotations

import shutil

from verifier.jobs.opening import all_places
from verifier.ledger import Ledger, PlaceName, Shift
from verifier.settings import Address, AddressKind, Settings


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
    """Bytes that the disk below a folder has left; None where nobody can say."""
    if address.kind is not AddressKind.FOLDER:
        return None
    try:
        return shutil.disk_usage(address.path).free
    except OSError:
        return None
