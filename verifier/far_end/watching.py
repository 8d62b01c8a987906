"""What a reader on the far end keeps to: the bell it was told, what it is allowed, who needs the
disks here.

Time is the time that has passed, by whichever of two clocks is ahead: one that somebody sets, or
one that stands still while the machine sleeps, must not make a bell late.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

from verifier import engine, system
from verifier.engine import LOOK_EVERY, BellRang
from verifier.pace import Ceiling, Yielding
from verifier.places.far.messages import FromThere, Parked, Progress, Terms, window_for

TOLD_EVERY: Final = 0.2
TOLD_AFTER: Final = 1024 * 1024
"""Seconds and bytes of reading after which the other side is told of it."""

LATE: Final = 0.8
"""Seconds after the bell in which what is being read may end by itself; then the process ends."""

PRESSURE_EVERY: Final = 1.0
"""Seconds between two looks at who else needs the disks."""


class FarWatch:
    """The one watch of this process.  Its signs come from the thread that listens."""

    def __init__(self, tell: Callable[[FromThere], None]) -> None:
        self._tell = tell
        self._signs = threading.Condition()
        self._terms = Terms()
        self._credit = 0
        self._began = False
        self._bell: tuple[float, float] | None = None
        self._parked = False
        self._working = False
        self._idle = False
        self._telling_since: float | None = None
        self._read = 0
        self._granted = 0
        """Bytes that were granted and have not been read, nor ever may be: a file can be shorter
        than it was said to be."""
        self._told_at = 0.0
        self._ceiling: Ceiling | None = None
        self._gave_way = False
        self._yielding = Yielding(None, system.io_pressure)
        self._looked_at = 0.0
        self._held = False
        threading.Thread(target=self._end_late, name="bell", daemon=True).start()

    # ------------------------------------------------------------------- what it is told

    def rest(self) -> None:
        """Nothing is asked for.  At the bell that was told last the process ends."""
        with self._signs:
            self._idle = True

    def rise(self) -> None:
        """Something is."""
        with self._signs:
            self._idle = False

    @contextmanager
    def telling(self) -> Iterator[None]:
        """Something is handed to the link, which may never take it."""
        self._telling_since = time.monotonic()
        try:
            yield
        finally:
            self._telling_since = None

    def begin(self, terms: Terms) -> None:
        """A question was asked that reads, under these terms."""
        with self._signs:
            self._take(terms)
            self._working = True
            self._signs.notify_all()

    def end(self) -> int:
        """The question is answered; the bytes that nobody was told of yet."""
        with self._signs:
            self._working = False
            self._give_back()
        untold, self._read = self._read, 0
        return untold

    def allow_more(self, count: int) -> None:
        """The other side allows so many bytes more."""
        with self._signs:
            self._credit += count
            self._signs.notify_all()

    def change(self, terms: Terms) -> None:
        """The bell is another one."""
        with self._signs:
            self._take(terms)
            self._parked = self._parked and self._rang()
            self._signs.notify_all()

    def _take(self, terms: Terms) -> None:
        before, self._terms = self._terms, terms
        seconds = terms.bell_in
        self._bell = None
        if seconds is not None:
            self._bell = time.time() + seconds, time.monotonic() + seconds
        if not self._began:
            self._began = True
            self._credit += window_for(terms.bytes_per_second)
        if terms.bytes_per_second != before.bytes_per_second or self._ceiling is None:
            self._ceiling = None
            if terms.bytes_per_second is not None:
                self._ceiling = Ceiling(terms.bytes_per_second, [0.0])
                self._ceiling.begin(time.monotonic())
        if terms.yield_above != before.yield_above:
            self._yielding = Yielding(terms.yield_above, system.io_pressure)
        if terms.give_way and not self._gave_way:
            self._gave_way = True
            system.give_way()

    # --------------------------------------------------------------------- as a reader's watch

    @property
    def paced(self) -> bool:
        """True: every file, however small, is asked for."""
        return True

    def has_read(self, count: int) -> None:
        """``count`` more bytes came off the place."""
        self._read += count
        self._granted -= count
        now = time.monotonic()
        if self._read >= TOLD_AFTER or now - self._told_at >= TOLD_EVERY:
            self._told_at = now
            self.tell_read()

    def tell_read(self) -> None:
        """Tell the other side what was read since the last time."""
        untold, self._read = self._read, 0
        if untold:
            self._tell(Progress(untold))

    def check(self) -> None:
        """Raises BellRang once the bell has rung."""
        if self._rang():
            raise BellRang("The bell rang before the work was done.")

    def allow(self, count: int) -> int:
        """Wait until some of ``count`` more bytes may be read; how many."""
        while True:
            self.check()
            granted = self._ask(count)
            if granted or count <= 0:
                return granted

    def park(self) -> None:
        """At the bell, with nothing held open: wait until a later one is set."""
        if not self._terms.outlives_bell:
            self.check()
        self.tell_read()
        with self._signs:
            self._parked = True
        self._tell(Parked())
        with self._signs:
            while self._parked:
                self._signs.wait()

    def crowded(self) -> bool:
        """False: what else is read here this process does not know."""
        return False

    def terms(self) -> engine.Terms:
        """What it keeps to, by this machine's clock."""
        terms, bell = self._terms, self._bell
        return engine.Terms(
            None if bell is None else bell[0],
            terms.outlives_bell,
            terms.bytes_per_second,
            terms.give_way,
            terms.yield_above,
        )

    def _ask(self, wanted: int) -> int:
        """Bytes that may be read now; waits a little when that is none."""
        now = time.monotonic()
        if self._holds(now):
            self._wait(LOOK_EVERY)
            return 0
        granted = min(wanted, self._credit)
        if granted <= 0 < wanted:
            self._wait_for_more()
            return 0
        if self._ceiling is not None:
            granted, wait = self._ceiling.ask(granted, now)
            if not granted:
                self._wait(min(wait, LOOK_EVERY))
                return 0
        with self._signs:
            self._credit -= granted
            self._granted += granted
        return granted

    def _wait_for_more(self) -> None:
        """More is allowed for what was read, once the other side was told of it."""
        self.tell_read()
        with self._signs:
            self._give_back()
            if self._credit <= 0:
                self._signs.wait(LOOK_EVERY)

    def _give_back(self) -> None:
        self._credit += max(0, self._granted)
        self._granted = 0

    def _wait(self, seconds: float) -> None:
        with self._signs:
            self._signs.wait(seconds)

    def _holds(self, now: float) -> bool:
        if self._terms.yield_above is not None and now - self._looked_at >= PRESSURE_EVERY:
            self._looked_at = now
            self._held = self._yielding.tick(now)
        return self._held and self._terms.yield_above is not None

    def _rang(self, late: float = 0.0) -> bool:
        bell = self._bell
        return bell is not None and (
            time.monotonic() >= bell[1] + late or time.time() >= bell[0] + late
        )

    def _is_stuck(self) -> bool:
        since = self._telling_since
        return since is not None and time.monotonic() - since >= LATE

    def _end_late(self) -> None:
        """Ends the process when the bell rang and it reads on, or hangs, or nobody listens, or
        nobody asks: a link that is gone without a word would keep it for hours."""
        while True:
            with self._signs:
                goes_on = self._working or self._idle or self._is_stuck()
                if goes_on and not self._parked and self._rang(LATE):
                    os._exit(0)
                self._signs.wait(LOOK_EVERY if self._bell is not None else None)
