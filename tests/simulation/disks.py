"""Simulated disks and time: readers for the real scheduler, and the places for its walks.

Only here does the clock go on.  A place reads two files at a time, which share its speed; turns in
which nothing can happen are passed over.
"""

from __future__ import annotations

import errno
import math
from array import array
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain, islice
from typing import Final

from tests.simulation.estate import NANOSECONDS, Side, Tree, seen_of, sighting_of, sightings_of
from verifier.errors import PlaceUnreachable
from verifier.ledger import Due, PlaceName
from verifier.model import CHANGED_WHILE_READ, Kind, Sighting, Trouble
from verifier.places.base import READ_ALONE_FROM
from verifier.scheduler import Done, Task

WIDTH: Final = 2
"""Files of a place that are read at the same time."""

AHEAD: Final = 2
"""Tasks that a place takes beyond twice those that it reads at the same time, as real readers."""

WALKED_A_SECOND: Final = 20_000
"""Paths that a walk sees in a second."""

PASSED_OVER: Final = 300.0
"""Seconds without any answer that are passed over at once, at most."""

AT_ONCE: Final = 1e-6
"""Seconds in which the rest of a file is as good as read: a time in seconds since 1970 is rounded
to a quarter of that."""


class PowerCut(BaseException):
    """The machine stops; what was in memory is gone."""


class SimulatedPlace:
    """A place for a walk to look at and a judgement to ask."""

    root = None

    def __init__(self, name: PlaceName, side: Side, disks: Disks) -> None:
        self.name = name
        self.side = side
        self._disks = disks

    @property
    def at(self) -> str:
        server = "bench" if self.name.is_source else self.name.place
        return f"/volumes/{server}/{self.name.share}"

    def check(self) -> None:
        if not self.side.root_is_there:
            raise PlaceUnreachable(f"{self.at} is not there.")

    def identity(self) -> None:
        """Nothing stands on any machine."""

    def open(self, path: bytes) -> None:
        """Contents are numbers: nothing can be looked into."""
        raise OSError(errno.EIO, "no bytes stand behind this file")

    def look_at(self, paths: Sequence[bytes], *_: object) -> list[Sighting]:
        """What stands at some paths now."""
        found = []
        for path in paths:
            where = self.side.at(path)
            gone = Sighting(path, Kind.OTHER, 0, 0, trouble=Trouble(CHANGED_WHILE_READ))
            found.append(gone if where is None else seen_of(path, *where))
        return found

    def walked(self) -> Iterator[Sighting]:
        """What a walk sees, while time goes on."""
        self.check()
        if not self.side.mounted:
            return
        for project in sorted(self.side.projects, key=lambda name: name + b"/"):
            self._disks.walks(len(self.side.projects[project].codes))
            yield from self.side.sightings(project)


class _Reading:
    """A task that is being read, or waits for that."""

    __slots__ = ("_found", "_moves", "_writes", "as_begun", "left", "task", "total")

    def __init__(self, task: Task) -> None:
        self.task = task
        self._writes = self._moves = -1
        self._found: tuple[Tree, int] | None = None
        self.total = self.left = float(task.bytes)
        self.as_begun: tuple[int, int, int] | None = None

    def where(self, side: Side) -> tuple[Tree, int] | None:
        """Where its only file stands now, looked up again only where it may have moved."""
        if self._writes != side.writes:
            self._writes = side.writes
            if self._found is None or self._found[0].moves != self._moves:
                self._found = side.at(self.task.files[0].path)
                self._moves = -1 if self._found is None else self._found[0].moves
        return self._found

    def state(self, side: Side) -> tuple[int, int, int] | None:
        """What tells whether its only file was touched."""
        found = self.where(side)
        if found is None:
            return None
        tree, at = found
        return tree.sizes[at], tree.dates[at], tree.written[at]

    def is_as_begun(self, side: Side) -> bool:
        """False where its only file was changed since: it is read from its start again."""
        if self._writes == side.writes:
            return True
        now = self.state(side)
        if now is None or now == self.as_begun:
            return True
        self.as_begun, self.left = now, float(now[0])
        self.total += now[0]
        return False


