"""Which file is read next, at which place, until when.

What is to be read follows from the ledger; nothing here keeps a second queue that could disagree
with it.  It knows no disk and no clock: readers and time are passed in, so that a simulated year
goes through the same steps as a night.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from enum import IntEnum
from typing import Final, Protocol

from msgspec import Struct

from verifier.errors import PlaceUnreachable
from verifier.ledger import HELD_FOR, Due, Ledger, PlaceName
from verifier.model import Kind, Sighting
from verifier.places.base import READ_ALONE_FROM

FILES_AT_ONCE: Final = 512
"""Small files of one task: enough that handing it over costs little beside reading it."""

BYTES_AT_ONCE: Final = 4 * 1024 * 1024
"""Bytes of such a task: what a crash in the middle of one has to be read again."""

JUDGED_EVERY: Final = 600.0
"""Seconds of reading after which what was read is judged, so that what looks corrupt is read
again in the same shift and nobody learns of it only in the morning after next."""

HOPELESS_KEPT: Final = 10_000
"""Files that fit into no stretch of open hours which are remembered for the end."""

SPEED_OVER: Final = 120.0
"""Seconds over which a place's speed is taken, and the fewest that tell anything."""
SPEED_FROM: Final = 2.0


_TURN: Final = 0.5
"""Seconds that answers are waited for before the clock, the pressure and the hours are looked at
again."""


_GRACE: Final = 0.5
"""Seconds after the bell in which readers hand in what they have finished."""


class Why(IntEnum):
    """Why a file is read, in the order in which that is done."""

    NEW = 0
    WANTED = 1
    AUDIT = 2


class Task(Struct, frozen=True):
    """Files of one place that a reader reads one after the other."""

    place: PlaceName
    files: tuple[Due, ...]
    why: Why

    @property
    def bytes(self) -> int:
        """What is to be read for it."""
        return sum(each.size for each in self.files)


class Done(Struct, frozen=True):
    """What came of a task.

    Fewer readings than files, or none, when the bell rang in between.  ``failed`` says why the
    place as a whole could not be read.
    """

    task: Task
    readings: list[Sighting]
    failed: PlaceUnreachable | None = None


class Readers(Protocol):
    """Those who read.  Each place has its own share of them."""

    def room(self, place: PlaceName) -> bool:
        """Whether the place can do with one task more."""

    def start(self, task: Task) -> None:
        """Have a task done."""

    def under_way(self) -> Iterable[Task]:
        """The tasks that were started and have not come back."""

    def wait(self, seconds: float) -> list[Done]:
        """What has been done; waits for something at most so long."""

    def bytes_read(self, place: PlaceName) -> int:
        """Bytes that came off a place so far, also those of unfinished files."""

    def check(self, place: PlaceName) -> None:
        """Raises PlaceUnreachable unless the place still is what it was."""


class Window(Struct, frozen=True):
    """Until when may be read, in seconds since 1970, and how long any such time ever lasts.

    None stands for no end.  What only the audit asks for is read from the first up to the second
    time of ``audit``, and not at all where that is None.
    """

    end: float | None = None
    longest: float | None = None
    audit: tuple[float, float] | None = None


class Left(Struct, frozen=True):
    """What is still to be read."""

    files: int = 0
    bytes: int = 0


class Status(Struct, frozen=True):
    """How far reading is: bytes of bytes, bytes a second, seconds to the bell and to the end."""

    place: PlaceName
    done: int
    total: int
    rate: float | None
    until_bell: float | None
    left: float | None


class _Speed:
    """How fast a place is read lately."""

    def __init__(self) -> None:
        self._seen: deque[tuple[float, int]] = deque()

    def note(self, now: float, count: int) -> None:
        while self._seen and (now < self._seen[-1][0] or now - self._seen[0][0] > SPEED_OVER):
            if len(self._seen) == 1 and now >= self._seen[0][0]:
                break
            self._seen.popleft()
        self._seen.append((now, count))

    def forget(self) -> None:
        self._seen.clear()

    @property
    def bytes_per_second(self) -> float | None:
        if not self._seen:
            return None
        (start, before), (end, after) = self._seen[0], self._seen[-1]
        if end - start < SPEED_FROM or after <= before:
            return None
        return (after - before) / (end - start)


