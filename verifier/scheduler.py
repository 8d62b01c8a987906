"""Which file is read next, at which place, until when.

What is to be read follows from the ledger; nothing here keeps a second queue that could disagree
with it.  It knows no disk and no clock: readers and time are passed in, so that a simulated year
goes through the same steps as a night.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from enum import IntEnum
from typing import Final, Protocol

from msgspec import Struct, structs

from verifier.errors import PlaceUnreachable
from verifier.ledger import HELD_FOR, Due, Ledger, PlaceName
from verifier.model import Kind, Sighting
from verifier.unlisted import Unlisted

FILES_AT_ONCE: Final = 512
"""Small files of one task: enough that handing it over costs little beside reading it."""

BYTES_AT_ONCE: Final = 2 * 1024 * 1024
"""Bytes of such a task: what a crash in the middle of one has to be read again."""

JUDGED_EVERY: Final = 600.0
"""Seconds of reading after which what was read is judged, so that what looks corrupt is read
again in the same shift and nobody learns of it only in the morning after next."""

REMEMBERED: Final = 10_000
"""Files that do not fit which are remembered, in case they do later."""

MISFITS_AT_ONCE: Final = 1_000
"""Files in a row that do not fit after which others get their turn."""

BEFORE_ANY_PACE: Final = 1 << 30
"""The largest file that is begun before it is known how fast a place is."""

CAREFUL: Final = 0.95
"""How much of the time that is left is counted on: disks do not keep one pace."""

SPEED_OVER: Final = 120.0
"""Seconds over which a place's speed is taken, and the fewest that tell anything."""
SPEED_FROM: Final = 2.0


_TURN: Final = 0.5
"""Seconds that answers are waited for before the clock, the pressure and the hours are looked at
again."""


ROUND_BEGINS_WITHIN: Final = 1.0
"""Seconds that the beginning of a round is waited for: the rest of the one in which a file was last
read.  One that is dated later comes of a clock that was ahead, and is not waited for."""

A_DAY: Final = 86_400.0
"""Seconds between two turns from which on a clock was set, and no answer waited for."""

GRACE: Final = 0.5
"""Seconds after the bell in which readers hand in what they have finished."""


class Why(IntEnum):
    """Why a file is read, in the order in which that is done."""

    NEW = 0
    WANTED = 1
    AUDIT = 2


_NEW: Final = Why.NEW
_WANTED: Final = Why.WANTED
_AUDIT: Final = Why.AUDIT
"""Looked up once: asking the enumeration for each file shows."""


class Task(Struct, frozen=True):
    """Files of one place that a reader reads one after the other."""

    place: PlaceName
    files: tuple[Due, ...]
    why: Why

    @property
    def paths(self) -> list[bytes]:
        """The files' paths."""
        return [each.path for each in self.files]

    @property
    def bytes(self) -> int:
        """What is to be read for it."""
        files = self.files
        return files[0].size if len(files) == 1 else sum([each.size for each in files])


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
    """How far reading is: bytes of bytes, bytes a second, seconds to the bell and to the end.

    ``total`` is None while it is not known how much there is.
    """

    place: PlaceName
    done: int
    total: int | None
    rate: float | None
    until_bell: float | None
    left: float | None


class _Speed:
    """How fast a place is read lately."""

    def __init__(self, before: float | None = None) -> None:
        self._before = before
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
        if self._seen:
            (start, before), (end, after) = self._seen[0], self._seen[-1]
            if end - start >= SPEED_FROM and after > before:
                self._before = (after - before) / (end - start)
        return self._before


class _Busy:
    """What a place is busy with: its tasks under way, read or not, and all that were started.

    ``outstanding`` and ``started`` are in bytes.
    """

    __slots__ = ("outstanding", "started", "tasks")

    def __init__(self) -> None:
        self.tasks = self.outstanding = self.started = 0

    def still_to_read(self, read: int) -> int:
        """Bytes of the tasks under way that are not read yet, of a place of which ``read`` are."""
        ahead = self.started - read
        return 0 if ahead < 0 else min(ahead, self.outstanding)


