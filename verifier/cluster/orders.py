"""What travels between the calling machine and a worker: frozen values, and no behaviour."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from msgspec import Struct

from verifier.engine import Terms
from verifier.model import How, Sighting

TOPIC = "verifier-progress"
"""Under which workers tell how far they are."""


class Orders(Struct, frozen=True):
    """What every reader of one engine keeps to.  Of two, the one with the higher ``serial`` holds.

    ``terms`` are those of one worker: of a ceiling they name its share.
    """

    engine: str
    serial: int
    terms: Terms
    hold: bool = False
    stop: bool = False


class Expected(Struct, frozen=True):
    """What a place looks like from the calling machine, by which a worker's is recognised.

    ``seen`` are some of its paths, by sizes and dates.  ``number`` tells apart what was opened at
    different times: a place is recognised anew each time it is opened.
    """

    number: int
    root: bytes
    empty: bool
    seen: tuple[Sighting, ...]
    how: How


class Found(Struct, frozen=True):
    """The same, from a worker.  ``trouble`` says in a sentence why it could not be looked at."""

    seen: tuple[Sighting, ...] = ()
    empty: bool = False
    how: How | None = None
    trouble: str | None = None


class Batch(Struct, frozen=True):
    """A task for a worker: ``task(place, *arguments, watch)``, with all that it needs to start.

    ``sent`` and ``steady`` are the caller's two clocks when it was sent.
    """

    orders: Orders
    number: int
    expected: Expected
    task: Callable[..., Any]
    arguments: tuple[Any, ...]
    sent: float
    steady: float


class Answer(Struct, frozen=True):
    """What came of a batch: a result, an error, or that the worker sees another tree."""

    worker: str
    bytes_read: int = 0
    result: Any = None
    error: Exception | None = None
    unlike: Found | None = None


class Told(Struct, frozen=True):
    """What a worker says of itself.  ``now`` is what its clock shows, in seconds since 1970."""

    name: str
    threads: int
    version: str
    python: str
    library: str
    now: float
