"""Rows of the ledger into frozen values, and back.  Pure.

What takes 64 unsigned bits in a file system is kept as a signed number.
"""

from __future__ import annotations

from typing import Final

from verifier.ledger.store import Row
from verifier.ledger.values import Known
from verifier.model import Agreement, Kind, Sighting, Trouble

KINDS: Final = (Kind.FILE, Kind.LINK, Kind.OTHER)
KIND_NUMBERS: Final = {kind: number for number, kind in enumerate(KINDS)}

COUNTED_AT_MOST: Final = 1 << 50
"""Bytes that one file can add to a count: the schema says why."""

SIGNED_FROM: Final = 1 << 63
"""The first number that `signed` makes another one of: for those who call it for every path."""

_WHOLE: Final = 1 << 64
_FINGERPRINT: Final = 16
DIGEST: Final = 32


def signed(number: int) -> int:
    """A number of 64 unsigned bits as SQLite can hold it."""
    return number if number < SIGNED_FROM else number - _WHOLE


def unsigned(number: int) -> int:
    """The reverse of `signed`."""
    return number if number >= 0 else number + _WHOLE


def joined(parts: tuple[bytes, ...]) -> bytes | None:
    """Equal parts in one, None for none."""
    return b"".join(parts) if parts else None


def parted(whole: bytes | None, size: int) -> tuple[bytes, ...]:
    """The reverse of `joined`."""
    if not whole:
        return ()
    return tuple(whole[at : at + size] for at in range(0, len(whole), size))


def known_from(path: bytes, row: Row) -> Known:
    """A row of sightings, whose first column is the name, as what is known of ``path``."""
    (
        _,
        kind,
        size,
        mtime_ns,
        ctime_ns,
        inode,
        device,
        links,
        first_seen,
        changed_seen,
        read_at,
        digest,
        fingerprints,
        target,
        trouble,
        walk_trouble,
        wanted,
    ) = row
    said = walk_trouble or trouble
    sighting = Sighting(
        path,
        KINDS[kind],
        size,
        mtime_ns,
        ctime_ns,
        unsigned(device),
        unsigned(inode),
        links,
        digest,
        parted(fingerprints, _FINGERPRINT),
        target,
        read_at,
        None if said is None else Trouble.parse(said),
    )
    return Known(sighting, first_seen, changed_seen, wanted)


def agreement_from(row: Row) -> Agreement:
    """A row of agreements."""
    _, digest, size, source_mtime_ns, mirror_mtime_ns, kind, target, earlier = row
    return Agreement(
        digest,
        size,
        source_mtime_ns,
        source_mtime_ns if mirror_mtime_ns is None else mirror_mtime_ns,
        KINDS[kind],
        target,
        parted(earlier, DIGEST),
    )