class PutOff:
    """Files that did not fit, in the order in which they were put off.

    Late in a night thousands are, and before each task the first that fits is looked for: by the
    smallest of ``together`` at a time, and not among all of them.
    """

    def __init__(self, files: Iterable[tuple[Why, Due]] = (), together: int = 128) -> None:
        self._together = together
        self._runs: list[list[tuple[Why, Due]]] = []
        self._least: list[list[float]] = []
        self._least_of_all = [math.inf] * len(Why)
        self._count = self.bytes = 0
        for why, due in files:
            self.add(why, due)

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[tuple[Why, Due]]:
        for run in self._runs:
            yield from run

    def add(self, why: Why, due: Due) -> None:
        """Put one file off, behind all others."""
        if not self._runs or len(self._runs[-1]) >= self._together:
            self._runs.append([])
            self._least.append([math.inf] * len(Why))
        self._runs[-1].append((why, due))
        self._count += 1
        size = due.size
        self.bytes += size
        least = self._least[-1]
        if size < least[why]:
            least[why] = size
            if size < self._least_of_all[why]:
                self._least_of_all[why] = size

    def take(self, fits: float, before: int) -> tuple[Why, Due] | None:
        """The first of at most ``fits`` bytes whose reason comes before ``before``, taken out."""
        if not self._count or min(self._least_of_all[:before], default=math.inf) > fits:
            return None
        for number, run in enumerate(self._runs):
            if min(self._least[number][:before], default=math.inf) > fits:
                continue
            for at, (why, due) in enumerate(run):
                if why < before and due.size <= fits:
                    self._take_out(number, at)
                    return why, due
        return None

    def _take_out(self, number: int, at: int) -> None:
        run = self._runs[number]
        _, due = run.pop(at)
        self._count -= 1
        self.bytes -= due.size
        if run:
            self._least[number] = [
                min((each.size for why, each in run if why is which), default=math.inf)
                for which in Why
            ]
        else:
            del self._runs[number], self._least[number]
        self._least_of_all = [
            min((least[which] for least in self._least), default=math.inf) for which in Why
        ]


