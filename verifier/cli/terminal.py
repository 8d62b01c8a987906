"""Progress on a terminal: a line for each thing that is read, on standard error."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from verifier.jobs.progress import Gauge
from verifier.measures import amount, duration

if TYPE_CHECKING:
    from tqdm import tqdm

    from verifier.scheduler import Status

_EVERY: Final = 0.25
"""Seconds between two looks at the gauges."""

_WITH_TOTAL: Final = (
    "{desc:<8}{percentage:3.0f} % |{bar:24}| {n_fmt:>5}B of {total_fmt:>5}B, {rate_fmt:>8}, "
    "{remaining} left"
)
_WITHOUT_TOTAL: Final = "{desc:<8}{n_fmt:>5}B read, {rate_fmt:>8}, adding up what is left"


class Terminal:
    """Shows gauges while a job runs, and remarks; only remarks where nobody watches."""

    def __init__(self) -> None:
        self.watched = sys.stderr.isatty()
        self._bar: tqdm[Any] | None = None

    def say(self, sentence: str) -> None:
        """A remark on standard error, above the line that may stand there."""
        if self._bar is None:
            print(sentence, file=sys.stderr)
        else:
            self._bar.write(sentence, file=sys.stderr)

    @contextmanager
    def show(self, gauges: Sequence[Gauge]) -> Iterator[None]:
        """Keeps a line for each gauge up to date until the context ends."""
        if not self.watched or not gauges:
            yield
            return
        from tqdm import tqdm

        tqdm.monitor_interval = 0
        bars = [
            tqdm(
                desc=gauge.name,
                unit="B",
                unit_scale=True,
                position=number,
                leave=False,
                file=sys.stderr,
                dynamic_ncols=True,
                bar_format=_WITHOUT_TOTAL,
            )
            for number, gauge in enumerate(gauges)
        ]
        ended = threading.Event()
        thread = threading.Thread(
            target=_keep_up, args=(gauges, bars, ended), name="progress", daemon=True
        )
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()
            for bar in reversed(bars):
                bar.close()
            sys.stderr.write("\r")
            sys.stderr.flush()

    @contextmanager
    def line(self, status: Callable[[], Status | None]) -> Iterator[None]:
        """Keeps one line on how far a shift is up to date until the context ends."""
        if not self.watched:
            yield
            return
        import tqdm as library

        library.tqdm.monitor_interval = 0
        bar: tqdm[Any] = library.tqdm(
            bar_format="{desc}", leave=False, file=sys.stderr, dynamic_ncols=True
        )
        self._bar = bar
        ended = threading.Event()

        def keep_up() -> None:
            while not ended.wait(_EVERY):
                found = status()
                bar.set_description_str(
                    "Looking at what there is" if found is None else said(found)
                )

        thread = threading.Thread(target=keep_up, name="progress", daemon=True)
        thread.start()
        try:
            yield
        finally:
            self._bar = None
            ended.set()
            thread.join()
            bar.close()
            sys.stderr.write("\r")
            sys.stderr.flush()


def said(status: Status) -> str:
    """One line: which place, bytes of bytes, rate, time until the bell, time left."""
    parts = [f"{amount(status.done)} of {amount(status.total)}"]
    if status.rate is not None:
        parts.append(f"{amount(round(status.rate))}/s")
    if status.until_bell is not None:
        parts.append(f"{duration(status.until_bell)} until working hours")
    if status.left is not None:
        parts.append(f"{duration(status.left)} left")
    return f"{status.place}: {'; '.join(parts)}"


def _keep_up(gauges: Sequence[Gauge], bars: Sequence[tqdm[None]], ended: threading.Event) -> None:
    while not ended.wait(_EVERY):
        for gauge, bar in zip(gauges, bars, strict=True):
            total = gauge.total()
            if total is not None and bar.total is None:
                bar.total = total
                bar.bar_format = _WITH_TOTAL
            bar.update(gauge.done() - bar.n)
            bar.refresh()
