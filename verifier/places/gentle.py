"""Reading an open file without a trace in the system's cache: what was cached before stays so."""

from __future__ import annotations

import errno
import re
from typing import Final

from verifier import system
from verifier.hashing import BLOCK, ReadFailed, Source

_AHEAD: Final = 64 * 1024 * 1024
"""Bytes ahead of a reading in which it must be known what is cached, before the system, reading
ahead itself, makes it look so.  It reads ahead by a few MiB, and far less than this."""

_LARGEST_PAGE: Final = 4 * 1024 * 1024
"""Bytes that the cache keeps in one piece at most; a piece is dropped whole or not at all."""


def filled(fill: Source, buffer: memoryview, size: int) -> memoryview:
    """The first ``size`` bytes that ``fill`` gives, or all when they are fewer."""
    so_far = 0
    while so_far < size:
        try:
            count = fill(buffer[so_far:] if so_far else buffer)
        except OSError as error:
            raise ReadFailed(so_far, error) from error
        if not count:
            break
        so_far += count
    return buffer[: min(so_far, size)]


class Gentle:
    """Fills buffers from an open file, from ``at`` on, and leaves the cache as it was.

    It reads directly from the disk if ``directly`` and as long as the file system lets it, and
    else through the cache, from which it drops what it brought in and nothing else.  With
    ``past_cache`` it then drops all that is cached, before and after.  Call `end` afterwards.
    """

    def __init__(
        self, descriptor: int, size: int, *, directly: bool, past_cache: bool, at: int = 0
    ) -> None:
        self._descriptor = descriptor
        self._size = size
        self._past_cache = past_cache
        self._at = at
        self._uncached: _Uncached | None = None
        self._directly = directly and system.read_directly(descriptor, True)
        self._proven = False
        if not self._directly:
            self._begin_through_cache()

    def __call__(self, buffer: memoryview) -> int:
        """The number of bytes filled in, 0 at the end.  Raises OSError."""
        count = self._read_directly(buffer) if self._directly else None
        if count is None:
            count = self._read_through_cache(buffer)
        self._at += count
        return count

    def end(self) -> None:
        """Drop what the system has read ahead for a reading that ended early.

        Pages that are still on their way from the disk cannot be dropped: those stay.
        """
        if self._uncached is not None:
            self._uncached.drop(self._at, self._size)

    def _read_directly(self, buffer: memoryview) -> int | None:
        """None where it has to be read through the cache after all."""
        if self._at % system.GRAIN:
            if self._at >= self._size:
                # Behind an unfinished grain nothing follows; growth shows in the file's size.
                return 0
            self._leave_off()
            return None
        pages = None if self._proven else self._cached(len(buffer) + _AHEAD)
        try:
            count = self._read_at(buffer)
        except OSError as error:
            if error.errno in (errno.EINVAL, errno.EOPNOTSUPP, errno.ENOSYS):
                self._leave_off()
                return None
            raise
        if pages is not None and 0 in (before := pages[: -(-count // system.GRAIN)]):
            # Some file systems say yes and read through the cache all the same.
            self._proven = self._cached(count) == before
            if not self._proven:
                self._leave_off(at=self._at, pages=pages)
        return count

    def _read_at(self, buffer: memoryview) -> int:
        """As the system reads, but an error of one block does not hide those before it."""
        while True:
            try:
                return system.read_at(self._descriptor, buffer, self._at)
            except OSError as error:
                if error.errno != errno.EIO or len(buffer) <= BLOCK:
                    raise
                buffer = buffer[:BLOCK]

    def _cached(self, length: int) -> bytes | None:
        length = min(length, self._size - self._at)
        return system.cached_pages(self._descriptor, self._at, length)

    def _leave_off(self, at: int = 0, pages: bytes = b"") -> None:
        """No more reading directly; ``pages`` tells what was cached at ``at`` before the last."""
        system.read_directly(self._descriptor, False)
        self._directly = False
        self._begin_through_cache(at, pages)

    def _begin_through_cache(self, at: int = 0, pages: bytes = b"") -> None:
        system.expect_whole_read(self._descriptor)
        if self._past_cache:
            system.drop_cached(self._descriptor)
        else:
            self._uncached = _Uncached(self._descriptor, self._size, at if pages else self._at)
            self._uncached.note(pages)

    def _read_through_cache(self, buffer: memoryview) -> int:
        if self._uncached is not None:
            self._uncached.look(self._at + len(buffer))
        count = system.read_at(self._descriptor, buffer, self._at)
        end = self._at + count
        if self._uncached is not None:
            self._uncached.drop(self._at, end)
        else:
            system.drop_cached(self._descriptor, self._at, count)
        return count


class _Uncached:
    """Which pages of a file were not cached before it was read, known some way ahead."""

    def __init__(self, descriptor: int, size: int, at: int) -> None:
        self._descriptor = descriptor
        self._size = size
        self._first = at - at % system.GRAIN
        self._cached = b""
        self._run = -1
        """Where the uncached pages began that reached to the end of what was dropped last."""

    @property
    def _known_to(self) -> int:
        return self._first + len(self._cached) * system.GRAIN

    def note(self, pages: bytes) -> None:
        """``pages`` follow those that are known."""
        self._cached += pages

    def look(self, to: int) -> None:
        """Learn what is cached as far as ``to`` and what the system may read ahead of it."""
        start = self._known_to
        length = min(to + 2 * _AHEAD, self._size) - start
        if length <= 0 or start >= min(to + _AHEAD, self._size):
            return
        found = system.cached_pages(self._descriptor, start, length)
        # What nobody tells counts as cached: to drop what somebody needs would be worse.
        self.note(found or b"\1" * -(-length // system.GRAIN))

    def drop(self, start: int, end: int) -> None:
        """Forget of the file's bytes from ``start`` to ``end`` what was not cached before."""
        grain = system.GRAIN
        known = self._cached[: -(-(end - self._first) // grain)]
        base, run = self._first, -1
        for found in re.finditer(rb"\0+", known):
            at, to = base + found.start() * grain, base + found.end() * grain
            if found.start() == 0 and self._run >= 0:
                # A large page of the cache may reach over the border between two readings.
                at = max(self._run, at - _LARGEST_PAGE)
            system.drop_cached(self._descriptor, at, to - at)
            if found.end() == len(known):
                run = at
        self._run = run
        done = max(0, (end - base) // grain)
        self._first += min(done, len(known)) * grain
        self._cached = self._cached[done:]
