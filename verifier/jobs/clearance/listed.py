"""Some of many paths, for a sentence: how many there are, and the first by name."""

from __future__ import annotations

from typing import Final

from verifier.measures import count
from verifier.model import printable

NAMED: Final = 5
"""Paths that a sentence names; the rest it counts."""


class Listed:
    """Counts paths and remembers the first ones."""

    def __init__(self) -> None:
        self.count = 0
        self._first: list[str] = []

    def __bool__(self) -> bool:
        return self.count > 0

    def add(self, path: bytes, note: str = "") -> None:
        """One more path, with what is to be said of it."""
        self.count += 1
        if self.count <= NAMED:
            self._first.append(f"{printable(path)} ({note})" if note else printable(path))

    def words(self, noun: str = "path") -> str:
        """How many and which: ``2 paths (a.txt, b.txt)``."""
        names = ", ".join(self._first)
        more = f", and {self.count - NAMED:,} more" if self.count > NAMED else ""
        return f"{count(self.count, noun)} ({names}{more})"
