"""Progress and remarks on standard error: lines that stay in place on a terminal, and now and then
a sentence where there is none.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from verifier.jobs.progress import Gauge
from verifier.model import printable
from verifier.reporting import progress as report
from verifier.reporting.progress import Reading

if TYPE_CHECKING:
    from tqdm import tqdm

    from verifier.scheduler import Status

_EVERY: Final = 0.25
"""Seconds between two looks at the figures on a terminal."""

PLAIN_EVERY: Final = 300.0
"""Seconds between two sentences where standard error is no terminal: short work says none."""

_RATE_OVER: Final = 20.0
"""Seconds over which a rate is taken, so that it neither jumps nor lags."""

_RATE_FROM: Final = 1.0
"""Seconds before which no rate is shown: what was in memory already would make it absurd."""

_USUAL: Final = 80
"""Columns of a terminal that does not say how many it has."""

_LOOKING: Final = "Looking at what there is"


class Terminal:
    """Shows how far a job is, and its remarks.

    ``bell`` is when working hours begin, in seconds since 1970, for jobs that know it.
    """

    def __init__(self, bell: float | None = None, plain_every: float = PLAIN_EVERY) -> None:
        self.watched = sys.stderr.isatty()
        self._bell = bell
        self._plain_every = plain_every
        self._bar: tqdm[Any] | None = None

    def say(self, sentence: str) -> None:
        """A remark on standard error, above the lines that may stand there."""
        if self._bar is None:
            print(sentence, file=sys.stderr)
        else:
            self._bar.write(sentence, file=sys.stderr)

    @contextmanager
    def show(self, gauges: Sequence[Gauge]) -> Iterator[None]:
        """Keeps a line for each gauge up to date until the context ends."""
        watched = [_Watched(gauge) for gauge in gauges]

        def readings() -> list[Reading | None]:
            now, bell = time.monotonic(), self._bell
            left = None if bell is None else max(0.0, bell - time.time())
            return [each.reading(now, left) for each in watched]

        with self._kept_up(len(gauges), readings):
            yield

    @contextmanager
    def line(self, status: Callable[[], Status | None]) -> Iterator[None]:
        """Keeps one line on how far a shift is up to date until the context ends."""

        def readings() -> list[Reading | None]:
            found = status()
            return [None if found is None else reading_of(found)]

        with self._kept_up(1, readings):
            yield

    @contextmanager
    def _kept_up(self, lines: int, readings: Callable[[], list[Reading | None]]) -> Iterator[None]:
        if not lines:
            yield
            return
        ended = threading.Event()
        shown = _Lines(lines) if self.watched else None
        self._bar = None if shown is None else shown.first

        def keep_up() -> None:
            while not ended.wait(self._plain_every if shown is None else _EVERY):
                found = readings()
                if shown is not None:
                    shown.draw(found)
                    continue
                for each in found:
                    if each is not None:
                        self.say(report.sentence(each))

        thread = threading.Thread(target=keep_up, name="progress", daemon=True)
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()
            self._bar = None
            if shown is not None:
                shown.close()


class _Lines:
    """Lines that stay where they are, one below the other, and leave nothing behind."""

    def __init__(self, number: int) -> None:
        import tqdm as library

        library.tqdm.monitor_interval = 0
        self._bars: list[tqdm[Any]] = [
            library.tqdm(
                bar_format="{desc}",
                leave=False,
                file=sys.stderr,
                dynamic_ncols=True,
                position=position,
            )
            for position in range(number)
        ]
        self.first = self._bars[0]
        self._texts = [""] * number
        self._columns = _columns()

    def draw(self, readings: Sequence[Reading | None]) -> None:
        """Draw what has changed."""
        columns = _columns()
        if columns < self._columns:
            self._clear_wrapped(columns)
        resized, self._columns = columns != self._columns, columns
        for number, (bar, reading) in enumerate(zip(self._bars, readings, strict=True)):
            if reading is None:
                text = report.looking(_LOOKING, columns)
            else:
                text = report.line(reading, columns)
            if text != self._texts[number] or resized:
                self._texts[number] = text
                bar.set_description_str(text)

    def close(self) -> None:
        """Take them away."""
        columns = _columns()
        if columns < self._columns:
            self._clear_wrapped(columns)
        for bar in reversed(self._bars):
            bar.close()
        sys.stderr.write("\r")
        sys.stderr.flush()

    def _clear_wrapped(self, columns: int) -> None:
        """A terminal that became narrower has broken the lines in two: take all of that away."""
        rows = [max(1, -(-len(each.rstrip()) // columns)) for each in self._texts]
        below = sum(rows) - rows[0]
        down = "\n" * below
        up = f"\x1b[{sum(rows) - 1}A" if sum(rows) > 1 else ""
        sys.stderr.write(f"{down}{up}\r\x1b[J")
        sys.stderr.flush()
        for bar in self._bars:  # it would overwrite with blanks what is not there any more
            bar.sp = bar.status_printer(bar.fp)


class _Watched:
    """A gauge, and how fast it moves."""

    def __init__(self, gauge: Gauge) -> None:
        self._gauge = gauge
        self._name = printable(gauge.name.encode("utf-8", "surrogateescape"))
        self._seen: deque[tuple[float, int]] = deque()

    def reading(self, now: float, until_bell: float | None) -> Reading:
        done, total = self._gauge.done(), self._gauge.total()
        self._seen.append((now, done))
        while now - self._seen[0][0] > _RATE_OVER:
            self._seen.popleft()
        began, before = self._seen[0]
        rate = left = None
        if now - began >= _RATE_FROM:
            rate = (done - before) / (now - began)
            if total is not None and rate > 0:
                left = max(0, total - done) / rate
        return Reading(self._name, done, total, rate, left, until_bell)


def reading_of(status: Status) -> Reading:
    """How far a shift is, as of the place that will take longest."""
    return Reading(
        printable(str(status.place).encode("utf-8", "surrogateescape")),
        status.done,
        status.total,
        status.rate,
        status.left,
        status.until_bell,
    )


def _columns() -> int:
    """One less than there are: what fills a line to its end has some terminals begin another."""
    try:
        columns = os.get_terminal_size(sys.stderr.fileno()).columns
    except (OSError, ValueError):
        columns = _USUAL
    return max(1, (columns or _USUAL) - 1)
