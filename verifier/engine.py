"""Many readers at once: processes that read and hash while the caller judges.

A `Lane` has the shape of a ``concurrent.futures`` executor, so that a job does not know whether
its readers are this machine's processes, the caller's own thread, or something farther away.
Each place gets a lane of its own: places are different disks and are read side by side.

Readers can be told to keep below a pace, to hold, and to stop at a bell.  They see to it
themselves, by what stands on a board that they share with the caller: a caller that hangs stops
nobody from stopping.
"""

from __future__ import annotations

import heapq
import math
import multiprocessing
import multiprocessing.connection
import os
import threading
import time
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, NamedTuple, Protocol, TypeVar

from msgspec import Struct

from verifier import system
from verifier.errors import ReadersLost, Stopped
from verifier.measures import count
from verifier.pace import Ceiling, Pace, SharedNumber

T = TypeVar("T")

LONG_AT_ONCE: Final = 4
"""Long readings that one place gets at the same time.  Many more long streams at once make a
spinning disk seek instead of read."""

HANDED_OVER: Final = 2
"""Tasks handed over for each that runs.  Measured on small files: with one, readers wait a fifth
of their time."""

STOP_WITHIN: Final = 0.8
"""Seconds that readers get to stop by themselves; after that they are ended, which is safe
because they only read."""


LOOK_EVERY: Final = 0.1
"""Seconds of waiting, for the pace or in a hold, after which a reader looks at its board."""

LOCKED_AT_MOST: Final = 0.1
"""Seconds after which the ceiling's lock is passed by: who holds it for so long was ended with
it, and a moment that two set at once lets no more than one block through."""

_NEVER: Final = 2**63 - 1
"""A bell in nanoseconds since 1970 that does not ring."""


class BellRang(Exception):
    """The bell rang before the work was done.  Not an error: what is left is for another time."""


class Terms(Struct, frozen=True):
    """What a reader keeps to, in a form that can be sent to where the reading happens.

    ``bell`` is when reading must have ended, in seconds since 1970 by this machine's clock, None
    for never; with ``outlives_bell`` a long reading waits then for a later one.
    ``bytes_per_second`` is the most that all readers of this machine read together, None without
    a limit: who is far away still asks for it with `Watch.allow`.  ``yield_above`` is the share of
    time, 0 to 1, in which somebody waits for a disk from which reading there holds; None never.
    """

    bell: float | None = None
    outlives_bell: bool = False
    bytes_per_second: float | None = None
    give_way: bool = False
    yield_above: float | None = None


class Watch(Protocol):
    """What a reader tells of its progress, and how it learns that it must stop."""

    @property
    def paced(self) -> bool:
        """True when every file, however small, is to be asked for with `allow`.

        Otherwise it is enough to ask every `LOOK_EVERY` seconds.
        """

    def has_read(self, count: int) -> None:
        """``count`` more bytes came off a place."""

    def check(self) -> None:
        """Raises Stopped once the caller wants no more, and BellRang once the bell has rung."""

    def allow(self, count: int) -> int:
        """Wait until some of ``count`` more bytes may be read; how many, at least one of them.

        To be asked before they are read.  Raises as `check`, also while it waits.
        """

    def park(self) -> None:
        """At the bell, with nothing held open: wait until a later bell is set, then return.

        Raises BellRang where readers do not outlive the bell, and Stopped.
        """

    def crowded(self) -> bool:
        """True when every core has a reader at work, so that a second thread gains nothing."""

    def terms(self) -> Terms:
        """What it keeps to now, for a place where the reading happens elsewhere.

        The bell may be set to another time later on; what was sent holds until it is sent anew.
        """


class Board(Protocol):
    """Numbers that caller and readers share."""

    def __getitem__(self, index: int) -> int: ...
    def __setitem__(self, index: int, value: int) -> None: ...
    def __len__(self) -> int: ...


class Lock(Protocol):
    """A lock between threads or processes."""

    def acquire(self, block: bool = True, timeout: float = -1, /) -> bool:
        """True once it is held, False after ``timeout`` seconds."""

    def release(self) -> None:
        """Let the next one have it."""


@dataclass(frozen=True)
class Clock:
    """Where readers take the time from, and how they wait."""

    since_1970: Callable[[], float] = time.time
    steady: Callable[[], float] = time.monotonic
    """A clock that is never set, the same for all processes of the machine."""
    sleep: Callable[[float], None] = time.sleep


