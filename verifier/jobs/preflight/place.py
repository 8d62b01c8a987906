"""One place of a share, and what preflight found out of it."""

from __future__ import annotations

from collections.abc import Iterator

from verifier.errors import PlaceUnreachable
from verifier.jobs.measuring import Sample
from verifier.jobs.preflight.checks import Check, State
from verifier.ledger import SOURCE, PlaceName
from verifier.places.addresses import Address, shown
from verifier.places.base import AS_FOLDERS, Place, Remark, Traits
from verifier.places.opening import place_at
from verifier.settings import Share


class PlaceFound:
    """A place, whether it was reached, what it holds, and how fast it was read.

    ``place`` is None where nothing can stand at its address; ``why_none`` then says why.
    """

    def __init__(self, share: Share, name: str, address: Address) -> None:
        self.share = share
        self.name = name
        self.address = address
        self.at = shown(address)
        self.place: Place | None = None
        self.why_none = ""
        try:
            self.place = place_at(address)
        except PlaceUnreachable as error:
            self.why_none = str(error)
        if self.place is not None:
            self.at = self.place.at
        self.reached = False
        self.listed = False
        self.complete = False
        self.entries = 0
        self.files = 0
        self.bytes = 0
        self.unlisted: list[bytes] = []
        self.sample = Sample()
        self.pace: float | None = None

    @property
    def root(self) -> bytes | None:
        """The folder of this machine that it is, None where it is none."""
        return None if self.place is None else self.place.root

    @property
    def full_name(self) -> PlaceName:
        """The name of its share and its own."""
        return PlaceName(self.share.name, self.name)

    @property
    def traits(self) -> Traits:
        """What is particular to its kind."""
        return AS_FOLDERS if self.place is None else self.place.traits

    def says(self, check: str, state: State, detail: str, advice: str | None = None) -> Check:
        """A check that is about this place."""
        return Check(check, state, detail, advice, self.share.name, self.name)

    def remarks(self, remark: Remark) -> Check:
        """What the place itself remarks upon, as a check."""
        state = State.GOOD if remark.good else State.LOOK
        return self.says(remark.check, state, remark.detail, remark.advice)


def places_of(share: Share) -> Iterator[PlaceFound]:
    """The source first, then the mirrors."""
    addresses = [(SOURCE, share.source), *((each.name, each.at) for each in share.mirrors)]
    for name, address in addresses:
        yield PlaceFound(share, name, address)
