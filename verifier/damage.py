"""Where and how two contents differ, told as ranges and as one sentence.

Contents are read only through the two objects that are passed in; nothing is opened here and no
clock is read but the caller's.  Which of the two is right is not known here and is never claimed.
All positions are bytes counted from 0, range ends are exclusive.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Final, Protocol

from msgspec import Struct

from verifier.model import SEGMENT, Damage, DamageRange, Likeness, Pattern, Side

JOIN: Final = 64
"""Ranges with fewer equal bytes than this between them are one range."""

BLOCK: Final = 1024 * 1024
"""Bytes read from one side at a time: few calls, and little memory however long the files."""

FLIPS_ANYWHERE: Final = 2
"""So few differing bits in a range are a bit flip, even in the same byte."""

INTERRUPTED: Final = ": an interrupted copy"
"""How a sentence ends when all that the mirror lacks is its end."""

ZEROED_FROM: Final = 16
"""Bytes from which a stretch of zeroes is no chance of flipped bits, whatever stood there."""

REACH: Final = 256 * 1024 * 1024
"""How far before and after a garbled range its bytes are looked for on the other side; a longer
range is not looked for at all."""

MISPLACED_FROM: Final = 4096
"""The shortest range looked for elsewhere: shorter content recurs by chance."""

_SAMPLE: Final = 64 * 1024
_CANDIDATES: Final = 16  # repetitive content offers no end of them, each costs a second reading
_FAR: Final = bytes(JOIN)
_ZEROS: Final = re.compile(rb"\0*")


class Content(Protocol):
    """One of the two sides.

    ``size`` is in bytes.  ``fingerprints`` are XXH3-128 of each segment, () when not known, and
    must describe what ``read_at`` gives.
    """

    @property
    def size(self) -> int: ...  # noqa: D102
    @property
    def fingerprints(self) -> tuple[bytes, ...]: ...  # noqa: D102

    def read_at(self, offset: int, length: int) -> bytes:
        """``length`` bytes from ``offset``, fewer only at the end; OSError when unreadable."""
        ...


class Bounds(Struct, frozen=True):
    """Limits of one examination: seconds, bytes read over both sides, and ranges kept."""

    seconds: float | None = None
    bytes_read: int | None = None
    ranges: int = 10_000


DEFAULT_BOUNDS: Final = Bounds()


def examine(
    source: Content,
    mirror: Content,
    bounds: Bounds = DEFAULT_BOUNDS,
    clock: Callable[[], float] | None = None,
    *,
    segment: int = SEGMENT,
    block: int = BLOCK,
) -> Damage:
    """Compare both contents and say where and how they differ.

    ``clock`` gives seconds and is needed only for a bound on time, which is looked at between
    blocks.  ``segment`` is the bytes that one fingerprint covers, ``block`` the bytes read at a
    time.  A tail that only one side has is known from the sizes, so it is told even when a bound
    ends the search before it.

    Raises OSError when a side cannot be read, or holds less than its size says (ESTALE).
    """
    if segment < JOIN or block < 1:
        raise ValueError(f"a segment holds at least {JOIN} bytes, a block at least one")
    budget = _Budget(bounds, clock)
    tail = _tail(source.size, mirror.size)
    tally = _Tally(keep=bounds.ranges - len(tail))
    pair = _Pair(source, mirror, budget, segment, block)
    for offset, of_source, of_mirror in pair.blocks():
        tally.add(offset, of_source, of_mirror)
    tally.end()

    complete = pair.position == pair.common
    picture = _Picture(
        source_size=source.size,
        mirror_size=mirror.size,
        looked_to=pair.position,
        was_read=pair.was_read,
        tally=tally,
        misplaced=_misplaced(pair, tally) if complete else None,
    )
    kept = (*tally.kept, *tail)[: bounds.ranges]
    return Damage(
        source_size=source.size,
        mirror_size=mirror.size,
        ranges=kept,
        differing_bytes=tally.differing + abs(source.size - mirror.size),
        sentence=_sentence(picture),
        likeness=_likeness(picture) if complete else Likeness(),
        left_out=tally.count + len(tail) - len(kept),
        complete=complete,
    )


def _tail(source_size: int, mirror_size: int) -> tuple[DamageRange, ...]:
    if mirror_size < source_size:
        return (DamageRange(mirror_size, source_size, Pattern.MISSING_TAIL),)
    if mirror_size > source_size:
        return (DamageRange(source_size, mirror_size, Pattern.EXTRA_TAIL),)
    return ()


# Reading both sides


class _Budget:
    """What may still be read, by time and by bytes."""

    def __init__(self, bounds: Bounds, clock: Callable[[], float] | None) -> None:
        self._out_of_time = _alarm(bounds.seconds, clock)
        self._left = bounds.bytes_read

    def granted(self, length: int, sides: int) -> int:
        """How many of ``length`` bytes may now be read from each of ``sides``."""
        if self._out_of_time():
            return 0
        return length if self._left is None else min(length, self._left // sides)

    def read(self, content: Content, offset: int, length: int) -> bytes:
        """Exactly ``length`` bytes, whatever was granted."""
        found = content.read_at(offset, length)
        if self._left is not None:
            self._left -= len(found)
        if len(found) != length:
            raise OSError(errno.ESTALE, "the file changed its size while it was examined")
        return found

    def read_if_granted(self, content: Content, offset: int, length: int) -> bytes | None:
        """``length`` bytes of one side, or None when a bound forbids reading them all."""
        if self.granted(length, sides=1) < length:
            return None
        return self.read(content, offset, length)


def _alarm(seconds: float | None, clock: Callable[[], float] | None) -> Callable[[], bool]:
    """A question that is answered with True once ``seconds`` have passed from now."""
    if seconds is None:
        return lambda: False
    if clock is None:
        raise ValueError("a bound on time needs a clock")
    until = clock() + seconds
    return lambda: clock() >= until


class _Pair:
    """Both sides, read together over the length that they have in common."""

    def __init__(
        self, source: Content, mirror: Content, budget: _Budget, segment: int, block: int
    ) -> None:
        self.source = source
        self.mirror = mirror
        self.budget = budget
        self.block = block
        self.common = min(source.size, mirror.size)
        self.position = 0  # everything before it was read, or is equal by fingerprint
        self.was_read = 0  # bytes of each side
        self._segment = segment

    def blocks(self) -> Iterator[tuple[int, bytes, bytes]]:
        """Offset, source's and mirror's bytes, in order, without segments of equal fingerprint.

        Ends early when a bound is reached; ``position`` tells how far it came.
        """
        while self.position < self.common:
            number, inside = divmod(self.position, self._segment)
            segment_end = min(self.common, (number + 1) * self._segment)
            if inside == 0 and self._equal_by_fingerprint(number):
                self.position = segment_end
                continue
            wanted = min(self.block, segment_end - self.position)
            length = self.budget.granted(wanted, sides=2)
            if length < 1:
                return
            offset = self.position
            of_source = self.budget.read(self.source, offset, length)
            of_mirror = self.budget.read(self.mirror, offset, length)
            self.position += length
            self.was_read += length
            yield offset, of_source, of_mirror

    def _equal_by_fingerprint(self, number: int) -> bool:
        start = number * self._segment
        if self._covered(self.source, start) != self._covered(self.mirror, start):
            return False
        of_source, of_mirror = self.source.fingerprints, self.mirror.fingerprints
        if not (self._fits(self.source) and self._fits(self.mirror)):
            return False
        return of_source[number] == of_mirror[number]

    def _covered(self, content: Content, start: int) -> int:
        return min(self._segment, content.size - start)

    def _fits(self, content: Content) -> bool:
        """False for fingerprints that are not known, or were taken of another size."""
        return len(content.fingerprints) == -(-content.size // self._segment)


# What was seen


@dataclass(slots=True)
class _Evidence:
    """One differing range as far as it was seen.

    ``bits`` differ in all, and ``one_a_byte`` says that no byte has more than one of them; both
    are no longer kept up once the range is known to be no bit flip.
    """

    start: int
    end: int
    bits: int
    one_a_byte: bool
    source_zero: bool
    mirror_zero: bool

    @property
    def single_bits(self) -> bool:
        return self.one_a_byte or self.bits <= FLIPS_ANYWHERE

    @property
    def flipped(self) -> bool:
        zeroed = (self.source_zero or self.mirror_zero) and self.end - self.start >= ZEROED_FROM
        return self.single_bits and not zeroed

    def extend(self, later: _Evidence, between: bytes) -> None:
        """Join ``later``; ``between`` are the bytes, equal on both sides, before it."""
        blank = not any(between)
        self.end = later.end
        self.bits += later.bits
        self.one_a_byte = self.one_a_byte and later.one_a_byte
        self.source_zero = self.source_zero and later.source_zero and blank
        self.mirror_zero = self.mirror_zero and later.mirror_zero and blank

    def as_range(self) -> DamageRange:
        if self.flipped:
            return DamageRange(self.start, self.end, Pattern.BIT_FLIP, self.bits)
        zero_filled = self.source_zero or self.mirror_zero
        return DamageRange(
            self.start, self.end, Pattern.ZERO_FILLED if zero_filled else Pattern.GARBLED
        )


@dataclass(slots=True)
class _ZeroRun:
    """How far one side holds nothing but zeroes, from the first difference on."""

    until: int = 0
    unbroken: bool = True

    def follow(self, content: bytes, offset: int, begin: int) -> None:
        """Take in a block that stands at ``offset``, from its byte ``begin`` on."""
        if self.unbroken:
            end = _zeros_end(content, begin)
            self.until = offset + end
            self.unbroken = end == len(content)


class _Tally:
    """Adds up differing ranges from blocks that come in order; at most ``keep`` are kept.

    ``differing`` counts bytes.  ``flipped``, ``source_zero`` and ``mirror_zero`` hold for all
    ranges, those not kept too, and are true while there is none.
    """

    def __init__(self, keep: int) -> None:
        self.kept: list[DamageRange] = []
        self.count = 0
        self.differing = 0
        self.bits = 0
        self.flipped = True
        self.source_zero = True
        self.mirror_zero = True
        self.first: int | None = None
        self.last_end = 0
        self.equal_blocks = 0
        self.source_run = _ZeroRun()
        self.mirror_run = _ZeroRun()
        self._keep = keep
        self._position = 0
        self._open: _Evidence | None = None
        self._since_open = b""  # equal bytes that came after the open range

    def add(self, offset: int, source: bytes, mirror: bytes) -> None:
        """Take in the bytes that both sides hold from ``offset`` on."""
        if offset != self._position:
            self._skipped()
        self._position = offset + len(source)
        if source == mirror:
            self.equal_blocks += 1
            self._pass_over(source[:JOIN])
        else:
            self._add_differing(offset, source, mirror)
        if self.first is not None:
            begin = max(0, self.first - offset)
            self.source_run.follow(source, offset, begin)
            self.mirror_run.follow(mirror, offset, begin)

    def end(self) -> None:
        """Say that no more blocks come."""
        self._close()

    def _add_differing(self, offset: int, source: bytes, mirror: bytes) -> None:
        number = int.from_bytes(source, "little") ^ int.from_bytes(mirror, "little")
        xor = number.to_bytes(len(source), "little")
        self.differing += len(xor) - xor.count(0)
        spans = list(_spans(xor))
        if self.first is None:
            self.first = offset + spans[0][0]
        if self._patterns_matter_no_more:
            self.count += max(0, len(spans) - 2)
            del spans[1:-1]  # the outer two may join what stands in the blocks beside
        passed = 0
        for start, end in spans:
            self._pass_over(source[passed : min(start, passed + JOIN)])
            # A byte with several differing bits is no flip, whatever joins its range.
            settled = self._open is not None and not self._open.single_bits
            bits, one_a_byte = (0, False) if settled else _flips(number, xor, start, end)
            self._join(
                _Evidence(
                    start=offset + start,
                    end=offset + end,
                    bits=bits,
                    one_a_byte=one_a_byte,
                    source_zero=_zeros_end(source, start, end) == end,
                    mirror_zero=_zeros_end(mirror, start, end) == end,
                )
            )
            passed = end
        self._pass_over(source[passed : passed + JOIN])

    @property
    def _patterns_matter_no_more(self) -> bool:
        """True when further ranges can only be counted, which is several times faster."""
        full = len(self.kept) >= self._keep
        return full and not (self.flipped or self.source_zero or self.mirror_zero)

    def _join(self, evidence: _Evidence) -> None:
        if self._open is None:
            self._open = evidence
        else:
            self._open.extend(evidence, self._since_open)
        self._since_open = b""
        self.last_end = evidence.end

    def _pass_over(self, equal: bytes) -> None:
        if self._open is None:
            return
        self._since_open += equal
        if len(self._since_open) >= JOIN:
            self._close()

    def _skipped(self) -> None:
        """A whole segment was equal by fingerprint, which is further than ranges are joined."""
        self._close()
        if self.first is not None:
            self.source_run.unbroken = self.mirror_run.unbroken = False

    def _close(self) -> None:
        evidence, self._open, self._since_open = self._open, None, b""
        if evidence is None:
            return
        self.count += 1
        self.bits += evidence.bits
        self.flipped = self.flipped and evidence.flipped
        self.source_zero = self.source_zero and evidence.source_zero
        self.mirror_zero = self.mirror_zero and evidence.mirror_zero
        if len(self.kept) < self._keep:
            self.kept.append(evidence.as_range())


def _spans(xor: bytes) -> Iterator[tuple[int, int]]:
    """Start and end of each stretch of differing bytes, ``JOIN`` or more zeroes between them."""
    start = _zeros_end(xor, 0)
    while start < len(xor):
        end = xor.find(_FAR, start)
        if end < 0:
            yield start, len(xor.rstrip(b"\0"))
            return
        yield start, end
        start = _zeros_end(xor, end + JOIN)


def _zeros_end(content: bytes, start: int, stop: int | None = None) -> int:
    """The position of the first byte from ``start`` on that is not zero, ``stop`` if none is."""
    stop = len(content) if stop is None else stop
    if stop - start == len(content) and content == bytes(stop):
        return stop  # comparing whole blocks is ten times faster than looking through them
    found = _ZEROS.match(content, start, stop)
    return start if found is None else found.end()


def _flips(number: int, xor: bytes, start: int, end: int) -> tuple[int, bool]:
    """Bits set in ``xor`` from ``start`` to ``end``, and whether no byte has more than one.

    ``number`` is the whole of ``xor``, which saves turning it round again.
    """
    length = end - start
    if length < len(xor):
        number = int.from_bytes(xor[start:end], "little")
    bits = number.bit_count()
    # More bits than bytes settles most cases without counting the bytes.
    return bits, bits <= length and bits == length - xor.count(0, start, end)


def _likeness(picture: _Picture) -> Likeness:
    tally = picture.tally
    alike = tally.count == 0
    return Likeness(
        mirror_is_prefix=alike and picture.mirror_size < picture.source_size,
        source_is_prefix=alike and picture.source_size < picture.mirror_size,
        zero_filled=_zero_side(tally),
    )


def _zero_side(tally: _Tally) -> Side | None:
    """The side that is all zero in every range, unless all are flipped bits.

    A flip into or out of a zero byte says nothing of which side is right.  Never both: a range
    begins with a byte that differs, so one side has no zero there.
    """
    if tally.flipped:
        return None
    if tally.mirror_zero:
        return Side.MIRROR
    return Side.SOURCE if tally.source_zero else None


# Content that stands elsewhere


def _misplaced(pair: _Pair, tally: _Tally) -> str | None:
    """The clause for a single garbled range whose bytes the other side has elsewhere."""
    if tally.count != 1 or tally.first is None or tally.flipped or _zero_side(tally):
        return None
    start, length = tally.first, tally.last_end - tally.first
    if not MISPLACED_FROM <= length <= REACH:
        return None
    amount = f"{_size(length)} at {_byte(start)}"
    found = _find_elsewhere(pair, pair.mirror, pair.source, start, length)
    if found is not None:
        return f"{amount} of the mirror hold what belongs at {_byte(found)}"
    found = _find_elsewhere(pair, pair.source, pair.mirror, start, length)
    if found is not None:
        return f"{amount} of the source stand at {_byte(found)} of the mirror"
    return None


def _find_elsewhere(
    pair: _Pair, here: Content, there: Content, start: int, length: int
) -> int | None:
    """Where ``there`` holds what ``here`` has in ``length`` bytes from ``start``, if near.

    None also when a bound of the examination ends the search.
    """
    sample = pair.budget.read_if_granted(here, start, min(length, _SAMPLE))
    if sample is None or sample.count(sample[:1]) == len(sample):
        return None  # one byte over and over is a filling, which belongs nowhere
    rest = length - len(sample)
    low, high = max(0, start - REACH), min(there.size, start + length + REACH)
    places = _occurrences(pair, there, sample, low, high - rest)
    for place in islice(places, _CANDIDATES):
        if _same(pair, here, start + len(sample), there, place + len(sample), rest):
            return place
    return None


def _occurrences(
    pair: _Pair, content: Content, sample: bytes, low: int, high: int
) -> Iterator[int]:
    """Each position from ``low`` on at which ``sample`` stands and ends by ``high``."""
    carried = b""
    for position in range(low, high, pair.block):
        length = min(pair.block, high - position)
        read = pair.budget.read_if_granted(content, position, length)
        if read is None:
            return
        window = carried + read
        found = window.find(sample)
        while found >= 0:
            yield position - len(carried) + found
            found = window.find(sample, found + 1)
        carried = window[-(len(sample) - 1) :]


def _same(
    pair: _Pair, here: Content, offset: int, there: Content, other_offset: int, length: int
) -> bool:
    for done in range(0, length, pair.block):
        step = min(pair.block, length - done)
        ours = pair.budget.read_if_granted(here, offset + done, step)
        if ours is None or ours != pair.budget.read_if_granted(there, other_offset + done, step):
            return False
    return True


# The sentence

INTERRUPTED_FROM: Final = 8
"""Fewer zero bytes at a file's end may well be a number that was set to nothing."""