THE_CLOCK: Final = Clock()
AS_FAST_AS_CAN_BE: Final = Pace()


class _Layout:
    """Where on the board stands what: the caller's signs, then for each reader busy and counts.

    Each reader writes only its own numbers, and the caller only its signs and, in a row of its
    own, its counts, so that no lock is needed.
    """

    STOP = 0
    BELL = 1
    HOLD = 2
    ANY = 3
    """Set for good with the first sign that is given, so that a reader without any looks at one
    number only."""
    _SIGNS = 4

    def __init__(self, readers: int, lanes: int) -> None:
        self.readers = readers
        self.lanes = lanes

    @property
    def size(self) -> int:
        return self._SIGNS + self.readers + (self.readers + 1) * self.lanes

    @property
    def caller(self) -> int:
        """The row of the process that the engine belongs to, behind its readers'."""
        return self.readers

    def busy(self, reader: int) -> int:
        return self._SIGNS + reader

    def count(self, reader: int, lane: int) -> int:
        return self._SIGNS + self.readers + reader * self.lanes + lane


class _Rules(NamedTuple):
    """What all readers of an engine share and keep to."""

    board: Board
    layout: _Layout
    ceiling: Ceiling | None
    lock: Lock
    clock: Clock
    resident: bool
    pace: Pace

    def terms(self) -> Terms:
        bell = self.board[_Layout.BELL]
        return Terms(
            None if bell == _NEVER else bell / 1e9,
            self.resident,
            self.pace.bytes_per_second,
            self.pace.give_way,
            self.pace.yield_above,
        )

    def heed(self) -> None:
        """Raises what the caller's signs ask for."""
        if self.board[_Layout.STOP]:
            raise Stopped("Stopped before the work was done.")
        if self.bell_rang():
            raise BellRang("The bell rang before the work was done.")

    def bell_rang(self) -> bool:
        bell = self.board[_Layout.BELL]
        return bell != _NEVER and self.clock.since_1970() * 1e9 >= bell

    def allow(self, wanted: int) -> int:
        while True:
            self.heed()
            granted, wait = self._ask(wanted)
            if granted or wanted <= 0:
                return granted
            self.clock.sleep(min(wait, LOOK_EVERY))

    def _ask(self, wanted: int) -> tuple[int, float]:
        if self.board[_Layout.HOLD]:
            return 0, LOOK_EVERY
        if self.ceiling is None or wanted <= 0:
            return wanted, 0.0
        locked = self.lock.acquire(True, LOCKED_AT_MOST)
        try:
            # The time is taken with the lock held: a moment earlier, somebody else's comes first.
            return self.ceiling.ask(wanted, self.clock.steady())
        finally:
            if locked:
                self.lock.release()

    def park(self) -> None:
        if not self.resident:
            self.heed()
        while self.bell_rang() or self.board[_Layout.STOP]:
            if self.board[_Layout.STOP] or _caller_is_gone():
                raise Stopped("Stopped before the work was done.")
            self.clock.sleep(LOOK_EVERY)


def _caller_is_gone() -> bool:
    caller = multiprocessing.parent_process()
    return caller is not None and not caller.is_alive()


class _LaneWatch:
    def __init__(self, rules: _Rules, reader: int, lane: int) -> None:
        self._rules = rules
        self._board = rules.board
        self._free = rules.ceiling is None
        self._mine = rules.layout.count(reader, lane)

    @property
    def paced(self) -> bool:
        return not self._free

    def has_read(self, count: int) -> None:
        self._board[self._mine] += count

    def check(self) -> None:
        if self._board[_Layout.ANY]:
            self._rules.heed()

    def allow(self, count: int) -> int:
        if self._free and not self._board[_Layout.ANY]:
            return count
        return self._rules.allow(count)

    def park(self) -> None:
        self._rules.park()

    def crowded(self) -> bool:
        layout = self._rules.layout
        busy = sum(self._board[layout.busy(reader)] for reader in range(layout.readers))
        return busy >= system.cores()

    def terms(self) -> Terms:
        return self._rules.terms()


class _CallersWatch(_LaneWatch):
    """The watch of the calling process, which may read in several threads."""

    def __init__(self, rules: _Rules, lane: int) -> None:
        super().__init__(rules, rules.layout.caller, lane)
        self._counting = threading.Lock()

    def has_read(self, count: int) -> None:
        with self._counting:
            super().has_read(count)


