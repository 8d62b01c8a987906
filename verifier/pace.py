"""How fast all readers together may read, and when they make room for others.

The arithmetic alone: nothing here may read a clock, sleep or ask the system; time, the shared
number and the system's pressure are passed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple, Protocol

BURST: Final = 0.2
"""Seconds of reading that are made up for after a stall; the rest of a stall is lost, so that
nobody is flooded after it."""

GRANTED_AT_ONCE: Final = 0.1
"""Seconds of reading that are granted at once at most.  With `BURST`, no ten seconds see more
than 3 % above the rate."""

_EVEN: Final = 4096
"""A grant that cannot be whole is a multiple of this, which is what disks read by."""


@dataclass(frozen=True)
class Pace:
    """How readers behave towards everybody else who uses the disks.

    ``bytes_per_second`` is what all readers of an engine read together at most; None is as fast
    as the disks.  With ``give_way`` the system serves everybody else first.  ``yield_above`` is the
    pressure from which readers hold, see `Yielding`: who has readers looks at it on this machine,
    and readers elsewhere are told to do so where they are.
    """

    bytes_per_second: float | None = None
    give_way: bool = False
    yield_above: float | None = None

    def __post_init__(self) -> None:
        rate = self.bytes_per_second
        if rate is not None and not (math.isfinite(rate) and rate > 0):
            raise ValueError(f"a pace must be a number over 0, not {rate}")


class SharedNumber(Protocol):
    """One number, at index 0, that every reader sees."""

    def __getitem__(self, index: int, /) -> float: ...
    def __setitem__(self, index: int, value: float, /) -> None: ...


class Answer(NamedTuple):
    """``granted`` bytes may be read now; when that is none, ask again in ``wait`` seconds."""

    granted: int
    wait: float


class Ceiling:
    """A token bucket that all readers share, kept as one moment (the generic cell rate algorithm).

    The moment is the one by which everything that was granted would have been read at exactly
    the rate.  While it lies ahead nothing is granted; it never lies further back than `BURST`.
    So a bucket of `BURST` seconds fills at the rate, and may be overdrawn by one grant: a reader
    who asks for little does not get ahead of one who asks for much.

    Ask with a lock held, and with a clock that all readers share.
    """

    def __init__(self, bytes_per_second: float, moment: SharedNumber) -> None:
        self._rate = bytes_per_second
        self._moment = moment
        most = max(1, int(bytes_per_second * GRANTED_AT_ONCE))
        self.most = most - most % _EVEN if most > _EVEN else most

    def begin(self, now: float) -> None:
        """From ``now`` on; nothing is saved up from before."""
        self._moment[0] = now

    def ask(self, wanted: int, now: float) -> Answer:
        """Whether, and how many of, ``wanted`` bytes may be read at ``now``; at most `most`."""
        moment = max(self._moment[0], now - BURST)
        # No grant reaches further ahead than this: whatever does is not of our making, such as a
        # number that a dying process left half-written, and must not keep readers waiting.
        latest = now + self.most / self._rate
        if moment > latest:
            moment = self._moment[0] = latest
        if moment > now:
            return Answer(0, moment - now)
        granted = min(wanted, self.most)
        self._moment[0] = moment + granted / self._rate
        return Answer(granted, 0.0)


RELEASE_AT: Final = 0.5
"""Share of the threshold below which a hold ends, so that it does not flicker around it."""

_MEMORY: Final = 10.0
"""Seconds over which the system's figure, avg10, forgets: it falls to 1/e in that time."""

_SLACK: Final = 5.0
"""Seconds by which a pressure may go later than its memory alone explains."""

PATIENCE_FROM: Final = 60.0
PATIENCE_TO: Final = 600.0
"""Seconds for which nothing is held after a hold that found nobody else, doubling from the first
to the second."""


class Yielding:
    """Whether readers are to hold because others wait for the disks.

    ``pressure`` gives the share of time, 0 to 1, in which somebody waits for a disk, averaged
    over the last ten seconds, or None when the system does not tell.  While readers hold, what is
    left of it is that of others, and a hold lasts as long as they press.  While readers read, it
    includes their own waiting.  A hold in which the pressure goes as fast as the figure forgets
    has shown that nobody else pressed; the next one then comes after a while only, so that a
    busy disk does not keep its only user from reading.
    """

    def __init__(self, above: float | None, pressure: Callable[[], float | None]) -> None:
        self._above = above
        self._pressure = pressure
        self._since: float | None = None
        self._explained_until = 0.0
        self._patience = 0.0
        self._not_before = -math.inf

    def tick(self, now: float) -> bool:
        """Look at the pressure at ``now``; True while readers are to hold."""
        if self._above is None:
            return False
        pressure = self._pressure()
        if pressure is None:
            self._since = None
        elif self._since is None:
            if pressure > self._above and now >= self._not_before:
                self._since = now
                forgotten = _MEMORY * math.log(pressure / max(self._release_at, 1e-3))
                self._explained_until = now + max(0.0, forgotten) + _SLACK
        elif pressure <= self._release_at:
            self._release(now)
        return self._since is not None

    def held_for(self, now: float) -> float:
        """Seconds since the hold that is on began; 0 while there is none."""
        return 0.0 if self._since is None else max(0.0, now - self._since)

    @property
    def _release_at(self) -> float:
        return RELEASE_AT * (self._above or 0.0)

    def _release(self, now: float) -> None:
        self._since = None
        if now > self._explained_until:
            self._patience = 0.0
        else:
            self._patience = min(max(2 * self._patience, PATIENCE_FROM), PATIENCE_TO)
        self._not_before = now + self._patience