ALIKE_BY_CHANCE: Final = 10
"""Unrelated contents still have about every 256th byte in common, texts up to every tenth."""

_SECTORS: Final = ((4096, " of 4 KiB"), (512, ""))
_CHANCE_AT_SECTOR_END: Final = 8  # garbled bytes that happen to equal the true ones
_EXACT_BELOW: Final = 64 * 1024
_UNITS: Final = ("KiB", "MiB", "GiB", "TiB", "PiB")


class _Picture(Struct, frozen=True):
    """All that the sentence is made from; sizes and positions in bytes."""

    source_size: int
    mirror_size: int
    looked_to: int
    was_read: int
    tally: _Tally
    misplaced: str | None

    @property
    def common(self) -> int:
        return min(self.source_size, self.mirror_size)

    @property
    def complete(self) -> bool:
        return self.looked_to == self.common

    @property
    def start(self) -> int:
        """The first byte that differs."""
        return self.tally.first or 0

    @property
    def length(self) -> int:
        """Bytes from the first that differs to the last."""
        return self.tally.last_end - self.start


def _sentence(picture: _Picture) -> str:
    clauses = [clause for clause in (_body(picture), _tail_clause(picture)) if clause]
    sentence = ", and ".join(clauses) or _no_difference(picture)
    if _copy_was_interrupted(picture):
        sentence += INTERRUPTED
    if not picture.complete:
        sentence += (
            f"; the search reached its limit after {_size(picture.looked_to)}"
            f" of {_size(picture.common)}"
        )
    return sentence


