"""Reading a folder afresh at every place, for as many nights as that takes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import takewhile
from typing import Final

from msgspec import Struct

from verifier import system
from verifier.engine import ReadingEngine
from verifier.errors import PlaceUnreachable
from verifier.jobs.clearance.rows import is_dated_ahead
from verifier.jobs.engines import engine_for
from verifier.jobs.giving_way import GivingWay
from verifier.jobs.paces import pace_by
from verifier.jobs.progress import Progress
from verifier.jobs.readers import EngineReaders
from verifier.jobs.spending import Meter, budgets, told
from verifier.ledger import Clearance, Due, Ledger, PlaceName
from verifier.model import Kind
from verifier.places.base import Place, Traits
from verifier.scheduler import Left, Queue, Scheduler, Status, Task, Why, Window
from verifier.settings import Settings

REASON: Final = "A clearance was asked for: every byte is to be read past the cache."

_AT_ONCE: Final = 2_000
"""Paths that are marked in one transaction."""


class FolderQueue(Queue):
    """The files of one folder that are marked to be read, in the order of their paths.

    It goes through them once.  After that it hands out those that are still, or again, marked,
    each once more: a file that changes all the time does not keep it for ever.
    """

    def __init__(self, ledger: Ledger, place: PlaceName, folder: bytes) -> None:
        self._folder = folder
        self._first_time = True
        super().__init__(ledger, place)

    def wanted_again(self) -> None:
        """Begin anew, once all were gone through."""
        if not self._first_time:
            super().wanted_again()

    def next(self, fits: float, longest: float, may_audit: bool = False) -> Task | None:
        """The next task, or None when nothing is left that fits."""
        task = super().next(fits, longest, may_audit=False)
        if self._first_time:
            self._tried.clear()  # in order and each once: nothing needs to be remembered
            self._first_time = task is not None
        return task

    def _of(self, why: Why) -> Iterator[Due]:
        if why is not Why.WANTED:
            return iter(())
        return takewhile(
            lambda due: due.path.startswith(self._folder),
            self._ledger.work.wanted(self.place, self._folder),
        )


def readers_for(settings: Settings, traits: Sequence[Traits]) -> ReadingEngine:
    """Readers for places of these traits, as gentle as those of a shift."""
    readers = max(len(traits), 2 * system.cores())
    return engine_for(settings.engine, traits, readers=readers, pace=pace_by(settings))


class Read(Struct, frozen=True):
    """How reading ended: whether all was tried, and which places went away meanwhile."""

    all_tried: bool
    unreachable: dict[PlaceName, PlaceUnreachable]


class Reading:
    """Marks what is to be read for a request, and reads it."""

    def __init__(
        self,
        ledger: Ledger,
        request: Clearance,
        places: dict[PlaceName, Place],
        settings: Settings,
        engine: ReadingEngine,
        progress: Progress,
        clock: Callable[[], float],
    ) -> None:
        self._ledger = ledger
        self._request = request
        self._places = places
        self._engine = engine
        self._progress = progress
        self._clock = clock
        self._readers = EngineReaders(engine, list(places))
        self._giving_way = GivingWay(settings.pace.yield_above, engine, progress, clock)
        self._meter = Meter(settings, ledger, self._readers.bytes_read, clock, places)
        self._scheduler: Scheduler | None = None

    def mark(self, read_since: int) -> None:
        """Mark every file that was not read past the cache since the request, nor lately.

        A reading that is dated later than now is none.  At first all of them, also what a shift
        read in the very second of the request.
        """
        for place in self._places:
            self._mark(place, read_since)
        self._ledger.clearances.marked(self._request)

    def mark_again(self, place: PlaceName, paths: Iterable[bytes]) -> None:
        """Have some files read a second time."""
        self._ledger.readings.want(place, paths, REASON)

    def _mark(self, place: PlaceName, read_since: int) -> None:
        ledger, request = self._ledger, self._request
        waiting: list[bytes] = []
        changed: list[tuple[bytes, int]] = []

        def write() -> None:
            with ledger.transaction():
                ledger.clearances.note_changed(request, place, changed)
                ledger.readings.want(place, waiting, REASON)
            waiting.clear()
            changed.clear()

        for proof in ledger.clearances.proofs(request, place):
            sighting = proof.sighting
            fresh = (
                request.marked
                and proof.proven
                and (sighting.read_at or 0) >= read_since
                and not is_dated_ahead(proof, self._clock())
            )
            if sighting.kind is not Kind.FILE or (fresh and sighting.digest is not None):
                continue
            waiting.append(sighting.path)
            if proof.changed:
                changed.append((sighting.path, sighting.ctime_ns))
            if len(waiting) >= _AT_ONCE:
                write()
        write()

    def left(self) -> dict[PlaceName, Left]:
        """What has not been read for the request yet, at each place."""
        clearances = self._ledger.clearances
        return {place: Left(*clearances.left(self._request, place)) for place in self._places}

    def tell_costs(self, settings: Settings) -> None:
        """Before anything is read of a place where that costs."""
        left = self.left()
        for budget in budgets(settings, self._ledger, self._clock()):
            if budget.place in left:
                self._progress.say(told(budget, left[budget.place].bytes))

    def read(self, window: Window) -> Read:
        """Read what is marked, at all places side by side, until the bell at the latest.

        Raises what readers and ledger raise; what was read by then is recorded.
        """
        self._readers.serve(self._places, window.end)
        queues = [FolderQueue(self._ledger, place, self._request.folder) for place in self._places]
        scheduler = self._scheduler = Scheduler(
            self._ledger,
            queues,
            self._readers,
            window,
            self._clock,
            _no_judgement,
            {place: left.bytes for place, left in self.left().items()},
            self._each_turn,
        )
        with self._progress.line(lambda: scheduler.status):
            try:
                finished = scheduler.run()
            finally:
                self._meter.write(0)
                self._ledger.clearances.prove_changed(self._request)
        skipped = any(queue.skipped.files for queue in queues)
        return Read(finished and not skipped, dict(scheduler.unreachable))

    @property
    def status(self) -> Status | None:
        """How far reading is."""
        return None if self._scheduler is None else self._scheduler.status

    def _each_turn(self) -> None:
        self._giving_way.look()
        self._meter.write()


def _no_judgement() -> None:
    """Findings are a shift's business: it looks at everything that this reading touched."""
