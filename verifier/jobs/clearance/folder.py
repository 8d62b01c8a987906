"""Which folder is to be cleared, how it is walked, and through what its places are read."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from typing import Final

from verifier.engine import Watch
from verifier.errors import RequestRefused
from verifier.ignore import Only
from verifier.model import Kind, Sighting, printable
from verifier.places.base import Look, Place
from verifier.walker import walk_dated

_GONE: Final = Look(content=False)


def folder_in(named: bytes, source: Place, share: str) -> bytes:
    """The path of the folder in its share, with a slash at the end; raises RequestRefused.

    ``named`` is what a person gave: a path in the share, or a whole one that leads into its
    source.  Whether it is there is not looked at.
    """
    shown = printable(named)
    path = named
    if b".." in path.split(b"/"):
        raise RequestRefused(
            f"{shown} leads out of where it begins. Name the folder by its plain path in the "
            'share, without "..".'
        )
    if os.path.isabs(path):
        if source.root is None:
            raise RequestRefused(
                f"{shown} is a path of this machine, and the source of {share} is {source.at}. "
                "Name the folder by its path in the share."
            )
        root = source.root.rstrip(b"/") + b"/"
        real = os.path.join(os.path.realpath(os.path.dirname(path.rstrip(b"/"))), b"")
        path = os.path.join(real, os.path.basename(path.rstrip(b"/"))) + b"/"
        if not path.startswith(root):
            raise RequestRefused(
                f"{shown} does not lie in the source of {share}, {source.at}. Name a folder by its "
                "path in the share."
            )
        path = path[len(root) :]
    parts = [part for part in path.split(b"/") if part not in (b"", b".")]
    if b"\0" in path:
        raise RequestRefused("The folder's name holds a zero byte, which no path can.")
    if not parts:
        raise RequestRefused(
            f"{shown or 'An empty name'} means the whole share, and a clearance is for one folder "
            f"in it. Name a folder of {share}."
        )
    return b"/".join(parts) + b"/"


def refuse_no_folder(folder: bytes, source: Place, share: str, watch: Watch) -> None:
    """Raises RequestRefused unless a folder stands there, reached through no link."""
    if not source.traits.has_folders:
        if next(source.list_folder(folder[:-1]), None) is None:
            raise RequestRefused(
                f"Nothing stands below {printable(folder)} in {share} ({source.at}). Check the "
                "name."
            )
        return
    parts = folder.rstrip(b"/").split(b"/")
    for number in range(1, len(parts) + 1):
        path = b"/".join(parts[:number])
        (found,) = source.look_at([path], frozenset({0}), _GONE, time.time, watch)
        if found.trouble is not None and not found.trouble.unsettled:
            raise RequestRefused(
                f"{printable(path)} in {source.at} cannot be looked at. {found.trouble.detail}"
            )
        if found.trouble is not None:
            raise RequestRefused(
                f"There is no folder {printable(path)} in {share} ({source.at}). Check the name."
            )
        if found.kind is Kind.LINK:
            raise RequestRefused(
                f"{printable(path)} in {source.at} is a link. Name the folder that it leads to: "
                "deleting a link frees nothing, and what is behind it was not looked at."
            )
        if found.kind is Kind.FILE:
            raise RequestRefused(
                f"{printable(path)} in {source.at} is a file. A clearance is for a folder."
            )
    try:
        next(source.list_folder(folder[:-1]), None)
    except OSError as error:
        raise RequestRefused(
            f"{printable(folder[:-1])} in {source.at} cannot be listed as a folder "
            f"({(error.strerror or str(error)).lower()})."
        ) from error


def walk_folder(place: Place, folder: bytes, patterns: tuple[str, ...]) -> Iterator[Sighting]:
    """The sightings in the folder at a place, sorted by path, by sizes and dates.

    A folder above it that could not be listed is a sighting too: that of the folder itself.
    """
    for sighting in walk_dated(place, Only(folder, patterns)):
        if sighting.path.startswith(folder):
            yield sighting
        elif sighting.trouble is not None:
            yield Sighting(folder[:-1], Kind.OTHER, 0, 0, trouble=sighting.trouble)
