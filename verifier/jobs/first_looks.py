"""The first look at places of which nothing is known: walked, and small files read, in one go.

Small files take longer to be opened than to be read, and longer still to be recorded twice, once
as seen and once as read.  Larger ones are only seen here; the scheduler has them read in its
order.  All places are gone through side by side, for a while: what is not done by then, and what
a bell or a fault cuts off, is walked and read as in every other shift.
"""

from __future__ import annotations

import math
import queue
from collections import Counter, defaultdict, deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from typing import Final, Protocol

from verifier.engine import BellRang, Watch
from verifier.errors import PlaceUnreachable, Stopped
from verifier.ignore import Ignore
from verifier.ledger import HELD_FOR, FirstLook, Ledger, Part, PlaceName
from verifier.model import FirstSight, Sighting
from verifier.places.base import Look, Place, unpack_first
from verifier.reading import batches
from verifier.scheduler import GRACE, Status
from verifier.unlisted import Unlisted
from verifier.walker import Entry, walk

AT_MOST: Final = 1200.0
"""Seconds after which what is left is walked and read as usual: an enormous share that is new
does not keep the others waiting."""

HELD_BYTES: Final = 32 * 1024 * 1024
"""Bytes whose reading a crash has repeated, where a tenth of a second is long.  There is but one
first look at a place, so that it may be more than in later readings."""

_TURN: Final = 0.5
"""Seconds that answers are waited for before the clock is looked at again."""

_BATCH: Final = 1024
"""Paths of a batch: handing one over shows beside reading it and recording what came of it."""

_ONLY_LOOK: Final = Look(content=False)


class Lookers(Protocol):
    """Those who look."""

    def has_room(self, place: PlaceName, under_way: int) -> bool:
        """Whether the place can do with one batch more."""

    def look_first(self, name: PlaceName, place: Place, entries: list[Entry]) -> Future[bytes]:
        """Have a batch of entries looked at, and the small files among them read."""

    def watch(self, place: PlaceName) -> Watch:
        """What this process itself has to heed when it looks at a place."""

    def bytes_read(self, place: PlaceName) -> int:
        """Bytes that came off a place so far."""


class _Recorded:
    """How far the batches of a place are recorded without a gap; they come back in any order."""

    def __init__(self) -> None:
        self._next = 0
        self._early: dict[int, bytes] = {}
        self.upto = b""
        """The last path up to there."""

    def add(self, number: int, last: bytes) -> None:
        """The batch of that number, which ends with that path, is recorded."""
        self._early[number] = last
        while (following := self._early.pop(self._next, None)) is not None:
            self.upto = following
            self._next += 1


class _Under:
    """One place under way."""

    def __init__(self, place: Place, look: FirstLook, entries: Iterator[list[Entry]]) -> None:
        self.place = place
        self.look = look
        self.entries = entries
        self.sent = 0
        self.recorded = _Recorded()
        self.to_agree: deque[Part] = deque()
        """Of a mirror: what its source holds, and it is still to be looked at."""
        self.listed = False
        """Nothing of it is to be sent any more."""
        self.whole = True
        """Nothing that was sent has come back undone."""
        self.lost: PlaceUnreachable | None = None


