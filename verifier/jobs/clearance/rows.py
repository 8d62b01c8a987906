"""A folder's paths with what is known of each at every place, side by side."""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Final, NamedTuple

from verifier.ledger import Clearance, Ledger, PlaceName, Proof
from verifier.model import Kind, forms_of

CLOCKS_DIFFER: Final = 60
"""Seconds by which the clock of a machine that reads may be ahead of this one's."""


class Row(NamedTuple):
    """One path of the source; ``mirrors`` in the order of the places, None where it is absent."""

    path: bytes
    source: Proof
    mirrors: tuple[Proof | None, ...]


def rows(ledger: Ledger, request: Clearance, places: Sequence[PlaceName]) -> Iterator[Row]:
    """Every path of the folder on the source, the first of ``places``, sorted.

    A mirror's file whose name has another Unicode form is its copy, if no other one is.
    """
    streams = [_numbered(ledger, request, number, place) for number, place in enumerate(places)]
    for path, same in groupby(heapq.merge(*streams, key=_key), lambda each: each[0]):
        found = {number: proof for _, number, proof in same}
        source = found.get(0)
        if source is None:
            continue  # a mirror may hold more: what stands on the source is what would be lost
        yield Row(
            path,
            source,
            tuple(
                found.get(number) or twin_at(ledger, request, place, path)
                for number, place in enumerate(places)
                if number
            ),
        )


def is_dated_ahead(proof: Proof, now: float) -> bool:
    """Whether it was read by a clock that was ahead, so that nobody knows when that was."""
    read_at = proof.sighting.read_at
    return read_at is not None and read_at > now + CLOCKS_DIFFER


def unlike(source: Proof, mirror: Proof) -> bool:
    """True when both are known and hold different contents, or are of different kinds."""
    here, there = source.sighting, mirror.sighting
    if here.trouble is not None or there.trouble is not None:
        return False
    if here.kind is not there.kind or here.target != there.target:
        return True
    if here.kind is not Kind.FILE:
        return False
    return None not in (here.digest, there.digest) and here.digest != there.digest


def doubtful(row: Row) -> Iterator[int]:
    """The numbers of the places where a path should be read a second time before it is judged."""
    known = (row.source, *row.mirrors)
    found = {
        number
        for number, proof in enumerate(known)
        if proof is not None and proof.proven and proof.sighting.trouble is not None
    }
    for number, mirror in enumerate(row.mirrors, 1):
        if mirror is not None and unlike(row.source, mirror):
            found |= {0, number}
    yield from sorted(found)


_Item = tuple[bytes, int, Proof]


def _numbered(ledger: Ledger, request: Clearance, number: int, place: PlaceName) -> Iterator[_Item]:
    for proof in ledger.clearances.proofs(request, place):
        yield proof.sighting.path, number, proof


def _key(item: _Item) -> tuple[bytes, int]:
    return item[0], item[1]


def twin_at(ledger: Ledger, request: Clearance, mirror: PlaceName, path: bytes) -> Proof | None:
    """A mirror's file under another Unicode form of a path's name, if it is no other one's copy."""
    source = PlaceName(request.share)
    for form in forms_of(path):
        if form != path and form.startswith(request.folder):
            proof = ledger.clearances.proof_at(request, mirror, form)
            if proof is not None and ledger.clearances.proof_at(request, source, form) is None:
                return proof
    return None
