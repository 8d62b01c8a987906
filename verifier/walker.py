"""A tree into a sorted stream of its paths.  Lists folders; opens no file, follows no link.

Entries come in the order of their whole paths' bytes, which is the order of manifests: a
folder's contents sort as if its name ended in a slash.  Listing starts in the caller's thread
alone, which is fastest where folders are at hand; once listing is seen to wait, a crew of
threads lists ahead, so that a server with 5 ms a call is asked for many folders at once.
"""

from __future__ import annotations

import heapq
import threading
import time
from collections.abc import Callable, Iterator
from itertools import islice
from operator import itemgetter
from typing import Final, TypeVar

from msgspec import Struct

from verifier.errors import PlaceUnreachable
from verifier.ignore import Ignore
from verifier.model import Kind, Sighting, Trouble
from verifier.places.base import Place, WalksItself, trouble_of
from verifier.spill import SortedSpill

CREW: Final = 32
"""Threads that list ahead on a slow place."""

SLOW_LISTING: Final = 0.0005
"""Seconds of waiting a folder, on average, from which listing ahead pays."""

PATIENCE: Final = 0.02
"""Seconds of waiting in all before a crew is called."""

OTHERS_TURN: Final = 4.0
"""Seconds of waiting for each of a listing's own processor time that are put down to the processor
and not to the place: on two cores with readers at work it is some two."""

LISTED_AHEAD: Final = 100_000
"""Names that may wait in memory, listed but not yet passed."""

NAMES_IN_MEMORY: Final = 50_000
"""Names of one folder that are sorted in memory; a fuller folder is sorted through disk."""


_NAMES_AT_ONCE: Final = 1000


class Entry(Struct, frozen=True, gc=False):
    """A path that is to be looked at, or, with trouble, a folder that could not be listed."""

    path: bytes
    kind: Kind
    trouble: Trouble | None = None

    def sighting(self) -> Sighting:
        """The sighting of a folder that could not be listed."""
        return _unlisted(self.path, Kind.OTHER, self.trouble)


_Name = tuple[bytes, Kind | Sighting | None]
"""One name of a listed folder, in the order in which the walk comes to it.

A folder has neither kind nor sighting, and stands in its parent's listing twice: as ``name`` to
find out whether it can be listed, where its own sighting would sort, and as ``name/`` where its
contents sort.
"""

_key = itemgetter(0)


class _Listing:
    """A folder's names in order, or the trouble that kept them from being listed."""

    def __init__(self, trouble: Trouble | None = None) -> None:
        self.names: SortedSpill[_Name] = SortedSpill(_Name, _key, NAMES_IN_MEMORY)
        self.folders: list[bytes] = []
        self.trouble = trouble


def walk(place: Place, ignore: Ignore | None = None) -> Iterator[Entry]:
    """Every file, link and other below the place's root, sorted by path.

    A folder that cannot be listed is an entry with trouble; one that has gone since its parent
    was listed is passed over.  Raises PlaceUnreachable when the root cannot be listed.
    """
    if isinstance(place, WalksItself):
        return (
            Entry(each.path, each.kind, each.trouble) for each in place.walk(ignore or Ignore())
        )
    return _depth_first(place, _Lister(place.list_folder, ignore or Ignore()), Entry)


def walk_dated(place: Place, ignore: Ignore | None = None) -> Iterator[Sighting]:
    """As `walk`, with sizes and dates, which are taken while a folder is listed."""
    if isinstance(place, WalksItself):
        return place.walk(ignore or Ignore())
    return _depth_first(place, _Lister(place.list_dated, ignore or Ignore()), _unlisted)


def _unlisted(path: bytes, kind: Kind, trouble: Trouble | None = None) -> Sighting:
    return Sighting(path, kind, 0, 0, trouble=trouble)


_List = Callable[[bytes], Iterator[tuple[bytes, Kind | Sighting | None]]]
E = TypeVar("E", Entry, Sighting)


def _depth_first(
    place: Place, lister: _Lister, make: Callable[[bytes, Kind, Trouble | None], E]
) -> Iterator[E]:
    """Without recursion: a tree may be deeper than Python's stack."""
    probed: dict[bytes, _Listing] = {}
    stack: list[tuple[bytes, _Listing, Iterator[_Name]]] = []
    try:
        place.check()
        top = lister.take(b"")
        if top.trouble is not None:
            raise PlaceUnreachable(
                f"{place.at} cannot be listed. {top.trouble.detail} See what is wrong with it, "
                "then start again."
            )
        stack.append((b"", top, iter(top.names)))
        while stack:
            prefix, listing, names = stack[-1]
            for name, seen in names:
                if type(seen) is Sighting:
                    yield seen  # type: ignore[misc]  # a dated listing makes sightings
                    continue
                if seen is not None:
                    yield make(prefix + name, seen, None)  # type: ignore[arg-type]
                    continue
                path = prefix + name
                if not name.endswith(b"/"):
                    below = lister.take(path)
                    if below.trouble is None:
                        probed[path] = below
                    elif not below.trouble.unsettled:
                        yield make(path, Kind.OTHER, below.trouble)
                elif path[:-1] in probed:
                    below = probed.pop(path[:-1])
                    stack.append((path, below, iter(below.names)))
                    break
            else:
                stack.pop()
                listing.names.close()
    finally:
        lister.close()
        for left in (*(each[1] for each in stack), *probed.values()):
            left.names.close()