class _Lane:
    """One place's readers."""

    def __init__(
        self, name: PlaceName, side: Side, speed: float, watched: Mapping[bytes, object]
    ) -> None:
        self.name = name
        self.side = side
        self.watched = watched
        self.speed = speed
        self.at_once = AT_ONCE * speed
        """Bytes that are as good as read."""
        self.running: list[_Reading] = []
        self.waiting: deque[_Reading] = deque()
        self.read = 0.0
        self.since = 0.0
        self.answers = 0
        """Tasks that are done and not handed over yet."""
        self.busy = array("d")
        """When it read: start, end and bytes of each time without a pause."""
        self.longest_unread = 0
        self.longest_unread_path = b""
        """The longest time between two readings of a file, in seconds, and of which."""

    def ends(self) -> float:
        """When the next task is done if nothing comes in between."""
        running = self.running
        if not running:
            return math.inf
        least = running[0].left
        for each in running:
            if each.left < least:
                least = each.left
        return self.since + (least * len(running) / self.speed if least > 0.0 else 0.0)

    def ends_some(self, tasks: int) -> float:
        """When about so many are done, or all."""
        if not self.running:
            return math.inf
        waiting = islice(self.waiting, max(0, tasks - len(self.running)))
        left = sum(each.left for each in chain(self.running, waiting))
        return self.since + left / self.speed

    def go_on(self, to: float) -> None:
        """Read until then."""
        running, since = self.running, self.since
        if running and to > since:
            amount = (to - since) * self.speed
            share = amount / len(running)
            for each in running:
                each.left -= share
            self.read += amount
            busy = self.busy
            if busy and busy[-2] == since:
                busy[-2] = to
                busy[-1] += amount
            else:
                busy.extend((since, to, amount))
        self.since = to

    def take_up(self) -> None:
        """Begin what waits while there is room."""
        waiting, running = self.waiting, self.running
        while waiting and len(running) < WIDTH:
            reading = waiting.popleft()
            if len(reading.task.files) == 1:
                reading.as_begun = reading.state(self.side)
            running.append(reading)