class FirstLooks:
    """Looks at some places for the first time.

    ``lookers`` look, ``each_turn`` is called again and again meanwhile and raises what is to end
    it, and ``now`` tells the seconds since 1970.
    """

    def __init__(
        self,
        ledger: Ledger,
        lookers: Lookers,
        each_turn: Callable[[], object],
        now: Callable[[], float],
    ) -> None:
        self._ledger = ledger
        self._lookers = lookers
        self._each_turn = each_turn
        self._now = now
        self._under: dict[PlaceName, _Under] = {}
        self._answers: queue.SimpleQueue[tuple[PlaceName, int, list[Entry], Future[bytes]]] = (
            queue.SimpleQueue()
        )
        self._outstanding: Counter[PlaceName] = Counter()
        self._started = self._committed_at = 0.0
        self._bytes_before: dict[PlaceName, int] = {}
        self.seconds: dict[PlaceName, float] = {}
        """How long each place was being looked at."""
        self.came_off: dict[PlaceName, int] = {}
        """Bytes that came off each place meanwhile."""
        self.unlisted: defaultdict[PlaceName, Unlisted] = defaultdict(Unlisted)
        """Of each place, what could not be listed."""

    def add(self, name: PlaceName, place: Place, ignore: Ignore, look: FirstLook) -> None:
        """One more place."""
        self._under[name] = _Under(place, look, batches(walk(place, ignore), _BATCH))
        self._bytes_before[name] = self._lookers.bytes_read(name)

    def run(
        self, bell: float | None = None
    ) -> tuple[set[PlaceName], dict[PlaceName, PlaceUnreachable]]:
        """Look; which places were gone through, and which turned out to be out of reach.

        Raises BellRang at the ``bell``, in seconds since 1970, and what ``each_turn``, the readers
        and the ledger raise; what was seen by then, and is recorded as seen and read, stays.
        """
        end = math.inf if bell is None else bell
        self._started = self._committed_at = self._now()
        try:
            while True:
                self._each_turn()
                now = self._now()
                if now >= end:
                    self._take_what_comes_back(end + GRACE)
                    raise BellRang
                if now - self._started < AT_MOST:
                    self._fill()
                if not self._outstanding.total():
                    break
                self._take(min(_TURN, end - now))
                self._commit_in_time()
        finally:
            self._commit()
        return self._ended()

    @property
    def files_read(self) -> int:
        """Files whose reading is recorded."""
        return sum(under.look.files_read for under in self._under.values())

    def status(self) -> Status | None:
        """How far it is; how much there is to read is not known before all is seen."""
        for name in self._under:
            if self._outstanding[name]:
                return Status(name, self._came_off(name), None, None, None, None)
        return None

    def _came_off(self, name: PlaceName) -> int:
        return self._lookers.bytes_read(name) - self._bytes_before[name]

    def _fill(self) -> None:
        waiting = [name for name, under in self._under.items() if not under.listed]
        while waiting:
            for name in list(waiting):
                under = self._under[name]
                entries = None
                if self._lookers.has_room(name, self._outstanding[name]):
                    entries = self._next(under)
                if entries is None:
                    waiting.remove(name)
                else:
                    self._send(name, under, entries)

    def _next(self, under: _Under) -> list[Entry] | None:
        try:
            entries = next(under.entries, None)
        except PlaceUnreachable as error:
            under.lost, entries = error, None
        under.listed = under.listed or entries is None
        return entries

    def _send(self, name: PlaceName, under: _Under, entries: list[Entry]) -> None:
        self._outstanding[name] += 1
        number, under.sent = under.sent, under.sent + 1
        answer = self._lookers.look_first(name, under.place, entries)
        answer.add_done_callback(lambda done: self._answers.put((name, number, entries, done)))

    def _take(self, seconds: float) -> bool:
        """What has been looked at; waits for something so long, and says if it came."""
        came = False
        try:
            self._taken(*self._answers.get(timeout=seconds))
            came = True
            while True:
                self._taken(*self._answers.get_nowait())
        except queue.Empty:
            return came

    def _take_what_comes_back(self, until: float) -> None:
        """At the bell readers hand in what they have."""
        while self._outstanding.total() and (left := until - self._now()) > 0:
            if not self._take(left):
                return

    def _taken(
        self, name: PlaceName, number: int, entries: list[Entry], answer: Future[bytes]
    ) -> None:
        self._outstanding[name] -= 1
        self.seconds[name] = max(0.0, self._now() - self._started)
        self.came_off[name] = self._came_off(name)
        under = self._under[name]
        error = answer.exception()
        if isinstance(error, PlaceUnreachable):
            under.lost, under.listed = under.lost or error, True
        elif isinstance(error, (BellRang, Stopped)):
            under.whole = False
        elif error is not None:
            raise error
        if error is not None or under.lost is not None:
            return
        seen = unpack_first(answer.result())
        others = seen.others
        unlisted = [each.sighting() for each in entries if each.trouble is not None]
        under.whole = under.whole and len(seen) + len(unlisted) == len(entries)
        if unlisted or [each for each in others if each.trouble is not None]:
            try:
                # What fails because the whole place is gone is no trouble of its files.
                under.place.check()
            except PlaceUnreachable as gone:
                under.lost, under.listed = gone, True
                return
            others = [*self._without_trouble(name, under.place, others), *unlisted]
        for folder in unlisted:
            self.unlisted[name].add(folder.path)
        under.look.add(FirstSight(seen.read, others))
        under.recorded.add(number, entries[-1].path)

    def _without_trouble(
        self, name: PlaceName, place: Place, seen: list[Sighting]
    ) -> Iterator[Sighting]:
        """What could not be read is seen and unread, so that its turn comes as any other's."""
        for each in seen:
            if each.trouble is None:
                yield each
        troubled = [each.path for each in seen if each.trouble is not None]
        watch = self._lookers.watch(name)
        for each in place.look_at(troubled, frozenset(), _ONLY_LOOK, self._now, watch):
            # What has gone meanwhile is left to the next walk.
            if each.trouble is None or not each.trouble.unsettled:
                yield each

    def _commit_in_time(self) -> None:
        held = sum(under.look.held_bytes for under in self._under.values())
        passed = self._now() - self._committed_at
        if held >= HELD_BYTES or not 0 <= passed < HELD_FOR:  # a clock may be set back
            self._commit()

    def _commit(self) -> None:
        at = int(self._now())
        with self._ledger.transaction():
            for name, under in self._under.items():
                under.look.commit(at)
                parts = under.look.take_parts()
                if name.is_source:
                    for mirror in self._mirrors_of(name):
                        self._under[mirror].to_agree += parts
            for name in self._under:
                self._agree(name, at)
        self._committed_at = self._now()

    def _mirrors_of(self, source: PlaceName) -> list[PlaceName]:
        return [name for name in self._under if name.share == source.share and name != source]

    def _agree(self, mirror: PlaceName, at: int) -> None:
        """Agree on what both sides hold by now, while readers read: later they would be idle."""
        under, ready = self._under[mirror], list[Part]()
        all_seen = under.listed and not self._outstanding[mirror]
        while under.to_agree:
            folder, _, last = under.to_agree[0]
            if not all_seen and folder + last > under.recorded.upto:
                break
            ready.append(under.to_agree.popleft())
        if ready:
            self._ledger.agreements.agree_at_first(mirror, ready, at)

    def _ended(self) -> tuple[set[PlaceName], dict[PlaceName, PlaceUnreachable]]:
        whole, lost = set(), {}
        for name, under in self._under.items():
            if under.lost is None and under.listed:
                try:
                    under.place.check()
                except PlaceUnreachable as error:
                    under.lost = error
            if under.lost is not None:
                lost[name] = under.lost
            elif under.listed and under.whole:
                under.look.end(int(self._now()))
                whole.add(name)
        return whole, lost
