"""Parts of files, read through what a place does anyway: looking at a path, and opening it.

For places of which the contents come to this process; one that reads elsewhere has this done
there.  Nothing here knows what stands behind a place.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import closing
from typing import Final

import xxhash
from msgspec import structs

from verifier.engine import Watch
from verifier.hashing import BLOCK, ReadFailed, own_hasher
from verifier.model import CHANGED_WHILE_READ, SEGMENT, Kind, Sighting, Trouble
from verifier.places.base import Look, Place, trouble_of


def piece_of(
    place: Place, path: bytes, piece: int, now: Callable[[], float], watch: Watch
) -> Sighting:
    """One segment of a file, read twice if the file changed meanwhile; see `Place.read_piece`."""
    sighting = _piece(place, path, piece, now, watch)
    if sighting.trouble is not None and sighting.trouble.unsettled:
        sighting = _piece(place, path, piece, now, watch)
    return sighting


def _piece(
    place: Place, path: bytes, piece: int, now: Callable[[], float], watch: Watch
) -> Sighting:
    def glance() -> Sighting:
        (seen,) = place.look_at([path], frozenset({0}), Look(content=False), now, watch)
        return seen

    before = glance()
    if before.kind is not Kind.FILE or before.trouble is not None:
        return before
    try:
        fingerprint = _fingerprint(place, path, piece * SEGMENT, watch)
    except OSError as error:
        return structs.replace(before, trouble=trouble_of(error))
    after = glance()
    if after.kind is not Kind.FILE or after.trouble is not None:
        return after
    if not after.untouched_since(before):
        return structs.replace(after, trouble=_CHANGED)
    return structs.replace(after, fingerprints=(fingerprint,), read_at=int(now()))


_CHANGED: Final = Trouble(CHANGED_WHILE_READ, "It changed each time it was read.")


def _fingerprint(place: Place, path: bytes, start: int, watch: Watch) -> bytes:
    """The fingerprint of the segment that begins at ``start``.  Raises OSError."""
    whole = xxhash.xxh3_128()
    at, end = start, start + SEGMENT
    with closing(place.open(path)) as file:
        while at < end:
            block = file.read_at(at, watch.allow(min(BLOCK, end - at)))
            if not block:
                break
            watch.has_read(len(block))
            whole.update(block)
            at += len(block)
    digest: bytes = whole.digest()
    return digest


def start_of(
    place: Place, path: bytes, length: int, until: float, watch: Watch, behind: int = 0
) -> Trouble | None:
    """The first ``length`` bytes of a file, read and hashed; see `Place.try_reading`.

    Those ``behind`` so many of the first, where there are any.
    """
    if time.monotonic() >= until:
        return None
    try:
        file = place.open(path)
    except OSError as error:
        return trouble_of(error)
    start = behind if behind < file.size else 0
    length = min(length, file.size - start)
    done = 0

    def fill(buffer: memoryview) -> int:
        nonlocal done
        if time.monotonic() >= until:
            return 0
        block = file.read_at(start + done, min(len(buffer), length - done))
        buffer[: len(block)] = block
        done += len(block)
        return len(block)

    try:
        own_hasher().read(fill, length, watch)
    except ReadFailed as failed:
        return trouble_of(failed.error)
    finally:
        file.close()
    return None
