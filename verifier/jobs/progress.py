"""How a job tells of its progress without knowing a terminal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING, Protocol

from msgspec import Struct

if TYPE_CHECKING:
    from verifier.scheduler import Status


class Gauge(Struct, frozen=True):
    """One thing to watch: ``done()`` of ``total()`` bytes, the total None while it is unknown."""

    name: str
    done: Callable[[], int]
    total: Callable[[], int | None]


class Progress(Protocol):
    """Somebody who watches."""

    @property
    def watched(self) -> bool:
        """Whether anybody sees it, so that totals are worth finding out."""

    def show(self, gauges: Sequence[Gauge]) -> AbstractContextManager[object]:
        """Show the gauges for as long as the context lasts."""

    def line(self, status: Callable[[], Status | None]) -> AbstractContextManager[object]:
        """Show one line, on how far a shift is, for as long as the context lasts."""

    def say(self, sentence: str) -> None:
        """A remark for the person, now."""


class Unwatched:
    """Nobody watches; remarks are kept."""

    watched = False

    def __init__(self) -> None:
        self.said: list[str] = []

    def show(self, gauges: Sequence[Gauge]) -> AbstractContextManager[object]:
        """Shows nothing."""
        return nullcontext()

    def line(self, status: Callable[[], Status | None]) -> AbstractContextManager[object]:
        """Shows nothing."""
        return nullcontext()

    def say(self, sentence: str) -> None:
        """Keeps the remark."""
        self.said.append(sentence)