class Queue:
    """The files of one place in the order in which they are to be read, a task at a time.

    New and changed ones first, then those that a verdict waits for, then, where ``read_before``
    is given, those whose last reading was before it, the longest unread first.  No file comes
    twice while another waits, and none that ``unlisted`` hides, also what is added to that
    meanwhile: it could not be read.  ``first``
    comes before all others, as soon as the audit may read: `goes_first` says what that is for.
    """

    def __init__(
        self,
        ledger: Ledger,
        place: PlaceName,
        read_before: int | None = None,
        under_way: Iterable[bytes] = (),
        unlisted: Unlisted | None = None,
        first: Due | None = None,
    ) -> None:
        self.place = place
        self._first = first
        self._unlisted = Unlisted() if unlisted is None else unlisted
        self.open = True
        self.affordable = math.inf
        """Bytes that may be read of the place at all; what is larger is passed over."""
        self.unaffordable = Left()
        """What was passed over so."""
        self._ledger = ledger
        self._read_before = read_before
        self._under_way = set(under_way)
        self._tried: set[tuple[bytes, str | None]] = set()
        self._hopeless: list[Due] = []
        self._later = PutOff()
        self._forgotten = Left()
        self._why = _NEW
        self._files = {why: self._of(why) for why in Why}
        self._ended: set[Why] = set()
        self._held: dict[Why, Due] = {}

    @property
    def skipped(self) -> Left:
        """What did not fit, and does not yet."""
        return Left(
            self._forgotten.files + len(self._later),
            self._forgotten.bytes + self._later.bytes,
        )

    def looked_through(self, may_audit: bool) -> bool:
        """False while there may be files that no call of `next` has come to."""
        if not self.open or self._why in self._ended:
            return True
        return self._why is _AUDIT and not may_audit

    @property
    def has_new(self) -> bool:
        """False once every new or changed file was handed out."""
        return self._why is _NEW and self.open

    @property
    def has_wanted(self) -> bool:
        """False once every file that a verdict waits for was handed out, or must wait."""
        return self._why is _WANTED and self.open and _WANTED not in self._ended

    def wanted_again(self) -> None:
        """More files may be waited for since the last look."""
        if self._why is not _NEW:
            self._begin_again(_WANTED)

    def walked_again(self, unlisted: Unlisted) -> None:
        """The place was looked through anew, so that more may be new or changed, and hidden."""
        self._unlisted = unlisted
        self._later = PutOff(each for each in self._later if each[0] is not _NEW)
        self._begin_again(_NEW)

    @property
    def round_begins(self) -> float:
        """When the round begins whose files are read: never where there is none.

        A ledger's times are whole seconds.  What was read in the second before that one counts
        for the round before, so that nothing is read for this one until it is over.
        """
        return math.inf if self._read_before is None else self._read_before

    def audit(self, read_before: int) -> None:
        """The next round has begun: what was read before it is to be read again."""
        self._read_before = read_before
        self._begin_again(_AUDIT, min(self._why, _AUDIT))

    def _begin_again(self, why: Why, at: Why | None = None) -> None:
        self._why = why if at is None else at
        self._files[why] = self._of(why)
        self._ended.discard(why)
        self._held.pop(why, None)

    def goes_out(self, task: Task) -> None:
        """A task is under way: its files are not handed out again meanwhile."""
        if len(task.files) == 1:
            self._under_way.add(task.files[0].path)
        else:
            self._under_way.update(task.paths)

    def came_back(self, task: Task) -> None:
        """A task is done."""
        if len(task.files) == 1:
            self._under_way.discard(task.files[0].path)
        else:
            self._under_way.difference_update(task.paths)

    def next(self, fits: float, longest: float, may_audit: bool = True) -> Task | None:
        """The next task, or None when nothing is left that fits.

        ``fits`` are the bytes that there is time for, ``longest`` those that there would be in
        the longest time that there will ever be: what would not fit even there comes last, since
        waiting does not help it.
        """
        if self._why is _AUDIT and not may_audit:
            return None
        fits = min(fits, self.affordable)
        if self._first is not None and may_audit:
            due, self._first = self._first, None
            if due.size <= fits and due.path not in self._under_way:
                return Task(self.place, (due,), _AUDIT)
        while self.open:
            task = self._put_off_that_fits(fits, self._why) or self._together(fits, longest)
            if task is not None or self._why not in self._ended:
                return task
            task = self._put_off_that_fits(fits, Why(self._why + 1) if self._why < 2 else None)
            if task is not None:
                return task
            while self._hopeless:
                due = self._hopeless.pop(0)
                if due.size <= self.affordable:
                    return Task(self.place, (due,), self._why)
                self._pass_over(due)
            if self._why is _AUDIT or (self._why is _WANTED and not may_audit):
                return None
            self._why = Why(self._why + 1)
        return None

    def _together(self, fits: float, longest: float) -> Task | None:
        """The next files that make a task: some small ones, or a large one alone."""
        why, stream, under_way = self._why, self._files[self._why], self._under_way
        held, hidden = self._held.pop(why, None), bool(self._unlisted)
        files: list[Due] = []
        together = misfits = 0
        most = min(fits, BYTES_AT_ONCE)
        while len(files) < FILES_AT_ONCE:  # each file comes through here: in the fewest steps
            if held is not None:
                due, held = held, None
            elif (following := next(stream, None)) is None:
                self._ended.add(why)
                break
            elif (
                following.path in under_way
                or (hidden and self._unlisted.hides(following.path))
                or (why is _WANTED and self._was_tried(following))
            ):
                continue
            else:
                due = following
            size = due.size
            if together + size <= most:
                files.append(due)
                together += size
            elif files:
                self._held[why] = due
                break
            elif size <= fits:
                files.append(due)
                break
            else:
                self._put_off(due, size > longest)
                misfits += 1
                if misfits >= MISFITS_AT_ONCE:
                    break
        return Task(self.place, tuple(files), why) if files else None

    def _put_off_that_fits(self, fits: float, before: Why | None) -> Task | None:
        """The first file of an earlier reason than ``before`` that was put off and now fits."""
        found = self._later.take(fits, _AUDIT + 1 if before is None else before)
        return None if found is None else Task(self.place, (found[1],), found[0])

    def _was_tried(self, due: Due) -> bool:
        """Whether a file was handed out before for the same verdict; from now on it was.

        It is read once more for another reason: a neighbour of damage may turn out to be suspect
        itself.  For the same one, it would be tried without end.
        """
        if (due.path, due.wanted) in self._tried:
            return True
        self._tried.add((due.path, due.wanted))
        return False

    def _put_off(self, due: Due, hopeless: bool) -> None:
        if due.size > self.affordable:
            self._pass_over(due)
        elif hopeless and len(self._hopeless) < REMEMBERED:
            self._hopeless.append(due)
        elif not hopeless and len(self._later) < REMEMBERED:
            self._later.add(self._why, due)
        else:
            gone = self._forgotten
            self._forgotten = Left(gone.files + 1, gone.bytes + due.size)

    def _pass_over(self, due: Due) -> None:
        gone = self.unaffordable
        self.unaffordable = Left(gone.files + 1, gone.bytes + due.size)

    def _of(self, why: Why) -> Iterator[Due]:
        work = self._ledger.work
        if why is _NEW:
            return work.unread(self.place)
        if why is _WANTED:
            return work.wanted(self.place)
        if self._read_before is None:
            return iter(())
        return work.longest_unread(self.place, read_before=self._read_before)


