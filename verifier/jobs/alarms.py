"""What somebody is told while a shift runs, without the shift knowing how."""

from __future__ import annotations

from typing import Protocol

from verifier.ledger import Ledger, Notice, PlaceName


class Alarms(Protocol):
    """Somebody who is told at once.  None of these waits for anybody, raises, or takes long.

    Each may be called again for the same thing.
    """

    def looks_wrong(self, ledger: Ledger, notice: Notice) -> None:
        """A place as a whole is unlike what is known of it: unmounted, emptied, or surged."""

    def unreachable(self, ledger: Ledger, place: PlaceName, why: str) -> None:
        """A place cannot be reached, or does not answer any more."""

    def judged(self, ledger: Ledger) -> None:
        """Verdicts were given: there may be new findings."""


class NoAlarms:
    """Nobody is told."""

    def looks_wrong(self, ledger: Ledger, notice: Notice) -> None:
        """Tells nobody."""

    def unreachable(self, ledger: Ledger, place: PlaceName, why: str) -> None:
        """Tells nobody."""

    def judged(self, ledger: Ledger) -> None:
        """Tells nobody."""
