"""The sample of a spot-check: what is drawn from, and its units in their random order.

It streams: of a share with millions of files no more is held than the sample itself, and of that
no more than `HELD_IN_ORDER`.
"""

from __future__ import annotations

import heapq
from array import array
from collections.abc import Callable, Collection, Iterable, Iterator
from enum import Enum, StrEnum
from fractions import Fraction
from itertools import islice
from typing import Final

from msgspec import Struct

from verifier import sampling
from verifier.engine import Watch
from verifier.errors import RequestRefused
from verifier.ledger import Ledger, PlaceName
from verifier.model import SEGMENT, Sighting
from verifier.places.base import Place, pack
from verifier.settings import Settings
from verifier.spill import SortedSpill

HELD_IN_ORDER: Final = 50_000
"""Files of a sample whose order is kept in memory; that of more is sorted through the disk."""

FASTEST: Final = 2_000
"""Files that one place can be read of in a second at most: what a sample by time may come to."""

MOST_DRAWS: Final = 200_000
"""Bytes that a sample by bytes draws at most: their pieces alone are some 13 TB."""


class By(StrEnum):
    """What is drawn with equal chance: a file, or a byte, of which its whole piece is read."""

    FILES = "files"
    BYTES = "bytes"


class Request(Struct, frozen=True):
    """What is to be drawn and shown.

    ``at_most`` is the part that must not be bad unnoticed, None to read for ``minutes`` alone.
    ``folder`` narrows it, b"" is the whole share.  ``bell`` is in seconds since 1970.
    """

    settings: Settings
    share: str
    seed: int
    confidence: Fraction
    at_most: Fraction | None
    minutes: float | None = None
    folder: bytes = b""
    by: By = By.FILES
    bell: float | None = None

    @property
    def below(self) -> bytes:
        """The folder as the ledger takes it."""
        return self.folder + b"/" if self.folder else b""


class Extent(Struct, frozen=True):
    """So many files and bytes."""

    files: int
    bytes: int


class Step(Enum):
    """How far one unit has come."""

    PIECE = 1
    PIECE_AGAIN = 2
    WHOLE = 3
    WHOLE_AGAIN = 4


class Unit:
    """A file, or a piece of one, and what was read of it so far.

    ``answers`` are those of the step that is under way, ``first`` a whole reading before it, and
    ``pieces`` the readings of the piece that led to one.  It is ``hidden_at`` places where it lies
    below a folder that cannot be listed: those have no answer.
    """

    def __init__(self, number: int, path: bytes, size: int, piece: int | None = None) -> None:
        self.number = number
        self.path = path
        self.size = size
        self.piece = piece
        self.step = Step.WHOLE if piece is None else Step.PIECE
        self.names: dict[PlaceName, bytes] = {}
        self.waits: set[PlaceName] = set()
        self.hidden_at: set[PlaceName] = set()
        self.answers: dict[PlaceName, Sighting] = {}
        self.pieces: dict[PlaceName, Sighting] = {}
        self.first: dict[PlaceName, Sighting] = {}

    @property
    def length(self) -> int:
        """Bytes of it that belong to the sample."""
        return self.size if self.piece is None else _length(self.size, self.piece)


class _Ranked(Struct, frozen=True, gc=False):
    """A file with its place in the random order."""

    rank: bytes
    path: bytes
    size: int


