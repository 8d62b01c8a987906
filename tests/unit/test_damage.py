"""Where and how two contents differ, against a byte-by-byte loop that cannot be wrong."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
import xxhash
from hypothesis import example, given, settings
from hypothesis import strategies as st

from verifier.damage import BLOCK, DEFAULT_BOUNDS, JOIN, Bounds, examine
from verifier.model import Damage, DamageRange, Likeness, Pattern, Side

KIB = 1024
MIB = 1024 * 1024


@dataclass
class InMemory:
    """A content held in memory, which notes what was read of it."""

    held: bytes
    fingerprints: tuple[bytes, ...] = ()
    reads: list[tuple[int, int]] = field(default_factory=list)

    @property
    def size(self) -> int:
        return len(self.held)

    def read_at(self, offset: int, length: int) -> bytes:
        self.reads.append((offset, length))
        return self.held[offset : offset + length]

    @property
    def bytes_read(self) -> int:
        return sum(length for _, length in self.reads)


def fingerprinted(held: bytes, segment: int) -> InMemory:
    prints = (
        xxhash.xxh3_128_digest(held[at : at + segment]) for at in range(0, len(held), segment)
    )
    return InMemory(held, tuple(prints))


def damage(
    source: bytes, mirror: bytes, block: int = BLOCK, bounds: Bounds = DEFAULT_BOUNDS
) -> Damage:
    return examine(InMemory(source), InMemory(mirror), bounds, block=block)


def noise(length: int, seed: int = 0) -> bytes:
    return random.Random(seed).randbytes(length)


def put(held: bytes, at: int, other: bytes) -> bytes:
    """``held`` with its bytes from ``at`` on overwritten."""
    return held[:at] + other + held[at + len(other) :]


def flipped(held: bytes, *bits: tuple[int, int]) -> bytes:
    """``held`` with a bit turned at each (byte, mask)."""
    changed = bytearray(held)
    for at, mask in bits:
        changed[at] ^= mask
    return bytes(changed)


HELD = bytes(byte or 1 for byte in noise(2 * MIB, seed=7))  # no zero byte


# The naive definitions


def naive_spans(source: bytes, mirror: bytes) -> list[tuple[int, int]]:
    spans: list[tuple[int, int]] = []
    for at, (ours, theirs) in enumerate(zip(source, mirror, strict=False)):
        if ours == theirs:
            continue
        if spans and at - spans[-1][1] < 64:
            spans[-1] = (spans[-1][0], at + 1)
        else:
            spans.append((at, at + 1))
    return spans


def naive_range(source: bytes, mirror: bytes, start: int, end: int) -> DamageRange:
    bits = [
        (ours ^ theirs).bit_count()
        for ours, theirs in zip(source[start:end], mirror[start:end], strict=True)
    ]
    zero = not any(source[start:end]) or not any(mirror[start:end])
    if (sum(bits) <= 2 or max(bits) == 1) and not (zero and end - start >= 16):
        return DamageRange(start, end, Pattern.BIT_FLIP, sum(bits))
    if zero:
        return DamageRange(start, end, Pattern.ZERO_FILLED)
    return DamageRange(start, end, Pattern.GARBLED)


def naive_ranges(source: bytes, mirror: bytes) -> tuple[DamageRange, ...]:
    ranges = [naive_range(source, mirror, *span) for span in naive_spans(source, mirror)]
    if len(mirror) < len(source):
        ranges.append(DamageRange(len(mirror), len(source), Pattern.MISSING_TAIL))
    if len(mirror) > len(source):
        ranges.append(DamageRange(len(source), len(mirror), Pattern.EXTRA_TAIL))
    return tuple(ranges)


def naive_differing(source: bytes, mirror: bytes) -> int:
    in_common = sum(a != b for a, b in zip(source, mirror, strict=False))
    return in_common + abs(len(source) - len(mirror))


def naive_likeness(source: bytes, mirror: bytes) -> Likeness:
    spans = naive_spans(source, mirror)
    zero = [
        side
        for side, held in ((Side.SOURCE, source), (Side.MIRROR, mirror))
        if spans and not any(any(held[start:end]) for start, end in spans)
    ]
    ranges = [naive_range(source, mirror, *span) for span in spans]
    if all(each.pattern is Pattern.BIT_FLIP for each in ranges):
        zero = []
    return Likeness(
        mirror_is_prefix=len(mirror) < len(source) and source.startswith(mirror),
        source_is_prefix=len(source) < len(mirror) and mirror.startswith(source),
        zero_filled=zero[0] if len(zero) == 1 else None,
    )


# Pairs, made by damaging one of two equal contents


@st.composite
def damaged(draw: st.DrawFn, held: bytes) -> bytes:
    at = draw(st.integers(0, max(0, len(held) - 1)))
    length = draw(st.integers(1, 200))
    how = draw(st.sampled_from(["flip", "zero", "garble", "cut", "grow", "sparse", "insert"]))
    if how == "flip" and held:
        return flipped(held, (at, draw(st.sampled_from([1, 2, 64, 128, 3, 7]))))
    if how == "zero":
        return put(held, at, bytes(len(held[at : at + length])))
    if how == "garble":
        return put(held, at, noise(len(held[at : at + length]), seed=length))
    if how == "cut":
        return held[:at]
    if how == "grow":
        return held + draw(st.sampled_from([bytes(length), noise(length)]))
    if how == "sparse":
        step = draw(st.integers(60, 70))
        mask = draw(st.sampled_from([1, 16, 255]))
        return flipped(held, *((place, mask) for place in range(at, len(held), step)))
    return held[:at] + noise(length % 5, seed=at) + held[at:]


@st.composite
def pairs(draw: st.DrawFn) -> tuple[bytes, bytes]:
    """Two contents; plain ones too, where zeroes and single bits are what is true."""
    size = draw(st.integers(0, 700))
    seed = draw(st.integers(0, 3))
    held = draw(
        st.sampled_from([noise(size, seed), bytes(size), b"\1" * size, (bytes(90) + b"\7") * 8])
    )
    source = mirror = held
    for _ in range(draw(st.integers(0, 4))):
        if draw(st.booleans()):
            mirror = draw(damaged(mirror))
        else:
            source = draw(damaged(source))
    return source, mirror


blocks = st.sampled_from([1, 2, 7, 63, 64, 65, 100, 128, BLOCK])
any_pair = pairs() | st.tuples(st.binary(max_size=80), st.binary(max_size=80))
often = settings(max_examples=400, deadline=None)


@often
@given(any_pair, blocks)
@example((bytes(200), flipped(bytes(200), (0, 255), (64, 255))), 64)
@example((bytes(200), flipped(bytes(200), (0, 255), (65, 255))), 64)
def test_ranges_and_patterns_are_those_of_a_byte_by_byte_loop(
    pair: tuple[bytes, bytes], block: int
) -> None:
    assert damage(*pair, block=block).ranges == naive_ranges(*pair)


@often
@given(any_pair, blocks, st.integers(0, 3))
def test_every_differing_byte_and_range_is_counted_whatever_is_kept(
    pair: tuple[bytes, bytes], block: int, kept: int
) -> None:
    found = damage(*pair, block=block, bounds=Bounds(ranges=kept))
    assert found.differing_bytes == naive_differing(*pair)
    assert len(found.ranges) <= kept
    assert len(found.ranges) + found.left_out == len(naive_ranges(*pair))


@often
@given(any_pair, blocks, st.integers(0, 3))
def test_likeness_is_that_of_its_plain_definition_whatever_is_kept(
    pair: tuple[bytes, bytes], block: int, kept: int
) -> None:
    found = damage(*pair, block=block, bounds=Bounds(ranges=kept))
    assert found.likeness == naive_likeness(*pair)


@often
@given(any_pair, st.sampled_from([64, 65, 100, 128]), blocks)
def test_fingerprints_change_nothing_in_what_is_found(
    pair: tuple[bytes, bytes], segment: int, block: int
) -> None:
    source, mirror = (fingerprinted(held, segment) for held in pair)
    found = examine(source, mirror, segment=segment, block=block)
    assert found.ranges == naive_ranges(*pair)
    assert found.differing_bytes == naive_differing(*pair)
    assert found.likeness == naive_likeness(*pair)


@often
@given(any_pair, blocks, st.integers(0, 900))
def test_a_search_cut_short_tells_just_what_stands_before_its_end(
    pair: tuple[bytes, bytes], block: int, limit: int
) -> None:
    source, mirror = (InMemory(held) for held in pair)
    found = examine(source, mirror, Bounds(bytes_read=limit), block=block)
    common = min(len(pair[0]), len(pair[1]))
    seen = min(common, limit // 2)
    assert source.bytes_read + mirror.bytes_read <= limit
    assert found.complete == (seen == common)
    in_common = [r for r in found.ranges if r.end <= common]
    assert tuple(in_common) == naive_ranges(pair[0][:seen], pair[1][:seen])


@often
@given(any_pair, blocks)
def test_the_sentence_is_one_line_for_any_pair(pair: tuple[bytes, bytes], block: int) -> None:
    sentence = damage(*pair, block=block).sentence
    assert sentence.isprintable()
    assert not sentence.endswith(".")


# What the properties are about, said once each in small


def test_63_equal_bytes_between_two_differences_join_them_and_64_do_not() -> None:
    held = noise(300)
    near, far = flipped(held, (10, 255), (74, 255)), flipped(held, (10, 255), (75, 255))
    assert [(r.start, r.end) for r in damage(held, near).ranges] == [(10, 75)]
    assert [(r.start, r.end) for r in damage(held, far).ranges] == [(10, 11), (75, 76)]


def test_a_tail_is_never_joined_to_the_range_before_it() -> None:
    source = noise(100)
    mirror = flipped(source, (89, 1))[:90]
    assert damage(source, mirror).ranges == (
        DamageRange(89, 90, Pattern.BIT_FLIP, 1),
        DamageRange(90, 100, Pattern.MISSING_TAIL),
    )


def test_many_blocks_of_real_size_are_put_together_exactly() -> None:
    source = noise(3 * BLOCK + 5)
    mirror = put(source, BLOCK - 100, noise(2 * BLOCK, seed=1))
    (only,) = damage(source, mirror).ranges
    assert only == naive_range(source, mirror, only.start, only.end)
    assert damage(source, mirror).differing_bytes == naive_differing(source, mirror)


def test_the_tail_is_kept_before_other_ranges_when_few_may_be_kept() -> None:
    source = noise(1000)
    mirror = flipped(source, (5, 1), (500, 1))[:900]
    found = damage(source, mirror, bounds=Bounds(ranges=1))
    assert found.ranges == (DamageRange(900, 1000, Pattern.MISSING_TAIL),)
    assert found.left_out == 2


@pytest.mark.parametrize("block", [300, 500, BLOCK])
@pytest.mark.parametrize("step", [64, 65, 80, 250])
def test_ranges_beyond_those_kept_are_counted_to_the_last(step: int, block: int) -> None:
    source = noise(5000)
    mirror = flipped(source, *((at, 255) for at in range(0, 5000, step)))
    found = damage(source, mirror, block=block, bounds=Bounds(ranges=2))
    assert len(found.ranges) + found.left_out == len(naive_ranges(source, mirror))
    assert found.differing_bytes == naive_differing(source, mirror)


def test_a_range_that_is_not_kept_still_counts_for_likeness() -> None:
    source = HELD[:1000]
    mirror = source
    for at in (0, 200, 550, 700, 850):
        mirror = put(mirror, at, bytes(50))
    mirror = put(mirror, 720, bytes(byte ^ 0xFF for byte in source[720:722]))
    found = damage(source, mirror, block=500, bounds=Bounds(ranges=1))
    assert found.likeness == naive_likeness(source, mirror) == Likeness()


def test_an_empty_mirror_is_a_prefix() -> None:
    assert damage(noise(10), b"").likeness == Likeness(mirror_is_prefix=True)


# Reading


def test_segments_with_equal_fingerprints_are_not_read() -> None:
    held = noise(1000)
    other = flipped(held, (450, 1))
    source, mirror = fingerprinted(held, 100), fingerprinted(other, 100)
    found = examine(source, mirror, segment=100)
    assert source.reads == mirror.reads == [(400, 100)]
    assert found.ranges == (DamageRange(450, 451, Pattern.BIT_FLIP, 1),)
    assert found.complete


def test_a_last_segment_that_both_cover_to_the_same_byte_is_judged_by_fingerprint() -> None:
    held = noise(150)
    source, mirror = fingerprinted(held, 100), fingerprinted(flipped(held, (3, 1)), 100)
    examine(source, mirror, segment=100)
    assert source.reads == [(0, 100)]


def test_a_segment_that_one_side_covers_in_part_is_read() -> None:
    held = noise(300)
    source, mirror = fingerprinted(held, 100), fingerprinted(held[:250], 100)
    found = examine(source, mirror, segment=100)
    assert source.reads == mirror.reads == [(200, 50)]
    assert found.likeness.mirror_is_prefix


@pytest.mark.parametrize("known", [(), (b"one",), (b"one", b"two", b"three", b"four")])
def test_everything_is_read_when_fingerprints_are_unknown_or_of_another_size(
    known: tuple[bytes, ...],
) -> None:
    held = noise(300)
    source, mirror = InMemory(held, known), InMemory(held, known)
    examine(source, mirror, segment=100)
    assert source.bytes_read == mirror.bytes_read == 300


def test_fingerprints_of_unequal_lengths_prove_nothing_even_when_equal() -> None:
    held, known = noise(150), (b"one", b"two")
    source, mirror = InMemory(held, known), InMemory(held[:130], known)
    examine(source, mirror, segment=100)
    assert source.reads == mirror.reads == [(100, 30)]


def test_no_read_is_longer_than_a_block() -> None:
    source, mirror = InMemory(noise(5 * BLOCK // 2)), InMemory(noise(5 * BLOCK // 2, seed=1))
    examine(source, mirror)
    assert max(length for _, length in source.reads + mirror.reads) == BLOCK


def test_an_error_of_reading_is_passed_on() -> None:
    class Unreadable(InMemory):
        def read_at(self, offset: int, length: int) -> bytes:
            raise OSError(5, "Input/output error")

    with pytest.raises(OSError, match="Input/output error"):
        examine(InMemory(b"true"), Unreadable(b"lost"))


def test_a_side_that_holds_less_than_its_size_is_an_error_not_a_difference() -> None:
    class Shrunk(InMemory):
        @property
        def size(self) -> int:
            return len(self.held) + 10

    with pytest.raises(OSError, match="changed its size"):
        examine(InMemory(noise(200)), Shrunk(noise(100)))


# Bounds


def ticking(step: float) -> Callable[[], float]:
    """A clock that is ``step`` seconds later each time it is looked at."""
    times = iter(range(1_000_000))
    return lambda: next(times) * step


def test_a_bound_on_time_ends_the_search_between_blocks() -> None:
    held = noise(1000)
    source = InMemory(held)
    found = examine(source, InMemory(held), Bounds(seconds=3.5), ticking(1.0), block=100)
    assert source.bytes_read == 300
    assert not found.complete
    assert found.likeness == Likeness()


def test_time_enough_is_no_bound() -> None:
    assert examine(InMemory(b"a"), InMemory(b"a"), Bounds(seconds=9), ticking(1.0)).complete


def test_a_bound_on_time_without_a_clock_is_refused() -> None:
    with pytest.raises(ValueError, match="needs a clock"):
        examine(InMemory(b""), InMemory(b""), Bounds(seconds=1))


def test_segments_shorter_than_the_joining_distance_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 64 bytes"):
        examine(InMemory(b""), InMemory(b""), segment=JOIN - 1)


def test_a_tail_is_told_even_when_nothing_may_be_read() -> None:
    found = damage(noise(100), noise(100)[:60], bounds=Bounds(bytes_read=0))
    assert found.ranges == (DamageRange(60, 100, Pattern.MISSING_TAIL),)
    assert found.differing_bytes == 40
    assert found.likeness == Likeness()


def test_looking_for_content_elsewhere_keeps_to_the_bound_on_bytes() -> None:
    held = noise(MIB)
    moved = put(held, 8192, held[500_000 : 500_000 + 8192])
    source, mirror = InMemory(held), InMemory(moved)
    limit = 2 * MIB + 100_000
    found = examine(source, mirror, Bounds(bytes_read=limit))
    assert found.complete
    assert source.bytes_read + mirror.bytes_read <= limit
    assert found.sentence.startswith("8,192 bytes garbled at byte 8,192")


# The sentence

SECTOR = bytes(byte ^ 0xFF for byte in HELD[40_960 : 40_960 + 4096])
HOLLOW = noise(1000, seed=2) + bytes(500) + noise(1000, seed=3)

SENTENCES = [
    (b"", b"", "nothing differs: both are empty"),
    (b"a", b"a", "nothing differs: both hold the same 1 byte"),
    (HELD, HELD, "nothing differs: both hold the same 2.0 MiB"),
    (HELD, flipped(HELD, (1_204_992, 8)), "one bit differs at byte 1,204,992"),
    (HELD, flipped(HELD, (7, 6)), "2 bits differ at byte 7"),
    (HELD, flipped(HELD, (7, 1), (17, 1), (27, 1)), "3 bits differ in the 21 bytes from byte 7"),
    (
        HELD,
        flipped(HELD, (7, 1), (1700, 3), (2_000_000, 1)),
        "4 bits differ in 3 places, the first at byte 7",
    ),
    (
        HELD,
        HELD[:1_500_000] + bytes(len(HELD) - 1_500_000),
        "zero-filled on the mirror from 1.4 MiB to the end: an interrupted copy",
    ),
    (
        HOLLOW,
        HOLLOW[:900] + bytes(1600),
        "zero-filled on the mirror from byte 900 to the end: an interrupted copy",
    ),
    (
        HELD,
        bytes(len(HELD)),
        "zero-filled on the mirror from the beginning to the end: an interrupted copy",
    ),
    (
        bytes(len(HELD)),
        HELD,
        "zero-filled on the source from the beginning to the end",
    ),
    (HELD[:99] + b"\x07", HELD[:99] + b"\0", "zero-filled on the mirror from byte 99 to the end"),
    (
        HELD,
        put(HELD, 131_072, bytes(65_536)),
        "64.0 KiB at byte 131,072 are zero-filled on the mirror",
    ),
    (put(HELD, 5, b"\7"), put(HELD, 5, b"\0"), "1 byte at byte 5 is zero-filled on the mirror"),
    (
        put(put(HELD, 4096, bytes(4096)), 65_536, bytes(512)),
        HELD,
        "zero-filled on the source in 2 places, 4,608 bytes in all, the first at byte 4,096",
    ),
    (
        HELD,
        put(HELD[:8192], 4096, bytes(4096)),
        "zero-filled on the mirror from byte 4,096 to the end,"
        " and the mirror ends at byte 8,192, 2.0 MiB short: an interrupted copy",
    ),
    (
        HELD[:8192],
        put(HELD[:9000], 4096, bytes(4096)),
        "4,096 bytes at byte 4,096 are zero-filled on the mirror,"
        " and the source ends at byte 8,192, where the mirror goes on for 808 bytes",
    ),
    (
        HELD,
        HELD[:MIB],
        "the mirror ends at byte 1,048,576, 1.0 MiB short: an interrupted copy",
    ),
    (HELD, b"", "the mirror is empty, 2.0 MiB short: an interrupted copy"),
    (
        HELD[:MIB],
        HELD[: MIB + 12_345],
        "the source ends at byte 1,048,576, where the mirror goes on for 12,345 bytes",
    ),
    (b"", b"abc", "the source is empty, where the mirror goes on for 3 bytes"),
    (
        HELD,
        flipped(HELD, (7, 1))[:100],
        "one bit differs at byte 7, and the mirror ends at byte 100, 2.0 MiB short",
    ),
    (
        HELD,
        put(HELD, 131_072, HELD[524_288 : 524_288 + 65_536]),
        "64.0 KiB at byte 131,072 of the mirror hold what belongs at byte 524,288",
    ),
    (
        HELD,
        put(HELD, 131_072, HELD[524_288 : 524_288 + 300_000]),
        "293.0 KiB at byte 131,072 of the mirror hold what belongs at byte 524,288",
    ),
    (
        put(HELD, 131_072, HELD[5000:9096]),
        HELD,
        "4,096 bytes at byte 131,072 of the source stand at byte 5,000 of the mirror",
    ),
    (
        HELD,
        HELD[:5000] + b"new" + HELD[5000:],
        "2.0 MiB at byte 5,000 of the source stand at byte 5,003 of the mirror, and the source"
        " ends at byte 2,097,152, where the mirror goes on for 3 bytes",
    ),
    (
        HELD,
        put(HELD, 40_960, SECTOR[:512]),
        "512 bytes garbled at byte 40,960: the size of a disk sector",
    ),
    (
        HELD,
        put(HELD, 40_960, SECTOR),
        "4,096 bytes garbled at byte 40,960: the size of a disk sector of 4 KiB",
    ),
    (
        HELD,
        put(HELD, 40_960, SECTOR[:1536]),
        "1,536 bytes garbled at byte 40,960: the size of 3 disk sectors",
    ),
    (
        HELD,
        put(HELD, 40_961, SECTOR[1:510]),
        "509 bytes garbled at byte 40,961: nearly the size of a disk sector, at byte 40,960",
    ),
    (HELD, put(HELD, 41_000, SECTOR[40:140]), "100 bytes garbled at byte 41,000"),
    (
        HELD,
        put(HELD, 40_960, b"\xff" * 8192),
        "8,192 bytes garbled at byte 40,960: the size of 2 disk sectors of 4 KiB",
    ),
    (
        HELD,
        flipped(HELD, (10, 255), (40, 255), (70, 255)),
        "3 bytes differ in the 61 bytes from byte 10",
    ),
    (
        HELD,
        flipped(put(HELD, 40_960, SECTOR), (77, 255), (1_000_000, 1)),
        "3 places differ, 4,098 bytes in all, the first at byte 77",
    ),
    (HELD, noise(2 * MIB), "nothing in common: every part that was read differs"),
    (
        HELD,
        noise(MIB),
        "nothing in common: every part that was read differs,"
        " and the mirror ends at byte 1,048,576, 1.0 MiB short",
    ),
]


@pytest.mark.parametrize(("source", "mirror", "sentence"), SENTENCES, ids=[c[2] for c in SENTENCES])
def test_the_sentence_tells(source: bytes, mirror: bytes, sentence: str) -> None:
    assert damage(source, mirror).sentence == sentence


@pytest.mark.parametrize(
    ("mirror", "limit", "sentence"),
    [
        (HELD, 0, "nothing was examined; the search reached its limit after 0 bytes of 2.0 MiB"),
        (
            HELD,
            MIB,
            "nothing differs so far; the search reached its limit after 512.0 KiB of 2.0 MiB",
        ),
        (
            flipped(HELD, (77, 1)),
            MIB,
            "one bit differs at byte 77; the search reached its limit after 512.0 KiB of 2.0 MiB",
        ),
        (
            bytes(len(HELD)),
            200,
            "100 bytes at byte 0 are zero-filled on the mirror;"
            " the search reached its limit after 100 bytes of 2.0 MiB",
        ),
        (
            HELD[:MIB],
            MIB,
            "the mirror ends at byte 1,048,576, 1.0 MiB short;"
            " the search reached its limit after 512.0 KiB of 1.0 MiB",
        ),
    ],
)
def test_a_sentence_says_how_far_a_search_that_met_its_bound_has_looked(
    mirror: bytes, limit: int, sentence: str
) -> None:
    assert damage(HELD, mirror, bounds=Bounds(bytes_read=limit)).sentence == sentence


def test_equality_by_fingerprint_alone_is_said_to_be_that() -> None:
    source, mirror = (fingerprinted(HELD, 65_536) for _ in range(2))
    found = examine(source, mirror, segment=65_536)
    assert source.reads == mirror.reads == []
    assert found.sentence == "nothing differs, as far as equal fingerprints tell"


@pytest.mark.parametrize("block", [97, 4096, 5000])
def test_content_is_found_elsewhere_across_the_borders_of_blocks(block: int) -> None:
    held = noise(60_000)
    mirror = put(held, 10_000, held[40_001:45_001])
    assert damage(held, mirror, block=block).sentence == (
        "5,000 bytes at byte 10,000 of the mirror hold what belongs at byte 40,001"
    )


def test_content_that_the_other_side_holds_in_part_is_not_said_to_belong_elsewhere() -> None:
    source = noise(300_000)
    mirror = put(source, 20_000, source[-70_000:] + noise(30_000, seed=1))
    assert damage(source, mirror).sentence == "97.7 KiB garbled at byte 20,000"


def test_content_that_recurs_but_never_as_a_whole_is_not_said_to_belong_elsewhere() -> None:
    paragraph = noise(4096)
    source = noise(8192, seed=1) + paragraph * 40 + noise(200_000, seed=2)
    mirror = put(source, 250_000, paragraph * 17 + noise(4096, seed=3))
    assert "belongs" not in damage(source, mirror).sentence


def test_a_bit_flipped_in_a_zero_area_blames_neither_side() -> None:
    blank = bytes(1000)
    for pair in ((blank, flipped(blank, (500, 4))), (flipped(blank, (500, 4)), blank)):
        found = examine(*map(InMemory, pair))
        assert found.likeness.zero_filled is None
        assert [each.pattern for each in found.ranges] == [Pattern.BIT_FLIP]


def test_zeroes_over_single_bits_are_zero_filled() -> None:
    spaces = b"\x20" * 4096
    found = examine(InMemory(spaces), InMemory(put(spaces, 512, bytes(512))))
    assert [each.pattern for each in found.ranges] == [Pattern.ZERO_FILLED]
    assert found.likeness.zero_filled is Side.MIRROR


def test_zeroes_are_not_said_to_reach_across_a_segment_that_was_not_read() -> None:
    mirror = put(put(HELD[:768], 100, bytes(156)), 512, bytes(256))
    found = examine(fingerprinted(HELD[:768], 256), fingerprinted(mirror, 256), segment=256)
    assert found.sentence == (
        "zero-filled on the mirror in 2 places, 412 bytes in all, the first at byte 100"
    )


def test_contents_that_share_a_segment_are_not_said_to_have_nothing_in_common() -> None:
    shared = noise(256)
    source = fingerprinted(shared + noise(256, seed=1), 256)
    mirror = fingerprinted(shared + noise(256, seed=2), 256)
    assert "nothing in common" not in examine(source, mirror, segment=256).sentence
