"""A worker's side: batches are read to the orders that they bring, in the threads of Dask.

What one calling engine has ordered holds for all threads of this process.  Nothing is read before
the place was seen to be the caller's, and nothing is written.
"""

from __future__ import annotations

import asyncio
import pickle
import platform
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, Final, TypeVar

import distributed
from msgspec import structs

from verifier import __version__, system
from verifier.cluster import alike
from verifier.cluster.orders import (
    TOPIC,
    Answer,
    Batch,
    Expected,
    Found,
    Orders,
    Told,
)
from verifier.engine import LOOK_EVERY, THE_CLOCK, BellRang, Clock, Terms
from verifier.errors import ClusterUnready, PlaceUnreachable, Stopped, VerifierError
from verifier.model import FirstSight, Sighting, SmallFiles, Trouble
from verifier.pace import Ceiling, Yielding
from verifier.places.base import Look
from verifier.places.folder import FolderPlace

S = TypeVar("S", Sighting, SmallFiles)

DESKS_KEPT: Final = 16
"""Calling engines whose orders are kept; one that is over says so, unless it was killed."""

PLACES_KEPT: Final = 256
"""Places that are recognised again, of one engine."""

TOLD_EVERY: Final = 1.0
"""Seconds after which a reading under way tells how far it is, and asks whether it is wanted."""

PRESSURE_EVERY: Final = 1.0
"""Seconds after which the system is asked again how long its disks are waited for."""

LOOK_WITHIN: Final = 30.0
"""Seconds in which a mount must have answered a few questions."""


class Desk:
    """What this process keeps for one calling engine: its latest orders, and places recognised."""

    def __init__(
        self,
        clock: Clock = THE_CLOCK,
        pressure: Callable[[], float | None] = system.io_pressure,
    ) -> None:
        self._clock = clock
        self._pressure = pressure
        self._lock = threading.Lock()
        self._orders = Orders("", -1, Terms())
        self._moment = [0.0]
        self._ceiling: Ceiling | None = None
        self._yielding = Yielding(None, pressure)
        self._asked_at = float("-inf")
        self._yields = False
        self._places: OrderedDict[int, tuple[FolderPlace, dict[int, int]]] = OrderedDict()
        self.busy = 0
        """Batches at work, read without the lock: near enough."""

    @property
    def terms(self) -> Terms:
        """What readers here keep to now."""
        return self._orders.terms

    def take(self, orders: Orders) -> None:
        """Keep to these from now on, unless later ones came before them."""
        with self._lock:
            before, after = self._orders.terms, orders.terms
            if orders.serial <= self._orders.serial:
                return
            self._orders = orders
            if after.bytes_per_second != before.bytes_per_second:
                rate = after.bytes_per_second
                self._ceiling = None if rate is None else Ceiling(rate, self._moment)
                if self._ceiling is not None and before.bytes_per_second is None:
                    self._ceiling.begin(self._clock.steady())
            if after.yield_above != before.yield_above:
                self._yielding = Yielding(after.yield_above, self._pressure)

    def heed(self) -> None:
        """Raises Stopped and BellRang when the orders say so."""
        orders = self._orders
        if orders.stop:
            raise Stopped("Stopped before the work was done.")
        bell = orders.terms.bell
        if bell is not None and self._clock.since_1970() >= bell:
            raise BellRang("The bell rang before the work was done.")

    def allow(self, wanted: int, check: Callable[[], None]) -> int:
        """Wait until some of ``wanted`` bytes may be read; how many.  ``check`` ends the wait."""
        while True:
            check()
            granted, wait = self._ask(wanted)
            if granted or wanted <= 0:
                return granted
            self._clock.sleep(min(wait, LOOK_EVERY))

    def _ask(self, wanted: int) -> tuple[int, float]:
        if self._orders.hold or self._others_wait():
            return 0, LOOK_EVERY
        if self._ceiling is None or wanted <= 0:
            return wanted, 0.0
        with self._lock:
            ceiling = self._ceiling
            return (wanted, 0.0) if ceiling is None else ceiling.ask(wanted, self._clock.steady())

    def _others_wait(self) -> bool:
        """Whether others need this machine's disks, by what was last asked of the system."""
        if self._orders.terms.yield_above is None:
            return False
        with self._lock:
            now = self._clock.steady()
            if now - self._asked_at >= PRESSURE_EVERY:
                self._asked_at = now
                self._yields = self._yielding.tick(now)
            return self._yields

    def look(self, expected: Expected, watch: TaskWatch) -> Found:
        """What stands here in the place's stead; kept as the place when it is alike."""
        place = FolderPlace(expected.root)
        found = alike.found_at(place, expected, watch)
        if alike.is_alike(expected, found):
            with self._lock:
                self._places[expected.number] = place, alike.devices(expected, found)
                if len(self._places) > PLACES_KEPT:
                    self._places.popitem(last=False)
        return found

    def recognised(self, number: int) -> tuple[FolderPlace, dict[int, int]] | None:
        """The place of that number, and the caller's names of its devices; None when unknown."""
        with self._lock:
            return self._places.get(number)