class Sample:
    """One draw from ``population``, which `population_of` has counted.  Close it after use.

    ``of`` is how many have equal chances, files or bytes; ``total`` the bytes of all units where
    that is known before they are read.  Raises RequestRefused for too many draws.
    """

    def __init__(self, request: Request, ledger: Ledger, population: Extent) -> None:
        self._request = request
        self._ledger = ledger
        self._draw = sampling.Draw(request.seed)
        self._spill: SortedSpill[_Ranked] | None = None
        self.total: int | None = None
        self.by_bytes = request.by is By.BYTES
        self.of = population.bytes if self.by_bytes else population.files
        most = self.of
        if request.at_most is not None:
            most = sampling.draws_needed(self.of, request.at_most, request.confidence)
        self._units = self._pieces(most) if self.by_bytes else self._files(most)

    def close(self) -> None:
        """Forget the order."""
        if self._spill is not None:
            self._spill.close()

    def __iter__(self) -> Iterator[Unit]:
        return self._units

    def drawn(self, done: int) -> int:
        """How many draws lie before the first unit that is not done, of which ``done`` are."""
        if not self.by_bytes:
            return done
        return len(self._of_draw) if done >= len(self._hit) else self._hit[done].first

    def hits(self, drawn: int, units: Collection[int]) -> int:
        """How many of the first draws of bytes lie in these units."""
        return sum(unit in units for unit in self._of_draw[:drawn])

    def _files(self, most: int) -> Iterator[Unit]:
        minutes = self._request.minutes
        if minutes is not None:
            most = min(most, max(1, round(60 * FASTEST * minutes)))
        ranked = (_Ranked(self._draw.rank(path), path, size) for path, size in self._standing())
        order: Iterable[_Ranked]
        if most <= HELD_IN_ORDER:
            order = heapq.nsmallest(most, ranked, key=_by_rank)
            if minutes is None:
                self.total = sum(each.size for each in order)
        else:
            order = self._spill = SortedSpill(_Ranked, _by_rank)
            self._spill.extend(ranked)
        return (
            Unit(number, each.path, each.size) for number, each in enumerate(islice(order, most))
        )

    def _pieces(self, most: int) -> Iterator[Unit]:
        if self._request.at_most is not None and most > MOST_DRAWS:
            raise RequestRefused(
                f"That takes {most:,} draws, and by bytes at most {MOST_DRAWS:,} are made. Allow "
                "more with --at-most, or leave out --by bytes to draw files."
            )
        drawn = self._draw.numbers(self.of, min(most, MOST_DRAWS))
        self._hit: list[sampling.Piece]
        self._of_draw: array[int]
        self._hit, self._of_draw = sampling.pieces_hit(self._standing(), drawn, SEGMENT)
        if self._request.minutes is None:
            self.total = sum(_length(each.size, each.number) for each in self._hit)
        return (
            # A file of one segment has no fingerprints: its whole content is the piece.
            Unit(number, each.path, each.size, each.number if each.size > SEGMENT else None)
            for number, each in enumerate(self._hit)
        )

    def _standing(self) -> Iterator[tuple[bytes, int]]:
        for due in self._ledger.work.standing(PlaceName(self._request.share), self._request.below):
            yield due.path, due.size


def population_of(
    request: Request, ledger: Ledger, which: Callable[[bytes], bool] = lambda path: True
) -> Extent:
    """The files of the source that the draw is from, and their bytes; or ``which`` of them.

    By bytes those are the files that hold any.
    """
    by_bytes = request.by is By.BYTES
    files = size = 0
    for due in ledger.work.standing(PlaceName(request.share), request.below):
        if which(due.path) and (due.size or not by_bytes):
            files += 1
            size += due.size
    return Extent(files, size)


def any_stands(request: Request, ledger: Ledger) -> bool:
    """Whether any file stands on the source where it is drawn from, be it empty."""
    return any(True for _ in ledger.work.standing(PlaceName(request.share), request.below))


def _by_rank(each: _Ranked) -> bytes:
    return each.rank


def _length(size: int, piece: int) -> int:
    return min(SEGMENT, size - piece * SEGMENT)


# ----------------------------------------------------------------------------- reading a piece


def read_piece_packed(
    place: Place, path: bytes, piece: int, now: Callable[[], float], watch: Watch
) -> bytes:
    """What a reader is sent: one segment of a file, its sighting packed."""
    return pack([place.read_piece(path, piece, now, watch)])
