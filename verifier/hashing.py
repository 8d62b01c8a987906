"""Bytes into a digest and fingerprints, in one pass.  Opens nothing and never writes.

The digest is BLAKE3-256 as https://github.com/BLAKE3-team/BLAKE3-specs defines it; the
fingerprints are XXH3-128 (canonical, big-endian form) of each 64 MiB segment.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Final, NamedTuple, Protocol

import xxhash
from blake3 import blake3

from verifier.engine import Watch
from verifier.model import SEGMENT

BLOCK: Final = 1024 * 1024
"""Bytes read at a time.  Measured: smaller costs calls, larger leaves the processor's cache
before it has been hashed.  A segment is a whole number of blocks."""

_BUFFERS: Final = 4
"""Blocks in flight between the reading and the hashing thread."""

_WORTH_A_THREAD: Final = 0.10
"""Share of a segment's time spent waiting for the disk from which a second thread pays."""


class Source(Protocol):
    """Anything that fills a buffer from where it stands."""

    def __call__(self, buffer: memoryview, /) -> int:
        """The number of bytes filled in, 0 at the end.  May raise OSError."""


class Content(NamedTuple):
    """What one pass over a content gave."""

    digest: bytes
    fingerprints: tuple[bytes, ...]
    size: int


class ReadFailed(Exception):
    """Reading gave an error at byte ``offset``; ``error`` is the system's."""

    def __init__(self, offset: int, error: OSError) -> None:
        super().__init__(offset, error)
        self.offset = offset
        self.error = error


class Hasher:
    """Reads and hashes one content at a time into buffers that it keeps.

    Not for use by two threads at once.
    """

    def __init__(self) -> None:
        # Not a shared mapping: a process that is copied must not go on in the same buffers.
        whole = memoryview(bytearray(BLOCK * _BUFFERS))
        self._buffers = [whole[i * BLOCK : (i + 1) * BLOCK] for i in range(_BUFFERS)]

    @property
    def buffer(self) -> memoryview:
        """A block of scratch memory, for contents that fit in it."""
        return self._buffers[0]

    def read(
        self,
        fill: Source,
        size: int,
        watch: Watch,
        after_segment: Callable[[int], None] | None = None,
    ) -> Content:
        """Everything that ``fill`` gives, which is expected to be ``size`` bytes.

        Reading ends soon after ``size`` bytes, so that a file that grows as fast as it is read
        comes to an end; `Content.size` then tells more than was expected.

        Contents over one segment get fingerprints; the reading of each segment is overlapped
        with its hashing when there is a core to spare or a disk to wait for.
        ``after_segment(offset)`` is called when the bytes up to ``offset`` are done with.
        Raises ReadFailed, and Stopped through ``watch``.
        """
        state = _State(size, size > SEGMENT)
        overlapped = size > SEGMENT and not watch.crowded()
        while True:
            started = time.perf_counter()
            waited = (
                self._segment_overlapped(fill, state, watch)
                if overlapped
                else self._segment(fill, state, watch)
            )
            state.end_segment()
            if after_segment is not None:
                after_segment(state.size)
            if state.ended:
                break
            slow_disk = waited > _WORTH_A_THREAD * (time.perf_counter() - started)
            overlapped = slow_disk or not watch.crowded()
        return Content(state.whole.digest(), tuple(state.fingerprints), state.size)

    def _segment(self, fill: Source, state: _State, watch: Watch) -> float:
        """One segment in this thread alone; returns the seconds spent waiting for the disk."""
        buffer = self._buffers[0]
        waited = 0.0
        while state.segment_left and not state.ended:
            watch.check()
            count, seconds = state.fill(fill, buffer)
            waited += seconds
            if not count:
                break
            watch.has_read(count)
            state.update(buffer[:count])
        return waited

    def _segment_overlapped(self, fill: Source, state: _State, watch: Watch) -> float:
        """One segment with a second thread that hashes, so that this one does nothing but read."""
        free: queue.SimpleQueue[memoryview] = queue.SimpleQueue()
        full: queue.SimpleQueue[tuple[memoryview, int] | None] = queue.SimpleQueue()
        for buffer in self._buffers:
            free.put(buffer)

        def digest() -> None:
            while (block := full.get()) is not None:
                buffer, count = block
                state.update(buffer[:count])
                free.put(buffer)

        thread = threading.Thread(target=digest, name="digest")
        thread.start()
        waited = 0.0
        try:
            while state.segment_left and not state.ended:
                watch.check()
                buffer = free.get()
                count, seconds = state.fill(fill, buffer)
                waited += seconds
                if not count:
                    break
                watch.has_read(count)
                full.put((buffer, count))
        finally:
            full.put(None)
            thread.join()
        return waited


class _State:
    """How far a content has been read, and what it hashes to so far."""

    def __init__(self, expected: int, with_fingerprints: bool) -> None:
        self._expected = expected
        self.whole = blake3()
        self.segment = xxhash.xxh3_128() if with_fingerprints else None
        self.fingerprints: list[bytes] = []
        self.size = 0
        self.segment_left = SEGMENT
        self.ended = False

    def fill(self, fill: Source, buffer: memoryview) -> tuple[int, float]:
        """Bytes read, and the seconds of that which were no work of the processor's."""
        started, worked = time.perf_counter(), time.thread_time()
        try:
            count = fill(buffer[: self.segment_left])
        except OSError as error:
            raise ReadFailed(self.size, error) from error
        waited = (time.perf_counter() - started) - (time.thread_time() - worked)
        self.size += count
        self.segment_left -= count
        self.ended = not count or self.size > self._expected
        return count, waited

    def update(self, block: memoryview) -> None:
        self.whole.update(block)
        if self.segment is not None:
            self.segment.update(block)

    def end_segment(self) -> None:
        filled = SEGMENT - self.segment_left
        if self.segment is not None and filled:
            self.fingerprints.append(self.segment.digest())
            self.segment.reset()
        self.segment_left = SEGMENT


def digest_of(content: bytes | memoryview) -> bytes:
    """The digest of a content that is in memory already."""
    return blake3(content).digest()
