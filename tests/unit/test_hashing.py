"""Digest and fingerprints are those of the plain libraries, however a content comes in."""

from __future__ import annotations

import errno
import itertools
import os
import random
import threading
from collections.abc import Callable, Iterator

import pytest
import xxhash
from blake3 import blake3
from hypothesis import given, settings
from hypothesis import strategies as st

from verifier import hashing, system
from verifier.engine import BellRang
from verifier.errors import Stopped
from verifier.hashing import Content, Hasher, ReadFailed, Underway, digest_of
from verifier.model import SEGMENT

MIB = 1024 * 1024
SMALL_BLOCK = 16
SMALL_SEGMENT = 64

often = settings(max_examples=100, deadline=None, database=None)

ways = pytest.mark.parametrize("crowded", [True, False], ids=["plain", "overlapped"])


def some(size: int) -> bytes:
    return random.Random(size).randbytes(size)


def digesting() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "digest"]


class Noting:
    """A watch that notes what it is told, and stops the reading after ``patience`` bytes."""

    def __init__(self, crowded: bool, patience: int | None = None) -> None:
        self.read = 0
        self.with_a_second_thread: list[bool] = []
        self._crowded = crowded
        self._patience = patience

    def has_read(self, count: int) -> None:
        self.read += count
        self.with_a_second_thread.append(bool(digesting()))

    def check(self) -> None:
        if self._patience is not None and self.read >= self._patience:
            raise Stopped("Stopped before the work was done.")

    paced = False

    def allow(self, count: int) -> int:
        self.check()
        return count

    def park(self) -> None:
        raise BellRang

    def crowded(self) -> bool:
        return self._crowded


class Tape:
    """A content that comes in pieces of the given sizes, and perhaps breaks off with an error."""

    def __init__(
        self,
        content: bytes,
        pieces: Iterator[int] | None = None,
        broken_at: int | None = None,
        before: Callable[[], object] = lambda: None,
    ) -> None:
        self.calls = 0
        self._content = memoryview(content)
        self._pieces = pieces
        self._broken_at = broken_at
        self._before = before
        self._position = 0

    def __call__(self, buffer: memoryview) -> int:
        self.calls += 1
        self._before()
        if self._position == self._broken_at:
            raise OSError(errno.EIO, "Input/output error")
        end = self._position + len(buffer)
        if self._pieces is not None:
            end = min(end, self._position + next(self._pieces))
        if self._broken_at is not None:
            end = min(end, self._broken_at)
        part = self._content[self._position : end]
        buffer[: len(part)] = part
        self._position += len(part)
        return len(part)


