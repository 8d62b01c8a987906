"""How many bytes were read of each place in each month, where reading costs or is limited.

Months are the studio's own; the caller says which one it is.  What is recorded is only ever added
to, so that no crash makes a budget larger.
"""

from __future__ import annotations

from collections.abc import Mapping

from verifier.ledger import statements
from verifier.ledger.names import Names
from verifier.ledger.store import Store
from verifier.ledger.values import PlaceName

MONTHS_TOLD = 13
"""Months that are told at once: this one, and the year before it."""


class Spending:
    """What reading has cost so far, in bytes."""

    def __init__(self, store: Store, names: Names) -> None:
        self._store = store
        self._names = names

    def add(self, place: PlaceName, month: str, size: int) -> None:
        """So many bytes more were read of a place in a month, such as "2026-11"."""
        if size > 0:
            self._store.run(statements.SPEND, (self._names.place(place), month, size))

    def of(self, place: PlaceName, month: str) -> int:
        """The bytes that were read of a place in a month."""
        row = self._store.row(statements.SPENT_IN_MONTH, (self._names.place(place), month))
        return 0 if row is None else int(row[0])

    def months(self, place: PlaceName) -> Mapping[str, int]:
        """The last months in which anything was read of a place, with how many bytes."""
        rows = self._store.rows(statements.SPENT_BY_MONTH, (self._names.place(place), MONTHS_TOLD))
        return {str(month): int(size) for month, size in reversed(rows)}
