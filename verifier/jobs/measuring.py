"""A place's pace measured from a few of its files, and how long reading all of it will take."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from verifier.engine import Watch
from verifier.model import Trouble, printable
from verifier.places.base import Place

READ_FOR: Final = 3.0
READ_AT_MOST: Final = 256 << 20
"""Seconds and bytes that are read of each place to measure its pace: enough for a disk's caches
not to decide, and short enough to wait for."""

READ_WHERE_IT_COSTS: Final = 8 << 20
"""Bytes that are read of one file of a place where reading is paid for, by one request: enough to
see that it can be read, and about how fast.  A larger file is read by several requests, for parts,
wherever requests are all there is."""

PART: Final = 32 << 20
"""Bytes read of one file at most, so that several files are read."""

FILES_KEPT: Final = 1024
"""Files among which those to be read are chosen."""


class Sample:
    """Some of a stream of files, evenly from all of it, the largest of each stretch."""

    def __init__(self, most: int = FILES_KEPT) -> None:
        self._most = most
        self._kept: list[tuple[int, bytes]] = []
        self._best: tuple[int, bytes] | None = None
        self._stretch = 1
        self._seen = 0

    def add(self, path: bytes, size: int) -> None:
        """The next file of the stream."""
        if self._best is None or size > self._best[0]:
            self._best = size, path
        self._seen += 1
        if self._seen < self._stretch:
            return
        self._kept.append(self._best)
        self._best, self._seen = None, 0
        if len(self._kept) >= self._most:
            pairs = zip(self._kept[::2], self._kept[1::2], strict=True)
            self._kept = [max(one, two, key=lambda each: each[0]) for one, two in pairs]
            self._stretch *= 2

    def chosen(self, at_most: int, part: int) -> list[tuple[int, bytes]]:
        """Bytes and path of each file to read, so that those first in the list are far apart."""
        files = self._files
        width = max(1, (len(files) - 1).bit_length())
        # The numbers with their bits in reverse: every beginning of that order is spread evenly.
        order = sorted(range(len(files)), key=lambda number: int(f"{number:0{width}b}"[::-1], 2))
        found: list[tuple[int, bytes]] = []
        left = at_most
        for number in order:
            size, path = files[number]
            if left > 0 and size:
                found.append((min(size, part, left), path))
                left -= found[-1][0]
        return found

    def one(self, at_most: int) -> list[tuple[int, bytes]]:
        """Bytes and path of one file that is not larger, the largest of those; else the smallest.

        Who gives files only as a whole sends all of it, whatever is asked for.
        """
        sized = [each for each in self._files if each[0]]
        small = [each for each in sized if each[0] <= at_most]
        if not sized:
            return []
        size, path = max(small) if small else min(sized)
        return [(min(size, at_most), path)]

    @property
    def largest(self) -> int:
        """The size of the largest file of the stream."""
        return max((size for size, _ in self._files), default=0)

    @property
    def _files(self) -> list[tuple[int, bytes]]:
        return [*self._kept, self._best] if self._best is not None else self._kept


def reading_time(
    shares: Sequence[Sequence[tuple[int, float]]], at_most: float | None = None
) -> float:
    """Seconds that it takes to read shares, each place given by its bytes and bytes per second.

    The places of one share are read side by side, and all together at ``at_most``.  Different
    shares often lie on the same disks, so that their times are added.
    """
    seconds = sum(max((size / pace for size, pace in share), default=0.0) for share in shares)
    if at_most is None:
        return seconds
    return max(seconds, sum(size for share in shares for size, _ in share) / at_most)


def read_part(place: Place, path: bytes, length: int, until: float, watch: Watch) -> Trouble | None:
    """What a reader is sent: the start of a file to be read, until the steady clock shows
    ``until``; what was wrong, and with which file, or None."""
    found = place.try_reading(path, length, until, watch)
    if found is None or found.unsettled:
        return None
    return Trouble(found.cause, f"{printable(path)}: {found.detail}")
