"""What certificates let a source give up, beside what the places hold today."""

from __future__ import annotations

from collections.abc import Callable, Collection

import msgspec

from verifier.ignore import Ignore
from verifier.ledger import Covered, LastHeld, Ledger, PlaceName
from verifier.model import Kind, Sighting, forms_of
from verifier.settings import Share


class _Copy(msgspec.Struct):
    place: str


class _Copies(msgspec.Struct):
    copies: tuple[_Copy, ...] = ()


class Released:
    """The released paths of one share.

    ``named`` are the mirrors that the settings name, all that the ledger knows where None;
    ``left_out`` says which paths the settings leave out of every walk.
    """

    def __init__(
        self,
        ledger: Ledger,
        share: str,
        slack_ns: int,
        named: Collection[PlaceName] | None = None,
        left_out: Callable[[bytes], bool] = lambda path: False,
    ) -> None:
        self._ledger = ledger
        self._source = PlaceName(share)
        self._slack_ns = slack_ns
        self._named = named
        self.left_out = left_out
        self._certified_on: dict[int, frozenset[str]] = {}

    @classmethod
    def of(cls, ledger: Ledger, share: Share) -> Released:
        """Those of a share as the settings have it."""
        return cls(
            ledger,
            share.name,
            share.slack_ns,
            [PlaceName(share.name, mirror.name) for mirror in share.mirrors],
            Ignore(share.ignore).ignores_at_or_above,
        )

    def covering(self, path: bytes) -> Covered | None:
        """What the latest certificate that covers a path says of it, under any Unicode form."""
        return self._ledger.certificates.covering(self._source.share, path, forms_of(path))

    def covering_the_name(self, path: bytes) -> Covered | None:
        """As `covering`, only under this very name: so what has gone is told once."""
        return self._ledger.certificates.covering(self._source.share, path)

    def was_superseded(self, path: bytes, covered: Covered, mirror: Sighting | None) -> bool:
        """Whether the source last held something else than what was certified.

        What nobody had read as it was then is taken for what was certified where it was as large,
        and dated as what the mirror holds, if it holds anything.
        """
        held = self._ledger.certificates.last_held(self._source.share, path)
        if held is None:
            return False
        if (held.kind, held.target) != (covered.kind, covered.target):
            return True
        if held.kind is not Kind.FILE or held.digest is not None:
            return held.digest != covered.digest
        return not self._is_dated_as(held, covered, mirror)

    def held_elsewhere(self, path: bytes, covered: Covered, mirror: PlaceName) -> list[PlaceName]:
        """The other mirrors that were last seen to hold a path as it was certified."""
        return [
            place
            for place in self._mirrors()
            if place != mirror and self._holds(place, path, covered)
        ]

    def was_certified_on(self, mirror: PlaceName, covered: Covered) -> bool:
        """Whether the certificate counts what stands on a mirror among the copies that remain.

        So does one of which that is not known.
        """
        number = covered.certificate.id
        copies = self._certified_on.get(number)
        if copies is None:
            content = self._ledger.certificates.content(number)
            decoded = msgspec.json.decode(content, type=_Copies).copies
            copies = self._certified_on[number] = frozenset(each.place for each in decoded)
        return not copies or mirror.place in copies

    def stands_under_another_name(self, path: bytes, mirror: PlaceName) -> bool:
        """Whether a side holds the path under another Unicode form."""
        forms = [form for form in forms_of(path) if form != path]
        return any(
            known is not None
            for place in (self._source, mirror)
            for _, known in self._ledger.sightings_at(place, forms)
        )

    def touch_what_no_place_holds(self) -> None:
        """Have judged what only a mirror held that the settings name no longer."""
        lost = self._ledger.certificates.held_by_none(self._source.share, self._mirrors())
        self._ledger.agreements.touch(self._source, lost)

    def _mirrors(self) -> Collection[PlaceName]:
        if self._named is not None:
            return self._named
        known = self._ledger.places(self._source.share)
        return [each for each in known if not each.is_source]

    def _holds(self, place: PlaceName, path: bytes, covered: Covered) -> bool:
        for _, known in self._ledger.sightings_at(place, forms_of(path)):
            if known is None or known.sighting.trouble is not None:
                continue
            seen = known.sighting
            unread = seen.kind is Kind.FILE and seen.digest is None
            if (seen.kind, seen.target) == (covered.kind, covered.target) and (
                seen.digest == covered.digest or (unread and seen.size == covered.size)
            ):
                return True
        return False

    def _is_dated_as(self, held: LastHeld, covered: Covered, mirror: Sighting | None) -> bool:
        if held.size != covered.size:
            return False
        return mirror is None or abs(held.mtime_ns - mirror.mtime_ns) <= self._slack_ns