class Disks:
    """Readers, engine and clock of a simulated machine.

    ``happens`` is called with a time up to which the world goes on, and answers with the time of
    the next thing that will happen in it.  ``was_read`` is told of each reading of what was
    written since the last one, or is ``watched``: its place and path, its last reading, when it was
    written, and when it was read.
    """

    def __init__(
        self,
        now: float,
        sides: Mapping[PlaceName, Side],
        speeds: Mapping[PlaceName, float],
        happens: Callable[[float], float],
        was_read: Callable[[PlaceName, bytes, int, int, int], None],
        watched: Mapping[PlaceName, Mapping[bytes, object]],
        resident: bool = False,
        ahead: int = AHEAD,
    ) -> None:
        self.now = now
        self._room = 2 * WIDTH + ahead
        self._handed_over = max(1, ahead // 2)
        self._answers: list[Done] = []
        self.cuts: list[float] = []
        self.at_cut: Callable[[], None] = lambda: None
        self.ends = math.inf
        self.places = {name: SimulatedPlace(name, side, self) for name, side in sides.items()}
        self.lanes = {name: _Lane(name, sides[name], speeds[name], watched[name]) for name in sides}
        self.lost_at_bells = 0
        self.lost: list[tuple[float, PlaceName, bytes, int]] = []
        self._happens = happens
        self._was_read = was_read
        self._resident = resident
        self._bell: float = math.inf
        self._rung = False
        self._next = happens(now)

    # ------------------------------------------------------------------------ clock and engine

    def clock(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        """Let time pass while nothing is read."""
        self._pass(self.now + seconds)

    def walks(self, paths: int) -> None:
        """Let the time pass that a walk takes."""
        self._pass(self.now + paths / WALKED_A_SECOND)

    def ring_at(self, when: float | None) -> None:
        self._bell = math.inf if when is None else when
        self._rung = False
        if self.now < self._bell:
            self._resume()

    def hold(self, on: bool) -> None:
        raise AssertionError("no pressure is simulated")

    def stop(self) -> None:
        """What is being read is given up."""
        for lane in self.lanes.values():
            lane.running.clear()
            lane.waiting.clear()
        self._answers.clear()

    # --------------------------------------------------------------------------------- readers

    def serve(self, places: object, until: float | None = None) -> None:
        """Every place has its lane already."""

    def watch(self, place: PlaceName) -> Disks:
        return self

    def allow(self, size: int) -> int:
        return size

    def check(self, place: PlaceName) -> None:
        self.places[place].check()

    def look_first_at(self, place: object) -> bool:
        """Simulated files are walked, and then read."""
        return False

    def room(self, place: PlaceName) -> bool:
        lane = self.lanes[place]
        return len(lane.running) + len(lane.waiting) < self._room

    def start(self, task: Task) -> None:
        lane = self.lanes[task.place]
        if lane.since != self.now:
            lane.go_on(self.now)
        lane.waiting.append(_Reading(task))
        if len(lane.running) < WIDTH:
            lane.take_up()

    def under_way(self) -> Iterable[Task]:
        return [
            each.task for lane in self.lanes.values() for each in (*lane.running, *lane.waiting)
        ]

    def bytes_read(self, place: PlaceName) -> int:
        return int(self.lanes[place].read)

    def wait(self, seconds: float) -> list[Done]:
        if self.now >= self._bell:
            return self._at_bell(seconds)
        first = min(lane.ends() for lane in self.lanes.values())
        until = self.now + seconds
        latest = min(self.now + PASSED_OVER, self._next, self._bell, self.ends, *self.cuts[:1])
        if until < first < math.inf:  # nothing can come before
            until = min(first, self.now + PASSED_OVER)
        if self._handed_over > 1:
            until = max(
                until, min(lane.ends_some(self._handed_over) for lane in self.lanes.values())
            )
        until = min(until, latest)
        while not self._read_until(until) and until < latest:
            until = min(latest, min(lane.ends() for lane in self.lanes.values()))
        self._pass(until)
        done, self._answers = self._answers, []
        for lane in self.lanes.values():
            lane.answers = 0
        return done

    def _read_until(self, moment: float) -> bool:
        """Have every place read; True once enough is done, or nothing is under way any more.

        Enough is what a place hands over together, or all that it had.
        """
        enough, idle = self._handed_over == 1, True
        for lane in self.lanes.values():
            if not lane.running:  # most of the time that is so of the small share's
                lane.since = moment
            else:
                while (ends := lane.ends()) <= moment:
                    lane.go_on(ends)
                    self._finish(lane)
                    lane.take_up()
                lane.go_on(moment)
            idle = idle and not lane.running
            if lane.answers >= self._handed_over or (lane.answers and not lane.running):
                enough = True
        return enough or idle

    def gives_up(self) -> int:
        """All that was under way is gone: how many bytes were read of it."""
        lost = sum(
            round(each.total - each.left) for lane in self.lanes.values() for each in lane.running
        )
        lost += sum(reading.size for done in self._answers for reading in done.readings)
        self.stop()
        return lost

    def look_ahead(self) -> None:
        """Something was added to what will happen."""
        self._next = self._happens(self.now)

    # ---------------------------------------------------------------------------------- inside

    def _pass(self, to: float) -> None:
        if self.cuts and to >= self.cuts[0]:
            self.now = max(self.now, self.cuts.pop(0))
            self.at_cut()
            raise PowerCut
        if to >= self.ends:
            self.now = max(self.now, self.ends)
            raise KeyboardInterrupt
        self.now = max(self.now, to)
        while self.now >= self._next:
            self._next = self._happens(self.now)

    def _finish(self, lane: _Lane) -> None:
        """What is read to its end is an answer now."""
        for reading in tuple(lane.running):
            if reading.left > lane.at_once:
                continue
            task, side = reading.task, lane.side
            if not side.mounted:
                done = Done(task, [], PlaceUnreachable(f"{lane.name} went away."))
            elif len(task.files) > 1:
                done = Done(task, self._read(lane, reading, len(task.files)))
            elif reading.is_as_begun(side):
                path = task.files[0].path
                done = Done(task, [self._read_one(lane, path, reading.where(side))])
            else:
                continue
            lane.running.remove(reading)
            lane.answers += 1
            self._answers.append(done)

    def _read(self, lane: _Lane, reading: _Reading, count: int) -> list[Sighting]:
        side, files = lane.side, reading.task.files
        if len(files) == 1:
            if not count:
                return []
            return [self._read_one(lane, files[0].path, reading.where(side))]
        found = self._read_together(lane, files[:count])
        if found is not None:
            return found
        found = []
        for due in files[:count]:
            where = side.at(due.path)
            if where is not None and where[0].sizes[where[1]] >= READ_ALONE_FROM:
                found.append(seen_of(due.path, *where))
            else:
                found.append(self._read_one(lane, due.path, where))
        return found

    def _read_one(self, lane: _Lane, path: bytes, where: tuple[Tree, int] | None) -> Sighting:
        if where is None:
            return Sighting(path, Kind.OTHER, 0, 0, trouble=_GONE)
        tree, index = where
        at, before, written = int(lane.since), tree.read[index], tree.written[index]
        if before and at - before > lane.longest_unread:
            lane.longest_unread, lane.longest_unread_path = at - before, path
        if before * NANOSECONDS < written or path in lane.watched:
            self._was_read(lane.name, path, before, written, at)
        tree.read[index] = at
        return sighting_of(path, tree, index, at)

    def _read_together(self, lane: _Lane, files: tuple[Due, ...]) -> list[Sighting] | None:
        """As `_read`, for files side by side of which nothing is to be told; else None."""
        paths = [due.path for due in files]
        where = lane.side.at_together(paths)
        if where is None or not lane.watched.keys().isdisjoint(paths):
            return None
        at, (tree, first) = int(lane.since), where
        behind = first + len(paths)
        before, written = tree.read[first:behind], tree.written[first:behind]
        oldest = min(before)
        if (
            at - oldest > lane.longest_unread
            or oldest * NANOSECONDS < max(written)
            or max(tree.sizes[first:behind]) >= READ_ALONE_FROM
        ):
            return None
        tree.read[first:behind] = array("I", [at]) * len(paths)
        return sightings_of(paths, tree, first, at)

    def _at_bell(self, seconds: float) -> list[Done]:
        """Files that are done by then are handed in; a large one is kept, or lost."""
        if self._rung:
            for lane in self.lanes.values():
                lane.since = self.now + seconds
            self._pass(self.now + seconds)
            return []
        self._rung = True
        done = []
        for lane in self.lanes.values():
            kept: list[_Reading] = []
            for reading in (*lane.running, *lane.waiting):
                whole = len(reading.task.files) == 1
                if whole and self._resident and reading in lane.running:
                    kept.append(reading)
                    continue
                was_read, count, size = reading.total - reading.left, 0, 0
                if not whole:
                    while size + reading.task.files[count].size <= was_read:
                        size += reading.task.files[count].size
                        count += 1
                self.lost_at_bells += round(was_read - size)
                if was_read - size > 0:
                    self.lost.append(
                        (self.now, lane.name, reading.task.files[0].path, round(was_read - size))
                    )
                readings = self._read(lane, reading, count) if lane.side.mounted else []
                done.append(Done(reading.task, readings))
            lane.running, lane.waiting = kept, deque()
        return done

    def _resume(self) -> None:
        """A new window begins: what was kept goes on, from its start where it was touched."""
        for lane in self.lanes.values():
            lane.since = self.now
            for reading in lane.running:
                reading.is_as_begun(lane.side)


_GONE: Final = Trouble(CHANGED_WHILE_READ, "It was gone when it was to be read.")
