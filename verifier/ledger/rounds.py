"""Rounds of the audit: one is a full pass over every byte of a place."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

from verifier.ledger import statements
from verifier.ledger.names import Names
from verifier.ledger.readings import Readings
from verifier.ledger.store import PAGE, Store
from verifier.ledger.values import PlaceName, Round
from verifier.ledger.work import Work
from verifier.unlisted import Unlisted


class Rounds:
    """The rounds of each place, by number.

    A round is complete once every file that stands at the place was read after it started: that
    follows from the sightings, and nothing else counts what is left of it.
    """

    def __init__(self, store: Store, names: Names, readings: Readings, work: Work) -> None:
        self._store = store
        self._names = names
        self._readings = readings
        self._work = work

    def current(self, place: PlaceName) -> Round | None:
        """The round that started last; None where no shift has been yet."""
        row = self._store.row(statements.LAST_ROUND, (self._names.place(place),))
        return None if row is None else Round(*row)

    def all(self, place: PlaceName) -> Iterator[Round]:
        """Every round of a place, in order."""
        number, after = self._names.place(place), 0
        while page := self._store.rows(statements.ROUNDS, (number, after, PAGE)):
            for row in page:
                yield Round(*row)
            after = page[-1][0]

    def start_next(self, place: PlaceName, now: int) -> Round:
        """The next round, which starts now.

        Later than every reading there is: one of this very second, or of a clock that was ahead,
        belongs to the round before.
        """
        self._readings.flush()
        number = self._names.place(place)
        last = self.current(place)
        row = self._store.row(statements.LATEST_READ, (number,))
        started = now if row is None else max(now, row[0] + 1)
        following = Round(1 if last is None else last.number + 1, started)
        self._store.run(statements.ADD_ROUND, (number, following.number, started))
        return following

    def disown_times_after(self, place: PlaceName, later: int, now: int) -> int:
        """Take back what a clock far ahead of ``now`` has said; how many readings it dated.

        A reading that is dated after ``later`` was made at some time since the file came to be as
        it is: it counts as made then, so that the file's turn comes.  A round that is dated so is
        followed by one that is not.  A file that was first seen later was so by ``now``: its copy
        would be due no sooner.
        """
        self._readings.flush()
        values = {"place": self._names.place(place), "later": later, "now": now}
        with self._store.transaction():
            dated = self._store.run(statements.DATE_BACK, values)
            self._store.run(statements.SEEN_BACK, values)
            current = self.current(place)
            if current is not None and current.started > later:
                self.start_next(place, now)
        return dated

    def end_if_complete(
        self, place: PlaceName, now: int, unlisted: Unlisted | None = None
    ) -> Round | None:
        """End the current round if nothing is left of it; the round as it then stands.

        What ``unlisted`` hides cannot be read, and is not waited for: the files of the rest have
        their turn again.
        """
        self._readings.flush()
        current = self.current(place)
        if current is None or current.ended is not None:
            return current
        number = self._names.place(place)
        if self._is_left(place, current.started, unlisted or Unlisted()):
            return current
        self._store.run(statements.END_ROUND, (now, number, current.number))
        return self.current(place)

    def _is_left(self, place: PlaceName, started: int, unlisted: Unlisted) -> bool:
        if unlisted:
            left = chain(self._work.unread(place), self._work.longest_unread(place, None, started))
            return any(not unlisted.hides(due.path) for due in left)
        if self._names.totals(place).unread_files:
            return True
        oldest = self._work.oldest_read(place)
        return oldest is not None and oldest < started
