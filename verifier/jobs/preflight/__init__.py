"""The job `preflight`: before the first reading, is everything as it must be, and how long will
reading take?

It lists and reads shares only in open hours, or when a person overrides them, which the ledger
records.  In working hours it looks at each root and no further.  It must never write into a
share, not even to find out whether it could.  A module knows only those below it::

    pace, readers, places    who reads and how fast, and what stands at each place
    records                  the ledger, reports and notices, and room for them
    place                    one place of a share, and what was found out of it
    permission               whether it may list and read
    machine                  settings, clock, time zone, user, hours
    checks                   what is said
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

from verifier.jobs.preflight import machine, pace, places, records
from verifier.jobs.preflight.checks import Check, FirstRead, Report, State
from verifier.jobs.preflight.machine import who_runs_it
from verifier.jobs.preflight.permission import Permission
from verifier.jobs.preflight.place import places_of
from verifier.jobs.preflight.readers import ReadersFound
from verifier.jobs.progress import Progress
from verifier.jobs.spending import Budget, limits_of, month_of
from verifier.ledger import Ledger, PlaceName
from verifier.places.base import let_go
from verifier.settings import Settings

__all__ = ["Check", "FirstRead", "Report", "State", "preflight", "who_runs_it"]


def preflight(
    found: Settings,
    progress: Progress,
    *,
    override: bool = False,
    told: Callable[[Check], None] = lambda check: None,
    now: Callable[[], float] = time.time,
) -> Report:
    """Check everything that the settings name; ``told`` is called with each check as it is made.

    ``override`` has it list and read in working hours too.
    """
    return _Preflight(found, progress, override, told, now).run()


class _Preflight:
    def __init__(
        self,
        found: Settings,
        progress: Progress,
        override: bool,
        told: Callable[[Check], None],
        now: Callable[[], float],
    ) -> None:
        self._settings = found
        self._progress = progress
        self._told = told
        self._now = now
        self._started = now()
        self._checks: list[Check] = []
        self._places = [place for share in found.shares for place in places_of(share)]
        self._permission = Permission(found.hours, override, now)
        self._readers = ReadersFound(found)

    def run(self) -> Report:
        clock = self._say_the_machine()
        temporary = records.temporary(self._places)
        known = self._say_the_records(clock.state is State.GOOD and temporary is None)
        self._say(self._readers.who_reads(self._places), temporary)
        spent = {**self._nothing_spent(), **known.budgets}
        if self._places:
            looked_at = places.PlacesLookedAt(
                self._settings, self._permission, self._progress, known.totals, spent
            )
            self._say_each(looked_at.each(self._places))
            self._say_each(places.apart(self._places))
            if self._permission.holds():
                self._say_each(self._readers.see_alike(self._places))
            self._say(records.room(self._settings, self._places, known.totals))
        first_read = self._measure(frozenset(spent))
        let_go(*(each.place for each in self._places))
        return Report(tuple(self._checks), first_read)

    def _say(self, *checks: Check | None) -> None:
        self._say_each(each for each in checks if each is not None)

    def _say_each(self, checks: Iterable[Check]) -> None:
        for check in checks:
            self._checks.append(check)
            self._told(check)

    def _say_the_machine(self) -> Check:
        """The check of the clock, on which much depends."""
        found, at = self._settings, self._started
        clock = machine.clock(found.hours, at)
        self._say(machine.settings_read(found), clock, machine.time_zone(found, at))
        self._say(machine.user(), machine.open_hours(found.hours, at))
        if not self._places:
            self._say(
                Check(
                    "shares",
                    State.LOOK,
                    "The settings name no share, so there is nothing to check.",
                    "Add one with 'verifier setup', or by hand as docs/settings.md shows.",
                )
            )
        return clock

    def _say_the_records(self, may_read: bool) -> records.Known:
        """What the ledger knows.  From here on places may be listed and read, if at all."""

        def opened(ledger: Ledger | None) -> None:
            if may_read and self._places:
                self._permission.ask(ledger)

        found = self._settings
        known = records.known_by_ledger(found, self._places, self._started, opened)
        self._say(known.check, known.record)
        if self._permission.overridden:
            detail = "The hours are closed, and --now overrides them; the ledger has recorded that."
            self._say(Check("override", State.GOOD, detail))
        self._say(records.reports(found, self._places), records.notices(found))
        self._say(records.nights(known.missed, found.hours))
        return known

    def _nothing_spent(self) -> dict[PlaceName, Budget]:
        month = month_of(self._settings.hours, self._started)
        limits = limits_of(self._settings).items()
        return {name: Budget(name, month, limit, 0) for name, limit in limits}

    def _measure(self, limited: frozenset[PlaceName]) -> FirstRead | None:
        """Read some of every place, those of one share side by side as later on."""
        found = self._settings
        for share in found.shares:
            listed = [each for each in self._places if each.share is share and each.listed]
            if listed and self._readers.fit and self._permission.holds():
                until = self._permission.until
                self._say_each(pace.measured(found, listed, until, self._progress, self._now()))
        at = self._now()
        first_read = pace.first_read(found, self._places, limited, at)
        if first_read is not None:
            self._say(pace.target(found, first_read.bytes, first_read.bytes_per_second, at))
        return first_read
