"""Around damage: what is near a damaged file is read again before the rest of the audit.

Latent faults cluster in space and in time: a bad sector seldom comes alone, and what one faulty
write spoilt was written at the same time as its neighbours.  Sources: "An Analysis of Latent
Sector Errors in Disk Drives", SIGMETRICS 2007; "An Analysis of Data Corruption in the Storage
Stack", USENIX FAST 2008.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from typing import Final

from verifier.ledger import Ledger, PlaceName, Suspicion
from verifier.model import SEGMENT, Damage, Sighting, printable

FILES_A_SHIFT: Final = 1_000
BYTES_A_SHIFT: Final = 100 * 10**9
"""What one shift reads again for the sake of neighbours, at most: a disk that fails all over must
not keep the audit from reading anything else."""

WRITTEN_WITHIN_NS: Final = 600 * 10**9
"""Files last written within ten minutes of the damaged one are its neighbours in time."""

KEPT_FOR: Final = 30 * 86_400
"""Seconds after which nobody is told any more that a file was read for another one's sake."""


PIECES_A_SHIFT: Final = 64
"""Segments of large neighbours that are looked at by themselves, at most: 4 GiB."""

UNLIKE: Final = "A piece of it, near {}, is not as it was read before: a reading must show it."


class Neighbourhood:
    """Has neighbours read again until the budget of one shift is used up.

    ``read_piece`` reads one segment of a file at once; None when there is no time, or it is no
    more.  Without it large neighbours are only read whole.
    """

    def __init__(
        self,
        ledger: Ledger,
        files: int = FILES_A_SHIFT,
        size: int = BYTES_A_SHIFT,
        read_piece: Callable[[PlaceName, bytes, int], Sighting | None] | None = None,
    ) -> None:
        self._ledger = ledger
        self._files = files
        self._bytes = size
        self._pieces = PIECES_A_SHIFT
        self._read_piece = read_piece
        self._counted = False

    def search(
        self, place: PlaceName, damaged: Sighting, at: int, segments: Collection[int] = ()
    ) -> int:
        """Have what is near ``damaged`` read again.  The number of files.

        First large files of its folder of which a segment that adjoins one of the damaged
        ``segments`` is not as it was; then its folder, the nearest by name first; then what was
        written at the same time.
        """
        self._count_what_waits()
        ledger, path = self._ledger, damaged.path
        if self._files <= 0 and self._pieces <= 0:
            return 0
        folder = ledger.neighbours.in_folder(place, path, FILES_A_SHIFT)
        unlike = [each for each in self._unlike(place, folder, segments) if self._takes(*each)]
        near = folder + ledger.neighbours.written_about(
            place, damaged.mtime_ns, WRITTEN_WITHIN_NS, FILES_A_SHIFT + 1
        )
        chosen = [
            other
            for other, size in dict(near).items()
            # What is suspected was just read for its own sake, or will be.
            if other != path
            and (other, size) not in unlike
            and self._affords(size)
            and not self._suspicions(place, other)
            and self._takes(other, size)
        ]
        found = [other for other, _ in unlike]
        with ledger.transaction():
            ledger.readings.want(place, found, UNLIKE.format(printable(path)))
            ledger.readings.want(place, chosen, f"It is near {printable(path)}.")
            ledger.neighbours.add(place, [*found, *chosen], path, at)
        return len(found) + len(chosen)

    def _affords(self, size: int) -> bool:
        return self._files > 0 and size <= self._bytes

    def _takes(self, _path: bytes, size: int) -> bool:
        self._files -= 1
        self._bytes -= size
        return True

    def _count_what_waits(self) -> None:
        """What an earlier shift chose and nobody came to read counts for this one."""
        if self._counted:
            return
        self._counted = True
        for place in self._ledger.places():
            waiting = self._ledger.neighbours.all(place)
            for path, known in self._ledger.sightings_at(place, waiting):
                if known is not None and known.wanted is not None:
                    self._takes(path, known.sighting.size)

    def _unlike(
        self, place: PlaceName, near: Iterable[tuple[bytes, int]], segments: Collection[int]
    ) -> Iterator[tuple[bytes, int]]:
        """Large files with a segment, next to a damaged one, that is not as it was read before."""
        if self._read_piece is None or not segments:
            return
        for other, size in near:
            if size <= SEGMENT or self._suspicions(place, other):
                continue
            ((_, known),) = self._ledger.sightings_at(place, [other])
            fingerprints = () if known is None else known.sighting.fingerprints
            for number in _adjoining(segments, len(fingerprints)):
                if self._pieces <= 0:
                    return
                self._pieces -= 1
                self._bytes -= SEGMENT
                seen = self._read_piece(place, other, number)
                if seen is None:
                    return
                assert known is not None
                if seen.trouble is not None or (
                    seen.untouched_since(known.sighting)
                    and seen.fingerprints != fingerprints[number : number + 1]
                ):
                    yield other, size
                    break

    def forget_read(self) -> None:
        """Forget which files were to be read for another one's sake, once they were."""
        ledger = self._ledger
        for place in ledger.places():
            done = [
                path
                for path, known in ledger.sightings_at(place, ledger.neighbours.all(place))
                if (known is None or known.wanted is None)
                and all(each.confirmed_at for each in self._suspicions(place, path))
            ]
            ledger.neighbours.forget(place, done)

    def _suspicions(self, place: PlaceName, path: bytes) -> list[Suspicion]:
        """What is suspected of a path, at any mirror where the place is the source."""
        mirrors = self._ledger.places(place.share) if place.is_source else [place]
        found = (self._ledger.suspicions.of(each, path) for each in mirrors)
        return [each for each in found if each is not None]


def _adjoining(segments: Collection[int], count: int) -> list[int]:
    """The damaged segments and those next to them, of a file that has ``count``."""
    near = {each + step for each in segments for step in (-1, 0, 1)}
    return sorted(each for each in near if 0 <= each < count)


def segments_of(damage: Damage | None) -> frozenset[int]:
    """The segments in which two sides differ; none where that is not known."""
    if damage is None:
        return frozenset()
    return frozenset(
        number
        for each in damage.ranges
        for number in (each.start // SEGMENT, max(each.start, each.end - 1) // SEGMENT)
    )