_desks: OrderedDict[str, Desk] = OrderedDict()
_desks_lock = threading.Lock()


def desk_of(orders: Orders) -> Desk:
    """The desk of an engine, which has taken the orders; made when it is new here."""
    with _desks_lock:
        desk = _desks.get(orders.engine)
        if desk is None:
            desk = _desks[orders.engine] = Desk()
            idle = [name for name, each in _desks.items() if not each.busy]
            for name in idle[: max(0, len(_desks) - DESKS_KEPT)]:
                if _desks[name] is not desk:
                    del _desks[name]
        else:
            _desks.move_to_end(orders.engine)
    desk.take(orders)
    return desk


class TaskWatch:
    """The watch of one batch."""

    paced = True

    def __init__(
        self,
        desk: Desk,
        wanted: Callable[[], bool] = lambda: True,
        tell: Callable[[int], None] = lambda count: None,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        self.count = 0
        self._desk = desk
        self._wanted = wanted
        self._tell = tell
        self._steady = steady
        self._looked_at = steady()

    def has_read(self, count: int) -> None:
        """``count`` more bytes came off the place."""
        self.count += count

    def check(self) -> None:
        """Raises Stopped, also when nobody waits for the answer any more, and BellRang."""
        self._desk.heed()
        now = self._steady()
        if now - self._looked_at >= TOLD_EVERY:
            self._looked_at = now
            if not self._wanted():
                raise Stopped("Stopped before the work was done.")
            self._tell(self.count)

    def allow(self, count: int) -> int:
        """Wait until some of ``count`` more bytes may be read; how many."""
        return self._desk.allow(count, self.check)

    def park(self) -> None:
        """Raises: a reading on a cluster does not outlive the bell."""
        self.check()
        raise BellRang("The bell rang before the work was done.")

    def crowded(self) -> bool:
        """True when this process has as many batches at work as the machine has cores."""
        return self._desk.busy >= system.cores()

    def terms(self) -> Terms:
        """What it keeps to now."""
        return self._desk.terms


class _Seen:
    """A worker's folder, spoken of as the caller knows it: by its devices, and by its clock."""

    def __init__(self, place: FolderPlace, devices: dict[int, int], later: float) -> None:
        self._place = place
        self._devices = {here: there for here, there in devices.items() if here != there}
        self._later = later

    def look_at(self, *asked: Any) -> list[Sighting]:
        return [self._told(each) for each in self._place.look_at(*asked)]

    def read_small(self, *asked: Any) -> FirstSight:
        seen = self._place.read_small(*asked)
        return FirstSight(list(map(self._told, seen.read)), list(map(self._told, seen.others)))

    def read_alone(
        self, path: bytes, look: Look, now: Callable[[], float], watch: TaskWatch
    ) -> Sighting:
        return self._told(self._place.read_alone(path, look, now, watch))

    def read_piece(
        self, path: bytes, piece: int, now: Callable[[], float], watch: TaskWatch
    ) -> Sighting:
        return self._told(self._place.read_piece(path, piece, now, watch))

    def try_reading(
        self, path: bytes, length: int, until: float, watch: TaskWatch
    ) -> Trouble | None:
        return self._place.try_reading(path, length, until + self._later, watch)

    def _told(self, seen: S) -> S:
        if seen.device not in self._devices:
            return seen
        return structs.replace(seen, device=self._devices[seen.device])


CLOCKS_APART: Final = 1.0
"""Seconds that a worker's clock may differ from the caller's: the bell is rung by its own."""


def run_batch(version: str, packed: bytes) -> Answer:
    """What a worker is sent: a `Batch` that a caller of this version packed; what came of it."""
    worker = distributed.get_worker()
    name = shown(worker)
    if version != __version__:
        return Answer(name, error=_not_ready(name, f"runs verifier {__version__}, not {version}"))
    batch: Batch = pickle.loads(packed)
    desk = desk_of(batch.orders)
    key = worker.get_current_task()

    def wanted() -> bool:
        task = worker.state.tasks.get(key)
        return task is not None and task.state == "executing"

    def tell(count: int) -> None:
        worker.log_event(TOPIC, [batch.orders.engine, batch.number, count])

    return work(batch, desk, TaskWatch(desk, wanted, tell), name)


def work(batch: Batch, desk: Desk, watch: TaskWatch, name: str) -> Answer:
    """Do a batch at a desk; what came of it."""
    desk.busy += 1
    try:
        watch.check()
        known = desk.recognised(batch.expected.number)
        if known is None:
            # A worker that came later, and was not asked before anything was read.
            if time.time() < batch.sent - CLOCKS_APART:
                error = _not_ready(name, "has a clock that is behind this machine's")
                return Answer(name, error=error)
            found = desk.look(batch.expected, watch)
            known = desk.recognised(batch.expected.number)
            if known is None:
                return Answer(name, unlike=found)
        # A moment on the caller's steady clock, on this machine's one.
        later = (time.monotonic() - batch.steady) - (time.time() - batch.sent)
        result = batch.task(_Seen(*known, later), *batch.arguments, watch)
        return Answer(name, watch.count, result)
    except PlaceUnreachable as error:
        told = PlaceUnreachable(f"On the worker {name}: {error}")
        return Answer(name, watch.count, error=told)
    except (BellRang, VerifierError) as error:
        return Answer(name, watch.count, error=error)
    finally:
        desk.busy -= 1


def shown(worker: distributed.Worker) -> str:
    """A worker for people: where it is, and its name where it has one of its own."""
    name, address = str(worker.name), str(worker.address)
    return address if name == address else f"{name} ({address})"


def _not_ready(name: str, sentence: str) -> ClusterUnready:
    return ClusterUnready(f"The worker {name} {sentence}. Put that right, then start again.")


# ------------------------------------------------------------- asked of a worker beside its tasks


def take_orders(orders: Orders) -> None:
    """From now on all readers of this worker keep to these orders."""
    desk_of(orders)


def forget(engine: str) -> None:
    """An engine is done with."""
    with _desks_lock:
        _desks.pop(engine, None)


async def look_first(orders: Orders, expected: Expected) -> Found:
    """What this worker sees of a place.  A mount that hangs keeps it from nothing else."""
    desk = desk_of(orders)
    try:
        looking = asyncio.to_thread(desk.look, expected, TaskWatch(desk))
        return await asyncio.wait_for(looking, LOOK_WITHIN)
    except TimeoutError:
        return Found(trouble=f"it gave no answer in {LOOK_WITHIN:.0f} s.")


def tell(dask_worker: distributed.Worker) -> Told:
    """What this worker is."""
    return Told(
        shown(dask_worker),
        dask_worker.state.nthreads,
        __version__,
        ".".join(platform.python_version_tuple()[:2]),
        distributed.__version__,
        time.time(),
    )
