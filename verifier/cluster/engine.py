"""The caller's side of a cluster: an engine whose readers are the workers of Dask.

It has the shape of `verifier.engine.Engine`, so that no job knows where its readers are.  Folders
of this machine, which the workers must mount at the same path, are read by them; a place that is
none, such as one that reads on its own host, is read as without a cluster.
"""

from __future__ import annotations

import math
import pickle
import platform
import queue
import threading
import time
import uuid
from collections import OrderedDict
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Future, InvalidStateError
from contextlib import suppress
from functools import partial
from typing import Any, Final

from msgspec import Struct, structs

from verifier import __version__
from verifier.cluster import alike
from verifier.cluster.connection import Connection
from verifier.cluster.orders import Answer, Batch, Expected, Found, Orders
from verifier.engine import (
    AS_FAST_AS_CAN_BE,
    STOP_WITHIN,
    Engine,
    Lane,
    Terms,
    Watch,
)
from verifier.errors import PlaceUnreachable, ReadersLost, Stopped, VerifierError
from verifier.measures import amount, count
from verifier.pace import Pace
from verifier.places.base import Place

KEPT_HERE: Final = 0.1
"""Share of a ceiling that is this machine's, which looks at damage itself."""

KEPT_WHERE_PLACES_ARE: Final = 0.5
"""The same where this machine also reads places that are no folders."""

PLACES_KEPT: Final = 256
"""Places of which is known what they look like; one that is opened again is looked at anew."""

LOOKED_EVERY: Final = 1.0
"""Seconds between two looks at which workers there are."""

NOBODY_FOR: Final = 60.0
"""Seconds without any worker, or without a word from the scheduler, after which all is given up:
a worker that was restarted is back by then."""

TRIES: Final = 4
"""How often a batch is sent when workers answer that they did not read it."""


class _Known(Struct, frozen=True):
    """A place that was looked at by all workers, and what it must look like; or what is wrong."""

    place: Place
    expected: Expected | None
    wrong: PlaceUnreachable | None = None


class _Sent(Struct):
    """A batch on its way."""

    lane: int
    place: Place
    task: Callable[..., Any]
    arguments: tuple[Any, ...]
    promise: Future[Any]
    tries: int = 1
    read: int = 0


