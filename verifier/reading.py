"""A place's entries into a sorted stream of sightings, read by many readers at once.

Batches of paths go to a lane ahead of the caller; what they give back is handed on in order.
Memory is bounded by the number of batches ahead, not by the size of the tree.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from itertools import islice
from typing import Final

from msgspec import structs

from verifier.engine import BellRang, Lane, Watch
from verifier.ignore import Ignore
from verifier.model import Kind, Sighting
from verifier.places.base import Look, Place, ReadsSmallFiles, pack, pack_first, unpack
from verifier.walker import Entry, walk, walk_dated

BATCH: Final = 512
"""Paths of a batch: enough that handing it over costs little beside reading it."""

FIRST_BATCH: Final = 32
"""Paths of the first batch; each next one is twice as large, so that small trees use all
readers too."""

FIRST_BATCHES: Final = 4
"""Batches that are sent before the first sighting is asked for."""

BATCHES_AHEAD: Final = 48
"""Batches that may be on their way or wait for an earlier one: some 25,000 paths."""

_FILE: Final = Kind.FILE
"""Looked up once: asking the enumeration for each path shows in trees of small files."""

INODES_REMEMBERED: Final = 100_000
"""Files with several names whose content is remembered; beyond, one may be read twice."""


def read_tree(
    place: Place,
    lane: Lane,
    look: Look,
    ignore: Ignore | None = None,
    now: Callable[[], float] = time.time,
) -> Iterator[Sighting]:
    """Every sighting below the place's root, in order of path.

    Where no content is asked for the lane is not used: sizes and dates come with the listing.
    """
    if not look.content:
        return walk_dated(place, ignore)
    return sightings(place, walk(place, ignore), lane, look, now)


def sightings(
    place: Place,
    entries: Iterable[Entry],
    lane: Lane,
    look: Look,
    now: Callable[[], float] = time.time,
) -> Iterator[Sighting]:
    """The sightings of ``entries``, in their order.

    Reading begins at once, not with the first sighting that is asked for, so that two places
    are read side by side from their first files on.
    ``now`` gives the seconds since 1970 and must be a function that can be sent to a reader.
    Raises what a lane raises: ReadersLost, Stopped; and BellRang behind the last sighting that
    was taken before the bell.
    """
    ahead = _Ahead(place, lane, look, now)
    groups = batches(entries, BATCH)
    waiting: deque[_Batch] = deque()

    def send(ahead_of: int) -> None:
        while len(waiting) < ahead_of and (group := next(groups, None)) is not None:
            waiting.append(ahead.send(group))

    def in_order() -> Iterator[Sighting]:
        while waiting:
            send(BATCHES_AHEAD)
            yield from waiting.popleft().in_order(ahead)
            send(FIRST_BATCHES)

    send(FIRST_BATCHES)
    return in_order()


def read_again(
    place: Place, first: Sighting, lane: Lane, look: Look, now: Callable[[], float]
) -> Future[bytes]:
    """A second look at one path, its content past the cache if ``look`` asks for content.

    `sighting_from` gives what it saw.
    """
    if first.kind is not Kind.FILE or not look.content:
        only_look = Look(content=False)
        return lane.submit(
            0, look_at_packed, place, [first.path], frozenset({0}), only_look, now, long=True
        )
    past_cache = Look(content=True, past_cache=True)
    return lane.submit(0, read_alone_packed, place, first.path, past_cache, now, long=True)


def sighting_from(answer: Future[bytes]) -> Sighting:
    """What a second look saw.  Waits for it."""
    return unpack(answer.result())[0]


def batches(entries: Iterable[Entry], at_most: int) -> Iterator[list[Entry]]:
    """Entries as they are handed over to readers, few at first and then so many at a time."""
    size = FIRST_BATCH
    remaining = iter(entries)
    while group := list(islice(remaining, size)):
        yield group
        size = min(2 * size, at_most)


def send_batch(
    lane: Lane,
    rank: int,
    place: Place,
    entries: Sequence[Entry],
    look: Look,
    now: Callable[[], float],
) -> Future[bytes]:
    """Have a batch looked at; the packed sightings of those of its entries that have no trouble."""
    paths, not_files = _asked(entries)
    return lane.submit(rank, look_at_packed, place, paths, not_files, look, now)


def send_first_batch(
    lane: Lane,
    rank: int,
    place: ReadsSmallFiles,
    entries: Sequence[Entry],
    now: Callable[[], float],
) -> Future[bytes]:
    """As `send_batch`, of what nothing is known of: the packed first sight of it."""
    paths, not_files = _asked(entries)
    return lane.submit(rank, read_small_packed, place, paths, not_files, now)


def _asked(entries: Sequence[Entry]) -> tuple[list[bytes], frozenset[int]]:
    """The paths of what can be looked at, and which of them must not be opened."""
    asked = [entry for entry in entries if entry.trouble is None]
    not_files = [number for number, entry in enumerate(asked) if entry.kind is not _FILE]
    return [entry.path for entry in asked], frozenset(not_files)


class _Batch:
    """Some entries on their way, and the files among them that are read by tasks of their own."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self._entries = entries
        self.looked_at: Future[list[Sighting]] = Future()
        self.alone: dict[int, Future[bytes]] = {}

    def in_order(self, ahead: _Ahead) -> Iterator[Sighting]:
        looked_at = self.looked_at.result()
        if not self.alone and len(looked_at) == len(self._entries):
            return iter(looked_at)
        return self._one_by_one(ahead, iter(looked_at))

    def _one_by_one(self, ahead: _Ahead, found: Iterator[Sighting]) -> Iterator[Sighting]:
        number = 0
        for entry in self._entries:
            if entry.trouble is not None:
                yield entry.sighting()
                continue
            sighting = next(found, None)
            if sighting is None:
                raise BellRang
            reading = self.alone.get(number)
            number += 1
            if reading is None:
                yield sighting
            else:
                yield ahead.under_own_name(sighting_from(reading), sighting)


