"""Sorted streams of sightings side by side, path by path.  Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple, Protocol

from verifier.model import Agreement, Sighting


class Row(NamedTuple):
    """What is known of one path: at least one of the two sightings is there.

    ``due`` says whether the mirror job has had its chance to copy the source's file.
    """

    path: bytes
    source: Sighting | None
    mirror: Sighting | None
    agreement: Agreement | None = None
    due: bool = True


class Aside(Protocol):
    """Takes what may belong together under two Unicode forms of one name."""

    def row(self, row: Row, /) -> None:
        """Both sides hold this path, and the baseline does not under the same bytes."""

    def known(self, sighting: Sighting, /) -> None:
        """The baseline holds this path, and neither side does under the same bytes."""


def merge(
    source: Iterable[Sighting],
    mirror: Iterable[Sighting],
    baseline: Iterable[Sighting] | None = None,
    aside: Aside | None = None,
) -> Iterator[Row]:
    """A row for each path of either side, in order of path.

    All streams must be sorted by path and hold each path once.  ``baseline`` is a tree that
    both sides once agreed on; paths that it alone holds give no row.  What is put ``aside`` gives
    none either.
    """
    rows = _two_way(source, mirror)
    return rows if baseline is None else _with_agreements(rows, baseline, aside)


def _two_way(source: Iterable[Sighting], mirror: Iterable[Sighting]) -> Iterator[Row]:
    sources, mirrors = iter(source), iter(mirror)
    left, right = next(sources, None), next(mirrors, None)
    while left is not None and right is not None:
        if left.path == right.path:
            yield Row(left.path, left, right)
            left, right = next(sources, None), next(mirrors, None)
        elif left.path < right.path:
            yield Row(left.path, left, None)
            left = next(sources, None)
        else:
            yield Row(right.path, None, right)
            right = next(mirrors, None)
    while left is not None:
        yield Row(left.path, left, None)
        left = next(sources, None)
    while right is not None:
        yield Row(right.path, None, right)
        right = next(mirrors, None)


def _with_agreements(
    rows: Iterator[Row], baseline: Iterable[Sighting], aside: Aside | None
) -> Iterator[Row]:
    def passed(known: Sighting) -> None:
        if aside is not None and not known.path.isascii():
            aside.known(known)

    agreed = iter(baseline)
    known = next(agreed, None)
    for row in rows:
        while known is not None and known.path < row.path:
            passed(known)
            known = next(agreed, None)
        if known is not None and known.path == row.path:
            yield row._replace(agreement=agreement_from(known))
            known = next(agreed, None)
        elif aside is None or row.path.isascii() or row.source is None or row.mirror is None:
            yield row
        else:
            aside.row(row)
    while known is not None:  # read to its end: only there a manifest shows whether it was edited
        passed(known)
        known = next(agreed, None)


def agreement_from(sighting: Sighting) -> Agreement | None:
    """A baseline's sighting as an agreement; None where it was not read or had trouble."""
    if sighting.trouble is not None:
        return None
    if sighting.digest is None and sighting.target is None:
        return None
    return Agreement(
        sighting.digest,
        sighting.size,
        sighting.mtime_ns,
        sighting.mtime_ns,
        sighting.kind,
        sighting.target,
    )
