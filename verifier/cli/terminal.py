"""Progress on a terminal: a line for each thing that is read, on standard error."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from verifier.jobs.progress import Gauge

if TYPE_CHECKING:
    from tqdm import tqdm

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

    def say(self, sentence: str) -> None:
        """A remark on standard error."""
        print(sentence, file=sys.stderr)

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


def _keep_up(gauges: Sequence[Gauge], bars: Sequence[tqdm[None]], ended: threading.Event) -> None:
    while not ended.wait(_EVERY):
        for gauge, bar in zip(gauges, bars, strict=True):
            total = gauge.total()
            if total is not None and bar.total is None:
                bar.total = total
                bar.bar_format = _WITH_TOTAL
            bar.update(gauge.done() - bar.n)
            bar.refresh()