def _body(picture: _Picture) -> str | None:
    """What is said of the length that both have: the first clause that fits."""
    if picture.tally.count == 0:
        return None
    return next(clause for say in _CLAUSES if (clause := say(picture)) is not None)


def _flipped_bits(picture: _Picture) -> str | None:
    tally = picture.tally
    if not tally.flipped:
        return None
    bits = "one bit differs" if tally.bits == 1 else f"{tally.bits:,} bits differ"
    if tally.count > 1:
        return f"{bits} in {tally.count:,} places, the first at {_byte(picture.start)}"
    if picture.length > 1:
        return f"{bits} in the {_size(picture.length)} from {_byte(picture.start)}"
    return f"{bits} at {_byte(picture.start)}"


def _zeroed_stretch(picture: _Picture) -> str | None:
    for side, run, size in (
        (Side.MIRROR, picture.tally.mirror_run, picture.mirror_size),
        (Side.SOURCE, picture.tally.source_run, picture.source_size),
    ):
        if run.until < picture.tally.last_end:
            continue
        if run.until == size:
            return f"zero-filled on the {side} from {_position(picture.start)} to the end"
        is_or_are = "is" if picture.length == 1 else "are"
        stretch = f"{_size(picture.length)} at {_byte(picture.start)}"
        return f"{stretch} {is_or_are} zero-filled on the {side}"
    return None


