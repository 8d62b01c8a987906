"""The readers of an engine at work for a schedule: tasks in, readings out."""

from __future__ import annotations

import queue
import time
from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future
from typing import Final

from verifier.engine import BellRang, ReadingEngine, Watch
from verifier.errors import PlaceUnreachable, Stopped
from verifier.ledger import PlaceName
from verifier.places.base import Look, Place, ReadsSmallFiles, unpack
from verifier.reading import look_at_packed, read_alone_packed, send_first_batch
from verifier.scheduler import Done, Task, Why
from verifier.walker import Entry

_AHEAD: Final = 2
"""Tasks beyond those that readers have in hand, so that none waits for the next turn."""

_NEW: Final = Look(content=True, gentle=True)
_FROM_DISK: Final = Look(content=True, past_cache=True, gentle=True)


class EngineReaders:
    """The readers of an engine, one lane for each place.

    They outlive a shift: what a resident one keeps of a large file goes on in the next.  Of the
    files that are a task of their own each place gets one at a time: several long streams make a
    spinning disk seek, and a crash would have all of them read again.
    """

    def __init__(self, engine: ReadingEngine, places: Iterable[PlaceName]) -> None:
        self._engine = engine
        self._lanes = dict(zip(places, engine.lanes, strict=True))
        self._numbers = {place: number for number, place in enumerate(self._lanes)}
        self._places: Mapping[PlaceName, Place] = {}
        self._bell: float | None = None
        self._generation = 0
        self._outstanding: Counter[PlaceName] = Counter()
        self._long: dict[PlaceName, deque[int]] = {place: deque() for place in self._lanes}
        self._tasks: dict[int, tuple[Task, int]] = {}
        self._started = 0
        self._done: queue.SimpleQueue[tuple[int, Future[bytes]]] = queue.SimpleQueue()

    def serve(self, places: Mapping[PlaceName, Place], bell: float | None = None) -> None:
        """From now on read these places: those that were found in order by this shift.

        Files whose turn has not come at the ``bell``, in seconds since 1970, are handed back.
        """
        self._places = places
        self._bell = bell
        self._generation += 1

    def watch(self, place: PlaceName) -> Watch:
        """What this process itself has to heed when it reads from a place."""
        return self._engine.own_watch(self._numbers[place])

    def room(self, place: PlaceName) -> bool:
        """Whether the place can do with one task more."""
        return self.has_room(place, self._outstanding[place])

    def has_room(self, place: PlaceName, under_way: int) -> bool:
        """Whether the place can do with one batch more, where so many are under way."""
        return under_way < 2 * self._engine.width + _AHEAD

    def look_first_at(self, place: Place) -> bool:
        """Whether a first look is worth it: one that lists itself gives sizes at less cost."""
        return isinstance(place, ReadsSmallFiles)

    def look_first(self, name: PlaceName, place: Place, entries: Sequence[Entry]) -> Future[bytes]:
        """Have a batch of entries looked at, and the small files among them read."""
        assert isinstance(place, ReadsSmallFiles)
        number, self._started = self._started, self._started + 1
        return send_first_batch(self._lanes[name], number, place, entries, time.time)

    def start(self, task: Task) -> None:
        """Have a task done."""
        number, self._started = self._started, self._started + 1
        self._tasks[number] = task, self._generation
        self._outstanding[task.place] += 1
        if len(task.files) == 1:
            self._long[task.place].append(number)
            if self._long[task.place][0] == number:
                self._send(number)
        else:
            self._send(number)

    def _send(self, number: int) -> None:
        task, _ = self._tasks[number]
        look = _NEW if task.why is Why.NEW else _FROM_DISK
        place, lane = self._places[task.place], self._lanes[task.place]
        paths = task.paths
        if len(paths) == 1:
            answer = lane.submit(
                number, read_alone_packed, place, paths[0], look, time.time, long=True
            )
        else:
            answer = lane.submit(
                number, look_at_packed, place, paths, frozenset[int](), look, time.time
            )
        answer.add_done_callback(lambda done: self._done.put((number, done)))

    def under_way(self) -> Iterable[Task]:
        """The tasks that were started and have not come back."""
        return [task for task, _ in self._tasks.values()]

    def wait(self, seconds: float) -> list[Done]:
        """What has been done; waits for something at most so long.

        Raises ReadersLost when a reading process died.
        """
        found: list[Done] = self._handed_back()
        try:
            found.append(self._taken(*self._done.get(timeout=seconds)))
            while True:
                found.append(self._taken(*self._done.get_nowait()))
        except queue.Empty:
            return found

    def _handed_back(self) -> list[Done]:
        """After the bell: the files that wait for the one before them, and need not any more."""
        if self._bell is None or time.time() < self._bell:
            return []
        found: list[Done] = []
        for waiting in self._long.values():
            while len(waiting) > 1:
                task, _ = self._tasks.pop(waiting.pop())
                self._outstanding[task.place] -= 1
                found.append(Done(task, []))
        return found

    def bytes_read(self, place: PlaceName) -> int:
        """Bytes that came off a place so far, also those of unfinished files."""
        return self._lanes[place].bytes_read

    def check(self, place: PlaceName) -> None:
        """Raises PlaceUnreachable unless the place still is what it was."""
        self._places[place].check()

    def _taken(self, number: int, answer: Future[bytes]) -> Done:
        task, generation = self._tasks.pop(number)
        self._outstanding[task.place] -= 1
        if len(task.files) == 1:
            waiting = self._long[task.place]
            waiting.remove(number)
            if waiting and task.place in self._places:
                self._send(waiting[0])
        error = answer.exception()
        if error is None:
            return Done(task, unpack(answer.result()))
        if isinstance(error, PlaceUnreachable):
            # What was kept from an earlier shift may lie on a disk that was mounted anew since.
            return Done(task, [], error if generation == self._generation else None)
        if isinstance(error, (BellRang, Stopped)):
            return Done(task, [])
        raise error