class ClusterEngine:
    """The workers of a Dask scheduler, shared by a lane for each width.  A context manager.

    The lanes of ``here``, by their numbers, are of places that this machine reads itself; those
    of ``elsewhere`` among them are of places that do so on their own host.
    Raises ClusterUnready when the cluster cannot do the work.

    A reading does not outlive the bell, resident or not: it ends with BellRang.  A ceiling is
    split evenly over the workers.
    """

    def __init__(
        self,
        scheduler: str,
        widths: Sequence[int | None],
        *,
        here: Collection[int] = (),
        elsewhere: Collection[int] = (),
        readers: int | None = None,
        pace: Pace = AS_FAST_AS_CAN_BE,
        resident: bool = False,
        nobody_for: float = NOBODY_FOR,
    ) -> None:
        self._name = uuid.uuid4().hex
        self._lock = threading.Lock()
        self._numbers = 0
        self._sent: dict[int, _Sent] = {}
        self._read = [0] * len(widths)
        self._places: OrderedDict[int, _Known] = OrderedDict()
        self._looking = threading.Lock()
        self._stopped = False
        self._resident = resident
        self._nobody_for = nobody_for
        self._lost: ReadersLost | None = None
        self._pace = pace
        self._here_too = bool(here)
        # Before anything that starts a thread: its processes are copies of this one.
        self._here = _readers_here(widths, here, elsewhere, readers, pace, resident)
        try:
            self._connection = Connection(scheduler)
        except BaseException:
            self._here.stop()
            raise
        self._workers = {address: told.threads for address, told in self._connection.told.items()}
        self._on_cluster = [number for number in range(len(widths)) if number not in here]
        self._orders = Orders(self._name, 0, self._terms(None))
        self._widths = list(widths)
        self.lanes = [
            self._here.lanes[lane]
            if lane in here
            else Lane(partial(self._start, lane), self._width(lane), partial(self._count, lane))
            for lane in range(len(widths))
        ]
        self._connection.on_progress(self._name, self._hear)
        self._answers: queue.SimpleQueue[tuple[int, Future[Answer]] | None] = queue.SimpleQueue()
        self._to_tell = threading.Event()
        self._over = threading.Event()
        self._none_left = threading.Condition(self._lock)
        for name, work in (
            ("answers", self._take_answers),
            ("orders", self._tell_orders),
            ("workers", self._watch_workers),
        ):
            threading.Thread(target=work, name=name, daemon=True).start()

    # --------------------------------------------------------------------------- its width

    @property
    def width(self) -> int:
        """How many tasks of one place run at once when all places are read."""
        threads = sum(self._workers.values())
        return max(1, -(-threads // max(1, len(self._on_cluster))))

    def _width(self, lane: int) -> int:
        wanted = self._widths[lane]
        return self.width if wanted is None else wanted

    def described(self) -> str:
        """Who reads, in a sentence or two."""
        workers, threads = len(self._workers), sum(self._workers.values())
        one = workers == 1
        said = (
            f"{count(workers, 'worker')} with {count(threads, 'thread')} at "
            f"{self._connection.scheduler} {'reads' if one else 'read'}; "
            f"{'it' if one else 'each'} runs verifier {__version__} on Python "
            f"{'.'.join(platform.python_version_tuple()[:2])}, and its clock is right."
        )
        rate = self._orders.terms.bytes_per_second
        if rate is not None:
            said += f" Of the ceiling {'it' if one else 'each'} gets {amount(round(rate))}/s."
        return said

    # -------------------------------------------------------------------------- the batches

    def _start(self, lane: int, task: Callable[..., Any], arguments: Sequence[Any]) -> Future[Any]:
        """Have a task done whose first argument is its place.  Raises Stopped and BellRang."""
        self._here.own_watch(lane).check()
        place, *others = arguments
        sent = _Sent(lane, place, task, tuple(others), Future())
        try:
            self._send(sent, self._expected_of(place, lane))
        except VerifierError as error:
            sent.promise.set_exception(error)
        return sent.promise

    def _send(self, sent: _Sent, expected: Expected) -> None:
        with self._lock:
            if self._lost is not None:
                raise self._lost
            if self._stopped:
                raise Stopped("Stopped before the work was done.")
            number, self._numbers = self._numbers, self._numbers + 1
            self._sent[number] = sent
            orders = self._orders
        packed = pickle.dumps(
            Batch(
                orders,
                number,
                expected,
                sent.task,
                sent.arguments,
                time.time(),
                time.monotonic(),
            )
        )
        try:
            answer = self._connection.submit(self._name, number, packed)
        except Exception as error:  # whatever Dask raises once it is closed
            with self._lock:
                self._sent.pop(number, None)
                if self._stopped:
                    raise Stopped("Stopped before the work was done.") from error
            raise self._connection.lost() from error
        answer.add_done_callback(lambda done: self._answers.put((number, done)))

    def _take_answers(self) -> None:
        """Hands on what comes back: not in Dask's own thread, which must not wait."""
        while (come := self._answers.get()) is not None:
            number, done = come
            with self._lock:
                sent = self._sent.get(number)
            if sent is None:
                continue  # it was given up meanwhile
            self._settle(sent, done)
            with self._lock:
                # After what follows from it was sent: none left is then the end.
                if self._sent.pop(number, None) is not None:
                    self._read[sent.lane] += sent.read
                self._none_left.notify_all()

    def _settle(self, sent: _Sent, done: Future[Answer]) -> None:
        if done.cancelled():
            stopped = Stopped("Stopped before the work was done.")
            _fail(sent.promise, stopped if self._stopped else self._connection.lost())
        elif (error := done.exception()) is not None:
            _fail(sent.promise, self._connection.in_words(error))
        else:
            self._take(sent, done.result())

    def _take(self, sent: _Sent, answer: Answer) -> None:
        sent.read = max(sent.read, answer.bytes_read)
        try:
            if answer.unlike is not None:
                self._send_again(sent, self._expected_anew(sent, answer.worker, answer.unlike))
            elif isinstance(answer.error, Stopped) and not self._stopped:
                # Dask took it from a worker and gave it back, which had stopped by then.
                self._send_again(sent, self._expected_of(sent.place, sent.lane))
            elif answer.error is not None:
                _fail(sent.promise, answer.error)
            else:
                with suppress(InvalidStateError):  # it was given up at this very moment
                    sent.promise.set_result(answer.result)
        except VerifierError as error:
            _fail(sent.promise, error)

    def _send_again(self, sent: _Sent, expected: Expected) -> None:
        if sent.tries >= TRIES:
            raise PlaceUnreachable(
                f"{sent.place.at} changes so fast that workers cannot be seen to share it. Read "
                "it when less is written to it, or without a cluster."
            )
        self._send(structs.replace(sent, tries=sent.tries + 1, read=0), expected)

    def _count(self, lane: int) -> int:
        with self._lock:
            under_way = sum(each.read for each in self._sent.values() if each.lane == lane)
            return self._read[lane] + under_way + self._here.lanes[lane].bytes_read

    def _hear(self, number: int, size: int) -> None:
        with self._lock:
            sent = self._sent.get(number)
            if sent is not None:
                sent.read = max(sent.read, size)

    # --------------------------------------------------------------------------- the places

    def look_first(self, place: Place) -> None:
        """See whether every worker sees the tree that this machine sees.

        Raises PlaceUnreachable, and ReadersLost.  Done before a place's first batch in any case;
        a place that workers do not read is none of their business.
        """
        if place.root is not None:
            self._expected_of(place, 0)

    def _expected_of(self, place: Place, lane: int) -> Expected:
        with self._looking:
            known = self._places.get(id(place))
            if known is None:
                known = self._looked_at(place, lane)
        if known.wrong is not None:
            raise known.wrong
        assert known.expected is not None
        return known.expected

    def _looked_at(self, place: Place, lane: int) -> _Known:
        try:
            known = _Known(place, self._seen_alike(place, lane))
        except PlaceUnreachable as error:
            known = _Known(place, None, error)
        # The place is kept with what is known, so that its id is nobody else's meanwhile.
        self._places[id(place)] = known
        if len(self._places) > PLACES_KEPT:
            self._places.popitem(last=False)
        return known

    def _seen_alike(self, place: Place, lane: int) -> Expected:
        watch = self._here.own_watch(lane)
        for number in range(TRIES):
            expected = alike.expected_of(place, self._next_number(), watch)
            found = self._connection.look_first(self._orders, expected)
            for worker, each in found.items():
                wrong = alike.unlike(place, expected, each, watch)
                if wrong is not None:
                    raise _another_tree(worker, wrong)
            if number == TRIES - 1 or all(
                alike.is_alike(expected, each) for each in found.values()
            ):
                break
        return expected

    def _expected_anew(self, sent: _Sent, worker: str, found: Found) -> Expected:
        """After a worker that came later, or a tree that changed, saw something else."""
        watch = self._here.own_watch(sent.lane)
        with self._looking:
            known = self._places[id(sent.place)]
            if known.wrong is not None:
                raise known.wrong
            assert known.expected is not None
            wrong = alike.unlike(sent.place, known.expected, found, watch)
            if wrong is not None:
                error = _another_tree(worker, wrong)
                self._places[id(sent.place)] = _Known(sent.place, None, error)
                raise error
            return self._looked_at_again(sent.place, watch)

    def _looked_at_again(self, place: Place, watch: Watch) -> Expected:
        expected = alike.expected_of(place, self._next_number(), watch)
        self._places[id(place)] = _Known(place, expected)
        return expected

    def _next_number(self) -> int:
        with self._lock:
            number, self._numbers = self._numbers, self._numbers + 1
            return number

    # --------------------------------------------------------------------------- the orders

    def ring_at(self, bell: float | None) -> None:
        """Have readers stop by themselves at ``bell``, in seconds since 1970; None is no bell."""
        self._here.ring_at(bell)
        if bell is not None and not math.isfinite(bell):
            bell = None
        self._order(lambda before: structs.replace(before, terms=self._terms(bell)))

    def hold(self, on: bool) -> None:
        """Have readers wait before their next block, or go on."""
        self._here.hold(on)
        self._order(lambda before: structs.replace(before, hold=on))

    def own_watch(self, lane: int) -> Watch:
        """A watch for the calling process itself, under the same bell and hold."""
        return self._here.own_watch(lane)

    def _order(self, changed: Callable[[Orders], Orders]) -> None:
        with self._lock:
            serial = self._orders.serial + 1
            self._orders = structs.replace(changed(self._orders), serial=serial)
            under_way = bool(self._sent)
        if under_way:
            self._to_tell.set()

    def _terms(self, bell: float | None) -> Terms:
        pace = self._pace
        rate = pace.bytes_per_second
        if rate is not None:
            rate *= _share_of_workers(self._here_too) / len(self._workers)
        return Terms(bell, False, rate, pace.give_way, pace.yield_above)

    def _tell_orders(self) -> None:
        """Has every worker know of new orders at once; batches bring them along anyway."""
        while True:
            self._to_tell.wait()
            self._to_tell.clear()
            if self._over.is_set():
                return
            self._connection.tell(self._orders)

    def _watch_workers(self) -> None:
        """Splits the ceiling anew when workers come and go; gives up when none is left."""
        seen_at = time.monotonic()
        while not self._over.wait(LOOKED_EVERY):
            try:
                workers = self._connection.workers()
            except Exception:  # whatever Dask raises while it has no connection
                workers = {}
            now = time.monotonic()
            if workers:
                seen_at = now
                if workers != self._workers:
                    self._take_workers(workers)
            elif now - seen_at >= self._nobody_for:
                self._give_up(self._connection.lost())

    def _take_workers(self, workers: dict[str, int]) -> None:
        self._workers = workers
        self._order(lambda before: structs.replace(before, terms=self._terms(before.terms.bell)))
        for lane in self._on_cluster:
            self.lanes[lane].widen(self._width(lane))

    def _give_up(self, why: ReadersLost | Stopped) -> None:
        """End all that is on its way; nothing new is sent."""
        with self._lock:
            if isinstance(why, ReadersLost):
                self._lost = why
            sent = list(self._sent.values())
            for each in sent:
                self._read[each.lane] += each.read
            self._sent.clear()
            self._none_left.notify_all()
        for each in sent:
            _fail(each.promise, why)

    # ------------------------------------------------------------------------------ the end

    def __enter__(self) -> ClusterEngine:
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if error is not None or self._resident or self._stopped:
            self.stop()
            return
        with self._lock:
            while self._sent:
                self._none_left.wait()
            self._stopped = True
        self._here.__exit__(None, None, None)
        self._end()
        self._connection.forget(self._name)
        self._connection.close()

    def stop(self) -> None:
        """Have the readers stop at once, in the middle of a file; waiting tasks never start."""
        with self._lock:
            if self._stopped:
                return
            self._stopped = True
            serial = self._orders.serial + 1
            orders = self._orders = structs.replace(self._orders, serial=serial, stop=True)
        self._here.stop()
        self._give_up(Stopped("Stopped before the work was done."))
        self._end()
        stopping = threading.Thread(
            target=self._connection.stop, args=(orders,), name="stop", daemon=True
        )
        stopping.start()
        stopping.join(STOP_WITHIN)

    def _end(self) -> None:
        self._over.set()
        self._to_tell.set()
        self._answers.put(None)


def _fail(promise: Future[Any], error: BaseException) -> None:
    with suppress(InvalidStateError):  # it was given up at this very moment
        promise.set_exception(error)


def _another_tree(worker: str, wrong: str) -> PlaceUnreachable:
    return PlaceUnreachable(
        f"The worker {worker} {wrong}. Mount the same tree at the same path on every "
        "worker, in the way in which it is mounted on this machine, then start again."
    )


def _share_of_workers(here_too: bool) -> float:
    """Of a ceiling, for all workers together; the rest is this machine's."""
    return 1 - (KEPT_WHERE_PLACES_ARE if here_too else KEPT_HERE)


def _readers_here(
    widths: Sequence[int | None],
    here: Collection[int],
    elsewhere: Collection[int],
    readers: int | None,
    pace: Pace,
    resident: bool,
) -> Engine:
    """What this machine reads itself: the lanes of ``here``, and damage."""
    rate = pace.bytes_per_second
    if rate is not None:
        pace = Pace(rate * (1 - _share_of_workers(bool(here))), pace.give_way, pace.yield_above)
    return Engine(
        [width if lane in here else 1 for lane, width in enumerate(widths)],
        inline=not here,
        readers=readers,
        pace=pace,
        resident=resident,
        elsewhere=frozenset(elsewhere) & frozenset(here),
    )