def by_the_libraries(content: bytes, segment: int) -> Content:
    parts = [content[at : at + segment] for at in range(0, len(content), segment)]
    fingerprints = tuple(xxhash.xxh3_128_digest(part) for part in parts)
    return Content(
        blake3(content).digest(), fingerprints if len(content) > segment else (), len(content)
    )


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Segments of 64 bytes and blocks of 16."""
    monkeypatch.setattr(hashing, "SEGMENT", SMALL_SEGMENT)
    monkeypatch.setattr(hashing, "BLOCK", SMALL_BLOCK)


@ways
def test_contents_of_every_size_hash_as_the_plain_libraries_say(small, crowded):
    hasher = Hasher()
    for size in range(3 * SMALL_SEGMENT + SMALL_BLOCK + 2):
        content, watch = some(size), Noting(crowded)
        expected = by_the_libraries(content, SMALL_SEGMENT)
        assert hasher.read(Tape(content), size, watch) == expected
        assert watch.read == size


@pytest.mark.parametrize("crowded", [True, False], ids=["plain", "overlapped"])
@often
@given(
    st.integers(0, 5 * SMALL_SEGMENT).map(some),
    st.lists(st.integers(1, SMALL_BLOCK + 3), min_size=1, max_size=20),
)
def test_a_source_that_fills_short_changes_nothing(crowded, content, pieces):
    def again() -> Iterator[int]:
        while True:
            yield from pieces

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hashing, "SEGMENT", SMALL_SEGMENT)
        patch.setattr(hashing, "BLOCK", SMALL_BLOCK)
        found = Hasher().read(Tape(content, again()), len(content), Noting(crowded))
    assert found == by_the_libraries(content, SMALL_SEGMENT)


@pytest.fixture(scope="module")
def large() -> bytes:
    return random.Random(14).randbytes(128 * MIB + 1)


@ways
@pytest.mark.parametrize(
    "size",
    [MIB - 1, MIB, MIB + 1, 64 * MIB - 1, 64 * MIB, 64 * MIB + 1, 128 * MIB, 128 * MIB + 1],
)
def test_contents_around_the_true_borders_hash_as_the_plain_libraries_say(large, size, crowded):
    content = large[:size]
    found = Hasher().read(Tape(content), size, Noting(crowded))
    assert found == by_the_libraries(content, SEGMENT)


def test_a_content_of_one_segment_has_no_fingerprints_and_one_byte_more_gives_two(small):
    assert Hasher().read(Tape(some(64)), 64, Noting(True)).fingerprints == ()
    assert len(Hasher().read(Tape(some(65)), 65, Noting(True)).fingerprints) == 2


@ways
def test_a_content_that_is_shorter_than_said_tells_its_true_size(small, crowded):
    for said, true in ((100, 90), (200, 60), (64, 0)):
        content = some(true)
        found = Hasher().read(Tape(content), said, Noting(crowded))
        assert (found.size, found.digest) == (true, blake3(content).digest())


@ways
def test_a_content_that_is_longer_than_said_is_told_by_its_size(small, crowded):
    for said, true in ((100, 110), (60, 200), (64, 65), (128, 129)):
        assert said < Hasher().read(Tape(some(true)), said, Noting(crowded)).size <= true


def test_digest_of_is_the_plain_digest():
    assert digest_of(b"") == blake3(b"").digest()
    assert digest_of(memoryview(some(1000))[3:]) == blake3(some(1000)[3:]).digest()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are started afresh here")
def test_a_process_that_was_copied_from_this_one_has_buffers_of_its_own():
    buffer = Hasher().buffer
    buffer[:4] = b"here"
    copy = os.fork()
    if not copy:
        buffer[:4] = b"copy"
        os._exit(0)
    os.waitpid(copy, 0)
    assert bytes(buffer[:4]) == b"here"


# -------------------------------------------------------------------------- one thread or two


def test_where_every_core_is_taken_the_first_segment_is_read_and_hashed_in_one_thread(small):
    watch = Noting(crowded=True)
    Hasher().read(Tape(some(300)), 300, watch)
    assert not any(watch.with_a_second_thread[: SMALL_SEGMENT // SMALL_BLOCK])


def test_where_a_core_is_free_a_second_thread_digests(small):
    watch = Noting(crowded=False)
    Hasher().read(Tape(some(300)), 300, watch)
    assert all(watch.with_a_second_thread)


def test_a_content_of_one_segment_never_takes_a_second_thread(small):
    watch = Noting(crowded=False)
    Hasher().read(Tape(some(SMALL_SEGMENT)), SMALL_SEGMENT, watch)
    assert not any(watch.with_a_second_thread)


def test_a_slow_disk_gets_a_second_thread_although_every_core_is_taken(small):
    never = threading.Event()
    content, watch = some(3 * SMALL_SEGMENT), Noting(crowded=True)
    tape = Tape(content, before=lambda: never.wait(0.01))
    assert Hasher().read(tape, len(content), watch) == by_the_libraries(content, SMALL_SEGMENT)
    blocks = SMALL_SEGMENT // SMALL_BLOCK
    assert not any(watch.with_a_second_thread[:blocks])
    assert all(watch.with_a_second_thread[blocks:])


@ways
def test_each_segment_is_reported_done_in_turn(small, crowded):
    done: list[int] = []
    Hasher().read(Tape(some(150)), 150, Noting(crowded), done.append)
    assert done == [64, 128, 150]


# ------------------------------------------------------------------------- errors and stopping


@ways
def test_a_reading_error_carries_the_offset_at_which_it_came(small, crowded):
    hasher, content = Hasher(), some(200)
    for broken_at in (0, 1, 15, 16, 17, 63, 64, 65, 128, 199, 200):
        with pytest.raises(ReadFailed) as failed:
            hasher.read(Tape(content, broken_at=broken_at), 200, Noting(crowded))
        assert (failed.value.offset, failed.value.error.errno) == (broken_at, errno.EIO)
        assert not digesting()


@ways
def test_stopping_ends_the_reading_at_once_and_leaves_no_thread(small, crowded):
    hasher, content = Hasher(), some(300)
    for blocks in (0, 1, 4, 5, 9):
        tape, watch = Tape(content), Noting(crowded, patience=blocks * SMALL_BLOCK)
        with pytest.raises(Stopped):
            hasher.read(tape, len(content), watch)
        assert tape.calls == blocks
        assert not digesting()


@ways
def test_a_hasher_that_was_interrupted_hashes_the_next_content_rightly(small, crowded):
    hasher, content = Hasher(), some(200)
    with pytest.raises(ReadFailed):
        hasher.read(Tape(content, broken_at=100), 200, Noting(crowded))
    with pytest.raises(Stopped):
        hasher.read(Tape(content), 200, Noting(crowded, patience=48))
    assert hasher.read(Tape(content), 200, Noting(crowded)) == by_the_libraries(content, 64)


@ways
def test_an_error_in_the_watch_itself_leaves_no_thread(small, crowded):
    class Failing(Noting):
        def has_read(self, count: int) -> None:
            raise RuntimeError("the watch broke")

    with pytest.raises(RuntimeError, match="the watch broke"):
        Hasher().read(Tape(some(300)), 300, Failing(crowded))
    assert not digesting()


# ----------------------------------------------------------------------- allowances and the bell


class Allowing(Noting):
    """A watch that allows pieces of the given sizes, and rings the bell before some of them."""

    def __init__(self, crowded: bool, pieces: Iterator[int], bells: Iterator[bool]) -> None:
        super().__init__(crowded)
        self.allowed = 0
        self.rang = 0
        self._pieces = pieces
        self._bells = bells

    def allow(self, count: int) -> int:
        assert count > 0
        if next(self._bells):
            self.rang += 1
            raise BellRang
        granted = min(count, next(self._pieces))
        self.allowed += granted
        return granted


@ways
@often
@given(
    st.integers(0, 5 * SMALL_SEGMENT).map(some),
    st.lists(st.integers(1, SMALL_BLOCK + 3), min_size=1, max_size=20),
    st.lists(st.booleans(), max_size=30),
)
def test_a_reading_that_bells_interrupt_gives_what_one_in_one_go_gives(
    crowded, content, pieces, bells
):
    watch = Allowing(
        crowded, itertools.cycle(pieces), itertools.chain(bells, itertools.repeat(False))
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hashing, "SEGMENT", SMALL_SEGMENT)
        patch.setattr(hashing, "BLOCK", SMALL_BLOCK)
        hasher, tape, underway = Hasher(), Tape(content), Underway(len(content))
        while True:
            try:
                found = hasher.go_on(underway, tape, watch)
                break
            except BellRang:
                assert underway.size == watch.read
                assert not digesting()
    assert found == by_the_libraries(content, SMALL_SEGMENT)
    # Each byte is asked for before it is read, and no more than a byte beyond the end.
    assert len(content) <= watch.allowed <= len(content) + 1 + watch.rang


@ways
def test_nothing_is_read_that_was_not_allowed(small, crowded):
    watch = Allowing(crowded, itertools.cycle([5, 3]), itertools.repeat(False))

    class Checked(Tape):
        def __call__(self, buffer: memoryview) -> int:
            assert watch.read + min(len(buffer), 150 - watch.read) <= watch.allowed
            return super().__call__(buffer)

    assert Hasher().read(Checked(some(150)), 150, watch).size == 150


def test_a_source_that_reads_directly_is_given_whole_grains_of_aligned_memory(monkeypatch):
    content, asked = some(9 * MIB + 100), list[int]()
    watch = Allowing(True, itertools.cycle([1, 100_000, 5_000, MIB]), itertools.repeat(False))

    class Direct(Tape):
        def __call__(self, buffer: memoryview) -> int:
            asked.append(len(buffer))
            return super().__call__(buffer)

    underway = Underway(len(content), aligned=True)
    found = Hasher().go_on(underway, Direct(content), watch)
    assert found.digest == blake3(content).digest()
    assert all(length % system.GRAIN == 0 for length in asked)
    assert not [len(each) for each in Hasher().aligned_buffers if len(each) % system.GRAIN]


def test_where_nobody_reads_ahead_blocks_are_large_and_small_again_on_a_slow_disk():
    never, asked = threading.Event(), list[int]()
    content = some(24 * MIB)
    slow = iter([False, False, False, True, True])

    class Direct(Tape):
        def __call__(self, buffer: memoryview) -> int:
            asked.append(len(buffer))
            if next(slow, False):
                never.wait(hashing._SLOW * 1.2)
            return super().__call__(buffer)

    Hasher().go_on(Underway(len(content), aligned=True), Direct(content), Noting(True))
    assert [length // MIB for length in asked[:6]] == [1, 4, 4, 4, 2, 1]
