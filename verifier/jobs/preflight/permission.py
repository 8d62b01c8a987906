"""Whether preflight may list and read, and until when."""

from __future__ import annotations

import time
from collections.abc import Callable
from math import inf

from verifier.hours import WorkingHours
from verifier.jobs.preflight.checks import Check, State
from verifier.jobs.preflight.machine import when, who_runs_it
from verifier.ledger import Ledger, Override


class Permission:
    """Until the bell in open hours; where a person overrides them, and the ledger records that,
    for as long as it takes.  Nothing is allowed before `ask`."""

    def __init__(self, hours: WorkingHours, override: bool, now: Callable[[], float]) -> None:
        self._hours = hours
        self._override = override
        self._now = now
        self.until = 0.0
        """On the system's steady clock."""
        self.overridden = False

    def ask(self, ledger: Ledger | None) -> None:
        """Allow it, if it may be.  Without a ledger to record it in, nothing is overridden."""
        at = self._now()
        if self._hours.is_open(at):
            bell = self._hours.next_change(at)
            self.until = time.monotonic() + (inf if bell is None else bell - at)
        elif self._override and ledger is not None:
            why = "Listed and measured in working hours, as --now asked."
            ledger.shifts.add_override(Override(int(at), who_runs_it(), "preflight --now", why))
            self.until = inf
            self.overridden = True

    def holds(self) -> bool:
        """Whether it still may."""
        return time.monotonic() < self.until

    def refused(self) -> Check:
        """Why listing and measuring were left out."""
        if self._hours.is_open(self._now()):
            return Check(
                "measuring",
                State.LOOK,
                "Listing and measuring were left out because of what is wrong above.",
                "See to that, then run preflight again.",
            )
        opens = self._hours.next_change(self._now())
        closed = "they never open" if opens is None else f"they open on {when(self._hours, opens)}"
        if self._override:
            return Check(
                "measuring",
                State.WRONG,
                f"The hours are closed ({closed}), and --now could not be recorded.",
                "See to what is wrong above, then run preflight again.",
            )
        return Check(
            "measuring",
            State.LOOK,
            f"Listing and measuring were left out: the hours are closed, {closed}.",
            "Run 'verifier preflight' again then; or now with --now, which the ledger records.",
        )