class _Reader:
    """One reading process's own view of the board."""

    def __init__(self, rules: _Rules, number: int) -> None:
        self._board = rules.board
        self._busy = rules.layout.busy(number)
        self._watches = [_LaneWatch(rules, number, lane) for lane in range(rules.layout.lanes)]

    def run(self, lane: int, task: Callable[..., T], arguments: Sequence[Any]) -> T:
        watch = self._watches[lane]
        watch.check()
        self._board[self._busy] = 1
        try:
            return task(*arguments, watch)
        finally:
            self._board[self._busy] = 0


_reader: _Reader | None = None


def _start_reader(rules: _Rules, give_way: bool, next_number: Any, parent: int) -> None:
    global _reader
    system.leave_signals_to_parent()
    system.die_with_parent(parent)
    system.suit_interpreter_to_streams()
    if give_way:
        system.give_way()
    with next_number.get_lock():
        number = next_number.value
        next_number.value += 1
    _reader = _Reader(rules, number % rules.layout.readers)


def _run_in_reader(lane: int, task: Callable[..., T], arguments: Sequence[Any]) -> T:
    assert _reader is not None
    return _reader.run(lane, task, arguments)


class _Task(NamedTuple):
    """A task that waits; the lowest rank starts first, and among equals the one sent first."""

    rank: int
    number: int
    promise: Future[Any]
    task: Callable[..., Any]
    arguments: Sequence[Any]
    long: bool


class Lane:
    """One place's share of the readers.

    At most ``width`` of its long tasks are handed over at once, and never more than
    `LONG_AT_ONCE`; of the others `HANDED_OVER` times as many, so that no reader that has done
    its task must wait for the caller before it gets the next.
    """

    def __init__(
        self,
        start: Callable[[Callable[..., Any], Sequence[Any]], Future[Any]],
        width: int,
        bytes_read: Callable[[], int],
    ) -> None:
        self._start = start
        self._width = width
        self._room = {False: HANDED_OVER * width, True: min(width, LONG_AT_ONCE)}
        self._bytes_read = bytes_read
        self._lock = threading.Lock()
        self._waiting: dict[bool, list[_Task]] = {False: [], True: []}
        self._submitted = 0

    @property
    def bytes_read(self) -> int:
        """Bytes that came off this lane's place so far, every second reading counted."""
        return self._bytes_read()

    def widen(self, width: int) -> None:
        """Have so many tasks run at once from now on, also fewer: who reads has come or gone."""
        with self._lock:
            more, self._width = width - self._width, width
            self._room[False] += HANDED_OVER * more
            long = min(width, LONG_AT_ONCE)
            self._room[True] += long - min(width - more, LONG_AT_ONCE)
        self._fill()

    def submit(
        self, rank: int, task: Callable[..., T], *arguments: Any, long: bool = False
    ) -> Future[T]:
        """Have ``task(*arguments, watch)`` run by a reader; the lowest ``rank`` goes first."""
        promise: Future[T] = Future()
        with self._lock:
            self._submitted += 1
            waiting = _Task(rank, self._submitted, promise, task, arguments, long)
            heapq.heappush(self._waiting[long], waiting)
        self._fill()
        return promise

    def _next(self) -> _Task | None:
        """The first task for which there is room, its room taken.  Called with the lock held."""
        if self._room[False] <= 0:
            return None
        heads = [
            self._waiting[long][0]
            for long in (False, True)
            if self._waiting[long] and self._room[long] > 0
        ]
        if not heads:
            return None
        first = heapq.heappop(self._waiting[min(heads).long])
        self._make_room(first.long, -1)
        return first

    def _make_room(self, long: bool, more: int) -> None:
        self._room[False] += more
        if long:
            self._room[True] += more

    def _fill(self) -> None:
        while True:
            with self._lock:
                task = self._next()
            if task is None:
                return
            try:
                running = self._start(task.task, task.arguments)
            except (RuntimeError, BrokenProcessPool, Stopped, BellRang) as error:
                self._settle(task, None, error)
                continue
            running.add_done_callback(lambda done, task=task: self._done(done, task))  # type: ignore[misc]

    def _done(self, done: Future[Any], task: _Task) -> None:
        if done.cancelled():
            self._settle(task, None, Stopped("Stopped before the work was done."))
        elif (error := done.exception()) is not None:
            self._settle(task, None, error)
        else:
            self._settle(task, done.result(), None)
        self._fill()

    def _settle(self, task: _Task, result: Any, error: BaseException | None) -> None:
        with self._lock:
            self._make_room(task.long, 1)
        if isinstance(error, BrokenProcessPool):
            error = ReadersLost(
                "A reading process ended without an answer, so the work is not complete. See the "
                "system's log for what ended it (often: out of memory), then start again."
            )
        if error is None:
            task.promise.set_result(result)
        else:
            task.promise.set_exception(error)