class Queue:
    """The files of one place in the order in which they are to be read, a task at a time.

    New and changed ones first, then those that a verdict waits for, then, where ``read_before``
    is given, those whose last reading was before it, the longest unread first.  No file comes
    twice while another waits.
    """

    def __init__(
        self,
        ledger: Ledger,
        place: PlaceName,
        read_before: int | None = None,
        under_way: Iterable[bytes] = (),
    ) -> None:
        self.place = place
        self.open = True
        self.skipped = Left()
        self._ledger = ledger
        self._read_before = read_before
        self._under_way = set(under_way)
        self._tried: set[bytes] = set()
        self._hopeless: list[Due] = []
        self._why = Why.NEW
        self._files = {why: self._of(why) for why in Why}
        self._held: dict[Why, Due] = {}

    @property
    def has_new(self) -> bool:
        """False once every new or changed file was handed out."""
        return self._why is Why.NEW and self.open

    def wanted_again(self) -> None:
        """More files may be waited for since the last look."""
        if self._why is not Why.NEW:
            self._why = Why.WANTED
            self._files[Why.WANTED] = self._of(Why.WANTED)
            self._held.pop(Why.WANTED, None)

    def goes_out(self, task: Task) -> None:
        """A task is under way: its files are not handed out again meanwhile."""
        self._under_way.update(each.path for each in task.files)

    def came_back(self, task: Task) -> None:
        """A task is done."""
        self._under_way.difference_update(each.path for each in task.files)

    def next(self, fits: float, longest: float, may_audit: bool = True) -> Task | None:
        """The next task, or None when nothing is left that fits.

        ``fits`` are the bytes that there is time for, ``longest`` those that there would be in
        the longest time that there will ever be: what would not fit even there comes last, since
        waiting does not help it.
        """
        if self._why is Why.AUDIT and not may_audit:
            return None
        while self.open:
            files = self._together(fits, longest)
            if not files and self._hopeless:
                files.append(self._hopeless.pop(0))
            if files:
                if self._why is Why.WANTED:
                    self._tried.update(each.path for each in files)
                return Task(self.place, tuple(files), self._why)
            if self._why is Why.AUDIT or (self._why is Why.WANTED and not may_audit):
                return None
            self._why = Why(self._why + 1)
        return None

    def _together(self, fits: float, longest: float) -> list[Due]:
        """The next files that make a task: some small ones, or a large one alone."""
        files: list[Due] = []
        size = 0
        most = min(fits, BYTES_AT_ONCE)
        while len(files) < FILES_AT_ONCE and (due := self._take()) is not None:
            after = size + due.size
            if after <= most and due.size < READ_ALONE_FROM:
                files.append(due)
                size = after
            elif files:
                self._held[self._why] = due
                break
            elif due.size <= fits:
                return [due]
            else:
                self._put_off(due, due.size > longest)
        return files

    def _take(self) -> Due | None:
        why = self._why
        if why in self._held:
            return self._held.pop(why)
        for due in self._files[why]:
            if due.path in self._under_way or (why is Why.WANTED and due.path in self._tried):
                continue
            return due
        return None

    def _put_off(self, due: Due, hopeless: bool) -> None:
        if hopeless and len(self._hopeless) < HOPELESS_KEPT:
            self._hopeless.append(due)
        else:
            self.skipped = Left(self.skipped.files + 1, self.skipped.bytes + due.size)

    def _of(self, why: Why) -> Iterator[Due]:
        work = self._ledger.work
        if why is Why.NEW:
            return work.unread(self.place)
        if why is Why.WANTED:
            return work.wanted(self.place)
        return self._audited()

    def _audited(self) -> Iterator[Due]:
        if self._read_before is None:
            return
        for due in self._ledger.work.longest_unread(self.place):
            if due.read_at is None or due.read_at >= self._read_before:
                return
            yield due


