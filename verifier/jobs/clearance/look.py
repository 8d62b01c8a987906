"""The last look at every place, right before a clearance is decided: nothing is read any more.

It sees what changed after it was read, what leads into the folder from elsewhere, and what the
ignore patterns have kept everybody from reading.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from itertools import groupby
from typing import Final

from verifier.ignore import Ignore
from verifier.jobs.clearance.folder import walk_folder
from verifier.jobs.clearance.listed import Listed
from verifier.ledger import Clearance, Ledger, PlaceName, Proof
from verifier.model import Kind, Sighting, printable
from verifier.places.base import Place
from verifier.spill import SortedSpill
from verifier.walker import walk_dated

LISTED_AT_MOST: Final = 1_000
"""Left-out paths that a certificate lists.  Where there are more nobody would read the list, and
the folder is not cleared."""

_Name = tuple[int, int, int, bytes]
"""One of several names of a file: device, inode, number of names, path."""

Stream = Iterator[Sighting]


class LastLook:
    """What a last look saw."""

    def __init__(self) -> None:
        self.changed: dict[PlaceName, Listed] = {}
        self.links_in = Listed()
        self.hard_links = Listed()
        self.not_listed = Listed()
        """Folders of the source's share where nobody can tell whether a link leads in."""
        self.left_out: list[bytes] = []
        self.left_out_count = 0
        self.left_out_unlisted = Listed()

    def take(
        self,
        ledger: Ledger,
        request: Clearance,
        places: dict[PlaceName, Place],
        patterns: tuple[str, ...],
        until_bell: Callable[[Stream], Stream],
    ) -> None:
        """Look at the whole share on its source, and at the folder on each mirror."""
        for name, place in places.items():
            known = ledger.clearances.proofs(request, name)
            if name.is_source:
                with closing(SortedSpill[_Name](_Name, _by_inode)) as names:
                    everything = until_bell(walk_dated(place))
                    seen = self._in_folder(everything, place, request.folder, patterns, names)
                    self.changed[name] = _changed(seen, known)
                    self._count_names(names)
            else:
                seen = until_bell(walk_folder(place, request.folder, patterns))
                self.changed[name] = _changed(seen, known)
            place.check()

    def _in_folder(
        self,
        everything: Stream,
        place: Place,
        folder: bytes,
        patterns: tuple[str, ...],
        names: SortedSpill[_Name],
    ) -> Stream:
        """What is in the folder and was to be read; the rest is looked at as it passes."""
        ignore = Ignore(patterns)
        for sighting in everything:
            path = sighting.path
            if not path.startswith(folder):
                self._elsewhere(sighting, place, folder[:-1])
                continue
            if sighting.kind is Kind.FILE and sighting.links > 1:
                names.add((sighting.device, sighting.inode, sighting.links, path))
            unlisted = sighting.trouble is not None and sighting.kind is Kind.OTHER
            if ignore and (
                ignore.ignores_at_or_above(path) or (unlisted and ignore.ignores_folder(path))
            ):
                self._leave_out(sighting)
            else:
                yield sighting

    def _elsewhere(self, sighting: Sighting, place: Place, folder: bytes) -> None:
        if sighting.kind is Kind.LINK and sighting.target is not None:
            if place.leads_into(sighting.path, sighting.target, folder):
                self.links_in.add(sighting.path, f"to {printable(sighting.target)}")
        elif sighting.trouble is not None and not sighting.trouble.unsettled:
            self.not_listed.add(sighting.path)

    def _leave_out(self, sighting: Sighting) -> None:
        self.left_out_count += 1
        if len(self.left_out) < LISTED_AT_MOST:
            self.left_out.append(sighting.path)
        if sighting.trouble is not None:
            self.left_out_unlisted.add(sighting.path)

    def _count_names(self, names: SortedSpill[_Name]) -> None:
        for _, same in groupby(names, _by_inode):
            inside = list(same)
            _, _, in_all, path = inside[-1]
            if len(inside) < in_all:
                more = in_all - len(inside)
                self.hard_links.add(path, f"{more} more name{'s' if more > 1 else ''} elsewhere")


def _by_inode(name: _Name) -> tuple[int, int]:
    return name[0], name[1]


def _changed(seen: Iterable[Sighting], known: Iterator[Proof]) -> Listed:
    """The paths that are not as they were when they were read, or came or went since."""
    found = Listed()
    held = next(known, None)
    for sighting in seen:
        while held is not None and held.sighting.path < sighting.path:
            found.add(held.sighting.path, "gone")
            held = next(known, None)
        if held is None or held.sighting.path != sighting.path:
            found.add(sighting.path, "new")
            continue
        if not _as_it_was(sighting, held.sighting):
            found.add(sighting.path)
        held = next(known, None)
    while held is not None:
        found.add(held.sighting.path, "gone")
        held = next(known, None)
    return found


def _as_it_was(now: Sighting, then: Sighting) -> bool:
    if now.trouble is not None:
        return then.trouble is not None  # told as what could not be read
    return (
        now.kind is then.kind
        and now.size == then.size
        and now.mtime_ns == then.mtime_ns
        and now.ctime_ns == then.ctime_ns
        and now.inode == then.inode
        and now.target == then.target
    )
