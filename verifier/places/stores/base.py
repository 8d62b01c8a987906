"""What an object store must be able to do, whoever answers.  Lists and reads; never writes."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator
from typing import Final, NamedTuple, Protocol, TypeVar

import xxhash
from msgspec import Struct

from verifier.errors import PlaceUnreachable
from verifier.places.stores.word import Word

T = TypeVar("T")

HOW_TO_INSTALL: Final = "pip install 'copy-verifier[objects]'"

WAITS: Final = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Seconds between two tries of one request, growing: a store that throttles wants to be asked
less, and one that is down for longer than these is down."""

_SLICE: Final = 0.1
"""Seconds of such a wait after which the bell is looked at."""


class Item(NamedTuple):
    """One object as its store tells of it.

    ``uploaded_ns`` is when it was put there, in whole seconds as nanoseconds since 1970, since
    not every answer tells more.  ``tag`` changes with its content; empty where nothing tells.
    """

    key: str
    size: int
    uploaded_ns: int
    tag: str = ""

    @property
    def stamp(self) -> int:
        """The tag as a number of 63 bits, 0 for none."""
        return xxhash.xxh3_64_intdigest(self.tag.encode()) >> 1 if self.tag else 0


class StoreFailed(OSError):
    """What the store answered to one request is an error; ``again`` when asking again may help."""

    def __init__(self, number: int, said: str, again: bool = False) -> None:
        super().__init__(number, said)
        self.again = again


def gone() -> StoreFailed:
    """No such object stands there."""
    return StoreFailed(errno.ENOENT, "No such object")


def replaced() -> StoreFailed:
    """Another object stands there now than the one that was asked for."""
    return StoreFailed(errno.ESTALE, "Replaced while it was read")


def cut_short() -> StoreFailed:
    """The answer ended, or the connection broke, before all of it was there."""
    return StoreFailed(errno.EIO, "Answer cut short", again=True)


def without_packages(at: str) -> PlaceUnreachable:
    """What is asked for needs the extra that was not installed."""
    return PlaceUnreachable(
        f"{at} is in an object store, for which packages are missing. Install them with "
        f"{HOW_TO_INSTALL}, then start again."
    )


def out_of_step(error: OSError) -> bool:
    """True when the object was replaced or deleted since it was looked at."""
    return error.errno in (errno.ESTALE, errno.ENOENT)


class Stream(Protocol):
    """An object's content on its way, from where it was asked for."""

    @property
    def item(self) -> Item:
        """The whole object that it is of."""

    @property
    def word(self) -> Word | None:
        """What the store says of the whole content, where it does."""

    def fill(self, buffer: memoryview) -> int:
        """The bytes filled in, 0 at the end of what was asked for.  Raises StoreFailed."""

    def close(self) -> None:
        """Have the store send no more."""


class Store(Protocol):
    """A store, and below which key of it a tree begins.

    Keys are whole, and hold what all of them begin with.  Every call may raise StoreFailed, and
    PlaceUnreachable where the store as a whole does not answer or does not let us in.
    """

    below: str
    """What all keys of the tree begin with, up to a slash; empty for the whole store."""

    sorted: bool
    """Whether `everything` comes in the order of the keys' UTF-8 bytes."""

    def everything(self, below: str) -> Iterator[Item]:
        """Every object whose key begins with ``below``."""

    def folder(self, below: str) -> Iterator[tuple[str, Item | None]]:
        """What stands right below a key that ends in a slash, or is empty: names, None a folder."""

    def look(self, key: str) -> Item:
        """One object, without its content."""

    def read(self, key: str, start: int, end: int | None, known: Item | None) -> Stream:
        """An object's bytes from ``start``, up to ``end`` exclusive.

        With ``known`` only if it is still that one; else StoreFailed is raised, see `replaced`.
        """

    def reach(self, below: str) -> float | None:
        """Ask for one key; what time it is there, in seconds since 1970, if the store tells."""


class Patience(Struct, frozen=True):
    """How often, and after what waits in seconds, a request is tried again."""

    waits: tuple[float, ...] = WAITS
    sleep: Callable[[float], None] = time.sleep

    def ask(self, request: Callable[[], T], heed: Callable[[], None] = lambda: None) -> T:
        """What ``request`` gives; raises its last StoreFailed when no try helped.

        ``heed`` is called all the while and may raise to end it.
        """
        for number in range(len(self.waits) + 1):
            heed()
            try:
                return request()
            except StoreFailed as failed:
                if not failed.again or number == len(self.waits):
                    raise
            self.wait(number, heed)
        raise AssertionError("the last try returns or raises")

    def wait(self, number: int, heed: Callable[[], None]) -> None:
        """The wait after the try of that number, counted from 0."""
        left = self.waits[number]
        while left > 0:
            heed()
            self.sleep(min(left, _SLICE))
            left -= _SLICE
