"""A damaged pair examined: both contents side by side, within bounds on time and bytes."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack, closing
from typing import Final

from msgspec import structs

from verifier.damage import Bounds, examine
from verifier.model import Cause, Damage, Kind, Sighting, Trouble
from verifier.places.base import OpenFile, Place

DAMAGE_EACH: Final = Bounds(seconds=60.0, bytes_read=8 * 1024**3, ranges=1_000)
"""How far one damaged pair is examined on the way; `damage` examines the whole."""

DAMAGE_SECONDS_IN_ALL: Final = 900.0
"""Seconds that one job spends on examining damage; later findings come without a picture."""

UNSTABLE: Final = Trouble(
    Cause.UNSTABLE_READ,
    "Two readings gave different contents, though the file was not changed in between.",
)


class Side:
    """One side of a pair: the place, what was seen there, and who is told of the bytes read."""

    def __init__(
        self, place: Place | None, sighting: Sighting | None, has_read: Callable[[int], object]
    ) -> None:
        self.place = place
        self.sighting = sighting
        self.has_read = has_read


class Examination:
    """Examines pairs until its time is used up."""

    def __init__(
        self,
        seconds: float = DAMAGE_SECONDS_IN_ALL,
        clock: Callable[[], float] = time.perf_counter,
    ) -> None:
        self._seconds = seconds
        self._clock = clock

    def of(self, source: Side, mirror: Side, at_most: float | None = None) -> Damage | None:
        """Where and how two contents differ, if both are files at hand and there is time.

        ``at_most`` are the seconds that there are for this one.  What ``has_read`` raises ends it.
        """
        here, there = source.sighting, mirror.sighting
        if source.place is None or mirror.place is None or here is None or there is None:
            return None
        if here.kind is not Kind.FILE or there.kind is not Kind.FILE:
            return None
        bounds = DAMAGE_EACH
        if at_most is not None:
            assert bounds.seconds is not None
            bounds = structs.replace(bounds, seconds=min(bounds.seconds, at_most))
        if here.digest == there.digest or self._seconds <= 0 or (bounds.seconds or 0) <= 0:
            return None
        started = self._clock()
        try:
            with ExitStack() as opened:
                return examine(
                    _Counted(opened, source.place, here, source.has_read),
                    _Counted(opened, mirror.place, there, mirror.has_read),
                    bounds,
                    self._clock,
                )
        except OSError:
            return None  # it could be read twice; the picture is what is missing, not the verdict
        finally:
            self._seconds -= self._clock() - started


def without_difference(damage: Damage | None) -> bool:
    """True when a whole examination found not one byte that differs: no reading is believed."""
    return damage is not None and damage.complete and not damage.differing_bytes


class _Counted:
    """An open file whose reads are told of."""

    def __init__(
        self,
        opened: ExitStack,
        place: Place,
        sighting: Sighting,
        has_read: Callable[[int], object],
    ) -> None:
        self._file: OpenFile = opened.enter_context(closing(place.open(sighting.path)))
        self._has_read = has_read
        self.size = self._file.size
        self.fingerprints = sighting.fingerprints

    def read_at(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset``.  Raises OSError."""
        block = self._file.read_at(offset, length)
        self._has_read(len(block))
        return block