class ReadingEngine(Protocol):
    """Many readers at once, wherever they are.  A context manager; leaving it in order waits."""

    @property
    def lanes(self) -> Sequence[Lane]:
        """A share of the readers for each place."""

    @property
    def width(self) -> int:
        """How many tasks of one place run at once when all places are read."""

    def described(self) -> str:
        """Who reads, in a sentence."""

    def look_first(self, place: Any) -> None:
        """See whether all readers see the tree that this machine sees; they do so before they
        read in any case.  Raises PlaceUnreachable."""

    def ring_at(self, bell: float | None) -> None:
        """Have readers stop by themselves at ``bell``, in seconds since 1970; None is no bell."""

    def hold(self, on: bool) -> None:
        """Have readers wait before their next block, or go on."""

    def own_watch(self, lane: int) -> Watch:
        """A watch for the calling process itself, under the same bell and hold."""

    def stop(self) -> None:
        """Have the readers stop at once, in the middle of a file; waiting tasks never start."""

    def __enter__(self) -> ReadingEngine: ...
    def __exit__(self, kind: object, error: object, trace: object, /) -> None: ...


class Engine:
    """This machine's readers, shared by lanes of the given widths.  A context manager.

    A width is the number of tasks that run at once for a lane; None stands for the number of
    cores.  With ``inline``, or where the system lets no processes be shared with, tasks run in
    the calling thread, one after the other.

    ``readers`` caps the number of processes below the sum of the widths.  Each lane's width then
    becomes its share of them, at least one: what it may hand over shrinks with it, so that no
    lane's tasks stand in another's way.

    The lanes of ``elsewhere``, by their numbers, are of places that read on another machine: their
    tasks only wait for it, in threads of this process, as many as the lane is wide.

    ``pace`` holds for all readers together.  A ``resident`` engine outlives its bells: a long
    reading is interrupted, and goes on when a later bell is set.  Leaving it stops it.
    """

    def __init__(
        self,
        widths: Sequence[int | None] = (None,),
        *,
        inline: bool = False,
        readers: int | None = None,
        pace: Pace = AS_FAST_AS_CAN_BE,
        resident: bool = False,
        elsewhere: Collection[int] = (),
        clock: Clock = THE_CLOCK,
    ) -> None:
        each = [system.cores() if width is None else width for width in widths]
        here = [number for number in range(len(each)) if number not in elsewhere]
        count = total = sum(each[number] for number in here)
        if readers is not None and readers < total:
            count = max(1, readers)
            for number in here:
                each[number] = max(1, count * each[number] // total)
        inline = inline or not here
        self._layout = _Layout(1 if inline else count, len(each))
        self._pace = pace
        self._resident = resident
        self._clock = clock
        self._pool: Executor | None = None
        self._threads: dict[int, ThreadPoolExecutor] = {}
        self._rules: _Rules
        if inline or not self._start_processes():
            self._rules = self._made_rules([0] * self._layout.size, [0.0], threading.Lock())
            self._own = _Reader(self._rules, 0)
        start = self._start_here if self._pool is None else self._start_in_pool
        self._threads = {lane: _threads(lane, each[lane]) for lane in elsewhere}
        self.lanes = [
            Lane(
                partial(self._start_in_thread if lane in self._threads else start, lane),
                width,
                partial(self._count, lane),
            )
            for lane, width in enumerate(each)
        ]
        self._callers = [_CallersWatch(self._rules, lane) for lane in range(len(each))]

    @property
    def width(self) -> int:
        """How many tasks of one place run at once when all places are read."""
        return system.cores()

    def described(self) -> str:
        """Who reads, in a sentence."""
        return f"This machine reads, {count(self.width, 'task')} of a place at a time."

    def look_first(self, place: Any) -> None:
        """Nothing: the readers are on this machine."""

    def _made_rules(self, board: Board, moment: SharedNumber, lock: Lock) -> _Rules:
        board[_Layout.BELL] = _NEVER
        rate, ceiling = self._pace.bytes_per_second, None
        if rate is not None:
            ceiling = Ceiling(rate, moment)
            ceiling.begin(self._clock.steady())
        return _Rules(board, self._layout, ceiling, lock, self._clock, self._resident, self._pace)

    def _start_processes(self) -> bool:
        context = system.process_context()
        try:
            self._rules = self._made_rules(
                context.RawArray("q", self._layout.size), context.RawArray("d", 1), context.Lock()
            )
            self._pool = ProcessPoolExecutor(
                self._layout.readers,
                mp_context=context,
                initializer=_start_reader,
                initargs=(self._rules, self._pace.give_way, context.Value("i", 0), os.getpid()),
            )
        except (OSError, NotImplementedError):
            return False  # no shared memory or semaphores here, as in some containers
        # The processes start here, while no other thread runs that a copy could catch midway.
        try:
            with system.signals_held():
                self._pool.submit(_nothing)
        except KeyboardInterrupt:  # which was held: nobody has this engine yet who could stop it
            self.stop()
            raise
        return True

    def _start_here(
        self, lane: int, task: Callable[..., Any], arguments: Sequence[Any]
    ) -> Future[Any]:
        done: Future[Any] = Future()
        try:
            done.set_result(self._own.run(lane, task, arguments))
        except Exception as error:
            done.set_exception(error)
        return done

    def _start_in_pool(
        self, lane: int, task: Callable[..., Any], arguments: Sequence[Any]
    ) -> Future[Any]:
        if self._pool is None:
            raise Stopped("Stopped before the work was done.")
        self._callers[lane].check()
        return self._pool.submit(_run_in_reader, lane, task, arguments)

    def _start_in_thread(
        self, lane: int, task: Callable[..., Any], arguments: Sequence[Any]
    ) -> Future[Any]:
        watch = self._callers[lane]
        watch.check()
        return self._threads[lane].submit(_run_in_thread, watch, task, arguments)

    def _count(self, lane: int) -> int:
        layout, board = self._layout, self._rules.board
        return sum(board[layout.count(row, lane)] for row in range(layout.readers + 1))

    def __enter__(self) -> Engine:
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if error is not None or self._resident:
            self.stop()
            return
        if self._pool is not None:
            self._pool.shutdown(wait=True)
        for threads in self._threads.values():
            threads.shutdown(wait=True)

    def ring_at(self, bell: float | None) -> None:
        """Have readers stop by themselves at ``bell``, in seconds since 1970; None is no bell.

        May be called at any time; a time that has passed means now.  What is being read then ends
        with BellRang within a block, what waits ends with it unstarted; in a resident engine a
        long reading waits instead, and what was handed over behind it waits with it.
        """
        if bell is None or bell * 1e9 >= _NEVER:
            self._sign(_Layout.BELL, _NEVER)
        else:
            self._sign(_Layout.BELL, max(0, math.ceil(bell * 1e9)))

    def hold(self, on: bool) -> None:
        """Have readers wait before their next block, or go on.  They hear the bell meanwhile."""
        self._sign(_Layout.HOLD, int(on))

    def own_watch(self, lane: int) -> Watch:
        """A watch for the calling process itself, under the same pace, bell and hold.

        What it has read counts as the lane's.  Any thread of this process may use it.
        """
        return self._callers[lane]

    def _sign(self, which: int, value: int) -> None:
        # In this order: a reader that sees that there is a sign must find it.
        self._rules.board[which] = value
        self._rules.board[_Layout.ANY] = 1

    def stop(self) -> None:
        """Have the readers stop at once, in the middle of a file; waiting tasks never start."""
        self._sign(_Layout.STOP, 1)
        for threads in self._threads.values():
            threads.shutdown(wait=False, cancel_futures=True)
        pool, self._pool = self._pool, None
        if pool is None:
            return
        # There is no public way to reach the pool's processes before Python 3.14.
        processes = list((getattr(pool, "_processes", None) or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        deadline = time.monotonic() + STOP_WITHIN
        for process in processes:
            # `is_alive` would not do: the pool's thread waits for them too, and whoever asks second
            # takes one that has ended for alive and would kill a number that is another's by then.
            left = max(0.0, deadline - time.monotonic())
            if not multiprocessing.connection.wait([process.sentinel], left):
                process.kill()


def _threads(lane: int, width: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(width, thread_name_prefix=f"elsewhere-{lane}")


def _run_in_thread(watch: Watch, task: Callable[..., T], arguments: Sequence[Any]) -> T:
    watch.check()
    return task(*arguments, watch)


def _nothing() -> None:
    """Does nothing: the first task, which makes the processes start."""