def _zeroed_places(picture: _Picture) -> str | None:
    side = _zero_side(picture.tally)
    if side is None:
        return None
    return f"zero-filled on the {side} in {picture.tally.count:,} places, {_amount(picture)}"


def _misplaced_content(picture: _Picture) -> str | None:
    return picture.misplaced


def _nothing_in_common(picture: _Picture) -> str | None:
    tally = picture.tally
    alike = picture.was_read - tally.differing
    if (
        picture.was_read < max(JOIN, picture.looked_to)
        or tally.equal_blocks
        or alike * ALIKE_BY_CHANCE > picture.was_read
    ):
        return None
    return "nothing in common: every part that was read differs"


def _garbled_range(picture: _Picture) -> str | None:
    if picture.tally.count > 1:
        return None
    differing = picture.tally.differing
    if (picture.length - differing) * ALIKE_BY_CHANCE > picture.length:
        where = f"in the {_size(picture.length)} from {_byte(picture.start)}"
        return f"{_size(differing)} differ {where}"
    garbled = f"{_size(picture.length)} garbled at {_byte(picture.start)}"
    sectors = _sectors(picture.start, picture.tally.last_end)
    return f"{garbled}: {sectors}" if sectors else garbled


def _scattered(picture: _Picture) -> str | None:
    return f"{picture.tally.count:,} places differ, {_amount(picture)}"


