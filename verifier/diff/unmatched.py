"""Paths that stand on one side only: normalisation twins and moves found among them.  Pure.

Both searches walk two streams that the caller has sorted by what is to be equal, so that
memory stays flat however many paths are left over.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from itertools import groupby
from typing import Final, NamedTuple

from msgspec import Struct

from verifier.model import Agreement, Sighting, composed


class Leftover(Struct, frozen=True, gc=False):
    """A path that stands on one side only, and what was agreed on it."""

    sighting: Sighting
    agreement: Agreement | None = None
    due: bool = True


class Ends(NamedTuple):
    """A leftover of the source and one of the mirror that belong together, or one alone."""

    source: Leftover | None
    mirror: Leftover | None


def form_key(leftover: Leftover) -> tuple[bytes, bytes]:
    """Sorts twins next to each other: same composed name, then the bytes of the path."""
    path = leftover.sighting.path
    return composed(path), path


def content_key(leftover: Leftover) -> tuple[bytes, int, bytes, bytes]:
    """Sorts equal contents next to each other: digest, size, last name, then path."""
    sighting = leftover.sighting
    return (
        sighting.digest or b"",
        sighting.size,
        sighting.path.rpartition(b"/")[2],
        sighting.path,
    )


WAITING: Final = 10_000
"""Leftovers of one content, all with different names, that wait for a partner in memory."""


def _groups(
    source: Iterable[Leftover], mirror: Iterable[Leftover], key: Callable[[Leftover], bytes]
) -> Iterator[tuple[list[Leftover], list[Leftover]]]:
    """The leftovers of each key on either side, from streams sorted by that key."""
    here, there = groupby(source, key), groupby(mirror, key)
    left, right = _next_group(here), _next_group(there)
    while left is not None or right is not None:
        if right is None or (left is not None and left[0] < right[0]):
            assert left is not None
            yield left[1], []
            left = _next_group(here)
        elif left is None or right[0] < left[0]:
            yield [], right[1]
            right = _next_group(there)
        else:
            yield left[1], right[1]
            left, right = _next_group(here), _next_group(there)


def _next_group(
    groups: Iterator[tuple[bytes, Iterator[Leftover]]],
) -> tuple[bytes, list[Leftover]] | None:
    found = next(groups, None)
    return None if found is None else (found[0], list(found[1]))


def pair_twins(source: Iterable[Leftover], mirror: Iterable[Leftover]) -> Iterator[Ends]:
    """Leftovers whose paths differ only in Unicode normalisation, paired one to one.

    Both streams must be sorted by `form_key`.  Those without a twin come alone.
    """
    for here, there in _groups(source, mirror, lambda leftover: form_key(leftover)[0]):
        yield from _one_to_one(here, there)


def pair_moves(source: Iterable[Leftover], mirror: Iterable[Leftover]) -> Iterator[Ends]:
    """Leftovers of the same content, digest and size, paired one to one: a move each.

    Both streams must be sorted by `content_key`.  Among several of one content those with the
    same last name go together first.  Those without a partner come alone, and so does
    everything that was not read.  Of one content at most `WAITING` leftovers are held back for
    a partner.
    """
    waiting = _Waiting()
    here, there = iter(source), iter(mirror)
    left, right = next(here, None), next(there, None)
    while left is not None or right is not None:
        if right is None or (left is not None and _by_name(left) < _by_name(right)):
            assert left is not None
            yield from waiting.settle(Ends(left, None))
            left = next(here, None)
        elif left is None or _by_name(right) < _by_name(left):
            yield from waiting.settle(Ends(None, right))
            right = next(there, None)
        elif left.sighting.digest is None:
            yield Ends(left, None)
            left = next(here, None)
        else:
            yield Ends(left, right)
            left, right = next(here, None), next(there, None)
    yield from waiting.flush()


def _by_name(leftover: Leftover) -> tuple[bytes, int, bytes]:
    return content_key(leftover)[:3]


class _Waiting:
    """Leftovers of one content that found no partner of their own name.

    Only one side ever waits: as soon as one of the other side comes, the two belong together.
    """

    def __init__(self) -> None:
        self._ends: deque[Ends] = deque()

    def settle(self, alone: Ends) -> Iterator[Ends]:
        if self._ends and _content(self._ends[0]) != _content(alone):
            yield from self.flush()
        if _content(alone)[0] is None:
            yield alone
        elif not self._ends or (self._ends[0].source is None) == (alone.source is None):
            self._ends.append(alone)
            if len(self._ends) > WAITING:
                yield self._ends.popleft()
        else:
            partner = self._ends.popleft()
            yield Ends(alone.source or partner.source, alone.mirror or partner.mirror)

    def flush(self) -> Iterator[Ends]:
        while self._ends:
            yield self._ends.popleft()


def _content(alone: Ends) -> tuple[bytes | None, int]:
    leftover = alone.source or alone.mirror
    assert leftover is not None
    return leftover.sighting.digest, leftover.sighting.size


def _one_to_one(here: list[Leftover], there: list[Leftover]) -> Iterator[Ends]:
    together = min(len(here), len(there))
    yield from map(Ends, here[:together], there[:together])
    yield from (Ends(one, None) for one in here[together:])
    yield from (Ends(None, one) for one in there[together:])
