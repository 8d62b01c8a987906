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

from verifier import system
from verifier.engine import Watch
from verifier.model import SEGMENT

BLOCK: Final = 1024 * 1024
"""Bytes read at a time.  Measured: smaller costs calls, larger leaves the processor's cache
before it has been hashed.  A segment is a whole number of blocks."""

_BUFFERS: Final = 4
"""Blocks in flight between the reading and the hashing thread."""

LARGE_BLOCK: Final = 4 * BLOCK
"""Bytes read at a time directly from a disk, where nobody reads ahead.  Measured: twice as much
gains nothing."""

_LARGE_BUFFERS: Final = 3

_SLOW: Final = 0.2
"""Seconds for a block after which the next ones are smaller, so that a bell is soon heard."""

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
        self._aligned: list[memoryview] = []

    @property
    def buffer(self) -> memoryview:
        """A block of scratch memory, for contents that fit in it."""
        return self._buffers[0]

    @property
    def aligned_buffers(self) -> list[memoryview]:
        """Large blocks of memory in which a disk can be read directly, made when first needed."""
        if not self._aligned:
            self._aligned = [system.page_aligned(LARGE_BLOCK) for _ in range(_LARGE_BUFFERS)]
        return self._aligned

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
        Raises ReadFailed, and Stopped and BellRang through ``watch``.
        """
        return self.go_on(Underway(size), fill, watch, after_segment)

    def go_on(
        self,
        underway: Underway,
        fill: Source,
        watch: Watch,
        after_segment: Callable[[int], None] | None = None,
    ) -> Content:
        """As `read`, from where ``underway`` got to; ``fill`` must begin at its ``size``.

        After BellRang it can be given here again.
        """
        buffers = self.aligned_buffers if underway.aligned else self._buffers
        overlapped = underway.large and not watch.crowded()
        while True:
            started = time.perf_counter()
            waited = (
                self._segment_overlapped(fill, underway, watch, buffers)
                if overlapped
                else self._segment(fill, underway, watch, buffers[0])
            )
            underway.end_segment()
            if after_segment is not None:
                after_segment(underway.size)
            if underway.ended:
                break
            slow_disk = waited > _WORTH_A_THREAD * (time.perf_counter() - started)
            overlapped = slow_disk or not watch.crowded()
        return Content(underway.whole.digest(), tuple(underway.fingerprints), underway.size)

    def _segment(self, fill: Source, underway: Underway, watch: Watch, buffer: memoryview) -> float:
        """One segment in this thread alone; returns the seconds spent waiting for the disk."""
        waited = 0.0
        while underway.segment_left and not underway.ended:
            room = underway.allowed(watch, len(buffer))
            count, seconds = underway.fill(fill, buffer[:room])
            waited += seconds
            if not count:
                break
            watch.has_read(count)
            underway.update(buffer[:count])
        return waited

    def _segment_overlapped(
        self, fill: Source, underway: Underway, watch: Watch, buffers: list[memoryview]
    ) -> float:
        """One segment with a second thread that hashes, so that this one does nothing but read."""
        free: queue.SimpleQueue[memoryview] = queue.SimpleQueue()
        full: queue.SimpleQueue[tuple[memoryview, int] | None] = queue.SimpleQueue()
        for buffer in buffers:
            free.put(buffer)

        def digest() -> None:
            while (block := full.get()) is not None:
                buffer, count = block
                underway.update(buffer[:count])
                free.put(buffer)

        thread = threading.Thread(target=digest, name="digest")
        thread.start()
        waited = 0.0
        try:
            while underway.segment_left and not underway.ended:
                room = underway.allowed(watch, len(buffers[0]))
                buffer = free.get()
                count, seconds = underway.fill(fill, buffer[:room])
                waited += seconds
                if not count:
                    break
                watch.has_read(count)
                full.put((buffer, count))
        finally:
            full.put(None)
            thread.join()
        return waited


_own = threading.local()


def own_hasher() -> Hasher:
    """This thread's hasher: its buffers are kept from one task to the next."""
    hasher: Hasher | None = getattr(_own, "hasher", None)
    if hasher is None:
        hasher = _own.hasher = Hasher()
    return hasher


class Underway:
    """How far a content of ``expected`` bytes has been read, and what it hashes to so far.

    ``aligned`` is for a source that reads directly: it is given whole grains of aligned memory.
    """

    def __init__(self, expected: int, aligned: bool = False) -> None:
        self._expected = expected
        self.aligned = aligned
        self._grain = system.GRAIN if aligned else 1
        self._most = BLOCK
        self.large = expected > SEGMENT
        self.whole = blake3()
        self.segment = xxhash.xxh3_128() if self.large else None
        self.fingerprints: list[bytes] = []
        self.size = 0
        self.segment_left = SEGMENT
        self.ended = False

    def allowed(self, watch: Watch, most: int) -> int:
        """The bytes that may be read next, once they may be: up to ``most``, in whole grains.

        Paid for is only what the content should still have, not the room behind its end.
        """
        room = min(most, self._most, self.segment_left)
        due = min(room, max(self._expected - self.size, 1))
        granted = watch.allow(due)
        while granted < due and granted % self._grain:
            granted += watch.allow(min(self._grain - granted % self._grain, due - granted))
        return room if granted == due else granted

    def fill(self, fill: Source, buffer: memoryview) -> tuple[int, float]:
        """Bytes read, and the seconds of that which were no work of the processor's."""
        started, worked = time.perf_counter(), time.thread_time()
        try:
            count = fill(buffer)
        except OSError as error:
            raise ReadFailed(self.size, error) from error
        took = time.perf_counter() - started
        waited = took - (time.thread_time() - worked)
        self.size += count
        self.segment_left -= count
        self.ended = not count or self.size > self._expected
        if self.aligned:
            self._most = max(BLOCK, self._most // 2) if took > _SLOW else LARGE_BLOCK
        return count, waited

    def update(self, block: memoryview) -> None:
        """Hash what was read next."""
        self.whole.update(block)
        if self.segment is not None:
            self.segment.update(block)

    def end_segment(self) -> None:
        """A segment is done with, or the content has ended."""
        filled = SEGMENT - self.segment_left
        if self.segment is not None and filled:
            self.fingerprints.append(self.segment.digest())
            self.segment.reset()
        self.segment_left = SEGMENT


def digest_of(content: bytes | memoryview) -> bytes:
    """The digest of a content that is in memory already."""
    return blake3(content).digest()