def goes_first(due: Due, other_bytes: int, rate: float, seconds: float) -> bool:
    """Whether a file whose time is nearly up must be read before what is new: it fits into the
    ``seconds`` up to the bell at ``rate``, but not behind ``other_bytes``.

    Where each night brings much that is new, a large file would else be left each night.
    """
    room = CAREFUL * seconds * rate
    return due.size <= room < other_bytes + due.size


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
        paces: Mapping[PlaceName, float] | None = None,
        lost: Callable[[PlaceName, PlaceUnreachable], None] = lambda place, why: None,
        allowances: Callable[[PlaceName], float] = lambda place: math.inf,
        fastest: float = math.inf,
        hides: Callable[[PlaceName, Sighting], bool] = lambda place, failed: False,
    ) -> None:
        self._ledger = ledger
        self._hides = hides
        self._fastest = fastest
        self._allowances = allowances
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
        self._lost = lost
        self._speeds = {place: _Speed((paces or {}).get(place)) for place in self._queues}
        self._bytes_before = {place: readers.bytes_read(place) for place in self._queues}
        self._busy = {place: _Busy() for place in self._queues}
        self._new_under_way = self._wanted_under_way = 0
        self._judged_wanted = True
        self._judged_new = False
        self._judged_at = clock()
        self._again: deque[Task] = deque()
        self._status: Status | None = None
        self._noted_at = clock()
        self.seconds = dict.fromkeys(self._queues, 0.0)
        """How long each place was being read."""
        self.came_off = dict.fromkeys(self._queues, 0)
        """Bytes that came off each place meanwhile, also of files that are not finished."""
        self._noted_bytes = dict(self._bytes_before)
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
                self._take_what_comes_back(self._window.end + GRACE)
                self._ledger.readings.flush()
                return False
            self._note_speeds(now)
            self._status = self._status_at(now)
            self._fill(now)
            if not self._is_busy():
                if not self._looked_through(now):
                    continue
                if not self._a_round_begins_now():
                    if self._rest() and not self._a_round_begins_now():
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
        passed, self._noted_at = now - self._noted_at, now
        leapt = not 0 <= passed < A_DAY
        for place, speed in self._speeds.items():
            read, before = self._readers.bytes_read(place), self._noted_bytes[place]
            self._noted_bytes[place] = read
            if self._busy[place].tasks and not leapt:
                self.seconds[place] += passed
                self.came_off[place] += read - before
                speed.note(now, read)
            else:
                speed.forget()

    def _fill(self, now: float) -> None:
        while self._again and self._readers.room(self._again[0].place):
            self._start(self._again.popleft())
        window = float("inf") if self._window.end is None else self._window.end - now
        longest = float("inf") if self._window.longest is None else self._window.longest
        waiting = [
            (queue, self._speeds[place].bytes_per_second, self._may_audit(queue, now))
            for place, queue in self._queues.items()
        ]
        while waiting:
            for each in tuple(waiting):
                queue, rate, may_audit = each
                task = None
                if queue.open and self._readers.room(queue.place):
                    task = self._next_of(queue, rate, window, longest, may_audit)
                if task is None:
                    waiting.remove(each)
                else:
                    self._start(task)

    def _may_audit(self, queue: Queue, now: float) -> bool:
        return self._is_audit_time(now) and now >= queue.round_begins

    def _is_audit_time(self, now: float) -> bool:
        audit = self._window.audit
        return audit is not None and audit[0] <= now < audit[1]

    def _looked_through(self, now: float) -> bool:
        return all(
            queue.looked_through(self._may_audit(queue, now)) for queue in self._queues.values()
        )

    def _a_round_begins_now(self) -> bool:
        """Whether a round is about to begin that nothing may be read for yet."""
        now = self._clock()
        return self._is_audit_time(now) and any(
            queue.open and 0 < queue.round_begins - now <= ROUND_BEGINS_WITHIN
            for queue in self._queues.values()
        )

    def _next_of(
        self, queue: Queue, rate: float | None, window: float, longest: float, may_audit: bool
    ) -> Task | None:
        place = queue.place
        if not self._afford(queue):
            return None
        if rate is None and window < math.inf:
            fits = min(BEFORE_ANY_PACE, CAREFUL * window * self._fastest)
            task = queue.next(fits, math.inf, may_audit)
            if task is None and not self._busy[place].tasks and queue.looked_through(may_audit):
                task = queue.next(math.inf, math.inf, may_audit)  # there is nothing smaller
            return task
        if rate is None or window == math.inf:
            return queue.next(math.inf, math.inf, may_audit)
        fits = CAREFUL * window * rate - self._under_way_bytes(place)
        return queue.next(fits, CAREFUL * longest * rate, may_audit)

    def _afford(self, queue: Queue) -> bool:
        """Whether anything more may be read of a place; when its budget is spent it is done."""
        left = self._allowances(queue.place)
        if left == math.inf:
            return True
        if left <= 0:
            queue.open = False
            return False
        queue.affordable = left - self._under_way_bytes(queue.place)
        return queue.affordable > 0

    def _under_way_bytes(self, place: PlaceName) -> int:
        """What is still to be read of the tasks that were started."""
        read = self._readers.bytes_read(place) - self._bytes_before[place]
        return self._busy[place].still_to_read(read)

    def _is_busy(self) -> bool:
        return any(each.tasks for each in self._busy.values())

    def _start(self, task: Task) -> None:
        self._count(task, 1)
        self._queues[task.place].goes_out(task)
        self._readers.start(task)

    def _count(self, task: Task, more: int) -> None:
        busy = self._busy.get(task.place)
        if busy is not None:
            size = task.bytes
            busy.tasks += more
            busy.outstanding += more * size
            if more > 0:
                busy.started += size
        if task.why is _NEW:
            self._new_under_way += more
        elif task.why is _WANTED:
            self._wanted_under_way += more
            self._judged_wanted = False

    def _take_what_comes_back(self, until: float) -> None:
        """At the bell readers hand in what they have; what a resident keeps stays under way."""
        self._take_what_is_done(0.0)
        while self._is_busy() and self._clock() < until:
            self._take_what_is_done(0.1)

    def _take_what_is_done(self, seconds: float) -> None:
        """Record what came back; what came of one place for one reason, together."""
        place: PlaceName | None = None
        why = _NEW
        together: list[Sighting] = []
        try:
            for done in self._readers.wait(seconds):
                task = done.task
                self._count(task, -1)
                queue = self._queues.get(task.place)
                if queue is not None:
                    queue.came_back(task)
                if done.failed is not None:
                    self._has_lost(task.place, done.failed)
                elif task.place not in self.unreachable:
                    if task.place is not place or task.why is not why:
                        self._record(place, why, together)
                        place, why, together = task.place, task.why, []
                    together += self._what_counts(done)
        finally:
            self._record(place, why, together)

    def _what_counts(self, done: Done) -> Sequence[Sighting]:
        """A task's readings, but for those of files that are to be read alone: they are again.

        Nor does what failed below a folder that has closed: it is as it was before.
        """
        readings = done.readings
        read = failed = 0
        for each in readings:
            if each.digest is not None:
                read += 1
            if each.trouble is not None:
                failed += 1
        place, why = done.task.place, done.task.why
        hidden: set[bytes] = set()
        if failed:
            try:
                # What fails because the whole place is gone, or a folder of it closed, is no
                # trouble of its files.
                self._readers.check(place)
                hidden = {
                    each.path for each in readings if each.trouble and self._hides(place, each)
                }
            except PlaceUnreachable as gone:
                self._has_lost(place, gone)
                return ()
        self.files_read += read
        if read == len(readings) or not (hidden or any(map(_to_be_read_alone, readings))):
            return readings
        for reading, due in zip(readings, done.task.files, strict=False):
            if _to_be_read_alone(reading):
                again = Task(place, (due,), why)
                self._queues[place].goes_out(again)
                self._again.append(again)
        return [
            each for each in readings if each.path not in hidden and not _to_be_read_alone(each)
        ]

    def _record(self, place: PlaceName | None, why: Why, readings: Sequence[Sighting]) -> None:
        if place is not None:
            self._ledger.readings.add_all(
                place, readings, self._clock(), past_cache=why is not _NEW
            )

    def end_at(self, bell: float) -> None:
        """The bell rings then, in seconds since 1970, and not when it was to ring."""
        self._window = structs.replace(self._window, end=bell)

    def lose(self, place: PlaceName, why: PlaceUnreachable) -> None:
        """A place cannot be read any more: what is under way there counts for nothing."""
        self.unreachable[place] = why
        if place in self._queues:
            self._queues[place].open = False
        self._again = deque(task for task in self._again if task.place != place)

    def _has_lost(self, place: PlaceName, why: PlaceUnreachable) -> None:
        self.lose(place, why)
        self._lost(place, why)

    def _time_to_judge(self) -> bool:
        if not self._judged_new:
            done = not self._new_under_way and not any(
                queue.has_new for queue in self._queues.values()
            )
            if done:
                self._judged_new = True
                return True
        # What a second reading confirms has what is near it read before the rest of the audit.
        again = not self._judged_wanted and not self._wanted_under_way
        if again and not any(queue.has_wanted for queue in self._queues.values()):
            return True
        return self._clock() - self._judged_at >= JUDGED_EVERY

    def _judge_now(self) -> None:
        self._ledger.readings.flush()
        self._judge()
        self._judged_at = self._clock()
        self._judged_wanted = not self._wanted_under_way
        for queue in self._queues.values():
            queue.wanted_again()

    def _rest(self) -> bool:
        """Nothing is under way: judge, and see whether that wants something read again."""
        self._judge_now()
        self._judged_new = True
        now = self._clock()
        self._fill(now)
        return not self._is_busy()


def _order(place: PlaceName) -> tuple[bool, PlaceName]:
    return not place.is_source, place


def _to_be_read_alone(reading: Sighting) -> bool:
    return reading.kind is Kind.FILE and reading.digest is None and reading.trouble is None