class _Lister:
    """Lists folders when they are asked for, and ahead of that once the place proves slow."""

    def __init__(self, list_folder: _List, ignore: Ignore) -> None:
        self._list_folder = list_folder
        self._ignore = ignore
        self._lock = threading.Lock()
        self._work = threading.Condition(self._lock)
        self._done = threading.Condition(self._lock)
        self._known: set[bytes] = set()
        self._order: list[bytes] = []
        self._busy: set[bytes] = set()
        self._listed: dict[bytes, _Listing | Exception] = {}
        self._ahead = 0
        self._crew: list[threading.Thread] = []
        self._waited = self._worked = 0.0
        self._count = 0
        self._closing = False

    def take(self, folder: bytes) -> _Listing:
        """The listing of ``folder``, which is asked for once only."""
        if not self._crew:
            return self._take_here(folder)
        with self._lock:
            while folder in self._busy:
                self._done.wait()
            listed = self._listed.pop(folder, None)
            if isinstance(listed, Exception):
                raise listed
            if listed is not None:
                self._ahead -= len(listed.names)
                self._work.notify()
                return listed
            self._known.discard(folder)
        listing = self._list(folder)
        with self._lock:
            self._remember_folders(listing)
        return listing

    def close(self) -> None:
        """Let the crew go; one that waits for a dead server is not waited for."""
        with self._lock:
            self._closing = True
            self._work.notify_all()
            for listed in self._listed.values():
                if isinstance(listed, _Listing):
                    listed.names.close()

    def _take_here(self, folder: bytes) -> _Listing:
        self._known.discard(folder)
        started, working = time.perf_counter(), time.thread_time()
        listing = self._list(folder)
        worked = time.thread_time() - working
        self._waited += time.perf_counter() - started - worked
        self._worked += worked
        self._count += 1
        self._remember_folders(listing)
        slow = max(PATIENCE, SLOW_LISTING * self._count, OTHERS_TURN * self._worked)
        if self._waited > slow:
            self._call_crew()
        return listing

    def _call_crew(self) -> None:
        self._order = sorted(folder + b"/" for folder in self._known)
        self._crew = [
            threading.Thread(target=self._list_ahead, name="list-ahead", daemon=True)
            for _ in range(CREW)
        ]
        for thread in self._crew:
            thread.start()

    def _list_ahead(self) -> None:
        with self._lock:
            while True:
                while not self._closing and (not self._order or self._ahead >= LISTED_AHEAD):
                    self._work.wait()
                if self._closing:
                    return
                folder = heapq.heappop(self._order)[:-1]
                if folder not in self._known:
                    continue  # the walk came to it first
                self._known.discard(folder)
                self._busy.add(folder)
                self._lock.release()
                listed: _Listing | Exception
                try:
                    listed = self._list(folder)
                except Exception as error:  # it goes to whoever asks for this folder
                    listed = error
                finally:
                    self._lock.acquire()
                    self._busy.discard(folder)
                self._listed[folder] = listed
                if isinstance(listed, _Listing):
                    self._ahead += len(listed.names)
                    self._remember_folders(listed)
                self._done.notify_all()

    def _remember_folders(self, listing: _Listing) -> None:
        room = LISTED_AHEAD - len(self._known)
        for folder in listing.folders[: max(0, room)]:
            self._known.add(folder)
            if self._crew:
                heapq.heappush(self._order, folder + b"/")
                self._work.notify()
        listing.folders = []

    def _list(self, folder: bytes) -> _Listing:
        prefix = folder + b"/" if folder else b""
        listing = _Listing()
        try:
            items = self._list_folder(folder)
            while names := list(islice(items, _NAMES_AT_ONCE)):
                if self._ignore:
                    names = [item for item in names if not self._ignores(prefix, *item)]
                listing.names.extend(names)
                folders = [name for name, seen in names if seen is None]
                listing.names.extend((name + b"/", None) for name in folders)
                listing.folders += [prefix + name for name in folders]
        except OSError as error:
            listing.names.close()
            return _Listing(trouble_of(error))
        return listing

    def _ignores(self, prefix: bytes, name: bytes, seen: Kind | Sighting | None) -> bool:
        if seen is None:
            return self._ignore.ignores_folder(prefix + name)
        return self._ignore.ignores(prefix + name)