class Scheduler:
    """Keeps readers busy at every place side by side until all is read or the bell rings."""

    def __init__(
        self,
        ledger: Ledger,
        queues: Iterable[Queue],
        readers: Readers,
        window: Window,
        clock: Callable[[], float],
        judge: Callable[[], None],
        totals: Mapping[PlaceName, int],
        each_turn: Callable[[], None] = lambda: None,
    ) -> None:
        self._ledger = ledger
        # The source first: where both sides wait for one reader, it is the source that is read.
        self._queues = {
            queue.place: queue for queue in sorted(queues, key=lambda queue: _order(queue.place))
        }
        self._readers = readers
        self._window = window
        self._clock = clock
        self._judge = judge
        self._totals = dict(totals)
        self._each_turn = each_turn
        self._speeds = {place: _Speed() for place in self._queues}
        self._bytes_before = {place: readers.bytes_read(place) for place in self._queues}
        self._under_way = dict.fromkeys(self._queues, 0)
        self._new_under_way = 0
        self._judged_new = False
        self._judged_at = clock()
        self._again: deque[Task] = deque()
        self._status: Status | None = None
        self.files_read = 0
        self.unreachable: dict[PlaceName, PlaceUnreachable] = {}
        for task in readers.under_way():
            self._count(task, 1)

    def run(self) -> bool:
        """Read.  True when all was read, False when the bell rang before.

        Raises what the readers and the ledger raise; what was read by then is recorded.
        """
        while True:
            now = self._clock()
            self._each_turn()
            if self._window.end is not None and now >= self._window.end:
                self._take_what_comes_back(self._window.end + _GRACE)
                self._ledger.readings.flush()
                return False
            self._note_speeds(now)
            self._status = self._status_at(now)
            self._fill(now)
            if not any(self._under_way.values()):
                if self._rest():
                    return True
                continue
            self._take_what_is_done(self._patience(now))
            self._ledger.readings.tick(self._clock())
            if self._time_to_judge():
                self._judge_now()

    @property
    def status(self) -> Status | None:
        """How far it was at the last turn.  May be asked for from any thread."""
        return self._status

    def speed(self, place: PlaceName) -> float | None:
        """Bytes a second that a place is read with lately; None while that is not known."""
        return self._speeds[place].bytes_per_second

    def _status_at(self, now: float) -> Status | None:
        """Of the place that will take longest, since that is when all is done."""
        slowest: Status | None = None
        for place, queue in self._queues.items():
            if not queue.open:
                continue
            done = self._readers.bytes_read(place) - self._bytes_before[place]
            total = max(self._totals.get(place, 0), done)
            rate = self._speeds[place].bytes_per_second
            left = (total - done) / rate if rate else None
            end = self._window.end
            until_bell = None if end is None else max(0.0, end - now)
            status = Status(place, done, total, rate, until_bell, left)
            if slowest is None or (status.left or 0.0) > (slowest.left or 0.0):
                slowest = status
        return slowest

    def _patience(self, now: float) -> float:
        end = math.inf if self._window.end is None else self._window.end
        turn = HELD_FOR if self._ledger.readings.held else _TURN
        return max(0.0, min(turn, end - now))

    def _note_speeds(self, now: float) -> None:
        for place, speed in self._speeds.items():
            if self._under_way[place]:
                speed.note(now, self._readers.bytes_read(place))
            else:
                speed.forget()

    def _fill(self, now: float) -> None:
        while self._again and self._readers.room(self._again[0].place):
            self._start(self._again.popleft())
        window = float("inf") if self._window.end is None else self._window.end - now
        longest = float("inf") if self._window.longest is None else self._window.longest
        audit = self._window.audit
        may_audit = audit is not None and audit[0] <= now < audit[1]
        waiting = list(self._queues.values())
        while waiting:
            for queue in list(waiting):
                task = None
                if queue.open and self._readers.room(queue.place):
                    task = queue.next(*self._fitting(queue.place, window, longest), may_audit)
                if task is None:
                    waiting.remove(queue)
                else:
                    self._start(task)

    def _fitting(self, place: PlaceName, window: float, longest: float) -> tuple[float, float]:
        """Bytes more that a place can be read in so many seconds, at its pace of late."""
        rate = self._speeds[place].bytes_per_second
        if rate is None:
            return math.inf, math.inf
        return window * rate - self._under_way_bytes(place), longest * rate

    def _under_way_bytes(self, place: PlaceName) -> int:
        return sum(task.bytes for task in self._readers.under_way() if task.place == place)

    def _start(self, task: Task) -> None:
        self._count(task, 1)
        self._queues[task.place].goes_out(task)
        self._readers.start(task)

    def _count(self, task: Task, more: int) -> None:
        if task.place in self._under_way:
            self._under_way[task.place] += more
        if task.why is Why.NEW:
            self._new_under_way += more

    def _take_what_comes_back(self, until: float) -> None:
        """At the bell readers hand in what they have; what a resident keeps stays under way."""
        self._take_what_is_done(0.0)
        while any(self._under_way.values()) and self._clock() < until:
            self._take_what_is_done(0.1)

    def _take_what_is_done(self, seconds: float) -> None:
        for done in self._readers.wait(seconds):
            self._count(done.task, -1)
            queue = self._queues.get(done.task.place)
            if queue is not None:
                queue.came_back(done.task)
            if done.failed is not None:
                self._lose(done.task.place, done.failed)
            elif done.task.place not in self.unreachable:
                self._record(done)

    def _record(self, done: Done) -> None:
        place, why = done.task.place, done.task.why
        if any(_failed(each) for each in done.readings):
            try:
                # What fails because the whole place is gone is no trouble of its files.
                self._readers.check(place)
            except PlaceUnreachable as gone:
                self._lose(place, gone)
                return
        now = self._clock()
        readings = done.readings
        if any(map(_to_be_read_alone, readings)):
            for reading, due in zip(readings, done.task.files, strict=False):
                if _to_be_read_alone(reading):
                    again = Task(place, (due,), why)
                    self._queues[place].goes_out(again)
                    self._again.append(again)
            readings = [each for each in readings if not _to_be_read_alone(each)]
        self.files_read += sum(each.digest is not None for each in readings)
        self._ledger.readings.add_all(place, readings, now, past_cache=why is not Why.NEW)

    def _lose(self, place: PlaceName, why: PlaceUnreachable) -> None:
        self.unreachable[place] = why
        if place in self._queues:
            self._queues[place].open = False
        self._again = deque(task for task in self._again if task.place != place)

    def _time_to_judge(self) -> bool:
        if not self._judged_new:
            done = not self._new_under_way and not any(
                queue.has_new for queue in self._queues.values()
            )
            if done:
                self._judged_new = True
                return True
        return self._clock() - self._judged_at >= JUDGED_EVERY

    def _judge_now(self) -> None:
        self._ledger.readings.flush()
        self._judge()
        self._judged_at = self._clock()
        for queue in self._queues.values():
            queue.wanted_again()

    def _rest(self) -> bool:
        """Nothing is under way: judge, and see whether that wants something read again."""
        self._judge_now()
        self._judged_new = True
        now = self._clock()
        self._fill(now)
        return not any(self._under_way.values())


def _order(place: PlaceName) -> tuple[bool, PlaceName]:
    return not place.is_source, place


def _failed(reading: Sighting) -> bool:
    return reading.trouble is not None


def _to_be_read_alone(reading: Sighting) -> bool:
    return reading.kind is Kind.FILE and reading.digest is None and reading.trouble is None
