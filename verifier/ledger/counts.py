"""What sightings that are added bring to the counts of their place.

The ledger's triggers count each change to a sighting, and each that goes.  Those that come come in
thousands, and are counted together, in the transaction that adds them.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from verifier.ledger import statements
from verifier.ledger.rows import COUNTED_AT_MOST
from verifier.ledger.store import Store
from verifier.model import Kind, Sighting


class Added(Struct, frozen=True):
    """Sightings that a place has more than before, in paths and bytes."""

    entries: int = 0
    files: int = 0
    bytes: int = 0
    unread_files: int = 0
    unread_bytes: int = 0


def add_to_counts(store: Store, place: int, added: Added) -> None:
    """Count what the same transaction adds to a place."""
    values = {
        "place": place,
        "entries": added.entries,
        "files": added.files,
        "bytes": added.bytes,
        "unread_files": added.unread_files,
        "unread_bytes": added.unread_bytes,
    }
    store.run(statements.ADD_TO_COUNTS, values)


def counted(sightings: Sequence[Sighting]) -> Added:
    """Sightings that were not read."""
    sizes = [min(each.size, COUNTED_AT_MOST) for each in sightings if each.kind is Kind.FILE]
    return Added(len(sightings), len(sizes), sum(sizes), len(sizes), sum(sizes))
