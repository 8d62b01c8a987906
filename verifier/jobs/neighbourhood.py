"""Around damage: what is near a damaged file is read again before the rest of the audit.

Latent faults cluster in space and in time: a bad sector seldom comes alone, and what one faulty
write spoilt was written at the same time as its neighbours.  Sources: "An Analysis of Latent
Sector Errors in Disk Drives", SIGMETRICS 2007; "An Analysis of Data Corruption in the Storage
Stack", USENIX FAST 2008.
"""

from __future__ import annotations

from typing import Final

from verifier.ledger import Ledger, PlaceName
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
            self._files -= 1
            self._bytes -= size
            chosen.append(other)
        if chosen:
            with ledger.transaction():
                ledger.readings.want(place, chosen, f"It is near {printable(path)}.")
                ledger.neighbours.add(place, chosen, path, at)
        return len(chosen)
