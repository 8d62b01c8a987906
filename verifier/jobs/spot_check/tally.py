"""What a spot-check has shown so far, and what that proves.

Units are read in a random order, and only those before the first that is not finished count: to
count whatever happened to be finished would leave out the large files.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from enum import Enum, StrEnum

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


class Gone(Enum):
    """How a drawn file is no longer on the source.

    A certificate covers what was released, and is borne out where every mirror holds it still.
    """

    LEFT = 1
    RELEASED = 2
    BORNE_OUT = 3


class Left(Struct, frozen=True):
    """What was drawn and is no longer on the source, and so says nothing of what is.

    ``released`` files of them a certificate covers, and ``borne_out`` of these every mirror that
    was read holds as it was proved.
    """

    files: int = 0
    bytes: int = 0
    released: int = 0
    borne_out: int = 0


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
    left: Left

    @property
    def at_most(self) -> float:
        """The part that is bad at the most."""
        return self.most_bad / self.of if self.of else 0.0


class _Outcome(Struct, frozen=True):
    """What came of one unit."""

    length: int
    path: bytes
    bad: frozenset[PlaceName]
    gone: Gone | None


class Bound(Struct, frozen=True):
    """What was drawn and found bad, and how much of the whole is bad at the most.

    ``of`` is the whole without what was drawn and had left.
    """

    sample: Extent
    bad: int
    drawn: int
    most_bad: int
    of: int
    left: Left


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
        self._left: Counter[Gone] = Counter()
        self._left_bytes = 0
        self._left_pieces: dict[int, bytes] = {}
        self._left_paths: set[bytes] = set()

    def finish(self, unit: Unit, bad: frozenset[PlaceName], gone: Gone | None = None) -> None:
        """One unit is done, and bad on these mirrors; ``gone`` when it is not on the source."""
        self._finished[unit.number] = _Outcome(unit.length, unit.path, bad, gone)
        while self._passed in self._finished:
            self._pass(self._passed, self._finished.pop(self._passed))
            self._passed += 1

    def _pass(self, number: int, outcome: _Outcome) -> None:
        """The next unit of the order is done, and all before it."""
        if outcome.gone is not None:
            self._leave(number, outcome, outcome.gone)
            return
        self._bytes += outcome.length
        if self._by_bytes:
            self._paths.add(outcome.path)
        if outcome.bad:
            if self._by_bytes:
                self._bad_pieces[number] = outcome
            else:
                self._bad_files[outcome.bad] += 1

    def _leave(self, number: int, outcome: _Outcome, gone: Gone) -> None:
        self._left_bytes += outcome.length
        if self._by_bytes:
            self._left_pieces[number] = outcome.path
            if outcome.path in self._left_paths:
                return
            self._left_paths.add(outcome.path)
        self._left[gone] += 1

    def _all_left(self) -> Left:
        borne_out = self._left[Gone.BORNE_OUT]
        return Left(
            self._left.total(),
            self._left_bytes,
            self._left[Gone.RELEASED] + borne_out,
            borne_out,
        )

    def bound(self, sample: Sample, mirrors: Collection[PlaceName]) -> Bound:
        """What all that was drawn proves of these mirrors."""
        covered = frozenset(mirrors)
        left = self._all_left()
        drawn, of = sample.drawn(self._passed), sample.of
        if self._by_bytes:
            drawn, of = drawn - sample.hits(drawn, self._left_pieces), of - left.bytes
            pieces = {
                number: outcome.length
                for number, outcome in self._bad_pieces.items()
                if not outcome.bad.isdisjoint(covered)
            }
            bad, hits = len(pieces), sample.hits(sample.drawn(self._passed), pieces)
            files = len(self._paths)
            # What was read and is good is not bad, whatever chance says of the rest.
            most = of - (self._bytes - sum(pieces.values()))
        else:
            drawn, of = drawn - left.files, of - left.files
            bad = hits = sum(
                times for names, times in self._bad_files.items() if not names.isdisjoint(covered)
            )
            files, most = drawn, of
        found = sampling.most_bad(of, drawn, hits, self._request.confidence)
        return Bound(Extent(files, self._bytes), bad, drawn, min(found, most), of, left)
