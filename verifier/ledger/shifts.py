"""Shifts and what they read, overrides by a person, and notices about whole places."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from verifier.ledger import statements
from verifier.ledger.chain import Chain, What
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

ENOUGH_AFTER: Final = 3
"""Shifts that tell together that the clock of the one before them was ahead, and not theirs behind:
of the very first shift nothing else can."""


class Spent(Struct, frozen=True):
    """What a shift read of one place.

    ``seconds`` are those in which it was being read, None where that was not recorded; ``bytes``
    came off it in those, also of files that were not finished, or were read of whole files where
    that was not recorded or too short to tell; ``ended`` is None while the shift runs, and for
    ever if it was cut off.
    """

    started: int
    ended: int | None
    bytes: int
    seconds: float | None


class Shifts:
    """What was done when, and by whom.  All of it is told to the chain."""

    def __init__(self, store: Store, names: Names, chain: Chain) -> None:
        self._store = store
        self._names = names
        self._chain = chain

    def start(self, at: int) -> int:
        """A shift starts; its number."""
        with self._store.transaction():
            number = self._store.insert(statements.ADD_SHIFT, (at,))
            self._chain.extend(What.SHIFT_STARTED, number, (at,), at)
        return number

    def end(self, number: int, at: int, stopped_by: str) -> None:
        """A shift ends, once.  What it read is recorded by then."""
        with self._store.transaction():
            if self._store.run(statements.END_SHIFT, (at, stopped_by, number)):
                self._chain.extend_by(What.SHIFT_ENDED, number, at)

    def spend(self, number: int, place: PlaceName, seconds: float, came_off: int) -> None:
        """A shift that has not ended spent so many seconds more on reading a place.

        ``came_off`` are the bytes that it got in them, also of files that are not finished.
        """
        where = self._names.place(place)
        with self._store.transaction():
            self._store.run(statements.SPENT, (where, seconds, number))
            self._store.run(statements.CAME_OFF, (where, came_off, number))

    def spent(self, place: PlaceName, most: int) -> list[Spent]:
        """What the last shifts that read of a place did there, at most so many, newest first."""
        rows = self._store.rows(statements.SPENT_LATELY, (self._names.place(place), most))
        return [Spent(*row) for row in rows]

    def all(self) -> Iterator[Shift]:
        """Every shift, in the order in which they started."""
        for row in self._paged(statements.SHIFTS):
            yield self._shift(row)

    def last(self) -> Shift | None:
        """The shift that started last."""
        row = self._store.row(statements.LAST_SHIFT)
        return None if row is None else self._shift(row)

    def of(self, number: int) -> Shift | None:
        """One shift."""
        row = self._store.row(statements.SHIFT, (number,))
        return None if row is None else self._shift(row)

    def farthest_beyond(self, now: int) -> int | None:
        """The farthest time after ``now`` that can only come of a clock that was ahead.

        Of the shift that came after the last one that began by ``now``; of the end of one that
        began by then; or of a shift that `ENOUGH_AFTER` others followed which began by ``now``.
        Else None: a clock that is behind now shows times from before the record, or between two
        nights of it, where one that was ahead has left a gap.
        """
        row = self._store.row(statements.FARTHEST_BEYOND, {"now": now, "enough": ENOUGH_AFTER})
        return None if row is None or row[0] is None else int(row[0])

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

    def never_saw_anything(self, place: PlaceName) -> bool:
        """Whether a place was walked over, and no walk has found a path there."""
        row = self._store.row(statements.NEVER_SEEN, (self._names.place(place),))
        return row is not None and bool(row[0])

    def add_override(self, override: Override) -> None:
        """Somebody overrides the hours or a guard."""
        said = override.at, override.who, override.command, override.why
        with self._store.transaction():
            number = self._store.insert(statements.ADD_OVERRIDE, said)
            self._chain.extend(What.OVERRIDE, number, said, override.at)

    def overrides(self) -> Iterator[Override]:
        """Every override, in order."""
        for _, at, who, command, why in self._paged(statements.OVERRIDES):
            yield Override(at, who, command, why)

    def add_notice(self, notice: Notice) -> None:
        """Something is wrong with a place as a whole."""
        said = notice.at, notice.what.value, notice.detail
        with self._store.transaction():
            place = self._names.place(notice.place)
            number = self._store.insert(statements.ADD_NOTICE, (place, *said, notice.shift))
            named = notice.place.share, notice.place.place
            self._chain.extend(What.NOTICE, number, (*named, *said), notice.at)
            if notice.shift is not None:
                self._chain.extend(What.NOTICE_IN_SHIFT, number, (notice.shift,), notice.at)

    def notices(self) -> Iterator[Notice]:
        """Every notice, in order."""
        for row in self._paged(statements.NOTICES):
            yield self._notice(row)

    def standing_notices(self) -> list[Notice]:
        """The notices of places that no later shift has walked since, in order."""
        return [self._notice(row) for row in self._store.rows(statements.STANDING_NOTICES)]

    def _paged(self, statement: str) -> Iterator[Row]:
        after = 0
        while page := self._store.rows(statement, (after, PAGE)):
            yield from page
            after = page[-1][0]

    def _notice(self, row: Row) -> Notice:
        _, place, at, what, detail, shift = row
        return Notice(self._names.place_name(place), at, NoticeKind(what), detail, shift)

    def _shift(self, row: Row) -> Shift:
        number, started, ended, stopped_by = row
        readings = tuple(
            PlaceReadings(self._names.place_name(place), files, size, troubles)
            for place, files, size, troubles in self._store.rows(
                statements.SHIFT_READINGS, (number,)
            )
        )
        return Shift(number, started, ended, stopped_by, readings)
