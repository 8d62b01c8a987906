"""Shifts and what they read, overrides by a person, and notices about whole places."""

from __future__ import annotations

from collections.abc import Iterator

from verifier.ledger import statements
from verifier.ledger.names import Names
from verifier.ledger.store import PAGE, Row, Store
from verifier.ledger.values import (
    Notice,
    NoticeKind,
    Override,
    PlaceName,
    PlaceReadings,
    RecordedWalk,
    Shift,
)
from verifier.ledger.walks import recorded_walk


class Shifts:
    """What was done when, and by whom."""

    def __init__(self, store: Store, names: Names) -> None:
        self._store = store
        self._names = names

    def start(self, at: int) -> int:
        """A shift starts; its number."""
        return self._store.insert(statements.ADD_SHIFT, (at,))

    def end(self, number: int, at: int, stopped_by: str) -> None:
        """A shift ends, once."""
        self._store.run(statements.END_SHIFT, (at, stopped_by, number))

    def all(self) -> Iterator[Shift]:
        """Every shift, in the order in which they started."""
        for row in self._paged(statements.SHIFTS):
            yield self._shift(row)

    def last(self) -> Shift | None:
        """The shift that started last."""
        row = self._store.row(statements.LAST_SHIFT)
        return None if row is None else self._shift(row)

    def latest(self, most: int) -> list[Shift]:
        """The last shifts, at most so many, in the order in which they started."""
        rows = self._store.rows(statements.LATEST_SHIFTS, (most,))
        return [self._shift(row) for row in reversed(rows)]

    def walks(self, place: PlaceName) -> Iterator[RecordedWalk]:
        """Every walk over a place that was recorded, in order."""
        after = 0
        number = self._names.place(place)
        while page := self._store.rows(statements.WALKS, (number, after, PAGE)):
            for row in page:
                yield recorded_walk(place, row)
            after = page[-1][0]

    def last_walk(self, place: PlaceName) -> RecordedWalk | None:
        """The last walk over a place that was recorded."""
        row = self._store.row(statements.LAST_WALK, (self._names.place(place),))
        return None if row is None else recorded_walk(place, row)

    def add_override(self, override: Override) -> None:
        """Somebody overrides the hours or a guard."""
        self._store.run(
            statements.ADD_OVERRIDE, (override.at, override.who, override.command, override.why)
        )

    def overrides(self) -> Iterator[Override]:
        """Every override, in order."""
        for _, at, who, command, why in self._paged(statements.OVERRIDES):
            yield Override(at, who, command, why)

    def add_notice(self, notice: Notice) -> None:
        """Something is wrong with a place as a whole."""
        self._store.run(
            statements.ADD_NOTICE,
            (self._names.place(notice.place), notice.at, notice.what.value, notice.detail),
        )

    def notices(self) -> Iterator[Notice]:
        """Every notice, in order."""
        for _, place, at, what, detail in self._paged(statements.NOTICES):
            yield Notice(self._names.place_name(place), at, NoticeKind(what), detail)

    def _paged(self, statement: str) -> Iterator[Row]:
        after = 0
        while page := self._store.rows(statement, (after, PAGE)):
            yield from page
            after = page[-1][0]

    def _shift(self, row: Row) -> Shift:
        number, started, ended, stopped_by = row
        readings = tuple(
            PlaceReadings(self._names.place_name(place), files, size, troubles)
            for place, files, size, troubles in self._store.rows(
                statements.SHIFT_READINGS, (number,)
            )
        )
        return Shift(number, started, ended, stopped_by, readings)
