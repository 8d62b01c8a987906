"""The place at an address: the one module that knows which kinds of place there are.

A kind is a module beside this one, which is imported when an address asks for it.  Nothing is
read of a place here; to check one is to see that its root is there and can be listed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from verifier.errors import PlaceUnreachable
from verifier.places.addresses import Address, AddressKind
from verifier.places.base import AS_FOLDERS, Place, Traits
from verifier.places.folder import FolderPlace


def place_at(address: Address) -> Place:
    """The place at an address, which nobody has looked at yet.

    Raises PlaceUnreachable where this version knows nothing that could stand there.
    """
    if address.kind is AddressKind.OBJECT_STORE:
        from verifier.places.object_store import ObjectStorePlace

        if address.scheme in _OF_THIS_MACHINE:
            raise PlaceUnreachable(
                f"{address} is a folder of this machine. Name the folder itself, without "
                f"{address.scheme}://."
            )
        return ObjectStorePlace(address)
    if address.kind is AddressKind.FAR_HOST:
        from verifier.places.far.place import FarPlace

        return FarPlace(address)
    return FolderPlace.at_path(Path(address.path))


def open_place(address: Address) -> Place:
    """The place at an address, its root found to be there.  Raises PlaceUnreachable."""
    place = place_at(address)
    place.check()
    return place


def traits_at(address: Address) -> Traits:
    """What is particular to the kind of place at an address, which is not looked at."""
    if address.kind is AddressKind.OBJECT_STORE:
        from verifier.places.object_store import ObjectStorePlace

        return ObjectStorePlace.traits
    if address.kind is AddressKind.FAR_HOST:
        from verifier.places.far.place import FAR_TRAITS

        return FAR_TRAITS
    return AS_FOLDERS


_OF_THIS_MACHINE: Final = frozenset({"file", "local", "memory"})
"""Schemes by which somebody may mean what is no store: a copy in this machine's memory or on its
disks would be told as one elsewhere."""