_CLAUSES: Final[tuple[Callable[[_Picture], str | None], ...]] = (
    _flipped_bits,
    _zeroed_stretch,
    _zeroed_places,
    _misplaced_content,
    _nothing_in_common,
    _garbled_range,
    _scattered,
)


def _tail_clause(picture: _Picture) -> str | None:
    source, mirror = picture.source_size, picture.mirror_size
    if mirror < source:
        ends = f"ends at {_byte(mirror)}" if mirror else "is empty"
        return f"the mirror {ends}, {_size(source - mirror)} short"
    if mirror > source:
        ends = f"ends at {_byte(source)}" if source else "is empty"
        return f"the source {ends}, where the mirror goes on for {_size(mirror - source)}"
    return None


def _no_difference(picture: _Picture) -> str:
    if not picture.complete:
        return "nothing differs so far" if picture.looked_to else "nothing was examined"
    if picture.common == 0:
        return "nothing differs: both are empty"
    if picture.was_read < picture.common:
        return "nothing differs, as far as equal fingerprints tell"
    return f"nothing differs: both hold the same {_size(picture.common)}"


def _copy_was_interrupted(picture: _Picture) -> bool:
    """True when all that the mirror lacks is its end."""
    if not picture.complete:
        return False
    if picture.tally.count == 0:
        return picture.mirror_size < picture.source_size
    run = picture.tally.mirror_run
    return (
        not picture.tally.flipped
        and run.until == picture.mirror_size
        and run.until - picture.start >= INTERRUPTED_FROM
    )


