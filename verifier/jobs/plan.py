"""What a shift would do if it began now, or when the hours open, and when it would end.

It follows from the ledger; only a place that no shift has looked at yet is counted, and that only
while it is open.  No file is read and nothing is recorded.
"""

from __future__ import annotations

import os

from msgspec import Struct, structs

from verifier import forecast
from verifier.errors import PlaceUnreachable
from verifier.ignore import Ignore
from verifier.jobs.opening import all_places, open_ledger, places_of
from verifier.jobs.paces import paces_of
from verifier.jobs.shift import Request, audit_window
from verifier.jobs.spending import Budget, budgets, limits_of, month_of, only_listed
from verifier.ledger import Ledger, PlaceName
from verifier.measures import amount, count, duration
from verifier.model import Kind
from verifier.places.opening import open_place
from verifier.scheduler import Left
from verifier.settings import Address, Settings, Share
from verifier.walker import walk_dated


class PlannedPlace(Struct, frozen=True):
    """What would be read of one place.

    ``new`` is what was not read since it was new or changed, or what a verdict waits for;
    ``audit`` what the audit would read again.  ``walked`` is when it was last looked through,
    None when it never was.  ``budget`` is what may be read of it, None for as much as one likes.
    """

    place: PlaceName
    new: Left
    audit: Left
    bytes_per_second: float | None
    walked: int | None
    trouble: str | None = None
    budget: Budget | None = None

    @property
    def bytes(self) -> int:
        """All that would be read: where that is limited, what the month has left."""
        wanted = self.new.bytes + self.audit.bytes
        return wanted if self.budget is None else min(wanted, self.budget.left)


class Plan(Struct, frozen=True):
    """What a shift would do; ``ends`` is None where the pace is not known yet."""

    starts: float
    bell: float | None
    ends: float | None
    places: tuple[PlannedPlace, ...]


def plan(request: Request, now: float) -> Plan:
    """The plan as of ``now``.  Raises LedgerRefused."""
    settings = request.settings
    may_look = settings.hours.is_open(now)
    if not os.path.lexists(settings.studio.ledger):
        return _plan(settings, None, now, request.until, may_look)
    with open_ledger(settings) as ledger:
        return _plan(settings, ledger, now, request.until, may_look)


def known_plan(settings: Settings, ledger: Ledger, now: float) -> Plan:
    """As `plan`, from the ledger alone: a place that no shift has looked at is not counted."""
    return _plan(settings, ledger, now, None, may_look=False)


def _plan(
    settings: Settings, ledger: Ledger | None, now: float, until: float | None, may_look: bool
) -> Plan:
    hours = settings.hours
    starts = now
    if not hours.is_open(now):
        opens = hours.next_change(now)
        starts = now if opens is None else float(opens)
    bell = hours.next_change(starts)
    ends_at = float("inf") if bell is None else float(bell)
    if until is not None:
        ends_at = min(ends_at, until)
    audit = audit_window(settings, starts)
    audited = audit is not None and audit[0] < ends_at
    limited = {
        name: Budget(name, month_of(hours, now), limit, 0)
        for name, limit in limits_of(settings).items()
    }
    if ledger is not None:
        limited = {each.place: each for each in budgets(settings, ledger, now)}
    paces: dict[PlaceName, float] = {}
    if ledger is not None:
        paces = paces_of(ledger, [name for name, _ in all_places(settings)], enough=1)
    places = [
        _uncounted(share, name, address, may_look)
        if ledger is None
        else _planned(ledger, share, name, address, paces.get(name), audited, may_look)
        for share in settings.shares
        for name, address in places_of(share)
    ]
    places = [structs.replace(each, budget=limited.get(each.place)) for each in places]
    ends: list[float | None] = [
        None
        if each.bytes_per_second is None
        else forecast.ends(hours, starts, each.bytes, each.bytes_per_second)
        for each in places
        if each.bytes or (each.walked is None and each.place not in only_listed(settings))
    ]
    known = [each for each in ends if each is not None]
    last = max(known, default=starts) if len(known) == len(ends) else None
    return Plan(starts, None if ends_at == float("inf") else ends_at, last, tuple(places))


def _planned(
    ledger: Ledger,
    share: Share,
    name: PlaceName,
    address: Address,
    pace: float | None,
    audited: bool,
    may_look: bool,
) -> PlannedPlace:
    walk = ledger.shifts.last_walk(name) if name in ledger.places(share.name) else None
    if walk is None:
        return _uncounted(share, name, address, may_look)
    totals, current = ledger.work.totals(name), ledger.rounds.current(name)
    hidden = ledger.hidden.files(name, 0 if current is None else current.started)
    new = Left(
        totals.unread_files + totals.wanted_files - hidden.unread_files - hidden.wanted_files,
        totals.unread_bytes + totals.wanted_bytes - hidden.unread_bytes - hidden.wanted_bytes,
    )
    again = Left()
    if audited and current is not None:
        read_files, read_bytes = ledger.work.read_since(name, current.started)
        again = Left(
            max(0, totals.read_files - read_files - hidden.late_files),
            max(0, totals.read_bytes - read_bytes - hidden.late_bytes),
        )
        all_seen = totals.unread_files == hidden.unread_files
        if all_seen and (current.ended is not None or not again.files):
            # The round is complete: the next one reads all that can be read.
            again = Left(
                totals.read_files - hidden.read_files, totals.read_bytes - hidden.read_bytes
            )
    return PlannedPlace(name, new, again, pace, walk.at)


def _uncounted(share: Share, name: PlaceName, address: Address, may_look: bool) -> PlannedPlace:
    if not may_look:
        return PlannedPlace(name, Left(), Left(), None, None)
    files = size = 0
    try:
        for sighting in walk_dated(open_place(address), Ignore(share.ignore)):
            if sighting.kind is Kind.FILE:
                files += 1
                size += sighting.size
    except PlaceUnreachable as error:
        return PlannedPlace(name, Left(), Left(), None, None, str(error))
    return PlannedPlace(name, Left(files, size), Left(), None, None)


def in_words(plan: Plan) -> tuple[str, list[str]]:
    """The plan in a sentence, and one for each place.  The times are told by the caller."""
    total = sum(each.bytes for each in plan.places)
    said = f"{amount(total)} would be read"
    if plan.ends is not None:
        said += f", in about {duration(max(0.0, plan.ends - plan.starts))}"
    return said, [_place_in_words(each) for each in plan.places]


def _place_in_words(each: PlannedPlace) -> str:
    if each.trouble is not None:
        return each.trouble
    if each.budget is not None and each.budget.limit is None:
        return "only listed, since reading costs"
    if each.walked is None and not each.new.files:
        return "not looked through yet; what it holds is not known"
    parts = [f"{count(each.new.files, 'file')} of {amount(each.new.bytes)} new or changed"]
    if each.audit.files:
        parts.append(f"{count(each.audit.files, 'file')} of {amount(each.audit.bytes)} again")
    if each.bytes_per_second is not None:
        parts.append(f"at {amount(round(each.bytes_per_second))}/s, as last time")
    if each.budget is not None:
        parts.append(f"of which {amount(each.budget.left)} can be read this month")
    return ", ".join(parts)
