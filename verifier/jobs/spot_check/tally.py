"""What a spot-check has shown so far, and what that proves.

Units are read in a random order, and only those before the first that is not finished count: to
count whatever happened to be finished would leave out the large files.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection
from enum import Enum, StrEnum

from msgspec import Struct, structs

from verifier import sampling
from verifier.jobs.spot_check.sample import By, Extent, Request, Sample, Unit
from verifier.ledger import PlaceName
from verifier.spill import SortedSpill


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


class Hidden(Struct, frozen=True):
    """What lies below folders that cannot be listed, and is neither good nor bad.

    ``folders`` are those with the name of their place, ``files`` and ``bytes`` all that the last
    walk saw below them, and ``drawn`` the files of the sample that could not be looked at.
    """

    folders: tuple[tuple[str, bytes], ...] = ()
    files: int = 0
    bytes: int = 0
    drawn: int = 0


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
    hidden: Hidden

    @property
    def at_most(self) -> float:
        """The part that is bad at the most; all of it, where nothing could be looked at."""
        if not self.of:
            return float(bool(self.hidden.files))
        return self.most_bad / self.of


class _Outcome(Struct, frozen=True):
    """What came of one unit, the ``number`` of which is its place in the order."""

    number: int
    length: int
    path: bytes
    bad: tuple[PlaceName, ...]
    gone: Gone | None
    unseen: bool


class Bound(Struct, frozen=True):
    """What was drawn and found bad, and how much of the whole is bad at the most.

    ``of`` is the whole without what was drawn and had left, and without all that is hidden.
    """

    sample: Extent
    bad: int
    drawn: int
    most_bad: int
    of: int
    left: Left
    hidden: Hidden


class _Counts:
    """Files, bytes and pieces of one kind among what was drawn."""

    def __init__(self, by_bytes: bool) -> None:
        self._by_bytes = by_bytes
        self._paths: set[bytes] = set()
        self.files = self.bytes = 0
        self.pieces: set[int] = set()

    def add(self, outcome: _Outcome) -> bool:
        """Count one unit; True when it is the first of its file."""
        self.bytes += outcome.length
        if self._by_bytes:
            self.pieces.add(outcome.number)
            if outcome.path in self._paths:
                return False
            self._paths.add(outcome.path)
        self.files += 1
        return True


class Tally:
    """The units that are done, in their order.  Close it after use."""

    def __init__(self, request: Request) -> None:
        self._request = request
        self._by_bytes = request.by is By.BYTES
        self._finished: dict[int, _Outcome] = {}
        self._passed: SortedSpill[_Outcome] = SortedSpill(_Outcome, lambda each: each.number)

    def close(self) -> None:
        """Forget all of them."""
        self._passed.close()

    def finish(
        self,
        unit: Unit,
        bad: Collection[PlaceName],
        gone: Gone | None = None,
        *,
        unseen: bool = False,
    ) -> None:
        """One unit is done, and bad on these mirrors; ``gone`` when it is not on the source.

        ``unseen`` says that it could not be looked at everywhere.
        """
        self._finished[unit.number] = _Outcome(
            unit.number, unit.length, unit.path, tuple(bad), gone, unseen
        )
        while (following := self._finished.pop(len(self._passed), None)) is not None:
            self._passed.add(following)

    def bound(
        self,
        sample: Sample,
        mirrors: Collection[PlaceName],
        hidden: Hidden,
        hides: Callable[[bytes], bool],
    ) -> Bound:
        """What all that was drawn proves of these mirrors.

        What a path ``hides`` is left out of it, also where it was read before its folder closed:
        the rest alone is as likely to be drawn as ever.  ``hidden`` is all of that.
        """
        seen, bad, left, below, unseen = (_Counts(self._by_bytes) for _ in range(5))
        gone: Counter[Gone] = Counter()
        for outcome in self._passed:
            if hides(outcome.path):
                below.add(outcome)
                if outcome.unseen:
                    unseen.add(outcome)
            elif outcome.gone is not None:
                gone[outcome.gone] += left.add(outcome)
            else:
                seen.add(outcome)
                if not set(mirrors).isdisjoint(outcome.bad):
                    bad.add(outcome)
        drawn = sample.drawn(len(self._passed))
        if self._by_bytes:
            hits = sample.hits(drawn, bad.pieces)
            drawn -= sample.hits(drawn, left.pieces | below.pieces)
            of = sample.of - left.bytes - hidden.bytes
            # What was read and is good is not bad, whatever chance says of the rest.
            most = of - (seen.bytes - bad.bytes)
            found_bad = len(bad.pieces)
        else:
            hits = found_bad = bad.files
            drawn -= left.files + below.files
            most = of = sample.of - left.files - hidden.files
        found = sampling.most_bad(of, drawn, hits, self._request.confidence)
        borne_out = gone[Gone.BORNE_OUT]
        return Bound(
            Extent(seen.files, seen.bytes),
            found_bad,
            drawn,
            min(found, most),
            of,
            Left(left.files, left.bytes, gone[Gone.RELEASED] + borne_out, borne_out),
            structs.replace(hidden, drawn=unseen.files),
        )
