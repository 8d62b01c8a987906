"""Around damage: what is near a damaged file is read again before the rest of the audit.

Latent faults cluster in space and in time: a bad sector seldom comes alone, and what one faulty
write spoilt was written at the same time as its neighbours.  Sources: "An Analysis of Latent
Sector Errors in Disk Drives", SIGMETRICS 2007; "An Analysis of Data Corruption in the Storage
Stack", USENIX FAST 2008.
"""

from __future__ import annotations

from typing import Final

from verifier.ledger import Ledger, PlaceName, Suspicion
from verifier.model import Sighting, printable

FILES_A_SHIFT: Final = 1_000
BYTES_A_SHIFT: Final = 100 * 10**9
"""What one shift reads again for the sake of neighbours, at most: a disk that fails all over must
not keep the audit from reading anything else."""

WRITTEN_WITHIN_NS: Final = 600 * 10**9
"""Files last written within ten minutes of the damaged one are its neighbours in time."""

KEPT_FOR: Final = 30 * 86_400
"""Seconds after which nobody is told any more that a file was read for another one's sake."""


class Neighbourhood:
    """Has neighbours read again until the budget of one shift is used up."""

    def __init__(
        self, ledger: Ledger, files: int = FILES_A_SHIFT, size: int = BYTES_A_SHIFT
    ) -> None:
        self._ledger = ledger
        self._files = files
        self._bytes = size

    def search(self, place: PlaceName, damaged: Sighting, at: int) -> int:
        """Have what is near ``damaged`` read again: its folder first, then what was written at
        the same time.  The number of files."""
        ledger, path = self._ledger, damaged.path
        near = ledger.neighbours.in_folder(place, path, self._files)
        near += ledger.neighbours.written_about(
            place, damaged.mtime_ns, WRITTEN_WITHIN_NS, self._files
        )
        chosen: list[bytes] = []
        for other, size in dict(near).items():
            if other == path or self._files <= 0 or size > self._bytes:
                continue
            if self._suspicions(place, other):
                continue  # it was just read for its own sake, or will be
            self._files -= 1
            self._bytes -= size
            chosen.append(other)
        if chosen:
            with ledger.transaction():
                ledger.readings.want(place, chosen, f"It is near {printable(path)}.")
                ledger.neighbours.add(place, chosen, path, at)
        return len(chosen)

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
