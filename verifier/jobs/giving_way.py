"""Others have the disks while they need them: readers hold, and so does the process that looks."""

from __future__ import annotations

import time
from collections.abc import Callable

from verifier import pace, system
from verifier.engine import LOOK_EVERY, ReadingEngine
from verifier.jobs.progress import Progress


class GivingWay:
    """Looks at the system's pressure, and has the readers of an engine hold by it.

    Nothing but another look ends a hold.  So what the process that looks reads by itself comes
    after a `wait`: held by its own engine, it would wait for itself.
    """

    def __init__(
        self,
        above: float | None,
        engine: ReadingEngine,
        progress: Progress,
        now: Callable[[], float],
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        self._yielding = pace.Yielding(above, system.io_pressure)
        self._engine = engine
        self._progress = progress
        self._now = now
        self._sleep = sleep
        self._held = False
        self.waited = 0.0
        """Seconds for which `wait` has kept its callers."""

    def look(self) -> bool:
        """Have readers hold or go on, as it is now.  True while they hold."""
        hold = self._yielding.tick(self._now())
        if hold != self._held:
            self._held = hold
            self._engine.hold(hold)
            if hold:
                self._progress.say("Waiting: others need the disks.")
        return hold

    def wait(self, until: float | None) -> None:
        """Return when others need the disks no more, at ``until`` at the latest."""
        began = now = self._now()
        while self.look() and (until is None or now < until):
            self._sleep(LOOK_EVERY)
            now = self._now()
        self.waited += max(0.0, now - began)

    def end(self) -> None:
        """Nobody looks any more, so that readers must not hold."""
        if self._held:
            self._held = False
            self._engine.hold(False)

    def steady(self) -> float:
        """A steady clock, in seconds, that stands still in a `wait`."""
        return time.perf_counter() - self.waited
