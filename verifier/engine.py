"""Many readers at once: processes that read and hash while the caller judges.

A `Lane` has the shape of a ``concurrent.futures`` executor, so that a job does not know whether
its readers are this machine's processes, the caller's own thread, or something farther away.
Each place gets a lane of its own: places are different disks and are read side by side.
"""

from __future__ import annotations

import heapq
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from typing import Any, Final, NamedTuple, Protocol, TypeVar

from verifier import system
from verifier.errors import ReadersLost, Stopped

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


class Watch(Protocol):
    """What a reader tells of its progress, and how it learns that it must stop."""

    def has_read(self, count: int) -> None:
        """``count`` more bytes came off a place."""

    def check(self) -> None:
        """Raises Stopped once the caller wants no more."""

    def crowded(self) -> bool:
        """True when every core has a reader at work, so that a second thread gains nothing."""


class Board(Protocol):
    """Numbers that caller and readers share."""

    def __getitem__(self, index: int) -> int: ...
    def __setitem__(self, index: int, value: int) -> None: ...
    def __len__(self) -> int: ...


class _Layout:
    """Where on the board stands what: the stop mark, then for each reader busy and counts.

    Each reader writes only its own numbers, so that no lock is needed.
    """

    STOP = 0

    def __init__(self, readers: int, lanes: int) -> None:
        self.readers = readers
        self.lanes = lanes

    @property
    def size(self) -> int:
        return 1 + self.readers * (1 + self.lanes)

    def busy(self, reader: int) -> int:
        return 1 + reader

    def count(self, reader: int, lane: int) -> int:
        return 1 + self.readers + reader * self.lanes + lane


class _LaneWatch:
    def __init__(self, board: Board, layout: _Layout, reader: int, lane: int) -> None:
        self._board = board
        self._layout = layout
        self._mine = layout.count(reader, lane)

    def has_read(self, count: int) -> None:
        self._board[self._mine] += count

    def check(self) -> None:
        if self._board[_Layout.STOP]:
            raise Stopped("Stopped before the work was done.")

    def crowded(self) -> bool:
        layout = self._layout
        busy = sum(self._board[layout.busy(reader)] for reader in range(layout.readers))
        return busy >= system.cores()


class _Reader:
    """One reading process's own view of the board."""

    def __init__(self, board: Board, layout: _Layout, number: int) -> None:
        self._board = board
        self._layout = layout
        self._number = number
        self._watches = [_LaneWatch(board, layout, number, lane) for lane in range(layout.lanes)]

    def run(self, lane: int, task: Callable[..., T], arguments: Sequence[Any]) -> T:
        watch = self._watches[lane]
        watch.check()
        busy = self._layout.busy(self._number)
        self._board[busy] = 1
        try:
            return task(*arguments, watch)
        finally:
            self._board[busy] = 0


_reader: _Reader | None = None


def _start_reader(board: Board, layout: _Layout, next_number: Any) -> None:
    global _reader
    system.leave_signals_to_parent()
    system.die_with_parent()
    system.suit_interpreter_to_streams()
    with next_number.get_lock():
        number = next_number.value
        next_number.value += 1
    _reader = _Reader(board, layout, number % layout.readers)


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
        self._room = {False: HANDED_OVER * width, True: min(width, LONG_AT_ONCE)}
        self._bytes_read = bytes_read
        self._lock = threading.Lock()
        self._waiting: dict[bool, list[_Task]] = {False: [], True: []}
        self._submitted = 0

    @property
    def bytes_read(self) -> int:
        """Bytes that came off this lane's place so far, every second reading counted."""
        return self._bytes_read()

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
        if not self._room[False]:
            return None
        heads = [
            self._waiting[long][0]
            for long in (False, True)
            if self._waiting[long] and self._room[long]
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
            except (RuntimeError, BrokenProcessPool, Stopped) as error:
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


class Engine:
    """This machine's readers, shared by lanes of the given widths.  A context manager.

    A width is the number of tasks that run at once for a lane; None stands for the number of
    cores.  With ``inline``, or where the system lets no processes be shared with, tasks run in
    the calling thread, one after the other.
    """

    def __init__(self, widths: Sequence[int | None] = (None,), *, inline: bool = False) -> None:
        each = [system.cores() if width is None else width for width in widths]
        readers = 1 if inline else sum(each)
        self._layout = _Layout(readers, len(each))
        self._pool: Executor | None = None
        self._board: Board
        if inline or not self._start_processes(readers):
            self._board = [0] * self._layout.size
            self._own = _Reader(self._board, self._layout, 0)
        start = self._start_here if self._pool is None else self._start_in_pool
        self.lanes = [
            Lane(partial(start, lane), width, partial(self._count, lane))
            for lane, width in enumerate(each)
        ]

    def _start_processes(self, count: int) -> bool:
        context = system.process_context()
        try:
            self._board = context.RawArray("q", self._layout.size)
            self._pool = ProcessPoolExecutor(
                count,
                mp_context=context,
                initializer=_start_reader,
                initargs=(self._board, self._layout, context.Value("i", 0)),
            )
        except (OSError, NotImplementedError):
            return False  # no shared memory or semaphores here, as in some containers
        # The processes start here, while no other thread runs that a copy could catch midway.
        with system.signals_held():
            self._pool.submit(_nothing)
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
        return self._pool.submit(_run_in_reader, lane, task, arguments)

    def _count(self, lane: int) -> int:
        layout = self._layout
        return sum(self._board[layout.count(reader, lane)] for reader in range(layout.readers))

    def __enter__(self) -> Engine:
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if error is not None:
            self.stop()
        elif self._pool is not None:
            self._pool.shutdown(wait=True)

    def stop(self) -> None:
        """Have the readers stop at once, in the middle of a file; waiting tasks never start."""
        pool, self._pool = self._pool, None
        if pool is None:
            return
        self._board[_Layout.STOP] = 1
        # There is no public way to reach the pool's processes before Python 3.14.
        processes = list((getattr(pool, "_processes", None) or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        deadline = time.monotonic() + STOP_WITHIN
        for process in processes:
            process.join(max(0.0, deadline - time.monotonic()))
            if process.is_alive():
                process.kill()


def _nothing() -> None:
    """Does nothing: the first task, which makes the processes start."""
