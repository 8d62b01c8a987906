"""The places of the settings by name; and the ledger, opened where it may stand."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from verifier.ledger import SOURCE, Ledger, PlaceName, refuse_inside
from verifier.model import Dated
from verifier.places.opening import traits_at
from verifier.settings import Address, AddressKind, Settings, Share


def places_of(share: Share) -> Iterator[tuple[PlaceName, Address]]:
    """A share's places with their addresses, the source first."""
    yield PlaceName(share.name, SOURCE), share.source
    for mirror in share.mirrors:
        yield PlaceName(share.name, mirror.name), mirror.at


def all_places(settings: Settings) -> Iterator[tuple[PlaceName, Address]]:
    """The places of every share."""
    for share in settings.shares:
        yield from places_of(share)


def dated(share: Share, mirror: str) -> Dated:
    """Whose dates are those of contents, of the source and one of its mirrors."""
    return Dated(
        traits_at(share.source).dates_are_of_content,
        traits_at(share.mirror(mirror).at).dates_are_of_content,
    )


def open_ledger(settings: Settings) -> Ledger:
    """The ledger of the settings, which stands in no share.  Raises LedgerRefused."""
    refuse_in_shares(settings, settings.studio.ledger)
    return Ledger(settings.studio.ledger)


def refuse_in_shares(settings: Settings, path: Path) -> None:
    """Raises LedgerRefused when ``path`` lies in a share, also by what a mount leads to."""
    folders = [
        Path(address.path)
        for _, address in all_places(settings)
        if address.kind is AddressKind.FOLDER and os.path.isdir(address.path)
    ]
    refuse_inside(path, folders)
