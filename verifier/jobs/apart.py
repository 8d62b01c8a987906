"""Whether two places are apart: one that is another one, or a part of it, holds no copy.

Names tell little of that: a mount or a link leads anywhere, and an address of a far host may lead
back to this machine.  What is compared is which folder of which machine a place is.  Where nobody
can tell, two places count as apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, TypeVar

from msgspec import Struct

from verifier.errors import PlaceUnreachable
from verifier.inside import lies_in
from verifier.places.base import Place, let_go

Name = TypeVar("Name")

_THIS_ONE: Final = "this machine"
"""Stands for a boot id where this system has none: its own folders can still be told apart."""


class Overlap(Struct, frozen=True):
    """Two places that are not apart; if they are the ``same``, ``inner`` is the one asked about."""

    inner: Place
    outer: Place
    same: bool

    def __str__(self) -> str:
        """What is the matter, as a clause."""
        how = "is the same folder as" if self.same else "lies inside"
        return f"{self.inner.at} {how} {self.outer.at}"

    @property
    def advice(self) -> str:
        """Where somebody finds out why, as a clause."""
        far = [each.at for each in (self.inner, self.outer) if each.root is None]
        if not far:
            return "see what is mounted where"
        lead = "leads" if len(far) == 1 else "lead"
        return f"see to which machine {' and '.join(far)} {lead}, and what is mounted there"


def overlap(place: Place, other: Place) -> Overlap | None:
    """How a place and another one are not apart; None when they are, or nobody can tell."""
    if _lies_within(place, other):
        return Overlap(place, other, same=_lies_within(other, place))
    return Overlap(other, place, same=False) if _lies_within(other, place) else None


def refuse_no_copy(place: Place, others: Iterable[Place]) -> None:
    """Raises PlaceUnreachable for a place that is not apart from the others of its share."""
    for other in others:
        if (found := overlap(place, other)) is not None:
            let_go(place)
            so = "it holds no copy" if found.same else "one is part of the other and no copy"
            raise PlaceUnreachable(
                f"{found}, so {so}, and nothing of {place.at} was looked at. Name places that lie "
                f"apart; {found.advice}."
            )


def no_copies(places: Mapping[Name, Place]) -> dict[Name, str]:
    """The places that are not apart from one before them, each with a clause that says how."""
    found: dict[Name, str] = {}
    before: list[Place] = []
    for name, place in places.items():
        overlaps = (overlap(place, other) for other in before)
        if (first := next(filter(None, overlaps), None)) is not None:
            found[name] = str(first)
        before.append(place)
    return found


def machines(places: Mapping[Name, Place]) -> dict[Name, str]:
    """What tells the machine that has a place from others, for each place of which it is known.

    The same device and inode on one machine are the same file.
    """
    found: dict[Name, str] = {}
    for name, place in places.items():
        identity = place.identity()
        if identity is not None and identity.machine is not None:
            found[name] = identity.machine
        elif place.root is not None:
            found[name] = _THIS_ONE
    return found


def _lies_within(inner: Place, outer: Place) -> bool:
    if inner.root is not None and outer.root is not None:
        return lies_in(inner.root, outer.root)
    one, other = inner.identity(), outer.identity()
    return one is not None and other is not None and one.lies_in(other)