def _sectors(start: int, end: int) -> str | None:
    """What a disk calls the range, when it begins and ends where sectors do."""
    for size, kind in _SECTORS:
        low, high = start // size * size, -(-end // size) * size
        if max(start - low, high - end) > _CHANCE_AT_SECTOR_END:
            continue
        number = (high - low) // size
        sectors = f"a disk sector{kind}" if number == 1 else f"{number:,} disk sectors{kind}"
        if (low, high) == (start, end):
            return f"the size of {sectors}"
        return f"nearly the size of {sectors}, at {_byte(low)}"
    return None


def _amount(picture: _Picture) -> str:
    return f"{_size(picture.tally.differing)} in all, the first at {_byte(picture.start)}"


def _byte(position: int) -> str:
    return f"byte {position:,}"


def _position(position: int) -> str:
    """Where something begins, rounded when it is far in."""
    if position == 0:
        return "the beginning"
    return _byte(position) if position < 1024 * 1024 else _size(position)


def _size(count: int) -> str:
    """``count`` bytes for a person: exact while small, else in binary units.

    >>> _size(12_345), _size(65_536), _size(3_435_973_837)
    ('12,345 bytes', '64.0 KiB', '3.2 GiB')
    """
    if count < _EXACT_BELOW:
        return "1 byte" if count == 1 else f"{count:,} bytes"
    amount = count / 1024
    for unit in _UNITS[:-1]:
        if round(amount, 1) < 1024:
            return f"{amount:.1f} {unit}"
        amount /= 1024
    return f"{amount:,.1f} {_UNITS[-1]}"