class _Ahead:
    """Sends batches, and for each that comes back the reading of its large files."""

    def __init__(self, place: Place, lane: Lane, look: Look, now: Callable[[], float]) -> None:
        self._place = place
        self._lane = lane
        self._look = look
        self._now = now
        self._sent = 0
        self._lock = threading.Lock()
        self._inodes: OrderedDict[tuple[int, int], Future[bytes]] = OrderedDict()

    def send(self, entries: Sequence[Entry]) -> _Batch:
        batch = _Batch(entries)
        rank, self._sent = self._sent, self._sent + 1
        answer = send_batch(self._lane, rank, self._place, entries, self._look, self._now)
        answer.add_done_callback(lambda done: self._came_back(batch, rank, done))
        return batch

    def _came_back(self, batch: _Batch, rank: int, done: Future[bytes]) -> None:
        """Runs in whatever thread the answer arrives in; an error travels on in the batch."""
        try:
            found = unpack(done.result())
            if self._look.content:
                for number, sighting in enumerate(found):
                    if _still_to_be_read(sighting):
                        batch.alone[number] = self._read_alone(sighting, rank)
        except BaseException as error:
            batch.looked_at.set_exception(error)
        else:
            batch.looked_at.set_result(found)

    def _read_alone(self, sighting: Sighting, rank: int) -> Future[bytes]:
        if sighting.links <= 1:
            return self._submit_alone(sighting, rank)
        inode = (sighting.device, sighting.inode)
        with self._lock:
            reading = self._inodes.get(inode)
            if reading is None:
                reading = self._inodes[inode] = self._submit_alone(sighting, rank)
                if len(self._inodes) > INODES_REMEMBERED:
                    self._inodes.popitem(last=False)
        return reading

    def under_own_name(self, read: Sighting, sighting: Sighting) -> Sighting:
        """What was read of a file under one of its names, for another one of them."""
        if read.path == sighting.path:
            return read
        if not read.untouched_since(sighting):
            # It changed after it was read under its first name: it has to be read again.
            return sighting_from(self._submit_alone(sighting, 0))
        return structs.replace(read, path=sighting.path)

    def _submit_alone(self, sighting: Sighting, rank: int) -> Future[bytes]:
        return self._lane.submit(
            rank, read_alone_packed, self._place, sighting.path, self._look, self._now, long=True
        )


def _still_to_be_read(sighting: Sighting) -> bool:
    return sighting.kind is _FILE and sighting.digest is None and sighting.trouble is None


def look_at_packed(
    place: Place,
    paths: Sequence[bytes],
    not_files: frozenset[int],
    look: Look,
    now: Callable[[], float],
    watch: Watch,
) -> bytes:
    """What a reader is sent: some paths looked at, their sightings packed."""
    return pack(place.look_at(paths, not_files, look, now, watch))


def read_small_packed(
    place: ReadsSmallFiles,
    paths: Sequence[bytes],
    not_files: frozenset[int],
    now: Callable[[], float],
    watch: Watch,
) -> bytes:
    """What a reader is sent: some paths seen first, what it saw packed."""
    return pack_first(place.read_small(paths, not_files, now, watch))


def read_alone_packed(
    place: Place, path: bytes, look: Look, now: Callable[[], float], watch: Watch
) -> bytes:
    """What a reader is sent: one file read, its sighting packed."""
    return pack([place.read_alone(path, look, now, watch)])
