"""What a spot-check has shown so far, and what that proves.

Units are read in a random order, and only those before the first that is not finished count: to
count whatever happened to be finished would leave out the large files.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from enum import StrEnum

from msgspec import Struct

from verifier import sampling
from verifier.jobs.spot_check.sample import By, Extent, Request, Sample, Unit
from verifier.ledger import PlaceName


class Ended(StrEnum):
    """Why no more was read."""

    DONE = "done"
    MINUTES = "minutes"
    WORKING_HOURS = "working-hours"
    SIGNAL = "signal"


class Result(Struct, frozen=True):
    """What was drawn, and what it showed.

    ``bad`` counts files, or pieces where bytes were drawn.  ``drawn``, ``most_bad`` and ``of``
    count what has equal chances: files, or bytes.
    """

    request: Request
    population: Extent
    sample: Extent
    bad: int
    drawn: int
    most_bad: int
    of: int
    mirrors: tuple[str, ...]
    left_out: tuple[str, ...]
    started: int
    walked: int
    ended: Ended
    changed: int
    unsettled: int
    unconfirmed: int
    surge: str | None

    @property
    def at_most(self) -> float:
        """The part that is bad at the most."""
        return self.most_bad / self.of


class _Outcome(Struct, frozen=True):
    """What came of one unit."""

    length: int
    path: bytes
    bad: frozenset[PlaceName]


class Bound(Struct, frozen=True):
    """What was drawn and found bad, and how much of the whole is bad at the most."""

    sample: Extent
    bad: int
    drawn: int
    most_bad: int


class Tally:
    """The units that are done, in their order."""

    def __init__(self, request: Request) -> None:
        self._request = request
        self._by_bytes = request.by is By.BYTES
        self._finished: dict[int, _Outcome] = {}
        self._passed = 0
        self._bytes = 0
        self._paths: set[bytes] = set()
        self._bad_files: Counter[frozenset[PlaceName]] = Counter()
        self._bad_pieces: dict[int, _Outcome] = {}

    def finish(self, unit: Unit, bad: frozenset[PlaceName]) -> None:
        """One unit is done, and bad on these mirrors."""
        self._finished[unit.number] = _Outcome(unit.length, unit.path, bad)
        while self._passed in self._finished:
            self._pass(self._passed, self._finished.pop(self._passed))
            self._passed += 1

    def _pass(self, number: int, outcome: _Outcome) -> None:
        """The next unit of the order is done, and all before it."""
        self._bytes += outcome.length
        if self._by_bytes:
            self._paths.add(outcome.path)
        if outcome.bad:
            if self._by_bytes:
                self._bad_pieces[number] = outcome
            else:
                self._bad_files[outcome.bad] += 1

    def bound(self, sample: Sample, mirrors: Collection[PlaceName]) -> Bound:
        """What all that was drawn proves of these mirrors."""
        covered = frozenset(mirrors)
        drawn = sample.drawn(self._passed)
        if self._by_bytes:
            pieces = {
                number: outcome.length
                for number, outcome in self._bad_pieces.items()
                if not outcome.bad.isdisjoint(covered)
            }
            bad, hits = len(pieces), sample.hits(drawn, pieces)
            files = len(self._paths)
            # What was read and is good is not bad, whatever chance says of the rest.
            most = sample.of - (self._bytes - sum(pieces.values()))
        else:
            bad = hits = sum(
                times for names, times in self._bad_files.items() if not names.isdisjoint(covered)
            )
            files, most = drawn, sample.of
        found = sampling.most_bad(sample.of, drawn, hits, self._request.confidence)
        return Bound(Extent(files, self._bytes), bad, drawn, min(found, most))
